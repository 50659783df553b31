"""The days of a species' file on which something is to be done."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from monitor.core.development.care import Care, usual_care
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.profile_text import profile_text
from monitor.errors import ConfigError

BARE: dict[str, Any] = {
    "scientific_name": "Elaphe nova",
    "order": "Squamata",
    "family": "Colubridae",
    "rows": [
        {"temperature_c": 25.0, "days": 80.0, "paper": "own clutches"},
        {"temperature_c": 28.0, "days": 62.0, "paper": "own clutches"},
    ],
}


@pytest.mark.parametrize(
    ("order", "care", "found"),
    [
        ("Squamata", {}, Care((7.0, 30.0), 7.0, 3.0)),
        ("Testudines", {}, Care((7.0, 30.0), 0.0, 3.0)),
        ("Squamata", {"candle_days": [5, 12.5, 40]}, Care((5.0, 12.5, 40.0), 7.0, 3.0)),
        ("Squamata", {"candle_days": [], "first_shed_days": 12, "first_meal_days": 0}, Care((), 12.0, 0.0)),
        ("Testudines", {"first_shed_days": 10.0}, Care((7.0, 30.0), 10.0, 3.0)),
    ],
)
def test_a_file_says_its_days_or_the_usual_ones_hold(order: str, care: dict[str, Any], found: Care) -> None:
    profile = parse_profile({**BARE, "order": order, "care": care}, "elaphe-nova.toml")
    assert profile.care == found
    assert parse_profile(tomllib.loads(profile_text(profile)), "elaphe-nova.toml").care == found
    assert ("[care]" in profile_text(profile)) is (found != usual_care(order))


@pytest.mark.parametrize(
    "care",
    [
        {"candle_days": 7},
        {"candle_days": ["7"]},
        {"candle_days": [True]},
        {"candle_days": [0]},
        {"candle_days": [30, 7]},
        {"candle_days": [7, 7]},
        {"candle_days": list(range(1, 40))},
        {"candle_days": [float("nan")]},
        {"first_shed_days": -1},
        {"first_meal_days": "soon"},
        {"shed": 7},
    ],
)
def test_a_mistake_is_named_with_its_place(care: dict[str, Any]) -> None:
    with pytest.raises(ConfigError, match=r"care\."):
        parse_profile({**BARE, "care": care}, "elaphe-nova.toml")
