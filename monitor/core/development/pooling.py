"""Own clutches laid together: how late the house's typical clutch is, how clutches differ, and whose probes said so.

Clutch c was found y_c later than its table (log scale), looks and eggs leaving s_c open. Its days were measured by
probes that are off by b_p, each for good; a_cp is the part of probe p in clutch c, w_p that in all clutches (sums 1)::

    y_c = mu + sum_p a_cp b_p + d_c + noise
    mu ~ N(0, P),   b_p ~ N(0, u_p^2),   d_c ~ N(0, tau^2),   noise ~ N(0, s_c^2)

A forecast for the same house asks for mu + b_p, never for mu alone: what the probes are off by is as true of the next
clutch. So what is pooled is M = mu + sum_p w_p b_p, with the prior variance P + sum_p w_p^2 u_p^2, from clutches whose
own part about it has the variance s_c^2 + tau^2 + sum_p (a_cp - w_p)^2 u_p^2 (normal-normal model: Gelman et al.,
Bayesian Data Analysis, 2.5 and 5.4). The next box behind probe p lies about M with sum_q (d_pq - w_q)^2 u_q^2 (d: 1
where p = q): nothing with one probe in the house, half of u^2 with two that shared the work, and more than u_p^2 for a
probe that had no part. That M and this rest are independent is exact where all w_p are alike, and nearly so elsewhere.

tau^2 is estimated by the method of moments, never below 0 (DerSimonian & Laird 1986, Control. Clin. Trials 7:177-188),
and since few clutches say little of it, weighed with the profile's starting value as if that came from four further
clutches. How little they say is told by the interval of all tau that fit the scatter (Q profile: Viechtbauer 2007,
Stat. Med. 26:37-52, from memory): Q(tau^2) = sum (y_c - M)^2 / (v_c + tau^2) has a chi-square distribution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.terms.arrays import Values
from monitor.values import dataclass

# How many clutches the starting value of tau counts as.
STARTING_CLUTCHES: Final = 4
# No tau beyond this is told (log scale): clutches of one species never differ so much.
MOST_BETWEEN: Final = 0.2
# What a probe may have moved since it was learned with, in C. Judgement, no source.
MOVED_SINCE_C: Final = 0.1
# Probes whose uncertainty is another one than when it was learned were compared since: what they are off by is new.
SAME_ERROR_C: Final = 0.002


@dataclass(frozen=True, slots=True)
class ProbeShare:
    """Part of the probes ``behind`` (their names) in a learned table, and what they were then good to, in C."""

    behind: str
    share: float
    error_c: float


def left_c(error: ProbesError, shares: Sequence[ProbeShare]) -> float:
    """What the probes of a box may still be off by, in C, about a table that was learned with some: see the module.

    Never less than what a probe may have moved since, and all of ``error`` where nothing was learned.
    """
    own = next((s for s in shares if s.behind == error.probes and abs(s.error_c - error.total_c) < SAME_ERROR_C), None)
    others = sum((s.share * s.error_c) ** 2 for s in shares if s is not own)
    if own is None:
        return math.sqrt(error.total_c**2 + others)
    left = math.sqrt(((1.0 - own.share) * error.total_c) ** 2 + others)
    return max(left, min(MOVED_SINCE_C, error.total_c))


@dataclass(frozen=True, slots=True)
class Found:
    """One clutch: y and s (log scale); ``parts``: probes -> their part in it (sums 1); ``bias``: u in log scale."""

    shift: float
    sd: float
    parts: Mapping[str, float]
    bias: float


@dataclass(frozen=True, slots=True)
class Prior:
    """Variances before any own clutch: of the house's mean, and between clutches."""

    mean: float
    between: float


@dataclass(frozen=True)
class Pooled:
    """``mean`` and ``sd`` of M; ``tau2`` as it is taken; ``moments`` and ``fits``: tau by the method of moments, and
    all that fit (8 in 10), None with one clutch. ``shares``: w by probes; ``weights``: of each clutch in the mean, the
    best being 1; ``rests``: variance by which each clutch's probes may lie about those of all."""

    mean: float
    sd: float
    tau2: float
    moments: float | None
    fits: tuple[float, float] | None
    shares: Mapping[str, float]
    weights: tuple[float, ...]
    rests: tuple[float, ...]


def pooled(found: Sequence[Found], prior: Prior) -> Pooled:
    """All clutches together; one at least."""
    n = len(found)
    shares: dict[str, float] = {}
    for one in found:
        for name, part in one.parts.items():
            shares[name] = shares.get(name, 0.0) + part / n
    rests = tuple(
        one.bias**2 * sum((one.parts.get(name, 0.0) - share) ** 2 for name, share in shares.items()) for one in found
    )
    y = np.array([one.shift for one in found])
    variance = np.array([one.sd**2 + rest for one, rest in zip(found, rests, strict=True)])
    between = between_clutches(y, variance) if n > 1 else None
    tau2 = (STARTING_CLUTCHES * prior.between + (n - 1) * (between or 0.0)) / (STARTING_CLUTCHES + n - 1)
    weight = 1.0 / (variance + tau2)
    common = sum(share**2 for share in shares.values()) * float(np.mean([one.bias**2 for one in found]))
    precision = 1.0 / (prior.mean + common) + float(weight.sum())
    return Pooled(
        float(weight @ y) / precision,
        1.0 / math.sqrt(precision),
        tau2,
        math.sqrt(between) if between is not None else None,
        between_that_fit(y, variance) if n > 1 else None,
        shares,
        tuple((weight / weight.max()).tolist()),
        rests,
    )


def between_clutches(shift: Values, variance: Values) -> float:
    """tau^2 by the method of moments, at least 0 (DerSimonian & Laird 1986, Control. Clin. Trials 7:177-188).

    ``shift`` and ``variance`` of each clutch alone, shape (n,), n >= 2.
    """
    weight = 1.0 / variance
    mean = float(weight @ shift) / float(weight.sum())
    q = float(weight @ np.square(shift - mean))
    return max(0.0, (q - (len(shift) - 1)) / float(weight.sum() - np.square(weight).sum() / weight.sum()))


def between_that_fit(shift: Values, variance: Values, outside: float = 0.1) -> tuple[float, float]:
    """Least and most tau that fit the scatter, ``outside`` on each side; between 0 and MOST_BETWEEN."""
    freedom = len(shift) - 1

    def chance(tau: float) -> float:
        """Of a scatter up to what was seen, if clutches differ by tau: falls as tau rises."""
        weight = 1.0 / (variance + tau**2)
        mean = float(weight @ shift) / float(weight.sum())
        return chi_square_below(float(weight @ np.square(shift - mean)), freedom)

    def where(wanted: float) -> float:
        low, high = 0.0, MOST_BETWEEN
        if chance(low) <= wanted:
            return low
        if chance(high) >= wanted:
            return high
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if chance(middle) > wanted else (low, middle)
        return 0.5 * (low + high)

    return where(1.0 - outside), where(outside)


def chi_square_below(x: float, freedom: int) -> float:
    """Chance of a chi-square with so many degrees of freedom below x: the regularised incomplete gamma function by its
    series (Abramowitz & Stegun 1964, 6.5.29)."""
    if x <= 0.0:
        return 0.0
    a, z = freedom / 2.0, x / 2.0
    if z > 4.0 * a + 200.0:
        return 1.0
    term = total = 1.0 / a
    n = a
    while term > 1e-15 * total:
        n += 1.0
        term *= z / n
        total += term
    return min(total * math.exp(a * math.log(z) - z - math.lgamma(a)), 1.0)
