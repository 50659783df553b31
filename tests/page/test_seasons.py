"""A season on its page, in print and as a table: as the command tells it; and how well windows were told."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.telling.drawing.season_page import STYLE
from tests.page.rooms import ShownRoom, told


@pytest.fixture(scope="module")
def shown(folder: Path) -> ShownRoom:
    shown = ShownRoom.small(folder)
    told(folder, "record", "pipped", "K01", "--box", "left-upper", "--eggs", "2", "--at", "2026-06-01 07:30",
         "--not-yet-at", "2026-05-31 20:00")  # fmt: skip
    # Long before anything was to be expected: after half of its way, before three quarters.
    told(folder, "record", "pipped", "K02", "--box", "right-upper", "--eggs", "1", "--at", "2026-05-22 07:30",
         "--not-yet-at", "2026-05-21 20:00", "--note", "<i>early</i>")  # fmt: skip
    shown.round()
    return shown


def test_a_season_says_what_the_command_says(shown: ShownRoom, folder: Path) -> None:
    page = shown.text("/season")
    lines = told(folder, "season", "--at", "2026-06-01 08:00").splitlines()
    begin = next(i for i, line in enumerate(lines) if line.startswith("2 clutches"))
    end = lines.index("", begin)
    advised = [m[1] for line in lines if (m := re.match(r"^(?:  \d\. |     why: )(.*)$", line))]
    stacks = [line.strip() for i, line in enumerate(lines) if lines[i - 1].startswith("stack ")]
    assert len(lines[begin:end]) >= 3
    assert advised
    assert stacks
    for line in [*lines[begin:end], *advised, *stacks]:
        assert line in page
    row = next(line for line in lines if line.startswith("K01 "))
    for cell in re.split(r" {2,}", row)[1:]:
        assert cell == "-" or f"<dd>{cell}</dd>" in page
    assert page.count("<svg") == 4
    assert len(page) < 100_000


def test_of_many_some_are_drawn_and_that_is_said(shown: ShownRoom, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.page.seasons.MOST_DRAWN", 3)
    monkeypatch.setattr("monitor.page.seasons.MOST_CLUTCHES", 1)
    page = shown.text("/season")
    assert '<a href="/season/2026?from=1">K02</a>' in page
    assert page.count("<svg") == 2
    other = shown.text("/season/2026?from=1")
    assert "K02</a>: " in other
    assert "K01</a>: " not in other
    for where in ("99", "-1", "x", "9" * 400, "²"):
        assert shown.client().get(f"/season/2026?from={where}").status_code == 200
    page = shown.text("/before")
    assert page.count("<svg") == 3
    assert "Not all are drawn here" in page


def test_years_are_chosen_and_others_refused(shown: ShownRoom) -> None:
    client = shown.client()
    client.get("/")
    assert client.get("/season/2026").text == client.get("/season").text
    refused = shown.client().get("/season/1999")
    assert refused.status_code == 404
    assert "years with clutches: 2026" in refused.text
    for path in ("/season/x", "/season/2026.txt", "/season/99999999999999999999", "/season/1999/print"):
        assert shown.client().get(path).status_code == 404


def test_it_is_printed_without_a_style_of_its_own(shown: ShownRoom) -> None:
    page = shown.client().get("/season/2026/print").text
    assert "<style" not in page
    assert "style=" not in page
    assert "<script" not in page
    found = re.search(r'<link rel="stylesheet" href="([^"]+)">', page)
    assert found is not None
    answer = shown.client().get(found[1])
    assert answer.headers["content-type"].startswith("text/css")
    assert answer.text == STYLE


def test_its_table_is_that_of_the_command(shown: ShownRoom, folder: Path) -> None:
    answer = shown.client().get("/season/2026.csv")
    told(folder, "season", "--at", "2026-06-01 08:00", "--csv", str(folder / "season.csv"))
    assert answer.text == (folder / "season.csv").read_text("utf-8")
    assert answer.headers["content-disposition"] == 'attachment; filename="season-2026.csv"'


def test_how_well_it_does_is_counted_and_nothing_is_made_of_few(shown: ShownRoom) -> None:
    page = shown.text("/before")
    assert "at 25 % of the way: 1 of 2 inside (1 before it); 8 of 10 are promised; too few to judge" in page
    # What was told of K02 when its pip had been seen already is no forecast.
    assert "at 75 % of the way: 1 of 1 inside; 8 of 10 are promised; too few to judge" in page
    assert page.count("K02 in right-upper</th>") == 2
    assert page.count("before it, ") == 2


def test_before_anything_has_happened_the_pages_say_so(tmp_path: Path) -> None:
    shown = ShownRoom.small(tmp_path, days=3)
    assert "Nothing has pipped yet" in shown.text("/before")


def test_a_room_without_clutches_has_no_season(tmp_path: Path) -> None:
    shown = ShownRoom.small(tmp_path, days=3)
    shown.clock_ms -= 400 * 86_400_000
    assert "No clutch is there yet" in shown.text("/season")
    assert shown.client().get("/season/2026").status_code == 404


def test_a_name_from_outside_does_no_harm(tmp_path: Path) -> None:
    shown = ShownRoom.small(tmp_path, days=3)
    shown.settings = replace(shown.settings, room=replace(shown.settings.room, name="<b>x</b>&"))
    for path in ("/season", "/season/2026/print"):
        page = shown.client().get(path).text
        assert "&lt;b&gt;x&lt;/b&gt;&amp;" in page
        assert "<b>x" not in page
