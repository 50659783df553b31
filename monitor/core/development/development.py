"""Development: the sum of a rate over a temperature series, exact for readings joined by straight lines.

Two readings belong together when the time between them is not longer than the allowed gap; between them the
temperature is a straight line in time. The rate over such a segment is a mean over an interval of temperature,
which the curves give exactly (thresholds and joins included), so nothing depends on how often a probe reports as
long as the straight line is right. What a gap hides is not covered here, and is never counted as zero by silence:
``covered_s`` says how much of an hour rests on readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from monitor.core.development.curves import RateCurve
from monitor.core.maths.piecewise import PiecewiseCubic
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import ModelOutOfRange

Cutoff = Literal["none", "horizontal", "vertical", "intermediate"]
CUTOFFS: Final[tuple[Cutoff, ...]] = get_args(Cutoff)


def integrate_rate(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike, curve: RateCurve) -> float:
    """Development gathered over a series: the integral of the rate over time (share of development).

    ``time_ms`` int64 and ``temperature_c``, shape (n,); times must not fall, equal times are allowed. Every segment
    counts, however long: use :func:`hourly_parts` where gaps are to be left out. Raises ModelOutOfRange for times that
    fall or temperatures that are not numbers.
    """
    t, c = _series(time_ms, temperature_c)
    return float(np.sum(curve.mean_rate_per_day(c[:-1], c[1:]) * np.diff(t))) / DAY_MS


@dataclass(frozen=True, slots=True)
class HourlyParts:
    """What each hour of a series adds; arrays of one length, only hours with some coverage, rising.

    ``hour``: whole hours since the epoch (int64); ``development``: share; ``degree_days``: above the curve's base
    temperature, without an upper cut-off; ``temperature_integral``: C s, so divided by ``covered_s`` it is the mean
    temperature of the covered part; ``covered_s``: seconds between joined readings.
    """

    hour: Times
    development: Values
    degree_days: Values
    temperature_integral: Values
    covered_s: Values


def hourly_parts(
    time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike, curve: RateCurve, max_gap_s: float
) -> HourlyParts:
    """Split a series at the full hours (UTC) and add up each hour.

    Readings more than ``max_gap_s`` apart are not joined; what lies between them is in no hour. Shapes and errors as in
    :func:`integrate_rate`. Parts of one series may be added: two calls that share the reading at which the series was
    cut give together what one call gives.
    """
    t, c = _series(time_ms, temperature_c)
    if t.size < 2 or t[0] == t[-1]:
        none = np.zeros(0)
        return HourlyParts(np.zeros(0, dtype=np.int64), none, none, none, none)
    gaps = np.diff(t)
    joined = gaps <= max_gap_s * 1000.0
    # The full hours strictly inside the series become points of it; then every segment lies within one hour.
    first_hour = int(t[0]) // HOUR_MS
    full = np.arange(first_hour + 1, (int(t[-1]) - 1) // HOUR_MS + 1, dtype=np.int64) * HOUR_MS
    place = np.searchsorted(t, full)
    before = place - 1
    at_full = c[before] + (c[place] - c[before]) * ((full - t[before]) / gaps[before])
    length = np.diff(np.insert(t, place, full)) * np.insert(joined, place, joined[before])
    points = np.insert(c, place, at_full)
    from_c, to_c = points[:-1], points[1:]
    opens = np.concatenate([[0], place + np.arange(place.size)])

    def by_hour(of_segment: Values) -> Values:
        return np.add.reduceat(of_segment * length, opens)

    covered_ms = np.add.reduceat(length, opens)
    some = covered_ms > 0
    return HourlyParts(
        hour=first_hour + np.flatnonzero(some),
        development=by_hour(curve.mean_rate_per_day(from_c, to_c))[some] / DAY_MS,
        degree_days=by_hour(excess(curve.base_c).mean(from_c, to_c))[some] / DAY_MS,
        temperature_integral=by_hour(0.5 * (from_c + to_c))[some] / 1000.0,
        covered_s=covered_ms[some] / 1000.0,
    )


def _series(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike) -> tuple[Times, Values]:
    t, c = np.asarray(time_ms, dtype=np.int64), np.asarray(temperature_c, dtype=np.float64)
    if t.ndim != 1 or t.shape != c.shape:
        raise ModelOutOfRange("times and temperatures have to be lists of one length", where="temperature series")
    if not np.all(np.isfinite(c)):
        raise ModelOutOfRange(
            "a temperature is not a number", where="temperature series", fix="leave out readings flagged bad or missing"
        )
    if np.any(np.diff(t) < 0):
        raise ModelOutOfRange("times fall", where="temperature series", fix="sort the readings by measured time")
    return t, c


# --- degree-days ------------------------------------------------------------------------------------------------


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
    t, c = _series(time_ms, temperature_c)
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


# --- one temperature for a series -------------------------------------------------------------------------------


def rate_equivalent_temperature_c(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike, curve: RateCurve) -> float:
    """The constant temperature that would have given the same development in the same time.

    It is the mean for a straight line, and the mean kinetic temperature for an Arrhenius rate. It is not the constant
    temperature equivalent of sex-determination work, above and below which half of development takes place (Georges
    1989, Oecologia 81:323-328). Series and errors as in :func:`integrate_rate`; raises ModelOutOfRange as well when the
    series spans no time, and when the curve does not rise throughout the temperatures of the series: then none or
    several temperatures would do.
    """
    t, c = _series(time_ms, temperature_c)
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
