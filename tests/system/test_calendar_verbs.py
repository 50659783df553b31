"""Tasks and the calendar on their whole way: from what was told to the commands, the file and the page."""

from __future__ import annotations

import http.client
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import vobject

from monitor.adapters.store import secret_of
from monitor.config.room_file import load
from monitor.core.notices.codes import feed_token
from monitor.core.notices.tasks import Task
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.telling.todo import task_rows
from tests.bench.stepped import stepped
from tests.desk import Desk, part, room_text
from tests.peers import free_port, wait_for

NOW = round(datetime(2026, 6, 10, 12, tzinfo=UTC).timestamp() * 1000)
LAID = NOW - 8 * DAY_MS


def told(desk: Desk, kind: EventKind, at_ms: int, **more: object) -> None:
    with desk.store() as store:
        store.account.tell(KeeperEvent(kind, **{"clutch": "K01", "at_ms": at_ms, "recorded_ms": at_ms, **more}))  # type: ignore[arg-type]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A room with a clutch that should have been candled yesterday and a box that is weighed today."""
    made = Desk(tmp_path)
    made.write(room_text({"upper": 150.0}, zone="Europe/Vienna"))
    monkeypatch.setattr("monitor.cli.todo.now_ms", lambda: NOW)
    told(made, EventKind.LAID, LAID, eggs=5, species="elaphe-taeniura")
    told(made, EventKind.SET, LAID + HOUR_MS, box="upper", eggs=5)
    told(made, EventKind.WEIGHED, NOW - 7 * DAY_MS, clutch="", box="upper", grams=812.0)
    return made


def test_tasks_are_told_until_the_account_ends_them(desk: Desk) -> None:
    said = desk.does("tasks")
    assert re.search(r"Tue 9 Jun +overdue +candle K01 in upper \(day 7\)", said)
    assert re.search(r"today +due +weigh box upper", said)
    assert max(map(len, said.splitlines())) <= 100
    told(desk, EventKind.CANDLED, NOW - HOUR_MS, box="upper", alive=5)
    told(desk, EventKind.WEIGHED, NOW - HOUR_MS, clutch="", box="upper", grams=800.0)
    assert [(t["what"], t["state"]) for t in desk.took("tasks --json").json] == [
        ("give box upper 12 ml of water", "due"),
        ("weigh box upper", "coming"),
        ("candle K01 in upper (day 7)", "done"),
        ("weigh box upper", "done"),
    ]
    told(desk, EventKind.WATERED, NOW - HOUR_MS // 2, clutch="", box="upper", grams=12.0)
    assert desk.does("tasks --days 0") == "nothing to do today\n"
    assert desk("tasks --days -1").code != 0


def test_looks_of_days_to_come_stand_in_one_line() -> None:
    today = date(2026, 6, 10)
    looks = [Task(f"look/{n}", "look at K01 in upper", d, d) for n in range(4) if (d := today + timedelta(n))]
    assert task_rows([*looks, replace(looks[0], id="w", says="weigh box upper")], today) == [
        ["today", "due", "look at K01 in upper"],
        ["Thu 11 Jun to Sat 13 Jun", "coming", "look at K01 in upper"],
        ["today", "due", "weigh box upper"],
    ]


def test_a_calendar_file_is_written_again_only_where_something_moved(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = desk.folder / "eggs.ics"
    assert "tasks in" in desk.does(f"calendar --out {file}")
    first = file.read_bytes()
    todos = {t.summary.value: t for t in vobject.readOne(first.decode()).vtodo_list}
    assert todos["Candle K01 in upper (day 7)"].due.value.isoformat() == "2026-06-09"
    monkeypatch.setattr("monitor.cli.todo.now_ms", lambda: NOW + HOUR_MS)
    desk.does(f"calendar --out {file}")
    assert file.read_bytes() == first
    told(desk, EventKind.CANDLED, NOW, box="upper", alive=5)
    desk.does(f"calendar --out {file}")
    todos = {t.summary.value: t for t in vobject.readOne(file.read_bytes().decode()).vtodo_list}
    done = todos["Candle K01 in upper (day 7)"]
    assert (done.status.value, done.sequence.value) == ("COMPLETED", "1")
    assert desk.does("calendar").startswith("BEGIN:VCALENDAR")
    letter = desk.folder / "letter.txt"
    letter.write_text("Dear all")
    assert desk(f"calendar --out {letter}").code != 0
    assert letter.read_text() == "Dear all"
    assert desk("calendar --address").code != 0


def test_the_service_keeps_the_file_and_serves_it_to_who_has_the_address(desk: Desk) -> None:
    port = free_port()
    text = (desk.folder / "room.toml").read_text()
    answers = part("[answers]", listen=f"127.0.0.1:{port}", address=f"http://eggroom.test:{port}/")
    desk.write(f'{text}\n{answers}\n[calendar]\nfile = "eggs.ics"\nfeed = true\n')
    settings = load(desk.folder / "room.toml")
    file = desk.folder / "eggs.ics"

    def ask(path: str, method: str = "GET") -> tuple[int, str, bytes]:
        line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        line.request(method, path)
        answer = line.getresponse()
        return answer.status, answer.headers["Content-Type"], answer.read()

    with stepped(settings, desk.folder, NOW) as run:
        run.round(NOW)
        first = file.read_bytes()
        run.round(NOW + 10 * 60_000)
        assert file.read_bytes() == first
        address = desk.took("calendar --address").out.strip()
        token = feed_token(secret_of(settings.data_dir))
        assert address == f"http://eggroom.test:{port}/c/{token}.ics"
        wait_for(lambda: run.app.parts.ways_back.health() is not None, "the page")
        status, kind, body = ask(f"/c/{token}.ics")
        assert (status, kind, body) == (200, "text/calendar; charset=utf-8", first)
        assert ask(f"/c/{token}.ics", "POST")[0] == 405
        assert ask(f"/c/{token[:-1]}.ics")[0] == 404
        assert ask("/c/.ics")[0] == 404
        # Whoever guesses is kept out for a while, as with codes.
        assert {ask(f"/c/{i:024}.ics")[0] for i in range(12)} == {404, 429}
        told(desk, EventKind.CANDLED, NOW, box="upper", alive=5)
        run.round(NOW + 12 * 60_000)
        assert b"COMPLETED" in file.read_bytes()
        assert b"\r\nSEQUENCE:1\r\n" in file.read_bytes()
