"""How eggs, and days beside one another, are called where a keeper reads."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.terms.formats import name_eggs, show_days_after, tell_eggs


@pytest.mark.parametrize(
    ("lot_id", "short", "told"),
    [
        ("K01/upper", "K01 in upper", "eggs of K01 in upper"),
        ("K01/upper#2", "K01 in upper (2)", "eggs of K01 in upper (2)"),
        ("upper-warmth", "upper-warmth", "upper-warmth"),
        ("/upper", "/upper", "/upper"),
    ],
)
def test_eggs_are_called_by_their_clutch_and_their_box(lot_id: str, short: str, told: str) -> None:
    assert (name_eggs(lot_id), tell_eggs(lot_id)) == (short, told)


@pytest.mark.parametrize(
    ("least", "most", "said"),
    [
        (-0.6, 10.4, "from half a day before to ten days after"),
        (0.2, 8.6, "up to nine days after"),
        (0.4, 2.3, "from half a day to two and a half days after"),
        (1.1, 14.2, "from one day to 14 days after"),
        (2.2, 8.6, "from two to nine days after"),
        (1.6, 4.1, "from one and a half to four days after"),
        (-6.2, -2.0, "from two to six days before"),
        (-3.0, 0.1, "up to three days before"),
        (2.1, 1.9, "about two days after"),
        (-0.1, 0.2, "at about the same time as"),
    ],
)
def test_days_beside_one_another_are_said_in_words(least: float, most: float, said: str) -> None:
    assert show_days_after(least, most) == said


@given(st.floats(-400, 400), st.floats(0, 400))
def test_days_are_never_said_with_a_sign_or_a_point(least: float, width: float) -> None:
    said = show_days_after(least, least + width)
    assert "-" not in said
    assert "." not in said
    assert " 0" not in said
    assert "no day" not in said
