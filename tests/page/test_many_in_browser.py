"""The pages of an overview in a real browser, on every screen, in both languages, and alive."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from monitor.page.bounds import Bounds
from monitor.page.live import PATH as LIVE
from monitor.page.rooms.app import build_rooms
from monitor.page.server import PageServer
from tests.page.browser import ALL_SCREENS, PHONE, PHONE_DARK, WIDE, WIDE_DARK, Windows, windows
from tests.page.many import LONG, many_rooms, need
from tests.page.rooms import NOW_MS
from tests.page.served import served

# One browser: they stay on one worker.
pytestmark = [pytest.mark.xdist_group("looks"), pytest.mark.slow]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Windows]:
    with windows() as found:
        yield found


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Where the usual rooms are shown, in each language, and where there are none."""
    with ExitStack() as stack:
        found = {}
        for name, speak in (("usual", None), ("none", lambda _: None)):
            folder = tmp_path_factory.mktemp(name)
            seen, _ = stack.enter_context(many_rooms(folder, **({"speak": speak} if speak else {})))
            for language in ("en", "de") if name == "usual" else ("en",):
                server = PageServer(
                    ("127.0.0.1", 0),
                    build_rooms(seen, language=language),
                    streams={LIVE},
                    bounds=Bounds(burst=1_000_000, streams_of_one=20),
                )
                place = stack.enter_context(served(server))
                found[f"{name}-{language}"] = f"http://127.0.0.1:{place.port}"
        yield found


PAGES = (
    "/",
    "/calendar",
    "/room/house/attic",
    "/room/house/barn",
    f"/room/house/{LONG[:62]}",
    "/room/house/garden",
    "/enter",
)


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("path", PAGES)
def test_every_page_is_whole_on_every_screen(
    chromium: Windows, places: dict[str, str], path: str, language: str
) -> None:
    tab = chromium.tab
    assert tab.open(places[f"usual-{language}"] + path) == 200
    screens = ALL_SCREENS if path == "/" else (PHONE, PHONE_DARK, WIDE)
    wrong = [x for screen in screens for x in tab.looks(screen)] + tab.wrong
    for screen in (PHONE, PHONE_DARK, WIDE, WIDE_DARK) if path in ("/", "/calendar", "/room/house/attic") else (PHONE,):
        tab.picture(f"rooms-{language}-{path}", screen)
    assert wrong == []


def test_without_rooms_and_where_there_is_nothing_pages_are_whole_too(
    chromium: Windows, places: dict[str, str]
) -> None:
    tab = chromium.tab
    for path, status in (("/", 200), ("/calendar", 200), ("/room/house/nowhere", 404)):
        assert tab.open(places["none-en"] + path) == status
        assert [*tab.looks(PHONE), *tab.wrong] == []


def test_an_open_page_hears_what_changes_and_an_answer_is_given_on_it(chromium: Windows, tmp_path: Path) -> None:
    with many_rooms(tmp_path, speak=lambda s: s.room("shed", NOW_MS)) as (seen, speaker):
        server = PageServer(("127.0.0.1", 0), build_rooms(seen), streams={LIVE})
        took: list[bytes | bytearray] = []
        speaker.client.on_message = lambda _c, _d, m: took.append(m.payload)
        speaker.client.subscribe("shed/answer", 1)
        with served(server) as place:
            tab, page = chromium.tab, chromium.tab.page
            assert tab.open(f"http://127.0.0.1:{place.port}/") == 200
            page.get_by_text("Nothing needs a hand in any room.").wait_for()
            speaker.room("shed", NOW_MS, needs=[need(12)])
            page.get_by_role("button", name="I see to it").wait_for()
            page.get_by_role("button", name="I see to it").click()
            page.get_by_text("sent; the room has not said yet").first.wait_for()
            speaker.say("shed/answer/reply", "Notice 12 is answered: Too warm.", retain=False)
            page.get_by_text("the room took it: Notice 12 is answered").first.wait_for()
            assert [*tab.wrong] == []
        assert len(took) == 1
