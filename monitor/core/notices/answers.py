"""Answering a notice from afar: which notices ask for it, the line that they carry, and what is said in reply.

An answer comes by the command, by a link (its page), by a message with a code, or, where the keeper allows it, by a
message with the notice's number alone. Whichever it is, the notice is answered once; what comes later is told when it
was and by whom.
"""

from __future__ import annotations

import json
import re
from datetime import tzinfo
from typing import Final, Literal

from monitor.core.notices.codes import LONGEST_TEXT, make
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import show_time
from monitor.core.terms.texts import Texts
from monitor.errors import PayloadError
from monitor.values import dataclass

Way = Literal["command", "page", "program", "link", "message", "number"]
Status = Literal["unknown", "expired", "open", "given", "before"]

LONGEST_MESSAGE: Final = 1024
LONGEST_NAME: Final = 60
_CONTROL: Final = re.compile(r"[^\S ]|[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufeff]")


@dataclass(frozen=True, slots=True)
class Answer:
    """How a notice was answered: by which way, with the code of which channel, by whom (as far as it was said)."""

    way: Way
    channel: str = ""
    by: str = ""

    @property
    def words(self) -> str:
        """After "answered by"."""
        if self.way == "command":
            return self.by
        if self.way == "page":
            return f"{self.by}, on the page" if self.by else "the page"
        if self.way == "program":
            return f"{self.by}, by a program" if self.by else "a program"
        if self.way == "link":
            return f"the link sent to {self.channel}"
        how = f"the code sent to {self.channel}" if self.way == "message" else "its number"
        return f"{self.by}, with {how}" if self.by else how if self.way == "message" else "a message with its number"


@dataclass(frozen=True, slots=True)
class AnswerResult:
    """What became of an answer, or would.

    ``status`` "open": it can be answered; "given": it was answered now; "before": it had been answered already;
    "expired"; "unknown": no such notice or code. ``over``: nothing of what the notice told is true any more.
    ``again``: the same answer by the same message as before, which a broker may send twice.
    """

    status: Status
    notice: Notice | None = None
    channel: str = ""
    over: bool = False
    again: bool = False


UNKNOWN: Final = AnswerResult("unknown")


@dataclass(frozen=True, slots=True)
class Message:
    """An answer that came from the broker: a code, or the number of a notice (0: a code)."""

    code: str = ""
    number: int = 0
    by: str = ""


def asks(notice: Notice) -> bool:
    """Whether a notice waits for an answer: a drill, and what is true and told again without one."""
    if notice.change == "drill":
        return True
    return notice.change in ("raised", "still") and notice.urgency != "later"


def line_of(
    notice: Notice, channel: str, secret: bytes, *, address: str, topic: str, texts: Texts | None = None
) -> str:
    """The line with which a notice asks for an answer through a channel; empty when it asks for none, or there
    is neither a page nor a topic that would take one."""
    if not asks(notice) or not (address or topic):
        return ""
    try:
        code = make(secret, notice.id, channel, notice.at_ms)
    except ValueError:
        # Told at a time beyond all codes, by a clock that was wrong: without a code rather than not at all.
        return ""
    return invitation(notice, code, address, topic, texts)


def invitation(notice: Notice, code: str, address: str, topic: str, texts: Texts | None = None) -> str:
    """The line at the end of a notice, with the link, the code for the topic, or both; worded by the keeper's texts."""
    texts = texts or Texts()
    key = "answer.both" if address and topic else "answer.link" if address else "answer.topic"
    line = texts.fill(key, {"link": link(address, code), "code": code, "topic": topic})
    return f"{texts.fill('answer.drill', {})} {line}" if notice.change == "drill" else line


def link(address: str, code: str) -> str:
    """The address of the page of one notice."""
    return f"{address.rstrip('/')}/a/{code}"


def read_message(payload: bytes, *, numbers: bool) -> Message:
    """An answer out of a message: the code alone, {"token": code, "by": name}, or with ``numbers`` a bare number.

    Raises PayloadError with what is wrong, in words that hold nothing of the message.
    """
    if len(payload) > LONGEST_MESSAGE:
        raise PayloadError(f"an answer is shorter than {LONGEST_MESSAGE} bytes")
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError:
        raise PayloadError("the message is no text") from None
    by = ""
    if text.startswith("{"):
        try:
            parsed = json.loads(text)
        except (ValueError, RecursionError):
            raise PayloadError("the message begins like JSON and is none") from None
        text, by = parsed.get("token"), parsed.get("by", "")
        if not isinstance(text, str) or not isinstance(by, str):
            raise PayloadError('JSON has the code as "token", and perhaps a name as "by", both in quotes')
        text, by = text.strip(), _name(by)
    if re.fullmatch(r"[1-9][0-9]{0,8}", text):
        if not numbers:
            raise PayloadError("a notice's number alone is not taken here; send the code that stands in the notice")
        return Message(number=int(text), by=by)
    if not text or len(text) > LONGEST_TEXT:
        raise PayloadError("there is no code in the message; it stands at the end of a notice")
    return Message(code=text, by=by)


def _name(text: str) -> str:
    return " ".join(_CONTROL.sub(" ", text).split())[:LONGEST_NAME]


def reply(found: AnswerResult, zone: tzinfo) -> str:
    """What became of an answer, in one or two plain sentences."""
    notice = found.notice
    if notice is None or found.status == "unknown":
        return "Nothing was answered: this is not the code of a notice of this room."
    name = f"{'Test notice' if notice.change == 'drill' else 'Notice'} {notice.id}"
    if found.status == "expired":
        return f"Nothing was answered: the code has expired. {name} was sent at {show_time(notice.at_ms, zone)}."
    if found.status == "before" and not found.again:
        at = show_time(notice.answered_ms or notice.at_ms, zone)
        return f"{name} was answered already, at {at} by {notice.answer}."
    if found.status == "open":
        return f"{name} waits for an answer."
    return f"{name} is answered: {notice.title}. {consequence(found)}"


def consequence(found: AnswerResult) -> str:
    """What follows from an answer that was given."""
    notice = found.notice
    if notice is not None and notice.change == "drill":
        return "The way back works."
    if found.over:
        return "What it told of is over already."
    return "It is not repeated any more. What is wrong stays wrong until it is put right."
