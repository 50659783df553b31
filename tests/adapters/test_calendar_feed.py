"""The calendar: read by another library it says what was put in; it moves without the clock; names may be hostile."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import vobject
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.calendar_feed import feed, read_feed
from monitor.core.notices.tasks import Days, Task
from tests.examples import at_most

NOW = 1_780_000_000_000
DONE = round(datetime(2026, 6, 8, 18, 30, tzinfo=UTC).timestamp() * 1000)
ROOM = "Back room"
WINDOW = Days(
    "window/K01/upper", "K01 in upper: first pip 29 Jun to 4 Jul", "That is so in 8 of 10; an estimate, no more.",
    date(2026, 6, 29), date(2026, 7, 4),
)  # fmt: skip
WAIT = Days("wait/K01/upper", "K01 in upper: wait until 10 Jul", "", date(2026, 7, 10), date(2026, 7, 10))
CANDLE = Task("candle/K01/upper/7", "candle K01 in upper (day 7)", date(2026, 6, 8), date(2026, 6, 8), DONE)
PREPARE = Task("prepare/K01", "prepare for hatchlings of K01", date(2026, 6, 22), date(2026, 6, 29), more="A; b, c.")


def by_vobject(data: bytes) -> dict[str, dict[str, Any]]:
    """Every part by its UID without its end: property -> value, as another library reads it."""
    calendar = vobject.readOne(data.decode("utf-8"))
    return {
        part.uid.value.rpartition("@")[0]: {"kind": part.name, **{p.name: p.value for p in part.lines()}}
        for part in calendar.components()
    }


def test_another_library_reads_every_field() -> None:
    stamp = datetime.fromtimestamp(NOW / 1000, UTC)
    stamps = {"DTSTAMP": stamp, "LAST-MODIFIED": stamp, "SEQUENCE": "0"}
    found = by_vobject(feed([CANDLE, PREPARE], [WINDOW, WAIT], NOW, room=ROOM))
    uids = {part.pop("UID") for part in found.values()}
    assert len(uids) == 4
    assert found == {
        WINDOW.id: {
            "kind": "VEVENT", "SUMMARY": WINDOW.says, "DESCRIPTION": WINDOW.more, "DTSTART": date(2026, 6, 29),
            "DTEND": date(2026, 7, 5), "TRANSP": "TRANSPARENT", **stamps,
        },
        WAIT.id: {
            "kind": "VEVENT", "SUMMARY": WAIT.says, "DTSTART": date(2026, 7, 10), "DTEND": date(2026, 7, 11),
            "TRANSP": "TRANSPARENT", **stamps,
        },
        CANDLE.id: {
            "kind": "VTODO", "SUMMARY": "Candle K01 in upper (day 7)", "DUE": date(2026, 6, 8), "STATUS": "COMPLETED",
            "COMPLETED": datetime(2026, 6, 8, 18, 30, tzinfo=UTC), "PERCENT-COMPLETE": "100", **stamps,
        },
        PREPARE.id: {
            "kind": "VTODO", "SUMMARY": "Prepare for hatchlings of K01", "DESCRIPTION": PREPARE.more,
            "DTSTART": date(2026, 6, 22), "DUE": date(2026, 6, 29), "STATUS": "NEEDS-ACTION", **stamps,
        },
    }  # fmt: skip


def test_the_same_state_gives_the_same_bytes_and_what_moves_says_so() -> None:
    first = feed([PREPARE], [WINDOW, WAIT], NOW, room=ROOM)
    later = NOW + 86_400_000
    assert feed([PREPARE], [WAIT, WINDOW], later, room=ROOM, before=first) == first
    moved = replace(WINDOW, says="K01 in upper: first pip 30 Jun to 4 Jul", first=date(2026, 6, 30))
    second = feed([PREPARE], [moved, WAIT], later, room=ROOM, before=first)
    old, new = by_vobject(first), by_vobject(second)
    assert new[WINDOW.id]["UID"] == old[WINDOW.id]["UID"]
    assert (new[WINDOW.id]["SEQUENCE"], new[WINDOW.id]["DTSTART"]) == ("1", date(2026, 6, 30))
    assert new[WINDOW.id]["DTSTAMP"] == new[WINDOW.id]["LAST-MODIFIED"] == datetime.fromtimestamp(later / 1000, UTC)
    assert (new[WAIT.id], new[PREPARE.id]) == (old[WAIT.id], old[PREPARE.id])
    third = by_vobject(feed([replace(PREPARE, done_ms=DONE)], [moved], later + 1000, room=ROOM, before=second))
    assert set(third) == {WINDOW.id, PREPARE.id}
    assert (third[PREPARE.id]["SEQUENCE"], third[WINDOW.id]["SEQUENCE"]) == ("1", "1")
    # Another room has other ones, even for a clutch of the same name.
    assert by_vobject(feed([], [WINDOW], NOW, room="Shed"))[WINDOW.id]["UID"] != old[WINDOW.id]["UID"]


HOSTILE = st.text(
    st.one_of(st.sampled_from(',;:\\"\r\n\t\0 =^\u2028\u0085\x7f'), st.characters(exclude_categories=["Cs"])),
    max_size=120,
)
DATES = st.dates(date(2020, 1, 1), date(2040, 1, 1))


@at_most(0.8)
@given(HOSTILE, HOSTILE, HOSTILE, HOSTILE, DATES, st.integers(0, 60), st.binary(max_size=200))
def test_no_name_breaks_out_of_its_field(
    name: str, says: str, more: str, room: str, day: date, length: int, before: bytes
) -> None:
    task = Task(f"t/{name}", says, day, day + timedelta(length), None, more)
    span = Days(f"w/{name}", says, more, day, day + timedelta(length))
    for earlier in (before, b"BEGIN:VCALENDAR\r\n" + before):
        data = feed([task], [span], NOW, room=room, before=earlier)
        lines = data.split(b"\r\n")
        assert max(map(len, lines)) <= 75  # octets without the line break (RFC 5545, 3.1)
        assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]|[^\r]\n", data)
        data.decode("utf-8")
        for line in lines:
            line.decode("utf-8")  # no character is cut in two
        assert [line for line in lines if line.startswith((b"BEGIN:", b"END:"))] == [
            b"BEGIN:VCALENDAR", b"BEGIN:VTODO", b"END:VTODO", b"BEGIN:VEVENT", b"END:VEVENT", b"END:VCALENDAR",
        ]  # fmt: skip
        todo, event = vobject.readOne(data.decode("utf-8")).components()
        told = "".join(sign if sign.isprintable() else " " for sign in says[:1].upper() + says[1:])
        assert (todo.summary.value, event.summary.value) == (told, told)
        assert (todo.due.value, event.dtend.value) == (day + timedelta(length), day + timedelta(length + 1))
        assert feed([task], [span], NOW + 5000, room=room, before=data) == data


def test_a_feed_of_before_is_read_where_there_is_one(tmp_path: Path) -> None:
    file = tmp_path / "eggs.ics"
    assert read_feed(file) == b""
    file.write_bytes(b"one")
    assert read_feed(file) == b"one"
