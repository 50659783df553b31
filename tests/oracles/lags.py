"""How slowly a box follows its room, and how long until a limit is reached: first-order lags, tau dT/dt = Tenv - T.

Temperatures in C, times in seconds; single numbers, or arrays where a function says so.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from monitor.core.climate.outage import share_left
from monitor.errors import ModelOutOfRange


def step_response_c(after_s: float, start_c: float, surroundings_c: float, tau_s: float) -> float:
    """Temperature some time after the surroundings jumped and stayed; 63.2 % of the way after one time constant."""
    _check_tau(tau_s)
    _check_after(after_s)
    return surroundings_c + (start_c - surroundings_c) * math.exp(-after_s / tau_s)


def ramp_lag_c(after_s: float, rate_c_per_s: float, tau_s: float) -> float:
    """How far a box is behind surroundings that have been rising evenly; rate x tau in the long run."""
    _check_tau(tau_s)
    _check_after(after_s)
    return rate_c_per_s * tau_s * -math.expm1(-after_s / tau_s)


def sine_gain(period_s: float, tau_s: float) -> float:
    """Share of a sinusoidal swing of the surroundings that arrives: 1 / sqrt(1 + (w tau)^2)."""
    return 1.0 / math.hypot(1.0, _angular(period_s, tau_s))


def sine_delay_s(period_s: float, tau_s: float) -> float:
    """How much later the swing arrives: atan(w tau) / w, never more than a quarter of the period."""
    return math.atan(_angular(period_s, tau_s)) * period_s / (2.0 * math.pi)


def fit_time_constant_s(after_s: npt.ArrayLike, temperature_c: npt.ArrayLike, surroundings_c: float) -> float:
    """Time constant of a temperature that goes towards steady surroundings: -1 / slope of ln|T - Tenv|.

    Shapes (n,), n >= 3, times in seconds. Raises ModelOutOfRange when the temperature touches or crosses the
    surroundings (take a shorter stretch) or does not go towards them.
    """
    t, c = np.asarray(after_s, dtype=np.float64), np.asarray(temperature_c, dtype=np.float64) - surroundings_c
    if t.ndim != 1 or t.shape != c.shape or t.size < 3 or np.ptp(t) == 0.0 or not np.all(np.isfinite(c)):
        raise ModelOutOfRange("three temperatures at different times are the least", where="time constant")
    if not (np.all(c > 0.0) or np.all(c < 0.0)):
        raise ModelOutOfRange(
            "the temperature reaches the surroundings within the stretch", where="time constant", fix="end it earlier"
        )
    x, y = t - t.mean(), np.log(np.abs(c))
    slope = float(np.sum(x * y) / np.sum(x * x))
    if not slope < 0.0:
        raise ModelOutOfRange("the temperature does not go towards the surroundings", where="time constant")
    return -1.0 / slope


def time_to_limit_s(start_c: float, surroundings_c: float, limit_c: float, tau_s: float) -> float | None:
    """Newton cooling (or warming): tau ln[(start - surroundings) / (limit - surroundings)].

    0 when the limit is where the temperature is. None when it never comes there: the limit is not on the way from the
    start to the surroundings, or is the surroundings themselves. A limit that lies behind is not on the way either, so
    whoever asks has to look first whether it is passed already.
    """
    _check_tau(tau_s)
    share = _share_left(start_c, surroundings_c, limit_c)
    return None if share is None else -tau_s * math.log(share)


def two_lag_time_to_limit_s(
    start_c: float, surroundings_c: float, limit_c: float, tau_room_s: float, tau_box_s: float
) -> float | None:
    """When ``two_lag_temperature_c`` comes to a limit; 0 and None as in :func:`time_to_limit_s`."""
    _check_tau(tau_room_s)
    _check_tau(tau_box_s)
    share = _share_left(start_c, surroundings_c, limit_c)
    if share is None:
        return None
    early, late = 0.0, tau_room_s + tau_box_s
    while share_left(late, tau_room_s, tau_box_s) > share:
        early, late = late, 2.0 * late
    for _ in range(100):
        middle = 0.5 * (early + late)
        early, late = (middle, late) if share_left(middle, tau_room_s, tau_box_s) > share else (early, middle)
    return 0.5 * (early + late) if share < 1.0 else 0.0


def _share_left(start_c: float, surroundings_c: float, limit_c: float) -> float | None:
    """Share of the difference to the surroundings that is left at the limit, above 0 to 1; None when not on the way."""
    if not all(math.isfinite(c) for c in (start_c, surroundings_c, limit_c)):
        raise ModelOutOfRange("start, surroundings and limit have to be numbers", where="time to a limit")
    if limit_c == start_c:
        return 1.0
    if start_c == surroundings_c:
        return None
    share = (limit_c - surroundings_c) / (start_c - surroundings_c)
    return share if 0.0 < share < 1.0 else None


def _angular(period_s: float, tau_s: float) -> float:
    _check_tau(tau_s)
    if not period_s > 0.0:
        raise ModelOutOfRange("a period lasts longer than 0 s", where="first-order lag")
    return 2.0 * math.pi * tau_s / period_s


def _check_tau(tau_s: float) -> None:
    if not (math.isfinite(tau_s) and tau_s > 0.0):
        raise ModelOutOfRange(f"a time constant of {tau_s} s is not above 0", where="first-order lag")


def _check_after(after_s: float) -> None:
    if not after_s >= 0.0:
        raise ModelOutOfRange("the answer is known from the start on, not before it", where="first-order lag")
