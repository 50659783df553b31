"""What if it were warmer or cooler: as the command tells it, and nothing is set or entered by it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.page.rooms import ShownRoom, told

AT = "2026-06-01 08:00"


def test_a_date_is_worked_out_as_the_command_does(shown: ShownRoom, folder: Path) -> None:
    page = shown.text("/what-if/K01?n=25")
    lines = told(folder, "forecast", "K01", "--assume", "25.0", "--at", AT).splitlines()
    pips = [line.strip() for line in lines if line.startswith("  first pip between")]
    assert len(pips) == 2
    for line in pips:
        assert line in page
    assert pips[0] not in shown.text("/what-if/K01?n=30.5")


def test_each_temperature_that_could_be_set_has_its_row(shown: ShownRoom, folder: Path) -> None:
    page = shown.text("/what-if/K01")
    lines = told(folder, "forecast", "K01/left-upper", "--set-points", "--at", AT).splitlines()
    rows = [m[1] for line in lines if (m := re.match(r"^ +([0-9.]+ °C)  [ =|]+", line))]
    assert len(rows) == 9
    for name in rows:
        assert page.count(f">{name}</text>") == 2
    assert page.count('class="window"') == 18


@pytest.mark.parametrize(
    ("query", "counts"),
    [("t=24&n=27&was=27", "24.0 °C"), ("t=27&n=24.5&was=27", "24.5 °C"), ("t=27&n=27&was=27", "27.0 °C")],
)
def test_without_scripts_what_was_changed_counts(shown: ShownRoom, query: str, counts: str) -> None:
    assert f"at {counts}</dt>" in shown.text(f"/what-if/K01?{query}")


def test_what_kills_is_refused_in_plain_words(shown: ShownRoom) -> None:
    page = shown.text("/what-if/K01?n=38")
    assert "38.0 °C kills eggs of natrix-natrix: no date is worked out for it" in page
    assert "at 38.0 °C</dt>" not in page


@pytest.mark.parametrize("told_as", ["abc", "1e9", "900", "-80", "nan", "<script>x", "9" * 500, "٢٨"])
def test_what_is_no_temperature_is_said_so(shown: ShownRoom, told_as: str) -> None:
    answer = shown.client().get("/what-if/K01", params={"n": told_as})
    assert answer.status_code == 200
    assert "is no temperature from 0 to 60 °C" in answer.text
    assert "<script>x" not in answer.text
    assert "9" * 40 not in answer.text


def test_a_cold_at_which_nothing_develops_gives_no_date(shown: ShownRoom) -> None:
    assert "hardly develop" in shown.text("/what-if/K01?n=2")


def test_a_clutch_that_is_not_there_is_named_with_those_that_are(shown: ShownRoom) -> None:
    answer = shown.client().get("/what-if/zz")
    assert answer.status_code == 404
    assert "K01" in answer.text
