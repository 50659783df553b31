"""What a last will says, and what is known of a gateway after it."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.gateways import Said, Spoken, follow, listen, read, written
from monitor.core.terms.settings import Gateway

PLAIN = Gateway("bridge", "room/bridge")
POINTED = Gateway("hub", "room/hub", gone="false", here="true", pointer="/connected")


def said(payload: bytes, gateway: Gateway = PLAIN, *, retained: bool = False) -> list[Spoken]:
    return listen((PLAIN, POINTED), gateway.topic, payload, 1000, retained=retained)


def test_gone_and_here_are_told_apart() -> None:
    assert said(b"offline") == [Spoken("bridge", Said(True, 1000))]
    assert said(b"online\n\0") == [Spoken("bridge", Said(False, 1000))]
    assert said(b"offline", retained=True) == [Spoken("bridge", Said(True, 1000, True))]


def test_a_pointer_finds_the_word_in_json_and_a_boolean_is_one() -> None:
    assert said(b'{"connected": false}', POINTED) == [Spoken("hub", Said(True, 1000))]
    assert said(b'{"connected": "true"}', POINTED) == [Spoken("hub", Said(False, 1000))]


def test_a_topic_of_nobody_says_nothing() -> None:
    assert listen((PLAIN,), "room/other", b"offline", 1000) == []


@pytest.mark.parametrize(
    ("payload", "gateway"),
    [(b"Offline", PLAIN), (b"", PLAIN), (b"\xff", PLAIN), (b"{}", POINTED), (b"[[", POINTED), (b"offline", POINTED)],
)
def test_what_is_neither_is_no_state_and_has_a_reason(payload: bytes, gateway: Gateway) -> None:
    (spoken,) = said(payload, gateway)
    assert spoken.said is None
    assert gateway.id in spoken.reason


@given(st.binary(max_size=60))
def test_no_bytes_at_all_do_harm(payload: bytes) -> None:
    for gateway in (PLAIN, POINTED):
        assert len(said(payload, gateway)) == 1


def test_what_is_only_repeated_keeps_its_time() -> None:
    first = Said(True, 1000)
    assert follow(first, Said(True, 5000, kept=True)) == first
    assert follow(first, Said(True, 5000), again=True) == first
    assert follow(None, Said(True, 5000, kept=True)) == Said(True, 5000, kept=True)


def test_a_second_death_is_a_new_one() -> None:
    assert follow(Said(True, 1000), Said(True, 5000)) == Said(True, 5000)
    assert follow(Said(False, 1000), Said(True, 5000, kept=True)) == Said(True, 5000, kept=True)
    assert follow(Said(True, 1000), Said(False, 5000)) == Said(False, 5000)


def test_what_the_store_keeps_is_read_again() -> None:
    for state in (Said(True, 1000), Said(False, 2000, kept=True)):
        assert read(written(state)) == state
    assert read(None) is None
    for strange in ("", "[]", "{}", json.dumps({"gone": 1}), json.dumps({"gone": 1, "since_ms": None, "kept": 0})):
        assert read(strange) is None
