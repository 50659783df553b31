"""The room at another moment: what the commands tell of that moment, plainly headed as such."""

from __future__ import annotations

from html import unescape
from pathlib import Path

import pytest

from tests.page.rooms import ShownRoom, told


def _page(shown: ShownRoom, at: str) -> str:
    answer = shown.client().get("/at", params={"at": at})
    assert answer.status_code == 200
    assert len(answer.content) < 100_000
    return unescape(answer.text)


def test_it_shows_what_was_known_then(shown: ShownRoom, folder: Path) -> None:
    page = _page(shown, "2026-05-20T12:00")
    assert "<h1>As it was 2026-05-20 12:00</h1>" in page
    assert "This is not now." in page
    lines = told(folder, "forecast", "K01/left-lower", "--at", "2026-05-20 12:00", "--why").splitlines()
    share = next(line for line in lines if line.startswith("  development")).split("] ")[1].split(" %")[0]
    assert f"{share} %" in page
    assert "32.3" not in page, "the box became too warm on the last day"
    assert "32.3" in _page(shown, "2026-06-01T08:00")


def test_no_box_leads_to_what_is_now(shown: ShownRoom) -> None:
    page = _page(shown, "2026-05-20T12:00")
    assert 'href="/box/' not in page
    assert 'href="/box/' in shown.client().get("/").text
    assert "today " not in page


def test_steps_keep_the_time_of_day_over_a_change_of_clocks(shown: ShownRoom) -> None:
    page = _page(shown, "2026-04-01T12:00")
    # Vienna's clocks went from +01:00 to +02:00 on 29 March 2026 (EU directive 2000/84/EC: last Sunday of March).
    assert 'href="/at?at=2026-03-25%2012%3A00%2B01%3A00"' in page
    assert 'href="/at?at=2026-04-08%2012%3A00%2B02%3A00"' in page
    assert "As it was 2026-03-25 12:00" in _page(shown, "2026-03-25 12:00+01:00")


def test_nothing_is_shown_of_what_is_to_come(shown: ShownRoom) -> None:
    page = _page(shown, "2026-06-02T12:00")
    assert "that is still to come" in page
    assert "As it was 2026-05-31 08:00" in page
    last = _page(shown, "2026-05-31T20:00")
    assert "A day before" in last
    assert "A day after" not in last


@pytest.mark.parametrize(
    ("told_as", "says"),
    [
        ("x", "is not a time"),
        ("2026-03-29T02:30", "the clocks were set forward over it"),
        ("99999-01-01", "is not a time"),
        ("<script>y</script>", "is not a time"),
        ("x" * 900, "is not a time"),
    ],
)
def test_what_is_no_moment_is_said_so(shown: ShownRoom, told_as: str, says: str) -> None:
    answer = shown.client().get("/at", params={"at": told_as})
    assert answer.status_code == 200
    assert says in unescape(answer.text)
    assert "<script>y" not in answer.text
    assert "x" * 100 not in answer.text


def test_a_time_before_anything_was_measured_says_so(shown: ShownRoom) -> None:
    page = _page(shown, "2020-05-20T12:00")
    assert "No reading of that time is there." in page
    assert "/clutch/K01" not in page


def test_nothing_is_entered_in_a_room_that_is_looked_back_on(tmp_path: Path) -> None:
    new = ShownRoom.new(tmp_path)
    assert new.client().get("/at").status_code == 200, "before the first round too"
    shown = ShownRoom.usual(tmp_path / "usual")
    page = shown.client().get("/at").text
    assert "Looked at all" in shown.client().get("/").text
    assert "Looked at all" not in page
    assert 'action="/' not in page.replace('action="/at"', "")
