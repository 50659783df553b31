"""Slow departures: a probe among its peers, and a stack against its set point, day by day.

A probe that ages or gets wet does not fall silent; it says something a little more wrong each day. Against a limit that
is invisible, against the other probes of its stack it is not, if what the room does to them all is told apart from it.

Each probe is judged by what is left of it when the others are known: the regression-adjusted variable of Hawkins (1991,
Technometrics 33: 61-75), which for a shift of one variable alone is the best there is (Healy 1987, Technometrics 29:
409-412). The regression comes from a covariance over height in which a changed level and a changed stratification cost
little (a straight line and a smooth bend, as in kriging), and which learns what the room does from its own days. What
is left is searched for the day on which it began to go (:func:`monitor.core.maths.onset.onset`), conditional on the
level and the gradient that the others show: a heating that was changed may set every probe anew, by a share of what it
changed at the others.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.maths.control_charts import ewma
from monitor.core.maths.onset import Onset, onset
from monitor.core.maths.robust import row_medians
from monitor.core.terms.arrays import Floats, Times, Values
from monitor.values import dataclass

# -- a stack against its set point ------------------------------------------------------------------------------

LEAST_LEVEL_SD_C: Final = 0.1
BASELINE_DAYS: Final = 14
LEAST_DAYS: Final = 10


@dataclass(frozen=True, slots=True)
class HeldLevel:
    """A stack's level smoothed over days, against the temperature it is meant to have; ``within_c`` is the control
    limit, and ``since_day`` the index of the first day of the present stay outside of it (None: inside)."""

    mean_c: float
    set_c: float
    within_c: float
    since_day: int | None

    @property
    def off_c(self) -> float:
        return self.mean_c - self.set_c


def level(daily_c: Floats, set_c: float) -> HeldLevel | None:
    """Daily levels by :func:`ewma` (weight 0.2, three sigma; sigma robust, of the first fourteen days, 0.1 C at least).

    None for fewer than ten days.
    """
    daily = np.asarray(daily_c, np.float64)
    daily = daily[~np.isnan(daily)]
    if len(daily) < LEAST_DAYS:
        return None
    base = daily[:BASELINE_DAYS]
    sigma = max(1.4826 * float(np.median(np.abs(base - np.median(base)))), LEAST_LEVEL_SD_C)
    found = ewma(daily, set_c, sigma)
    inside = np.flatnonzero((found.z >= found.low) & (found.z <= found.high))
    first = int(inside[-1]) + 1 if len(inside) else 0
    within = float(found.high[-1]) - set_c
    return HeldLevel(float(found.z[-1]), set_c, within, first if first < len(daily) else None)


# -- a probe among its peers ----------------------------------------------------------------------------------

PERSISTS_DAYS: Final = 5
LEAST_PROBES: Final = 3
# Smaller departures are not worth a hand: what two good probes differ by anyhow.
LEAST_DRIFT_C: Final = 0.25
# A day of which fewer hours were measured has no median.
LEAST_HOURS: Final = 12
# A departure is told from so many standard errors on, and stays told down to so many. The search takes the largest of
# a hundred and more; the figures are those with which rooms drawn by seed stay quiet (``tests/bench/drift.py``).
TELLS: Final = 5.0
HOLDS: Final = 3.5
# Another probe could as well be the one: less than so much between them, in twice the logarithm of the likelihoods.
AS_WELL: Final = 9.0
# What a stack may do by itself, as standard deviations. Judgement, checked against a heated room at three heights (IEA
# EBC Annex 58, twin house), where the middle lies 0.26 of the whole difference off a straight line.
_LEVEL_C: Final = 10.0
_GRADIENT_K_PER_M: Final = 0.6
_BEND_C, _BEND_M = 0.15, 0.4
_PLACE_C: Final = 0.05
_BEND_SHARE: Final = 0.2
_PLACE_SHARE: Final = 0.1
_LEVEL_SHARE: Final = 0.05
# When the heating is changed, these shares of what the others show may stay.
_NEW_FORM, _NEW_LEVEL = 0.7, 0.05
# A probe's days against its peers: noise of a day, of some days, and the wander of damp substrate and lids.
_LEAST_SD_C: Final = 0.04
_SOME_DAYS: Final = 4.0
_WANDER_C, _WANDER_DAYS = 0.06, 20.0
# As many days of the room weigh as much as what was known before.
_LEARNS_DAYS: Final = 30.0
# What a place is apart from its peers by when they say nothing of it (all of them close together, and it far away) may
# change with the room: a departure in one day has to be so many times as large, a slow one so many times.
_AT_ONCE, _SLOWLY = 4.0, 2.0
# Of more than so many that may be the one, the likeliest are looked at.
_MOST_JUDGED: Final = 4
# Slow is what a ramp explains better than a step by so much, in twice the logarithm of the likelihoods.
_SLOW: Final = 4.0


@dataclass(frozen=True, slots=True)
class Departure:
    """A probe that has left its peers. ``shift_c``: by how much up to the last day judged, ``until_day``; since
    ``since_day``, by ``rate_c_per_day`` each day (None: at once); ``shift_c`` is their product. ``score``: in standard
    errors. ``or_probe``: what the peers say speaks nearly as well for this one."""

    probe: str
    shift_c: float
    since_day: int
    until_day: int
    rate_c_per_day: float | None
    score: float
    days: int
    or_probe: str = ""


@dataclass(frozen=True)
class PeerView:
    """What the peers say. ``state`` of each probe: "steady", "departing", "in doubt" (less sure than what is told), or
    why nothing can be said."""

    state: Mapping[str, str]
    departure: Departure | None = None


def day_medians(hourly_c: Floats) -> Values:
    """Median of each day of hourly means (whole days); NaN for a day of which too little was measured."""
    by_day = np.asarray(hourly_c, np.float64).reshape(-1, 24)
    result = np.full(len(by_day), np.nan)
    enough = np.sum(~np.isnan(by_day), axis=1) >= LEAST_HOURS
    if enough.any():
        result[enough] = row_medians(by_day[enough])
    return result


def departing(days: Times, table: Mapping[str, Values], heights_cm: Mapping[str, float]) -> PeerView:
    """Whether a probe of a stack has left the others, and which.

    ``table``: for each probe its median of each day (``days``, increasing; NaN where it said too little, or before it
    was compared). Fifteen days of three probes are needed; days on which fewer than three said something do not count.

    Told is a departure of 0.25 C or more and five standard errors that has lasted five days. With three probes, the
    outer ones are judged by a straight line through two others, and need more than one in the middle; where the peers
    lie close together and the probe far from them, a changed stratification and a drift look alike, and only a
    departure is told that is larger than what stratification does. If several may be the one, it is the one without
    which the others keep together best. A probe that has drifted evenly from the first day on is told as well; one that
    was wrong before the first day, and stays so, cannot be.
    """
    names = [n for n in table if int(np.sum(~np.isnan(table[n]))) >= LEAST_DAYS + PERSISTS_DAYS]
    state = dict.fromkeys(table, "too few peers" if len(table) < LEAST_PROBES else "too few days")
    if len(names) < LEAST_PROBES:
        return PeerView(state)
    values = np.vstack([table[n] for n in names])
    counts = np.sum(~np.isnan(values), axis=0) >= LEAST_PROBES
    day, values = days[counts], values[:, counts]
    if len(day) < LEAST_DAYS + PERSISTS_DAYS:
        return PeerView(state)
    metres = np.array([heights_cm[n] for n in names]) / 100.0
    at = day.astype(np.float64)
    found = [f for f in _found(values, metres, at) if f is not None]
    state |= {names[f.index]: "in doubt" if f.doubtful else "steady" for f in found}
    told = []
    for f in sorted((f for f in found if f.tells), key=lambda f: -abs(f.onset.score))[:_MOST_JUDGED]:
        others = _found(np.delete(values, f.index, 0), np.delete(metres, f.index), at)
        left = max((abs(g.onset.score) for g in others if g is not None), default=0.0)
        told.append((f.onset.score**2 - left**2, f))
    if not told:
        return PeerView(state)
    told.sort(key=lambda x: -x[0])
    for _, f in told:
        state[names[f.index]] = "in doubt"
    best = told[0][1]
    name, o = names[best.index], best.onset
    near = len(told) > 1 and told[0][0] - told[1][0] < AS_WELL
    since = best.day[o.index if o.per_day is not None else o.index + 1]
    departure = Departure(
        probe=name,
        shift_c=o.change,
        since_day=int(since),
        until_day=int(best.day[-1]),
        rate_c_per_day=o.per_day,
        score=abs(o.score),
        days=len(best.day),
        or_probe=names[told[1][1].index] if near else "",
    )
    return PeerView(state | {name: "departing"}, departure)


@dataclass(frozen=True, slots=True)
class _Change:
    """Of the probe at ``index``: the most likely change over its ``day``, and whether it is one to be told."""

    index: int
    day: Values
    onset: Onset
    tells: bool
    doubtful: bool


def _found(values: Values, metres: Values, day: Values) -> list[_Change | None]:
    """For each probe of ``values`` (probes x days, NaN where nothing is known); None where it said too little."""
    x = metres - metres.mean()
    filled, covariance = _completed(values, x)
    return [_judged(i, ~np.isnan(values[i]), filled, covariance, x, day) for i in range(len(x))]


def _completed(values: Values, x: Values) -> tuple[Values, Values]:
    """Without gaps, each filled by what the others say (its conditional mean); and the covariance over height.

    Before anything is known: any level, a gradient, a smooth bend, and a little of each place. To that comes what the
    room did from day to day, shrunk towards the little (as Chen 1979 does with the inverse Wishart distribution).
    """
    n = len(x)
    smooth = np.exp(-0.5 * ((x[:, None] - x[None, :]) / _BEND_M) ** 2)
    form = _LEVEL_C**2 + _GRADIENT_K_PER_M**2 * np.outer(x, x) + _BEND_C**2 * smooth
    place = _PLACE_C**2 * np.eye(n)
    known = ~np.isnan(values)
    mean = row_medians(values)
    filled = np.where(known, values, mean[:, None])
    gaps = [(k, np.flatnonzero((known == k[:, None]).all(axis=0))) for k in np.unique(known, axis=1).T if not k.all()]
    for _ in range(6):
        for k, at in gaps:
            weights = np.linalg.solve((form + place)[np.ix_(k, k)], values[np.ix_(k, at)] - mean[k, None])
            filled[np.ix_(~k, at)] = mean[~k, None] + form[np.ix_(~k, k)] @ weights
        mean = filled.mean(axis=1)
    moved = np.diff(filled, axis=1)
    moved = np.clip(moved - moved.mean(axis=0), -0.5, 0.5)
    return filled, form + (_LEARNS_DAYS * place + moved @ moved.T / 2.0) / (_LEARNS_DAYS + moved.shape[1])


def _judged(
    index: int, use: NDArray[np.bool_], filled: Values, covariance: Values, x: Values, day: Values
) -> _Change | None:
    if int(use.sum()) < LEAST_DAYS + PERSISTS_DAYS:
        return None
    precision = np.linalg.inv(covariance)
    weights = precision[index] / precision[index, index]
    y = (weights @ (filled - filled.mean(axis=1, keepdims=True)))[use]
    at = day[use]
    level, gradient = _of_peers(np.delete(filled, index, 0)[:, use], np.delete(x, index))
    span = max(float(np.ptp(x)), 0.1)
    bow = 1.0 - (2.0 * x / span) ** 2
    share = span * float(np.hypot(_BEND_SHARE * (weights @ (bow - bow.mean())), _PLACE_SHARE))
    jumps = np.diff(y)
    sd_c = max(1.4826 * float(np.median(np.abs(jumps - np.median(jumps)))) / 0.9, _LEAST_SD_C)
    apart = np.abs(at[:, None] - at[None, :])
    may = sd_c**2 * (0.4 * np.eye(len(at)) + 0.6 * np.exp(-apart / _SOME_DAYS))
    may += _WANDER_C**2 * np.exp(-apart / _WANDER_DAYS)
    may += _LEVEL_SHARE**2 * np.outer(level, level) + share**2 * np.outer(gradient, gradient)
    anew = (_NEW_LEVEL * _lasting(level)) ** 2 + (_NEW_FORM * share * _lasting(gradient)) ** 2
    may += np.minimum.outer(np.cumsum(anew), np.cumsum(anew))
    found = onset(y, at, may, 2, len(at) - PERSISTS_DAYS - 1)
    slow = found.against_step > _SLOW
    least_c = max(LEAST_DRIFT_C, (_SLOWLY if slow else _AT_ONCE) * float(precision[index, index]) ** -0.5)
    signed = y * np.sign(found.change)
    before = max(float(np.median(signed[:BASELINE_DAYS])), float(np.median(signed[: found.index + 1])))
    tail = signed[-PERSISTS_DAYS:] - before
    lasts = float(tail.min()) > sd_c and float(np.median(tail)) > LEAST_DRIFT_C / 2.0
    enough = slow or found.index >= LEAST_DAYS - 1
    large = abs(found.change) > least_c
    return _Change(
        index,
        at,
        found,
        tells=large and lasts and enough and abs(found.score) >= TELLS,
        doubtful=abs(found.change) > 0.8 * least_c and lasts and abs(found.score) >= HOLDS,
    )


def _of_peers(peers: Values, x: Values) -> tuple[Values, Values]:
    """Level (C) and gradient (K per m) of the others, each less its mean."""
    level, x = peers.mean(axis=0), x - x.mean()
    gradient = x @ peers / float(x @ x) if np.ptp(x) > 0.05 else np.zeros(peers.shape[1])
    return level - level.mean(), gradient - gradient.mean()


def _lasting(series: Values) -> Values:
    """By how much each day is another than the day before, in what stays: running medians of a week (Tukey 1977)."""
    stays = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(series, 3, mode="edge"), 7), axis=1)
    return np.diff(stays, prepend=stays[0])
