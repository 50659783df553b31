"""The measurement of a season: its first days, with their faults, kills and failing channel; and what it plays."""

from __future__ import annotations

import pytest

from tests.bench import season


@pytest.mark.slow
def test_the_first_days_of_a_season_lose_nothing_and_tell_what_they_should() -> None:
    # With shorter calm stretches than a whole season has, and no more of a fault than until its end has been told.
    figures = season.measure(days=0.88, first_h=1, calm_h=2, most_h=8.0)
    assert figures.falls_short == []
    values = figures.figures
    assert values["faults"] == 2
    deaths, published = values["deaths of the service"], values["readings published plainly"]
    assert isinstance(deaths, int)
    assert isinstance(published, int)
    assert (deaths >= 1, published > 1_600) == (True, True)
    assert values["missing"] == 0


def test_the_season_has_faults_of_all_groups_and_some_at_once() -> None:
    episodes = season.planned(75.0)
    names = [name for e in episodes for name in e.names]
    assert len(names) >= 25
    assert sum(len(e.names) > 1 for e in episodes) >= 4
    assert {"heater dead for five hours", "broker killed", "garbage payload", "killed while it is too warm"} <= set(
        names
    )
