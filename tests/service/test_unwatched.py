"""When nobody watched: from which length on an absence counts, and what is remembered of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.service.unwatched import NOTED_EVERY_S, Absence

START_MS = 1_790_000_000_000


def watched_until(folder: Path, at_ms: int) -> None:
    with Store(folder) as store:
        absence = Absence(store)
        assert absence.look(at_ms - MINUTE_MS, at_ms - MINUTE_MS) is None
        absence.end(at_ms, trusted=True)


@pytest.mark.parametrize(
    ("away_ms", "counts"),
    [(MINUTE_MS, False), (30 * MINUTE_MS - 1, False), (30 * MINUTE_MS, True), (9 * HOUR_MS, True)],
)
def test_half_an_hour_without_a_round_is_an_absence(tmp_path: Path, away_ms: int, counts: bool) -> None:
    watched_until(tmp_path, START_MS)
    with Store(tmp_path) as store:
        back_ms = START_MS + away_ms
        expected = (START_MS, back_ms) if counts else None
        absence = Absence(store)
        assert absence.look(back_ms, back_ms) == expected
        assert absence.look(back_ms + HOUR_MS, back_ms) == expected


def test_an_end_whose_clock_is_not_trusted_leaves_what_was_noted(tmp_path: Path) -> None:
    watched_until(tmp_path, START_MS)
    with Store(tmp_path) as store:
        absence = Absence(store)
        absence.look(START_MS + MINUTE_MS, START_MS + MINUTE_MS)
        absence.end(START_MS + 50 * HOUR_MS, trusted=False)
    with Store(tmp_path) as store:
        back_ms = START_MS + 60 * HOUR_MS
        assert Absence(store).look(back_ms, back_ms) == (START_MS + MINUTE_MS, back_ms)


def test_a_death_costs_no_more_than_the_distance_of_the_notes(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        absence = Absence(store)
        for minute in range(0, 125, 1):
            absence.look(START_MS + minute * MINUTE_MS, START_MS)
    died_ms = START_MS + 124 * MINUTE_MS
    with Store(tmp_path) as store:
        away = Absence(store).look(died_ms + 2 * HOUR_MS, died_ms + 2 * HOUR_MS)
    assert away is not None
    assert 0 <= died_ms - away[0] <= NOTED_EVERY_S * 1000
