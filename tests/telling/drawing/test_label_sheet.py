"""Labels: whatever is written on them stays inside them and whole, and no two of a sheet lie upon each other."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import UsageError
from monitor.telling.drawing.label_sheet import MODULE_LEAST_MM, QUIET, Label, Sheet, code_path, sheets, width_of
from monitor.telling.labels import KNOWN, PAPER, USUAL_SIZE, sheet_of

WORDS = st.text(st.characters(codec="utf-8").filter(str.isprintable), max_size=60)


def texts(svg: str) -> list[tuple[float, float, float, float, str]]:
    """x, baseline, size, width at most, and words of each text."""
    found = []
    for text in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        x, y, size = (float(text.attrib[k]) for k in ("x", "y", "font-size"))
        words = text.text or ""
        found.append((x, y, size, float(text.get("textLength") or width_of(words, size)), words))
    return found


@settings(max_examples=25, deadline=None)
@given(
    WORDS.filter(str.strip),
    st.lists(WORDS, max_size=9),
    st.booleans(),
    st.sampled_from([(62.0, 29.0), (70.0, 37.0), (25.0, 12.0), (99.1, 38.1)]),
)
def test_every_word_is_inside_its_label_and_none_is_lost(
    name: str, lines: list[str], coded: bool, size: tuple[float, float]
) -> None:
    code = "http://eggroom.local:8480/box/left-upper" if coded else ""
    (svg,) = sheets([Label(name, tuple(lines), code)], Sheet.single(*size))
    told = texts(svg)
    for x, y, letters, wide, words in told:
        assert x >= 0.0, words
        assert x + wide <= size[0] + 1e-6, words
        assert y - letters >= -0.5, words
        assert y + 0.25 * letters <= size[1] + 1e-6, words
    assert "".join("".join(t[4].split()) for t in told) == "".join("".join(x.split()) for x in (name, *lines))


@pytest.mark.parametrize(
    ("paper", "size", "places"),
    [("a4", "70x37", 24), ("a4", "63.5x38.1", 21), ("a4", "105 x 148 mm", 4), ("a5", "74x35", 12),
     ("letter", "66.7x25.4", 30), ("label", "62x29", 1)],
)  # fmt: skip
def test_a_sheet_holds_as_many_as_it_should_and_none_on_another(paper: str, size: str, places: int) -> None:
    sheet = sheet_of(paper, size)
    assert sheet.places == places
    width, height = PAPER.get(paper, (sheet.label_width, sheet.label_height))
    spots = [sheet.place(i) for i in range(sheet.places)]
    for i, (x, y) in enumerate(spots):
        assert x >= 0.0
        assert y >= 0.0
        assert x + sheet.label_width <= width + 1e-6
        assert y + sheet.label_height <= height + 1e-6
        for a, b in spots[:i]:
            assert abs(a - x) >= sheet.label_width - 1e-6 or abs(b - y) >= sheet.label_height - 1e-6


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", "300x300"), ("a4", "5x5"), ("a4", "wide"), ("label", "0x0"), ("a4", "70")]
)
def test_a_size_that_cannot_be_is_refused_with_what_to_write(paper: str, size: str) -> None:
    with pytest.raises(UsageError) as refused:
        sheet_of(paper, size)
    assert refused.value.fix


def test_a_used_sheet_goes_on_where_it_ended() -> None:
    sheet = sheet_of("a4", USUAL_SIZE["a4"])
    labels = [Label(f"K{i:02d}", ()) for i in range(1, 7)]
    pages = sheets(labels, sheet, first=22)
    assert [[t[4] for t in texts(page)] for page in pages] == [["K01", "K02", "K03"], ["K04", "K05", "K06"]]
    x, y = sheet.place(21)
    first = texts(pages[0])[0]
    assert x < first[0] < x + sheet.label_width
    assert y < first[1] < y + sheet.label_height


def test_a_code_keeps_its_quiet_zone_and_is_left_out_where_it_would_be_too_fine() -> None:
    found = code_path("http://eggroom.local:8480/box/upper", 24.0)
    assert found is not None
    drawn, side = found
    numbers = [(float(x), float(y)) for x, y in re.findall(r"M([\d.]+) ([\d.]+)h", drawn)]
    module = side / (len({y for _, y in numbers}) + 2 * QUIET)
    assert min(x for x, _ in numbers) == pytest.approx(QUIET * module, rel=1e-3)
    assert max(y for _, y in numbers) == pytest.approx(side - (QUIET + 1) * module, rel=1e-3)
    assert module >= MODULE_LEAST_MM
    assert code_path("x" * 400, 20.0) is None


def test_known_sheets_are_named_by_their_own_sizes() -> None:
    for (paper, width, height), sheet in KNOWN.items():
        assert (sheet.width, sheet.height) == PAPER[paper]
        assert (sheet.label_width, sheet.label_height) == (width, height)
