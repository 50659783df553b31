"""A file that a command writes: it appears whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import FileUnreadable


@contextlib.contextmanager
def new_file(path: Path, *, replace: bool) -> Iterator[Path]:
    """A file beside ``path`` to be written, which takes its name at the end, with the rights that a new file has.

    Raises FileUnreadable where it is there already, unless ``replace``, and where it cannot be written.
    """
    if path.exists() and not replace:
        raise FileUnreadable("the file is there already", where=str(path), fix="give another name, or --replace")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        os.close(handle)
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        yield Path(name)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        Path(name).unlink(missing_ok=True)


def _unwritable(path: Path, error: OSError) -> FileUnreadable:
    return FileUnreadable(
        f"the file cannot be written ({error.strerror})", where=str(path), fix="check the folder and the free space"
    )
