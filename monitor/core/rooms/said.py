"""What a room says of itself, out of the bytes of its messages: within bounds, and nothing in it is trusted.

A room may be of an older version, which lacks keys, of a newer one, or broken, or somebody's who means harm. So each
value is looked at by itself: what is not of its kind counts as not said, a text is cut and loses what would steer a
screen, a list ends after as many as a room may say. A form with another number is not read: what its keys mean may have
changed (``state_schema.json``).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final, Literal, cast

from monitor.core.terms.settings import URGENCIES, DisplayUnit, Urgency
from monitor.errors import PayloadError
from monitor.values import dataclass

FORM: Final = 1
LARGEST_STATE: Final = 65_536
"""Longer no message of a room is, in bytes, whatever stands in its file."""
MOST_NEEDS: Final = 20
MOST_SUBJECTS: Final = 6
MOST_LOTS: Final = 20
MOST_KINDS: Final = 100
LONGEST_NAME: Final = 160
"""Of the eggs of a clutch in a box, with signs around; ids have 64 at most."""
LONGEST_TITLE: Final = 120
LONGEST_FIRST: Final = 200
LONGEST_ADDRESS: Final = 300
_FIRST_MS: Final = 946_684_800_000
_LAST_MS: Final = 4_102_444_800_000
"""From 2000 to 2100: a moment outside of it comes from no clock."""
_STEERING: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufeff]+")
_ADDRESS: Final = re.compile(r"https?://([0-9A-Za-z.-]+|\[[0-9A-Fa-f:.]+\])(:[0-9]{1,5})?([/?][!-~]*)?")
_CODE: Final = re.compile(r"[0-9A-Za-z-]{1,64}")

NeedState = Literal["open", "back", "answered"]
AnswerWay = Literal["code", "number"]


@dataclass(frozen=True, slots=True)
class NeedSaid:
    """Something that wants a hand. ``notice``: the number by which to answer it; None where there is none; ``told``:
    that of the newest notice that told of it."""

    urgency: Urgency
    kind: str
    subjects: tuple[str, ...]
    subjects_in_all: int
    since_ms: int | None
    state: NeedState
    notice: int | None
    title: str
    first: str
    told: int | None
    answered_by: str
    answered_ms: int | None


@dataclass(frozen=True, slots=True)
class RoomSaid:
    """A room of a moment. ``page``: the address of its own page, empty for none; ``answers``: what answers a notice."""

    at_ms: int
    version: str
    name: str
    unit: DisplayUnit
    newest_ms: int | None
    needs: tuple[NeedSaid, ...]
    needs_in_all: int
    page: str
    answers: AnswerWay | None


@dataclass(frozen=True, slots=True)
class EggsSaid:
    """The eggs of a clutch in a box. ``window``: when the first pip is expected, 10, 50 and 90 % (ms)."""

    lot: str
    eggs: int
    waiting: int
    pipped: int
    development_pct: float | None
    window: tuple[int, int, int] | None
    wait_until_ms: int | None


@dataclass(frozen=True, slots=True)
class BoxSaid:
    """A box of a moment. ``temperature_c`` was true then; None where the room itself knew of none so new."""

    at_ms: int
    box: str
    stack: str
    height_cm: float
    temperature_c: float | None
    temperature_ms: int | None
    estimated: bool
    last_c: float | None
    last_ms: int | None
    too_cool_c: float | None
    too_warm_c: float | None
    conditions: tuple[str, ...]
    eggs: tuple[EggsSaid, ...]


class NewerForm(PayloadError):
    """A message says more than this program understands."""


def one_line(value: object, most: int) -> str:
    """A text without what would steer a screen, ``most`` signs at most; empty for what is none."""
    if not isinstance(value, str):
        return ""
    text = " ".join(_STEERING.sub(" ", value[: 4 * most]).split())
    return text if len(text) <= most else text[: most - 1] + "…"


def read_room(payload: bytes) -> RoomSaid:
    """A room's own message. Raises PayloadError, and NewerForm."""
    told, at_ms = _read(payload)
    unit, answers = told.get("unit"), told.get("answers")
    needs = tuple(_need(x) for x in _tables(told.get("needs"), MOST_NEEDS))
    return RoomSaid(
        at_ms,
        one_line(told.get("version"), 40),
        one_line(told.get("room"), LONGEST_NAME),
        "F" if unit == "F" else "C",
        moment(told.get("newest_reading_at")),
        needs,
        max(_count(told.get("needs_in_all")), len(needs)),
        _address(told.get("page")),
        cast(AnswerWay, answers) if answers in ("code", "number") else None,
    )


def read_box(payload: bytes, box: str) -> BoxSaid:
    """A message of one box; ``box`` is what its topic names. Raises PayloadError, and NewerForm."""
    told, at_ms = _read(payload)
    temperature_ms = moment(told.get("temperature_at"))
    return BoxSaid(
        at_ms,
        box,
        one_line(told.get("stack"), 64),
        _number(told.get("height_cm"), -1e4, 1e4) or 0.0,
        # A temperature without its time is none of now.
        None if temperature_ms is None else _degrees(told.get("temperature_c")),
        temperature_ms,
        told.get("estimated") is True,
        _degrees(told.get("last_c")),
        moment(told.get("last_at")),
        _degrees(told.get("too_cool_c")),
        _degrees(told.get("too_warm_c")),
        tuple(one_line(x, 64) for x in _list(told.get("conditions"), MOST_KINDS)),
        tuple(_eggs(x) for x in _tables(told.get("eggs"), MOST_LOTS)),
    )


def read_codes(payload: bytes) -> dict[int, str]:
    """The codes that answer, by the number of the notice. Raises PayloadError, and NewerForm."""
    codes = _read(payload)[0].get("codes")
    if not isinstance(codes, dict) or len(codes) > MOST_NEEDS:
        raise PayloadError("it holds no table of codes, or too many")
    return {
        int(number): code
        for number, code in codes.items()
        if re.fullmatch("[1-9][0-9]{0,8}", number) and isinstance(code, str) and _CODE.fullmatch(code)
    }


def moment(value: object) -> int | None:
    """A moment (ms) as it is written in messages; None for what is none, or lies beyond all clocks."""
    if not isinstance(value, str) or len(value) > 40:
        return None
    try:
        at = datetime.fromisoformat(value)
        at_ms = round(at.timestamp() * 1000) if at.tzinfo is not None else 0
    except (ValueError, OverflowError):
        return None
    return at_ms if _FIRST_MS <= at_ms < _LAST_MS else None


# -- values, each within its bounds


def _read(payload: bytes) -> tuple[Mapping[str, Any], int]:
    if len(payload) > LARGEST_STATE:
        raise PayloadError(f"it is longer than {LARGEST_STATE} bytes")
    try:
        told = json.loads(payload.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise PayloadError("it is no JSON") from None
    form = told.get("v") if isinstance(told, dict) else None
    if type(form) is not int or form < FORM:
        raise PayloadError("it does not say of which form it is")
    if form > FORM:
        raise NewerForm("it says more than this program understands")
    at_ms = moment(told.get("as_of"))
    if at_ms is None:
        raise PayloadError("it does not say of which moment it is")
    return told, at_ms


def _no_number(name: str) -> float:
    raise ValueError(name)


def _list(value: object, most: int) -> list[object]:
    return value[:most] if isinstance(value, list) else []


def _tables(value: object, most: int) -> list[Mapping[str, Any]]:
    return [x for x in _list(value, most) if isinstance(x, dict)]


def _number(value: object, low: float, high: float) -> float | None:
    # An integer may be too long for any float, so it is compared as it is.
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        return None
    return float(value) if math.isfinite(value) else None


def _degrees(value: object) -> float | None:
    return _number(value, -100.0, 200.0)


def _count(value: object) -> int:
    return value if type(value) is int and 0 <= value <= 1_000_000 else 0


def _need(told: Mapping[str, Any]) -> NeedSaid:
    urgency, state = told.get("urgency"), told.get("state")
    subjects = tuple(one_line(x, LONGEST_NAME) for x in _list(told.get("subjects"), MOST_SUBJECTS))
    all_subjects = told.get("subjects_in_all", len(_list(told.get("subjects"), 100_000)))
    return NeedSaid(
        # What is of no urgency that is known is looked at first: nobody loses by it.
        cast(Urgency, urgency) if urgency in URGENCIES else "now",
        one_line(told.get("kind"), 64),
        subjects,
        max(_count(all_subjects), len(subjects)),
        moment(told.get("since")),
        cast(NeedState, state) if state in ("open", "back", "answered") else "open",
        _notice(told.get("notice")),
        one_line(told.get("title"), LONGEST_TITLE),
        one_line(told.get("first"), LONGEST_FIRST),
        _notice(told.get("told")),
        one_line(told.get("answered_by"), LONGEST_NAME),
        moment(told.get("answered_at")),
    )


def _notice(value: object) -> int | None:
    return value if type(value) is int and 0 < value < 1_000_000_000 else None


def _eggs(told: Mapping[str, Any]) -> EggsSaid:
    pip = told.get("first_pip")
    found = [moment(pip.get(name)) if isinstance(pip, dict) else None for name in ("p10", "p50", "p90")]
    known = [x for x in found if x is not None]
    return EggsSaid(
        one_line(told.get("lot"), LONGEST_NAME),
        _count(told.get("eggs")),
        _count(told.get("waiting")),
        _count(told.get("pipped")),
        _number(told.get("development_pct"), 0.0, 10_000.0),
        (known[0], known[1], known[2]) if len(known) == 3 and known == sorted(known) else None,
        moment(told.get("wait_until")),
    )


def _address(value: object) -> str:
    """A web address that a page may lead to: of the web, of one line, with a host and without a login."""
    return value if isinstance(value, str) and len(value) <= LONGEST_ADDRESS and _ADDRESS.fullmatch(value) else ""
