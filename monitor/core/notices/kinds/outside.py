"""Probes that do not tell of their box: one that came out of it, and one that has hung in the air all the time."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property
from typing import Any, Final

import numpy as np

from monitor.core.notices.conditions import Condition, Rule, holds
from monitor.core.notices.doubts import LOOK_AT_BOX, others_of_blind
from monitor.core.notices.kinds import Facts, Kind, Look
from monitor.core.notices.peers import air_of, boxes_beside, heard_of, where_of
from monitor.core.notices.snapshot import ProbeNow, Snapshot
from monitor.core.readings.belief import FROM, RIGHT, UNTIL
from monitor.core.readings.gusts import always_goes_with_air, goes_with_air
from monitor.core.readings.out_of_box import (
    BLOCK_S,
    ELSEWHERE_C,
    NEAR_C,
    RESTLESS,
    InAir,
    Jumped,
    air_went,
    back_again,
    damps,
    in_air,
    jumped,
    left_box,
    restless,
    settled,
)
from monitor.core.readings.probe_faults import stuck, swapped
from monitor.core.readings.series import Series
from monitor.core.terms.formats import show_difference, show_since, show_temperature
from monitor.core.terms.settings import Urgency
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.values import dataclass

# Until another reading or two agree; what is found here has been so for long.
RULE: Final = Rule(on_delay_s=300.0)
OPEN: Final = "If its box is not open, it hangs in the air."
BLOCK_MS: Final = round(BLOCK_S * 1000)
# The first readings after that may still come to stand beside such times.
REDATED_MS: Final = 30 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class _Elsewhere:
    """By what it shows that a probe lies elsewhere, in a line and in more sentences, and as facts; since when.
    ``value``: for a title."""

    by: str
    line: str
    since_ms: int
    facts: Facts
    more: tuple[str, ...]
    value: str


@dataclass(frozen=True)
class _Beside:
    """A box's probe and what it is judged by, at ``now_ms``; ``believed``: what it said while it was not told as
    elsewhere, which says how it always is."""

    probe: ProbeNow
    own: Series
    believed: Series
    air: tuple[str, Series] | None
    others: list[Series]
    now_ms: int

    @property
    def air_series(self) -> Series | None:
        return None if self.air is None else self.air[1]

    @cached_property
    def moves(self) -> InAir | bool | None:
        """Whether it lies in the air, by how it moves."""
        return in_air(self.own, self.air_series, self.others, self.now_ms)

    @cached_property
    def always_moves(self) -> InAir | bool | None:
        """The same by what is believed of it, which nearly always is all."""
        if self.believed is self.own:
            return self.moves
        return in_air(self.believed, self.air_series, self.others, self.now_ms)


def _inside(snapshot: Snapshot) -> list[_Beside]:
    """The temperature probes of boxes."""
    found = []
    for probe, _ in heard_of(snapshot):
        p, own = probe.probe, probe.corrected
        if p.quantity == "temperature" and p.box is not None and snapshot.room.box(p.box) is not None and own:
            good = snapshot.belief.mask(p.id, own[0], "peers")
            believed = own if good.all() else (own[0][good], own[1][good])
            air, others = air_of(probe, snapshot), boxes_beside(probe, snapshot)
            found.append(_Beside(probe, own, believed, air, others, snapshot.now_ms))
    return found


def _look_out(snapshot: Snapshot) -> Iterable[Look]:
    for beside in snapshot.once(_inside):
        p = beside.probe.probe
        before = snapshot.raised("probe-out", p.id)
        moves = beside.moves
        state: bool | None
        found = None
        facts: Facts = {} if before is None else before.facts
        line = f"{where_of(p)}: it does not follow the air"
        went = None if before is None else _went(before)
        if before is not None and went is not None:
            found, facts = _still_elsewhere(beside, before, went, moves, snapshot)
            state = found is not None
            if not state:
                line = f"{where_of(p)}: it is back where its box must be"
        elif before is None and snapshot.raised("probe-in-air", p.id) is not None:
            state = False
        else:
            found = _out(beside, moves, snapshot)
            state, quiet_ms = found is not None, BLOCK_MS
            if found is None and before is not None and moves is None and beside.air:
                # The air is too still to tell: what was found stands, but for a day at most if nothing else bears it.
                state, quiet_ms = (False, DAY_MS) if _settled(beside, before, None, snapshot) else (None, 0)
            if found is None and before is not None:
                facts = {**facts, UNTIL: max(snapshot.now_ms - quiet_ms, _from(facts, snapshot.now_ms))}
        urgency: Urgency | None = None
        told: dict[str, Any] = {}
        if found is not None:
            too, cold = others_of_blind(str(p.box), snapshot, unseen=True)
            beyond = () if found.by == "jumped" else _beyond(beside, snapshot)
            urgency = "now" if beyond or cold else "later" if found.by == "alone" else None
            line = f"{where_of(p)}: {found.line}"
            told = {"more": (*beyond, *found.more), "value": found.value, "doubt": too}
            told |= {"first": LOOK_AT_BOX} if cold else {}
            since_ms = found.since_ms if before is None else _from(facts, found.since_ms)
            facts = {"by": found.by, FROM: since_ms, **found.facts}
        yield Look(p.id, holds(snapshot.now_ms, state), f"probe {p.id}", line, RULE, facts, urgency, **told)


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


def _still_elsewhere(
    beside: _Beside, before: Condition, went: Jumped, moves: InAir | bool | None, snapshot: Snapshot
) -> tuple[_Elsewhere | None, Facts]:
    """What is to be said of a probe that went elsewhere while it is there, and how it came back.

    Where its box has come to be as warm as the air, only how it moves tells: air itself goes up and down by what it
    went. It was right all the time when it came back slowly and damps what the air does. And nothing is held against it
    for ever: a day of behaving as a box does ends it as well.
    """
    facts = before.facts
    back = back_again(beside.own, beside.others, went.at_ms, went.was_c, went.moved_c, went.apart_c)
    in_doubt = isinstance(moves, InAir) or (moves is None and beside.air is not None)
    if back is not None and (not in_doubt or (back.suddenly and _shows(beside, went))):
        right = not back.suddenly and moves is False
        return None, {**facts, UNTIL: back.at_ms, RIGHT: int(right)}
    if _redated(beside, snapshot):
        return None, {**facts, UNTIL: went.at_ms, RIGHT: 1}
    if not isinstance(moves, InAir) and _settled(beside, before, went.apart_c, snapshot):
        return None, {**facts, UNTIL: max(snapshot.now_ms - DAY_MS, went.at_ms), RIGHT: 0}
    return _of_move(went, beside, snapshot), facts


def _redated(beside: _Beside, snapshot: Snapshot) -> bool:
    """Whether its clock was found wrong, or right again, just now, and by the times as they are read since then there
    never was a move."""
    clock = snapshot.condition("probe-clock", beside.probe.probe.id)
    if clock is None or clock.changed_ms is None or not 0 <= snapshot.now_ms - clock.changed_ms <= REDATED_MS:
        return False
    left = left_box(beside.own, beside.air[1], snapshot.now_ms, beside.others) if beside.air is not None else None
    return left is None and jumped(beside.own, beside.air_series, beside.others, snapshot.now_ms) is None


def _settled(beside: _Beside, before: Condition, apart_c: float | None, snapshot: Snapshot) -> bool:
    """Whether for a day since it was told nothing has borne it out: what was wrong is its reference, or its box stands
    elsewhere now. Where nothing else can tell, neither air nor another box, only after the keeper has answered."""
    since_ms, now_ms = before.changed_ms, snapshot.now_ms
    if not beside.others and (beside.air is None or not damps(beside.own, beside.air[1], now_ms)):
        since_ms = before.acknowledged_ms
    return (
        since_ms is not None
        and now_ms - since_ms >= DAY_MS
        and settled(beside.own, beside.air_series, beside.others, apart_c, now_ms)
    )


def _shows(beside: _Beside, went: Jumped) -> bool:
    """Whether a sudden return is none of the air's own moves: it was a large one, or led away from the air."""
    if beside.air is None or abs(went.moved_c) >= ELSEWHERE_C or not len(beside.air[1][1]):
        return True
    own_c, air_c = (float(np.median(v[-3:])) for v in (beside.own[1], beside.air[1][1]))
    return abs(own_c - air_c) >= max(NEAR_C, 0.25 * abs(went.moved_c))


def _of_move(went: Jumped, beside: _Beside, snapshot: Snapshot) -> _Elsewhere:
    unit = snapshot.unit
    now_c = float(beside.own[1][-1])
    side = "fell" if went.moved_c < 0 else "rose"
    moved = show_difference(abs(went.moved_c), unit)
    at = show_since(went.at_ms, snapshot.zone, snapshot.now_ms)
    line = f"at about {at} it {side} by {moved} faster than any box can"
    more = (
        f"It says {show_temperature(now_c, unit)} and most likely lies elsewhere, or fails, which is not certain.",
        *(["The other boxes did not move so."] if beside.others else []),
    )
    facts = {"was_c": went.was_c, "moved_c": went.moved_c, "apart_c": went.apart_c}
    return _Elsewhere("jumped", line, went.at_ms, facts, more, f"{side} {moved}")


def _out(beside: _Beside, moves: InAir | bool | None, snapshot: Snapshot) -> _Elsewhere | None:
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
    if gust is None or _explained(beside, gust.at_ms, snapshot) or restless(beside.believed, gust.at_ms, now_ms):
        return None
    moved, air = (show_difference(abs(c), snapshot.unit) for c in (gust.moved_c, gust.air_c))
    at = show_since(gust.at_ms, snapshot.zone, now_ms)
    return _Elsewhere(
        "gust",
        f"at {at} it {'fell' if gust.moved_c < 0 else 'rose'} by {moved} with the air, as no closed box can",
        gust.at_ms,
        {},
        (f"The air (probe {beside.air[0]}) moved by {air} within the same quarter of an hour, other boxes did not.",),
        f"{moved} with the air",
    )


def _of_air(moves: InAir, beside: _Beside, snapshot: Snapshot) -> _Elsewhere:
    since = f"since {show_since(moves.since_ms, snapshot.zone, snapshot.now_ms)}"
    more: tuple[str, ...]
    if beside.air is None:
        more = (
            "Either it lies in the air, or the box is open, or something blows at it.",
            "It did not before, and the other boxes do not.",
        )
        return _Elsewhere(
            "alone", f"it goes up and down as no closed box can, {since}", moves.since_ms, {}, more, since
        )
    was = "" if moves.before is None else f", before by {100 * max(moves.before, 0.0):.0f} %"
    others = "" if moves.others is None else f", the other boxes by {100 * max(moves.others, 0.0):.0f} %"
    more = (
        f"It follows the air by {100 * moves.share:.0f} %{was}{others}.",
        "A closed box does not. That is rather sure, not certain.",
        f"The air is that of probe {beside.air[0]}.",
    )
    line = f"it follows each rise and fall of the air at once, {since}"
    return _Elsewhere("moves", line, moves.since_ms, {}, more, since)


def _moved_out(beside: _Beside, snapshot: Snapshot) -> _Elsewhere | None:
    """A sudden move to the air's temperature, or to any other, that no box makes."""
    now_ms, unit = snapshot.now_ms, snapshot.unit
    left = left_box(beside.own, beside.air[1], now_ms, beside.others) if beside.air is not None else None
    if left is not None and beside.air is not None and _is_news(beside, left.move, snapshot):
        sure = "rather sure" if left.before_c >= 4 * max(left.since_c, 0.1) else "likely"
        found = _of_move(left.move, beside, snapshot)
        since = f"since {show_since(left.at_ms, snapshot.zone, now_ms)}"
        more = (
            f"It went there faster than a box can. That is {sure}, not certain.",
            f"It has stayed within {show_difference(left.since_c, unit)} of probe {beside.air[0]}.",
            f"Before it was {show_difference(left.before_c, unit)} away.",
        )
        return _Elsewhere("jumped", f"it is at the air's temperature {since}", found.since_ms, found.facts, more, since)
    went = jumped(beside.own, beside.air_series, beside.others, now_ms)
    if went is not None and _is_news(beside, went, snapshot):
        return _of_move(went, beside, snapshot)
    return None


def _is_news(beside: _Beside, went: Jumped, snapshot: Snapshot) -> bool:
    # What was said before its clock was found wrong, or right again, stands at wrong times: no move is seen by it.
    clock = snapshot.condition("probe-clock", beside.probe.probe.id)
    if clock is not None and clock.changed_ms is not None and went.at_ms <= clock.changed_ms + REDATED_MS:
        return False
    # What went with the air, and has gone so before, did not fall out now.
    times = 1 if beside.air is not None and air_went(beside.air[1], went, beside.own) else RESTLESS
    often = restless(beside.believed, went.at_ms, snapshot.now_ms, times)
    return not often and not _explained(beside, went.at_ms, snapshot)


def _beyond(beside: _Beside, snapshot: Snapshot) -> tuple[str, ...]:
    """In sentences, when what it says is beyond a limit of its box; else nothing."""
    box = next((b for b in snapshot.boxes if b.box.id == beside.probe.probe.box), None)
    if box is None or not len(beside.own[1]):
        return ()
    value, low, high = float(beside.own[1][-1]), box.limits.too_cool_c, box.limits.too_warm_c
    limit = low if low is not None and value <= low else high if high is not None and value >= high else None
    if limit is None:
        return ()
    says, shown = show_temperature(value, snapshot.unit), show_temperature(limit, snapshot.unit)
    return (
        f"It says {says}, beyond the limit of {shown}: if the box is open, its eggs are at that now.",
        "If it is closed, they follow slowly, and are told of when they too may be beyond it.",
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
    for beside in snapshot.once(_inside):
        p, now_ms = beside.probe.probe, snapshot.now_ms
        before = snapshot.raised("probe-in-air", p.id)
        found, more = _always(beside, snapshot) if snapshot.raised("probe-out", p.id) is None else ("", ())
        state: bool | None = bool(found)
        if before is not None and not found:
            state = False if beside.air is not None and damps(beside.own, beside.air[1], now_ms) else None
        line = f"{where_of(p)}: {found or 'it moves as a box does'}"
        yield Look(p.id, holds(now_ms, state), f"probe {p.id}", line, RULE, more=more)


def _always(beside: _Beside, snapshot: Snapshot) -> tuple[str, tuple[str, ...]]:
    """In a line and more sentences, by what a probe shows that it has hung in the air as far as is known; empty: it
    does not."""
    now_ms = snapshot.now_ms
    moves = beside.always_moves
    if isinstance(moves, InAir) and not moves.news and beside.air is not None:
        by = f"Now it follows probe {beside.air[0]} by {100 * moves.share:.0f} %."
        return "it has always followed the air at once, as no closed box does", (OPEN, by)
    if beside.air is not None and (n := always_goes_with_air(beside.believed, beside.air[1], beside.others, now_ms)):
        by = f"It went along with probe {beside.air[0]} each of the {n} times at which that moved suddenly."
        return "it has always followed the air at once, as no closed box does", (OPEN, by)
    # A closed box makes sudden moves too, where the air makes very large ones: without its probe nobody knows.
    at = beside.believed[0]
    if beside.air is not None or not len(at) or snapshot.raised("probe-jumps", beside.probe.probe.id) is not None:
        return "", ()
    if (
        beside.others
        and restless(beside.believed, int(at[-1]), now_ms)
        and not any(restless(s, now_ms, now_ms) for s in beside.others)
    ):
        return "it moves as suddenly as no closed box can, again and again", (OPEN,)
    return "", ()


KINDS = (
    Kind(
        name="probe-out",
        says="Probe out of its box",
        urgency="today",
        raises="a box's probe goes elsewhere, to the air's temperature or any other, faster than a box can, and stays "
        "there; or for three hours, or in one sudden move, it follows the air at once, as the other boxes do not",
        clears="it is back, as suddenly or slowly; or it no longer follows the air; or for a day it moves as a box "
        "does, near the other boxes",
        why="a probe that fell out, or was not put back, tells of the room and not of the eggs",
        first="See whether the probe lies beside the eggs; put it back.",
        otherwise="The box is not measured: filled from others, limits doubtful.",
        look=_look_out,
        dated=True,
        cleared_says="Probe back in its box",
    ),
    Kind(
        name="probe-in-air",
        says="Probe perhaps in the air",
        urgency="later",
        raises="as long as it is known a box's probe has followed the air at once, or it makes sudden moves again and "
        "again, as no closed box does and the other boxes do not",
        clears="for a day it damps what the air does",
        why="a probe that is always like this did not fall out: it is asked once, and not suspected again",
        first="Put it into its box; or give it stack and height_cm, not box.",
        otherwise="The box is taken to be as warm as the air around it.",
        look=_look_in_air,
        tell_cleared=False,
    ),
)
