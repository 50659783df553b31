"""Development over time for a page: where what stands, and that words meet nothing, whatever the eggs did."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ET
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.core.season.figures import ASKED_AT, EggsInBox, WindowTold
from monitor.core.terms.events import Lot, PipSeen, Stay
from monitor.core.terms.times import DAY_MS
from monitor.page.texts import saying
from monitor.telling.drawing.development_picture import development_told, svg_page_development
from tests.telling.drawing.overlap import SVG, pieces, what_meets

SAY = saying("en")
ZONE = ZoneInfo("Europe/Vienna")
NOW = round(datetime(2026, 6, 28, 6, 14, tzinfo=ZONE).timestamp() * 1000)


def at(days: float) -> int:
    return NOW + round(days * DAY_MS)


def eggs(
    days: float = 50.0,
    share: float = 0.9,
    told: tuple[WindowTold, ...] = (),
    pips: tuple[PipSeen, ...] = (),
    closed_ms: int | None = None,
) -> EggsInBox:
    """Eggs that came so far in so many days until now, all days alike."""
    edge_ms = np.linspace(at(-days), NOW, 200).astype(np.int64)
    lot = Lot("K/a", "K", "a", (Stay("a", at(-days), None),), 12, pips=pips, closed_ms=closed_ms)
    return EggsInBox(lot, told, share, edge_ms=edge_ms, cumulative=np.linspace(0.0, share, 200))


def told(x: float = 50.0, share: float = 0.9, half: float = 4.0, middle: float = 5.0) -> tuple[WindowTold, ...]:
    """Windows that get narrower, told when the eggs of so many days were so far."""
    return tuple(
        WindowTold(s, at(-x + x * s / share), at(middle - half / s), at(middle), at(middle + half / s))
        for s in ASKED_AT
        if s <= share
    )


def drawn(x: EggsInBox, window: tuple[int, int, int] | None, width: float = 366.0) -> str:
    return svg_page_development(x, window, NOW, ZONE, SAY, width=width, name="d")


def _root(markup: str) -> ET.Element:
    return ET.fromstring(markup.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def _paths(markup: str, name: str) -> str:
    return "".join(x.get("d", "") for x in _root(markup).iter(f"{SVG}path") if x.get("class") == name)


@pytest.mark.parametrize("seed", range(60))
def test_words_meet_nothing_whatever_the_eggs_did(seed: int) -> None:
    rnd = random.Random(seed)
    days, share = rnd.choice((2.0, 30.0, 55.0, 200.0)), rnd.choice((0.02, 0.26, 0.5, 0.78, 0.97, 1.3, 2.4))
    middle = rnd.uniform(-20, 60)
    windows = told(days, share, rnd.choice((0.2, 3.0, 12.0)), middle)
    if windows and rnd.random() < 0.2:
        windows = (WindowTold(windows[0].share, windows[0].at_ms, refused="no date"), *windows[1:])
    pips = tuple(PipSeen(None, at(-rnd.uniform(0, 12)), rnd.choice((1, 14, 120))) for _ in range(rnd.choice((0, 1, 4))))
    x = eggs(days, share, windows, pips, closed_ms=rnd.choice((None, NOW)))
    half = rnd.choice((0.1, 2.0, 9.0))
    window = rnd.choice((None, (at(middle - half), at(middle), at(middle + half))))
    for width in (366, 1160):
        assert what_meets(drawn(x, window, width)) == []


def test_each_window_stands_as_high_as_its_eggs_were_far_and_gets_narrower_to_the_one_of_now() -> None:
    markup = drawn(eggs(told=told()), (at(4.0), at(5.0), at(6.0)))
    rows: dict[float, list[float]] = {}
    for layer in ("ph", "ps"):
        for shape in _paths(markup, layer).split("z")[:-1]:
            found = list(pieces(shape + "z"))
            rows[found[0][0][1]] = [p[0] for piece in found for p in piece]
    # From the top down: that of now at 90 %, then three quarters, a half, a quarter of what was to come.
    heights = sorted(rows)
    whole = heights[3] + (heights[3] - heights[2])
    assert [(whole - y) / (whole - heights[3]) * 0.25 for y in heights] == pytest.approx(
        [0.9, 0.75, 0.5, 0.25], abs=0.01
    )
    widths = [max(rows[y]) - min(rows[y]) for y in heights]
    assert widths == sorted(widths)
    texts = ["".join(t.itertext()) for t in _root(markup).iter(f"{SVG}text")]
    assert {"17 Jun to 19 Jul", "25 Jun to 11 Jul", "today Sun 28 Jun"} <= set(texts)


def test_what_pipped_is_an_egg_with_its_number_and_a_finished_lot_has_no_today() -> None:
    x = eggs(pips=(PipSeen(None, at(-1.0), 3),), closed_ms=NOW)
    markup = drawn(x, None)
    texts = ["".join(t.itertext()) for t in _root(markup).iter(f"{SVG}text")]
    assert {"3", "seen pipped"} <= set(texts)
    assert not any(t.startswith("today") for t in texts)
    assert _paths(markup, "pe")
    assert not _paths(markup, "pn")


def test_the_same_is_told_in_sentences_and_in_the_description() -> None:
    refused = WindowTold(0.25, at(-30.0), refused="no reading")
    x = eggs(told=(refused, *told()[1:]), pips=(PipSeen(None, at(-1.0), 3),))
    said = development_told(x, ZONE, SAY)
    assert said == (
        "At 25 %, on 29 May, no date was told",
        "At 50 %, on 6 Jun: first pip 25 Jun to 11 Jul",
        "At 75 %, on 19 Jun: first pip 27 Jun to 8 Jul",
        "3 seen pipped 27 Jun",
    )
    assert ". ".join(said) in drawn(x, None)


def test_of_eggs_that_nobody_measured_nothing_is_drawn() -> None:
    lot = Lot("K/a", "K", "a", (Stay("a", at(-50), None),), 12)
    assert drawn(EggsInBox(lot, refused="no reading"), None) == ""
