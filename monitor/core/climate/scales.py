"""Scales: from what stands on one, hour by hour, to weighings of a box.

A scale is touched: a lid is lifted, the box is carried away and put back, the scale is zeroed, water is given in the
morning and told in the evening. Water goes slowly, so an isolated step between two hours is none of its loss: what
comes back is left out as if it had not been weighed, water that was told is moved to the step that it made, and what
is left begins a new level, with which nothing of before is compared.

Times are ms UTC, hours since 1970, weights in grams.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.climate.water import GAIN_G, UNLIKE_SHARE, Given, OnScale, Weighing
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS
from monitor.values import dataclass

EMPTY_G: Final = 10.0
"""What weighs less is no box: the scale is empty. Judgement, no source."""
HOURS_LEAST: Final = 3
"""A weighing is the median of so many hours at least. Judgement, no source."""
AWAY_HOURS: Final = 72
"""What was away so long may come back to the level that it left. Judgement, no source."""
TOLD_HOURS: Final = 36
"""Water is told so much before or after it was given. Judgement, no source."""
BESIDE_HOURS: Final = 12
"""So near to eggs that came or went, and to water that made no step, nothing is weighed: the time that was told may be
off by as much. Judgement, no source."""
POURED_SHARE: Final = 0.3
"""By so much of it, what was poured may differ from what was told. Judgement, no source."""
NOISE_DAYS: Final = 7
"""From so many days on the middle of them says how much a scale wanders. Judgement, no source."""
_AWAY: Final = -1
_NEAR: Final = 6
_ISOLATED: Final = 5.0
_SDS: Final = 6.0


@dataclass(frozen=True, slots=True)
class _Pace:
    """What a scale does by itself: beyond ``limit_g`` a change is no noise; ``per_hour_g`` is its usual change."""

    limit_g: float
    per_hour_g: float

    def allows(self, jump_g: float, hours: float, of_g: float = 0.0) -> bool:
        """Whether so many hours may change so much, where ``of_g`` is said to have come."""
        usual_g = self.per_hour_g * hours
        return abs(jump_g - of_g - usual_g) <= max(self.limit_g, POURED_SHARE * of_g) + UNLIKE_SHARE * abs(usual_g)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Hours on end without a step, before index ``ends``; ``stood``: of how many hours its level consists by then."""

    ends: int
    level: int
    stood: int
    last_g: float


def by_scale(
    scale: str, sd_g: float, hours: Times, grams: Values, moves_ms: Sequence[int], given: Iterable[Given]
) -> OnScale:
    """Weighings from a scale's hourly medians, shape (n,), ``hours`` increasing: one for each day.

    The median of a day's hours is not moved by what happened in one of them. A day in which water was given or eggs
    came (``moves_ms``) has one before and one after.
    """
    told = sorted(given, key=lambda g: (g.at_ms, g.order))
    stands = grams >= EMPTY_G
    hours, grams = hours[stands], grams[stands]
    if len(hours) < HOURS_LEAST:
        return OnScale(given=tuple(told))
    pace = _pace(sd_g, hours, grams)
    level, seen = _levels(hours, grams, pace, told)
    water = [replace(g, at_ms=seen.get(i, g.at_ms)) for i, g in enumerate(told)]
    unseen = [g for i, g in enumerate(told) if i not in seen]
    kept = level != _AWAY
    for at_ms in (*moves_ms, *(g.at_ms for g in unseen)):
        kept &= abs(hours - at_ms // HOUR_MS) > BESIDE_HOURS
    hours, grams, level = hours[kept], grams[kept], level[kept]
    breaks = np.zeros(len(hours), np.int64)
    for g in unseen:
        # Water that the scale should have felt and did not: another box got it, or it was never given.
        at = int(np.searchsorted(hours, g.at_ms // HOUR_MS))
        before, after = grams[max(at - 3, 0) : at], grams[at : at + 3]
        if len(before) and len(after):
            jump_g = float(np.median(after) - np.median(before))
            breaks[at:] += not pace.allows(jump_g, float(hours[at] - hours[at - 1]), g.grams)
    changed = np.array(sorted({*moves_ms, *(g.at_ms for g in water)}), np.int64)
    piece = np.searchsorted(changed, (hours + 1) * HOUR_MS)
    whole = piece == np.searchsorted(changed, hours * HOUR_MS)
    groups: dict[tuple[int, int, int], list[int]] = defaultdict(list)
    for i in np.flatnonzero(whole):
        groups[int(hours[i]) // 24, int(piece[i]), int(level[i]) * (len(told) + 1) + int(breaks[i])].append(int(i))
    found = [
        Weighing(
            round(float(np.median(hours[those]) + 0.5) * HOUR_MS), float(np.median(grams[those])), sd_g, scale, level=on
        )
        for (_, _, on), those in groups.items()
        if len(those) >= HOURS_LEAST
    ]
    found.sort(key=lambda w: w.at_ms)
    sd_g = max(sd_g, _wander_g(found))
    return OnScale(tuple(replace(w, sd_g=sd_g) for w in found), tuple(sorted(water, key=lambda g: (g.at_ms, g.order))))


def _pace(sd_g: float, hours: Times, grams: Values) -> _Pace:
    change = np.diff(grams)[np.diff(hours) == 1]
    noise_g = 1.4826 * float(np.median(abs(change - np.median(change)))) if len(change) else 0.0
    later = np.searchsorted(hours, hours + 24)
    there = np.flatnonzero(hours[np.minimum(later, len(hours) - 1)] == hours + 24)
    a_day_g = float(np.median(grams[later[there]] - grams[there])) if len(there) else 0.0
    return _Pace(max(GAIN_G, 4 * math.sqrt(2.0) * sd_g, _SDS * noise_g), a_day_g / 24)


def _levels(hours: Times, grams: Values, pace: _Pace, told: Sequence[Given]) -> tuple[Times, dict[int, int]]:
    """The level of each hour, shape (n,), -1 where the box was away; and which of the told water made a step, when."""
    change, gap = np.diff(grams), np.diff(hours)
    edges = [0]
    for i in np.flatnonzero(abs(change) > pace.limit_g):
        if pace.allows(float(change[i]), float(gap[i])):
            continue
        # A lid that is off changes one hour after the other: that is no step.
        near = np.delete(change[max(i - _NEAR, 0) : i + _NEAR + 1], min(int(i), _NEAR))
        if not len(near) or abs(change[i]) > _ISOLATED * float(np.median(abs(near))):
            edges.append(int(i) + 1)
    level = np.zeros(len(hours), np.int64)
    seen: dict[int, int] = {}
    standing: list[_Stretch] = []
    for n, (begins, ends) in enumerate(zip(edges, [*edges[1:], len(hours)], strict=True)):
        if ends - begins < HOURS_LEAST:
            # Too short for a weighing: the hour in which something was done.
            level[begins:ends] = _AWAY
            continue
        on, stood = n, ends - begins
        back = _back(hours, grams, pace, standing, begins, ends, [(i, g) for i, g in enumerate(told) if i not in seen])
        if back is not None:
            place, water = back
            before = standing[place]
            level[before.ends : begins] = _AWAY
            on, stood = before.level, stood + before.stood
            if water is not None:
                seen[water] = int(hours[before.ends]) * HOUR_MS
            del standing[place + 1 :]
        level[begins:ends] = on
        last_g = float(np.median(grams[max(begins, ends - HOURS_LEAST) : ends]))
        standing.append(_Stretch(ends, on, stood, last_g))
    return level, seen


def _back(
    hours: Times,
    grams: Values,
    pace: _Pace,
    standing: Sequence[_Stretch],
    begins: int,
    ends: int,
    told: Sequence[tuple[int, Given]],
) -> tuple[int, int | None] | None:
    """Which stretch of before goes on here, and which water came between them; None: a new level begins.

    What lies between is left out, so it may not be longer than what it lies between.
    """
    now = int(hours[begins])
    starts_g = float(np.median(grams[begins : min(begins + HOURS_LEAST, ends)]))
    near = [(i, g) for i, g in told if abs(g.at_ms // HOUR_MS - now) <= TOLD_HOURS]
    lately = [
        (place, float(now - hours[s.ends - 1]), starts_g - s.last_g)
        for place, s in enumerate(standing)
        if now - hours[s.ends - 1] <= AWAY_HOURS and begins - s.ends <= max(s.stood, ends - begins)
    ]
    for place, away, jump_g in reversed(lately):
        if pace.allows(jump_g, away):
            return place, None
    for place, away, jump_g in reversed(lately):
        fits = [(abs(jump_g - g.grams), i) for i, g in near if pace.allows(jump_g, away, g.grams)]
        if fits:
            return place, min(fits)[1]
    return None


def _wander_g(found: Sequence[Weighing]) -> float:
    """What the days of a scale are uncertain by, by how far each lies from the line between its neighbours."""
    bends = [
        abs(a.grams - 2 * b.grams + c.grams)
        for a, b, c in zip(found, found[1:], found[2:], strict=False)
        if a.level == b.level == c.level
    ]
    if not bends:
        return 0.0
    # Of few the largest counts: one of them may be small by chance.
    usual_g = max(bends) if len(bends) < NOISE_DAYS else 1.4826 * float(np.median(bends))
    return usual_g / math.sqrt(6.0)
