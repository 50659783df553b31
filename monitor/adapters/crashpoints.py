"""Named places where a test lets the process die as if the power went: ``WARMTALLY_CRASH_AT=name`` or ``name:3``.

The process kills itself at the named place (the third time it gets there, with ``:3``), with no handler run and no
buffer written. Unset, as always outside tests, a crash point costs one comparison.
"""

from __future__ import annotations

import os
import signal
import threading

_name, _, _nth = os.environ.get("WARMTALLY_CRASH_AT", "").partition(":")
_left = int(_nth) if _nth.isdigit() else 1
_lock = threading.Lock()


def crash_point(name: str) -> None:
    """Die here if this is the place and the time that was asked for."""
    global _left  # noqa: PLW0603 - one process, one death
    if name != _name:
        return
    with _lock:
        _left -= 1
        if _left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
