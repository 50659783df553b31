"""Names, passphrases and rights: what can be one, what is the same, and when one is over."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.terms.people import (
    LONGEST_NAME,
    LONGEST_PASSPHRASE,
    People,
    Person,
    ProgramToken,
    in_one_line,
    is_over,
    name_fault,
    name_key,
    passphrase_fault,
)
from monitor.core.terms.plain_words import BITS, WORDS, WORDS_TAKEN, made_up

ANNA = Person("Anna", "enter", None, "hash", "stamp")
CHART = ProgramToken("chart", "look", dt.date(2026, 8, 15), "digest")


@pytest.mark.parametrize(
    "passphrase",
    [
        "kwz8!pLm2#ty",
        "at bo it up",
        "violin quiet harbour two",
        "Schlüssel unter der Matte",
        "x" * 3 + "abcd" + "y" * (LONGEST_PASSPHRASE - 7),
    ],
)
def test_twelve_signs_or_four_words_are_enough(passphrase: str) -> None:
    assert passphrase_fault(passphrase, ["anna", "Back room"]) == ""


@pytest.mark.parametrize(
    ("passphrase", "why"),
    [
        ("", "too short"),
        ("kwz8!pLm2#t", "too short"),
        ("at at at up", "too short"),
        ("a b c d", "too short"),
        ("a" * 30, "too plain"),
        ("1212121212121212", "too plain"),
        ("anna anna anna", "too plain"),
        ("annaannaanna1234567", "too easily guessed"),
        ("Warmtally Back Room 1", "too easily guessed"),
        ("x" * (LONGEST_PASSPHRASE + 1), f"{LONGEST_PASSPHRASE} signs at most"),
        ("violin quiet\x07harbour two", "can be shown"),
    ],
)
def test_what_is_short_plain_or_made_of_the_names_is_refused(passphrase: str, why: str) -> None:
    assert why in passphrase_fault(passphrase, ["anna", "Back room"])


def test_a_passphrase_of_words_is_taken_whatever_is_drawn() -> None:
    assert len(WORDS) == len(set(WORDS)) == 1024
    assert all(re.fullmatch("[a-z]{3,8}", word) for word in WORDS)
    # So that a word that was broken off is no other word.
    assert [(a, b) for a, b in pairwise(WORDS) if b.startswith(a)] == []
    # Five of 2^10.
    assert BITS == 10 * WORDS_TAKEN == 50
    shortest = sorted(range(1024), key=lambda number: len(WORDS[number]))[:WORDS_TAKEN]
    assert passphrase_fault(made_up(shortest), ["anna", "Back room"]) == ""
    assert made_up([0, 1, 1023]) == f"{WORDS[0]} {WORDS[1]} {WORDS[-1]}"


@given(st.text(max_size=300))
def test_any_text_is_judged(text: str) -> None:
    told = in_one_line(text)
    assert in_one_line(told) == told
    assert name_key(told) == name_key(text)
    if not passphrase_fault(told, [text]):
        assert told.isprintable()
        assert len(told) <= LONGEST_PASSPHRASE
    if not name_fault(told):
        assert 0 < len(told) <= LONGEST_NAME


def test_a_name_is_the_same_however_it_is_typed() -> None:
    people = People((ANNA,), (CHART,))
    for typed in ("anna", " ANNA ", "\uff21nna"):
        assert people.person(typed) is ANNA
    # Composed and decomposed.
    assert People((replace(ANNA, name="J\u00fcrgen"),)).person("ju\u0308rgen") is not None
    assert people.named("CHART") is CHART
    assert people.person("chart") is None
    assert people.named("ann") is None


def test_what_people_and_tokens_are_checked_by_is_in_no_text() -> None:
    for secret in ("hash", "stamp", "digest"):
        assert f"'{secret}'" not in repr(People((ANNA,), (CHART,)))


def test_a_right_ends_with_its_last_day() -> None:
    assert not is_over(CHART, dt.date(2026, 8, 15))
    assert is_over(CHART, dt.date(2026, 8, 16))
    assert not is_over(ANNA, dt.date(2099, 12, 31))
