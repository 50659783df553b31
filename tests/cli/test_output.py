"""Tables: no line is wider than the screen, and nothing of what a cell says is lost."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli.output import TALLEST_CELL, WIDEST_TABLE, labelled, table

WORD = st.text(st.characters(codec="utf-8", exclude_categories=("Z", "C")), min_size=1, max_size=30)
SENTENCE = st.lists(WORD, max_size=12).map(" ".join)
CELL = st.one_of(st.just("-"), st.just("31.8 °C ± 0.6 °C"), SENTENCE, SENTENCE.map(lambda s: s.replace(" ", "\n  ")))


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[str], list[list[str]]]:
    count = draw(st.integers(1, 9))
    head = draw(st.lists(SENTENCE.filter(bool), min_size=count, max_size=count))
    return head, draw(st.lists(st.lists(CELL, min_size=count, max_size=count), max_size=5))


def words(cells: list[str]) -> list[str]:
    return sorted(word for cell in cells for word in cell.split() if set(word) != {"-"})


@given(tables(), st.sampled_from([1, 40, 60, 80, 100, 300]))
def test_no_line_is_wider_than_the_screen_and_nothing_is_lost(
    drawn: tuple[list[str], list[list[str]]], screen: int
) -> None:
    head, rows = drawn
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", str(screen))
        told = table(head, rows)
    wide = min(max(screen, 40), WIDEST_TABLE)
    for line in told.split("\n"):
        assert len(line) <= wide or len(line.split()) == 1, line
    said = words([told])
    for word in words([cell for row in rows for cell in row]):
        # In a block the head of the first cell has a colon behind it, and what is in a cell has not.
        assert word in said
        said.remove(word)


@given(tables())
def test_what_fits_is_one_line_a_row(drawn: tuple[list[str], list[list[str]]]) -> None:
    head, rows = drawn
    told = table(head, rows, most=10_000)
    assert len(told.split("\n")) == 2 + len(rows)


def test_a_long_cell_folds_beside_the_others() -> None:
    told = table(["box", "now", "why"], [["upper", "31.8 °C", "because " * 14], ["lower", "27.0 °C", "-"]])
    lines = told.split("\n")
    assert lines[2].startswith("upper  31.8 °C  because because")
    assert lines[3].startswith(" " * 16 + "because")
    assert all(len(line) <= WIDEST_TABLE for line in lines)
    assert lines[-1].split() == ["lower", "27.0", "°C", "-"]


def test_a_number_keeps_its_unit_and_a_tower_becomes_a_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    told = table(["probe", "said", "of"], [["left-upper-warmth", "31.84 °C", "a word or two more"]])
    assert "31.84 °C" in told
    why = " ".join(["because"] * (2 * TALLEST_CELL))
    assert table(["probe", "said", "why"], [["left-upper-warmth", "31.84 °C", why]]).split("\n")[:3] == [
        "probe: left-upper-warmth",
        "  said: 31.84 °C",
        "  why: because because because because",
    ]


def test_a_sentence_stands_beside_its_label(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    lines = labelled("now", "too warm " * 9, 5).split("\n")
    assert all(len(line) <= 40 for line in lines)
    assert [line[:6] for line in lines] == ["now   "] + ["      "] * (len(lines) - 1)
