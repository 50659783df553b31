"""What has one cause is told together, and nothing is lost by it, whatever happens."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from types import MappingProxyType

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.core.notices.conditions import Condition, Phase, Rule, Sample, Transition, Where
from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.grouping import GATHER_MS, tell
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.notice import Notice
from monitor.core.notices.routing import audiences, routes
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.settings import Box, Channel, Room, Urgency, Watch
from tests.core.timeline import Run as Course
from tests.core.timeline import Script, a_room
from tests.examples import at_most

START = 1_780_000_000_000
MINUTE = 60_000
BOXES = ("a", "b", "c", "d")
# Boxes a and b stand in one stack, c and d in another.
STACKS = {"a": "left", "b": "left", "c": "right", "d": "right"}
ROOM = Room(
    "r", "UTC", "C", ("left", "right"), tuple(Box(b, STACKS[b], 10.0) for b in BOXES), (),
    watch=Watch(repeat_now_s=1800.0, repeat_today_s=21600.0),
)  # fmt: skip
CHANNELS = (
    Channel("all", "x://"),
    Channel("loud", "x://", urgencies=("now",)),
    Channel("right", "x://", stacks=("right",)),
    Channel("loud-left", "x://", urgencies=("now",), stacks=("left",)),
)
State = tuple[bool, Urgency]


def a_kind(states: Mapping[str, State], *, delay_s: float = 0.0, **more: object) -> Kind:
    """Boxes that are bad, each with its urgency."""

    def look(snapshot: Snapshot) -> Iterable[Look]:
        for box, (bad, urgency) in states.items():
            where = Where.BEYOND if bad else Where.BACK
            sample = Sample(snapshot.now_ms, where)
            yield Look(box, [sample], f"box {box}", f"box {box} is bad", Rule(delay_s, 0.0), urgency=urgency)

    base = Kind("bad", "Bad", "now", "r", "c", "w", "Mend it.", "Worse.", look, groups=True)
    return replace(base, **more)  # type: ignore[arg-type]


class Run:
    """Ticks of one kind, with the conditions and the ways of each notice kept."""

    def __init__(self, room: Room = ROOM, channels: Sequence[Channel] = CHANNELS) -> None:
        self.room, self.channels = room, channels
        self.conditions: dict[tuple[str, str], Condition] = {}
        self.told: list[tuple[float, Notice, set[str]]] = []
        self.outcomes: list[Outcome] = []

    def tick(self, minute: float, kind: Kind) -> list[Notice]:
        now_ms = START + round(minute * MINUTE)
        apart = audiences(self.channels, self.room.stacks)
        snapshot = Snapshot(
            now_ms, self.room, UTC, Service(START), conditions=dict(self.conditions), audiences=apart
        )  # fmt: skip
        outcome = evaluate(snapshot, [kind])
        self.conditions |= {c.key: c for c in outcome.conditions}
        self.outcomes.append(outcome)
        for notice in outcome.notices:
            ways = routes(notice, self.channels, self.room.watch, UTC, snapshot.stack_of)
            self.told.append((minute, notice, {way.channel for way in ways}))
        return list(outcome.notices)

    def answer(self, box: str, minute: float) -> None:
        key = "bad", box
        self.conditions[key] = replace(self.conditions[key], acknowledged_ms=START + round(minute * MINUTE))


def heater_dead(run: Run, crossing: Mapping[str, float], until: float = 300.0) -> list[str]:
    """Boxes that cross their limit one after the other; when something is told, how, and of what."""
    shown = []
    minute = 0.0
    while minute <= until:
        states: dict[str, State] = {box: (minute >= at, "now") for box, at in crossing.items()}
        for n in run.tick(minute, a_kind(states)):
            shown.append(f"{minute:.0f} {n.change} {n.urgency} {' '.join(n.subjects)}")
        minute += 5.0
    return shown


ONE = replace(ROOM, stacks=("left",), boxes=tuple(Box(b, "left", 10.0) for b in BOXES))
# A keeper who has switched the repeats off.
NEVER = Watch(repeat_now_s=0.0, repeat_today_s=0.0)
ONCE = replace(ONE, watch=NEVER)
DYING = {"a": 0.0, "b": 20.0, "c": 45.0, "d": 80.0}


def test_with_the_heater_dead_a_box_that_follows_is_told_again_after_half_an_hour_with_the_others() -> None:
    alone = heater_dead(Run(ONE), {"a": 0.0})
    assert alone == ["0 raised now a", "30 still now a", "90 still now a", "210 still now a"]
    assert heater_dead(Run(ONE), DYING) == [
        "0 raised now a",
        "30 raised now b a",
        # b is due half an hour after its first telling, and c comes with it; so it goes on with the newest.
        "60 raised now c a b",
        "90 raised now d a b c",
        "120 still now a b c d",
        "180 still now a b c d",
        "300 still now a b c d",
    ]


def test_with_the_first_answered_the_others_come_in_one_notice_each_half_hour() -> None:
    run, shown = Run(ONCE), []
    for minute in range(0, 200, 5):
        states: dict[str, State] = {box: (minute >= at, "now") for box, at in DYING.items()}
        shown += [(minute, n.change, n.subjects) for n in run.tick(minute, a_kind(states))]
        if minute == 0:
            run.answer("a", 1)
    assert shown == [(0, "raised", ("a",)), (50, "raised", ("b", "c")), (110, "raised", ("d",))]
    assert run.told[1][1].title == "Also bad: box b, box c"


def test_what_is_given_to_be_told_is_left_as_it_was() -> None:
    """Told again, raised along and over at once: all of it comes back, and nothing is changed in place."""
    now_ms = START + 60 * MINUTE
    kind = a_kind({"a": (True, "now"), "b": (True, "now"), "c": (False, "now")})
    told = Condition("bad", "a", Phase.RAISED, START, START, None, START, told_ms=START, told=1, told_as="now")
    rising = Condition("bad", "b", Phase.RISING, delay_from_ms=now_ms - MINUTE, last_ms=now_ms)
    over = Condition("bad", "c", Phase.CLEAR, now_ms, now_ms, None, now_ms, told_ms=START, told=1, told_as="now")
    given = {c.subject: c for c in (told, rising, over)}
    before = {**{c.key: c for c in (told, rising)}, over.key: replace(over, phase=Phase.RAISED)}
    moves = (Transition("bad", "c", "cleared", now_ms, now_ms, "back"),)
    snapshot = Snapshot(now_ms, ONE, UTC, Service(START), conditions=MappingProxyType(before))
    looks = MappingProxyType({look.subject: look for look in kind.look(snapshot)})
    found = tell(kind, MappingProxyType(given), moves, looks, snapshot)
    assert given == {"a": told, "b": rising, "c": over}
    assert [t.subject for t in found.along] == ["b"]
    assert [c.subject for c in found.again] == ["a"]
    assert {s: (c.phase, c.told, c.told_ms) for s, c in found.conditions.items()} == {
        "a": (Phase.RAISED, 2, now_ms), "b": (Phase.RAISED, 1, now_ms), "c": (Phase.CLEAR, 1, START),
    }  # fmt: skip
    assert found.conditions["c"].over_ms == now_ms


def test_one_that_is_more_urgent_than_what_was_told_does_not_wait() -> None:
    run = Run(ONE)
    run.tick(0, a_kind({"a": (True, "today"), "b": (False, "now"), "c": (False, "today")}))
    assert run.tick(5, a_kind({"a": (True, "today"), "b": (False, "now"), "c": (True, "today")})) == []
    (pressing,) = run.tick(10, a_kind({"a": (True, "today"), "b": (True, "now"), "c": (True, "today")}))
    assert (pressing.urgency, pressing.subjects) == ("now", ("b", "c", "a"))


def test_what_goes_to_other_people_does_not_wait_for_what_they_were_not_told() -> None:
    run = Run()
    run.tick(0, a_kind({"a": (True, "now"), "c": (False, "now")}))
    assert "right" not in run.told[0][2]
    run.tick(5, a_kind({"a": (True, "now"), "c": (True, "now")}))
    _, notice, ways = run.told[1]
    assert notice.subjects == ("c",)
    assert "right" in ways
    assert notice.title == "Bad: box c"


def test_who_was_told_that_it_began_is_told_that_it_is_over_and_nobody_else_for_that() -> None:
    for urgency, loud in (("now", True), ("today", False)):
        run = Run()
        run.tick(0, a_kind({"a": (True, urgency)}))  # type: ignore[dict-item]
        run.tick(60, a_kind({"a": (False, urgency)}))  # type: ignore[dict-item]
        _, over, ways = run.told[-1]
        assert (over.change, over.urgency) == ("cleared", "today")
        assert ("loud" in ways, "loud-left" in ways) == (loud, loud)
        assert "all" in ways


def test_who_was_told_of_the_first_is_told_of_the_rest() -> None:
    run = Run(ONCE, (Channel("loud", "x://", urgencies=("now",)),))
    run.tick(0, a_kind({"a": (True, "now"), "b": (False, "today")}))
    for minute in (10, 45):
        run.tick(minute, a_kind({"a": (True, "now"), "b": (True, "today")}))
    assert [(n.subjects, n.urgency, "loud" in ways) for _, n, ways in run.told] == [
        (("a",), "now", True), (("b",), "today", True),
    ]  # fmt: skip


def test_what_comes_and_goes_while_it_waits_is_told_as_over_with_its_times() -> None:
    run = Run(ONE)
    run.tick(0, a_kind({"a": (True, "now"), "b": (False, "now")}))
    run.tick(5, a_kind({"a": (True, "now"), "b": (True, "now")}))
    (notice,) = run.tick(10, a_kind({"a": (True, "now"), "b": (False, "now")}))
    assert (notice.change, notice.subjects) == ("cleared", ("b",))
    assert "over before it was told" in notice.text
    assert "loud" in run.told[-1][2], "who takes only the urgent ones would have been told of it"


@pytest.mark.parametrize("spells", range(1, 5))
def test_of_what_came_and_went_more_than_once_before_it_was_told_the_last_time_is_told(spells: int) -> None:
    """With readings that come late: each spell is five minutes long, and a quarter of an hour after the one before."""
    run, began = Run(ONCE), [START + 15 * k * MINUTE for k in range(spells)]

    def look(snapshot: Snapshot) -> Iterable[Look]:
        samples = [Sample(at + past, where) for at in began for past, where in ((0, bad), (5 * MINUTE, good))]
        yield Look("a", samples, "box a", "box a is bad", Rule(0.0, 0.0))

    bad, good = Where.BEYOND, Where.BACK
    (notice,) = run.tick(120, replace(a_kind({}), look=look))
    assert (notice.change, notice.subjects) == ("cleared", ("a",))

    def clock(at_ms: int) -> str:
        return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%H:%M")

    assert f"{clock(began[-1])} to" in notice.text
    assert f"{clock(began[-1] + 5 * MINUTE)}, over before it was told" in notice.text
    assert not any(clock(at) in notice.text for at in began[:-1])


def test_the_ends_of_one_cause_wait_for_each_other() -> None:
    run, ends = Run(ONCE), []
    run.tick(0, a_kind(dict.fromkeys(BOXES, (True, "now"))))
    back = {"a": 100, "b": 110, "c": 125, "d": 170}
    for minute in range(5, 300, 5):
        states: dict[str, State] = {box: (minute < at, "now") for box, at in back.items()}
        made = run.tick(minute, a_kind(states))
        ends += [(minute, n.change, n.subjects) for n in made]
    assert ends == [(130, "cleared", ("a", "b", "c")), (170, "cleared", ("d",))]


def test_an_end_that_waits_survives_a_restart_and_is_told_when_it_is_bad_again() -> None:
    run = Run(ONCE)
    run.tick(0, a_kind({"a": (True, "now"), "b": (True, "now")}))
    assert run.tick(10, a_kind({"a": (False, "now"), "b": (True, "now")})) == []
    kept = dict(run.conditions)
    run = Run(ONCE)
    run.conditions = kept
    made = run.tick(15, a_kind({"a": (True, "now"), "b": (True, "now")}))
    assert [(n.change, n.subjects) for n in made] == [("cleared", ("a",))]
    made = run.tick(45, a_kind({"a": (True, "now"), "b": (True, "now")}))
    assert [(n.change, n.subjects) for n in made] == [("raised", ("a",))]


def test_a_dying_heater_is_two_or_three_notices_in_its_first_hour() -> None:
    """Whole evaluation: five boxes that cool below their limits one after the other, over an hour and a half."""
    courses = {b: (lambda m, i=i: 28.0 - 0.05 * max(0.0, m - 15.0 * i)) for i, b in enumerate("abcde")}
    script = Script(room=replace(a_room(), watch=Watch()), courses=courses, hours=4)
    run = Course(script).go(0, 240)
    raised = next(n for n in run.notices if n.kind == "too-cool")
    first_hour = [n for n in run.notices if n.at_ms < raised.at_ms + 60 * MINUTE]
    assert [n.kind for n in first_hour if n.kind != "harm-reached"] == ["too-cool", "too-cool"]
    assert {s for n in run.notices if n.change == "raised" for s in n.subjects} == set("abcde")


# What happens to a box from a minute on: it passes its limit, comes back, or the keeper answers or shelves it.
DEED = st.tuples(
    st.integers(0, 600), st.sampled_from(BOXES), st.sampled_from(["bad", "bad", "good", "answer", "shelve"])
)


@pytest.mark.slow
@at_most(0.15)
@example([(0, "a", "bad"), (120, "b", "bad")], 5)
@given(st.lists(DEED, min_size=1, max_size=14), st.sampled_from([1, 5, 7]))
def test_no_box_waits_for_its_next_telling_longer_than_promised(
    deeds: list[tuple[int, str, str]], round_min: int
) -> None:
    """Whichever boxes pass their limits before or after it, unless it is answered or shelved."""
    run, bad = Run(ONE), set[str]()
    # Of each box that is up: the minutes at which it was raised, and told since.
    up: dict[str, list[float]] = {}
    for minute in range(0, 1500, round_min):
        for _, box, deed in [d for d in deeds if minute - round_min < d[0] <= minute]:
            if deed in ("bad", "good"):
                (bad.add if deed == "bad" else bad.discard)(box)
            elif box in up and deed == "answer":
                run.answer(box, minute)
            elif box in up:
                key = "bad", box
                run.conditions[key] = replace(run.conditions[key], shelved_until_ms=START + (minute + 60) * MINUTE)
        made = run.tick(minute, a_kind({box: (box in bad, "now") for box in BOXES}))
        for t in run.outcomes[-1].transitions:
            up.pop(t.subject, None)
            if t.change == "raised":
                up[t.subject] = [minute]
        for box, moments in up.items():
            # The first telling waits for half an hour at most, and each further one twice as long as the one before.
            promised = 30.0 * 2 ** max(len(moments) - 2, 0)
            condition = run.conditions["bad", box]
            if condition.acknowledged_ms is None and condition.shelved_until_ms is None:
                assert minute - moments[-1] < promised + round_min, f"{box} at {minute}, raised and told at {moments}"
            if any(box in n.subjects and n.change != "cleared" for n in made):
                moments.append(minute)


# -- nothing is lost ---------------------------------------------------------------------------------------------------

URGENCY = st.sampled_from(["now", "today", "later"])
STEP = st.tuples(
    st.sampled_from([1, 5, 15, 40, 400]),
    st.fixed_dictionaries({b: st.tuples(st.booleans(), URGENCY) for b in BOXES}),
    st.sampled_from(["", "", "", "answer", "shelve", "unshelve", "gone"]),
    st.sampled_from(BOXES),
)


@given(st.lists(STEP, min_size=1, max_size=25), st.booleans(), st.booleans(), st.booleans(), st.sampled_from([0, 600]))
def test_every_change_is_told_to_everybody_whom_it_concerns_whatever_happens(
    steps: list[tuple[int, dict[str, State], str, str]], groups: bool, repeats: bool, ends: bool, delay_s: float
) -> None:
    run = Run(ROOM if repeats else replace(ROOM, watch=NEVER))
    minute = 0.0
    # What must be told, of whom, and since when: (box, change) -> the urgencies it had while it waited.
    open_: dict[tuple[str, str], set[Urgency]] = {}
    late: list[str] = []
    states: dict[str, State] = dict.fromkeys(BOXES, (False, "now"))

    def tick(states: Mapping[str, State]) -> None:
        kind = a_kind(states, delay_s=delay_s, groups=groups, tell_cleared=ends)
        made = run.tick(minute, kind)
        now_ms = START + round(minute * MINUTE)
        for t in run.outcomes[-1].transitions:
            if not run.conditions["bad", t.subject].shelved(now_ms) and (ends or t.change == "raised"):
                open_.setdefault((t.subject, t.change), set())
        for (box, change), urgencies in list(open_.items()):
            condition = run.conditions["bad", box]
            if condition.shelved(now_ms) or (change == "raised" and condition.acknowledged_ms is not None):
                del open_[box, change]
                continue
            urgencies.add(states[box][1] if box in states else "now")
            told = [(n, ways) for _, n, ways in run.told[len(run.told) - len(made) :] if box in n.subjects]
            if change == "raised" and condition.up:
                # The end of an earlier one may be told while this one waits.
                told = [(n, ways) for n, ways in told if n.change != "cleared"]
            if not told:
                continue
            del open_[box, change]
            if change == "raised" and condition.up:
                ways = set().union(*(w for _, w in told))
                for channel in CHANNELS:
                    # What is for later comes with the daily line, to each that takes it.
                    takes = states[box][1] != "later" and states[box][1] in channel.urgencies
                    if takes and (not channel.stacks or STACKS[box] in channel.stacks) and channel.id not in ways:
                        late.append(f"{box} at {minute}: not told through {channel.id}")

    for wait, wanted, deed, box in steps:
        minute += wait
        states = dict(wanted)
        if deed == "gone":
            del states[box]
        tick(states)
        now_ms = START + round(minute * MINUTE)
        condition = run.conditions.get(("bad", box))
        if condition is None:
            continue
        if deed == "answer" and condition.up and condition.told:
            run.answer(box, minute)
        elif deed == "shelve":
            run.conditions["bad", box] = replace(condition, shelved_until_ms=now_ms + 60 * MINUTE)
        elif deed == "unshelve":
            run.conditions["bad", box] = replace(condition, shelved_until_ms=None)
    for _ in range(3):
        minute += GATHER_MS / MINUTE
        tick(states)
    assert not open_
    assert not late
    keys = [n.key for _, n, _ in run.told]
    assert len(keys) == len(set(keys))
