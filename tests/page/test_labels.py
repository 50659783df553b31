"""Labels are chosen and shown as the command draws them."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from tests.page.rooms import ShownRoom, told


def _words(svg: str) -> list[str]:
    """What stands on labels, without what belongs to the day of printing; the command goes by the wall clock."""
    of_a_day = ("printed", "first pip", "no date yet")
    return [w for w in re.findall(r"<text[^>]*>([^<]*)</text>", svg) if not w.startswith(of_a_day)]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("", ()),
        ("what=K01", ("K01",)),
        ("what=left-upper&what=K02&sheet=label+62x29", ("left-upper", "K02", "--paper", "label", "--size", "62x29")),
        ("boxes=1&sheet=a5+74x35&first=3&frames=1", ("--boxes", "--paper", "a5", "--first", "3", "--frames")),
    ],
)
def test_sheets_are_those_of_the_command(shown: ShownRoom, folder: Path, query: str, words: tuple[str, ...]) -> None:
    answer = shown.client().get(f"/labels/print?{query}")
    assert answer.status_code == 200
    told(folder, "labels", *words, "--out", str(folder / "labels.html"))
    ours, theirs = answer.text, (folder / "labels.html").read_text("utf-8")
    assert len(_words(ours)) > 4
    assert "first pip" in ours
    assert _words(ours) == _words(theirs)
    assert [ours.count(x) for x in ("<svg", "<path", "<rect")] == [theirs.count(x) for x in ("<svg", "<path", "<rect")]
    assert "<style" not in ours
    style = re.search(r'<link rel="stylesheet" href="([^"]+)">', ours)
    assert style is not None
    brought = re.search(r"<style>(.*?)</style>", theirs)
    assert brought is not None
    assert shown.client().get(unescape(style[1])).text == brought[1]


def test_every_box_clutch_and_paper_can_be_chosen(shown: ShownRoom) -> None:
    page = shown.client().get("/labels").text
    for name in ("K01", "K02", "left-upper", "right-lower"):
        assert page.count(f'name="what" value="{name}"') == 1
    sheets = re.findall(r'<option value="([^"]+)"', page)
    assert len(sheets) == len(set(sheets)) == 7
    for sheet in sheets:
        assert shown.client().get("/labels/print", params={"sheet": sheet, "what": "K01"}).status_code == 200


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("what=zz", 404, "no clutch and no box"),
        ("what=<b>x</b>", 404, "&lt;b&gt;x"),
        ("sheet=a3+70x37", 409, "is no paper"),
        ("sheet=a4+7000x37", 409, "is no size of a label"),
        ("sheet=a4+1x1", 409, "cannot be made"),
        ("first=0", 409, "has no place"),
        ("first=99999999999999999999", 409, "has no place"),
        ("first=x", 409, "has no place"),
        ("&".join(f"what=b{i}" for i in range(130)), 409, "too many"),
    ],
)
def test_what_cannot_be_printed_is_said_in_words(shown: ShownRoom, query: str, status: int, says: str) -> None:
    answer = shown.client().get(f"/labels/print?{query}")
    assert answer.status_code == status
    assert says in answer.text
    assert "<b>x" not in answer.text
