"""Bytes from outside take a time that grows as their number does, whatever they are, up to the largest that is read.

Times are compared with each other within one test, never with a clock's: eight times the bytes may take no more than
five times as long as in proportion. What is quadratic takes eight times as long as in proportion, at each step.
"""

from __future__ import annotations

import contextlib
import gc
import json
import random
import time
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.notices.answers import LONGEST_MESSAGE, read_message
from monitor.core.notices.codes import read
from monitor.core.readings.decode import LARGEST_PAYLOAD, LONGEST_NUMBER, LONGEST_POINTER, decode, guess, resolve
from monitor.core.readings.gateways import listen
from monitor.core.terms.settings import Gateway, Probe
from monitor.errors import PayloadError
from tests.examples import at_most

NOW = 1_777_615_200_000  # 2026-05-01T06:00:00Z
SLACK = 5.0
TRIES = 8
# Below this a time says nothing.
LEAST_S = 0.0005
PROBES = (
    Probe("bare", "a/t"),
    Probe("whole", "a/t", pointer=""),
    Probe("named", "a/t", pointer="/a"),
    Probe("iso", "a/t", pointer="/a", time_pointer="/b"),
    Probe("seconds", "a/t", pointer="/a", time_pointer="/a", time_form="s"),
    Probe("list", "a/t", pointer="/a", list_pointer=""),
    Probe("values", "a/t", pointer="", list_pointer="/a"),
)
GATEWAYS = (Gateway("g", "a/t"), Gateway("h", "a/t", pointer="/a"))


def read_all(payload: bytes) -> None:
    """As everything that reads messages does it."""
    for probe in PROBES:
        with contextlib.suppress(PayloadError):
            decode([probe], payload, NOW)
    with contextlib.suppress(PayloadError):
        decode(PROBES, payload, NOW)
    guess("a/temperature", payload)
    listen(GATEWAYS, "a/t", payload, NOW)
    with contextlib.suppress(PayloadError):
        read_message(payload, numbers=True)
    read(payload.decode("utf-8", "replace"))


def took_s(payload: bytes) -> float:
    best = float("inf")
    # The collector looks through what other tests have left, which is none of the reading's work.
    gc.disable()
    try:
        for _ in range(3):
            begin = time.thread_time()
            read_all(payload)
            best = min(best, time.thread_time() - begin)
            if best > 0.2:
                break
    finally:
        gc.enable()
    return best


def grows_as_the_bytes_do(make: Callable[[int], bytes], sizes: tuple[int, ...]) -> None:
    for less, more in pairwise(sizes):
        # Another program may take the processor, or its caches, away during one of the two: what is quadratic is that
        # each time.
        said = []
        for _ in range(TRIES):
            before, now = (max(took_s(make(size)[:LARGEST_PAYLOAD]), LEAST_S) for size in (less, more))
            said.append((less, before, more, now))
            if now <= before * (more / less) * SLACK:
                break
        else:
            raise AssertionError(said)


# As text that is cut to the size: what begins, what is said again and again, what ends.
SHAPES = {
    "digits and a letter": ("", "1", "x"),
    "a sign, digits and a letter": ("-", "7", "x"),
    "digits, a point, digits and a letter": ("1" * 500 + ".", "1", "x"),
    "points": ("", ".", ""),
    "digits and points": ("", "1.", ""),
    "exponents": ("", "1e", "x"),
    "an exponent of digits": ("1e", "9", "x"),
    "a comma, digits": ("1,", "1", "x"),
    "commas": ("", "1,", "x"),
    "blanks": ("", " ", "x"),
    "a number, blanks and a letter": ("1", " ", "x"),
    "quotes": ("", '"', ""),
    "digits in quotes": ('"', "1", 'x"'),
    "digits in JSON": ('{"a":"', "1", 'x"}'),
    "an integer in JSON": ('{"a":', "1", "}"),
    "a fraction in JSON": ('{"a":0.', "1", "}"),
    "a time of digits": ('{"a":1,"b":"2026-05-01T06:00:00.', "1", 'Z"}'),
    "a time of letters": ('{"a":1,"b":"', "T", '"}'),
    "lists in lists, open": ("", "[", ""),
    "objects in objects, open": ("", '{"a":', ""),
    "backslashes": ('"', "\\\\", ""),
    "a backslash and no end": ('{"a":"', "\\\\", ""),
    "surrogates": ('{"a":"', "\\ud800", '"}'),
    "a long name": ('{"', "a", '":1}'),
    "a name of capitals": ('{"', "aB", '":1}'),
    "a name of slashes": ('{"', "/", '":1}'),
    "a long name above many": ("", "", ""),
    "a long name beside many": ("", "", ""),
    "elements without anything": ("[{}", ",{}", "]"),
    "elements that are not right": ('{"a":[null', ',"x"', "]}"),
    "equal names": ('{"a":1', ',"a":1', "}"),
}


def shaped(name: str, size: int) -> bytes:
    if name == "a long name above many":
        leaves = ",".join(f'"t{k}":1' for k in range(size // 20))
        return f'{{"{"a" * (size // 2)}":{{{leaves}}}}}'.encode()
    if name == "a long name beside many":
        elements = ",".join(f'"t{k}":{{"t":[{{"a":1}}]}}' for k in range(size // 60))
        return f'{{"{"a" * (size // 2)}":{{"b":{{{elements}}}}}}}'.encode()
    begin, again, end = SHAPES[name]
    return (begin + again * ((size - len(begin) - len(end)) // len(again)) + end).encode()


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_what_is_made_to_be_slow_is_read_in_proportion_to_its_length(name: str) -> None:
    grows_as_the_bytes_do(lambda size: shaped(name, size), (1024, 8192, 65_536, LARGEST_PAYLOAD))


PIECES = st.sampled_from(
    ["1", "0", "-", "+", ".", "e", "E", ",", " ", "\t", "\0", "x", "[", "]", "{", "}", '"', "\\", ":", '{"a":', "/",
     "~", "null", '"a":1,', "2026-05-01T06:00:00Z", "\u00fc", "Aa", "NaN"]
)  # fmt: skip


@settings(at_most(0.4), derandomize=True)
@given(st.lists(PIECES, max_size=3), st.lists(PIECES, min_size=1, max_size=4), st.lists(PIECES, max_size=3))
def test_whatever_is_said_again_and_again_is_read_in_proportion_to_its_length(
    begin: list[str], again: list[str], end: list[str]
) -> None:
    def make(size: int) -> bytes:
        unit = "".join(again).encode()
        return "".join(begin).encode() + unit * (size // len(unit)) + "".join(end).encode()

    grows_as_the_bytes_do(make, (1024, 8192, 65_536))


def test_nothing_that_is_thrown_together_raises_at_any_size() -> None:
    chance = random.Random(20260501)
    pieces = ["1" * 50, "-", ".", "e9", ",", " ", "[", "]", "{", "}", '"', "\\", ":", '"a":', "null", "\ud7ff", "Aa"]
    for size in (10, 1000, 50_000, 100_000):
        for _ in range(15):
            read_all("".join(chance.choices(pieces, k=size)).encode()[:LARGEST_PAYLOAD])


def _why(probe: Probe, payload: bytes) -> str:
    try:
        decoded = decode([probe], payload, NOW)
    except PayloadError as error:
        return error.what
    assert decoded.readings == ()
    ((_, why),) = decoded.refused
    return why


@pytest.mark.parametrize("depth", [10, 100, 900, 960, 980, 985, 988, 990, 992, 995, 1000, 5000, LARGEST_PAYLOAD // 8])
@pytest.mark.parametrize(("down", "up"), [("[", "]"), ('{"a":', "}")])
def test_nesting_of_any_depth_is_a_reason(depth: int, down: str, up: str) -> None:
    payload = (f'{{"a":{down * depth}1{up * depth}}}').encode()[:LARGEST_PAYLOAD]
    for probe in PROBES[1:]:
        assert _why(probe, payload)
    assert [spoken.said for spoken in listen(GATEWAYS, "a/t", payload, NOW)] == [None, None]
    guess("a/t", payload)


def test_an_integer_with_too_many_digits_is_a_reason_in_plain_words() -> None:
    with pytest.raises(PayloadError) as caught:
        decode([PROBES[2]], b'{"a":' + b"1" * 5000 + b"}", NOW)
    assert caught.value.what == "not JSON that can be read: an integer has too many digits"
    ((_, why),) = decode([PROBES[2]], b'{"a":' + b"1" * 4000 + b"}", NOW).refused
    assert why == "not a finite number (NaN or infinity)"


def test_a_number_is_as_long_as_any_that_means_something() -> None:
    exact = f"{2.0**-1000:.900f}"
    (reading,) = decode([PROBES[0]], exact.encode(), NOW).readings
    assert reading.value == 0.0
    (reading,) = decode([PROBES[0]], ("28." + "5" * (LONGEST_NUMBER - 3)).encode(), NOW).readings
    assert reading.value == 28.555556
    ((_, why),) = decode([PROBES[0]], b"2" * 8000 + b"x", NOW).refused
    assert why == "'" + "2" * 40 + "...' has 8001 characters: that is not a number"


@given(st.from_regex(r"[+-]?([0-9]{1,12}\.?[0-9]{0,12}|\.[0-9]{1,12})([eE][+-]?[0-9]{1,2})?", fullmatch=True))
def test_a_number_is_what_it_always_was(text: str) -> None:
    assert decode([PROBES[0]], text.encode(), NOW).readings[0].value == round(float(text), 6)


def test_a_reason_shows_the_beginning_of_a_tree() -> None:
    tree = {"a": {"b": ["x" * 30, list(range(1000))]}}
    ((_, why),) = decode([PROBES[2]], json.dumps(tree).encode(), NOW).refused
    assert why == repr(json.dumps(tree["a"])[:40] + "...") + " is not a number"


def test_what_is_guessed_at_under_a_very_long_name_is_left_out_and_the_rest_stays() -> None:
    payload = json.dumps({"x" * LONGEST_POINTER: 21.5, "temperature": 28.5}).encode()
    assert [found.pointer for found in guess("a/t", payload)] == ["/temperature"]
    assert resolve(json.loads(payload), "/temperature") == 28.5


def test_an_answer_can_be_written_down_whatever_name_it_carries() -> None:
    message = read_message(b'{"token": "x", "by": "A\\ud800b"}', numbers=False)
    assert message.by.encode() == b"A b"
    assert LONGEST_MESSAGE < LARGEST_PAYLOAD
