"""The page of a box."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.core.terms.times import HOUR_MS
from monitor.page.box import SPANS_H, BoxFigures
from monitor.page.room import PageRoom
from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


def test_a_box_says_how_warm_it_is_and_how_old_that_is(shown: ShownRoom) -> None:
    page = shown.client().get("/box/left-upper").text
    assert "32.3 °C" in page
    assert "limits 25 to 31 °C" in page
    assert "5 min ago" in page


def test_a_box_beyond_its_limit_says_so_beside_its_figure(shown: ShownRoom) -> None:
    snapshot = shown.latest.snapshot
    assert snapshot is not None
    room = PageRoom(shown.settings, lambda: shown.clock_ms, shown.latest)
    loud = re.compile(r'<p class="now"><b class="urgency">([^<]*)</b>')
    assert loud.findall(shown.client().get("/box/left-upper").text) == ["Too warm"]
    assert loud.findall(shown.client("de").get("/box/left-upper").text) == ["Zu warm"]
    assert loud.findall(shown.client().get("/box/left-lower").text) == []
    for box in snapshot.boxes:
        now_c = box.current_c(snapshot.now_ms)
        assert now_c is not None
        for cool_c, warm_c, beyond in (
            (now_c, None, "too_cool"),
            (None, now_c, "too_warm"),
            (now_c - 0.1, now_c + 0.1, ""),
        ):
            limits = replace(box.limits, too_cool_c=cool_c, too_warm_c=warm_c)
            assert BoxFigures.of(replace(box, limits=limits), snapshot, room).beyond == beyond


def test_a_silent_box_has_no_temperature_of_now(tmp_path: Path) -> None:
    shown = ShownRoom.small(tmp_path, days=3)
    shown.clock_ms += 5 * HOUR_MS
    shown.round()
    page = shown.client().get("/box/left-upper").text
    assert "no reading" in page
    assert '<p class="big">' not in page
    assert "last 32.3 °C, 07:55" in page


def test_what_was_entered_of_it_lately_can_be_put_right_there(shown: ShownRoom, tmp_path: Path) -> None:
    client = shown.copied(tmp_path).client()

    def lately(box: str) -> str:
        return client.get(f"/box/{box}").text.partition('id="lately"')[2].partition("</section>")[0]

    assert lately("left-lower").count("/correct") == 2, "laid, and set here"
    told = {"how": "mould", "eggs": "1", "asked": "eggs", "key": "k" * 22}
    done = client.post("/box/left-lower/enter/dead", data=told)
    number = done.url.path.removeprefix("/entered/")
    assert number.isdigit(), done.text
    assert lately("left-lower").index(f"/entry/{number}/correct") < lately("left-lower").rindex("/correct")
    assert f"/entry/{number}/correct" not in lately("right-lower")


def test_what_was_entered_is_told_in_the_language_of_the_page(shown: ShownRoom) -> None:
    page = shown.client("de").get("/box/left-lower").text
    assert "eingelegt, Eier: 6, Kasten: left-lower" in page
    assert "set, 6 eggs" not in page
    assert "set, 6 eggs, box left-lower" in shown.client().get("/box/left-lower").text


@pytest.mark.parametrize("span", SPANS_H)
def test_its_course_goes_back_an_hour_or_a_season_within_bounds(shown: ShownRoom, span: str) -> None:
    answer = shown.client().get(f"/box/left-upper?span={span}")
    assert answer.status_code == 200
    assert len(answer.content) < 100_000
    assert answer.text.count('<svg class="course"') == 2
    if span in ("week", "month", "season"):
        assert "never reached" not in answer.text, "means of hours cannot know that"


def test_a_box_that_is_not_there_is_named_with_those_that_are(shown: ShownRoom) -> None:
    answer = shown.client().get("/box/attic")
    assert answer.status_code == 404
    assert "left-upper" in answer.text
    assert shown.client().get("/box/left-upper?span=<x>").status_code == 200
