"""Probe drifting and calibration due: what raises them, what keeps them silent, and what they say."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.evaluation import Outcome, evaluate
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.snapshot import ProbeNow, Service, Snapshot
from monitor.core.readings.corrections import Correction
from monitor.core.readings.drift import Departure
from monitor.core.terms.settings import Room
from monitor.core.terms.times import DAY_MS
from tests.core.timeline import START, a_lot, a_room

OURS = [k for k in all_kinds() if k.name in ("probe-drifting", "calibration-due")]
Conditions = Mapping[tuple[str, str], Condition]
LEFT = Departure("p-a", 0.42, START // DAY_MS - 12, START // DAY_MS - 1, 0.42 / 11, 9.0, 40)


def a_snapshot(
    probes: Mapping[str, ProbeNow] | None = None, conditions: Conditions | None = None, room: Room | None = None
) -> Snapshot:
    room = room or a_room()
    changed = probes or {}
    return Snapshot(
        START,
        room,
        ZoneInfo(room.zone),
        Service(START - DAY_MS),
        tuple(changed.get(p.id, ProbeNow(p, START, 28.0, 1, START, drift="steady")) for p in room.probes),
        lots=(a_lot("K01/a"), a_lot("K01/b")),
        conditions=dict(conditions or {}),
    )


def a_probe(room: Room | None = None, name: str = "p-a", **more: object) -> ProbeNow:
    probe = (room or a_room()).probe(name)
    assert probe is not None
    return replace(ProbeNow(probe, START, 28.0, 1, START, drift="steady"), **more)  # type: ignore[arg-type]


def judge(snapshot: Snapshot) -> Outcome:
    return evaluate(snapshot, OURS)


def up(kind: str, subject: str, since_ms: int = START - DAY_MS) -> dict[tuple[str, str], Condition]:
    return {(kind, subject): Condition(kind, subject, Phase.RAISED, since_ms, since_ms, told_ms=since_ms, told=1)}


def told(outcome: Outcome) -> list[tuple[str, str, tuple[str, ...]]]:
    return [(n.kind, n.change, n.subjects) for n in outcome.notices]


def found(from_ms: int = START - DAY_MS, recorded_ms: int | None = None) -> Correction:
    return Correction("p-a", from_ms, 0.1, 0.04, 0.2, "side by side", recorded_ms or from_ms, "s1", id=1)


def test_probes_that_keep_together_say_nothing() -> None:
    assert told(judge(a_snapshot())) == []


def test_a_probe_that_left_the_others_is_told_with_its_size_its_rate_and_since_when() -> None:
    outcome = judge(a_snapshot({"p-a": a_probe(departure=LEFT, drift="departing")}))
    assert told(outcome) == [("probe-drifting", "raised", ("p-a",))]
    (notice,) = outcome.notices
    assert notice.urgency == "today"
    for word in (
        "box a",
        "0.42 °C more",
        "0.038 °C a day for 11 days",
        "Sun 2026-04-19",
        "40 days",
        "limit 0.25 °C",
        "compare",
    ):
        assert word in notice.text


def test_one_that_left_at_once_has_no_rate_and_one_beside_it_that_may_be_the_one_is_named() -> None:
    left = replace(LEFT, rate_c_per_day=None, or_probe="p-b")
    (notice,) = judge(a_snapshot({"p-a": a_probe(departure=left, drift="departing")})).notices
    assert "It came at once, since about Sun 2026-04-19" in notice.text
    assert "Or p-b is the one that drifts." in notice.text
    assert "a day" not in notice.text.split("since about")[0]


@pytest.mark.parametrize("seed", range(20))
def test_what_is_told_of_a_drift_multiplies_out(seed: int) -> None:
    dice = np.random.default_rng(seed)
    days, rate = int(dice.integers(5, 80)), float(dice.uniform(0.01, 0.3))
    left = replace(LEFT, since_day=LEFT.until_day - days, rate_c_per_day=rate, shift_c=rate * days)
    (notice,) = judge(a_snapshot({"p-a": a_probe(departure=left, drift="departing")})).notices
    size, told, span = (
        float(x) for x in re.findall(r"says (\S+) °C .* by (\S+) °C a day for (\d+) days", notice.text)[0]
    )
    assert size == pytest.approx(told * span, abs=0.005 + 0.0005 * span)


def test_in_fahrenheit_a_drift_is_told_in_fahrenheit() -> None:
    room = a_room(unit="F")
    (notice,) = judge(a_snapshot({"p-a": a_probe(room, departure=LEFT, drift="departing")}, room=room)).notices
    assert "0.76 °F more" in notice.text


@pytest.mark.parametrize(
    ("probe", "expected"),
    [
        (a_probe(drift="steady"), [("probe-drifting", "cleared", ("p-a",))]),
        (a_probe(drift="in doubt"), []),
        (a_probe(drift="too few days", correction=found(START - 30 * DAY_MS)), []),
        (a_probe(drift="too few days", correction=found()), [("probe-drifting", "cleared", ("p-a",))]),
    ],
)
def test_a_drift_is_over_when_it_is_seen_or_mended_and_not_when_nothing_is_known(
    probe: ProbeNow, expected: list[tuple[str, str, tuple[str, ...]]]
) -> None:
    since = up("probe-drifting", "p-a", START - 2 * DAY_MS)
    assert told(judge(a_snapshot({"p-a": probe}, since))) == expected


def test_a_comparison_is_due_while_a_stack_is_uneven_and_was_never_compared() -> None:
    outcome = judge(a_snapshot(conditions=up("stack-uneven", "left")))
    assert told(outcome) == [("calibration-due", "raised", ("left",))]
    assert outcome.notices[0].urgency == "later"
    assert "never compared" in outcome.notices[0].text
    assert "p-a, p-b" in outcome.notices[0].text


def test_a_comparison_is_due_while_siblings_are_apart() -> None:
    assert told(judge(a_snapshot(conditions=up("siblings-apart", "K01")))) == [("calibration-due", "raised", ("left",))]
    assert told(judge(a_snapshot(conditions=up("siblings-apart", "K02")))) == []


def compared(room: Room, from_ms: int) -> dict[str, ProbeNow]:
    return {
        p.id: ProbeNow(replace(p, compared=True), START, 28.0, 1, START, correction=found(from_ms), drift="steady")
        for p in room.probes
    }


def test_compared_probes_are_due_after_a_year_whether_or_not_anything_is_uneven() -> None:
    room = a_room()
    fresh = compared(room, START - 364 * DAY_MS)
    assert told(judge(a_snapshot(fresh, up("stack-uneven", "left")))) == []
    outcome = judge(a_snapshot(compared(room, START - 366 * DAY_MS)))
    assert told(outcome) == [("calibration-due", "raised", ("left",))]
    assert "365 days" in outcome.notices[0].text


def test_one_probe_alone_is_never_due() -> None:
    room = a_room(("a",))
    assert told(judge(a_snapshot(conditions=up("stack-uneven", "left"), room=room))) == []


def test_a_comparison_ends_the_reminder_without_a_word() -> None:
    room = a_room()
    since = up("calibration-due", "left") | up("stack-uneven", "left")
    outcome = judge(a_snapshot(compared(room, START - DAY_MS), since))
    assert told(outcome) == []
    assert [(t.subject, t.change) for t in outcome.transitions] == [("left", "cleared")]


@pytest.mark.parametrize("never", range(1, 6))
def test_probes_that_are_due_are_counted_and_one_is_named(never: int) -> None:
    room = a_room()
    some = dict(list(compared(room, START - DAY_MS).items())[never:])
    (notice,) = judge(a_snapshot(some, up("stack-uneven", "left"))).notices
    said = "p-a was never compared" if never == 1 else f"{never} probes were never compared"
    assert said in notice.text
