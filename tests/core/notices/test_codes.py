"""Codes that answer a notice: they are read back, bound to room, notice, channel and day, and cannot be bent."""

from __future__ import annotations

import hashlib
import hmac

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.notices.codes import LIVES_MS, SIGNS, Code, Guesses, channel_of, make, read

DAY_MS = 86_400_000
SECRET = bytes(range(32))
OTHER_ROOM = bytes(range(1, 33))
AT_MS = 1_790_000_000_000
CHANNELS = ("phone", "mail", "neighbour")


@given(
    notice=st.integers(1, 2**31),
    at_ms=st.integers(0, 4_000_000_000_000),
    channel=st.sampled_from(CHANNELS),
    lower=st.booleans(),
    gap=st.sampled_from(["", "-", " "]),
)
def test_a_code_is_read_back_however_it_is_typed(notice: int, at_ms: int, channel: str, lower: bool, gap: str) -> None:
    text = make(SECRET, notice, channel, at_ms).replace("-", gap)
    typed = text.lower().replace("0", "o").replace("1", "l") if lower else text
    code = read(typed)
    assert code is not None
    assert code.notice == notice
    assert channel_of(SECRET, code, CHANNELS) == channel
    assert not code.expired(at_ms + LIVES_MS)
    assert code.expired(at_ms + LIVES_MS + DAY_MS)


def test_a_code_is_short_grouped_and_without_letters_that_look_alike() -> None:
    text = make(SECRET, 137, "phone", AT_MS)
    assert [len(group) for group in text.split("-")] == [5, 4, 4, 4]
    assert {len(g) for n in (1, 99, 5000, 10**6) for g in make(SECRET, n, "mail", AT_MS).split("-")} == {4, 5}
    assert set(text) <= set(SIGNS) | {"-"}
    assert not set("ILOU") & set(SIGNS)
    assert text == make(SECRET, 137, "phone", AT_MS)


def test_the_signature_is_hmac_sha256_cut_to_fifty_bits() -> None:
    code = read(make(SECRET, 137, "phone", AT_MS))
    assert code is not None
    day = (AT_MS + LIVES_MS) // DAY_MS
    told = f"warmtally answer\n1\n137\n{day}\nphone".encode()
    whole = int.from_bytes(hmac.digest(SECRET, told, hashlib.sha256), "big")
    assert (code.day, code.mark) == (day, whole >> 206)


def test_it_holds_for_its_room_its_notice_its_channel_and_its_day_alone() -> None:
    code = read(make(SECRET, 7, "phone", AT_MS))
    assert code is not None
    assert channel_of(SECRET, code, CHANNELS) == "phone"
    assert channel_of(OTHER_ROOM, code, CHANNELS) is None
    assert channel_of(SECRET, code, ("mail", "neighbour")) is None
    assert channel_of(SECRET, code, ()) is None
    assert channel_of(SECRET, Code(8, code.day, code.mark), CHANNELS) is None
    assert channel_of(SECRET, Code(7, code.day + 1, code.mark), CHANNELS) is None


def test_a_code_with_any_sign_changed_left_out_or_added_is_not_genuine() -> None:
    text = make(SECRET, 300, "phone", AT_MS).replace("-", "")
    bent = {text[:i] + sign + text[i + 1 :] for i in range(len(text)) for sign in SIGNS} - {text}
    bent |= {text[:i] + text[i + 1 :] for i in range(len(text))} | {text + sign for sign in SIGNS}
    assert len(bent) > 500
    taken = [b for b in bent if (code := read(b)) is not None and channel_of(SECRET, code, CHANNELS) is not None]
    assert taken == []


@pytest.mark.parametrize(
    "text",
    ["", "-", "1", "12", "U" * 17, "2" + "0" * 16, "1" + "G" * 20, "10" + "0" * 14, "ä" * 17, "1" * 2_000_000, "\0"],
)
def test_what_is_no_code_is_none(text: str) -> None:
    assert read(text) is None


@given(st.text(max_size=80))
def test_no_text_whatever_is_taken_or_raises(text: str) -> None:
    code = read(text)
    assert code is None or channel_of(SECRET, code, CHANNELS) is None


def test_a_number_has_one_spelling() -> None:
    # Notice 7 with a leading nought: 16 says that another sign follows.
    text = make(SECRET, 7, "phone", AT_MS).replace("-", "")
    assert read(text[0] + SIGNS[16] + text[1:]) is None


def test_no_code_is_made_for_what_is_no_notice_or_with_a_short_secret() -> None:
    with pytest.raises(ValueError, match="notice 0"):
        make(SECRET, 0, "phone", AT_MS)
    with pytest.raises(ValueError, match="too short"):
        make(b"short", 1, "phone", AT_MS)
    with pytest.raises(ValueError, match="no code"):
        make(SECRET, 1, "phone", 32**4 * DAY_MS)


def test_the_mark_of_a_code_is_not_shown() -> None:
    code = read(make(SECRET, 7, "phone", AT_MS))
    assert code is not None
    assert str(code.mark) not in repr(code)


def test_ten_wrong_codes_in_a_minute_are_enough_and_a_minute_later_it_begins_anew() -> None:
    guesses = Guesses()
    for k in range(10):
        assert not guesses.enough("a", k)
        guesses.wrong("a", k)
    assert guesses.enough("a", 59_999)
    assert not guesses.enough("b", 59_999)
    assert not guesses.enough("a", 60_000)
    guesses.wrong("a", 60_000)
    assert guesses.enough("a", 60_000)


def test_a_clock_that_is_set_back_keeps_nobody_out() -> None:
    guesses = Guesses()
    for _ in range(10):
        guesses.wrong("a", AT_MS)
    assert not guesses.enough("a", AT_MS - 1)


def test_only_so_many_callers_are_remembered() -> None:
    guesses = Guesses(callers=3)
    for n in range(1000):
        guesses.wrong(str(n), n)
    assert list(guesses._wrong) == ["997", "998", "999"]


@given(st.integers(1, 16**10 - 1))
def test_every_number_of_up_to_ten_signs_is_read_and_none_beyond(notice: int) -> None:
    code = read(make(SECRET, notice, "phone", AT_MS))
    assert code is not None
    assert code.notice == notice
    assert read(make(SECRET, notice + 16**10, "phone", AT_MS)) is None
