"""Rate curves: how fast an egg develops at a temperature.

The curve that serves is a piecewise cubic in temperature. That is what makes the sum over a
temperature series exact: between two readings the temperature is taken as a straight line in time, so the mean
rate of the segment is the mean of a polynomial over an interval of temperature, piece by piece. Taking it so, and
not as the difference of an antiderivative divided by a small temperature step, also keeps all digits when the
temperature hardly moves, which is what a heated room does most of the time.

Rates are per day; 1 / rate is the incubation time at that constant temperature. No curve is ever negative.
"""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from monitor.core.development.line import LineFit, checked_table, fit_line
from monitor.core.maths.piecewise import PiecewiseCubic, hermite
from monitor.core.terms.arrays import Values

# Relative standard error of a curve, from leaving out one temperature of a study and predicting it from the others
# (Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138; 105 fits of 71 species): 3.5 % for
# interpolation and 4.6 % for the straight line inside the range, 11 % for the next temperature outside it. Growing
# by 0.05 per degree beyond the range puts those 11 % at 2 C, the usual distance between published temperatures.
# Checked with the curves below on the studies with four temperatures or more: 1.645 times the claimed error left out
# 10 % of 158 temperatures inside, 13 % of 38 below and 2.5 % of 40 above the range, where it is too wide.
INTERPOLATION_SD_RELATIVE: Final = 0.04
OUTSIDE_SD_RELATIVE_PER_C: Final = 0.05


class RateCurve(Protocol):
    """Developmental rate as a function of temperature (C). Arrays may have any shape; they are kept.

    ``low_c`` and ``high_c`` bound the range in which the curve rests on data; outside it each curve says what it
    does. ``base_c`` is the base temperature for showing degree-days.
    """

    @property
    def name(self) -> str: ...
    @property
    def low_c(self) -> float: ...
    @property
    def high_c(self) -> float: ...
    @property
    def base_c(self) -> float: ...

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        """Share of development per day, never negative."""
        ...

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        """Mean rate while the temperature moves in a straight line from one value to the other."""
        ...

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """Relative standard error of the curve itself at a temperature (0.04 means 4 %)."""
        ...


class PublishedRates:
    """Published incubation times at constant temperatures, joined by a shape-keeping cubic; the default curve.

    Piecewise cubic Hermite interpolation of 1 / days (Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238-246; inner
    slopes by the weighted harmonic mean of Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5:300-304; one-sided
    three-point slopes at the ends, kept from turning). It meets every printed figure, has no bump that the figures do
    not have, and keeps a plateau or a fall at the top where they show one. Rows at one temperature become one point:
    the mean of their days, weighted by eggs.

    Below the coldest temperature the rate goes on from there with the slope of the straight line fitted to all rows,
    down to 0. Above the warmest it stays what it was there. Both are guesses, and ``rate_sd_relative`` grows with the
    distance.
    """

    __slots__ = ("_pieces", "_points_c", "line", "rates_per_day")

    name: Final = "published rates"

    def __init__(self, temperature_c: npt.ArrayLike, days: npt.ArrayLike, eggs: npt.ArrayLike | None = None) -> None:
        """``temperature_c`` (C), ``days`` and ``eggs`` (weights; None for equal ones), shape (n,), in any order.

        Raises ModelOutOfRange when a number is unusable, when there are fewer than two temperatures, or when the
        rates fall from cold to warm as a whole: then no continuation to the cold side is defensible.
        """
        t, d, w = checked_table(temperature_c, days, eggs)
        self.line: LineFit = fit_line(t, d, w)
        points, row = np.unique(t, return_inverse=True)
        mean_days = np.bincount(row, weights=w * d) / np.bincount(row, weights=w)
        self._points_c: Values = points
        self.rates_per_day: Values = 1.0 / mean_days
        slope = self.line.slope_per_day_c
        inner = hermite(points, self.rates_per_day, _pchip_slopes(points, self.rates_per_day))
        first, last = float(self.rates_per_day[0]), float(self.rates_per_day[-1])
        zero_c = float(points[0]) - first / slope
        rows = [[0.0] * 4, [0.0, slope, 0.0, 0.0], *inner.tolist(), [last, 0.0, 0.0, 0.0]]
        self._pieces = PiecewiseCubic([zero_c, *points.tolist()], rows)
        for array in (self._points_c, self.rates_per_day):
            array.flags.writeable = False

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.value(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        return self._pieces.mean(from_c, to_c)

    @property
    def temperatures_c(self) -> Values:
        """The different temperatures of the table, rising, shape (m,); ``rates_per_day`` belongs to them."""
        return self._points_c

    @property
    def low_c(self) -> float:
        return float(self._points_c[0])

    @property
    def high_c(self) -> float:
        return float(self._points_c[-1])

    @property
    def base_c(self) -> float:
        """T0 of the straight line through all rows; see ``line.problem()`` before showing it."""
        return self.line.base_c

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """0.04 inside, more where the next published temperature is over 2 C away, and 0.05 per C more outside."""
        t = np.asarray(temperature_c, dtype=np.float64)
        nearest = np.min(np.abs(t[..., np.newaxis] - self._points_c), axis=-1)
        outside = outside_c(t, self.low_c, self.high_c)
        wide = np.where(outside > 0.0, 0.0, np.maximum(nearest - 2.0, 0.0))
        result: Values = INTERPOLATION_SD_RELATIVE + 0.01 * wide + OUTSIDE_SD_RELATIVE_PER_C * outside
        return result


def _pchip_slopes(x: Values, y: Values) -> Values:
    """Slopes at the points, shape (m,), m >= 2."""
    h, delta = np.diff(x), np.diff(y) / np.diff(x)
    slopes = np.zeros_like(y)
    if x.size == 2:
        slopes[:] = delta[0]
        return slopes
    before, after = delta[:-1], delta[1:]
    w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes[1:-1] = np.where(before * after > 0.0, (w1 + w2) / (w1 / before + w2 / after), 0.0)
    slopes[0] = _end_slope(h[0], h[1], delta[0], delta[1])
    slopes[-1] = _end_slope(h[-1], h[-2], delta[-1], delta[-2])
    return slopes


def _end_slope(h0: float, h1: float, delta0: float, delta1: float) -> float:
    """Three-point slope at an end, cut so that the end neither turns nor overshoots."""
    slope = ((2.0 * h0 + h1) * delta0 - h0 * delta1) / (h0 + h1)
    if slope * delta0 <= 0.0:
        return 0.0
    if delta0 * delta1 <= 0.0 and abs(slope) > 3.0 * abs(delta0):
        return 3.0 * delta0
    return slope


def outside_c(t: Values, low_c: float, high_c: float) -> Values:
    """Distance (C) to the range, 0 inside."""
    return np.maximum(np.maximum(low_c - t, t - high_c), 0.0)
