"""Repeats while nobody answers: their distances, and what ends them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import numpy as np
import pytest

from monitor.core.notices.conditions import Condition, Rule, holds
from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.grouping import LONGEST_REMINDER_S, remind_after_s
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.settings import Room, Urgency, Watch
from monitor.core.terms.times import HOUR_MS

START = 1_780_000_000_000
MINUTE = 60_000


def kind(bad: set[str], subjects: Iterable[str] = ("a", "b"), urgency: Urgency = "now") -> Kind:
    def look(snapshot: Snapshot) -> Iterable[Look]:
        for subject in subjects:
            yield Look(subject, holds(snapshot.now_ms, subject in bad), f"thing {subject}", f"thing {subject} is bad")

    return Kind("bad", "Bad", urgency, "it is bad", "it is good", "because", "Mend it.", "It stays bad.", look)


class Run:
    """Ticks of one kind, with the conditions kept between them."""

    def __init__(self, watch: Watch | None = None) -> None:
        self.room = Room("r", "UTC", "C", (), (), (), watch=watch or Watch())
        self.conditions: dict[tuple[str, str], Condition] = {}

    def tick(self, minute: float, of: Kind) -> Outcome:
        now = START + round(minute * MINUTE)
        snapshot = Snapshot(now, self.room, UTC, Service(START), conditions=self.conditions)
        outcome = evaluate(snapshot, [of])
        self.conditions |= {c.key: c for c in outcome.conditions}
        return outcome

    def course(self, minutes: Iterable[int], of: Kind) -> list[tuple[int, str]]:
        return [(m, n.change) for m in minutes for n in self.tick(m, of).notices]


def test_it_is_told_again_at_doubling_distances() -> None:
    assert Run().course(range(0, 500, 5), kind({"a"})) == [
        (0, "raised"), (30, "still"), (90, "still"), (210, "still"), (450, "still"),
    ]  # fmt: skip


def test_the_distance_grows_to_a_day_at_most() -> None:
    assert remind_after_s("now", 1, Watch()) == 1800.0
    assert remind_after_s("now", 2, Watch()) == 3600.0
    assert remind_after_s("now", 40, Watch()) == LONGEST_REMINDER_S
    assert remind_after_s("today", 1, Watch()) == 21600.0
    assert remind_after_s("later", 1, Watch()) is None
    assert remind_after_s("now", 1, Watch(repeat_now_s=0.0)) is None


def test_an_answer_ends_the_repeats_until_it_is_raised_anew() -> None:
    run = Run()
    run.tick(0, kind({"a"}))
    run.conditions["bad", "a"] = replace(run.conditions["bad", "a"], acknowledged_ms=START + 5 * MINUTE)
    assert run.course(range(5, 300, 5), kind({"a"})) == []
    assert run.course([300], kind(set())) == [(300, "cleared")]
    assert run.course(range(305, 340, 5), kind({"a"})) == [(305, "raised"), (335, "still")]


def test_what_was_answered_and_went_is_told_when_it_comes_back_and_not_each_time() -> None:
    """A box held at its limit: answered while it was beyond, back for an hour at a time."""
    run, bad = Run(), {"a"}
    ended = Condition("bad", "a", changed_ms=START - HOUR_MS)
    run.conditions = {ended.key: ended}

    def look(snapshot: Snapshot) -> Iterable[Look]:
        rule = Rule(off_delay_s=900.0, settles_s=10800.0)
        yield Look("a", holds(snapshot.now_ms, bool(bad)), "thing a", "thing a is bad", rule)

    of = replace(kind(bad), look=look)
    told = []
    for minute in range(0, 24 * 60, 5):
        bad.clear()
        bad |= {"a"} if minute % 120 < 60 else set()
        told += [(minute, n.change) for n in run.tick(minute, of).notices]
        if minute == 10:
            up = run.conditions["bad", "a"]
            run.conditions[up.key] = replace(up, acknowledged_ms=START + 10 * MINUTE)
    # The answer held for its own spell; then at the distances of what nobody has answered, while it is so.
    assert told == [(0, "raised"), *((minute, "still") for minute in (120, 240, 360, 600, 1080))]


def test_what_cleared_is_not_repeated() -> None:
    run = Run()
    run.tick(0, kind({"a"}))
    run.tick(10, kind(set()))
    assert run.course(range(15, 300, 5), kind(set())) == []


def test_what_is_for_the_diary_is_told_once() -> None:
    assert Run().course(range(0, 500, 5), kind({"a"}, urgency="later")) == [(0, "raised")]


DAY_MIN = 24 * 60


@pytest.mark.parametrize("real", all_kinds(), ids=lambda k: k.name)
def test_every_kind_is_told_again_by_its_urgency_and_none_more_than_once_a_day_for_long(real: Kind) -> None:
    """As the guide has it: now after half an hour, today after six hours, then after twice as long, once a day at
    least, whatever the kind; and what is for later never, but in the daily line."""
    look = kind({"a"}).look
    told = [m for m, _ in Run().course(range(0, 9 * DAY_MIN, 30), replace(real, look=look))]
    first = {"now": 30, "today": 360, "later": None}[real.urgency]
    if first is None:
        assert told == [0]
        return
    apart = np.diff(told)
    assert apart[0] == first
    assert all(b == min(2 * a, DAY_MIN) for a, b in pairwise(apart.tolist()))
    assert told[-1] > 8 * DAY_MIN


def test_several_that_are_due_are_told_in_one_notice_with_its_own_key() -> None:
    run = Run()
    run.tick(0, kind({"a", "b"}))
    first, second = run.tick(30, kind({"a", "b"})).notices, run.tick(90, kind({"a", "b"})).notices
    assert [n.subjects for n in (*first, *second)] == [("a", "b"), ("a", "b")]
    assert first[0].key != second[0].key
    assert first[0].title == "Still bad: thing a, thing b"
    assert first[0].text.startswith("Mend it.\n")


def test_a_repeat_says_what_has_changed_since_the_last_time() -> None:
    def at(value: str) -> Kind:
        (look,) = kind({"a"}, ("a",)).look(Snapshot(START, Run().room, UTC, Service(START)))
        return replace(kind(set()), look=lambda s: [replace(look, samples=holds(s.now_ms, True), value=value)])

    run = Run()
    run.tick(0, at("31.4 °C"))
    (second,), (third,) = run.tick(30, at("32.0 °C")).notices, run.tick(90, at("32.0 °C")).notices
    assert (second.change, third.change) == ("still", "still")
    assert "since Thu 20:26. At Thu 20:26 it was 31.4 °C." in second.text
    assert "since Thu 20:26. The same as at Thu 20:56." in third.text
    assert "told" not in second.text + third.text


def test_what_has_one_cause_is_told_again_together_and_what_joins_has_distances_of_its_own() -> None:
    def course(groups: bool) -> list[tuple[int, str, tuple[str, ...]]]:
        run = Run()
        found: list[tuple[int, str, tuple[str, ...]]] = []
        for minute in range(0, 480, 5):
            bad = {"a"} | ({"b"} if minute >= 100 else set())
            made = run.tick(minute, replace(kind(bad), groups=groups)).notices
            found += [(minute, n.change, n.subjects) for n in made]
        return found

    together = course(True)
    assert together == [
        (0, "raised", ("a",)),
        (30, "still", ("a",)),
        (90, "still", ("a",)),
        (130, "raised", ("b", "a")),
        (160, "still", ("a", "b")),
        (220, "still", ("a", "b")),
        (340, "still", ("a", "b")),
    ]
    assert len(course(False)) == 9, "each for itself, where they have nothing to do with each other"


def test_what_joins_one_that_was_answered_has_distances_of_its_own() -> None:
    run = Run()
    run.tick(0, replace(kind({"a"}), groups=True))
    run.conditions["bad", "a"] = replace(run.conditions["bad", "a"], acknowledged_ms=START + 5 * MINUTE)
    both = replace(kind({"a", "b"}), groups=True)
    assert run.course(range(100, 230, 5), both) == [(130, "raised"), (160, "still"), (220, "still")]


def test_shelved_when_raised_it_is_told_when_the_shelf_ends() -> None:
    run = Run()
    run.conditions["bad", "a"] = Condition("bad", "a", shelved_until_ms=START + 60 * MINUTE)
    assert run.course(range(0, 75, 5), kind({"a"})) == [(60, "raised")]
    run = Run()
    run.conditions["bad", "a"] = Condition("bad", "a", shelved_until_ms=START + 60 * MINUTE)
    assert run.course(range(0, 75, 5), kind({"a"}, urgency="later")) == [(60, "raised")], "also where it is told once"


@pytest.mark.parametrize("restart_at", [10, 45])
def test_a_restart_does_not_tell_again_sooner(restart_at: int) -> None:
    plain, again = Run(), Run()
    expected = plain.course(range(0, 200, 5), kind({"a"}))
    told = again.course(range(0, restart_at, 5), kind({"a"}))
    kept = dict(again.conditions)
    again = Run()
    again.conditions = kept
    assert told + again.course(range(restart_at // 5 * 5, 200, 5), kind({"a"})) == expected
