"""How well windows held is counted by clutches, and nothing is made of few."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.season.figures import ClutchSeason, EggsInBox, WindowTold
from monitor.core.season.held import Held, Says, chance_of
from monitor.core.terms.events import Clutch, Lot, PipSeen
from monitor.core.terms.times import DAY_MS

TOLD = WindowTold(0.5, 20 * DAY_MS, 40 * DAY_MS, 42 * DAY_MS, 45 * DAY_MS)


def _clutch(*pip_days: float | None) -> ClutchSeason:
    """One clutch, in as many boxes as days are given on which their pips were seen."""
    eggs = []
    for i, day in enumerate(pip_days):
        pips = () if day is None else (PipSeen(round((day - 0.1) * DAY_MS), round(day * DAY_MS), 1),)
        lot = Lot(f"K/{i}", "K", f"{i}", path=(), eggs_set=6, pips=pips)
        eggs.append(EggsInBox(lot, (TOLD,)))
    return ClutchSeason(Clutch("K", "x", 0, laid_day_only=True, eggs=12), tuple(eggs), ())


def test_a_clutch_counts_once_by_its_box_that_pipped_first() -> None:
    held = Held.count([_clutch(43.0, 50.0), _clutch(50.0, 39.0), _clutch(60.0), _clutch(None)], 0.5)
    assert held == Held(0.5, 3, 1, 1, 1, 5.0)
    assert Held.count([_clutch(43.0)], 0.25) == Held(0.25, 0, 0, 0, 0, None)


def test_what_gave_no_date_counts_for_nothing() -> None:
    c = _clutch(43.0)
    undated = replace(c, eggs=(replace(c.eggs[0], told=(WindowTold(0.5, 20 * DAY_MS, refused="no readings"),)),))
    assert Held.count([undated], 0.5).of == 0


@pytest.mark.parametrize(
    ("inside", "of", "says"),
    [
        (0, 0, "none"),
        (7, 9, "few"),
        (0, 2, "few"),
        (0, 3, "fewer"),
        (5, 10, "fewer"),
        (16, 20, "as-told"),
        (12, 20, "fewer"),
        (13, 20, "as-told"),
        (20, 20, "more"),
        (60, 60, "more"),
    ],
)
def test_what_a_count_says(inside: int, of: int, says: Says) -> None:
    assert Held(0.5, of, inside, of - inside, 0, 5.0).says == says


def test_the_chance_of_misses_is_that_of_a_binomial_table() -> None:
    # Enumerated by hand: 0.2^3 of three, and 1 - 0.8^5 - 5 * 0.2 * 0.8^4 of five.
    assert chance_of(3, 3) == pytest.approx(0.008)
    assert chance_of(2, 5) == pytest.approx(0.26272)
    assert chance_of(0, 7) == pytest.approx(1.0)
