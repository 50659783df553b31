"""The trend of Mann and Kendall: by ranks alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from monitor.core.maths.robust import tied
from monitor.core.terms.arrays import Floats

_EXACT_UP_TO: Final = 12


@dataclass(frozen=True, slots=True)
class Trend:
    """Mann-Kendall: S, its variance, the continuity-corrected Z, Kendall's tau, two-sided p (exact where it can be)."""

    s: int
    variance: float
    z: float
    tau: float
    p: float


def mann_kendall(y: Floats) -> Trend:
    """Test for a monotone trend (Mann 1945, Kendall 1975).

    The exact distribution (numbers of inversions of permutations) up to twelve values without ties, beyond it the
    normal one with the variance corrected for ties.
    """
    values = np.asarray(y, np.float64)
    n = len(values)
    i, j = np.triu_indices(n, 1)
    s = int(np.sign(values[j] - values[i]).sum())
    groups = tied(values)
    variance = (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in groups)) / 18.0
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0
    pairs = n * (n - 1) / 2
    untied = pairs - sum(t * (t - 1) / 2 for t in groups)
    tau = s / math.sqrt(pairs * untied) if untied else 0.0
    p = _exact_p(n, abs(s)) if n <= _EXACT_UP_TO and not groups else 2.0 * (1.0 - NormalDist().cdf(abs(z)))
    return Trend(s, variance, z, tau, p)


def _exact_p(n: int, s: int) -> float:
    """P(|S| >= s) over all orders of n different values."""
    counts = [1]
    for k in range(2, n + 1):
        grown = [0] * (len(counts) + k - 1)
        for inversions, ways in enumerate(counts):
            for more in range(k):
                grown[inversions + more] += ways
        counts = grown
    pairs = n * (n - 1) // 2
    return sum(w for inv, w in enumerate(counts) if abs(pairs - 2 * inv) >= s) / math.factorial(n)
