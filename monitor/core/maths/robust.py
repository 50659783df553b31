"""Robust lines and trends: medians of slopes and ranks, which a few wrong values do not move."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Floats, Values


def _slopes(x: Values, y: Values) -> Values:
    i, j = np.triu_indices(len(x), 1)
    dx = x[j] - x[i]
    ok = dx != 0.0
    return np.sort((y[j] - y[i])[ok] / dx[ok])


def theil_sen_slope(x: Floats, y: Floats) -> float:
    """Median of the slopes between all pairs of points (Theil 1950, Sen 1968)."""
    slopes = _slopes(np.asarray(x, np.float64), np.asarray(y, np.float64))
    return float(np.median(slopes)) if len(slopes) else 0.0


@dataclass(frozen=True, slots=True)
class RobustLine:
    """Theil-Sen slope with its confidence interval, and Conover's intercept median(y) - slope median(x)."""

    slope: float
    intercept: float
    low: float
    high: float


def theil_sen(x: Floats, y: Floats, confidence: float = 0.95) -> RobustLine:
    """Robust line (Sen 1968, with his normal approximation of the interval, ties in y allowed for).

    Raises ValueError for fewer than two different x.
    """
    xs, ys = np.asarray(x, np.float64), np.asarray(y, np.float64)
    slopes = _slopes(xs, ys)
    if not len(slopes):
        raise ValueError("a line needs two points at least")
    slope = float(np.median(slopes))
    n, count = len(ys), len(slopes)
    ties = sum(t * (t - 1) * (2 * t + 5) for t in _tied(xs) + _tied(ys))
    sigma = math.sqrt(max(n * (n - 1) * (2 * n + 5) - ties, 0) / 18.0)
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    upper = min(round((count + z * sigma) / 2.0), count - 1)
    lower = max(round((count - z * sigma) / 2.0) - 1, 0)
    return RobustLine(slope, float(np.median(ys) - slope * np.median(xs)), float(slopes[lower]), float(slopes[upper]))


def _tied(x: Values) -> list[int]:
    return [int(c) for c in np.unique(x, return_counts=True)[1] if c > 1]


@dataclass(frozen=True, slots=True)
class Trend:
    """Mann-Kendall: S, its variance, the continuity-corrected Z, Kendall's tau, two-sided p (exact where it can be)."""

    s: int
    variance: float
    z: float
    tau: float
    p: float


_EXACT_UP_TO: Final = 12


def mann_kendall(y: Floats) -> Trend:
    """Test for a monotone trend (Mann 1945, Kendall 1975).

    The exact distribution (numbers of inversions of permutations) up to twelve values without ties, beyond it the
    normal one with the variance corrected for ties.
    """
    values = np.asarray(y, np.float64)
    n = len(values)
    i, j = np.triu_indices(n, 1)
    s = int(np.sign(values[j] - values[i]).sum())
    tied = _tied(values)
    variance = (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in tied)) / 18.0
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0
    pairs = n * (n - 1) / 2
    untied = pairs - sum(t * (t - 1) / 2 for t in tied)
    tau = s / math.sqrt(pairs * untied) if untied else 0.0
    p = _exact_p(n, abs(s)) if n <= _EXACT_UP_TO and not tied else 2.0 * (1.0 - NormalDist().cdf(abs(z)))
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
