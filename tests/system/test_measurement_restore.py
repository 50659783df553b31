"""The measurement of backup, restore and repair, on a small room."""

from __future__ import annotations

import pytest

from tests.bench import restore


@pytest.mark.slow
def test_a_room_comes_back_after_kills_and_no_bit_changes_unseen() -> None:
    found = restore.measure(days=3, kills=2, flips=40)
    assert found.falls_short == []
    assert found.figures["restored room says the same"]
    assert found.figures["bits of a backup that are not found"] == 0
    assert found.figures["readings meanwhile"], "readings came in while it was backed up"
