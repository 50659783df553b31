"""Probe quiet and room quiet: one cause, one notice; and nothing is cleared by what is no reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds.silence import KINDS
from monitor.core.notices.snapshot import Heard, LinkNow, LinkState, Service, Snapshot
from monitor.core.readings.late_readings import Late
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe, Room
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Run, Script, a_room, without_minutes

LONG_AGO = START - 10 * HOUR_MS
Course = Callable[[float], float | None]


def until(minute: float, again: float = 1e9) -> Course:
    return lambda m: 28.0 if m < minute or m >= again else None


def all_until(minute: float, again: float = 1e9) -> dict[str, Course]:
    return dict.fromkeys("abcde", until(minute, again))


def test_a_dead_probe_is_told_after_its_quiet_time_and_its_return_too() -> None:
    run = Run(Script(courses={"b": until(20, 90)})).go(0, 120)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-b"), ("probe-quiet", "cleared", "p-b")]
    raised, cleared = run.told()
    assert raised[3] == pytest.approx(29, abs=2)
    assert cleared[3] == pytest.approx(90, abs=2)
    text = run.notices[0].text
    assert "Probe p-b (box b): last usable reading Fri 09:19" in text
    assert "expected every 1 min" in text


def test_a_room_that_falls_silent_is_one_notice() -> None:
    run = Run(Script(courses=all_until(20))).go(0, 120)
    assert without_minutes(run.told()) == [("room-quiet", "raised", "back room")]
    assert run.told()[0][3] == pytest.approx(35, abs=2)
    assert run.notices[0].urgency == "now"


@pytest.mark.slow
def test_a_room_that_comes_back_is_one_notice_though_its_probes_speak_one_by_one() -> None:
    courses = {b: until(20, 60 + 0.19 * i) for i, b in enumerate("abcde")}
    run = Run(Script(courses=courses)).go(0, 58).go(58.2, 66, 10.0).go(67, 120)
    assert without_minutes(run.told()) == [
        ("room-quiet", "raised", "back room"),
        ("room-quiet", "cleared", "back room"),
    ]
    assert "is heard: last reading" in run.notices[-1].text
    assert "no probe" not in run.notices[-1].text


@pytest.mark.slow
@pytest.mark.parametrize("minutes", [8, 10, 11, 12, 14, 14.9])
def test_a_short_silence_of_the_whole_room_is_none(minutes: float) -> None:
    courses = {b: until(20 + 0.2 * i, 20 + minutes + 0.2 * i) for i, b in enumerate("abcde")}
    run = Run(Script(courses=courses)).go(0, 18).go(18.2, 42, 10.0).go(43, 90)
    assert run.notices == []


def test_a_probe_that_does_not_come_back_with_the_others_is_told_alone() -> None:
    courses = {b: until(20, 60) for b in "acde"} | {"b": until(20)}
    run = Run(Script(courses=courses)).go(0, 120)
    assert without_minutes(run.told()) == [
        ("room-quiet", "raised", "back room"),
        ("room-quiet", "cleared", "back room"),
        ("probe-quiet", "raised", "p-b"),
    ]


def test_two_probes_of_one_dead_stick_are_one_notice() -> None:
    run = Run(Script(courses={"b": until(20), "c": until(20.5)})).go(0, 90)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-b p-c")]


def test_error_values_are_no_reading_and_clear_nothing() -> None:
    script = Script(courses={"b": until(20)}, hours=2)
    script.readings += [
        Reading("p-b", START + m * MINUTE, -127.0, START + m * MINUTE, Flag.BAD) for m in range(20, 121)
    ]
    run = Run(script).go(0, 120)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-b")]
    assert "It sends -127, which is no reading" in run.notices[0].text


def test_a_room_in_which_all_send_error_values_is_told_by_probe_not_as_silence() -> None:
    script = Script(courses=all_until(20), hours=2)
    for b in "abcde":
        script.readings += [
            Reading(f"p-{b}", START + m * MINUTE, 85.0, START + m * MINUTE, Flag.BAD) for m in range(20, 121)
        ]
    run = Run(script).go(0, 120)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-a p-b p-c p-d p-e")]


def test_only_probe_of_a_room_is_the_room() -> None:
    run = Run(Script(a_room(("a",)), {"a": until(20)})).go(0, 60)
    assert without_minutes(run.told()) == [("room-quiet", "raised", "back room")]


# -- the start, and starting again ------------------------------------------------------------------------------


def started(at_min: float, **more: object) -> Callable[[int], Service]:
    service = Service(started_ms=START + round(at_min * MINUTE))
    return lambda _: replace(service, **more)  # type: ignore[arg-type]


def test_after_a_start_every_probe_is_given_its_time() -> None:
    # Nothing was stored for hours, since the service did not run; the probes speak from minute 1 on.
    courses = {b: until(-25, 1) for b in "abcde"}
    assert Run(Script(courses=courses, service=started(0))).go(0, 60).notices == []


def test_a_room_without_a_word_since_the_start_is_told_after_its_time() -> None:
    run = Run(Script(courses=all_until(-100), service=started(0))).go(0, 60)
    assert without_minutes(run.told()) == [("room-quiet", "raised", "back room")]
    assert run.told()[0][3] == pytest.approx(15, abs=1)
    assert "nothing was heard since the start" in run.notices[0].text


def test_a_probe_without_a_word_since_the_start_is_told_after_its_time() -> None:
    run = Run(Script(courses={"c": until(-100)}, service=started(0))).go(0, 60, 60)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-c")]
    assert run.told()[0][3] == pytest.approx(10, abs=1.5)
    assert "no usable reading yet" in run.notices[0].text


@pytest.mark.parametrize("link", ["up", "connecting", "down"])
def test_a_restart_does_not_clear_the_silence_of_a_room(tmp_path: Path, link: LinkState) -> None:
    run = Run(Script(courses=all_until(20, 80))).go(0, 40)
    with Store(tmp_path) as store:
        store.ledger.commit(run.conditions.values(), (), (), {})
        run.conditions = store.ledger.conditions()
    run.script.service = started(40, link=LinkNow(link, START + 40 * MINUTE))
    run.go(40.25, 79)
    assert without_minutes(run.told()) == [("room-quiet", "raised", "back room")]
    run.script.service = started(40)
    run.go(79.25, 84, 60)
    assert without_minutes(run.told())[1:] == [("room-quiet", "cleared", "back room")]


def test_a_restart_does_not_clear_the_silence_of_a_probe() -> None:
    run = Run(Script(courses={"b": until(20, 80)})).go(0, 40)
    run.script.service = started(40)
    run.go(40.25, 79)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-b")]
    run.go(79.25, 83)
    assert without_minutes(run.told())[1:] == [("probe-quiet", "cleared", "p-b")]


def test_a_dead_link_is_told_although_the_last_readings_are_young_enough_for_slow_probes() -> None:
    slow = tuple(replace(p, interval_s=1800.0, quiet_after_s=5400.0) for p in a_room().probes)
    room = replace(a_room(), probes=slow)

    def service(now_ms: int) -> Service:
        down = now_ms >= START + 30 * MINUTE
        since_ms = START + 30 * MINUTE if down else LONG_AGO
        return Service(LONG_AGO, LinkNow("down" if down else "up", since_ms, "no answer"))

    run = Run(Script(room, all_until(30), service=service)).go(0, 60)
    assert without_minutes(run.told()) == [("room-quiet", "raised", "back room")]
    assert run.told()[0][3] == pytest.approx(45, abs=1)
    assert "broker: no answer" in run.notices[0].text


def test_a_room_of_slow_probes_is_not_quiet_before_the_first_is_due() -> None:
    slow = tuple(replace(p, interval_s=3600.0, quiet_after_s=10800.0) for p in a_room().probes)
    room = replace(a_room(), probes=slow)
    run = Run(Script(room, all_until(-100, 50), service=started(0))).go(0, 120)
    assert run.notices == []


# -- buffered readings --------------------------------------------------------------------------------------------


def test_old_readings_that_arrive_now_do_not_end_a_silence() -> None:
    script = Script(courses={"b": until(20, 90)}, hours=2)
    # At minute 60 the probe's buffer of minutes 20 to 40 arrives.
    script.readings += [Reading("p-b", START + m * MINUTE, 28.0, START + 60 * MINUTE, Flag.GOOD) for m in range(20, 40)]
    run = Run(script).go(0, 89)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-b")]
    run.go(89.25, 92)
    assert without_minutes(run.told())[1:] == [("probe-quiet", "cleared", "p-b")]


def batches(room: Room, every_min: int, dead: str = "", dead_min: int = 10**6) -> Script:
    """Loggers that send what they gathered in one go."""
    script = Script(room, dict.fromkeys("abcde", lambda _: None), hours=12)
    for probe in room.probes:
        for m in range(-360, 720, 5):
            if probe.id == dead and m >= dead_min:
                continue
            sent = -(-(m + 360) // every_min) * every_min - 360
            script.readings.append(Reading(probe.id, START + m * MINUTE, 28.0, START + sent * MINUTE, Flag.GOOD))
    return script


def test_loggers_that_send_every_two_hours_are_not_quiet_in_between() -> None:
    patient = tuple(replace(p, interval_s=300.0, quiet_after_s=3 * 3600.0) for p in a_room().probes)
    room = replace(a_room(), probes=patient)
    assert Run(batches(room, 120)).go(0, 600, 300).notices == []
    run = Run(batches(room, 120, "p-d", 200)).go(0, 600, 300)
    assert without_minutes(run.told()) == [("probe-quiet", "raised", "p-d")]


def test_a_changed_form_of_message_is_told_as_such_and_not_as_silence_too() -> None:
    script = Script(courses={"b": until(20)})
    run = Run(script)
    told: list[tuple[str, str, str]] = []
    for s in range(0, 120 * 60, 30):
        snapshot = script.snapshot(START + s * 1000, run.conditions)
        if s >= 20 * 60:
            probes = tuple(
                replace(p, unread=5, unread_reason="no number at /value") if p.probe.id == "p-b" else p
                for p in snapshot.probes
            )
            snapshot = replace(snapshot, probes=probes)
        told += evaluated(run, snapshot)
    assert told == [("probe-unread", "raised", "p-b")]


def evaluated(run: Run, snapshot: Snapshot) -> list[tuple[str, str, str]]:
    outcome = evaluate(snapshot)
    run.conditions |= {c.key: c for c in outcome.conditions}
    return [(n.kind, n.change, " ".join(n.subjects)) for n in outcome.notices]


def test_a_probe_in_the_air_is_named_by_its_place() -> None:
    room = a_room(("a", "b"))
    air = Probe("air", "t/air", stack="left", height_cm=105.0)
    room = replace(room, probes=(*room.probes, air))
    script = Script(room, {"air": until(20)})
    run = Run(script).go(0, 60)
    assert run.notices[0].text.splitlines()[1].startswith("Probe air (air of stack left, 105 cm): last usable reading")


# -- a room that comes back ---------------------------------------------------------------------------------------

QUIET_SINCE = {"quiet_from_ms": START - HOUR_MS, "last_ms": START - HOUR_MS}


def back(
    ago: Mapping[str, tuple[float, float]], late: Late | None = None, *, came_ms: int | None = None
) -> list[Where]:
    """What is found of a room that was told as quiet for an hour. ``ago``: box -> how many minutes ago its newest
    reading was made, and when it came; the others have said nothing since."""
    (kind,) = (k for k in KINDS if k.name == "room-quiet")
    script = Script(courses=dict.fromkeys("abcde", lambda _: None))
    whole = script.snapshot(START, {})
    probes = []
    for p in whole.probes:
        minutes = ago.get(p.probe.box or "")
        if minutes is None:
            continue
        at, came = (np.array([START - round(m * MINUTE)], np.int64) for m in minutes)
        heard = Heard(at, np.full(1, 28.0), np.ones(1, np.uint8), came, np.ones(1, bool))
        probes.append(replace(p, last_ms=int(at[-1]), usable_ms=int(at[-1]), heard=heard, came_ms=came_ms))
    boxes = tuple(replace(b, late=late) if b.box.id == "a" else b for b in whole.boxes)
    up = Condition("room-quiet", "back room", Phase.RAISED, START - HOUR_MS, START - HOUR_MS, facts=QUIET_SINCE)
    (look,) = kind.look(replace(whole, probes=tuple(probes), boxes=boxes, conditions={up.key: up}))
    return [s.where for s in look.samples]


def test_a_room_is_back_only_while_one_of_its_probes_speaks() -> None:
    assert back({"a": (0.5, 0.5)}) == [Where.BACK]
    assert back({"a": (5.0, 5.0)}) == [Where.BETWEEN], "one word, five minutes ago, of a probe that speaks each minute"
    assert back({"a": (5.0, 5.0), "b": (1.0, 1.0)}) == [Where.BACK]
    assert back({"a": (20.0, 20.0)}) == [Where.BEYOND]


def test_that_a_probe_speaks_is_told_by_when_its_reading_came_and_not_by_its_clock() -> None:
    for came in (0.0, 1.0, 1.4):
        assert back({"a": (10.0, came)}) == [Where.BACK], "its clock is behind"
    assert back({"a": (10.0, 1.6)}) == [Where.BETWEEN]
    # One that is too old for the last day, but came just now.
    assert back({"a": (10.0, 5.0)}, came_ms=START - MINUTE) == [Where.BACK]
    assert back({"a": (10.0, 1.0)}, came_ms=START - 5 * MINUTE) == [Where.BACK]
    assert back({"a": (10.0, 5.0)}, came_ms=START - 5 * MINUTE) == [Where.BETWEEN]
    # What was received while this computer's clock was ahead came at no known time: then its own time counts.
    assert back({"a": (1.0, -30.0)}) == [Where.BACK]
    assert back({"a": (10.0, -30.0)}) == [Where.BETWEEN]


def test_the_end_of_a_quiet_room_waits_for_what_is_still_coming_of_it() -> None:
    coming = Late(START - HOUR_MS, START - MINUTE, START)
    assert back({"a": (0.5, 0.5)}, coming) == []
    assert back({"a": (0.5, 11.0), "b": (0.5, 0.5)}, coming) == [Where.BACK], "but for ten minutes at most"
