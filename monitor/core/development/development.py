"""Development: the sum of a rate over a temperature series, exact for readings joined by straight lines.

Two readings belong together when the time between them is not longer than the allowed gap; between them the
temperature is a straight line in time. The rate over such a segment is a mean over an interval of temperature,
which the curves give exactly (thresholds and joins included), so nothing depends on how often a probe reports as
long as the straight line is right. What a gap hides is not covered here, and is never counted as zero by silence:
``covered_s`` says how much of an hour rests on readings.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from monitor.core.development.curves import RateCurve
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass


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

    Readings more than ``max_gap_s`` apart are not joined; what lies between them is in no hour. ``time_ms`` int64 and
    ``temperature_c``, shape (n,); times must not fall, equal times are allowed. Parts of one series may be added: two
    calls that share the reading at which the series was cut give together what one call gives.

    Raises ModelOutOfRange for times that fall or temperatures that are not numbers.
    """
    t, c = checked_series(time_ms, temperature_c)
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
    opens = place + np.arange(place.size)
    reading = np.ones(t.size + full.size, np.bool_)
    reading[opens] = False
    points, edges = np.empty(reading.size), np.empty(reading.size, np.int64)
    points[reading], points[opens], edges[reading], edges[opens] = c, at_full, t, full
    # A segment goes with the reading or the full hour that it begins with, and that one with the reading before it.
    length = np.diff(edges).astype(np.float64)
    if not joined.all():
        begins = np.empty(reading.size, np.bool_)
        begins[reading], begins[opens] = np.append(joined, False), joined[before]
        length *= begins[:-1]
    from_c, to_c = points[:-1], points[1:]
    opens = np.concatenate([[0], opens])

    def by_hour(of_segment: Values) -> Values:
        return np.add.reduceat(of_segment * length, opens)

    covered_ms = np.add.reduceat(length, opens)
    some = covered_ms > 0
    return HourlyParts(
        hour=first_hour + np.flatnonzero(some),
        development=by_hour(curve.mean_rate_per_day(from_c, to_c))[some] / DAY_MS,
        degree_days=by_hour(_mean_above(curve.base_c, from_c, to_c))[some] / DAY_MS,
        temperature_integral=by_hour(0.5 * (from_c + to_c))[some] / 1000.0,
        covered_s=covered_ms[some] / 1000.0,
    )


def checked_series(time_ms: npt.ArrayLike, temperature_c: npt.ArrayLike) -> tuple[Times, Values]:
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


def _mean_above(base_c: float, from_c: Values, to_c: Values) -> Values:
    """Mean degrees above a temperature while it moves in a straight line from one value to the other: those of the
    middle where all of it lies above, and the triangle above over the whole way where it comes across."""
    low, high = np.minimum(from_c, to_c) - base_c, np.maximum(from_c, to_c) - base_c
    mean: Values = np.maximum(low + 0.5 * (high - low), 0.0)
    across = np.flatnonzero((low < 0.0) & (high > 0.0))
    mean[across] = 0.5 * np.square(high[across]) / (high[across] - low[across])
    return mean
