"""Heat and cold as a dose: how long at or beyond a temperature, in one go and in sum.

Indicators on vaccine shipments judge so (WHO type I and II: 45 C for an hour in one go, 30 C for ten hours in sum, and
so on; the limits are inclusive): one hot hour and ten warm ones do different harm, and neither shows in the
temperature of the moment. Between two readings the temperature is taken as linear, as everywhere here; across a gap
nothing is counted, and what was going on "in one go" ends there.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from monitor.core.terms.arrays import Times, Values
from monitor.values import dataclass

Side = Literal["above", "below"]

HEAT_SINGLE_H: Final = 2.0
"""Eggs above the highest temperature of their profile in one go for so long. Judgement, no source."""
HEAT_SUM_H: Final = 10.0
"""The same in sum over the incubation. Ten hours is the sum that WHO indicators of type I allow above 30 C; that it
suits eggs above the limit of their profile is judgement."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Seconds at or beyond a limit: in sum, the longest time in one go, and the one that lasts until the end (0:
    none)."""

    total_s: float
    longest_s: float
    lasting_s: float


def exposure(
    time_ms: Times, temperature_c: Values, limit_c: float, side: Side = "above", *, max_gap_s: float = 7200.0
) -> Exposure:
    """How long a temperature was at or beyond a limit: readings of shape (n,), times increasing.

    The part of each step that lies at or beyond the limit is counted, exactly for a straight line between its ends.
    Steps longer than ``max_gap_s`` are not counted.
    """
    if len(time_ms) < 2:
        return Exposure(0.0, 0.0, 0.0)
    sign = 1.0 if side == "above" else -1.0
    over = sign * (temperature_c - limit_c)
    if not (over >= 0.0).any():
        return Exposure(0.0, 0.0, 0.0)
    step_s = np.diff(time_ms) / 1000.0
    a, b = over[:-1], over[1:]
    inside = (a >= 0.0) & (b >= 0.0)
    crossing = (a >= 0.0) != (b >= 0.0)
    share = np.where(crossing, np.divide(np.maximum(a, b), np.abs(b - a), out=np.zeros(len(a)), where=a != b), inside)
    joined = step_s <= max_gap_s
    beyond_s = np.where(joined, share * step_s, 0.0)
    longest = running = 0.0
    # The other steps add nothing, and no go leads into one of them.
    near = np.flatnonzero((a >= 0.0) | (b >= 0.0))
    for seconds, from_beyond, to_beyond, whole in zip(
        *(x[near].tolist() for x in (beyond_s, a >= 0.0, b >= 0.0, joined)), strict=True
    ):
        # One go begins anew where the temperature was not beyond at the step's start, and ends where it is not at its
        # end.
        running = seconds + (running if from_beyond and whole else 0.0)
        longest = max(longest, running)
        if not (to_beyond and whole):
            running = 0.0
    return Exposure(float(beyond_s.sum()), longest, running)


def hourly_exposure(mean_c: Values, measured_s: Values, limit_c: float, side: Side = "above") -> Exposure:
    """The same from hourly means (NaN: not known) and the seconds of each hour that they stand for.

    Coarser: an hour counts whole or not at all, by its mean.
    """
    beyond = (mean_c >= limit_c) if side == "above" else (mean_c <= limit_c)
    if not beyond.any():
        return Exposure(0.0, 0.0, 0.0)
    seconds = np.where(beyond, measured_s, 0.0)
    longest = running = 0.0
    for s in seconds.tolist():
        running = running + s if s > 0.0 else 0.0
        longest = max(longest, running)
    return Exposure(float(seconds.sum()), longest, running)
