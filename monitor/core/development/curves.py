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

from monitor.core.maths.piecewise import PiecewiseCubic, hermite
from monitor.core.terms.arrays import Values
from monitor.core.terms.formats import show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange

# Relative standard error of a curve, from leaving out one temperature of a study and predicting it from the others
# (Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138; 105 fits of 71 species): 3.5 % for
# interpolation and 4.6 % for the straight line inside the range, 11 % for the next temperature outside it. Growing
# by 0.05 per degree beyond the range puts those 11 % at 2 C, the usual distance between published temperatures.
# Checked with the curves below on the studies with four temperatures or more: 1.645 times the claimed error left out
# 10 % of 158 temperatures inside, 13 % of 38 below and 2.5 % of 40 above the range, where it is too wide.
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

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        """Share of development per day, never negative."""
        ...

    def cumulative(self, temperature_c: npt.ArrayLike) -> Values:
        """An antiderivative of the rate over temperature, in C per day; only differences have a meaning."""
        ...

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        """Mean rate while the temperature moves in a straight line from one value to the other.

        Equal to (cumulative(to) - cumulative(from)) / (to - from), without its loss of digits for a small step.
        """
        ...

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """Relative standard error of the curve itself at a temperature (0.04 means 4 %)."""
        ...


class _OfPieces:
    """A curve that is a piecewise cubic in temperature, whatever model it was tabulated from."""

    __slots__ = ()
    _pieces: PiecewiseCubic

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.value(temperature_c)

    def cumulative(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.cumulative(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        return self._pieces.mean(from_c, to_c)


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

    def problem(self, unit: DisplayUnit = "C") -> str:
        """Why this fit is nonsense, as a sentence; empty when it can be used.

        The rule: two different temperatures or more that span 2 C or more, and 0 C < T0 <= Tmin - 2 C. A flat table
        (western pond turtle: 89 days at 26 C, 88 at 31 C) puts T0 anywhere.
        """
        span, base = self.high_c - self.low_c, show_temperature(self.base_c, unit)
        least = show_difference(2.0, unit, 0 if unit == "C" else 1)
        if self.temperatures < 2:
            return "all rows are at one temperature; a line needs two"
        if span < 2.0:
            return f"the temperatures span only {show_difference(span, unit)}; {least} are the least"
        if self.base_c <= 0.0:
            return f"the base temperature comes out at {base}, where no egg of a reptile is alive"
        if self.base_c > self.low_c - 2.0:
            return (
                f"the base temperature comes out at {base}, less than {least} below the coldest eggs "
                f"({show_temperature(self.low_c, unit)}), which did develop"
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
    """T0 (C) and K (degree-days) from the line D T = K + T0 D by reduced major axis.

    No forecast rests on it: ``deploy/measure models`` holds it against the curve that serves.
    """

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
class StraightLine(_OfPieces):
    """rate = (T - T0) / K above the base temperature T0, 0 below it (Campbell et al. 1974, as in :class:`LineFit`).

    ``upper_c``: horizontal cut-off, above which the rate stays what it is there; None lets the line go on, which is
    optimistic above ``high_c``: real curves bend. ``low_c`` and ``high_c`` bound the temperatures of the fit.
    No forecast rests on it: ``deploy/measure models`` holds it against the curve that serves.
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

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
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


class PublishedRates(_OfPieces):
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
        outside = _outside(t, self.low_c, self.high_c)
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


def _outside(t: Values, low_c: float, high_c: float) -> Values:
    """Distance (C) to the range, 0 inside."""
    return np.maximum(np.maximum(low_c - t, t - high_c), 0.0)


def _table(
    temperature_c: npt.ArrayLike, days: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[Values, Values, Values]:
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


# --- the biophysical model --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Schoolfield(_OfPieces):
    """The biophysical rate model in its second form; slows and turns where the rate-limiting enzyme is inactivated.

    Schoolfield, Sharpe & Magnuson 1981, J. theor. Biol. 88:719-731, eq. 4, with T in kelvin::

        r = rho25 (T / 298) exp[(HA / R)(1 / 298 - 1 / T)]
            / {1 + exp[(HL / R)(1 / TL - 1 / T)] + exp[(HH / R)(1 / TH - 1 / T)]}

    ``rho25_per_day`` is the rate at 25 C without inactivation; ``activation_cal`` HA, ``high_cal`` HH and ``low_cal``
    HL (negative) in calories per mole, R = 1.987; ``high_k`` TH and ``low_k`` TL in kelvin are where half is
    inactivated. Without ``low_cal`` and ``low_k`` it is the four-parameter form. The published fits of this family
    count kelvin from 273.16 and take 298 for 25 C; other constants would give other rates, so these are kept here.

    ``low_c`` and ``high_c`` bound the data of the fit. The formula is followed from 0 to 60 C, and is 0 beyond: no egg
    develops there. It has no closed antiderivative, so it is tabulated every 0.05 C with its exact slope and joined by
    cubics; the rate so taken lies within 1e-10 of the largest rate of the formula. No forecast rests on it:
    ``deploy/measure models`` holds it against the curve that serves.
    """

    rho25_per_day: float
    activation_cal: float
    high_cal: float
    high_k: float
    low_c: float
    high_c: float
    low_cal: float | None = None
    low_k: float | None = None
    name: str = "biophysical"
    _pieces: PiecewiseCubic = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 0.0 <= self.low_c < self.high_c <= 60.0:
            raise ModelOutOfRange("the range of the data lies between 0 and 60 C and is not empty", where=self.name)
        if (self.low_cal is None) != (self.low_k is None):
            raise ModelOutOfRange("the low-temperature terms come together or not at all", where=self.name)
        celsius = np.linspace(0.0, 60.0, 1201)
        kelvin = celsius + 273.16
        arrhenius = self.activation_cal / 1.987 * (1.0 / 298.0 - 1.0 / kelvin)
        active = self.rho25_per_day * kelvin / 298.0 * np.exp(arrhenius)
        inactive, inactive_slope = np.ones_like(kelvin), np.zeros_like(kelvin)
        terms = [(self.high_cal, self.high_k)]
        if self.low_cal is not None and self.low_k is not None:
            terms.append((self.low_cal, self.low_k))
        for heat_cal, half_k in terms:
            term = np.exp(heat_cal / 1.987 * (1.0 / half_k - 1.0 / kelvin))
            inactive += term
            inactive_slope += term * heat_cal / 1.987 / np.square(kelvin)
        rate = active / inactive
        slope = rate * (1.0 / kelvin + self.activation_cal / 1.987 / np.square(kelvin) - inactive_slope / inactive)
        rows = np.vstack([np.zeros((1, 4)), hermite(celsius, rate, slope), np.zeros((1, 4))])
        object.__setattr__(self, "_pieces", PiecewiseCubic(celsius, rows))

    @property
    def base_c(self) -> float:
        """Where a straight line through the rates of the range would reach 0; the model itself has no such point."""
        t = np.linspace(self.low_c, self.high_c, 21)
        return fit_line(t, 1.0 / self.rate_per_day(t)).base_c

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """As for the straight line, for want of a measured figure: 0.045, and 0.05 per C more outside the range."""
        t = np.asarray(temperature_c, dtype=np.float64)
        return LINE_SD_RELATIVE + OUTSIDE_SD_RELATIVE_PER_C * _outside(t, self.low_c, self.high_c)


# --- ratios of rates --------------------------------------------------------------------------------------------

GAS_CONSTANT_J_MOL_K: Final = 8.314462618  # CODATA 2018, exact
KELVIN: Final = 273.15


def q10(temperature_1_c: float, days_1: float, temperature_2_c: float, days_2: float) -> float:
    """Factor of the rate for 10 C more, from the days at two temperatures: (days_1 / days_2)^(10 / (T2 - T1)).

    It holds between the two temperatures only: in tuatara it falls from 25 to 1.5 within 10 C (Mitchell et al. 2006,
    Frontiers in Zoology 3:9, Table 2). Raises ModelOutOfRange for equal temperatures or days not above 0.
    """
    if temperature_1_c == temperature_2_c or not (days_1 > 0.0 and days_2 > 0.0):
        raise ModelOutOfRange("a Q10 needs days above 0 at two different temperatures", where="Q10")
    return float((days_1 / days_2) ** (10.0 / (temperature_2_c - temperature_1_c)))


def log_linear_rate_per_day(
    temperature_c: float, temperature_1_c: float, days_1: float, temperature_2_c: float, days_2: float
) -> float:
    """Rate between two neighbouring published temperatures with the local :func:`q10`; met at both.

    Raises ModelOutOfRange outside the two temperatures: a Q10 says nothing there.
    """
    if not min(temperature_1_c, temperature_2_c) <= temperature_c <= max(temperature_1_c, temperature_2_c):
        raise ModelOutOfRange(
            f"{temperature_c:g} C is not between {temperature_1_c:g} and {temperature_2_c:g} C", where="Q10"
        )
    factor = q10(temperature_1_c, days_1, temperature_2_c, days_2)
    return float(factor ** ((temperature_c - temperature_1_c) / 10.0) / days_1)


def q10_of_activation_energy(activation_j_mol: float, temperature_c: float) -> float:
    """Q10 from ``temperature_c`` to 10 C above it, of a rate that follows Arrhenius: exp[(E / R)(1 / T1 - 1 / T2)]."""
    t1, t2 = temperature_c + KELVIN, temperature_c + KELVIN + 10.0
    return math.exp(activation_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / t1 - 1.0 / t2))


def mean_kinetic_temperature_c(
    temperature_c: npt.ArrayLike, weights: npt.ArrayLike | None = None, activation_j_mol: float = 83_144.0
) -> float:
    """The constant temperature at which an Arrhenius rate is as fast as on the average of the given temperatures.

    Haynes 1971, J. Pharm. Sci. 60:927-929: (E / R) / -ln(mean of exp(-E / (R T))). ``temperature_c`` and ``weights``
    (for instance seconds), shape (n,), n >= 1; the usual E is 83.144 kJ / mol, so that E / R is near 10 000 K. It
    never lies below the mean.
    """
    t = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    w = np.ones_like(t) if weights is None else np.asarray(weights, dtype=np.float64)
    if (
        t.ndim != 1
        or t.shape != w.shape
        or not t.size
        or not (np.all(t > 0.0) and np.all(w >= 0.0) and np.any(w > 0.0))
    ):
        raise ModelOutOfRange("temperatures above absolute zero and weights of the same length are needed", where="MKT")
    over_r = activation_j_mol / GAS_CONSTANT_J_MOL_K
    # Relative to the warmest, so that nothing underflows.
    hottest = float(t.max())
    relative = float(np.average(np.exp(over_r * (1.0 / hottest - 1.0 / t)), weights=w))
    return 1.0 / (1.0 / hottest - math.log(relative) / over_r) - KELVIN


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
