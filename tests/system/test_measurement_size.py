"""The measurement of the store's size: a short run of its parts, beside a real database."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import size


@pytest.mark.slow
def test_both_hold_the_same_and_readings_take_little_room() -> None:
    found, short = size.beside(3, 6, 3)
    assert all(value > 0 for value in found.values())
    # How fast it is under a whole suite of tests says nothing; what six days take is mostly the newest, still in hours.
    assert [text for text in short if " takes " not in text and "bytes a reading" not in text] == []
    assert found["3 probes, 6 days: bytes_a_reading"] < 4.5


@pytest.mark.slow
def test_the_turns_of_hours_and_days_write_little(tmp_path: Path) -> None:
    """What they do is counted by the system, not by the clock."""
    found = size.turns(tmp_path)
    assert 0 < found["an_hour_mb"] < 3
    assert 0 < found["a_day_mb"] < 10
