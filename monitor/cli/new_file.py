"""A file that a command writes: it appears whole or not at all."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import FileUnreadable
from monitor.whole_file import whole_file


@contextlib.contextmanager
def new_file(path: Path, *, replace: bool) -> Iterator[Path]:
    """A file beside ``path`` to be written, which takes its name at the end.

    Raises FileUnreadable where it is there already, unless ``replace``, and where it cannot be written.
    """
    if path.exists() and not replace:
        raise FileUnreadable("the file is there already", where=str(path), fix="give another name, or --replace")
    try:
        with whole_file(path) as beside:
            yield beside
    except OSError as error:
        raise FileUnreadable(
            f"the file cannot be written ({error.strerror})", where=str(path), fix="check the folder and the free space"
        ) from error
