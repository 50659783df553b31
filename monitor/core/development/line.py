"""The straight line through published rates: base temperature and thermal constant, with their uncertainty."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from monitor.core.maths.student_t import two_sided
from monitor.core.terms.arrays import Values, distinct
from monitor.core.terms.formats import show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass


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
        t = two_sided(level, self.points - 2)
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
    t, d, w = checked_table(temperature_c, days, weights)
    n = t.size
    w = w / (w.sum() / n)
    y = 1.0 / d
    # Not by np.average: a list of species fits a thousand lines, and half of the time goes into what it looks after.
    total_w = w.sum()
    xbar, ybar = float((t * w).sum() / total_w), float((y * w).sum() / total_w)
    x, r = t - xbar, y - ybar
    sxx = float((w * np.square(x)).sum())
    temperatures = int(distinct(t).size)
    if temperatures < 2:
        raise ModelOutOfRange("all rows are at one temperature; a line needs two", where="straight line")
    b = float((w * x * r).sum()) / sxx
    if not b > 0.0:
        raise ModelOutOfRange(
            "the days do not get shorter when it is warmer, so no base temperature follows from them",
            where="straight line",
            fix="check the rows; only temperatures below the plateau of the species tell a base temperature",
        )
    squares = float((w * np.square(r - b * x)).sum())
    total = float((w * np.square(r)).sum())
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


def checked_table(
    temperature_c: npt.ArrayLike, days: npt.ArrayLike, weights: npt.ArrayLike | None
) -> tuple[Values, Values, Values]:
    t, d = np.asarray(temperature_c, dtype=np.float64), np.asarray(days, dtype=np.float64)
    w = np.ones_like(t) if weights is None else np.asarray(weights, dtype=np.float64)
    if t.ndim != 1 or t.shape != d.shape or t.shape != w.shape or t.size < 2:
        raise ModelOutOfRange(
            "temperatures, days and weights have to be lists of one length, two or more", where="rates"
        )
    if not (np.isfinite(t).all() and np.isfinite(d).all() and np.isfinite(w).all()):
        raise ModelOutOfRange("temperatures, days and weights have to be numbers", where="rates")
    if not ((d > 0.0).all() and (w > 0.0).all()):
        raise ModelOutOfRange("days and weights have to be above 0", where="rates")
    return t, d, w
