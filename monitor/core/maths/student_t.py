"""Student's t with four degrees of freedom in closed form, its sum with a normal, and counts of such draws.

With s = t / sqrt(4 + t^2) the distribution function is F(t) = 1/2 + 3 s / 4 - s^3 / 4, hence
1 - F(t) = (1 - s)^2 (2 + s) / 4 (elementary integration of the density; the quantile is the trigonometric
solution of that cubic, Shaw WT 2006, J. Comput. Finance 9(4):37-73). The product form keeps its relative
accuracy far out in the tail, where one minus the distribution function would have lost every digit; the
forecast lives there when a box is days late.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange

Array = Values


def beyond(t: npt.ArrayLike) -> Array:
    """Chance of a value above ``t`` (any shape, infinities allowed), accurate in both tails."""
    values = np.asarray(t, dtype=np.float64)
    # In place: the tables of a forecast are large, and making room for them anew took as long as the arithmetic.
    size = np.abs(values, out=np.empty_like(values))
    root = np.square(size, out=np.empty_like(values))
    root += 4.0
    np.sqrt(root, out=root)
    # 1 - t / sqrt(4 + t^2) without cancellation.
    short = np.add(root, size, out=size)
    short *= root
    np.divide(4.0, short, out=short)
    tail = np.square(short, out=root)
    np.subtract(3.0, short, out=short)
    tail *= short
    tail *= 0.25
    np.subtract(1.0, tail, out=tail, where=values < 0.0)
    return tail


def below(t: npt.ArrayLike) -> Array:
    """Chance of a value below ``t``: the distribution function (any shape)."""
    return beyond(-np.asarray(t, dtype=np.float64))


def between(low: npt.ArrayLike, high: npt.ArrayLike) -> Array:
    """Chance of a value between ``low`` and ``high`` (broadcast together, infinities allowed; low <= high).

    Taken as a difference of tails on the side where both lie, so that a narrow interval far out keeps its
    relative accuracy.
    """
    a, b = np.broadcast_arrays(np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64))
    mirrored = -a > b
    near = np.where(mirrored, -b, a)
    far = np.where(mirrored, -a, b)
    return np.maximum(beyond(near) - beyond(far), 0.0)


def cells(first: int, last: int, step: float, *, sigma: float, scale: float) -> Array:
    """Chance (last - first + 1,) of each cell of width ``step`` about first * step .. last * step.

    The value is N(0, sigma) + scale * t4; first <= 0 <= last. Chances of whole cells and not densities, so
    that a width of nothing needs no special case.
    """
    wide = math.ceil(8.0 * sigma / step)
    edges = (np.arange(first - wide, last + wide + 2, dtype=np.float64) - 0.5) * step
    if scale > 0.0:
        heavy = between(edges[:-1] / scale, edges[1:] / scale)
    else:
        heavy = np.where((edges[:-1] < 0.0) & (edges[1:] > 0.0), 1.0, 0.0)
    if wide == 0:
        return heavy
    # Of the edges above 0; those below are their mirror.
    above = (np.arange(wide + 1, dtype=np.float64) + 0.5) * step / sigma / math.sqrt(2.0)
    half = np.fromiter(map(math.erf, above.tolist()), np.float64, wide + 1)
    return np.convolve(heavy, 0.5 * np.diff(np.concatenate((-half[::-1], half))), "valid")


def at_least(k: int, groups: Sequence[tuple[int, Array]]) -> Array:
    """Chance that at least ``k`` >= 1 are out, of groups (count, chance that one of them is out), independent.

    The chances broadcast together; values a rounding error beyond 0 or 1 are brought back.
    """
    whole = sum(count for count, _ in groups)
    chances = [(count, np.clip(out, 0.0, 1.0)) for count, out in groups]
    if k <= whole - k + 1:
        return np.asarray(1.0 - _at_most(k - 1, chances), dtype=np.float64)
    return _at_most(whole - k, [(count, 1.0 - out) for count, out in chances])


def _at_most(k: int, groups: Sequence[tuple[int, Array]]) -> Array:
    """Chance that at most ``k`` are out: the distributions of the groups' binomials, multiplied up to k."""
    sums: list[Array] = [np.ones(())]
    for count, out in groups:
        stay = 1.0 - out
        own = [
            float(math.comb(count, i)) * np.power(out, i) * np.power(stay, count - i) for i in range(min(count, k) + 1)
        ]
        reach = min(len(sums) + len(own) - 2, k)
        sums = [
            np.sum([sums[i] * own[n - i] for i in range(len(sums)) if 0 <= n - i < len(own)], axis=0)
            for n in range(reach + 1)
        ]
    total: Array = np.sum(sums, axis=0)
    return np.clip(total, 0.0, 1.0)


def two_sided(level: float, freedom: int) -> float:
    """The two-sided quantile of Student's t with any whole degrees of freedom: the t with |T| < t at chance ``level``.

    By bisection of the finite series for whole degrees of freedom (Abramowitz & Stegun 1964, 26.7.3 and 26.7.4).
    """
    if not 0.0 < level < 1.0:
        raise ModelOutOfRange("a level lies between 0 and 1", where="Student's t")

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
