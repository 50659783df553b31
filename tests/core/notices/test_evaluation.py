"""From scripted courses to notices: what is told, when, together with what, and nothing else."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import (
    LONGEST_SHELF_MS,
    Condition,
    KindName,
    Phase,
    Rule,
    Sample,
    Transition,
    Where,
)
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import BackupNow, ClockNow, DamageNow, Health, LinkNow, Service, Snapshot, StoreNow
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Limits, Watch
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Run, Script, a_room, without_minutes


def heats(from_min: float, until_min: float = 1e9, to_c: float = 32.0) -> Callable[[float], float]:
    """Steady, then 0.1 C a minute up to ``to_c``, then back the same way."""

    def course(minute: float) -> float:
        up = min(28.0 + 0.1 * max(minute - from_min, 0.0), to_c)
        return max(28.0, up - 0.1 * max(minute - until_min, 0.0))

    return course


def step(from_min: float, until_min: float, to_c: float) -> Callable[[float], float]:
    return lambda minute: to_c if from_min <= minute < until_min else 28.0


# -- one box ---------------------------------------------------------------------------------------------------


def test_a_calm_room_says_nothing_at_all() -> None:
    assert Run(Script()).go(0, 180).notices == []


def test_a_heater_that_sticks_is_told_once_and_its_end_once() -> None:
    run = Run(Script(courses={"a": heats(10, 60)}, hours=3)).go(0, 170)
    # 31.0 is reached 30 min after minute 10; 15 min on-delay. Back below 30.8 at minute 72; 15 min off-delay.
    assert without_minutes(run.told()) == [("too-warm", "raised", "a"), ("too-warm", "cleared", "a")]
    raised, cleared = run.notices
    assert raised.at_ms - START == pytest.approx(55 * MINUTE, abs=MINUTE)
    assert cleared.at_ms - START == pytest.approx(88 * MINUTE, abs=2 * MINUTE)
    assert (raised.urgency, cleared.urgency) == ("now", "today")
    assert run.moves("too-warm")[1] == ("too-warm", "a", "raised", START + 40 * MINUTE)


def test_a_passing_moment_wakes_nobody() -> None:
    assert Run(Script(courses={"a": step(30, 44, 33.0)})).go(0, 120).notices == []


def test_inside_the_deadband_nothing_flaps() -> None:
    def sways(minute: float) -> float:
        return 31.1 if minute < 60 or int(minute) % 2 else 30.9

    assert without_minutes(Run(Script(courses={"a": sways})).go(0, 180).told()) == [("too-warm", "raised", "a")]


def test_the_limit_itself_counts_and_a_hair_below_does_not() -> None:
    assert without_minutes(Run(Script(courses={"a": lambda _: 31.0})).go(0, 20).told()) == [("too-warm", "raised", "a")]
    assert Run(Script(courses={"a": lambda _: 30.99})).go(0, 120).notices == []


@pytest.mark.parametrize("flag", [Flag.SUSPECT, Flag.BAD, Flag.MISSING])
def test_what_is_no_measurement_never_raises_and_never_clears(flag: Flag) -> None:
    cold = Script(courses={"a": lambda m: 24.0 if m < 60 else None}, hours=2)
    cold.readings += [Reading("p-a", START + m * MINUTE, 28.0, START + m * MINUTE, flag) for m in range(60, 121)]
    run = Run(cold).go(0, 120)
    assert ("too-cool", "cleared", "a") not in without_minutes(run.told())
    assert run.conditions["too-cool", "a"].up
    calm = Script(courses={"a": lambda m: 28.0 if m < 60 else None}, hours=2)
    calm.readings += [Reading("p-a", START + m * MINUTE, 60.0, START + m * MINUTE, flag) for m in range(60, 121)]
    assert ("too-warm", "raised", "a") not in without_minutes(Run(calm).go(0, 120).told())


def test_a_gap_is_no_evidence_in_either_direction() -> None:
    def holes(minute: float) -> float | None:
        return 28.0 if minute < 0 else 32.0 if minute < 10 or minute >= 80 else None

    run = Run(Script(courses={"a": holes})).go(0, 90)
    assert [x for x in run.told() if x[0] == "too-warm"] == []
    run.go(90.25, 100)
    assert [x[:3] for x in run.told() if x[0] == "too-warm"] == [("too-warm", "raised", "a")]
    assert run.conditions["too-warm", "a"].since_ms == START + 80 * MINUTE


# -- several boxes ----------------------------------------------------------------------------------------------


def test_a_cold_room_is_one_notice_that_lists_its_boxes() -> None:
    courses = {b: step(10 + 2.5 * i, 1e9, 24.0) for i, b in enumerate("abcde")}
    run = Run(Script(courses=courses)).go(0, 120)
    assert without_minutes(run.told()) == [("too-cool", "raised", "a b c d e")]
    (notice,) = run.notices
    assert notice.urgency == "now"
    assert notice.title == "Too cool: box a 24.0 °C, limit 25.0 and 4 more"
    for box in "abcde":
        assert re.search(f"[Bb]ox {box}:? 24.0 ", notice.text)
        assert f"Box {box}: 24.0 ± 0.6 °C" in notice.whole
    since = {s: t - START for _, s, _, t in run.moves()}
    assert all(since[b] == pytest.approx((10 + 2.5 * i) * MINUTE, abs=MINUTE) for i, b in enumerate("abcde"))


def test_a_box_that_joins_later_waits_for_more_of_them_and_is_told_as_also() -> None:
    courses = {"a": step(10, 1e9, 24.0), "b": step(90, 1e9, 24.0), "c": step(110, 1e9, 24.0)}
    run = Run(Script(courses=courses)).go(0, 170)
    # b is raised at minute 105 and waits for half an hour (of rounds); c, raised at minute 125, is told with it.
    assert run.told()[1:] == [("too-cool", "raised", "b c", 136.0)]
    first, second = run.notices
    assert second.title == "Also too cool: b 24.0 °C, limit 25.0 and 1 more"
    assert (first.urgency, second.urgency) == ("now", "now")


def test_a_box_that_joins_one_that_nobody_was_told_of_is_told_in_full() -> None:
    run = Run(Script(courses={"a": step(10, 1e9, 24.0), "b": step(90, 1e9, 24.0)}))
    run.go(0, 5)
    run.conditions["too-cool", "a"] = replace(run.conditions["too-cool", "a"], shelved_until_ms=START + 10 * HOUR_MS)
    run.go(5.25, 170)
    (notice,) = run.notices
    assert (notice.subjects, notice.urgency) == (("b",), "now")
    assert notice.title.startswith("Too cool")
    assert run.conditions["too-cool", "a"].up, "its state is kept all the same"


def test_a_box_that_was_well_for_a_while_does_not_join_itself() -> None:
    samples = [Sample(START - 2, Where.BACK), Sample(START - 1, Where.BEYOND)]
    up = Condition("made-up", "x", Phase.RAISED, START - 5, START - 5, None, START - 5)
    kind = a_kind([Look("x", samples, "x", "x is bad")], groups=True)
    (notice,) = evaluate(a_snapshot(conditions={up.key: up}), [kind]).notices
    assert (notice.change, notice.urgency, notice.title) == ("raised", "now", "Made up: x")


@pytest.mark.slow
def test_after_six_hours_a_further_box_is_news_again() -> None:
    run = Run(Script(courses={"a": step(10, 1e9, 24.0), "b": step(450, 1e9, 24.0)}, hours=8)).go(0, 480, 60)
    assert [n.urgency for n in run.notices] == ["now", "now"]


def test_warm_and_cool_at_once_are_two_things() -> None:
    run = Run(Script(courses={"a": step(10, 1e9, 24.0), "b": step(10, 1e9, 32.0)})).go(0, 60)
    assert sorted(without_minutes(run.told())) == [("too-cool", "raised", "a"), ("too-warm", "raised", "b")]


def test_a_shelved_condition_says_nothing_and_its_state_is_kept() -> None:
    run = Run(Script(courses={"a": heats(10, 60)}, hours=3)).go(0, 5)
    run.conditions["too-warm", "a"] = replace(run.conditions["too-warm", "a"], shelved_until_ms=START + 10 * HOUR_MS)
    run.go(5.25, 170)
    assert run.notices == []
    assert [m[2] for m in run.moves("too-warm")] == ["cleared", "raised"]
    assert run.conditions["too-warm", "a"].phase is Phase.CLEAR


def test_a_box_that_is_taken_out_of_the_configuration_clears() -> None:
    run = Run(Script(courses={"b": step(10, 1e9, 24.0)})).go(0, 60)
    run.script = Script(room=a_room(("a", "c", "d", "e")))
    run.go(60.25, 62)
    assert without_minutes(run.told()) == [("too-cool", "raised", "b"), ("too-cool", "cleared", "b")]
    assert run.notices[-1].title == "No longer watched: b"
    assert "Too cool: b is no longer watched since Fri" in run.notices[-1].text
    assert run.conditions["too-cool", "b"].phase is Phase.CLEAR


def test_a_limit_that_is_taken_away_clears() -> None:
    run = Run(Script(courses={"b": step(10, 1e9, 24.0)})).go(0, 60)
    run.script.room = replace(run.script.room, limits=Limits(31.0, None))
    run.go(60.25, 62)
    assert without_minutes(run.told())[-1] == ("too-cool", "cleared", "b")


# -- late, restarted, in another rhythm ---------------------------------------------------------------------------


def test_late_samples_are_not_judged_twice() -> None:
    script = Script(courses={"a": step(10, 40, 24.0)})
    run = Run(script).go(0, 80)
    assert without_minutes(run.told()) == [("too-cool", "raised", "a"), ("too-cool", "cleared", "a")]
    moves = run.moves()
    # The same half hour once more, a little beside its first times.
    script.readings += [
        Reading("p-a", START + m * MINUTE + 7, 24.0, START + 81 * MINUTE, Flag.GOOD) for m in range(10, 40)
    ]
    run.go(80.25, 120)
    assert run.moves() == moves


def test_an_hour_that_arrives_all_at_once_is_told_as_over_when_it_is_over() -> None:
    script = Script(courses={"a": lambda m: None if 10 <= m < 90 else 28.0}, hours=3)
    script.readings += [
        Reading("p-a", START + m * MINUTE, 33.0 if m < 60 else 28.0, START + 90 * MINUTE, Flag.GOOD)
        for m in range(10, 90)
    ]
    run = Run(script).go(0, 180)
    warm = [n for n in run.notices if n.kind == "too-warm"]
    assert [(n.change, n.urgency, n.subjects) for n in warm] == [("cleared", "today", ("a",))]
    assert "Too warm from Fri 09:10 to Fri 10:00" in warm[0].text
    assert [m[2] for m in run.moves("too-warm")] == ["cleared", "raised"]


def test_several_rises_and_falls_in_one_tick_make_one_notice_with_one_subject() -> None:
    script = Script(courses={"a": lambda m: None if m >= 10 else 28.0}, hours=5)
    values = {m: 33.0 if (m // 30) % 2 else 28.0 for m in range(10, 200)}
    script.readings += [
        Reading("p-a", START + m * MINUTE, v, START + 200 * MINUTE, Flag.GOOD) for m, v in values.items()
    ]
    run = Run(script).go(0, 9).go(200, 201)
    warm = [n for n in run.notices if n.kind == "too-warm"]
    assert len(run.moves("too-warm")) >= 3
    assert [n.subjects for n in warm] == [("a",)]
    assert [n.change for n in warm] == ["raised" if run.conditions["too-warm", "a"].up else "cleared"]
    assert len({n.key for n in run.notices}) == len(run.notices)


def kept(store: Store, run: Run) -> None:
    """Through the store and back: what a restart leaves."""
    store.ledger.commit(run.conditions.values(), (), (), {})
    run.conditions = store.ledger.conditions()


COLD_AND_WARM = {"a": step(10, 60, 24.0), "b": step(12, 70, 24.2), "c": heats(15, 70)}


@pytest.fixture(scope="module")
def unbroken() -> list[Notice]:
    return Run(Script(courses=COLD_AND_WARM)).go(0, 170, 60).notices


@pytest.mark.slow
@pytest.mark.xdist_group("restarts")
@pytest.mark.parametrize("restart_min", [24, 25, 26, 30, 68, 76])
def test_a_restart_in_the_middle_gives_the_same_notices(
    tmp_path: Path, restart_min: float, unbroken: list[Notice]
) -> None:
    assert len(unbroken) >= 4
    cut = Run(Script(courses=COLD_AND_WARM)).go(0, restart_min, 60)
    with Store(tmp_path) as store:
        kept(store, cut)
    cut.go(restart_min + 1, 170, 60)
    assert [(n.key, n.title, n.text) for n in cut.notices] == [(n.key, n.title, n.text) for n in unbroken]


def test_hours_of_standstill_miss_nothing_that_was_measured_meanwhile() -> None:
    courses = {"a": step(10, 1e9, 24.0), "c": step(70, 1e9, 32.0)}
    run = Run(Script(courses=courses)).go(0, 5).go(150, 160)
    assert sorted(without_minutes(run.told())) == [("too-cool", "raised", "a"), ("too-warm", "raised", "c")]
    assert run.conditions["too-cool", "a"].since_ms == START + 10 * MINUTE


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_another_rhythm_of_ticks_gives_the_same_changes_of_level(seed: int) -> None:
    dice = random.Random(seed)
    values: dict[int, float] = {}
    temperature = 28.0
    for minute in range(-30, 301):
        temperature = min(max(temperature + dice.choice([-0.5, -0.2, 0.0, 0.2, 0.5]), 23.0), 33.0)
        values[minute] = round(temperature, 2)

    def course(minute: float) -> float | None:
        return values.get(int(minute)) if dice.random() < 0.95 else None

    script = Script(room=a_room(("a", "b")), courses={"a": course}, hours=5)
    runs = [Run(script).go(0, 300, every) for every in (60.0, 97.0, 600.0, 1500.0)]
    for run in runs:
        run.tick(START + 300 * MINUTE)
    moves = [run.moves("too-warm", "too-cool") for run in runs]
    assert moves[0]
    for other in moves[1:]:
        assert other == moves[0]


def test_a_clock_that_is_set_back_blinds_nobody() -> None:
    """A month ahead at first, as a board without a battery may be; then right."""
    script = Script(courses={"a": step(30, 1e9, 24.0)})
    run = Run(script)
    ahead = 30 * 24 * HOUR_MS
    for k in range(40):
        run.tick(START + ahead + k * 15_000)
    run.outcomes.clear()
    run.go(0, 60)
    assert ("too-cool", "raised", "a") in without_minutes(run.told())
    quiet = Run(Script(courses={b: lambda m: 28.0 if m < 20 else None for b in "abcde"}))
    for k in range(40):
        quiet.tick(START + ahead + k * 15_000)
    quiet.outcomes.clear()
    quiet.go(0, 60)
    assert ("room-quiet", "raised", "back room") in without_minutes(quiet.told())


def test_a_clock_that_is_set_back_does_not_end_the_repeats() -> None:
    script = Script(replace(a_room(), watch=Watch()), {"a": lambda _: 24.0}, hours=12)
    ahead = 30 * 24 * HOUR_MS
    up = Condition(
        "too-cool", "a", Phase.RAISED, START + ahead, START + ahead, None, START + ahead, told_ms=START + ahead, told=1
    )
    run = Run(script, {up.key: up}).go(1, 600, 300)
    assert [n.change for n in run.notices if n.kind == "too-cool"][:1] == ["still"]


def test_what_is_raised_along_is_a_new_matter() -> None:
    old = Condition("made-up", "y", told_ms=START - 60_000, told=4, acknowledged_ms=START - 50_000)
    looks = [beyond("x", START - 1000, START), beyond("y", START, delay_s=600.0)]
    kind = a_kind(looks, groups=True)
    shelved = replace(old, shelved_until_ms=START + HOUR_MS)
    found = {c.subject: c for c in evaluate(a_snapshot(conditions={old.key: shelved}), [kind]).conditions}
    assert (found["y"].phase, found["y"].told, found["y"].told_ms) == (Phase.RAISED, 0, None)
    assert found["y"].acknowledged_ms is None


# -- the table of kinds -------------------------------------------------------------------------------------------


def test_every_kind_is_found_and_says_all_that_a_notice_needs() -> None:
    names = [k.name for k in all_kinds()]
    assert names == sorted(set(names))
    assert {"too-warm", "too-cool", "probe-quiet", "room-quiet", "window-open", "stack-uneven", "notices-stuck"} <= set(
        names
    )
    for kind in all_kinds():
        for text in (kind.says, kind.raises, kind.clears, kind.why, kind.first, kind.otherwise):
            assert text.strip() == text
            assert len(text) > 3
        assert kind.urgency in ("now", "today", "later")
        assert "open the egg" not in kind.first.lower()


def test_the_names_by_which_kinds_know_of_each_other_are_those_of_the_kinds() -> None:
    assert set(get_args(KindName)) == {kind.name for kind in all_kinds()}


def test_what_is_of_the_service_is_judged_alike_where_nothing_of_the_room_can_be_looked_at() -> None:
    of_service = [kind for kind in all_kinds() if kind.of_service]
    assert {"answers-blocked", "notices-stuck", "store-failing", "check-failed"} <= {kind.name for kind in of_service}
    trouble = Health(START - 24 * HOUR_MS, "no answer")
    service = Service(
        START - 48 * HOUR_MS, LinkNow("refused"), StoreNow("full", 1.0), ClockNow(False, "it jumped"),
        {"phone": trouble}, trouble, trouble, trouble, checks_failed={"too-warm": "an error"},
        backup=BackupNow(None, START, "no room"), damage=DamageNow(START, ("a chunk",)),
    )  # fmt: skip
    whole = a_snapshot(service=service)
    blind = Snapshot(whole.now_ms, whole.room, whole.zone, service)
    assert len(whole.probes) * len(whole.boxes) > 0
    for kind in of_service:
        (look,) = kind.look(blind)
        assert [look] == list(kind.look(whole)), kind.name
        assert look.samples[-1].where is Where.BEYOND, kind.name


def a_kind(looks: list[Look], **more: object) -> Kind:
    base = Kind("made-up", "Made up", "now", "r", "c", "w", "First.", "Else.", lambda _: looks)
    return replace(base, **more)  # type: ignore[arg-type]


def a_snapshot(now_ms: int = START, **more: object) -> Snapshot:
    return replace(Script().snapshot(now_ms, {}), **more)  # type: ignore[arg-type]


def beyond(subject: str, *at_ms: int, delay_s: float = 0.0) -> Look:
    return Look(subject, [Sample(t, Where.BEYOND) for t in at_ms], subject, f"{subject} is bad", Rule(delay_s))


def test_what_is_on_its_way_is_raised_along_only_where_subjects_have_one_cause() -> None:
    looks = [beyond("x", START - 1000, START), beyond("y", START, delay_s=600.0)]
    together = evaluate(a_snapshot(), [a_kind(looks, groups=True)])
    assert [(t.subject, t.change) for t in together.transitions] == [("x", "raised"), ("y", "raised")]
    assert {c.subject: c.phase for c in together.conditions} == {"x": Phase.RAISED, "y": Phase.RAISED}
    assert [n.subjects for n in together.notices] == [("x", "y")]
    apart = evaluate(a_snapshot(), [a_kind(looks)])
    assert [t.subject for t in apart.transitions] == ["x"]
    assert {c.subject: c.phase for c in apart.conditions}["y"] is Phase.RISING


def test_the_same_snapshot_gives_the_same_outcome() -> None:
    snapshot = Script(courses={"a": lambda _: 33.0}).snapshot(START + HOUR_MS, {})
    first, second = evaluate(snapshot), evaluate(snapshot)
    assert first.conditions == second.conditions
    assert first.notices == second.notices
    assert first.notices


def test_a_look_without_samples_leaves_the_state_and_its_facts_alone() -> None:
    told = {"told": 1, "told_ms": START - 5}
    facts = {"value_c": 33.0}
    old = Condition("made-up", "x", Phase.RAISED, START - 5, START - 5, None, START - 5, facts=facts, **told)  # type: ignore[arg-type]
    found = evaluate(a_snapshot(conditions={old.key: old}), [a_kind([Look("x", (), "x", facts={"value_c": None})])])
    assert (found.conditions, found.transitions, found.notices) == ((), (), ())


def test_a_subject_that_is_gone_clears_once_and_says_so_only_if_it_was_told() -> None:
    up = Condition("made-up", "x", Phase.RAISED, START - 5, START - 5, None, START - 5)
    rising = Condition("made-up", "y", Phase.RISING, None, None, START - 5, START - 5)
    clear = Condition("made-up", "z", Phase.CLEAR, None, None, None, START - 5)
    before = {c.key: c for c in (up, rising, clear)}
    found = evaluate(a_snapshot(conditions=before), [a_kind([])])
    assert {c.subject: c.phase for c in found.conditions} == {"x": Phase.CLEAR, "y": Phase.CLEAR}
    assert [t for t in found.transitions if t.subject != "x"] == []
    assert [(n.change, n.subjects) for n in found.notices] == [("cleared", ("x",))]
    after = {c.key: c for c in found.conditions} | {clear.key: clear}
    assert evaluate(a_snapshot(START + 1, conditions=after), [a_kind([])]).notices == ()


def test_a_change_that_is_not_told_when_over_is_still_told_when_it_came_and_went_at_once() -> None:
    looks = [Look("x", [Sample(START - 2, Where.BEYOND), Sample(START - 1, Where.BACK)], "x", "x was bad")]
    (notice,) = evaluate(a_snapshot(), [a_kind(looks, tell_cleared=False)]).notices
    assert (notice.change, notice.subjects) == ("raised", ("x",))


def keys(notices: list[Notice]) -> list[str]:
    return [n.key for n in notices]


@pytest.mark.parametrize("seed", range(3))
def test_keys_are_unique_and_subjects_too_whatever_happens(seed: int) -> None:
    dice = random.Random(seed)
    courses = {}
    for b in "abcde":
        edges = sorted(dice.sample(range(10, 230), 6))
        level = dice.choice([24.0, 32.0])
        courses[b] = lambda m, e=edges, v=level: v if sum(m >= x for x in e) % 2 else (None if m > 235 else 28.0)
    run = Run(Script(courses=courses, hours=4))
    minute = 0.0
    while minute < 240:
        run.tick(START + round(minute * MINUTE))
        minute += dice.choice([0.25, 1, 1, 10, 40])
    assert len(set(keys(run.notices))) == len(run.notices)
    told: dict[tuple[str, str], list[str]] = {}
    for n in run.notices:
        assert len(set(n.subjects)) == len(n.subjects) > 0
    for o in run.outcomes:
        for t in o.transitions:
            told.setdefault((t.kind, t.subject), []).append(t.change)
    for changes in told.values():
        # The two changes take turns, beginning with a raise.
        assert all(c == ("raised", "cleared")[i % 2] for i, c in enumerate(changes))


def test_a_transition_names_its_reason() -> None:
    run = Run(Script(courses={"a": step(10, 40, 24.0)})).go(0, 80)
    reasons = [t for o in run.outcomes for t in o.transitions]
    assert [isinstance(t, Transition) and t.reason for t in reasons] == [
        "beyond the limit for 900 s (delay 900 s)",
        "back for 900 s (delay 900 s)",
    ]


def test_a_service_that_starts_into_trouble_tells_it_at_once() -> None:
    service = Service(started_ms=START, link=LinkNow("refused", START, "wrong password"))
    run = Run(Script(service=lambda _: service)).go(0, 1)
    assert without_minutes(run.told()) == [("broker-refused", "raised", "broker")]


# -- a check that fails -------------------------------------------------------------------------------------------


def test_a_kind_that_fails_keeps_its_state_is_told_and_stops_no_other() -> None:
    broken = [False]

    def look(_: Snapshot) -> list[Look]:
        if broken[0]:
            raise ZeroDivisionError("a newcomer's mistake")
        return [beyond("x", START)]

    bad = replace(a_kind([]), name="newcomer", look=look)
    kinds = [bad, *all_kinds()]
    run = Run(Script(courses={"a": step(10, 1e9, 24.0)}))

    def tick(minute: float) -> list[Notice]:
        now_ms = START + round(minute * MINUTE)
        outcome = evaluate(run.script.snapshot(now_ms, run.conditions), kinds)
        run.conditions |= {c.key: c for c in outcome.conditions}
        assert set(outcome.failed) == ({"newcomer"} if broken[0] else set())
        return list(outcome.notices)

    assert [(n.kind, n.change) for n in tick(0)] == [("newcomer", "raised")]
    broken[0] = True
    told = [(m, n.kind, n.change) for m in range(1, 60) for n in tick(m)]
    assert told == [(6, "check-failed", "raised"), (25, "too-cool", "raised")]
    assert run.conditions["newcomer", "x"].up
    broken[0] = False
    assert [(n.kind, n.change) for n in tick(60)] == [("check-failed", "cleared")]


def test_a_failed_check_says_which_one_why_and_where() -> None:
    def look(_: Snapshot) -> list[Look]:
        return dict[str, list[Look]]()["x"]

    kinds = [replace(a_kind([]), look=look), *(k for k in all_kinds() if k.name == "check-failed")]
    run = {c.key: c for c in evaluate(a_snapshot(), kinds).conditions}
    (notice,) = evaluate(a_snapshot(START + 300_000, conditions=run), kinds).notices
    assert notice.title == "A check failed: made-up"
    assert "KeyError: 'x' (test_evaluation.py, line" in notice.text


def test_a_text_that_cannot_be_made_fails_its_own_kind_alone() -> None:
    look = Look("x", [Sample(START, Where.BEYOND)], None, None)  # type: ignore[arg-type]
    found = evaluate(a_snapshot(), [a_kind([look]), replace(a_kind([beyond("y", START)]), name="other")])
    assert set(found.failed) == {"made-up"}
    assert [n.kind for n in found.notices] == ["other"]


def test_a_shelf_that_was_set_while_the_clock_was_ahead_ends() -> None:
    old = Condition("made-up", "x", shelved_until_ms=START + 400 * 24 * HOUR_MS)
    found = evaluate(a_snapshot(conditions={old.key: old}), [a_kind([beyond("x", START)])])
    assert [n.subjects for n in found.notices] == [("x",)]
    assert found.conditions[0].shelved_until_ms == START


def test_a_shelf_of_a_whole_week_outlives_a_small_step_back_of_the_clock() -> None:
    old = Condition("made-up", "x", shelved_until_ms=START + LONGEST_SHELF_MS + HOUR_MS)
    found = evaluate(a_snapshot(conditions={old.key: old}), [a_kind([beyond("x", START)])])
    assert found.notices == ()
    assert found.conditions[0].shelved_until_ms == old.shelved_until_ms


def test_a_clock_that_was_ahead_when_something_was_told_does_not_silence_its_repeats() -> None:
    """Its readings carry times of their own, so only the telling was dated a day ahead."""
    ahead = 24 * HOUR_MS
    script = Script(replace(a_room(), watch=Watch()), {"a": lambda _: 24.0}, hours=2)
    up = Condition(
        "too-cool", "a", Phase.RAISED, START, START, None, START, told_ms=START + ahead, told=1,
        over_ms=None, acknowledged_ms=None,
    )  # fmt: skip
    run = Run(script, {up.key: up}).go(1, 100, 60)
    assert [n.change for n in run.notices if n.kind == "too-cool"] == ["still", "still"]
