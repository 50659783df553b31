"""Readings that come late: a probe that kept them while the network was away gives all of them back at once.

They come in any order, mixed with new ones, for seconds or minutes. A limit that was passed meanwhile is judged when
they have come, and not from a part of them.

Nothing that arrives can push that back for ever. The promise: **a limit is judged at most N = ten minutes
(`LONGEST_S`) after its on-delay, or at the first round after that, whatever arrives**. On-delay: by the readings that
are there. There: received, and its time is no longer to come. A start of the service, or a clock that is set, puts
nothing off; only after an absence that is long enough to be told what was there before counts from its end.
(`deploy/measure late-judged` draws arrivals against it.)
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.core.terms.arrays import Times
from monitor.values import dataclass

LATE_S: Final = 600.0
"""A reading is late when it comes so long after it was made: more than probes' clocks are usually off (judgement)."""
SETTLED_S: Final = 120.0
"""So long after the last late one no more is expected: devices send what they kept in one go (judgement)."""
LONGEST_S: Final = 600.0
"""N, the longest wait: no run is waited for longer, and no reading waits longer for its judgement, since a probe whose
clock is behind is late with every reading (judgement)."""


@dataclass(frozen=True, slots=True)
class Late:
    """Readings that came late, or are not judged yet: the time of the earliest, when the first and the last of them
    came."""

    first_ms: int
    began_ms: int
    newest_ms: int

    def arriving(self, now_ms: int) -> bool:
        """Whether more of it may be on the way."""
        return now_ms - self.newest_ms < SETTLED_S * 1000 and now_ms - self.began_ms < LONGEST_S * 1000


def late(time_ms: Times, received_ms: Times, now_ms: int) -> Late | None:
    """The newest run of readings that came late, from those with a time of their own, shape (n,); None without any.

    Of all probes of a box together: what two of them bring in turns is one run. What was received after now, while a
    clock was ahead, is left out.
    """
    are = (received_ms - time_ms > LATE_S * 1000) & (received_ms <= now_ms)
    if not are.any():
        return None
    at, came = time_ms[are], received_ms[are]
    order = np.sort(came)
    gaps = np.flatnonzero(np.diff(order) > SETTLED_S * 1000)
    began = int(order[gaps[-1] + 1]) if len(gaps) else int(order[0])
    return Late(int(at[came >= began].min()), began, int(order[-1]))


def unjudged(
    time_ms: Times,
    received_ms: Times,
    now_ms: int,
    judged_ms: int | None,
    late_ms: int | None,
) -> Late | None:
    """What a condition has not judged of a box's readings, shape (n,); None without any.

    ``judged_ms``: up to which time they were judged. Of what is older, those are not judged yet that came late, after
    ``late_ms``.
    """
    known = np.maximum(time_ms, received_ms)
    missed = received_ms - time_ms > LATE_S * 1000
    if late_ms is not None:
        missed &= received_ms > late_ms
    are = known <= now_ms
    if judged_ms is not None:
        are &= missed | (time_ms > judged_ms)
    if not are.any():
        return None
    return Late(int(time_ms[are].min()), int(known[are].min()), int(known[are].max()))
