"""Of a probe that reports many times a second, what the judgements need; all of it is stored.

In each slot of ten seconds stay the first and the last reading, the lowest and the highest usable one, and the first
that is not usable. So a limit that was passed is passed, and a probe that reports each ten seconds or less often is as
it was. It does not matter in how many pieces, nor in which order, the readings of a slot are thinned.

Times are int64 milliseconds in increasing order, all arrays of equal shape (n,).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Times, Values

SLOT_MS: Final = 10_000
MOST_IN_SLOT: Final = 5
CROWDED: Final = 1.5
"""Readings a slot, from which on a series is not told as evenly spaced."""


def kept(time_ms: Times, value: Values, usable: NDArray[np.bool_]) -> NDArray[np.intp] | None:
    """Indices of the readings that stay, increasing; None: all of them."""
    slot = time_ms // SLOT_MS
    if not bool((slot[2:] == slot[:-2]).any()):
        return None
    stays = np.zeros(len(slot), bool)
    stays[_begins(slot)] = True
    stays[len(slot) - 1 - _begins(slot[::-1])] = True
    good, bad = np.flatnonzero(usable), np.flatnonzero(~usable)
    stays[bad[_begins(slot[bad])]] = True
    begins = _begins(slot[good])
    for by in (value[good], -value[good]):
        # Of equal values the earliest comes first.
        stays[good[np.lexsort((by, slot[good]))[begins]]] = True
    return np.flatnonzero(stays)


def spaced(time_ms: Times) -> NDArray[np.bool_]:
    """Which readings to take where the time between two of them counts: where slots are crowded, the last of each."""
    slot = time_ms // SLOT_MS
    last = np.ones(len(slot), bool)
    last[:-1] = slot[1:] != slot[:-1]
    return last if len(slot) > CROWDED * last.sum() else np.ones(len(slot), bool)


def _begins(slot: Times) -> NDArray[np.intp]:
    """Where a new slot begins."""
    return np.flatnonzero(np.concatenate((np.ones(min(len(slot), 1), bool), slot[1:] != slot[:-1])))
