"""What the keeper reads: every kind of notice in plain words, in both units, across summer time."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.core.climate.course import course
from monitor.core.climate.exposure import Exposure
from monitor.core.development.lots import Heat
from monitor.core.notices.by_calendar import daily, drill, nothing_to_tell
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.fitting import LINE_MOST, TEXT_MOST
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.notice import Notice, NoticeChange
from monitor.core.notices.notices import CAUTION, WHOLE_CAUTION, compose
from monitor.core.notices.snapshot import (
    BoxNow,
    ClockNow,
    Health,
    Heard,
    LinkNow,
    ProbeNow,
    Service,
    Snapshot,
    StoreNow,
    known_course,
)
from monitor.core.terms.settings import Probe
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.core.lots import changed
from tests.core.timeline import MINUTE, START, Script, a_lot, a_profile, a_room, tell_of

Unit = Literal["C", "F"]
# The night in which the clocks of Vienna go back: 00:30 UTC and 01:30 UTC are both 02:30.
NIGHT = round(datetime(2026, 10, 25, 1, 30, tzinfo=UTC).timestamp() * 1000)


IN_THE_RICH_ROOM = {
    *("too-warm", "too-cool", "probe-quiet", "room-quiet", "probe-unread", "stack-uneven", "siblings-apart"),
    *("window-near", "window-open", "window-past", "broker-refused", "store-failing", "disk-low", "clock-untrusted"),
    *("notices-stuck", "shipping-behind", "heartbeat-unanswered", "probe-drifting", "calibration-due"),
    *("heading", "harm-near", "harm-reached", "heat-exposure", "heat-sum", "too-dry", "too-damp", "condensation-near"),
    *("probe-stuck", "probe-unit", "probe-jumps", "probe-out", "probe-clock"),
}


HOT = Exposure(11 * 3600.0, 3 * 3600.0, 0.0)


def heard_of(times: NDArray[np.int64]) -> Heard:
    n = len(times)
    return Heard(times, np.full(n, 28.0), np.ones(n, np.uint8), times, np.ones(n, bool))


@cache
def rich(now_ms: int = NIGHT, unit: Unit = "C") -> Snapshot:
    """A room in which everything is wrong at once."""
    room = a_room(("a", "e"), unit=unit)
    damp = Probe("h-a", "t/h", "humidity", "%", box="a", standard_uncertainty=1.5)
    air = Probe("air", "t/air", stack="left", height_cm=80.0)
    room = replace(
        room,
        probes=(*room.probes, damp, air),
        limits=replace(room.limits, too_dry_pct=60.0, too_damp_pct=90.0),
        watch=replace(room.watch, heading_s=7200.0),
    )
    times = now_ms - np.arange(60, -1, -1, dtype=np.int64) * MINUTE
    boxes = (
        BoxNow(
            room.boxes[0],
            room.limits,
            "of the room",
            times,
            np.full(61, 24.25),
            0.29,
            "its own probe",
            91.2,
            ("K01/a",),
            30.0,
            22.0,
            known_course(course(times, 24.25 + 0.5 * np.arange(60, -1, -1) / 60, now_ms)),
        ),
        BoxNow(room.boxes[1], room.limits, "set for the box", times, np.full(61, 31.75), 0.1, "its own probe"),
    )
    lots = tuple(
        changed(
            a_lot(f"K0{i}/{box}", p10_ms=now_ms + round(d * DAY_MS)),
            remaining_days=20.0 + 9 * j,
            heat=Heat(32.0, HOT),
        )
        for j, box in enumerate("ae")
        for i, d in ((1, 3.0), (2, -1.0), (3, -30.0))
    )
    probes = (
        ProbeNow(room.probes[0], now_ms - 20 * MINUTE, -127.0, 4, now_ms - 30 * MINUTE, 4, "not a number: error"),
        ProbeNow(room.probes[1], now_ms - MINUTE, 28.0, 1, None, 7, "no number at /value", heard=heard_of(times)),
        ProbeNow(air, now_ms - MINUTE, 25.0, 1, now_ms - MINUTE, heard=heard_of(times)),
    )
    service = Service(
        started_ms=now_ms - 10 * HOUR_MS,
        link=LinkNow("refused", now_ms - HOUR_MS, "not authorised"),
        store=StoreNow("the disk is full", 12.0),
        clock=ClockNow(False, "it jumped by 3600 s"),
        channels={"phone": Health(now_ms - HOUR_MS, "no route"), "mail": Health(now_ms - HOUR_MS)},
        shipping=Health(now_ms - 2 * HOUR_MS),
        heartbeat=Health(now_ms - 3 * HOUR_MS),
    )
    return Snapshot(now_ms, room, ZoneInfo(room.zone), service, probes, boxes, lots, (a_profile(1.4),))


def a_change(kind: Kind, look: Look, change: Literal["raised", "cleared"], now_ms: int) -> Transition:
    return Transition(kind.name, look.subject, change, now_ms - 1, now_ms - HOUR_MS, "because")


def every_notice(snapshot: Snapshot) -> Iterable[tuple[Kind, Notice]]:
    for kind in all_kinds():
        looks = {x.subject: x for x in kind.look(snapshot)}
        for change in ("raised", "cleared"):
            moves = [a_change(kind, x, change, snapshot.now_ms) for x in looks.values()]
            up = {
                (kind.name, s): Condition(kind.name, s, Phase.RAISED, 0, 0, None, 0)
                for s in looks
                if change == "cleared"
            }
            for notice in compose(kind, tell_of(kind, moves, looks, up), looks, snapshot):
                yield kind, notice


def assert_plain(text: str) -> None:
    assert text
    assert text == text.strip()
    for bad in ("None", " nan ", " inf ", "{", "}", "()", "\n\n\n", "..", ": -", ":.", "  ", " .", "lambda", "_ms"):
        assert bad not in text, (bad, text)
    for line in text.splitlines():
        assert line == line.strip()


@pytest.mark.parametrize("unit", ["C", "F"])
@pytest.mark.parametrize("now_ms", [NIGHT, NIGHT - HOUR_MS, START])
def test_every_notice_says_what_where_since_when_how_much_and_what_to_do(unit: Unit, now_ms: int) -> None:
    told = list(every_notice(rich(now_ms, unit)))
    assert {k.name for k, n in told if n.change == "raised"} >= IN_THE_RICH_ROOM
    assert {k.name for k, n in told if n.change == "cleared"} == {
        k.name for k, n in told if n.change == "raised" and k.tell_cleared
    }
    since = {
        NIGHT: "ince Sun 02:30",
        NIGHT - HOUR_MS: "ince Sun 01:30",
        START: "ince Fri 08:00",
    }
    for kind, notice in told:
        assert_plain(notice.title)
        assert_plain(notice.text)
        assert "\n" not in notice.title
        assert kind.dated or since[now_ms] in notice.text
        if notice.change == "raised":
            assert notice.title.startswith(kind.says)
            assert notice.text.splitlines()[0] in {kind.first, *(look.first for look in kind.look(rich(now_ms, unit)))}
            assert f"\nIf not: {kind.otherwise}" in notice.text
            assert notice.urgency == kind.urgency
        else:
            assert "\nIf not:" not in notice.text
            assert notice.urgency == ("today" if kind.urgency == "now" else "later")
        other = "°C" if unit == "F" else "°F"
        assert other not in notice.title + notice.text, notice.text


def test_limits_are_told_with_value_uncertainty_and_limit_in_the_keeper_s_unit() -> None:
    told = {(k.name, n.change): n for k, n in every_notice(rich(unit="F"))}
    text = told["too-cool", "raised"].text
    assert "Box a: 75.7 ± 1.0 °F at 02:30, limit 77.0 °F, since Sun 02:30." in text
    assert text.endswith(CAUTION)
    assert told["too-cool", "raised"].story.endswith(WHOLE_CAUTION)
    assert CAUTION not in told["probe-quiet", "raised"].text


def test_many_subjects_are_listed_in_the_text_and_counted_in_the_title() -> None:
    kind = next(k for k in all_kinds() if k.name == "too-cool")
    looks = {
        f"box{i}": Look(f"box{i}", (), f"box {i}", f"box {i}: 24.{i} °C", value=f"24.{i} °C", worse=i) for i in range(7)
    }
    moves = [a_change(kind, x, "raised", START) for x in looks.values()]
    (notice,) = compose(kind, tell_of(kind, moves, looks), looks, rich())
    assert notice.title == "Too cool: box 6 24.6 °C and 6 more"
    assert "\nBox 6: 24.6 °C, since " in notice.text
    assert all(f"box {i} 24.{i} °C" in notice.text for i in range(6))
    assert all(f"Box {i}: 24.{i}" in notice.story for i in range(7))
    assert notice.subjects == tuple(looks)


def test_the_key_is_stable_and_names_kind_subject_change_and_moment() -> None:
    kind = next(k for k in all_kinds() if k.name == "too-warm")
    looks = {s: Look(s, (), s) for s in ("b", "a")}
    moves = [Transition(kind.name, "b", "raised", 7, 5, ""), Transition(kind.name, "a", "raised", 6, 5, "")]
    first = compose(kind, tell_of(kind, moves, looks), looks, rich())
    second = compose(kind, tell_of(kind, list(reversed(moves)), looks), looks, rich(NIGHT + 1))
    assert [n.key for n in first] == [n.key for n in second] == ["too-warm/a/raised/6"]


def test_no_sentence_advises_to_open_or_discard_an_egg() -> None:
    for _, notice in every_notice(rich()):
        for sentence in re.split(r"[.;\n]", notice.text.lower()):
            if "open" in sentence and "egg" in sentence:
                assert "no egg" in sentence
            assert "discard" not in sentence
            assert "throw" not in sentence or "do not throw" in sentence
            assert (
                "cut" not in sentence
                or "do not cut" in sentence
                or "cut-out" in sentence
                or "cut its power" in sentence
            )


# -- the daily line and the drill ---------------------------------------------------------------------------------


@pytest.fixture
def nothing_due(monkeypatch: pytest.MonkeyPatch) -> None:
    """No task is due: their line has tests of its own."""
    monkeypatch.setattr("monitor.core.notices.by_calendar.due", lambda _: ())


@pytest.mark.usefixtures("nothing_due")
def test_the_daily_line_has_a_line_for_every_box_and_what_is_still_true() -> None:
    up = {
        ("too-cool", "a"): Condition("too-cool", "a", Phase.RAISED, NIGHT - HOUR_MS, NIGHT, None, NIGHT),
        ("probe-quiet", "p-e"): Condition(
            "probe-quiet", "p-e", Phase.FALLING, NIGHT - HOUR_MS, NIGHT, None, NIGHT, acknowledged_ms=NIGHT
        ),
        ("too-warm", "e"): Condition("too-warm", "e"),
    }
    notice = daily(replace(rich(), conditions=up))
    assert notice.text.splitlines() == [
        "Look at: too cool (a).",
        "Probe quiet since Sun 02:30: p-e, answered",
        "Too cool since Sun 02:30: a, not answered yet",
        "box a: 24.2 °C (last day 24.2 °C to 24.2 °C), K01 in a 60 %, first pip Wed 28 Oct to Sun 1 Nov",
        "box e: 31.8 °C (last day 31.8 °C to 31.8 °C)",
    ]
    assert notice.title == "back room, 2026-10-25: 2 boxes, 2 to look at"
    assert (notice.urgency, notice.change) == ("later", "daily")
    assert_plain(notice.text)


@pytest.mark.usefixtures("nothing_due")
def test_the_daily_line_asks_for_no_hand_where_a_box_is_back_and_it_is_waited_whether_it_stays_so() -> None:
    back = Condition("too-cool", "a", Phase.FALLING, NIGHT - HOUR_MS, NIGHT - HOUR_MS, NIGHT, NIGHT)
    notice = daily(replace(rich(), conditions={back.key: back}))
    assert notice.text.splitlines()[:2] == [
        "Nothing to do.",
        "Too cool since Sun 02:30: a, back since Sun 02:30; over when it stays so",
    ]
    damp = replace(back, kind="too-damp")
    said = Notice("k", NIGHT, "too-damp", ("a",), "raised", "later", "Too damp: box a", "Lift its lid.")
    again = daily(replace(rich(), conditions={damp.key: damp}), [said])
    assert again.text.splitlines()[:2] == [
        "Nothing to do.",
        "Too damp since Sun 02:30: a, back since Sun 02:30; over when it stays so",
    ]
    assert again.text.count("damp") == 1


def test_the_daily_line_says_what_was_for_the_diary_since_the_last_one() -> None:
    """What has begun, with what to do, and in one line what is over; each once, and in the story with its time."""
    up = {
        ("stack-uneven", "s"): Condition("stack-uneven", "s", Phase.RAISED, NIGHT - HOUR_MS, NIGHT, None, NIGHT),
        ("probe-quiet", "p-e"): Condition("probe-quiet", "p-e", Phase.CLEAR, NIGHT, NIGHT, None, NIGHT),
        ("probe-jumps", "p-e"): Condition("probe-jumps", "p-e", Phase.RAISED, NIGHT, NIGHT, None, NIGHT),
    }

    def lately(kind: str, subject: str, change: NoticeChange, title: str) -> Notice:
        return Notice(title, NIGHT, kind, (subject,), change, "later", title, "Do this first.\nThen that.")

    told = [
        lately("stack-uneven", "s", "raised", "Stack uneven: s"),
        lately("stack-uneven", "s", "cleared", "Stack even again: s"),
        lately("stack-uneven", "s", "raised", "Stack uneven: s 2 °C"),
        lately("probe-quiet", "p-e", "cleared", "Probe is back: p-e"),
        lately("too-damp", "e", "raised", "Too damp: e"),
        lately("too-damp", "e", "cleared", "Too damp: over: e"),
    ]
    notice = daily(replace(rich(), conditions=up), told)
    assert notice.text.splitlines()[:4] == [
        "Look at: probe jumps (p-e), stack uneven (s).",
        "Stack uneven: s 2 °C. Do this first.",
        "Probe jumps since Sun 02:30: p-e, not answered yet",
        "Over: probe quiet (p-e), too damp (e).",
    ]
    assert [line[11:] for line in notice.whole.splitlines()[-2:]] == ["Probe is back: p-e", "Too damp: over: e"]
    assert notice.text.count("Stack") == 1
    many = [lately("too-damp", f"box {n}", "cleared", f"Over: {n}") for n in range(200)]
    assert len(daily(replace(rich(), conditions=up), many).text) <= LINE_MOST + TEXT_MOST + 1
    assert_plain(notice.text)


def test_there_is_one_daily_line_and_one_drill_for_each_day_of_the_room() -> None:
    late = round(datetime(2026, 5, 1, 21, 59, tzinfo=UTC).timestamp() * 1000)
    for make in (daily, drill):
        keys = [make(rich(t)).key for t in (late - 5 * HOUR_MS, late, late + 2 * MINUTE)]
        assert keys[0] == keys[1] != keys[2]
        assert keys[2].endswith("2026-05-02")


@pytest.mark.usefixtures("nothing_due")
@pytest.mark.parametrize("unit", ["C", "F"])
def test_the_daily_line_of_a_poor_room_is_still_plain(unit: Unit) -> None:
    base = rich(unit=unit)
    none = np.empty(0, np.int64), np.empty(0, np.float64)
    pips = a_lot("K01/a", pipped=2, waiting=4)
    refused = replace(a_lot("K02/a"), past=None, first_pip=None, refused="no reading of box a is there yet")
    unsaid = replace(refused, refused="")
    stale = replace(base.boxes[1], time_ms=base.boxes[1].time_ms - 5 * HOUR_MS)
    for lots in ((pips,), (refused,), (unsaid,), (replace(pips, first_pip=None),), (replace(a_lot(), first_pip=None),)):
        bare = replace(base.boxes[0], time_ms=none[0], temperature_c=none[1], occupied_by=(lots[0].lot.id,))
        text = daily(replace(base, boxes=(bare, stale), lots=lots)).text
        assert_plain(text)
        assert text.splitlines()[0] == "Nothing to do."
        assert text.splitlines()[1].startswith("box a: no reading, ")
        assert text.splitlines()[2] == "box e: no reading since Sat 22:30"
    assert "2 of 6 pipped" in daily(replace(base, lots=(pips, *base.lots[1:]))).text


def test_a_room_that_is_not_in_use_has_no_daily_line() -> None:
    full = rich()
    none = {"time_ms": np.empty(0, np.int64), "temperature_c": np.empty(0), "occupied_by": ()}
    empty = replace(full, boxes=tuple(replace(box, **none) for box in full.boxes), conditions={})  # type: ignore[arg-type]
    assert nothing_to_tell(empty)
    first, *others = empty.boxes
    heard = replace(first, time_ms=full.boxes[0].time_ms, temperature_c=full.boxes[0].temperature_c)
    wrong = Condition("room-quiet", "room", Phase.RAISED, NIGHT - HOUR_MS, NIGHT, None, NIGHT)
    for used in (
        replace(empty, boxes=(replace(first, occupied_by=("K01/a",)), *others)),
        replace(empty, boxes=(heard, *others)),
        replace(empty, conditions={wrong.key: wrong}),
    ):
        assert not nothing_to_tell(used)
    assert nothing_to_tell(replace(empty, conditions={wrong.key: replace(wrong, phase=Phase.CLEAR)}))


def test_the_drill_says_what_it_is() -> None:
    notice = drill(rich())
    assert notice.title == "Test notice of 2026-10-25"
    assert_plain(notice.text)
    assert "Nothing to do" in notice.text
    assert notice.subjects == ()


def test_a_calm_room_s_daily_line_counts_no_conditions() -> None:
    snapshot = Script(a_room(("a",))).snapshot(START, {})
    assert daily(snapshot).title == "back room, 2026-05-01: 1 box, nothing wrong"
