"""The room at a glance."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.config.room_file import load_rest
from monitor.core.terms.times import MINUTE_MS
from monitor.page.room import LatestRound
from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


def test_the_picture_stands_twice_and_a_table_says_the_same(shown: ShownRoom) -> None:
    page = unescape(shown.client().get("/").text)
    assert page.count('class="picture') == 2
    words = page.partition("The same in words")[2]
    for box in ("left-upper", "right-lower"):
        told = re.search(r'<p class="big">([0-9.]+ °C)', unescape(shown.client().get(f"/box/{box}").text))
        assert told is not None
        assert re.search(rf"{box}.*?{re.escape(told[1][:4])} ± ", words, re.DOTALL), box
    assert words.count(">K01</a>") == 2


def test_a_picture_is_drawn_once_a_round(shown: ShownRoom) -> None:
    app = shown.app()
    once = app.state.pages.picture
    first = shown.latest.snapshot
    assert first is not None
    drawn = once.of(first)
    assert once.of(first) is drawn
    shown.clock_ms += MINUTE_MS
    assert once.of(shown.round()) is not drawn


def test_a_page_has_no_style_and_no_script_of_its_own(shown: ShownRoom) -> None:
    client = shown.client()
    for path in ("/", "/box/left-upper", "/clutch/K01", "/notices", "/probes", "/stack/left", "/tasks", "/more"):
        page = client.get(path).text
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|<script(?![^>]*\ssrc=)", page), path
        assert not re.search(r'(?:src|href|action)="(?:https?:)?//', page), path
        assert len(page.encode()) < 100_000, path


def test_a_room_without_boxes_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(
        '[room]\nname = "New"\ntime_zone = "Europe/Vienna"\n[broker]\nhost = "127.0.0.1"\n'
    )

    settings, _ = load_rest(tmp_path / "room.toml", data_dir=str(tmp_path / "data"))
    Store(tmp_path / "data").close()
    shown = ShownRoom(settings, LatestRound(), 1_780_293_600_000)
    shown.round()
    page = shown.client().get("/").text
    assert "warmtally setup" in page
    assert "Nothing needs a hand." in page
