"""What the boxes of a room were like, on the overview's page: from a database that may be slow, wrong or hostile."""

from __future__ import annotations

import json
import time
import urllib.parse
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler
from typing import Any

import pytest

from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.core.terms.settings import HistoryAt
from monitor.page.rooms import history
from monitor.page.rooms.app import build_rooms
from tests.adapters.test_history import answering, drips, says
from tests.page.many import many_rooms
from tests.page.rooms import Browser
from tests.page.test_many import text_of

PAST = "/room/house/attic/history"


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RoomsSeen]:
    with many_rooms(tmp_path_factory.mktemp("many")) as (made, _):
        yield made


def browser(seen: RoomsSeen, url: str | None) -> Browser:
    seen.settings = replace(seen.settings, history=None if url is None else HistoryAt(url, token="s3cret"))
    return Browser(build_rooms(seen), base_url="http://localhost", raise_server_exceptions=False)


def boxes(*names: str) -> Any:
    """Each box with a mean of 28 and a lowest of 27."""

    def answer(handler: BaseHTTPRequestHandler) -> None:
        asked = urllib.parse.parse_qs(urllib.parse.urlsplit(handler.path).query)
        assert asked["db"] == ["attic"]
        columns = ["time", "n", "mean", "low", "high"]
        series = [{"tags": {"box": n}, "columns": columns, "values": [[0, 9, 28.0, 27.0, 29.5]]} for n in names]
        says(200, json.dumps({"results": [{"series": series}]}).encode())(handler)

    return answer


def test_each_box_is_told_over_a_day_a_week_and_a_month_and_no_name_is_markup(seen: RoomsSeen) -> None:
    with answering(boxes("low", "<b onload=x>")) as url:
        made = browser(seen, url)
        assert PAST in made.get("/room/house/attic").text
        found = made.get(PAST)
    assert found.status_code == 200
    assert "<b onload" not in found.text
    page = text_of(found.text)
    assert page.count("28.0 °C (27 to 29.5 °C)") >= 6
    assert "&lt;b onload=x&gt;" in page


def test_without_a_database_there_is_no_such_page(seen: RoomsSeen) -> None:
    made = browser(seen, None)
    assert "/history" not in made.get("/room/house/attic").text
    assert made.get(PAST).status_code == 404
    assert browser(seen, "http://127.0.0.1:9").get("/room/house/nowhere/history").status_code == 404


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (says(500, b"s3cret"), "the database refuses"),
        (says(200, b"<html>"), "the database refuses"),
        (drips, "does not answer"),
        (says(200, b'{"results": [{}]}'), "The database has nothing"),
    ],
)
def test_a_database_that_does_not_answer_is_told_in_time(
    seen: RoomsSeen, monkeypatch: pytest.MonkeyPatch, answer: Any, words: str
) -> None:
    monkeypatch.setattr(history, "ANSWER_S", 0.5)
    with answering(answer) as url:
        began = time.monotonic()
        found = browser(seen, url).get(PAST)
        assert time.monotonic() - began < 20.0
    assert found.status_code == 200
    assert words in text_of(found.text)
    assert "s3cret" not in found.text


def test_many_boxes_are_shown_in_part_and_the_page_is_not_large(seen: RoomsSeen) -> None:
    with answering(boxes(*(f"box-{n}-{'x' * 60}" for n in range(400)))) as url:
        found = browser(seen, url).get(PAST)
    assert len(found.content) < 100_000
    assert "and 300 more" in text_of(found.text)
