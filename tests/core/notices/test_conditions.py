"""The life of a condition: the table, the delays, gaps, and what a restart makes of them."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor.adapters.store import Store
from monitor.core.notices.conditions import (
    CAME_BACK,
    JUDGED,
    KEEPER,
    TABLE,
    TELLING,
    WORLD,
    Condition,
    DelayAction,
    Phase,
    Rule,
    Sample,
    Transition,
    Where,
    above,
    advance,
    below,
    holds,
    raised_early,
)
from tests.examples import at_most
from tests.peers import shared

CALM = Condition("too-warm", "box A")


def samples(*marks: tuple[float, str]) -> list[Sample]:
    """(seconds, "x" beyond, "-" between, "." back)."""
    where = {"x": Where.BEYOND, "-": Where.BETWEEN, ".": Where.BACK}
    return [Sample(round(t * 1000), where[m]) for t, m in marks]


def run(
    rule: Rule, *marks: tuple[float, str], condition: Condition = CALM
) -> tuple[Condition, list[tuple[str, float]]]:
    after, moves = advance(condition, samples(*marks), rule)
    return after, [(m.change, m.at_ms / 1000) for m in moves]


# -- the table -----------------------------------------------------------------------------------------------


def test_the_table_has_an_answer_for_every_state_and_sample() -> None:
    assert set(TABLE) == {(p, w) for p in Phase for w in Where}
    for (phase, where), (then, step) in TABLE.items():
        # A delay runs exactly in the two phases that wait.
        assert (then in (Phase.RISING, Phase.FALLING)) == (step in (DelayAction.START, DelayAction.WAIT)), (
            phase,
            where,
        )


def test_without_delays_a_condition_is_raised_and_cleared_at_once() -> None:
    after, moves = run(Rule(), (0, "."), (1, "x"), (2, "-"), (3, "x"), (4, "."), (5, "x"))
    assert moves == [("raised", 1), ("cleared", 4), ("raised", 5)]
    assert after.phase is Phase.RAISED


def test_it_is_raised_at_the_first_sample_past_the_delay_and_says_since_when() -> None:
    after, moves = advance(CALM, samples((0, "x"), (50, "x"), (100, "x"), (130, "x")), Rule(on_delay_s=100))
    assert moves == [
        Transition("too-warm", "box A", "raised", 100_000, 0, "beyond the limit for 100 s (delay 100 s)"),
    ]
    assert (after.since_ms, after.changed_ms, after.last_ms, after.up) == (0, 100_000, 130_000, True)


@pytest.mark.parametrize("mark", ["-", "."])
def test_any_other_sample_while_rising_forgets_the_delay(mark: str) -> None:
    _, moves = run(Rule(on_delay_s=100), (0, "x"), (60, mark), (70, "x"), (160, "x"), (170, "x"))
    assert moves == [("raised", 170)]


@pytest.mark.parametrize("mark", ["-", "x"])
def test_any_other_sample_while_falling_forgets_the_delay_and_raises_nothing_anew(mark: str) -> None:
    after, moves = run(Rule(off_delay_s=100), (0, "x"), (10, "."), (60, mark), (70, "."), (169, "."), (170, "."))
    assert moves == [("raised", 0), ("cleared", 170)]
    assert after.since_ms == 70_000


def test_falling_is_still_raised() -> None:
    after, moves = run(Rule(off_delay_s=100), (0, "x"), (10, "."))
    assert (after.phase, after.up, moves) == (Phase.FALLING, True, [("raised", 0)])


def test_across_a_gap_a_running_delay_starts_anew_and_the_state_is_kept() -> None:
    rule_ = Rule(on_delay_s=100, off_delay_s=100, max_gap_s=60)
    _, moves = run(rule_, (0, "x"), (61, "x"), (110, "x"), (160, "x"), (161, "x"))
    assert moves == [("raised", 161)]
    after, moves = run(Rule(off_delay_s=100, max_gap_s=60), (0, "x"), (10, "."), (71, "."), (120, "."))
    assert (after.phase, moves) == (Phase.FALLING, [("raised", 0)])
    assert after.delay_from_ms == 71_000
    after, _ = run(Rule(off_delay_s=100, max_gap_s=60), (0, "x"), (9999, "x"))
    assert after.phase is Phase.RAISED


def test_a_gap_of_exactly_the_maximum_is_none() -> None:
    _, moves = run(Rule(on_delay_s=120, max_gap_s=60), (0, "x"), (60, "x"), (120, "x"))
    assert moves == [("raised", 120)]


def test_a_sample_that_is_not_later_than_the_last_is_dropped_and_counted() -> None:
    after, moves = run(Rule(), (10, "."), (10, "x"), (5, "x"), (11, "."))
    assert (moves, after.dropped, after.last_ms) == ([], 2, 11_000)


def test_clearing_does_not_acknowledge_and_a_new_raise_is_acknowledged_by_nobody() -> None:
    after, _ = run(Rule(), (0, "x"))
    answered = Condition(**{**_fields(after), "acknowledged_ms": 500})
    cleared, _ = run(Rule(), (1, "."), condition=answered)
    assert (cleared.phase, cleared.acknowledged_ms) == (Phase.CLEAR, 500)
    again, _ = run(Rule(), (2, "x"), condition=cleared)
    assert again.acknowledged_ms is None


def test_what_comes_and_goes_is_over_when_it_has_been_back_for_hours_and_is_raised_as_soon_as_ever() -> None:
    hour = 3600.0
    rule_ = Rule(on_delay_s=900, off_delay_s=900, settles_s=3 * hour)
    # A box held at its limit: half an hour beyond, half an hour back, all day; then back.
    marks = [(m * 300.0, "x" if m % 12 < 6 else ".") for m in range(12 * 24)]
    marks += [(24 * hour + m * 300.0, ".") for m in range(12 * 12)]
    after, moves = run(rule_, *marks)
    assert moves == [("raised", 900), ("cleared", 2700), ("raised", 4500), ("cleared", 26.5 * hour)]
    _, often = run(Rule(on_delay_s=900, off_delay_s=900), *marks)
    assert len(often) == 48
    # What begins six hours after that end is another matter.
    _, moves = run(rule_, *((40 * hour + t, m) for t, m in marks[:12]), condition=after)
    assert moves == [("raised", 40 * hour + 900), ("cleared", 40 * hour + 2700)]


def test_an_answer_holds_until_it_has_gone_and_come_back() -> None:
    hour = 3600.0
    rule_ = Rule(on_delay_s=900, off_delay_s=900, settles_s=3 * hour)
    again = replace(CALM, changed_ms=0)
    up, _ = run(rule_, *((hour + m * 300.0, "x") for m in range(4)), condition=again)
    answered = replace(up, acknowledged_ms=round(1.5 * hour * 1000))
    assert answered.answered
    short, _ = run(rule_, (2 * hour, "."), (2 * hour + 600, "x"), condition=answered)
    assert short.answered
    gone, _ = run(rule_, *((2 * hour + m * 300.0, ".") for m in range(4)), condition=answered)
    assert (gone.answered, gone.back_ms) == (True, 2 * hour * 1000)
    back, moves = run(rule_, (2 * hour + 1200, "x"), condition=gone)
    assert (moves, back.up, back.answered, back.acknowledged_ms) == ([], True, False, answered.acknowledged_ms)
    assert replace(back, acknowledged_ms=round(3 * hour * 1000)).answered
    # What has no time to settle is over after the plain delay, and is raised anew.
    _, moves = run(Rule(900, 900), *((2 * hour + m * 300.0, ".") for m in range(4)), condition=answered)
    assert [m for m, _ in moves] == ["cleared"]


def test_what_is_raised_early_is_as_it_would_be_raised_now() -> None:
    """Whatever came before: an end, an answer, a relapse, tellings."""
    rule_ = Rule(on_delay_s=900, off_delay_s=900, settles_s=10_800)
    before = replace(CALM, changed_ms=7, acknowledged_ms=3, told_ms=4, told=2, facts={CAME_BACK: 5, "value_c": 31.0})
    for calm in (CALM, before):
        rising, _ = run(rule_, (100, "x"), (400, "x"), condition=calm)
        at_once, _ = run(replace(rule_, on_delay_s=300), (100, "x"), (400, "x"), condition=calm)
        early = raised_early(rising)
        assert replace(early, facts={}) == replace(at_once, facts={})
        assert early.ended_before_ms == at_once.ended_before_ms == calm.changed_ms
        assert (early.answered, CAME_BACK in early.facts) == (False, False)
        assert early.facts.get("value_c") == calm.facts.get("value_c")


def test_of_two_answers_the_later_counts_and_a_new_raise_has_none() -> None:
    old, new = replace(CALM, acknowledged_ms=5, facts={CAME_BACK: 7}), replace(CALM, acknowledged_ms=9)
    for judged, stored in ((old, new), (new, old), (CALM, new), (new, CALM)):
        assert judged.with_keepers_part(stored, raised=False).acknowledged_ms == 9
    assert CALM.with_keepers_part(new, raised=True).acknowledged_ms is None


def test_shelving_ends_by_itself() -> None:
    shelved = Condition("too-warm", "box A", shelved_until_ms=1000)
    assert shelved.shelved(999)
    assert not shelved.shelved(1000)
    assert not CALM.shelved(0)


def test_limits_are_inclusive_and_the_deadband_must_be_passed() -> None:
    assert [above(0, v, 30.0, 0.5).where.value for v in (30.0, 29.999, 29.5, 29.499)] == [
        "beyond",
        "between",
        "between",
        "back",
    ]
    assert [below(0, v, 20.0, 0.5).where.value for v in (20.0, 20.001, 20.5, 20.501)] == [
        "beyond",
        "between",
        "between",
        "back",
    ]
    assert above(0, 30.0, 30.0, 0.0).where is Where.BEYOND
    assert above(0, 29.999, 30.0, 0.0).where is Where.BACK


def test_what_is_not_known_is_no_sample() -> None:
    assert holds(5, None) == ()
    assert [s.where for s in (*holds(5, True), *holds(6, False))] == [Where.BEYOND, Where.BACK]


# -- what is stored ---------------------------------------------------------------------------------------------

OTHER: dict[str, Any] = {
    "phase": Phase.RISING, "since_ms": 1, "changed_ms": 1, "delay_from_ms": 1, "last_ms": 1, "dropped": 1,
    "acknowledged_ms": 1, "shelved_until_ms": 1, "facts": {"limit_c": 30.0}, "told_ms": 1, "told": 1, "told_as": "now",
    "told_value": "31.9 °C",
    "over_ms": 1,
}  # fmt: skip


def test_every_field_of_a_condition_is_the_worlds_the_keepers_told_or_judged() -> None:
    parts = [*WORLD, *KEEPER, *TELLING, *JUDGED]
    assert sorted(["kind", "subject", *parts]) == sorted(f.name for f in fields(Condition))
    assert set(OTHER) == set(parts)


@pytest.mark.parametrize("name", OTHER)
def test_what_was_judged_last_is_not_worth_a_write_and_all_else_is(name: str) -> None:
    other = replace(CALM, **{name: OTHER[name]})
    assert other != CALM
    assert other.differs(CALM) == CALM.differs(other) == (name not in ("last_ms", "dropped", "facts"))


@pytest.mark.parametrize("name", OTHER)
def test_a_stored_condition_is_judged_on_only_while_the_world_is_as_it_was(name: str) -> None:
    later = replace(CALM, last_ms=9, dropped=9, facts={"limit_c": 9.0})
    same = name not in ("phase", "since_ms", "changed_ms", "delay_from_ms")
    stored = replace(CALM, **{name: OTHER[name]})
    found = stored.judged_on(later)
    if not same:
        assert found == stored
        return
    assert (found.last_ms, found.dropped, found.facts) == (9, 9, {"limit_c": 9.0})
    assert not found.differs(stored)


# -- against a second, plain writing-down of the same machine ---------------------------------------------


class Plain:
    """Two clocks and a flag: raise at the first sample beyond, ``on`` after the first of its run; clear alike, but
    after ``settles`` where it was raised within six hours of the last end."""

    def __init__(self, rule_: Rule) -> None:
        self.rule = rule_
        self.up = False
        self.pend: int | None = None
        self.clear: int | None = None
        self.last: int | None = None
        self.ended: int | None = None
        self.again = False

    def judge(self, sample: Sample) -> str | None:
        if self.last is not None and sample.at_ms <= self.last:
            return None
        gap = self.rule.max_gap_s
        if self.last is not None and gap is not None and sample.at_ms - self.last > gap * 1000:
            self.pend = self.clear = None
        self.last = sample.at_ms
        if not self.up:
            if sample.where is not Where.BEYOND:
                self.pend = None
                return None
            self.pend = sample.at_ms if self.pend is None else self.pend
            if sample.at_ms - self.pend < self.rule.on_delay_s * 1000:
                return None
            self.up, self.pend = True, None
            self.again = self.ended is not None and sample.at_ms - self.ended < 6 * 3_600_000
            return "raised"
        if sample.where is not Where.BACK:
            self.clear = None
            return None
        self.clear = sample.at_ms if self.clear is None else self.clear
        off_s = max(self.rule.off_delay_s, self.rule.settles_s) if self.again else self.rule.off_delay_s
        if sample.at_ms - self.clear < off_s * 1000:
            return None
        self.up, self.clear, self.ended = False, None, sample.at_ms
        return "cleared"


RULES = st.builds(
    Rule,
    on_delay_s=st.sampled_from([0.0, 1.0, 5.0, 20.0]),
    off_delay_s=st.sampled_from([0.0, 1.0, 5.0, 20.0]),
    max_gap_s=st.sampled_from([None, 3.0, 10.0]),
    settles_s=st.sampled_from([0.0, 3.0, 40.0]),
)
STEPS = st.one_of(st.integers(-2, 12), st.sampled_from([3 * 3600, 6 * 3600 - 8, 6 * 3600]))
RUNS = st.lists(st.tuples(STEPS, st.sampled_from(list(Where))), max_size=40)


@given(RULES, RUNS, st.lists(st.integers(1, 7), min_size=1))
def test_it_does_what_the_plain_machine_does_however_the_samples_are_dealt_out(
    rule_: Rule, steps: list[tuple[int, Where]], portions: list[int]
) -> None:
    at, todo = 0, []
    for step, where in steps:
        at += step * 1000
        todo.append(Sample(at, where))
    plain = Plain(rule_)
    expected = [(change, s.at_ms) for s in todo if (change := plain.judge(s))]
    condition, found, i = CALM, [], 0
    while todo:
        n = portions[i % len(portions)]
        condition, moves = advance(condition, todo[:n], rule_)
        found += [(m.change, m.at_ms) for m in moves]
        todo, i = todo[n:], i + 1
    assert found == expected
    assert condition.up == plain.up


class Life(RuleBasedStateMachine):
    """Samples, answers and restarts in any order: the state is what the store has, and matches the plain machine."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.store = Store(self.folder.name)
        self.condition = CALM
        self.now = 0
        self.answered = False
        self.raised_by_plain = 0
        self.moves: list[Transition] = []

    @initialize(rule_=RULES)
    def begin(self, rule_: Rule) -> None:
        self.rule = rule_
        self.plain = Plain(rule_)

    @rule(step=STEPS, where=st.sampled_from(list(Where)))
    def sample(self, step: int, where: Where) -> None:
        self.now += step * 1000
        one = Sample(self.now, where)
        self.condition, moves = advance(self.condition, [one], self.rule)
        change = self.plain.judge(one)
        assert [m.change for m in moves] == ([change] if change else [])
        if change == "raised":
            self.answered = False
        self.store.ledger.commit([self.condition], moves, [], {})
        self.moves += moves

    @rule()
    def answer(self) -> None:
        if self.condition.up:
            # Of two answers the later counts.
            at_ms = max(self.now, self.condition.acknowledged_ms or self.now)
            self.condition = Condition(**{**_fields(self.condition), "acknowledged_ms": at_ms})
            self.store.ledger.commit([self.condition], [], [], {})
            self.answered = True

    @rule()
    def restart(self) -> None:
        self.store.close()
        self.store = Store(self.folder.name)
        self.condition = self.store.ledger.conditions().get(CALM.key, CALM)

    @invariant()
    def the_state_is_whole(self) -> None:
        c = self.condition
        assert (c.delay_from_ms is not None) == (c.phase in (Phase.RISING, Phase.FALLING))
        if hasattr(self, "plain"):
            assert c.up == self.plain.up
        assert (c.acknowledged_ms is not None) == self.answered
        assert self.store.ledger.conditions().get(CALM.key, CALM) == c
        changes = [m.change for m in self.moves]
        assert changes == ["raised", "cleared"] * (len(changes) // 2) + ["raised"] * (len(changes) % 2)

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()


TestLife = Life.TestCase
TestLife.settings = at_most(0.25, 40)


def _fields(condition: Condition) -> dict[str, Any]:
    return {name: getattr(condition, name) for name in Condition.__slots__}


# -- a real series, by both ----------------------------


def _events(series: Sequence[Sample], on_s: float, off_s: float, gap_s: float | None) -> list[tuple[str, int]]:
    _, moves = advance(CALM, series, Rule(on_s, off_s, gap_s))
    return [({"raised": "raise", "cleared": "clear"}[m.change], m.at_ms) for m in moves]


def _utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize("limit", [1.5, 1.0])
def test_the_heated_rooms_gradient_runs_as_in_the_plain_machine(limit: float) -> None:
    with shared("data", "heated_room_three_heights.csv").open() as file:
        rows = [
            (_utc(r["time_utc"].rstrip("Z")), (float(r["air_187cm_c"]) - float(r["air_067cm_c"])) / 1.2)
            for r in csv.DictReader(file)
        ]
    series = [above(t, v, limit, 0.2) for t, v in rows]
    plain = Plain(Rule(1800, 1800, 3600))
    expected = [({"raised": "raise", "cleared": "clear"}[c], s.at_ms) for s in series if (c := plain.judge(s))]
    assert len(expected) >= 4
    assert _events(series, 1800, 1800, 3600) == expected
