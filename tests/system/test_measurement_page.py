"""The measurements of the page, made shorter here: what they count, and that they can find something."""

from __future__ import annotations

import pytest

from tests.bench import page, page_attack
from tests.bench.hostile_asking import MARK, seen


@pytest.mark.slow
def test_a_large_room_has_pages_that_are_small_and_telephones_that_hear_of_every_round() -> None:
    result = page.measure(days=1, requests=2, phones=2, rounds=2, more=6)
    figures = result.figures
    assert figures["readings"] == 64 * 8640
    assert int(figures["rooms fetched by them"] or 0) >= 2
    for name in page.PAGES:
        assert 1000 < int(figures[f"{name}: bytes"] or 0) <= page.MOST_BYTES
    # How long anything takes, and what memory it has, is measured on a computer with nothing else to do.
    assert [x for x in result.falls_short if "answered with" in x or "telephone" in x] == []


@pytest.mark.slow
def test_an_attack_on_the_page_is_refused_or_harmless_and_delays_no_reading() -> None:
    result = page_attack.measure(slow=60, callers=12, cycles=1)
    figures = result.figures
    assert figures["readings lost"] == 0
    assert int(figures["readings sent"] or 0) > 50
    assert int(figures["of them with a script as words"] or 0) > 0
    # How long a notice takes, and what memory there is, is measured on a computer with nothing else to do.
    assert [x for x in result.falls_short if not x.startswith(("a notice takes", "memory grew"))] == []


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        (f"<p>{MARK}</p>", ["<script>", "<img>", "img onerror", "img src='x'"]),
        ("<p>&lt;script&gt;</p><script src=/static/live.js></script><a href='/more'>more</a>", []),
        ("<a href='//elsewhere.example'>x</a>", ["a href='//elsewhere.example'"]),
        ("<a href='javascript:x'>x</a>", ["a href='javascript:x'"]),
        ("<p style='a' onclick='b'>x</p>", ["p style", "p onclick"]),
        ("<svg><a xlink:href='data:x'></a></svg>", ["a xlink:href='data:x'"]),
    ],
)
def test_what_may_run_or_leads_elsewhere_is_seen_in_a_page(text: str, wrong: list[str]) -> None:
    assert seen(text).wrong == wrong
