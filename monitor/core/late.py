"""Readings that come late: a probe that kept them while the network was away gives all of them back at once.

They come in any order, mixed with new ones, for seconds or minutes. A limit that was passed meanwhile is judged when
they have come, and not from a part of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

LATE_S: Final = 600.0
"""A reading is late when it comes so long after it was made: more than probes' clocks are usually off (judgement)."""
SETTLED_S: Final = 120.0
"""So long after the last late one no more is expected: devices send what they kept in one go (judgement)."""
LONGEST_S: Final = 600.0
"""Judging waits no longer than this: a probe whose clock is behind is late with every reading."""


@dataclass(frozen=True, slots=True)
class Late:
    """The newest run of late readings: the time of its earliest reading, and when it began and last went on to come."""

    first_ms: int
    began_ms: int
    newest_ms: int

    def arriving(self, now_ms: int) -> bool:
        """Whether more of it may be on the way."""
        return now_ms - self.newest_ms < SETTLED_S * 1000 and now_ms - self.began_ms < LONGEST_S * 1000


def late(time_ms: NDArray[np.int64], received_ms: NDArray[np.int64], now_ms: int) -> Late | None:
    """The newest run of readings that came late, from those with a time of their own, shape (n,); None without any.

    What was received after now, while a clock was ahead, is left out.
    """
    are = (received_ms - time_ms > LATE_S * 1000) & (received_ms <= now_ms)
    if not are.any():
        return None
    at, came = time_ms[are], received_ms[are]
    order = np.sort(came)
    gaps = np.flatnonzero(np.diff(order) > SETTLED_S * 1000)
    began = int(order[gaps[-1] + 1]) if len(gaps) else int(order[0])
    return Late(int(at[came >= began].min()), began, int(order[-1]))
