"""The temperature still to come: what the daily means of a place so far say of the days until the eggs are done.

A room that is held steady scatters about a level; a place that the season reaches wanders. Which of the two a place is,
its own past tells. Daily means are taken as a level that nothing is known of, noise of its own each day (standard
deviation s), and a wandering part whose difference over h days has the variance q h^a (a power variogram: Matheron
1973, Adv. Appl. Prob. 5:439-468; Cressie 1993, Statistics for Spatial Data, 2.3 and 3.2; from memory):

- q = 0: held steady, perhaps at another level until it was re-set on some day (a step of 2 C, standard deviation);
- a = 1/2: weather, which comes back; a = 1 would be the random walk;
- a = 5/4: between the two;
- a = 7/4: a season, which goes on as it went (a = 2 would be a straight line).

For one (a, q, s) the expected temperature h days on, and the variance of the mean over the next H days, are those of
kriging with an unknown mean; its weights sum to 0, so no level and no scale has to be known. In orthonormal contrasts
B T of the n days that diagonalise the wandering part (eigenvalues L_i), the likelihood of the past is that of
independent normals of variance s^2 + q L_i (restricted likelihood: Patterson & Thompson 1971, Biometrika 58:545-554;
from memory). It weighs a grid of (a, q, s). Before any day half of the weight is on "held steady", a fifth of that on
rooms that were re-set; the other half is shared evenly by the rest. What comes out is the weighed mean of them all. The
standard uncertainty is the weighed mean of theirs, each about that common mean: for two sorts of rooms in one mixture
it lies nearer to the 10 to 90 % interval than the root of the mixed variance would.

How the numbers were found. From 1 to 45 days the differences of daily means grow with h^1.5 to h^1.7 where a year of
real outdoor air (University of California IPM, 366 days) is damped with a time constant of 10 days, as sand and
unheated rooms may damp it, and with h^0.5 in that air itself. The exponents and the weight of "held steady" were chosen
among eleven sets by the mean log score of the mean of the next 12 to 38 days on the first half of that year, damped by
3 and by 10 days (162 cases, overlapping). On its second half, which had no part in that, intervals of 80 % then held
77 % of 162 cases (a random walk from the last three days, which served before: 55 %), and in seven sea-turtle nests
(Girondot & Kaska 2014, J. Therm. Biol. 45:96-102), which had none either, 90 % of 21 (before: 57 %), with a mean error
of 0.8 C (before: 1.6).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Values
from monitor.values import dataclass

# So many of the newest whole days are looked at.
MOST_DAYS: Final = 28
# The level from which everything is counted is the mean of so many of them: a room that was re-set is at its new
# level after three days, whatever it was before.
LEVEL_DAYS: Final = 3
EXPONENTS: Final = (0.5, 1.25, 1.75)
# Variance of a day's difference of the wandering part (q, C^2) and standard deviation of a day's own noise (s, C).
WANDERING_C2: Final = np.array([0.0005, 0.002, 0.008, 0.03, 0.12, 0.5, 2.0])
NOISE_C: Final = np.array([0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.28])
HELD_STEADY: Final = 0.5
# The part of it that was re-set once in these days, and by how much (C). Judgement, no source.
RE_SET: Final = 0.2
RE_SET_C: Final = 2.0
# A change of daily means from one day to the next by so much interrupts a room that is held (a heater that died and
# works again), where none since is more than this part of it. Judgement, no source.
INTERRUPTED_C: Final = 2.0
HELD_AGAIN: Final = 0.1
# Days from now on for which the expected temperature is told; it stays after the last.
AHEAD_DAYS: Final = np.array([0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 120.0])
# Spans for which the uncertainty of their mean is tabulated, in days.
SPANS_DAYS: Final = np.array([1, 2, 3, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 120])
# Least standard uncertainty of the temperature to come, in C: rooms are re-set. Judgement, no source.
LEAST_SD_C: Final = 0.2
# From fewer whole days than these no going on is read, and the standard uncertainty is as below. Judgement, no source.
LEAST_DAYS: Final = 4
SHORT_SD_C: Final = 0.5
# Most of it, in C: with 3 windows in simulated warming rooms held 91 % at a quarter of the time, with 2.5 85 %; the
# score on the first half of the year above is the same.
MOST_SD_C: Final = 2.5
# No season is followed farther than this from where it is; what is farther is uncertainty. Of 3, 4, 5 and 9 C, 3 had
# the best score and the least mean error on the first half of the year above.
MOST_DRIFT_C: Final = 3.0


@dataclass(frozen=True, eq=False)
class _Patterns:
    """What follows from the number of days and the exponent alone, per unit of q; counted from the level.

    ``contrasts`` (n-1, n); ``eigenvalue`` (n-1,); ``at`` (ahead, n-1): covariance of the temperature at ``AHEAD_DAYS``
    with the contrasts; ``mean`` (spans, n-1): of the mean over ``SPANS_DAYS``; ``mean_variance`` (spans,);
    ``level`` (n-1,): share of the level in each contrast.
    """

    contrasts: Values
    eigenvalue: Values
    at: Values
    mean: Values
    mean_variance: Values
    level: Values


@lru_cache(maxsize=MOST_DAYS * len(EXPONENTS))
def _patterns(n: int, exponent: float) -> _Patterns:
    def wandering(a: Values, b: Values) -> Values:
        """Generalised covariance: minus half the variogram's variance of a difference."""
        return -0.5 * np.abs(a[:, None] - b[None, :]) ** exponent

    # The mean of a day belongs to its middle: now is half a day after the middle of the newest.
    past, last = np.arange(n, dtype=np.float64), np.arange(max(n - LEVEL_DAYS, 0), n, dtype=np.float64)
    among = wandering(past, past)
    apart = np.linalg.svd(np.ones((1, n)))[2][1:]
    eigenvalue, turned = np.linalg.eigh(apart @ among @ apart.T)
    contrasts = turned.T @ apart
    of_level = wandering(last, past).mean(axis=0)
    at = (wandering(n - 0.5 + AHEAD_DAYS, past) - of_level) @ contrasts.T
    days = n - 1.0 + np.arange(1.0, SPANS_DAYS[-1] + 1.0)
    each = (wandering(days, past) - of_level) @ contrasts.T
    mean = np.cumsum(each, axis=0)[SPANS_DAYS - 1] / SPANS_DAYS[:, None]
    among_days, to_level = wandering(days, days), wandering(days, last).mean(axis=1)
    own = float(wandering(last, last).mean())
    variance = [float(among_days[:span, :span].mean() - 2.0 * to_level[:span].mean()) + own for span in SPANS_DAYS]
    level = contrasts[:, -len(last) :].mean(axis=1)
    return _Patterns(contrasts, np.maximum(eigenvalue, 0.0), at, mean, np.array(variance), level)


@dataclass(frozen=True, eq=False)
class ToCome:
    """``drift_c``: how much warmer than its last days the place will be at ``AHEAD_DAYS``; ``span_sd_c``: standard
    uncertainty of the mean over each of ``SPANS_DAYS``, in C."""

    drift_c: Values
    span_sd_c: Values

    def sd_c(self, days: float) -> float:
        """Standard uncertainty (C) of the mean temperature over the next so many days."""
        return float(np.interp(days, SPANS_DAYS, self.span_sd_c))

    def mean_drift_c(self, days: float) -> float:
        """How much warmer than its last days (C) the mean over the next so many days will be, at least one."""
        at = np.append(AHEAD_DAYS[days > AHEAD_DAYS], days)
        drift = np.interp(at, AHEAD_DAYS, self.drift_c)
        return float(0.5 * (drift[1:] + drift[:-1]) @ np.diff(at)) / days


def to_come(daily_c: Values) -> ToCome:
    """From the means of whole days, shape (n,), newest last; what lies before the last 28 of them says nothing.

    Rounded to a millionth of a degree, before and after: sums of products may end otherwise where the same days lie
    elsewhere in memory, and what was said of a moment must come out the same again.
    """
    return _from_days(tuple(np.round(_since_interrupted(daily_c[-MOST_DAYS:]), 6).tolist()))


def _since_interrupted(days: Values) -> Values:
    """The days since the last interruption, where the room has been held again since then: an outage that is over says
    nothing of the weeks to come. Air and seasons that go up by degrees go on going up and down."""
    steps = np.abs(np.diff(days))
    for k in range(len(steps) - LEAST_DAYS, -1, -1):
        if steps[k] >= INTERRUPTED_C and steps[k + 1 :].max() <= HELD_AGAIN * steps[k]:
            return days[k + 1 :]
    return days


@lru_cache(maxsize=64)
def _from_days(told_c: tuple[float, ...]) -> ToCome:
    """All lots of one box ask the same."""
    days = np.array(told_c)
    n = len(days)
    if n < LEAST_DAYS:
        return ToCome(np.zeros(len(AHEAD_DAYS)), np.full(len(SPANS_DAYS), SHORT_SD_C))
    noise2 = np.square(NOISE_C)[:, None]
    of_level = noise2 * (1.0 / min(n, LEVEL_DAYS) + 1.0 / SPANS_DAYS)
    still = np.zeros((len(NOISE_C), 1))
    # Held steady, and re-set: no drift, and an error of days with noise of their own.
    steady = -0.5 * ((n - 1) * np.log(noise2) + np.square(days - days.mean()).sum() / noise2)
    log_weight = [
        math.log(HELD_STEADY * (1.0 - RE_SET)) + steady,
        math.log(HELD_STEADY * RE_SET) + _re_set(days, steady),
    ]
    drifts, means, variances = [still + 0.0 * AHEAD_DAYS] * 2, [still + 0.0 * SPANS_DAYS] * 2, [of_level] * 2
    for exponent in EXPONENTS:
        it = _patterns(n, exponent)
        told = it.contrasts @ days
        q = WANDERING_C2[:, None]
        variance = noise2[..., None] + q * it.eigenvalue
        log_weight.append(
            math.log((1.0 - HELD_STEADY) / len(EXPONENTS) / len(WANDERING_C2))
            - 0.5 * np.sum(np.log(variance) + np.square(told) / variance, axis=-1)
        )
        share = q / variance
        drifts.append((share * told) @ it.at.T)
        means.append((share * told) @ it.mean.T)
        # The level's own days are among those that the drift is kriged from.
        level = of_level[:, None] + noise2[..., None] * 2.0 * ((share * it.level) @ it.mean.T)
        wanders = q * it.mean_variance - q * (share @ np.square(it.mean).T)
        variances.append(np.maximum(wanders + level, 0.0))
    weights = np.concatenate([one.ravel() for one in log_weight])
    weights = np.exp(weights - weights.max())
    weights /= weights.sum()
    drift, mean, variance = (
        np.concatenate([one.reshape(-1, one.shape[-1]) for one in many]) for many in (drifts, means, variances)
    )
    middle = weights @ mean
    sd = weights @ np.sqrt(variance + np.square(mean - middle))
    drift_c = np.clip(weights @ drift, -MOST_DRIFT_C, MOST_DRIFT_C)
    return ToCome(np.round(drift_c, 6) + 0.0, np.round(np.minimum(np.hypot(sd, LEAST_SD_C), MOST_SD_C), 6))


def _re_set(days: Values, steady: Values) -> Values:
    """Log likelihood (noise, 1) of a room that was re-set on one of these days, but for the last ones, of which the
    level is made; ``steady``: of one that was not. A step is one contrast with a variance of its own."""
    n = len(days)
    after = np.arange(LEVEL_DAYS, n)
    later = np.cumsum(days[::-1])[after - 1]
    size = after * (n - after) / n
    # The step that the means before and after it make, in units in which its own noise is s.
    step2 = size * np.square(later / after - (days.sum() - later) / (n - after))
    noise2 = np.square(NOISE_C)[:, None]
    more = RE_SET_C**2 * size
    gain = 0.5 * (step2 * more / (noise2 * (noise2 + more)) - np.log1p(more / noise2))
    top = gain.max(axis=1, keepdims=True)
    return np.asarray(steady + top + np.log(np.mean(np.exp(gain - top), axis=1, keepdims=True)))
