"""Sums of a temperature series in one go, and published rules for days with two known temperatures."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from monitor.core.development.curves import RateCurve
from monitor.core.development.development import checked_series
from monitor.core.maths.piecewise import PiecewiseCubic
from monitor.core.terms.times import DAY_MS
from monitor.errors import ModelOutOfRange

Cutoff = Literal["none", "horizontal", "vertical", "intermediate"]

CUTOFFS: Final[tuple[Cutoff, ...]] = get_args(Cutoff)


def excess(base_c: float, upper_c: float | None = None, cutoff: Cutoff = "none") -> PiecewiseCubic:
    """Degrees above the base temperature that count at a temperature, with the usual upper cut-offs.

    none: T - base; horizontal: never more than upper - base; vertical: nothing above upper (at upper itself still
    counting); intermediate: falls above upper as fast as it rose below. Definitions: glossary of the University of
    California's integrated pest management programme; Roltsch et al. 1999, Int. J. Biometeorol. 42:169-176. The
    published intermediate cut-off goes negative above 2 upper - base; here it stops at 0, since an egg does not
    develop backwards.
    """
    _check_thresholds(base_c, upper_c, cutoff)
    nothing, rising = [0.0] * 4, [0.0, 1.0, 0.0, 0.0]
    if cutoff == "none" or upper_c is None:
        return PiecewiseCubic([base_c], [nothing, rising])
    top = upper_c - base_c
    if cutoff == "horizontal":
        return PiecewiseCubic([base_c, upper_c], [nothing, rising, [top, 0.0, 0.0, 0.0]])
    if cutoff == "vertical":
        return PiecewiseCubic([base_c, np.nextafter(upper_c, np.inf)], [nothing, rising, nothing])
    return PiecewiseCubic([base_c, upper_c, upper_c + top], [nothing, rising, [top, -1.0, 0.0, 0.0], nothing])


def integrate_rate(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike, curve: RateCurve) -> float:
    """Development gathered over a series: the integral of the rate over time (share of development).

    ``time_ms`` int64 and ``temperature_c``, shape (n,); times must not fall, equal times are allowed. Every segment
    counts, however long: use ``hourly_parts`` where gaps are to be left out. Raises ModelOutOfRange for times that
    fall or temperatures that are not numbers.
    """
    t, c = checked_series(time_ms, temperature_c)
    return float(np.sum(curve.mean_rate_per_day(c[:-1], c[1:]) * np.diff(t))) / DAY_MS


def degree_days(
    time_ms: npt.ArrayLike,
    temperature_c: npt.ArrayLike,
    base_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = "none",
) -> float:
    """Degree-days of a series, exact for readings joined by straight lines: crossings of the thresholds count where
    they happen, not at the next reading. Cut-offs as in :func:`excess`; series and errors as in :func:`integrate_rate`.
    """
    t, c = checked_series(time_ms, temperature_c)
    return float(np.sum(excess(base_c, upper_c, cutoff).mean(c[:-1], c[1:]) * np.diff(t))) / DAY_MS


def _check_thresholds(base_c: float, upper_c: float | None, cutoff: Cutoff) -> None:
    if cutoff not in CUTOFFS:
        raise ModelOutOfRange(f"{cutoff!r} is none of {', '.join(CUTOFFS)}", where="upper cut-off")
    if (cutoff == "none") != (upper_c is None):
        raise ModelOutOfRange("an upper threshold and its cut-off come together", where="upper cut-off")
    if upper_c is not None and not upper_c > base_c:
        raise ModelOutOfRange(f"upper {upper_c:g} has to lie above base {base_c:g}", where="upper cut-off")


Shape = Literal["single triangle", "double triangle", "single sine", "double sine"]

SHAPES: Final[tuple[Shape, ...]] = get_args(Shape)


def daily_degree_days(
    shape: Shape,
    lowest_c: float,
    highest_c: float,
    next_lowest_c: float,
    base_c: float,
    upper_c: float | None = None,
    cutoff: Cutoff = "none",
) -> float:
    """Degree-days of one day of which only the lowest and the highest temperature are known.

    The day warms from its lowest to its highest temperature in twelve hours and cools in the next twelve: back to the
    same lowest (single) or to the next day's (double), along a straight line (triangle; Sevacherian, Stern & Mueller
    1977, J. Econ. Entomol. 70:399-402) or half a sine (Baskerville & Emin 1969, Ecology 50:514-517; double: Allen
    1976, Environ. Entomol. 5:388-396). Any one temperature scale will do. Published practice is kept here, other than
    in :func:`excess`: the intermediate cut-off goes on falling below 0, but no half-day below its vertical cut-off.

    For a series of readings use :func:`degree_days`; this is for records that hold nothing else.
    """
    if shape not in SHAPES:
        raise ModelOutOfRange(f"{shape!r} is none of {', '.join(SHAPES)}", where="daily degree-days")
    _check_thresholds(base_c, upper_c, cutoff)
    if highest_c < max(lowest_c, next_lowest_c):
        raise ModelOutOfRange("the highest temperature lies below the lowest", where="daily degree-days")
    half = _half_sine if shape.endswith("sine") else _half_triangle
    warming = _half_day(half, lowest_c, highest_c, base_c, upper_c, cutoff)
    if shape.startswith("single"):
        return warming
    return 0.5 * (warming + _half_day(half, next_lowest_c, highest_c, base_c, upper_c, cutoff))


def _half_day(
    above: Callable[[float, float, float], tuple[float, float]],
    lowest: float,
    highest: float,
    base: float,
    upper: float | None,
    cutoff: Cutoff,
) -> float:
    over_base, _ = above(lowest, highest, base)
    if upper is None:
        return over_base
    over_upper, share = above(lowest, highest, upper)
    if cutoff == "horizontal":
        return over_base - over_upper
    vertical = over_base - over_upper - (upper - base) * share
    if cutoff == "vertical":
        return vertical
    return max(over_base - 2.0 * over_upper, vertical)


def _half_triangle(lowest: float, highest: float, threshold: float) -> tuple[float, float]:
    """Mean excess over the threshold, and share of the time above it, on a straight line from lowest to highest."""
    if highest <= threshold:
        return 0.0, 0.0
    if lowest >= threshold:
        return 0.5 * (lowest + highest) - threshold, 1.0
    share = (highest - threshold) / (highest - lowest)
    return 0.5 * share * (highest - threshold), share


def _half_sine(lowest: float, highest: float, threshold: float) -> tuple[float, float]:
    """The same on half a sine: (1 / pi) [(a - c)(pi / 2 - th) + w cos th] with th = asin((c - a) / w)."""
    middle, swing = 0.5 * (lowest + highest), 0.5 * (highest - lowest)
    if highest <= threshold:
        return 0.0, 0.0
    if lowest >= threshold:
        return middle - threshold, 1.0
    angle = math.asin((threshold - middle) / swing)
    share = 0.5 - angle / math.pi
    return (middle - threshold) * share + swing * math.cos(angle) / math.pi, share


def mean_rule_degree_days(lowest_c: float, highest_c: float, base_c: float) -> tuple[float, float]:
    """The two readings of the rule (highest + lowest) / 2 - base.

    McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300. First: a mean below the base counts as the base. Second:
    each of the two temperatures below the base is set to it before averaging. They differ on days that cross the base,
    and a published thermal sum belongs to one of them.
    """
    if highest_c < lowest_c:
        raise ModelOutOfRange("the highest temperature lies below the lowest", where="daily degree-days")
    first = max(0.5 * (lowest_c + highest_c) - base_c, 0.0)
    second = 0.5 * (max(lowest_c, base_c) + max(highest_c, base_c)) - base_c
    return first, second


def rate_equivalent_temperature_c(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike, curve: RateCurve) -> float:
    """The constant temperature that would have given the same development in the same time.

    It is the mean for a straight line, and the mean kinetic temperature for an Arrhenius rate. It is not the constant
    temperature equivalent of sex-determination work, above and below which half of development takes place (Georges
    1989, Oecologia 81:323-328). Series and errors as in :func:`integrate_rate`; raises ModelOutOfRange as well when the
    series spans no time, and when the curve does not rise throughout the temperatures of the series: then none or
    several temperatures would do.
    """
    t, c = checked_series(time_ms, temperature_c)
    if t.size < 2 or t[0] == t[-1]:
        raise ModelOutOfRange("two readings at different times are the least", where="rate-equivalent temperature")
    low, high = float(c.min()), float(c.max())
    if low == high:
        return low
    probes = np.linspace(low, high, 1 + max(64, math.ceil((high - low) / 0.02)))
    if not np.all(np.diff(curve.rate_per_day(probes)) > 0.0):
        raise ModelOutOfRange(
            f"the curve ({curve.name}) does not rise everywhere from {low:.2f} to {high:.2f} C",
            where="rate-equivalent temperature",
        )
    wanted = integrate_rate(t, c, curve) * DAY_MS / float(t[-1] - t[0])
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if curve.rate_per_day(middle) < wanted else (low, middle)
    return 0.5 * (low + high)
