"""How moments, spans and temperatures are shown, and when a room counts as quiet."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.core.notices.snapshot import LinkNow, LinkState, ProbeNow, Service, Snapshot
from monitor.core.terms.formats import show_day, show_difference, show_span, show_temperature, show_time
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Script, a_room

VIENNA = ZoneInfo("Europe/Vienna")


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def test_temperatures_are_shown_in_the_keeper_s_unit() -> None:
    assert show_temperature(28.04, "C") == "28.0 °C"
    assert show_temperature(28.04, "F") == "82.5 °F"
    assert show_temperature(-3.25, "C", 2) == "−3.25 °C"
    assert show_difference(1.0, "F") == "1.8 °F"
    assert show_difference(-0.5, "C") == "−0.5 °C"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (29, "29 s"),
        (31, "1 min"),
        (60, "1 min"),
        (119 * 60, "119 min"),
        (120 * 60, "2 h 00 min"),
        (3599.9 * 2, "2 h 00 min"),
        (125 * 60, "2 h 05 min"),
        (48 * 3600 - 60, "47 h 59 min"),
        (48 * 3600, "2.0 days"),
        (10.04 * 86400, "10.0 days"),
    ],
)
def test_spans_are_shown_in_the_units_that_matter(seconds: float, text: str) -> None:
    assert show_span(seconds) == text


def test_moments_are_shown_in_the_room_s_zone_on_both_sides_of_summer_time() -> None:
    # 2026-03-29 01:00 UTC: the clocks go from 02:00 to 03:00; 2026-10-25 01:00 UTC: from 03:00 back to 02:00.
    assert show_time(ms("2026-03-29T00:59"), VIENNA) == "2026-03-29 01:59"
    assert show_time(ms("2026-03-29T01:00"), VIENNA) == "2026-03-29 03:00"
    assert show_time(ms("2026-10-25T00:30"), VIENNA) == show_time(ms("2026-10-25T01:30"), VIENNA) == "2026-10-25 02:30"
    assert show_day(ms("2026-10-24T22:30"), VIENNA) == "Sun 2026-10-25"


def test_the_date_is_left_out_on_the_same_day_of_the_room() -> None:
    assert show_time(ms("2026-05-01T21:59"), VIENNA, ms("2026-05-01T21:59:30")) == "23:59"
    assert show_time(ms("2026-05-01T21:59"), VIENNA, ms("2026-05-01T22:00")) == "2026-05-01 23:59"


def quiet(
    *heard: tuple[float | None, float | None],
    link: LinkState = "up",
    link_min: float = 600,
    up_min: float = 600,
    quiet_after_s: float = 600.0,
) -> bool | None:
    """``heard``: minutes since the last reading and since the last usable one, of each probe."""
    room = a_room(tuple("abcde"[: len(heard)]))
    probes = tuple(
        ProbeNow(
            replace(p, quiet_after_s=quiet_after_s),
            None if last is None else START - round(last * MINUTE),
            usable_ms=None if usable is None else START - round(usable * MINUTE),
        )
        for p, (last, usable) in zip(room.probes, heard, strict=True)
    )
    service = Service(START - round(up_min * MINUTE), LinkNow(link, START - round(link_min * MINUTE)))
    return Snapshot(START, room, UTC, service, probes).room_quiet


def test_one_probe_that_speaks_is_a_room_that_speaks() -> None:
    assert quiet((1, 1), (900, 900)) is False
    assert quiet((14.9, 14.9)) is False


def test_a_room_without_a_word_for_its_time_is_quiet() -> None:
    assert quiet((15, 15), (20, 20)) is True
    assert quiet((None, None)) is True


def test_a_room_without_probes_is_never_quiet() -> None:
    assert quiet() is False


def test_shortly_after_the_start_nothing_is_known() -> None:
    assert quiet((20, 20), up_min=14.9) is None
    assert quiet((None, None), up_min=0) is None
    assert quiet((None, None), up_min=15) is True
    # The clock was set back over the start.
    assert quiet((None, None), up_min=-500) is None


def test_a_link_that_is_just_being_made_ends_no_silence() -> None:
    assert quiet((1, 1), link="connecting", link_min=1) is None
    assert quiet((1, 1), link="down", link_min=14) is None


def test_a_link_that_is_gone_for_its_time_is_silence_whatever_was_heard_before() -> None:
    assert quiet((14, 14), link="down", link_min=15) is True
    assert quiet((14, 14), link="connecting", link_min=15) is True


def test_a_refused_login_is_another_thing() -> None:
    assert quiet((500, 500), link="refused") is None


def test_readings_that_cannot_be_used_are_neither_silence_nor_its_end() -> None:
    assert quiet((1, None), (2, 300)) is None


def test_slow_probes_are_given_their_own_time() -> None:
    assert quiet((100, 100), quiet_after_s=7200) is False
    assert quiet((None, None), up_min=100, quiet_after_s=7200) is None
    assert quiet((120, 120), up_min=120, quiet_after_s=7200) is True


def test_a_box_without_readings_has_no_temperature() -> None:
    snapshot = Script(a_room(("a",)), {"a": lambda _: None}).snapshot(START + HOUR_MS, {})
    (box,) = snapshot.boxes
    assert (box.now_c, box.at_ms) == (None, None)
    warm = Script(a_room(("a",)), {"a": lambda _: 28.5}).snapshot(START + HOUR_MS, {})
    assert (warm.boxes[0].now_c, warm.boxes[0].at_ms) == (28.5, START + HOUR_MS)


# -- all that arrives is old ---------------------------------------------------------------------------------------


def behind(
    newest_min: float | None,
    live_min: float | None = 1,
    link: LinkState = "up",
    unread: int = 0,
    quiet_after_s: float = 600.0,
) -> float | None:
    """Minutes since the newest reading was measured, and since the newest message that was not retained came."""
    room = a_room(("a", "b"))
    newest_ms = None if newest_min is None else START - round(newest_min * MINUTE)
    probes = tuple(
        ProbeNow(replace(p, quiet_after_s=quiet_after_s), at_ms, unread=n)
        for p, at_ms, n in zip(room.probes, (newest_ms, None), (0, unread), strict=True)
    )
    live_ms = None if live_min is None else START - round(live_min * MINUTE)
    service = Service(START - 600 * MINUTE, LinkNow(link, START - 600 * MINUTE, last_live_ms=live_ms))
    return Snapshot(START, room, UTC, service, probes).behind_s


def test_what_arrives_and_is_older_than_a_room_may_be_silent_is_behind_by_that() -> None:
    """A quarter of an hour, unless set; by how much is told from when it came, not from now."""
    assert behind(15, 1) == 14 * 60.0
    assert behind(14.9, 1) is None
    assert behind(15, 0) == 15 * 60.0
    assert behind(500, 14.9) == pytest.approx(485.1 * 60.0)


def test_where_nothing_arrives_or_nothing_was_measured_nothing_is_behind() -> None:
    assert behind(500, 15) is None
    assert behind(500, -0.1) is None, "what came in the future came while the clock was ahead"
    assert behind(500, None) is None
    assert behind(None, 1) is None
    assert behind(500, 1, "down") is None


def test_what_cannot_be_read_is_told_as_that() -> None:
    assert behind(500, 1, unread=2) == 499 * 60.0
    assert behind(500, 1, unread=3) is None


def test_a_room_of_slow_probes_is_behind_after_their_own_time() -> None:
    assert behind(119, 1, quiet_after_s=7200) is None
    assert behind(120, 119, quiet_after_s=7200) == 60.0


def test_a_subject_belongs_to_the_stack_of_its_box_and_what_belongs_to_none_is_told_to_everybody() -> None:
    snapshot = replace(Script(a_room(("a",))).snapshot(START, {}), audiences={"left": "mail"})
    own = snapshot.probes[0].probe.id
    assert {snapshot.stack_of(s) for s in ("a", own, "left")} == {"left"}
    assert (snapshot.audience("a"), snapshot.stack_of("broker"), snapshot.audience("broker")) == ("mail", None, "")
