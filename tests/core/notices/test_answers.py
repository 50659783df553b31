"""Answers from afar: what asks for one, the line that is carried, messages from a broker, and what is replied."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.zones import zone_of
from monitor.core.notices.answers import (
    UNKNOWN,
    Answer,
    AnswerResult,
    Message,
    asks,
    invitation,
    line_of,
    read_message,
    reply,
)
from monitor.core.notices.codes import make
from monitor.core.notices.grouping import remind_after_s
from monitor.core.notices.kinds import Kind, all_kinds
from monitor.core.notices.notice import Notice, NoticeChange
from monitor.core.terms.settings import URGENCIES, Urgency, Watch
from monitor.core.terms.texts import Texts
from monitor.errors import PayloadError

T0 = 1_780_000_000_000
CODE = make(bytes(32), 12, "phone", T0)


def notice(change: NoticeChange = "raised", urgency: Urgency = "now", kind: str = "too-warm") -> Notice:
    return Notice("k", T0, kind, ("upper",), change, urgency, "Too warm: box upper", "hot", id=12)


@pytest.mark.parametrize(
    ("change", "urgency", "asked"),
    [
        ("raised", "now", True),
        ("raised", "today", True),
        ("raised", "later", False),
        ("still", "today", True),
        ("cleared", "today", False),
        ("daily", "later", False),
        ("drill", "later", True),
    ],
)
def test_what_is_pressing_and_true_asks_for_an_answer_and_so_does_a_drill(
    change: NoticeChange, urgency: Urgency, asked: bool
) -> None:
    assert asks(notice(change, urgency, kind="window-near")) is asked


@pytest.mark.parametrize("kind", all_kinds(), ids=lambda kind: kind.name)
def test_what_asks_for_an_answer_is_what_is_told_again_without_one(kind: Kind) -> None:
    """By its urgency alone, of whatever kind it is."""
    for urgency in URGENCIES:
        repeats = remind_after_s(urgency, 1, Watch()) is not None
        assert asks(notice("raised", urgency, kind=kind.name)) is repeats


@pytest.mark.parametrize(
    ("address", "topic", "line"),
    [
        ("http://eggroom.local:8480", "", f"Answer: http://eggroom.local:8480/a/{CODE}"),
        ("https://example.org/eggs/", "", f"Answer: https://example.org/eggs/a/{CODE}"),
        ("", "eggroom/answer", f"Answer: send {CODE} to eggroom/answer"),
        (
            "http://eggroom.local:8480",
            "eggroom/answer",
            f"Answer: http://eggroom.local:8480/a/{CODE}, or send {CODE} to eggroom/answer",
        ),
    ],
)
def test_the_line_has_the_link_or_the_code_or_both(address: str, topic: str, line: str) -> None:
    assert invitation(notice(), CODE, address, topic) == line


def test_a_drill_says_why_it_wants_an_answer() -> None:
    line = invitation(notice("drill"), CODE, "http://a", "")
    assert line == f"To prove the way back, answer this one, too. Answer: http://a/a/{CODE}"


def test_the_line_may_be_in_the_keepers_words() -> None:
    own = Texts({"answer.link": "Beantworten: ${link}", "answer.drill": "Probe."})
    assert invitation(notice(), CODE, "http://a", "", own) == f"Beantworten: http://a/a/{CODE}"
    assert invitation(notice("drill"), CODE, "http://a", "", own) == f"Probe. Beantworten: http://a/a/{CODE}"
    assert invitation(notice(), CODE, "", "t", own) == f"Answer: send {CODE} to t"


def test_each_channel_gets_a_code_of_its_own_and_the_rest_no_line() -> None:
    secret = bytes(32)
    lines = {line_of(notice(), channel, secret, address="http://a", topic="") for channel in ("phone", "mail")}
    assert lines == {f"Answer: http://a/a/{make(secret, 12, channel, T0)}" for channel in ("phone", "mail")}
    assert line_of(notice("cleared"), "phone", secret, address="http://a", topic="") == ""
    assert line_of(notice(), "phone", secret, address="", topic="") == ""
    # Told by a clock that was far ahead: without a code rather than not at all.
    assert line_of(replace(notice(), at_ms=10**17), "phone", secret, address="http://a", topic="") == ""


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer("command", by="neighbour"), "neighbour"),
        (Answer("link", "phone"), "the link sent to phone"),
        (Answer("message", "phone"), "the code sent to phone"),
        (Answer("message", "phone", "neighbour"), "neighbour, with the code sent to phone"),
        (Answer("number", by="neighbour"), "neighbour, with its number"),
        (Answer("number"), "a message with its number"),
    ],
)
def test_by_whom_is_told_as_far_as_it_is_known(answer: Answer, words: str) -> None:
    assert answer.words == words


# -- messages ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        (CODE.encode(), Message(CODE)),
        (f"  {CODE.lower()}\r\n".encode(), Message(CODE.lower())),
        (f'{{"token": "{CODE}"}}'.encode(), Message(CODE)),
        (f'{{"token": " {CODE} ", "by": " neighbour\\ntwo ", "more": 1}}'.encode(), Message(CODE, by="neighbour two")),
        (b"12", Message(number=12)),
        (b'{"token": "12", "by": "hall button"}', Message(number=12, by="hall button")),
    ],
)
def test_an_answer_is_a_code_alone_or_in_json_or_a_number(payload: bytes, message: Message) -> None:
    assert read_message(payload, numbers=True) == message


def test_a_name_is_short_and_in_one_line() -> None:
    message = read_message(b'{"token": "x", "by": "' + b"a" * 500 + b'"}', numbers=False)
    assert message.by == "a" * 60
    assert read_message(b'{"token": "x", "by": "A\\u202eb\\u0000c\\u200b"}', numbers=False).by == "A b c"


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "there is no code"),
        (b"   ", "there is no code"),
        (b"\xff\xfe", "no text"),
        (b"x" * 65, "there is no code"),
        (b"x" * 5000, "shorter than 1024 bytes"),
        (b"{", "begins like JSON"),
        (b'{"a":' * 200, "begins like JSON"),
        (b"{}", 'the code as "token"'),
        (b'{"token": 12}', 'the code as "token"'),
        (b'{"token": "x", "by": null}', 'the code as "token"'),
        (b"12", "number alone is not taken"),
    ],
)
def test_what_is_no_answer_is_refused_with_the_reason(payload: bytes, why: str) -> None:
    with pytest.raises(PayloadError, match=why):
        read_message(payload, numbers=False)


@given(st.binary(max_size=2000), st.booleans())
def test_no_bytes_raise_anything_else(payload: bytes, numbers: bool) -> None:
    with contextlib.suppress(PayloadError):
        message = read_message(payload, numbers=numbers)
        assert bool(message.code) != bool(message.number)


# -- replies -----------------------------------------------------------------------------------------------------


def test_replies_say_what_happened_in_the_rooms_time() -> None:
    vienna = zone_of("Europe/Vienna")
    answered = Notice(
        "k", T0, "too-warm", ("upper",), "raised", "now", "Too warm: box upper", "hot",
        id=12, answered_ms=T0 + 60_000, answer="neighbour",
    )  # fmt: skip
    assert reply(AnswerResult("given", answered), vienna).startswith(
        "Notice 12 is answered: Too warm: box upper. It is not "
    )
    assert reply(AnswerResult("given", answered, over=True), vienna).endswith("What it told of is over already.")
    assert (
        reply(AnswerResult("before", answered), vienna)
        == "Notice 12 was answered already, at 2026-05-28 22:27 by neighbour."
    )
    assert reply(AnswerResult("before", answered, again=True), vienna) == reply(AnswerResult("given", answered), vienna)
    assert reply(AnswerResult("open", notice()), vienna) == "Notice 12 waits for an answer."
    assert "2026-05-28 22:26" in reply(AnswerResult("expired", notice()), vienna)
    assert reply(UNKNOWN, vienna) == "Nothing was answered: this is not the code of a notice of this room."


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer("command", by="ada"), "ada"),
        (Answer("page", by="Ada"), "Ada, on the page"),
        (Answer("page"), "the page"),
        (Answer("program", by="hall display"), "hall display, by a program"),
        (Answer("program"), "a program"),
        (Answer("link", "phone"), "the link sent to phone"),
        (Answer("message", "mail", "Ada"), "Ada, with the code sent to mail"),
        (Answer("number"), "a message with its number"),
    ],
)
def test_who_answered_and_how_is_said(answer: Answer, words: str) -> None:
    assert answer.words == words
