"""A file that is there whole or not at all, whatever ends the program while it is written.

Beside the errors, at the bottom: settings, adapters and commands all write such files, and none of them may know all
the others.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def whole_file(path: Path, mode: int | None = None) -> Iterator[Path]:
    """A new file beside ``path`` to be written, which takes its place at the end; else ``path`` stays as it was.

    ``mode``: its rights, of which the umask takes its share. Without it they are those of the file whose place it takes
    (as is its owner, where root writes it), or of any new file. Raises OSError.
    """
    was = path.stat() if mode is None and path.exists() else None
    rights = 0o666 if mode is None else mode
    beside = path.with_name(f".{path.name}.{os.urandom(4).hex()}")
    # Nobody reads it meanwhile who may not read it then.
    os.close(_new(beside, rights if was is None else stat.S_IMODE(was.st_mode) & rights))
    try:
        yield beside
        if was is not None:
            if os.geteuid() == 0:
                os.chown(beside, was.st_uid, was.st_gid)
            beside.chmod(stat.S_IMODE(was.st_mode))
        to_disk(beside)
        beside.replace(path)
        to_disk(path.parent)
    finally:
        beside.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes, mode: int | None = None) -> None:
    """The same, of what is at hand."""
    with whole_file(path, mode) as beside:
        beside.write_bytes(data)


def write_new(path: Path, data: bytes, mode: int) -> None:
    """A file that takes no other's place, on the disk before this ends. Raises FileExistsError, and OSError."""
    with os.fdopen(_new(path, mode), "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def to_disk(path: Path) -> None:
    """What a file holds, or which names a folder has, survives a power cut after this. Raises OSError."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _new(path: Path, mode: int) -> int:
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
