"""The room's picture on its page: both drawings, the same in words, and room left for the rest of the page."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.simulation.scenes import Names, Scene
from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("picture"))


def test_the_page_shows_the_picture_narrow_and_wide_and_says_the_same_in_a_table(shown: ShownRoom) -> None:
    page = shown.client().get("/").text
    assert re.findall(r'<svg class="picture (\w+)"', page) == ["narrow", "wide"]
    assert re.search(r'<link rel="stylesheet" href="/static/picture\.css\?[0-9a-f]+">', page)
    table = page[page.index('<table class="words folds">') :]
    assert len(re.findall(r'<th scope="row">', table)) == 4
    assert '<a href="/box/left-upper">left-upper</a> 150 cm' in table
    assert "too warm, limit 31.0" in table
    assert re.search(r'<a href="/clutch/K01">K01</a>: 1 to 7 Jun, 6 eggs, 88\.\d %, wait until', table)
    assert shown.client().get("/static/picture.css").status_code == 200


@pytest.mark.parametrize(("boxes", "most"), [(8, 60_000), (32, 75_000), (64, 60_000)])
def test_the_page_stays_small(tmp_path: Path, boxes: int, most: int) -> None:
    """With a clutch in each box, two boxes a clutch, names as long as is usual."""
    shown = ShownRoom.small(tmp_path)
    scene = Scene(Names(tuple(f"left-upper-{i}" for i in range(boxes))))
    whole = next(s for s in scene.all() if len(s.lots) == 4 * boxes)
    lots = tuple(replace(x, lot=replace(x.lot, clutch=f"K{i // 2}")) for i, x in enumerate(whole.lots[::4]))
    shown.latest.see(replace(whole, lots=lots))
    client = shown.client()
    page, words = client.get("/").text, client.get("/?as=words").text
    assert len(re.findall('<a href="/box/left-upper-[0-9]+">', page)) == (2 * boxes + boxes if boxes <= 32 else boxes)
    assert words.count('<th scope="row">') == boxes
    assert max(len(page.encode()), len(words.encode())) < most
    if boxes > 32:
        # There are too many for a picture and its words on one page: a link leads from each to the other.
        assert "<th" not in page
        assert "<svg" not in words
        assert '<a href="/?as=words">The same in words</a>' in page
        assert '<a href="/">The same as a picture</a>' in words
