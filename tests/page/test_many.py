"""The pages of an overview: who gets in, who may answer, and what becomes of it; nothing old is shown as of now."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.adapters.people import PeopleFile
from monitor.cli.main import main
from monitor.page.rooms.app import build_rooms
from monitor.page.rooms.pages import told
from monitor.page.texts import LANGUAGES, table
from tests.adapters.mqtt.test_rooms import Speaker
from tests.page.many import box, many_rooms, need
from tests.page.rooms import NOW_MS, PHRASE, Browser
from tests.peers import wait_for

MOST_BYTES = 100_000
Shown = tuple[RoomsSeen, Browser]


@pytest.fixture
def shown(tmp_path: Path) -> Iterator[Shown]:
    with many_rooms(tmp_path) as (seen, _):
        yield seen, Browser(build_rooms(seen), base_url="http://localhost", raise_server_exceptions=False)


def text_of(html: str) -> str:
    return " ".join(re.sub("<[^>]*>", " ", html).split())


def test_the_first_page_says_what_needs_a_hand_and_which_rooms_nobody_watches(shown: Shown) -> None:
    page = text_of(shown[1].get("/").text)
    assert "2 of 7 rooms are watched" in page
    for words in ("garden: never heard", "barn: down: nobody watches, last word 07:30", "cellar: silent",
                  "den: it says more than this program understands", "eaves: what it says cannot be read",
                  "attic: Too warm: low, since 07:20", "Answered by anna, on the page, 07:00."):  # fmt: skip
        assert words in page


def test_an_old_temperature_is_never_shown_as_of_now(shown: Shown) -> None:
    seen, client = shown
    # Beyond its limit of 31, and said so; the other box lies between its limits.
    page = text_of(client.get("/room/house/attic").text)
    assert "32.0 °C, too warm" in page
    assert "28.4 °C 25.0" in page
    for room in ("barn", "cellar"):
        page = text_of(client.get(f"/room/house/{room}").text)
        assert "no reading (was 28.2 °C," in page
        assert "27.9 °C" not in page
        assert "27.0 °C" not in page
    with_clock = seen.now_ms
    with_clock.at_ms += 3_600_000  # type: ignore[attr-defined]
    seen.look()
    page = text_of(client.get("/room/house/attic").text)
    assert "silent: nobody knows whether it is watched, last word 08:00" in page
    assert "32.0 °C" not in page


def test_an_answer_is_written_down_before_it_is_called_given(shown: Shown, tmp_path: Path) -> None:
    seen, client = shown
    assert (
        client.post("/answer", data={"room": "house/attic", "notice": "12"}, follow_redirects=False).status_code == 303
    )
    kept = json.loads((tmp_path / "seen" / "answers-on-their-way.json").read_text())["answers"]
    assert [(x["key"], x["notice"], x["by"]) for x in kept] == [("house/attic", 12, "Many rooms")]
    wait_for(lambda: seen.answers.all()[0].sent > 0, "the answer to be sent")
    assert "sent; the room has not said yet what came of it" in text_of(client.get("/").text)


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"room": "house/attic", "notice": "999"}, 409),
        ({"room": "house/nowhere", "notice": "12"}, 409),
        ({"room": "house/attic", "notice": "7"}, 409),
        ({"room": "house/attic", "notice": "12x"}, 400),
        ({"room": "house/attic", "notice": "9" * 40}, 400),
        ({"room": "house/attic", "notice": "\u0661\u0662"}, 400),
        ({}, 400),
        ({"room": "house/attic", "notice": "12", "form_key": "another"}, 403),
    ],
)
def test_what_cannot_be_answered_is_refused_and_nothing_is_sent(
    shown: Shown, fields: dict[str, str], status: int
) -> None:
    seen, client = shown
    assert client.post("/answer", data=fields).status_code == status
    assert seen.answers.all() == []


def test_only_who_may_enter_answers_and_who_was_not_let_in_sees_no_room(shown: Shown) -> None:
    seen, client = shown
    file = PeopleFile(seen.settings.data_dir)
    for name, may in (("anna", "enter"), ("guest", "look")):
        file.add(name, may, None, PHRASE, NOW_MS)  # type: ignore[arg-type]
    for path in ("/", "/calendar", "/room/house/attic"):
        answer = client.get(path, follow_redirects=False)
        assert (answer.status_code, answer.headers["location"].startswith("/enter")) == (303, True)
    page = client.get("/enter").text
    assert "attic" not in page
    assert "warmtally people passphrase NAME --rooms FILE" in page
    assert client.post("/enter", data={"name": "guest", "passphrase": PHRASE}).status_code == 200
    page = client.get("/").text
    assert "attic" in page
    assert 'action="/answer"' not in page
    assert "You may look here, and not answer." in page
    assert client.post("/answer", data={"room": "house/attic", "notice": "12"}).status_code == 403
    assert client.post("/leave", follow_redirects=False).status_code == 303
    assert client.post("/enter", data={"name": "anna", "passphrase": PHRASE}).status_code == 200
    assert (
        client.post("/answer", data={"room": "house/attic", "notice": "12", "back": "room"}).url.path
        == "/room/house/attic"
    )
    assert seen.answers.all()[0].by == "anna"


def test_nothing_that_a_room_says_is_markup_or_leads_astray(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>"

    def speak(speaker: object) -> None:
        speaker.room("attic", NOW_MS, room=evil, page="javascript:alert(1)", version=evil,  # type: ignore[attr-defined]
                     needs=[need(1, evil, "today", subjects=[evil], first=evil, title=evil)])  # fmt: skip
        box(speaker, "attic", "low", 28.0, (evil, 1))  # type: ignore[arg-type]

    with many_rooms(tmp_path, speak=speak) as (seen, _):
        client = TestClient(build_rooms(seen), base_url="http://localhost")
        for path in ("/", "/calendar", "/room/house/attic"):
            page = client.get(path).text
            assert evil not in page
            assert "javascript:" not in page
            assert "&lt;script&gt;" in page


def test_however_many_rooms_of_long_names_there_are_each_is_reached_and_no_page_is_large(tmp_path: Path) -> None:
    names = [f"{'m' * 59}{n:03d}" for n in range(230)]

    def speak(speaker: Speaker) -> None:
        for n, name in enumerate(names):
            told = need(n + 1, "k" * 60, first="f" * 300, subjects=["W" * 64] * 6)
            speaker.room(name, NOW_MS, room="W" * 200, needs=[told] * 6)
            box(speaker, name, name, 28.0, *((f"{'M' * 60}{k}", k) for k in range(2)))

    with many_rooms(tmp_path, speak=speak) as (seen, _):

        def all_there() -> bool:
            seen.look()
            return len(seen.last().rooms) == len(names)

        wait_for(all_there, "all rooms")
        client = TestClient(build_rooms(seen), base_url="http://localhost")
        found: set[str] = set()
        path = "/"
        for _ in range(5):
            page = client.get(path)
            assert len(page.content) <= MOST_BYTES
            found |= set(re.findall('scope="row"><a href="/room/house/([^"]*)"', page.text))
            more = [int(x) for x in re.findall(r'href="/\?from=([0-9]+)"', page.text)]
            path = f"/?from={max(more)}" if more and max(more) > int(path.partition("=")[2] or 0) else ""
        assert (found, path) == (set(names), "")
        for path in ("/calendar", f"/room/house/{names[0]}", "/?from=9999", "/?from=x"):
            page = client.get(path)
            assert page.status_code == 200
            assert len(page.content) <= MOST_BYTES


def test_an_open_page_is_told_when_anything_changes_and_ends_with_its_leave(shown: Shown) -> None:
    seen, _ = shown
    may = [True]

    async def hear() -> list[str]:
        stream = told(seen, lambda: may[0], look_s=0.01)
        heard = [await anext(stream)]
        may[0] = False
        heard += [x async for x in stream]
        return heard

    (first,) = asyncio.run(hear())
    assert first.startswith("event: round\n")
    assert json.loads(first.partition("data: ")[2])["stale"] is False


def test_people_of_an_overview_are_entered_by_its_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "rooms.toml"
    file.write_text('name = "All"\ntime_zone = "UTC"\n[[brokers]]\nid = "house"\n[page]\n')
    assert main(["people", "add", "anna", "--may", "enter", "--make-up", "--rooms", str(file)]) == 0
    assert main(["people", "--rooms", str(file), "--json"]) == 0
    assert '"anna"' in capsys.readouterr().out
    assert [p.name for p in PeopleFile(tmp_path / "rooms-data").read().people] == ["anna"]


def test_both_languages_have_the_words_of_each_state_of_a_room() -> None:
    ways = ("here", "down", "line", "silent", "never", "ahead", "newer", "unclear", "cut-off")
    outcomes = ("waits", "sent", "answered", "refused", "nobody")
    wanted = {f"rooms.is_{x}" for x in ways} | {f"rooms.answer_{x}" for x in outcomes}
    assert all(wanted <= table(language).keys() for language in LANGUAGES)
