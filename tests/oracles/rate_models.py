"""Published models of developmental rate, and of a temperature's effect, other than the one that serves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.core.development.line import LineFit, checked_table, fit_line
from monitor.core.maths.piecewise import PiecewiseCubic, hermite
from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange

# Relative standard error of a straight line inside its range (see `monitor.core.development.curves`).
LINE_SD_RELATIVE: Final = 0.045
# And what it grows by for each degree outside.
OUTSIDE_SD_RELATIVE_PER_C: Final = 0.05


class OfPieces:
    """A curve that is a piecewise cubic in temperature, whatever model it was tabulated from."""

    __slots__ = ()
    _pieces: PiecewiseCubic

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.value(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        return self._pieces.mean(from_c, to_c)


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
    t, d, _ = checked_table(temperature_c, days, None)
    if t.size < 3 or np.ptp(d) == 0.0 or np.ptp(d * t) == 0.0:
        raise ModelOutOfRange("three rows with different days are the least for this line", where="straight line")
    r = float(np.corrcoef(d, d * t)[0, 1])
    slope = math.copysign(float(np.std(d * t) / np.std(d)), r)
    constant = float(np.mean(d * t) - slope * np.mean(d))
    return IkemotoTakai(slope, constant, abs(slope) * math.sqrt((1.0 - r * r) / (t.size - 2)), r)


@dataclass(frozen=True, slots=True)
class StraightLine(OfPieces):
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

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """The larger of what leaving out a temperature showed and the delta method with the full covariance.

        Var(r) / r^2 = Var(T0) / (T - T0)^2 + Var(K) / K^2 + 2 cov(T0, K) / ((T - T0) K), so infinite at T0.
        Below T0 the rate is exactly 0 and its relative error has no meaning; infinity is given there too.
        """
        t = np.asarray(temperature_c, dtype=np.float64)
        shown = LINE_SD_RELATIVE + OUTSIDE_SD_RELATIVE_PER_C * np.maximum(
            np.maximum(self.low_c - t, t - self.high_c), 0.0
        )
        above = np.minimum(t, np.inf if self.upper_c is None else self.upper_c) - self.base_c
        if math.isnan(self.covariance):
            return np.where(above > 0.0, shown, np.inf)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = (
                np.square(self.base_se_c / above) + (self.constant_se_degree_days / self.constant_degree_days) ** 2
            )
            variance += 2.0 * self.covariance / (above * self.constant_degree_days)
            return np.where(above > 0.0, np.maximum(shown, np.sqrt(np.maximum(variance, 0.0))), np.inf)


def schoolfield(
    celsius: Values, rho25_per_day: float, activation_cal: float, terms: Sequence[tuple[float, float]]
) -> tuple[Values, Values]:
    """The formula of :class:`Schoolfield`: rate a day, and its slope by temperature. ``terms``: what is inactivated,
    with its calories per mole and the kelvin at which half of it is."""
    kelvin = celsius + 273.16
    active = rho25_per_day * kelvin / 298.0 * np.exp(activation_cal / 1.987 * (1.0 / 298.0 - 1.0 / kelvin))
    inactive, inactive_slope = np.ones_like(kelvin), np.zeros_like(kelvin)
    for heat_cal, half_k in terms:
        term = np.exp(heat_cal / 1.987 * (1.0 / half_k - 1.0 / kelvin))
        inactive += term
        inactive_slope += term * heat_cal / 1.987 / np.square(kelvin)
    rate = active / inactive
    slope = rate * (1.0 / kelvin + activation_cal / 1.987 / np.square(kelvin) - inactive_slope / inactive)
    return rate, slope


@dataclass(frozen=True, slots=True)
class Schoolfield(OfPieces):
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
    cubics; the rate so taken lies within 1e-10 of the largest rate of the formula.
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
        terms = [(self.high_cal, self.high_k)]
        if self.low_cal is not None and self.low_k is not None:
            terms.append((self.low_cal, self.low_k))
        rate, slope = schoolfield(celsius, self.rho25_per_day, self.activation_cal, terms)
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
        return LINE_SD_RELATIVE + OUTSIDE_SD_RELATIVE_PER_C * np.maximum(
            np.maximum(self.low_c - t, t - self.high_c), 0.0
        )


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
