"""The app: what every page has, and what becomes of a failure."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator

import pytest
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.testclient import TestClient

from monitor.core.terms.times import MINUTE_MS
from monitor.errors import EventRefused, StoreError, UnknownSubject
from monitor.page.app import build
from monitor.page.room import LatestRound, PageRoom
from monitor.page.texts import LANGUAGES, saying, table
from tests.page.rooms import ShownRoom
from tests.peers import PROJECT


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


@pytest.fixture
def clock(shown: ShownRoom) -> Iterator[ShownRoom]:
    before = shown.clock_ms
    yield shown
    shown.clock_ms = before


def test_a_page_says_of_when_it_is_and_says_first_when_nobody_watches(clock: ShownRoom) -> None:
    fresh = clock.client().get("/more")
    assert fresh.status_code == 200
    assert "as of" in fresh.text
    assert "Nobody watches" not in fresh.text
    clock.clock_ms += 2 * MINUTE_MS
    assert "Nobody watches: the newest look at the room is from" in clock.client().get("/more").text
    # A clock set back is as bad as one that ran on.
    clock.clock_ms -= 60 * MINUTE_MS
    assert "Nobody watches" in clock.client().get("/more").text


def test_before_the_first_round_the_page_says_so(shown: ShownRoom) -> None:
    app = build(PageRoom(shown.settings, lambda: shown.clock_ms, LatestRound(), waits_s=0))
    assert "has not been looked at yet" in TestClient(app, base_url="http://localhost").get("/").text


@pytest.mark.parametrize(
    ("error", "status", "says"),
    [
        (EventRefused("more out than in", fix="look again"), 409, "look again"),
        (UnknownSubject("no box z", fix="boxes: a"), 404, "boxes: a"),
        (StoreError("the disk is gone", fix="plug it in"), 503, "plug it in"),
        (ZeroDivisionError("secret"), 500, "could not be made"),
    ],
)
def test_a_failure_says_what_and_what_to_do(shown: ShownRoom, error: Exception, status: int, says: str) -> None:
    def fails(request: Request) -> Response:
        raise error

    room = PageRoom(shown.settings, lambda: shown.clock_ms, shown.latest, waits_s=0)
    app = build(room, more=[Route("/fails", fails)])
    answer = TestClient(app, base_url="http://localhost", raise_server_exceptions=False).get("/fails")
    assert answer.status_code == status
    assert says in answer.text
    assert "secret" not in answer.text


def test_a_round_is_asked_for_and_waited_for_within_bounds(shown: ShownRoom) -> None:
    room = PageRoom(shown.settings, lambda: shown.clock_ms, shown.latest, waits_s=0.05)
    assert room.look_again(shown.clock_ms) is shown.latest.snapshot
    assert room.look_again(shown.clock_ms + 1) is shown.latest.snapshot, "an older one, when none comes in time"
    assert shown.latest.asked.is_set()
    shown.latest.asked.clear()


def test_every_language_has_every_text_with_the_same_places() -> None:
    places = {key: sorted(_places(text)) for key, text in table("en").items()}
    for language in LANGUAGES:
        assert {key: sorted(_places(text)) for key, text in table(language).items()} == places, language
    assert saying("en")("all.read", when="06:00") == "as of 06:00"


def _places(text: str) -> set[str]:
    return {part.partition("}")[0] for part in text.replace("$$", "").split("${")[1:]}


def test_a_language_whose_words_are_not_there_yet_is_english(shown: ShownRoom) -> None:
    for language in ("en", "de", "xx"):
        assert shown.client(language).get("/more").status_code == 200


def test_what_reads_the_rooms_file_is_not_loaded_by_a_page_that_only_shows() -> None:
    code = "import sys\nimport monitor.page.app\nassert not any(m.startswith('pydantic') for m in sys.modules)"
    subprocess.run([sys.executable, "-c", code], cwd=PROJECT, check=True)
