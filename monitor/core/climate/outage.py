"""How far a box has cooled while nothing was heard of it, if its heat was gone for all that time.

The room cools towards its surroundings with one time constant, and the box follows with its own. Nothing is known here
of either, so the prior knowledge of :mod:`.course` stands for both, and for how far the surroundings are; the answer is
as wide as that.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Final

import numpy as np

from monitor.core.climate.course import BOX_TAU, DISTANCE, DRAWS, HORIZON_S, ROOM_TAU, normals
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass

LONGEST_S: Final = 3 * HORIZON_S
"""Beyond three days the outdoors decides, and the model says nothing."""


@dataclass(frozen=True, slots=True)
class Cooled:
    """By how much a box has cooled, in C: 10, 50 and 90 % quantiles."""

    low_c: float
    mid_c: float
    high_c: float


def cooled(after_s: float) -> Cooled | None:
    """After so many seconds without heat; None below 0 and beyond :data:`LONGEST_S`."""
    if not 0.0 <= after_s <= LONGEST_S:
        return None
    drops = sorted(
        distance - two_lag_temperature_c(after_s, distance, 0.0, tau_room_s, tau_box_s)
        for distance, tau_room_s, tau_box_s in _draws()
    )
    low, mid, high = np.quantile(drops, [0.1, 0.5, 0.9]).tolist()
    return Cooled(low, mid, high)


@cache
def _draws() -> tuple[tuple[float, float, float], ...]:
    """Possible distances (C) and time constants (s), evenly spread through the prior knowledge."""
    z = normals(3)
    assert z.shape == (DRAWS, 3)
    priors = (DISTANCE, ROOM_TAU, BOX_TAU)
    return tuple(
        (made[0], made[1], made[2])
        for row in z.tolist()
        if (made := [median * math.exp(sd * x) for (median, sd), x in zip(priors, row, strict=True)])
    )


def two_lag_temperature_c(
    after_s: float, start_c: float, surroundings_c: float, tau_room_s: float, tau_box_s: float
) -> float:
    """A box in a room that has lost its heater: both start equal, the room cools, the box follows the room.

    T = Ta + (Ti - Ta) [tr exp(-t / tr) - tb exp(-t / tb)] / (tr - tb), which does not change when the two time
    constants are exchanged; evaluated in a form that has its limit (1 + t / tau) exp(-t / tau) for equal ones built in.
    """
    if not (math.isfinite(tau_room_s) and math.isfinite(tau_box_s) and min(tau_room_s, tau_box_s) > 0.0):
        raise ModelOutOfRange(f"time constants of {tau_room_s} and {tau_box_s} s are not above 0", where="two lags")
    if not after_s >= 0.0:
        raise ModelOutOfRange("the answer is known from the start on, not before it", where="two lags")
    return surroundings_c + (start_c - surroundings_c) * share_left(after_s, tau_room_s, tau_box_s)


def share_left(after_s: float, tau_1_s: float, tau_2_s: float) -> float:
    """Share of the first difference that is left; falls from 1 to 0.

    s is the slower and f the faster time constant: exp(-t / s) [1 + (t / s) (1 - exp(-x)) / x], x = t (s - f) / (s f).
    """
    slow, fast = max(tau_1_s, tau_2_s), min(tau_1_s, tau_2_s)
    x = after_s * (slow - fast) / (slow * fast)
    bend = -math.expm1(-x) / x if x > 0.0 else 1.0
    return math.exp(-after_s / slow) * (1.0 + after_s / slow * bend)
