"""A bar for what takes long."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def bar(what: str, total: int) -> Iterator[Callable[[int], None] | None]:
    """A progress bar on a terminal; elsewhere nothing at all."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what, total=total)
        yield lambda done: shown.update(task, completed=done)
