"""Rate curves: how fast an egg develops at a temperature, one class for each published model.

Every curve here is, or is tabulated as, a piecewise cubic in temperature. That is what makes the sum over a
temperature series exact: between two readings the temperature is taken as a straight line in time, so the mean
rate of the segment is the mean of a polynomial over an interval of temperature, piece by piece. Taking it so, and
not as the difference of an antiderivative divided by a small temperature step, also keeps all digits when the
temperature hardly moves, which is what a heated room does most of the time.

Rates are per day; 1 / rate is the incubation time at that constant temperature. No curve is ever negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from monitor.errors import ModelOutOfRange

FloatArray = npt.NDArray[np.float64]

# Relative standard error of a predicted incubation time when one temperature of a study is left out and predicted
# from the others (Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138; 105 fits): 3.5 % for
# interpolation and 4.6 % for the straight line inside the range, 11 % for the next temperature outside it. Growing
# by 0.05 per degree beyond the range puts those 11 % at 2 C, the usual distance between published temperatures.
INTERPOLATION_SD_RELATIVE: Final = 0.04
LINE_SD_RELATIVE: Final = 0.045
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

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """Share of development per day, never negative."""
        ...

    def cumulative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """An antiderivative of the rate over temperature, in C per day; only differences have a meaning."""
        ...

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> FloatArray:
        """Mean rate while the temperature moves in a straight line from one value to the other.

        Equal to (cumulative(to) - cumulative(from)) / (to - from), without its loss of digits for a small step.
        """
        ...

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """Relative standard error of the curve itself at a temperature (0.04 means 4 %)."""
        ...


class PiecewiseCubic:
    """A function of one variable made of cubics between breaks; what the curves below are built on.

    ``breaks``, shape (m,), strictly rising. ``coefficients``, shape (m + 1, 4): row 0 is left of the first break,
    row k right of break k - 1 (a point on a break belongs to the right-hand piece); column p belongs to the power p
    of the distance to the piece's anchor, which is its left break (the first break for row 0). Pieces need not join.
    """

    __slots__ = ("_anchors", "_breaks", "_coefficients", "_totals")

    def __init__(self, breaks: npt.ArrayLike, coefficients: npt.ArrayLike) -> None:
        self._breaks: FloatArray = np.array(breaks, dtype=np.float64)
        rows = np.array(coefficients, dtype=np.float64)
        if self._breaks.ndim != 1 or not self._breaks.size or not np.all(np.diff(self._breaks) > 0.0):
            raise ModelOutOfRange("the breaks of a piecewise curve have to rise", where="rate curve")
        if rows.shape != (self._breaks.size + 1, 4) or not np.all(np.isfinite(rows)):
            raise ModelOutOfRange("a piecewise curve needs four finite numbers for each piece", where="rate curve")
        # Kept by power: taking one number for each reading four times is faster than taking rows of four.
        self._coefficients: FloatArray = np.ascontiguousarray(rows.T)
        self._anchors: FloatArray = np.concatenate([self._breaks[:1], self._breaks])
        whole = _integral(self._coefficients[:, 1:-1], np.diff(self._breaks))
        self._totals: FloatArray = np.concatenate([[0.0, 0.0], np.cumsum(whole)])

    def value(self, x: npt.ArrayLike) -> FloatArray:
        """The function at ``x``, any shape."""
        at = np.asarray(x, dtype=np.float64)
        piece = self._piece(at)
        return _value(self._of(piece), at - self._anchors[piece])

    def cumulative(self, x: npt.ArrayLike) -> FloatArray:
        """Integral from the first break to ``x``; a piecewise quartic."""
        at = np.asarray(x, dtype=np.float64)
        piece = self._piece(at)
        result: FloatArray = self._totals[piece] + _integral(self._of(piece), at - self._anchors[piece])
        return result

    def mean(self, a: npt.ArrayLike, b: npt.ArrayLike) -> FloatArray:
        """Mean between ``a`` and ``b`` (broadcast against each other), in either order; the value where they agree.

        The mean of a cubic over an interval is closed, so an interval inside one piece takes no antiderivative. One
        that crosses breaks is the part before the first, the whole pieces, and the part after the last.
        """
        start, end = np.broadcast_arrays(np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64))
        shape = start.shape
        low, high = np.minimum(start, end).ravel(), np.maximum(start, end).ravel()
        first, last = self._piece(low), self._piece(high)
        result = self._mean_in_piece(first, low, high)
        crossing = np.flatnonzero(first != last)
        if crossing.size:
            low, high, first, last = low[crossing], high[crossing], first[crossing], last[crossing]
            leaves, enters = self._breaks[first], self._breaks[last - 1]
            total = (leaves - low) * self._mean_in_piece(first, low, leaves)
            total += self._totals[last] - self._totals[first + 1]
            total += (high - enters) * self._mean_in_piece(last, enters, high)
            result[crossing] = total / (high - low)
        return result.reshape(shape)

    def _piece(self, x: FloatArray) -> npt.NDArray[np.intp]:
        return np.searchsorted(self._breaks, x, side="right")

    def _of(self, piece: npt.NDArray[np.intp]) -> FloatArray:
        return np.stack([power[piece] for power in self._coefficients])

    def _mean_in_piece(self, piece: npt.NDArray[np.intp], low: FloatArray, high: FloatArray) -> FloatArray:
        """Mean of one piece between ``low`` and ``high``: its value in the middle, plus what its bend adds."""
        c = self._of(piece)
        half = 0.5 * (high - low)
        d = (low - self._anchors[piece]) + half
        result: FloatArray = _value(c, d) + np.square(half) * (c[2] / 3.0 + d * c[3])
        return result


def _value(c: FloatArray, d: FloatArray) -> FloatArray:
    """Cubics, coefficients (4, ...) by power, at ``d``."""
    result: FloatArray = c[0] + d * (c[1] + d * (c[2] + d * c[3]))
    return result


def _integral(c: FloatArray, d: FloatArray) -> FloatArray:
    """Integral of cubics, coefficients (4, ...) by power, from 0 to ``d``."""
    result: FloatArray = d * (c[0] + d * (c[1] / 2.0 + d * (c[2] / 3.0 + d * c[3] / 4.0)))
    return result


# --- the straight line ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LineFit:
    """The straight line rate = (T - T0) / K through published rates, by the x-intercept method.

    Campbell, Frazer, Gilbert, Gutierrez & Mackauer 1974, J. Appl. Ecol. 11:431-438: regress y = 1 / days on T;
    T0 = -a / b, K = 1 / b, SE(K) = SE(b) / b^2, SE(T0) = (ybar / b) sqrt(s^2 / (N ybar^2) + (SE(b) / b)^2). This is
    the delta method, because ybar and b are uncorrelated, and gives cov(T0, K) = -ybar SE(b)^2 / b^4 as well.

    ``base_c`` is T0 (C) and ``constant_degree_days`` K; ``covariance`` is that of T0 and K (C^2 day). ``points`` is
    the number of rows, ``temperatures`` of different temperatures. ``residual_sd_per_day`` is s. Standard errors,
    covariance and s are not a number with two points: nothing is left to tell them from. A T0 is always an
    extrapolation: ask :meth:`problem` before using it.
    """

    base_c: float
    constant_degree_days: float
    base_se_c: float
    constant_se_degree_days: float
    covariance: float
    r_squared: float
    residual_sd_per_day: float
    points: int
    temperatures: int
    low_c: float
    high_c: float
    mean_c: float
    mean_rate_per_day: float
    spread_c2: float

    @property
    def slope_per_day_c(self) -> float:
        """b, the rise of the rate with temperature (1 / (day C))."""
        return 1.0 / self.constant_degree_days

    @property
    def correlation(self) -> float:
        """Correlation of T0 and K, usually -0.9 to -0.98."""
        return self.covariance / (self.base_se_c * self.constant_se_degree_days)

    def problem(self) -> str:
        """Why this fit is nonsense, as a sentence; empty when it can be used.

        The rule: two different temperatures or more that span 2 C or more, and 0 C < T0 <= Tmin - 2 C. A flat table
        (western pond turtle: 89 days at 26 C, 88 at 31 C) puts T0 anywhere.
        """
        span = self.high_c - self.low_c
        if self.temperatures < 2:
            return "all rows are at one temperature; a line needs two"
        if span < 2.0:
            return f"the temperatures span only {span:.1f} C; 2 C are the least"
        if self.base_c <= 0.0:
            return f"the base temperature comes out at {self.base_c:.1f} C, where no egg of a reptile is alive"
        if self.base_c > self.low_c - 2.0:
            return (
                f"the base temperature comes out at {self.base_c:.1f} C, less than 2 C below the coldest eggs "
                f"({self.low_c:.1f} C), which did develop"
            )
        return ""

    def fieller_interval_c(self, level: float = 0.95) -> tuple[float, float]:
        """Confidence interval of T0 (C), not symmetric (Fieller 1954, J. R. Stat. Soc. B 16:175-185).

        The roots z of (b^2 - t^2 s^2 / Sxx) z^2 + 2 b ybar z + (ybar^2 - t^2 s^2 / N) = 0 with T0 = xbar + z.
        Raises ModelOutOfRange when the slope does not differ from 0 at that level, or with two points.
        """
        if self.points < 3:
            raise ModelOutOfRange("an interval for T0 needs three rows or more", where="straight line")
        t = _student_t(level, self.points - 2)
        variance = (t * self.residual_sd_per_day) ** 2
        b, ybar = self.slope_per_day_c, self.mean_rate_per_day
        square = b * b - variance / self.spread_c2
        if square <= 0.0:
            raise ModelOutOfRange(
                f"the slope does not differ from 0 at the level {level:g}, so T0 has no bounds", where="straight line"
            )
        constant = ybar * ybar - variance / self.points
        root = math.sqrt(max((b * ybar) ** 2 - square * constant, 0.0))
        return self.mean_c + (-b * ybar - root) / square, self.mean_c + (-b * ybar + root) / square


def fit_line(temperature_c: npt.ArrayLike, days: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> LineFit:
    """Least squares of 1 / days on temperature; see :class:`LineFit`.

    ``temperature_c`` and ``days``, shape (n,), n >= 2; ``weights``, shape (n,), positive, for instance the number of
    eggs; only their proportions matter. Raises ModelOutOfRange when a number is unusable, when there is only one
    temperature, or when development is not faster where it is warmer.
    """
    t, d, w = _table(temperature_c, days, weights)
    w = w / w.mean()
    n = t.size
    y = 1.0 / d
    xbar, ybar = float(np.average(t, weights=w)), float(np.average(y, weights=w))
    sxx = float(np.sum(w * np.square(t - xbar)))
    temperatures = int(np.unique(t).size)
    if temperatures < 2:
        raise ModelOutOfRange("all rows are at one temperature; a line needs two", where="straight line")
    b = float(np.sum(w * (t - xbar) * (y - ybar))) / sxx
    if not b > 0.0:
        raise ModelOutOfRange(
            "the days do not get shorter when it is warmer, so no base temperature follows from them",
            where="straight line",
            fix="check the rows; only temperatures below the plateau of the species tell a base temperature",
        )
    squares = float(np.sum(w * np.square(y - ybar - b * (t - xbar))))
    total = float(np.sum(w * np.square(y - ybar)))
    s = math.sqrt(squares / (n - 2)) if n > 2 else math.nan
    se_b = s / math.sqrt(sxx)
    return LineFit(
        base_c=xbar - ybar / b,
        constant_degree_days=1.0 / b,
        base_se_c=(ybar / b) * math.sqrt(s * s / (n * ybar * ybar) + (se_b / b) ** 2),
        constant_se_degree_days=se_b / b**2,
        covariance=-ybar * se_b**2 / b**4,
        r_squared=1.0 - squares / total,
        residual_sd_per_day=s,
        points=n,
        temperatures=temperatures,
        low_c=float(t.min()),
        high_c=float(t.max()),
        mean_c=xbar,
        mean_rate_per_day=ybar,
        spread_c2=sxx,
    )


@dataclass(frozen=True, slots=True)
class IkemotoTakai:
    """T0 (C) and K (degree-days) from the line D T = K + T0 D by reduced major axis."""

    base_c: float
    constant_degree_days: float
    base_se_c: float
    correlation: float


def ikemoto_takai(temperature_c: npt.ArrayLike, days: npt.ArrayLike) -> IkemotoTakai:
    """Ikemoto & Takai 2000, Environ. Entomol. 29:671-682: D T against D, slope sign(r) sd(DT) / sd(D).

    Shapes (n,), n >= 3. SE(T0) = |T0| sqrt((1 - r^2) / (n - 2)), the usual formula of a reduced major axis. Where T0
    lies near 0 C the products D T hardly vary, r is small, and :func:`fit_line` is the better estimate.
    """
    t, d, _ = _table(temperature_c, days, None)
    if t.size < 3 or np.ptp(d) == 0.0 or np.ptp(d * t) == 0.0:
        raise ModelOutOfRange("three rows with different days are the least for this line", where="straight line")
    r = float(np.corrcoef(d, d * t)[0, 1])
    slope = math.copysign(float(np.std(d * t) / np.std(d)), r)
    constant = float(np.mean(d * t) - slope * np.mean(d))
    return IkemotoTakai(slope, constant, abs(slope) * math.sqrt((1.0 - r * r) / (t.size - 2)), r)


@dataclass(frozen=True, slots=True)
class StraightLine:
    """rate = (T - T0) / K above the base temperature T0, 0 below it (Campbell et al. 1974, as in :class:`LineFit`).

    ``upper_c``: horizontal cut-off, above which the rate stays what it is there; None lets the line go on, which is
    optimistic above ``high_c``: real curves bend. ``low_c`` and ``high_c`` bound the temperatures of the fit.
    """

    base_c: float
    constant_degree_days: float
    low_c: float
    high_c: float
    base_se_c: float = math.nan
    constant_se_degree_days: float = math.nan
    covariance: float = math.nan
    upper_c: float | None = None
    name: str = "straight line"
    _pieces: PiecewiseCubic = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.base_c) and math.isfinite(self.constant_degree_days)):
            raise ModelOutOfRange("T0 and K have to be numbers", where=self.name)
        if self.constant_degree_days <= 0.0 or not self.base_c < self.low_c <= self.high_c:
            raise ModelOutOfRange(
                f"K = {self.constant_degree_days:g} has to be above 0, and T0 = {self.base_c:g} C below the coldest "
                f"temperature of the table ({self.low_c:g} C)",
                where=self.name,
            )
        slope = 1.0 / self.constant_degree_days
        breaks, rows = [self.base_c], [[0.0] * 4, [0.0, slope, 0.0, 0.0]]
        if self.upper_c is not None:
            if not self.upper_c > self.base_c:
                raise ModelOutOfRange("the upper cut-off has to lie above T0", where=self.name)
            breaks.append(self.upper_c)
            rows.append([(self.upper_c - self.base_c) * slope, 0.0, 0.0, 0.0])
        object.__setattr__(self, "_pieces", PiecewiseCubic(breaks, rows))

    @classmethod
    def from_fit(cls, fit: LineFit, upper_c: float | None = None) -> StraightLine:
        """The curve of a fit. Raises ModelOutOfRange with the reason where :meth:`LineFit.problem` names one."""
        problem = fit.problem()
        if problem:
            raise ModelOutOfRange(f"this line cannot be used: {problem}", where="straight line")
        return cls(
            fit.base_c,
            fit.constant_degree_days,
            fit.low_c,
            fit.high_c,
            fit.base_se_c,
            fit.constant_se_degree_days,
            fit.covariance,
            upper_c,
        )

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.value(temperature_c)

    def cumulative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.cumulative(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.mean(from_c, to_c)

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """The larger of what leaving out a temperature showed and the delta method with the full covariance.

        Var(r) / r^2 = Var(T0) / (T - T0)^2 + Var(K) / K^2 + 2 cov(T0, K) / ((T - T0) K), so infinite at T0.
        Below T0 the rate is exactly 0 and its relative error has no meaning; infinity is given there too.
        """
        t = np.asarray(temperature_c, dtype=np.float64)
        shown = LINE_SD_RELATIVE + OUTSIDE_SD_RELATIVE_PER_C * _outside(t, self.low_c, self.high_c)
        above = np.minimum(t, np.inf if self.upper_c is None else self.upper_c) - self.base_c
        if math.isnan(self.covariance):
            return np.where(above > 0.0, shown, np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = (
                np.square(self.base_se_c / above) + (self.constant_se_degree_days / self.constant_degree_days) ** 2
            )
            variance += 2.0 * self.covariance / (above * self.constant_degree_days)
            return np.where(above > 0.0, np.maximum(shown, np.sqrt(np.maximum(variance, 0.0))), np.inf)


# --- the published table ----------------------------------------------------------------------------------------


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
        t, d, w = _table(temperature_c, days, eggs)
        self.line: LineFit = fit_line(t, d, w)
        points, row = np.unique(t, return_inverse=True)
        mean_days = np.bincount(row, weights=w * d) / np.bincount(row, weights=w)
        self._points_c: FloatArray = points
        self.rates_per_day: FloatArray = 1.0 / mean_days
        slope = self.line.slope_per_day_c
        inner = _pchip_coefficients(points, self.rates_per_day)
        first, last = float(self.rates_per_day[0]), float(self.rates_per_day[-1])
        zero_c = float(points[0]) - first / slope
        rows = [[0.0] * 4, [0.0, slope, 0.0, 0.0], *inner.tolist(), [last, 0.0, 0.0, 0.0]]
        self._pieces = PiecewiseCubic([zero_c, *points.tolist()], rows)
        for array in (self._points_c, self.rates_per_day):
            array.flags.writeable = False

    @property
    def temperatures_c(self) -> FloatArray:
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

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.value(temperature_c)

    def cumulative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.cumulative(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> FloatArray:
        return self._pieces.mean(from_c, to_c)

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """0.04 inside, more where the next published temperature is over 2 C away, and 0.05 per C more outside."""
        t = np.asarray(temperature_c, dtype=np.float64)
        nearest = np.min(np.abs(t[..., np.newaxis] - self._points_c), axis=-1)
        outside = _outside(t, self.low_c, self.high_c)
        wide = np.where(outside > 0.0, 0.0, np.maximum(nearest - 2.0, 0.0))
        result: FloatArray = INTERPOLATION_SD_RELATIVE + 0.01 * wide + OUTSIDE_SD_RELATIVE_PER_C * outside
        return result


def _pchip_coefficients(x: FloatArray, y: FloatArray) -> FloatArray:
    """Cubics between the points, shape (m - 1, 4), in powers of the distance to the left point."""
    h, delta = np.diff(x), np.diff(y) / np.diff(x)
    slopes = np.zeros_like(y)
    if x.size == 2:
        slopes[:] = delta[0]
    else:
        before, after = delta[:-1], delta[1:]
        w1, w2 = 2.0 * h[1:] + h[:-1], h[1:] + 2.0 * h[:-1]
        rising_on = before * after > 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes[1:-1] = np.where(rising_on, (w1 + w2) / (w1 / before + w2 / after), 0.0)
        slopes[0] = _end_slope(h[0], h[1], delta[0], delta[1])
        slopes[-1] = _end_slope(h[-1], h[-2], delta[-1], delta[-2])
    left, right = slopes[:-1], slopes[1:]
    c2 = (3.0 * delta - 2.0 * left - right) / h
    c3 = (left + right - 2.0 * delta) / np.square(h)
    return np.stack([y[:-1], left, c2, c3], axis=-1)


def _end_slope(h0: float, h1: float, delta0: float, delta1: float) -> float:
    """Three-point slope at an end, cut so that the end neither turns nor overshoots."""
    slope = ((2.0 * h0 + h1) * delta0 - h0 * delta1) / (h0 + h1)
    if slope * delta0 <= 0.0:
        return 0.0
    if delta0 * delta1 <= 0.0 and abs(slope) > 3.0 * abs(delta0):
        return 3.0 * delta0
    return slope


def _outside(t: FloatArray, low_c: float, high_c: float) -> FloatArray:
    """Distance (C) to the range, 0 inside."""
    return np.maximum(np.maximum(low_c - t, t - high_c), 0.0)


def _table(
    temperature_c: npt.ArrayLike, days: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    t, d = np.asarray(temperature_c, dtype=np.float64), np.asarray(days, dtype=np.float64)
    w = np.ones_like(t) if weights is None else np.asarray(weights, dtype=np.float64)
    if t.ndim != 1 or t.shape != d.shape or t.shape != w.shape or t.size < 2:
        raise ModelOutOfRange(
            "temperatures, days and weights have to be lists of one length, two or more", where="rates"
        )
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(d)) and np.all(np.isfinite(w))):
        raise ModelOutOfRange("temperatures, days and weights have to be numbers", where="rates")
    if not (np.all(d > 0.0) and np.all(w > 0.0)):
        raise ModelOutOfRange("days and weights have to be above 0", where="rates")
    return t, d, w


def _student_t(level: float, freedom: int) -> float:
    """The two-sided quantile of Student's t: the t with |T| < t at chance ``level``.

    By bisection of the finite series for whole degrees of freedom (Abramowitz & Stegun 1964, 26.7.3 and 26.7.4).
    """
    if not 0.0 < level < 1.0:
        raise ModelOutOfRange("a level lies between 0 and 1", where="straight line")

    def chance(theta: float) -> float:
        c, s = math.cos(theta), math.sin(theta)
        odd = freedom % 2
        term = c if odd else 1.0
        total = 0.0
        for k in range(1 + odd, freedom, 2):
            total += term
            term *= c * c * k / (k + 1)
        return 2.0 / math.pi * (theta + s * total) if odd else s * total

    low, high = 0.0, math.pi / 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if chance(middle) < level else (low, middle)
    return math.sqrt(freedom) * math.tan(0.5 * (low + high))
