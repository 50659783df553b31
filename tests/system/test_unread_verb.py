"""``warmtally unread``: what could not be read, as a keeper looks at it."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.adapters.store import Quarantined, Store
from monitor.core.terms.events import Reading
from tests.desk import Desk, room_text

TODAY = datetime(2026, 9, 1, 12, tzinfo=UTC)
NOW = round(TODAY.timestamp() * 1000)


@pytest.fixture(autouse=True)
def _today(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: NOW * 1_000_000)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.write(room_text(zone="Europe/Vienna"))
    with Store(tmp_path / "data") as store:
        store.journal.ingest([Reading("upper-warmth", NOW - 5, 28.0, NOW)])
    return made


def came(desk: Desk, *messages: Quarantined) -> None:
    with Store(desk.folder / "data") as store:
        store.journal.ingest([], messages)


def junk(minutes_ago: int, payload: bytes, reason: str = "no number", box: str = "upper") -> Quarantined:
    return Quarantined(NOW - minutes_ago * 60_000, f"room/{box}", payload, reason, f"{box}-warmth")


def test_where_everything_can_be_read_that_is_said(desk: Desk) -> None:
    assert desk.does("unread") == "every message could be read\n"
    assert desk("unread --json").json == {"sources": [], "messages": []}


def test_the_last_messages_are_shown_with_their_time_reason_size_and_beginning(desk: Desk) -> None:
    came(
        desk,
        junk(3 * 24 * 60, b"error"),
        junk(10, b'{"t": "n/a"}', "/t is no number", "lower"),
        junk(5, b"\x00\x1b[2J\xff\\n\n" + b"z" * 300),
    )
    told = desk.does("unread").splitlines()
    assert " ".join(told[0].split()) == "probe topic messages first last why the last could not be read"
    assert told[2].split() == ["upper-warmth", "room/upper", "2", "2026-08-29", "14:00", "13:55", "no", "number"]
    assert told[3].split() == ["lower-warmth", "room/lower", "1", "13:50", "13:50", "/t", "is", "no", "number"]
    assert told[5:8] == ["2026-08-29 14:00  upper-warmth  room/upper  5 bytes", "    no number", "    error"]
    assert told[9:12] == ["13:50  lower-warmth  room/lower  12 bytes", "    /t is no number", '    {"t": "n/a"}']
    assert told[13] == "13:55  upper-warmth  room/upper  309 bytes"
    assert told[15].startswith(r"    \x00\x1b[2J\xff\\n\x0azz")
    assert told[15].endswith("zz ...")
    assert len(told[15]) < 120
    assert len(told) == 16


def test_one_probe_and_the_last_few(desk: Desk) -> None:
    came(desk, *(junk(60 - k, b"%d" % k, f"why {k}", "upper" if k % 2 else "lower") for k in range(20)))
    told = desk.does("unread --probe upper-warmth --last 2")
    assert "lower" not in told
    assert [line.strip() for line in told.splitlines() if line.startswith("    ")] == ["why 17", "17", "why 19", "19"]
    shown = desk("unread --probe upper-warmth --last 2 --json").json
    assert [m["payload_start"] for m in shown["messages"]] == ["19", "17"]
    (source,) = shown["sources"]
    assert (source["messages"], source["last"]) == (10, "2026-09-01T11:19:00Z")
    assert "why 19" in desk.does("unread --last 0")
    assert len(desk("unread --json").json["messages"]) == 10


def test_nothing_that_came_from_outside_reaches_the_terminal_as_it_is(desk: Desk) -> None:
    came(
        desk,
        Quarantined(NOW, "room/\x1b]0;x\x07", bytes(range(256)) * 400, "bad \x1b[31m\r\n" + "w" * 900, "upper-warmth"),
    )
    told = desk.does("unread")
    assert all(line.isprintable() for line in told.splitlines())
    assert r"\x1b[31m\r\n" in told
    assert "65536 bytes or more" in told
    assert max(len(line) for line in told.splitlines()) < 500
    (message,) = desk("unread --json").json["messages"]
    assert message["cut"] is True
    assert len(message["payload_start"]) < 5000


def test_an_empty_message_is_called_empty_and_one_of_no_probe_is_shown(desk: Desk) -> None:
    came(desk, Quarantined(NOW, "shipping", b"", "refused"))
    assert desk.does("unread").splitlines()[-3:] == ["14:00  -  shipping  0 bytes", "    refused", "    (empty)"]
    assert desk("unread --json").json["sources"][0]["probe"] is None


@pytest.mark.parametrize("line", ["unread --probe nobody", "unread --last -1"])
def test_a_wrong_question_is_refused(desk: Desk, line: str) -> None:
    answer = desk(line)
    assert answer.code != 0
    assert answer.out == ""
    assert answer.err.startswith("warmtally: ")


def test_a_probe_that_is_no_longer_configured_can_be_asked_for(desk: Desk) -> None:
    came(desk, Quarantined(NOW, "room/gone", b"x", "why", "gone"))
    assert "room/gone" in desk.does("unread --probe gone")


def test_its_help_has_examples(desk: Desk) -> None:
    told = " ".join(desk("unread --help").out.split())
    for part in ("warmtally unread --probe upper-warmth --last 3", "--json", "--last N", "--probe ID"):
        assert part in told
