"""Places where a test may have the process killed, to show what a restart makes of it.

``WARMTALLY_CRASH_AT=name`` or ``name:N`` kills the process, as a power cut would, when the named place is passed
for the N-th time. Without the variable a place costs one dictionary look-up.
"""

from __future__ import annotations

import itertools
import os
import signal
from collections import defaultdict
from collections.abc import Iterator

_VARIABLE = "WARMTALLY_CRASH_AT"
_passed: defaultdict[str, Iterator[int]] = defaultdict(lambda: itertools.count(1))


def crash_point(name: str) -> None:
    """Die here if asked to."""
    wanted = os.environ.get(_VARIABLE)
    if not wanted:
        return
    place, _, nth = wanted.partition(":")
    if place == name and next(_passed[name]) == int(nth or 1):
        os.kill(os.getpid(), signal.SIGKILL)
