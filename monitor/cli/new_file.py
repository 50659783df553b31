"""Files that a command writes, and what is said where it cannot."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import FileUnreadable, UsageError
from monitor.whole_file import whole_file


@contextlib.contextmanager
def new_file(path: Path, *, replace: bool) -> Iterator[Path]:
    """A file beside ``path`` to be written, which takes its name at the end: it appears whole or not at all.

    Raises FileUnreadable where it is there already, unless ``replace``, and where it cannot be written.
    """
    if path.exists() and not replace:
        raise FileUnreadable("the file is there already", where=str(path), fix="give another name, or --replace")
    try:
        with whole_file(path) as beside:
            yield beside
    except OSError as error:
        raise unwritable(path, error) from error


def write_text(path: Path, text: str) -> None:
    """A file of text. Raises FileUnreadable where it cannot be written."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise unwritable(path, error) from error


def unwritable(path: Path, error: OSError) -> FileUnreadable:
    what = f"it cannot be written: {error.strerror or error}"
    return FileUnreadable(what, where=str(path), fix="name a file in a folder that is there and yours")


def named(text: str, *suffixes: str) -> Path:
    """A file that may be written over, since its name ends as what it will hold. Raises UsageError for another name,
    and FileUnreadable where its folder is not there."""
    path = Path(text)
    if path.suffix.lower() not in suffixes:
        raise UsageError(f"{text[:80]!r} does not end in {' or '.join(suffixes)}", fix="name it by what it will hold")
    if not path.parent.is_dir():
        raise FileUnreadable("it cannot be written: its folder is not there", where=text[:200], fix="make the folder")
    return path
