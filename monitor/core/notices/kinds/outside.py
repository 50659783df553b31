"""Probes that do not tell of their box: one that came out of it, and one that has hung in the air all the time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.core.notices.conditions import Condition, Rule, holds
from monitor.core.notices.kinds import Facts, Kind, Look
from monitor.core.notices.peers import air_of, boxes_beside, corrected, heard_of, where_of
from monitor.core.notices.snapshot import ProbeNow, Snapshot
from monitor.core.readings.belief import FROM, RIGHT, UNTIL
from monitor.core.readings.out_of_box import (
    BLOCK_S,
    Back,
    InAir,
    Jumped,
    Series,
    back_again,
    damps,
    goes_with_air,
    in_air,
    jumped,
    left_box,
    restless,
)
from monitor.core.readings.probe_faults import stuck, swapped
from monitor.core.terms.formats import show_difference, show_temperature, show_time
from monitor.core.terms.settings import Urgency
from monitor.core.terms.times import HOUR_MS

# Until another reading or two agree; what is found here has been so for long.
RULE: Final = Rule(on_delay_s=300.0)
BLOCK_MS: Final = round(BLOCK_S * 1000)


@dataclass(frozen=True, slots=True)
class _Found:
    """By what it shows that a probe lies elsewhere, in words, and as facts; since when."""

    by: str
    text: str
    since_ms: int
    facts: Facts


@dataclass(frozen=True, slots=True)
class _Beside:
    """A box's probe and what it is judged by."""

    probe: ProbeNow
    own: Series
    air: tuple[str, Series] | None
    others: list[Series]

    @property
    def air_series(self) -> Series | None:
        return None if self.air is None else self.air[1]


def _inside(snapshot: Snapshot) -> Iterable[_Beside]:
    """The temperature probes of boxes."""
    for probe, _ in heard_of(snapshot):
        p, own = probe.probe, corrected(probe)
        if p.quantity == "temperature" and p.box is not None and snapshot.room.box(p.box) is not None and own:
            yield _Beside(probe, own, air_of(probe, snapshot), boxes_beside(probe, snapshot))


def _look_out(snapshot: Snapshot) -> Iterable[Look]:
    for beside in _inside(snapshot):
        p = beside.probe.probe
        before = snapshot.raised("probe-out", p.id)
        moves = in_air(beside.own, beside.air_series, beside.others, snapshot.now_ms)
        state: bool | None
        found = None
        facts: Facts = {} if before is None else before.facts
        line = f"{where_of(p)}: it does not follow the air"
        went = None if before is None else _went(before)
        if went is not None:
            found, facts = _still_elsewhere(beside, went, facts, snapshot)
            state = found is not None
            if not state:
                line = f"{where_of(p)}: it is back where its box must be"
        elif before is None and snapshot.raised("probe-in-air", p.id) is not None:
            state = False
        else:
            found = _out(beside, moves, snapshot)
            # The air is too still to tell: what was found stands.
            state = None if found is None and before is not None and moves is None and beside.air else found is not None
            if found is None and before is not None:
                facts = {**facts, UNTIL: max(snapshot.now_ms - BLOCK_MS, _from(facts, snapshot.now_ms))}
        urgency: Urgency | None = None
        if found is not None:
            beyond = "" if found.by == "jumped" else _beyond(beside, snapshot)
            urgency = "now" if beyond else "diary" if found.by == "alone" else None
            line = f"{where_of(p)}: {found.text}{beyond}"
            since_ms = found.since_ms if before is None else _from(facts, found.since_ms)
            facts = {"by": found.by, FROM: since_ms, **found.facts}
        yield Look(p.id, holds(snapshot.now_ms, state), f"probe {p.id}", line, RULE, facts, urgency)


def _from(facts: Facts, otherwise: int) -> int:
    value = facts.get(FROM)
    return value if isinstance(value, int) else otherwise


def _went(before: Condition) -> Jumped | None:
    """The move by which it was found, where it was found by one."""
    f = before.facts
    at, was, moved, apart = f.get(FROM), f.get("was_c"), f.get("moved_c"), f.get("apart_c")
    if not isinstance(at, int) or not isinstance(was, float) or not isinstance(moved, float):
        return None
    return Jumped(at, was, moved, apart if isinstance(apart, float) else None)


def _still_elsewhere(beside: _Beside, went: Jumped, facts: Facts, snapshot: Snapshot) -> tuple[_Found | None, Facts]:
    """What is to be said of a probe that went elsewhere while it is there, and how it came back."""
    back = back_again(beside.own, beside.others, went.at_ms, went.was_c, went.moved_c, went.apart_c)
    if isinstance(back, Back):
        return None, {**facts, UNTIL: back.at_ms, RIGHT: int(not back.suddenly)}
    return _of_move(went, beside, snapshot), facts


def _of_move(went: Jumped, beside: _Beside, snapshot: Snapshot) -> _Found:
    unit = snapshot.unit
    now_c = float(beside.own[1][-1])
    side = "fell" if went.moved_c < 0 else "rose"
    others = ", and the other boxes did not" if beside.others else ""
    text = (
        f"at about {show_time(went.at_ms, snapshot.zone, snapshot.now_ms)} it {side} by "
        f"{show_difference(abs(went.moved_c), unit)} faster than any box can{others}; it says "
        f"{show_temperature(now_c, unit)} and most likely lies elsewhere, or fails (not certain)"
    )
    facts = {"was_c": went.was_c, "moved_c": went.moved_c, "apart_c": went.apart_c}
    return _Found("jumped", text, went.at_ms, facts)


def _out(beside: _Beside, moves: InAir | bool | None, snapshot: Snapshot) -> _Found | None:
    """By what it shows that a probe lies in the air, or elsewhere; None: nothing shows it."""
    name, now_ms = beside.probe.probe.id, snapshot.now_ms
    before = snapshot.raised("probe-out", name)
    if before is None and (went := _moved_out(beside, snapshot)) is not None:
        return went
    if (
        isinstance(moves, InAir)
        and (moves.news or before is not None)
        and not _explained(beside, moves.since_ms, snapshot)
    ):
        return _of_air(moves, beside, snapshot)
    if beside.air is None or isinstance(moves, bool | InAir):
        return None
    gust = goes_with_air(beside.own, beside.air[1], beside.others, now_ms)
    if gust is None or _explained(beside, gust.at_ms, snapshot) or restless(beside.own, gust.at_ms, now_ms):
        return None
    text = (
        f"it followed the air (probe {beside.air[0]}) by {show_difference(abs(gust.moved_c), snapshot.unit)} of "
        f"{show_difference(abs(gust.air_c), snapshot.unit)} within a quarter of an hour, at "
        f"{show_time(gust.at_ms, snapshot.zone, now_ms)}, as no box can and the others did not"
    )
    return _Found("gust", text, gust.at_ms, {})


def _of_air(moves: InAir, beside: _Beside, snapshot: Snapshot) -> _Found:
    since = show_time(moves.since_ms, snapshot.zone, snapshot.now_ms)
    if beside.air is None:
        text = (
            f"since about {since} its temperature goes up and down as no closed box can, as it did not before and "
            "the other boxes do not; either it lies in the air, or the box is open, or something blows at it"
        )
        return _Found("alone", text, moves.since_ms, {})
    was = "" if moves.before is None else f", before {100 * max(moves.before, 0.0):.0f} %"
    others = "" if moves.others is None else f", the other boxes {100 * max(moves.others, 0.0):.0f} %"
    text = (
        f"since about {since} it follows each rise and fall of the air (probe {beside.air[0]}) at once, by "
        f"{100 * moves.share:.0f} %{was}{others}; a closed box does not (rather sure, not certain)"
    )
    return _Found("moves", text, moves.since_ms, {})


def _moved_out(beside: _Beside, snapshot: Snapshot) -> _Found | None:
    """A sudden move to the air's temperature, or to any other, that no box makes."""
    now_ms, unit = snapshot.now_ms, snapshot.unit
    left = left_box(beside.own, beside.air[1], now_ms, beside.others) if beside.air is not None else None
    if left is not None and beside.air is not None and _is_news(beside, left.move, snapshot):
        sure = "rather sure" if left.before_c >= 4 * max(left.since_c, 0.1) else "likely"
        found = _of_move(left.move, beside, snapshot)
        text = (
            f"it went to the temperature of the air (probe {beside.air[0]}) faster than a box can, and has "
            f"stayed within {show_difference(left.since_c, unit)} of it since "
            f"{show_time(left.at_ms, snapshot.zone, now_ms)}; before it was "
            f"{show_difference(left.before_c, unit)} away ({sure}, not certain)"
        )
        return _Found("jumped", text, found.since_ms, found.facts)
    went = jumped(beside.own, beside.air_series, beside.others, now_ms)
    if went is not None and _is_news(beside, went, snapshot):
        return _of_move(went, beside, snapshot)
    return None


def _is_news(beside: _Beside, went: Jumped, snapshot: Snapshot) -> bool:
    return not _explained(beside, went.at_ms, snapshot) and not restless(beside.own, went.at_ms, snapshot.now_ms)


def _beyond(beside: _Beside, snapshot: Snapshot) -> str:
    """In words, when what it says is beyond a limit of its box; else nothing."""
    box = next((b for b in snapshot.boxes if b.box.id == beside.probe.probe.box), None)
    if box is None or not len(beside.own[1]):
        return ""
    value, low, high = float(beside.own[1][-1]), box.limits.too_cool_c, box.limits.too_warm_c
    limit = low if low is not None and value <= low else high if high is not None and value >= high else None
    if limit is None:
        return ""
    return (
        f"; it says {show_temperature(value, snapshot.unit)}, beyond the limit of "
        f"{show_temperature(limit, snapshot.unit)}: if the box is closed, its eggs follow slowly, and are told of when "
        "they too may be beyond it; if it is open, they are as warm as that now"
    )


def _explained(beside: _Beside, left_ms: int, snapshot: Snapshot) -> bool:
    """Whether something else that was found of the probe explains that it went elsewhere then: it was told already and
    came back, it was or is stuck, it speaks another unit, or it changed places with another.

    Box and air are often equally warm: then being with the air comes and goes, and only the first time is news.
    """
    name = beside.probe.probe.id
    before = snapshot.condition("probe-out", name)
    if before is not None and not before.up and before.changed_ms is not None and before.changed_ms >= left_ms:
        return True
    for held in (snapshot.condition("probe-stuck", name), snapshot.condition("probe-unit", name)):
        if held is not None and held.changed_ms is not None:
            until = held.facts.get(UNTIL)
            ended_ms = until if isinstance(until, int) else held.changed_ms
            if held.up or abs(held.changed_ms - left_ms) <= HOUR_MS or abs(ended_ms - left_ms) <= HOUR_MS:
                return True
    if stuck(beside.own, (), snapshot.now_ms, steps=True) is not None:
        return True
    exchanged = (swapped(beside.own, other, snapshot.now_ms) for other in beside.others)
    return any(at is not None and abs(at - left_ms) <= HOUR_MS for at in exchanged)


def _look_in_air(snapshot: Snapshot) -> Iterable[Look]:
    for beside in _inside(snapshot):
        p, now_ms = beside.probe.probe, snapshot.now_ms
        before = snapshot.raised("probe-in-air", p.id)
        found = _always(beside, snapshot) if snapshot.raised("probe-out", p.id) is None else ""
        state: bool | None = bool(found)
        if before is not None and not found:
            state = False if beside.air is not None and damps(beside.own, beside.air[1], now_ms) else None
        line = f"{where_of(p)}: {found or 'it moves as a box does'}"
        yield Look(p.id, holds(now_ms, state), f"probe {p.id}", line, RULE)


def _always(beside: _Beside, snapshot: Snapshot) -> str:
    """In words, by what a probe shows that it has hung in the air as far as is known; empty: it does not."""
    now_ms = snapshot.now_ms
    moves = in_air(beside.own, beside.air_series, beside.others, now_ms)
    if isinstance(moves, InAir) and not moves.news and beside.air is not None:
        return (
            f"all that is known of it follows the air (probe {beside.air[0]}) at once, now by {100 * moves.share:.0f} %"
            ", as no closed box does; if its box is not open, it hangs in the air"
        )
    at = beside.own[0]
    if len(at) and restless(beside.own, int(at[-1]), now_ms) and not _air_moves(beside):
        return "it moves as suddenly as no closed box can, again and again; if its box is not open, it hangs in the air"
    return ""


def _air_moves(beside: _Beside) -> bool:
    """Whether the other boxes are as restless: then it is how the room is."""
    if not beside.others:
        return False
    now_ms = int(beside.own[0][-1])
    return bool(np.mean([restless(s, now_ms, now_ms) for s in beside.others]) >= 0.5)


KINDS = (
    Kind(
        name="probe-out",
        says="Probe out of its box",
        urgency="today",
        raises="a box's probe goes elsewhere, to the air's temperature or any other, faster than a box can, and stays "
        "there; or for three hours, or in one sudden move, it follows the air at once, as the other boxes do not",
        clears="it is back, as suddenly or slowly; or it no longer follows the air",
        why="a probe that fell out, or was not put back, tells of the room and not of the eggs",
        first="Look whether the probe lies beside the eggs; put it back.",
        otherwise="The box is not measured: its development is filled from the others, its limits are doubtful.",
        look=_look_out,
        cleared_says="Probe back in its box",
    ),
    Kind(
        name="probe-in-air",
        says="Probe hangs in the air?",
        urgency="diary",
        raises="all that is known of a box's probe follows the air at once, or it makes sudden moves again and again, "
        "as no closed box does and the other boxes do not",
        clears="for a day it damps what the air does",
        why="a probe that is always like this did not fall out: it is asked once, and not suspected again",
        first="If it is to hang in the air, give it stack and height_cm in place of box; else put it into its box.",
        otherwise="The box is taken to be as warm as the air around it.",
        look=_look_in_air,
        tell_cleared=False,
    ),
)
