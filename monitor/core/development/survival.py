"""Whether eggs that lie still are late or have failed: how likely eggs and whole boxes fail, and when they do.

An egg lives to pip with chance q, which the eggs of one clutch share; besides, a box fails as a whole (it stood too
hot, dried out, drowned) with a chance of its own.

q ~ Beta(7.5, 2.2): fitted to some 240 groups of eggs at constant temperatures within what their species bears, from
compiled studies (Reptile Development Database: Noble et al. 2018, Sci. Data 5:180138). By it all of 8 eggs fail of
themselves 6 times in 10,000, all of 4 eggs once in 100; the mean success is 77 %.

A whole box: of 127 groups of 8 eggs or more of named clutches (149 by a wider count), at temperatures that eggs bear,
none failed whole where another group of the same clutch did well (ROSIE: Krueger & Janzen 2022, Sci. Data 9:22); with
the prior of Jeffreys (1946, Proc. R. Soc. A 186:453-461) that is 0.5 / 128 = 0.4 %. Of 58 smaller groups five failed
whole, four of these in one incubator at 31 C: what a box went through makes it likelier (:func:`after_strain`).
Both are made again by ``deploy/measure hatching``.

When: an egg that fails does so at any part of its own incubation alike (judgement, no source: published counts say how
many failed and seldom when; embryos of reptiles are known to die both early and at full term). An egg seen alive is
past the part that was over then.
"""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np

from monitor.core.maths import student_t
from monitor.core.maths.quadrature import legendre, nodes_and_weights
from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass

# What a box bears. Above the highest temperature of its profile half of the eggs fail where they are 2 C above it all
# the time (*Elaphe taeniura*: 78 % hatched up to 30 C, 41 % at 32 C, in some 55 days; Du & Ji 2008, as its profile has
# it), and hours of 10 C above end a box (judgement, no source): so the strain grows with the fourth power. Below the
# lowest, each day that is far below ends one box in forty, cool nights end none; each whole day of which nothing was
# measured ends one in 400 (both judgement, no source).
HOT_C: Final = 2.0
HOT_H: Final = 2000.0
FAR_BELOW_C: Final = 5.0
COLD_H: Final = 40.0 * 24.0
UNKNOWN_H: Final = 400.0 * 24.0
# Panels of the exponential integral in :func:`fails_after`, in scales of an egg.
_PANELS: Final = (0.0, 1.0, 4.0, 16.0, 64.0, 256.0, 1024.0)


@dataclass(frozen=True)
class Survival:
    """``alive`` and ``failed``: the two parameters of the beta distribution of q (``failed`` 0: every egg lives, unless
    its box fails as a whole). ``box_fails``: the chance of that. ``nodes``: of the rule that integrates over q."""

    alive: float = 7.5
    failed: float = 2.2
    box_fails: float = 0.5 / 128.0
    nodes: int = 14

    def __post_init__(self) -> None:
        if not (0.0 < self.alive < 1e4 and 0.0 <= self.failed < 1e4 and 0.0 <= self.box_fails < 1.0):
            raise ModelOutOfRange(
                "a survival has alive above 0, failed 0 or more, box_fails from 0 to below 1", where="forecast"
            )

    def shares(self) -> tuple[Values, Values]:
        """Values of q, rising, shape (n,), and the log of their chances."""
        if self.failed == 0.0:
            return np.ones(1), np.zeros(1)
        nodes, weights = _beta(self.nodes, self.alive, self.failed)
        return nodes, np.log(weights)


def hot_hours(above_c: Values, hours: Values) -> float:
    """Hours by which a box was as strained as by so many of HOT_C above what its eggs bear; arrays of equal shape."""
    return float(np.maximum(above_c / HOT_C, 0.0) ** 4 @ hours)


def after_strain(survival: Survival, hot_h: float, cold_h: float, unknown_h: float) -> float:
    """The chance that a box fails as a whole, after so many hours as if HOT_C above the highest temperature that its
    eggs bear, by FAR_BELOW_C or more below the lowest, and of which nothing is known."""
    strain = hot_h / HOT_H + cold_h / COLD_H + unknown_h / UNKNOWN_H
    return min(1.0 - (1.0 - survival.box_fails) * math.exp(-max(strain, 0.0)), 0.95)


@cache
def _beta(n: int, alive: float, failed: float) -> tuple[Values, Values]:
    """Nodes in 0..1 and weights of Gauss's rule for a beta distribution: exact for what up to 2 n - 1 eggs tell, which
    is a polynomial. From the recurrence of Jacobi's polynomials (Golub & Welsch 1969, Math. Comp. 23:221-230)."""
    a, b = failed - 1.0, alive - 1.0
    k = np.arange(1, n, dtype=np.float64)
    c = 2.0 * k + a + b
    middle = np.concatenate([[(b - a) / (a + b + 2.0)], (b * b - a * a) / (c * (c + 2.0))])
    beside = 4.0 * k * (k + a) * (k + b) * (k + a + b) / (c * c * (c + 1.0) * (c - 1.0))
    # Its limit where the general term is 0 / 0.
    beside[0] = 4.0 * (1.0 + a) * (1.0 + b) / ((2.0 + a + b) ** 2 * (3.0 + a + b))
    nodes, weights = nodes_and_weights(middle, beside)
    weights = np.maximum(weights, 1e-300)
    return np.clip(0.5 * (nodes + 1.0), 1e-12, 1.0 - 1e-12), weights / weights.sum()


@cache
def _legendre(n: int) -> tuple[Values, Values]:
    nodes, weights = legendre(n)
    return nodes, 2.0 * weights


@cache
def _panels() -> tuple[Values, Values]:
    nodes, weights = _legendre(8)
    ends = list(pairwise(_PANELS))
    at = np.concatenate([a + 0.5 * (b - a) * (nodes + 1.0) for a, b in ends])
    return at, np.concatenate([0.5 * (b - a) * weights for a, b in ends])


def fails_after(log_alive: float, v: Values, scale: float) -> Values:
    """Chance that an egg which fails does so after it was seen alive, and had not pipped by then, given ``v``.

    ``log_alive``: log development when it was seen alive, minus infinity: never, which gives 1. With Y its pip,
    ln Y = v + scale t4, and failing at any part of the way alike: the mean of 1 - exp(log_alive) / Y over all
    Y beyond it, by parts the integral of scale exp(-scale z) P(t4 > x + z) over z from 0. Shape of ``v``.
    """
    if not math.isfinite(log_alive):
        return np.ones_like(v)
    x = (log_alive - v) / scale
    # Up to the middle nearly all are still to come: what is missing there is a tail, as what follows is one.
    before = np.maximum(-x, 0.0)
    nodes, weights = _legendre(32)
    u = 0.5 * (nodes + 1.0)
    way = before[:, None] * np.square(u)
    missing = (student_t.beyond(way) * np.exp(scale * (way - before[:, None]))) @ (weights * u) * scale * before
    at, weights = _panels()
    tail = student_t.beyond((x + before)[:, None] + at) @ (weights * scale * np.exp(-scale * at))
    found: Values = -np.expm1(-scale * before) - missing + np.exp(-scale * before) * tail
    return found
