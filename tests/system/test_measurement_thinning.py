"""The measurement of old days that become rows of ten minutes: a short run of it."""

from __future__ import annotations

from tests.bench import thinning


def test_thinned_days_take_little_and_say_the_same() -> None:
    found = thinning.measure(12, 2, 1)
    assert found.falls_short == []
    assert found.figures["days_of_probes"] in (22, 23)
