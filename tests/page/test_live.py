"""What an open page hears."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from monitor.core.terms.times import MINUTE_MS
from monitor.page import live
from monitor.page.room import PageRoom
from tests.page.rooms import ShownRoom


@pytest.fixture
def shown(tmp_path: Path) -> ShownRoom:
    return ShownRoom.small(tmp_path, days=2)


def _events(shown: ShownRoom, steps: list[int], monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, dict[str, object]]]:
    """What is heard while the clock goes on by so many ms before each event but the first, with a round each."""
    monkeypatch.setattr(live, "SIGN_S", 0.05)
    room = PageRoom(shown.settings, lambda: shown.clock_ms, shown.latest, waits_s=0)

    async def hear() -> list[str]:
        told = live.told(room, look_s=0.01)
        heard = [await anext(told)]
        for step in steps:
            shown.clock_ms += step
            if step and step < 60 * MINUTE_MS:
                shown.round()
            heard.append(await asyncio.wait_for(anext(told), 5.0))
        await told.aclose()  # type: ignore[attr-defined]
        return heard

    heard = asyncio.run(hear())
    parts = [x.rstrip("\n").split("\n") for x in heard]
    return [(a.removeprefix("event: "), json.loads(b.removeprefix("data: "))) for a, b in parts]


def test_each_round_is_told_once_and_between_them_that_the_line_stands(
    shown: ShownRoom, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = shown.clock_ms
    heard = _events(shown, [0, MINUTE_MS, 0], monkeypatch)
    assert [name for name, _ in heard] == ["round", "sign", "round", "sign"]
    assert [data["round_ms"] for _, data in heard] == [first, first, first + MINUTE_MS, first + MINUTE_MS]


def test_a_service_that_hangs_is_told_as_old(shown: ShownRoom, monkeypatch: pytest.MonkeyPatch) -> None:
    (_, fresh), (_, old) = _events(shown, [61 * MINUTE_MS], monkeypatch)
    assert (fresh["stale"], old["stale"]) == (False, True)


def test_the_page_brings_the_script_and_a_word_for_a_lost_line(shown: ShownRoom) -> None:
    page = shown.client().get("/").text
    assert "/static/live.js?" in page
    assert 'id="no-line" class="stale" role="alert" hidden' in page
