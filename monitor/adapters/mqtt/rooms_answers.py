"""Answers to notices of many rooms, on their way: at least once, over restarts, until the room says what came of them.

An answer is on the disk before it is called given. It is published with QoS 1 as soon as there is a line and the room's
code is known, and again each minute as long as the room is watched and says nothing; twice the same answers once. What
came of it is the room's word: its reply, or its state, in which the notice waits no more.
"""

from __future__ import annotations

import json
import logging
import re
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final, Literal, Protocol

from monitor.core.notices.answers import LONGEST_NAME
from monitor.core.rooms.overview import HandNow, OverviewNow
from monitor.core.rooms.said import one_line
from monitor.values import dataclass
from monitor.whole_file import write_whole

_log = logging.getLogger(__name__)

FILE: Final = "answers-on-their-way.json"
AGAIN_MS: Final = 60_000
GIVEN_UP_MS: Final = 24 * 3_600_000
SHOWN_MS: Final = 3_600_000
"""So long an answer of which it is known what came of it is shown."""
MOST: Final = 200
_LARGEST_FILE: Final = 1_000_000
_NUMBERED: Final = re.compile(r"(?:Test notice|Notice) ([1-9][0-9]{0,8}) (?:is|was) answered")
_REFUSED: Final = "Nothing was answered"

Outcome = Literal["", "answered", "refused", "nobody"]


@dataclass(frozen=True, slots=True)
class AnswerGiven:
    """``key``: of the room. ``outcome`` is empty while it is on its way; "nobody": no room took it for a day.
    ``words``: the room's own, of what came of it. ``sent``: how many times it was published."""

    key: str
    notice: int
    by: str
    asked_ms: int
    sent: int = 0
    sent_ms: int = 0
    outcome: Outcome = ""
    words: str = ""
    settled_ms: int = 0


class Wire(Protocol):
    """The line to one broker, as far as an answer needs it."""

    def say(self, room: str, text: str) -> bool: ...

    def replies(self, room: str) -> Sequence[tuple[str, int]]: ...


class AnswersOnTheirWay:
    """All of one overview. Safe to use from several threads. ``folder`` None: they are kept in memory alone."""

    def __init__(self, folder: Path | None, wires: Mapping[str, Wire], now_ms: Callable[[], int]) -> None:
        self._path = None if folder is None else folder / FILE
        self._wires, self._now_ms = wires, now_ms
        self._lock = threading.Lock()
        self._given = {(x.key, x.notice): x for x in _read(self._path)}

    def give(self, key: str, notice: int, by: str) -> AnswerGiven:
        """Take an answer, on the disk. Raises OSError, and ValueError where too many are on their way."""
        given = AnswerGiven(key, notice, one_line(by, LONGEST_NAME), self._now_ms())
        with self._lock:
            before = self._given.get((key, notice))
            if before is not None and before.outcome in ("", "answered"):
                return before
            if len(self._given) >= MOST:
                raise ValueError("too many answers are on their way")
            self._write({**self._given, (key, notice): given})
        return given

    def all(self) -> list[AnswerGiven]:
        """The newest first."""
        with self._lock:
            return sorted(self._given.values(), key=lambda x: -x.asked_ms)

    def of(self, key: str, notice: int | None) -> AnswerGiven | None:
        """The answer to a notice of a room, if one was given here."""
        with self._lock:
            return None if notice is None else self._given.get((key, notice))

    def tend(self, now: OverviewNow) -> bool:
        """Send what is due, and see what came of it; whether anything changed. Called often. Raises OSError."""
        with self._lock:
            alone = {
                key: sum(x.key == key and not x.outcome for x in self._given.values()) == 1 for key, _ in self._given
            }
            found = {at: self._tended(x, now, alone=alone[x.key]) for at, x in self._given.items()}
            found = {at: x for at, x in found.items() if not x.outcome or now.at_ms - x.settled_ms < SHOWN_MS}
            changed = found != self._given
            if changed:
                self._write(found)
            return changed

    def _tended(self, x: AnswerGiven, now: OverviewNow, *, alone: bool) -> AnswerGiven:
        if x.outcome:
            return x
        broker, _, room_id = x.key.partition("/")
        wire, room = self._wires.get(broker), now.room(x.key)
        for words, at_ms in () if wire is None else reversed(wire.replies(room_id)):
            numbered = _NUMBERED.match(words)
            if at_ms >= x.asked_ms and x.sent and numbered is not None and int(numbered[1]) == x.notice:
                return replace(x, outcome="answered", words=words, settled_ms=now.at_ms)
            if at_ms >= x.sent_ms and x.sent and alone and words.startswith(_REFUSED):
                return replace(x, outcome="refused", words=words, settled_ms=now.at_ms)
        hands = [h for h in now.hands if h.room.heard.key == x.key and h.need is not None]
        for hand in hands:
            if hand.need is not None and hand.need.told == x.notice and hand.need.state == "answered":
                return replace(x, outcome="answered", words=hand.need.answered_by, settled_ms=now.at_ms)
        if now.at_ms - x.asked_ms > GIVEN_UP_MS:
            return replace(x, outcome="nobody", settled_ms=now.at_ms)
        hand_of = next((h for h in hands if h.need is not None and h.need.notice == x.notice), None)
        here = room is not None and room.watch == "here"
        due = not x.sent or (here and not 0 <= now.at_ms - x.sent_ms < AGAIN_MS)
        message = "" if hand_of is None else _message(hand_of, x.by)
        if wire is not None and due and message and wire.say(room_id, message):
            return replace(x, sent=x.sent + 1, sent_ms=now.at_ms)
        return x

    def _write(self, given: dict[tuple[str, int], AnswerGiven]) -> None:
        if self._path is not None:
            told = [asdict(x) for x in given.values()]
            write_whole(self._path, json.dumps({"answers": told}).encode(), 0o600)
        self._given = given


_LIKE: Final = AnswerGiven("", 0, "", 0)


def _message(hand: HandNow, by: str) -> str:
    return json.dumps({"token": hand.code, "by": by}) if hand.code else ""


def _read(path: Path | None) -> list[AnswerGiven]:
    """Those of before; none where nothing was written, or nothing that can be read."""
    try:
        if path is None or path.stat().st_size > _LARGEST_FILE:
            return []
        told: list[dict[str, Any]] = json.loads(path.read_bytes())["answers"]
        found = [AnswerGiven(**x) for x in told[:MOST]]
        if not all(type(getattr(x, key)) is type(value) for x in found for key, value in asdict(_LIKE).items()):
            raise TypeError
        return found
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        _log.warning("%s cannot be read; answers that were on their way have to be given again", path)
        return []
