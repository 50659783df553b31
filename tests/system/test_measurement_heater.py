"""The measurement of a heater's wear: a short run keeps its promises, and it finds what it is there to find."""

from __future__ import annotations

import pytest

from tests.bench import heater_wear
from tests.bench.heater_wear import Played, days_of, told
from tests.peers import shared


@pytest.mark.slow
def test_a_short_run_keeps_its_promises() -> None:
    found = heater_wear.measure(days=40, only="every five minutes")
    assert found.falls_short == [], found.falls_short
    assert found.figures["rooms"] == 2
    assert found.figures["told_though_as_it_was"] == 0


def test_in_real_rooms_no_swing_is_seen_but_the_one_that_a_switched_heater_made() -> None:
    shared("data", "heated_room_three_heights.csv")
    figures: dict[str, float | int | str | bool | None] = {}
    short: list[str] = []
    heater_wear._real(figures, short)
    assert short == []
    assert figures["real_rooms_quarters_with_a_swing"] == 0
    assert abs(float(str(figures["heated_room_rising_less_heater_on_median"]))) < 0.05
    assert float(str(figures["heated_room_rising_within_a_tenth_of_heater_on_share"])) > 0.85


@pytest.mark.slow
def test_a_fading_that_has_not_gone_far_is_not_told_and_falls_short(monkeypatch: pytest.MonkeyPatch) -> None:
    # What it says of programmes and of real rooms is asked above.
    monkeypatch.setattr(heater_wear, "_seasons", lambda *_: None)
    monkeypatch.setattr(heater_wear, "_real", lambda *_: None)
    room = Played("plain")
    assert told(days_of(room, fades=True, days=18, seed=1)).day is None
    found = heater_wear.measure(days=18, only="fine code")
    assert any("is not told in 18 days" in text for text in found.falls_short)
