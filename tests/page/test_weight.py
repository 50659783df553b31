"""What a page weighs: the largest room that one can think of, drawn by seed, stays far below what a page may weigh."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.page.heaviest import BOXES, heaviest
from tests.page.test_looks import Looked

pytestmark = pytest.mark.slow

MOST: dict[str, int] = {"/": 80_000}
USUAL_MOST = 100_000
"""Bytes, of 102,400 that a page may have."""


@pytest.mark.parametrize("seed", range(3))
def test_no_page_of_the_heaviest_room_is_heavy(tmp_path: Path, seed: int) -> None:
    looked = Looked("heaviest", heaviest(tmp_path, seed), "")
    assert len(looked.pages) > 15
    weights = {route: looked.bytes_of[path] for route, path in looked.pages}
    assert {r: n for r, n in weights.items() if n > MOST.get(r, USUAL_MOST)} == {}
    # Nothing was left out to get there: each box is in the picture and in the words.
    room, words = (looked.client.get(path) for path in ("/", "/?as=words"))
    assert len(words.content) <= USUAL_MOST
    assert len(looked.client.get("/at?as=words").content) <= USUAL_MOST
    assert len(re.findall(r'<a href="/box/[\w-]{60}"><title>', room.text)) == BOXES
    assert words.text.count('<th scope="row">') == BOXES
