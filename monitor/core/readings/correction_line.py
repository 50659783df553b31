"""How a probe's correction goes with temperature: a line through what several comparisons found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Values
from monitor.values import dataclass

# Sessions nearer to each other than this tell nothing of how an error goes with temperature. Judgement, no source.
LEAST_SPAN_C: Final = 3.0


@dataclass(frozen=True, slots=True)
class CorrectionLine:
    """b(t) = y1 + y2 (t - t0) with standard uncertainties, correlation r of y1 and y2, residual s, dof n - 2."""

    y1: float
    y2: float
    u_y1: float
    u_y2: float
    r: float
    s: float
    dof: int
    t0: float

    def at(self, temperature_c: float) -> tuple[float, float]:
        """Correction at a temperature and its standard uncertainty (GUM H.3.4)."""
        d = temperature_c - self.t0
        variance = self.u_y1**2 + (d * self.u_y2) ** 2 + 2.0 * d * self.u_y1 * self.u_y2 * self.r
        return self.y1 + self.y2 * d, math.sqrt(max(variance, 0.0))

    def with_common(self, u_common_c: float) -> CorrectionLine:
        """With an error common to all points (the reference's): it moves the line as a whole and not its slope
        (GUM H.3.6). The covariance stays, so the correlation is less."""
        u_y1 = math.hypot(self.u_y1, u_common_c)
        return replace(self, u_y1=u_y1, r=self.r * self.u_y1 / u_y1)


def correction_line(
    temperature_c: Sequence[float] | Values, correction_c: Sequence[float] | Values, t0_c: float
) -> CorrectionLine:
    """Straight line of corrections over temperature by least squares (GUM H.3.1 to H.3.3).

    Raises ValueError for fewer than three points or for one temperature only.
    """
    x = np.asarray(temperature_c, np.float64) - t0_c
    b = np.asarray(correction_c, np.float64)
    n = len(x)
    d = n * float(x @ x) - float(x.sum()) ** 2
    if n < 3 or d <= 0.0:
        raise ValueError("a line of corrections needs three points at two temperatures at least")
    y2 = (n * float(x @ b) - float(x.sum()) * float(b.sum())) / d
    y1 = (float(b.sum()) - y2 * float(x.sum())) / n
    residual = b - y1 - y2 * x
    s2 = float(residual @ residual) / (n - 2)
    u1, u2 = math.sqrt(s2 * float(x @ x) / d), math.sqrt(n * s2 / d)
    r = -float(x.sum()) / math.sqrt(n * float(x @ x))
    return CorrectionLine(y1, y2, u1, u2, r, math.sqrt(s2), n - 2, t0_c)


@dataclass(frozen=True, slots=True)
class FoundAt:
    """What one session found of a probe: its correction at a temperature, with its own and its common uncertainty."""

    temperature_c: float
    correction_c: float
    uncertainty_c: float
    common_c: float


def over_temperature(found: Sequence[FoundAt]) -> CorrectionLine | None:
    """How a probe's correction goes with temperature, by sessions at several; t0 is where the last one was.

    The residuals of three or four sessions tell little of their uncertainty, so s is at least what the sessions say of
    themselves (root mean square). What is common counts once, as large as the largest: sessions of several references
    are taken as one. None for fewer than three sessions, or where they lie within 3 C.
    """
    t = [f.temperature_c for f in found]
    if len(t) < 3 or max(t) - min(t) < LEAST_SPAN_C:
        return None
    line = correction_line(t, [f.correction_c for f in found], t[-1])
    own = math.sqrt(sum(f.uncertainty_c**2 for f in found) / len(found))
    if own > line.s:
        # The uncertainties are s times what the temperatures alone give, and the correlation is theirs.
        even = np.asarray(t) - t[-1]
        d = len(t) * float(even @ even) - float(even.sum()) ** 2
        line = replace(line, s=own, u_y1=own * math.sqrt(float(even @ even) / d), u_y2=own * math.sqrt(len(t) / d))
    return line.with_common(max(f.common_c for f in found))
