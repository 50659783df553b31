"""How a clutch came so far, on its page."""

from __future__ import annotations

import re

import pytest

from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("way"))


def test_each_lot_has_its_way_drawn_and_in_sentences(shown: ShownRoom) -> None:
    client = shown.client()
    assert 'href="/clutch/K01/way"' in client.get("/clutch/K01").text
    page = client.get("/clutch/K01/way").text
    assert re.findall(r'<svg class="picture (\w+)"', page) == ["narrow", "wide"] * 2
    assert re.search(r"K01 in left-upper: 8\d\.\d %", page)
    for share in (25, 50, 75):
        assert len(re.findall(rf"<li>At {share} %, on \d+ May: first pip [^<]+</li>", page)) == 2
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert len(page.encode()) < 40_000


def test_a_clutch_that_there_is_not_is_said_to_be_none(shown: ShownRoom) -> None:
    answer = shown.client().get("/clutch/K99/way")
    assert answer.status_code == 404
    assert "K99" in answer.text
