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
# interpolation and 4.6 % for the straight line inside the range, 11 % for the next temperature below it. Growing
# by 0.05 per degree below the range puts those 11 % at 2 C, the usual distance between published temperatures; above
# it half as much is enough. With the curves below, left-out temperatures of the shipped papers lay within 1.28 times
# the claimed error in 88 % of 67 below and 94 % of 67 above the range; where a whole paper was left out, in 10 of 15
# below and 12 of 17 above.
INTERPOLATION_SD_RELATIVE: Final = 0.04
BELOW_SD_RELATIVE_PER_C: Final = 0.05
ABOVE_SD_RELATIVE_PER_C: Final = 0.025
# How far the mean of a treatment lies from what the species does there, beside its eggs (relative): papers differ by
# 2.6 % (median of 70 temperatures that two papers or more have), clutches of one paper by 2.2 to 2.8 %; each treatment
# is several clutches. And how eggs of one treatment differ (median of 535 treatments; both: the same collection).
MEAN_SD: Final = 0.02
EGG_SD: Final = 0.04
# How much a rate curve bends: standard deviation of its slope's random walk over one degree, as a share of the mean
# rate. Chosen by leaving out inner temperatures of single papers (172): mean error 1.55 d and 2.74 % with 0.04; with
# 0.02 1.57 and 2.76, with 0.08 1.58 and 2.80; and 1.66 d and 2.91 % where every figure was met.
BEND: Final = 0.04
# Real rate curves rise beyond what was tried and level off. Leaving out the warmest temperature of a paper (67, mostly
# 2 C beyond), the rate of the last figure came late in 66 (7.0 d, 17 %), the straight line early (2.8 d, 6.3 %), and
# the mean of both late again (3.2 d). The lesser slope of line and end, falling to 0 within 8 C: 2.1 d and 5.2 %, 29
# of them late; within 6 C 2.2 d and 5.7 %, within 12 C 2.1 d and 5.0 %, but rates would still rise where eggs die.
LEVELS_OFF_C: Final = 8.0


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
    three-point slopes at the ends, kept from turning). It has no bump that its points do not have.

    The points: rows at one temperature become one, the mean of their days weighted by its uncertainty (MEAN_SD, and
    EGG_SD over the root of the eggs). Means of eggs are uncertain, so the points are then those of a smoothing spline
    (see :func:`_smoothed`) made monotone: where one would be slower than a cooler one, both become their mean. Points
    two degrees apart hardly move, a dozen within three degrees become one smooth curve. Without ``eggs`` the days count
    as exact and are met, falls and all.

    Below the coldest temperature the rate goes on from there with the slope of the straight line fitted to all rows,
    down to 0. Above the warmest it goes on with the slope of that line or of the last two points, whichever is less,
    which falls evenly to 0 within LEVELS_OFF_C; from there the rate stays. Both are guesses, and ``rate_sd_relative``
    grows with the distance.
    """

    __slots__ = ("_pieces", "_points_c", "line", "rates_per_day")

    name: Final = "published rates"

    def __init__(self, temperature_c: npt.ArrayLike, days: npt.ArrayLike, eggs: npt.ArrayLike | None = None) -> None:
        """``temperature_c`` (C), ``days`` and ``eggs`` (None: the days are exact), shape (n,), in any order.

        Raises ModelOutOfRange when a number is unusable, when there are fewer than two temperatures, or when the
        rates fall from cold to warm as a whole: then no continuation to the cold side is defensible.
        """
        t, d, w = checked_table(temperature_c, days, eggs)
        self.line: LineFit = fit_line(t, d, w)
        points, row = np.unique(t, return_inverse=True)
        precision = w if eggs is None else 1.0 / (MEAN_SD**2 + EGG_SD**2 / w)
        weight = np.asarray(np.bincount(row, weights=precision), dtype=np.float64)
        rates = weight / np.bincount(row, weights=precision * d)
        if eggs is not None:
            rates = _monotone(_smoothed(points, rates, np.square(rates) / weight), weight)
        self._points_c: Values = points
        self.rates_per_day: Values = rates
        slope = self.line.slope_per_day_c
        first, last = float(rates[0]), float(rates[-1])
        up = min(max(float((rates[-1] - rates[-2]) / (points[-1] - points[-2])), 0.0), slope)
        zero_c, level_c = float(points[0]) - first / slope, float(points[-1]) + LEVELS_OFF_C
        rows = [
            [0.0] * 4,
            [0.0, slope, 0.0, 0.0],
            *hermite(points, rates, _pchip_slopes(points, rates)).tolist(),
            [last, up, -0.5 * up / LEVELS_OFF_C, 0.0],
            [last + 0.5 * up * LEVELS_OFF_C, 0.0, 0.0, 0.0],
        ]
        self._pieces = PiecewiseCubic([zero_c, *points.tolist(), level_c], rows)
        for array in (self._points_c, self.rates_per_day):
            array.flags.writeable = False

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.value(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        return self._pieces.mean(from_c, to_c)

    @property
    def temperatures_c(self) -> Values:
        """The different temperatures of the table, rising, shape (m,); ``rates_per_day`` are the curve's there."""
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
        """0.04 inside, more where the next published temperature is over 2 C away; outside more by the degree, below
        twice as much as above."""
        t = np.asarray(temperature_c, dtype=np.float64)
        right = np.clip(self._points_c.searchsorted(t), 1, len(self._points_c) - 1)
        nearest = np.minimum(np.abs(t - self._points_c[right - 1]), np.abs(t - self._points_c[right]))
        inside = (t >= self.low_c) & (t <= self.high_c)
        result: Values = table_sd(t, self.low_c, self.high_c) + 0.01 * inside * np.maximum(nearest - 2.0, 0.0)
        return result


def table_sd(t: Values, low_c: float, high_c: float) -> Values:
    """Relative standard error of a curve whose figures lie between two temperatures (C)."""
    below, above = np.maximum(low_c - t, 0.0), np.maximum(t - high_c, 0.0)
    result: Values = INTERPOLATION_SD_RELATIVE + BELOW_SD_RELATIVE_PER_C * below + ABOVE_SD_RELATIVE_PER_C * above
    return result


def _smoothed(x: Values, y: Values, variance: Values) -> Values:
    """Smoothing spline at its points: what makes sum((y - g)^2 / variance) + integral(g''^2) / c^2 least.

    ``c`` is BEND times the mean of y: the random bend that rate curves have. Closed form by Green & Silverman 1994,
    Nonparametric Regression and Generalized Linear Models, section 2.3: the bends at the inner points solve a linear
    system. Straight lines stay as they are. ``x`` rising; all shape (m,).
    """
    if x.size < 3:
        return y
    h = np.diff(x)
    inner = np.arange(x.size - 2)
    second = np.zeros((x.size, x.size - 2))
    second[inner, inner] = 1.0 / h[:-1]
    second[inner + 1, inner] = -1.0 / h[:-1] - 1.0 / h[1:]
    second[inner + 2, inner] = 1.0 / h[1:]
    bend = np.diag((h[:-1] + h[1:]) / 3.0) + np.diag(h[1:-1] / 6.0, 1) + np.diag(h[1:-1] / 6.0, -1)
    spread = variance[:, np.newaxis] * second
    c2 = (BEND * float(np.mean(y))) ** 2
    result: Values = y - spread @ np.linalg.solve(c2 * bend + second.T @ spread, second.T @ y)
    return result


def _monotone(y: Values, weight: Values) -> Values:
    """The nearest values that do not fall, by weighted least squares: neighbours that do are pooled (Barlow,
    Bartholomew, Bremner & Brunk 1972, Statistical Inference under Order Restrictions, section 1.2)."""
    pools: list[tuple[float, float, int]] = []
    for value, w in zip(y.tolist(), weight.tolist(), strict=True):
        pool = (value, w, 1)
        while pools and pools[-1][0] > pool[0]:
            before = pools.pop()
            total = before[1] + pool[1]
            pool = ((before[0] * before[1] + pool[0] * pool[1]) / total, total, before[2] + pool[2])
        pools.append(pool)
    return np.repeat([pool[0] for pool in pools], [pool[2] for pool in pools])


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
