"""Heading for the limit, harm near and harm reached: what a box's course says before it is there, and that it is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.notices.conditions import Condition, KindName, Rule, Sample, Where
from monitor.core.notices.doubts import blind, judged
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.limits import ahead, harm, inside, show_eta
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import show_difference, show_temperature, show_within
from monitor.core.terms.settings import Urgency
from monitor.values import dataclass

SURE: Final = 0.9
DOUBTFUL: Final = 0.5
# Air that is heated in pulses was seen to head for a limit for twenty minutes at a time, and turn (41 days of IEA Annex
# 58 twin houses: all but one); what went on for half an hour got there.
HEADING_DELAY_S: Final = 1800.0
DELAY_S: Final = 600.0
# "Now" when harm is most likely within so long.
SOON_S: Final = 6 * 3600.0
# Harm is near when it is as likely as not within so long.
NEAR_S: Final = 2 * 3600.0
LATELY_MS: Final = 2 * 3_600_000
LEAST_DAY_MS: Final = 12 * 3_600_000
# Whoever answered the notice of the limit has so much time to help.
ANSWERED_MS: Final = 2 * 3_600_000
GO_WARM: Final = "Go there now: heater off at the plug, lids lifted a little."
GO_COOL: Final = "Go there now: carry the boxes to warmth, without turning them."


def _sides(box: BoxNow) -> Iterable[tuple[bool, float]]:
    for warm, limit in ((False, box.limits.too_cool_c), (True, box.limits.too_warm_c)):
        if limit is not None:
            yield warm, limit


def _unlike_the_day(box: BoxNow, now_ms: int, warm: bool) -> bool:
    """Whether a box is warmer, or cooler, than at any time of its last day but the last hours.

    A room that warms up in the morning goes quickly towards a limit, too, and stops where it stopped the day before.
    """
    before = box.temperature_c[box.time_ms < now_ms - LATELY_MS]
    if box.now_c is None or len(before) < 2 or now_ms - int(box.time_ms[0]) < LEAST_DAY_MS:
        return False
    band = box.limits.deadband_c
    return box.now_c >= float(before.max()) + band if warm else box.now_c <= float(before.min()) - band


def _follows(box: BoxNow, snapshot: Snapshot, warm: bool) -> bool:
    """Whether another box of its stack is beyond the limit already, or was told to be heading for it.

    One cause: where the first is, the others will be, and each is told when it is there.
    """
    limit: KindName = "too-warm" if warm else "too-cool"
    for other in snapshot.room.boxes:
        if other.id == box.box.id or other.stack != box.box.stack:
            continue
        there, heading = snapshot.raised(limit, other.id), snapshot.raised("heading", other.id)
        if there is not None and not there.shelved(snapshot.now_ms):
            return True
        own = snapshot.raised("heading", box.box.id)
        if heading is None or heading.shelved(snapshot.now_ms) or own is not None:
            continue
        if heading.facts.get("warm") == int(warm):
            return True
    return False


def _look_heading(snapshot: Snapshot) -> Iterable[Look]:
    within_s = snapshot.room.watch.heading_s
    if within_s <= 0:
        return
    for box in snapshot.boxes:
        where, facts = Where.BACK, {}
        look = Look(box.box.id, (), f"box {box.box.id}", f"box {box.box.id}")
        if box.now_c is not None:
            now = show_temperature(box.now_c, snapshot.unit)
            look = replace(look, line=f"{look.where}: {now}, not heading for a limit", value=now)
        urgency: Urgency | None = None
        told = snapshot.raised("heading", box.box.id) is not None
        for warm, limit in _sides(box):
            now_c = box.now_c
            # What a suspect probe says is told at the limit, and no forecast is made of it.
            if now_c is None or blind(box.box.id, snapshot):
                continue
            alone = _unlike_the_day(box, snapshot.now_ms, warm) and not _follows(box, snapshot, warm)
            # Where it would not be told anyhow, its course is not asked for.
            course = box.course if alone or told else None
            if course is None:
                continue
            chance = course.chance(limit, within_s, snapshot.now_ms)
            eta = course.time_to(limit, snapshot.now_ms)
            # Once there, it is too warm or too cool, which is told as such.
            if (now_c >= limit if warm else now_c <= limit) or chance < DOUBTFUL or eta is None:
                continue
            sure = chance >= SURE and course.way == "two lags" and alone
            where = Where.BEYOND if sure else Where.BETWEEN
            shown = show_temperature(limit, snapshot.unit)
            rate = show_difference(abs(course.rate_c_per_h), snapshot.unit)
            look = replace(
                look,
                line=f"{look.where}: {show_within(now_c, 2 * box.uncertainty_c, snapshot.unit)}, limit {shown}, "
                f"{'rising' if warm else 'falling'} about {rate} an hour",
                more=(
                    f"{show_eta(eta).capitalize()} until it is too {'warm' if warm else 'cool'}.",
                    *ahead(box, limit, snapshot, warm),
                    *inside(box),
                ),
                limit=shown,
                worse=chance,
            )
            at_harm, _ = harm(box, limit, warm)
            urgency = "now" if course.chance(at_harm, SOON_S, snapshot.now_ms) >= SURE else "today"
            facts = {"limit_c": limit, "eta_s": round(eta.mid_s), "chance": round(chance, 2), "warm": int(warm)}
        yield replace(
            look,
            samples=[Sample(snapshot.now_ms, where)],
            rule=Rule(HEADING_DELAY_S, DELAY_S),
            facts=facts,
            urgency=urgency,
        )


def _look_harm(snapshot: Snapshot) -> Iterable[Look]:
    for box in snapshot.boxes:
        where, look = Where.BACK, _plain(box)
        for side in _told_sides(box, snapshot):
            chance = 0.0
            if box.course is not None and box.course.way == "two lags":
                chance = box.course.chance(side.at_harm_c, NEAR_S, snapshot.now_ms)
            where = Where.BEYOND if side.there or chance >= DOUBTFUL else Where.BETWEEN
            # Without an answer the notice of the limit, or of harm, is told again and again.
            answered_ms = side.told.acknowledged_ms
            reached = snapshot.raised("harm-reached", box.box.id)
            open_ = answered_ms is None or (reached is not None and reached.acknowledged_ms is None)
            if open_ or snapshot.now_ms - (answered_ms or 0) < ANSWERED_MS:
                where = Where.BETWEEN
            look = side.look
        yield replace(look, samples=[Sample(snapshot.now_ms, where)], rule=Rule(DELAY_S, DELAY_S))


def _look_reached(snapshot: Snapshot) -> Iterable[Look]:
    for box in snapshot.boxes:
        where, look = Where.BACK, _plain(box)
        for side in _told_sides(box, snapshot):
            told = side.told
            since_ms = _reached_ms(box, told.since_ms or 0, side.at_harm_c, snapshot, side.warm)
            # Where the limit itself was told since, that said so.
            new = since_ms is not None and (told.told_ms is None or told.told_ms < since_ms)
            where = Where.BEYOND if side.there and new and not told.shelved(snapshot.now_ms) else Where.BETWEEN
            look = side.look
        yield replace(look, samples=[Sample(snapshot.now_ms, where)], rule=Rule(off_delay_s=DELAY_S))


@dataclass(frozen=True, slots=True)
class _ToldSide:
    """A side on which a box is told as too warm or too cool, where harm begins on it, and whether it has come there."""

    warm: bool
    told: Condition
    at_harm_c: float
    there: bool
    look: Look


def _plain(box: BoxNow) -> Look:
    return Look(box.box.id, (), f"box {box.box.id}", f"box {box.box.id}")


def _told_sides(box: BoxNow, snapshot: Snapshot) -> Iterable[_ToldSide]:
    now_c = box.now_c
    for warm, limit in _sides(box):
        told = snapshot.raised("too-warm" if warm else "too-cool", box.box.id)
        if told is None or now_c is None:
            continue
        at_harm_c, _ = harm(box, limit, warm)
        there = now_c >= at_harm_c if warm else now_c <= at_harm_c
        shown = show_temperature(limit, snapshot.unit)
        seen = judged(box, snapshot, warm=warm).doubt
        look = replace(
            _plain(box),
            doubt=seen.text,
            line=f"box {box.box.id}: {show_within(now_c, 2 * box.uncertainty_c, snapshot.unit)}, limit {shown}",
            first=seen.first or (GO_WARM if warm else GO_COOL),
            more=(*ahead(box, limit, snapshot, warm), *inside(box)),
            value=show_temperature(now_c, snapshot.unit),
            limit=shown,
            worse=abs(now_c - limit),
        )
        yield _ToldSide(warm, told, at_harm_c, there, look)


def _reached_ms(box: BoxNow, from_ms: int, at_harm: float, snapshot: Snapshot, warm: bool) -> int | None:
    """When it came to be known that a box has reached where harm begins, from a time on; None: it has not."""
    after = box.time_ms >= from_ms
    there = after & ((box.temperature_c >= at_harm) if warm else (box.temperature_c <= at_harm))
    if not there.any():
        return None
    at_ms = int(box.time_ms[int(np.argmax(there))])
    inside = [p.heard for p in snapshot.probes if p.probe.box == box.box.id and p.heard is not None]
    return max([at_ms, *(int(t.received_ms[i]) for t in inside for i in np.flatnonzero(t.time_ms == at_ms))])


KINDS = (
    Kind(
        name="heading",
        says="Heading for the limit",
        urgency="today",
        raises="(only with [watch] heading) nine chances in ten that a box reaches a limit within that time, for "
        "half an hour, while it is warmer or cooler already than it ever was in its last day, and is the first of "
        "its stack",
        clears="the chance falls below a half, or the limit is reached",
        why="a heater that has died or sticks shows in the course long before the limit, and what is found early is "
        "mended early; now instead of today when harm is most likely within six hours",
        first="Look at the heater, its thermostat and breaker, doors and windows.",
        otherwise="The box is soon too warm or too cool.",
        look=_look_heading,
        groups=True,
        tell_cleared=False,
        keys=("watch.heading",),
    ),
    Kind(
        name="harm-near",
        says="Harm near",
        urgency="now",
        raises="two hours after a notice of too warm or too cool was answered, the box is still so, and is where harm "
        "is taken to begin or will as likely as not be there within two hours",
        clears="it is no longer too warm or too cool",
        why="an answered notice is not told again, and what was done has not helped",
        first="Go there now and bring the boxes back within their limits.",
        otherwise="Embryos are harmed or die.",
        look=_look_harm,
        groups=True,
        tell_cleared=False,
        reminded_by=("too-warm", "too-cool", "harm-reached"),
    ),
    Kind(
        name="harm-reached",
        says="Harm begins",
        urgency="now",
        raises="a box that is too warm or too cool reaches where harm is taken to begin, and was not told of since, "
        "answered or not",
        clears="it is no longer too warm or too cool",
        why="the notice of the limit was of a box that had time; this one has none, and the next reminder may be hours "
        "away",
        first="Go there now and bring the boxes back within their limits.",
        otherwise="Embryos are harmed or die.",
        look=_look_reached,
        groups=True,
        tell_cleared=False,
        reminded_by=("too-warm", "too-cool"),
    ),
)
