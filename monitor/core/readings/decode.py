"""From a message's bytes to readings, with a reason for every value that cannot become one.

A payload is a bare number, or JSON in which each probe's value is found by a JSON pointer (RFC 6901); it may hold
a list of buffered readings, and several probes may read one payload. One bad value never costs the others: it is
refused by itself, with its reason, for its probe.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import islice, takewhile
from typing import Final, Literal, NamedTuple, TypeAlias

from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Probe, Quantity, Unit
from monitor.core.terms.times import DAY_MS
from monitor.errors import PayloadError
from monitor.values import dataclass

Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"

KEPT_BYTES: Final = 64 * 1024
"""So much of an unreadable payload is kept."""
LARGEST_PAYLOAD: Final = 256 * 1024
"""Bytes. A logger's whole day, a value a minute with its time, is about 100 KiB."""
AHEAD_MS: Final = 5 * 60_000
"""A measured time may be so far ahead of the received one: clocks differ, the future does not report. What is further
ahead shows that a clock is wrong (:mod:`monitor.core.readings.probe_clocks`)."""
KEPT_AHEAD_MS: Final = 2 * DAY_MS
"""What is further ahead than this is no reading: a zone that was mixed up is half a day, a date one."""
EARLIEST_MS: Final = 978_307_200_000
"""2001-01-01: an earlier time comes from a clock that was never set (1970, 2000)."""
LATEST_MS: Final = 4_102_444_800_000
"""2100-01-01: no clock that is worth anything says so, whatever this computer's says."""
REASONS_SHOWN: Final = 5
LONGEST_NUMBER: Final = 1000
"""Characters. Every value of a double can be written out exactly with fewer than 800 digits."""
LONGEST_TIME: Final = 100
"""Characters of a time in ISO 8601."""
LONGEST_POINTER: Final = 300
MOST_LEAVES: Final = 5000
"""Only what a keeper could choose from is guessed at: so many numbers, under names of such a length."""
SHOWN: Final = 40
"""So many characters of what came stand in a reason."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# Each digit can be taken in one way only: where two stars may share a run of digits, a text that is no number at its
# end is tried at every place of the border between them.
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_SHORT_NUMBER: Final = re.compile(rb"[+-]?[0-9]{1,20}(?:\.[0-9]{1,20})?")
_COMMA: Final = re.compile(r"[+-]?[0-9]+,[0-9]+")
_JSON: Final = json.JSONDecoder()
_TOLD: Final = json.JSONEncoder()


class Decoded(NamedTuple):
    """What a payload gave: readings, and (probe id, reason) for what it did not."""

    readings: tuple[Reading, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()


_Reasons: TypeAlias = "list[tuple[int | None, str]]"


class _Refusal(Exception):
    """One value that cannot be read; never leaves this module."""


def decode(probes: Sequence[Probe], payload: bytes, received_ms: int, *, clock_trusted: bool = True) -> Decoded:
    """Readings of the probes that claim this payload's topic.

    Values come out in degrees Celsius or per cent, rounded to six places. A reading without a time of its own
    gets the received one and ``timed`` False. A measured time may be two days ahead of the received one; with
    ``clock_trusted`` False they are not compared: then it is the receiver that may be wrong.

    Raises PayloadError when nothing of the payload can be read by any of the probes: too large, not text, or not
    JSON although all of them need it.
    """
    if len(payload) > LARGEST_PAYLOAD:
        raise PayloadError(f"the payload is larger than the {LARGEST_PAYLOAD // 1024} KiB that are read")
    if len(probes) == 1 and _is_bare(probes[0]) and _SHORT_NUMBER.fullmatch(payload):
        # What most probes send needs nothing of what follows.
        value = to_unit(float(payload), probes[0].unit)
        return Decoded((Reading(probes[0].id, received_ms, value, received_ms, timed=False),))
    text = _text(payload)
    readings: list[Reading] = []
    refused: list[tuple[str, str]] = []
    tree: Json = None
    broken = ""
    parsed = False
    latest_ms = received_ms + KEPT_AHEAD_MS if clock_trusted else LATEST_MS
    for probe in probes:
        bare = _is_bare(probe)
        if not bare and not parsed:
            parsed = True
            try:
                tree = _parsed(text)
            except _Refusal as why:
                broken = str(why)
                if not any(_is_bare(p) for p in probes):
                    raise PayloadError(broken) from None
        if bare:
            found, reasons = _bare(probe, text, received_ms)
        elif broken:
            found, reasons = [], [(None, broken)]
        else:
            found, reasons = _from_tree(probe, tree, received_ms, latest_ms)
        readings += found
        if reasons:
            refused += [(probe.id, reason) for reason in _counted(reasons)]
    return Decoded(tuple(readings), tuple(refused))


def _is_bare(probe: Probe) -> bool:
    return probe.pointer is None and probe.list_pointer is None and probe.time_pointer is None


def _text(payload: bytes) -> str:
    try:
        # As the codec utf-8-sig does it, which is written in Python and slow.
        text = payload.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError:
        raise PayloadError("the payload is not text (UTF-8)") from None
    # Small devices often send the closing zero of a C string along (common practice, no source).
    text = text.strip(" \t\r\n\0")
    if not text:
        raise PayloadError("the payload is empty")
    return text


def _parsed(text: str) -> Json:
    try:
        tree: Json
        tree, end = _JSON.raw_decode(text)
        if end != len(text):
            raise json.JSONDecodeError("Extra data", text, end)
    except RecursionError:
        raise _Refusal("not JSON: nested too deeply") from None
    except json.JSONDecodeError as error:
        if text[0] not in "{[":
            raise _Refusal(f"{_shown(text)} is not JSON") from None
        raise _Refusal(f"not JSON: it breaks at character {error.pos} of {_shown(text)}") from None
    except ValueError:
        # Python reads no integer of more than 4300 digits.
        raise _Refusal("not JSON that can be read: an integer has too many digits") from None
    return tree


def _bare(probe: Probe, text: str, received_ms: int) -> tuple[list[Reading], _Reasons]:
    try:
        # A number in quotes is still a number.
        inner = text[1:-1].strip() if len(text) > 1 and text[0] == text[-1] == '"' else text
        if inner[0:1] in ("{", "["):
            raise _Refusal(f"JSON, but the probe has no pointer that says where its value stands: {_shown(inner)}")
        value = to_unit(_number(inner), probe.unit)
    except _Refusal as why:
        return [], [(None, str(why))]
    return [Reading(probe.id, received_ms, value, received_ms, timed=False)], []


def _from_tree(probe: Probe, tree: Json, received_ms: int, latest_ms: int) -> tuple[list[Reading], _Reasons]:
    readings: list[Reading] = []
    reasons: _Reasons = []
    if probe.list_pointer is None:
        try:
            readings.append(_one(probe, tree, received_ms, latest_ms))
        except _Refusal as why:
            reasons += [] if _untold(probe, tree) else [(None, str(why))]
        return readings, reasons
    try:
        elements = resolve(tree, probe.list_pointer)
    except LookupError as error:
        return [], [(None, str(error.args[0]))]
    if not isinstance(elements, list):
        return [], [(None, f"what stands at {probe.list_pointer!r} is not a list but {_shown(elements)}")]
    for index, element in enumerate(elements):
        try:
            readings.append(_one(probe, element, received_ms, latest_ms))
        except _Refusal as why:
            reasons += [] if _untold(probe, element) else [(index, str(why))]
    return readings, reasons


def _untold(probe: Probe, tree: Json) -> bool:
    """Many a device tells of its battery now and then only: a message without it is no mistake."""
    if probe.quantity != "battery":
        return False
    try:
        return resolve(tree, probe.pointer or "") is None
    except LookupError:
        return True


def _one(probe: Probe, tree: Json, received_ms: int, latest_ms: int) -> Reading:
    value = to_unit(_number(_at(tree, probe.pointer or "")), probe.unit)
    if probe.time_pointer is None:
        return Reading(probe.id, received_ms, value, received_ms, timed=False)
    at_ms = _time_ms(_at(tree, probe.time_pointer), probe.time_form)
    if at_ms < EARLIEST_MS:
        raise _Refusal(f"the probe's clock says {_shown_time(at_ms)}: it was never set")
    if at_ms > latest_ms:
        raise _Refusal(
            f"the probe's clock says {_shown_time(at_ms)}, which is still to come; received {_shown_time(received_ms)}"
        )
    return Reading(probe.id, at_ms, value, received_ms, timed=True)


def _counted(reasons: _Reasons) -> Iterator[str]:
    """Each reason once, with where it was met first and how often; a thousand bad elements stay a few lines."""
    first: dict[str, str] = {}
    times: dict[str, int] = {}
    for index, reason in reasons:
        first.setdefault(reason, reason if index is None else f"element {index}: {reason}")
        times[reason] = times.get(reason, 0) + 1
    for reason in list(first)[:REASONS_SHOWN]:
        more = times[reason] - 1
        yield first[reason] + (f" (and {more} more like it)" if more else "")
    rest = sum(times[reason] for reason in list(first)[REASONS_SHOWN:])
    if rest:
        yield f"{rest} more elements could not be read"


# ---------------------------------------------------------------- JSON pointers


def resolve(tree: Json, pointer: str) -> Json:
    """What a JSON pointer points at (RFC 6901): ``""`` the whole, ``/a/0/b``; ``~1`` is ``/`` and ``~0`` is ``~``.

    Raises LookupError, with a sentence, when it points at nothing.
    """
    if pointer == "":
        return tree
    if not pointer.startswith("/"):
        raise LookupError(f"the pointer {pointer!r} does not begin with /")
    for token in _tokens(pointer):
        if isinstance(tree, dict):
            if token not in tree:
                raise LookupError(f"nothing at {pointer!r}: there is no {token!r} among {_names(tree)}")
            tree = tree[token]
        elif isinstance(tree, list):
            # RFC 6901 section 4: digits without a leading zero; "-" (the one after the last) never exists.
            if not re.fullmatch(r"0|[1-9][0-9]{0,8}", token) or int(token) >= len(tree):
                raise LookupError(f"nothing at {pointer!r}: the list has {len(tree)} elements, not {token!r}")
            tree = tree[int(token)]
        else:
            raise LookupError(f"nothing at {pointer!r}: {_shown(tree)} has no parts")  # noqa: TRY004 - one kind
    return tree


@lru_cache(maxsize=1024)
def _tokens(pointer: str) -> tuple[str, ...]:
    return tuple(raw.replace("~1", "/").replace("~0", "~") for raw in pointer[1:].split("/"))


def _at(tree: Json, pointer: str) -> Json:
    try:
        return resolve(tree, pointer)
    except LookupError as error:
        raise _Refusal(str(error.args[0])) from None


def _names(tree: dict[str, Json]) -> str:
    names = ", ".join(repr(name[:30]) for name in islice(tree, 8))
    return (names + (" ..." if len(tree) > 8 else "")) or "nothing"


def _shown(value: Json) -> str:
    """The beginning of a value; of a tree no more is written out than is shown, however large and deep it is."""
    text = ""
    for piece in (value,) if isinstance(value, str) else _TOLD.iterencode(value):
        text += piece[: SHOWN + 1]
        if len(text) > SHOWN:
            return repr(text[:SHOWN] + "...")
    return repr(text)


# ---------------------------------------------------------------- numbers, units and times


def _number(value: Json) -> float:
    """A number, or a string that is one. Refuses what is not, with the reason."""
    if isinstance(value, float):
        result = value
    elif value is None:
        raise _Refusal("null instead of a value: the probe measured nothing")
    elif isinstance(value, bool):
        raise _Refusal(f"{str(value).lower()} is not a number")
    elif isinstance(value, str):
        text = value.strip()
        if len(text) > LONGEST_NUMBER:
            raise _Refusal(f"{_shown(text)} has {len(text)} characters: that is not a number")
        if _COMMA.fullmatch(text):
            raise _Refusal(f"{_shown(text)} has a decimal comma; numbers need a point")
        if not _NUMBER.fullmatch(text):
            raise _Refusal(f"{_shown(text)} is not a number")
        result = float(text)
    elif isinstance(value, int):
        try:
            result = float(value)
        except OverflowError:
            result = math.inf
    else:
        raise _Refusal(f"{_shown(value)} is not a number")
    if not math.isfinite(result):
        raise _Refusal("not a finite number (NaN or infinity)")
    return result


def to_unit(value: float, unit: Unit) -> float:
    """From a probe's unit to degrees Celsius, or per cent as it is; rounded to six places."""
    if unit == "F":
        value = (value - 32.0) / 1.8
    elif unit == "K":
        value -= 273.15
    return round(value, 6)


def _time_ms(value: Json, form: Literal["iso", "s", "ms"]) -> int:
    if form == "iso":
        if not isinstance(value, str):
            raise _Refusal(f"the time {_shown(value)} is not a text like 2026-05-01T06:00:00Z")
        text = value.strip()
        try:
            if len(text) > LONGEST_TIME:
                raise ValueError
            moment = datetime.fromisoformat(text)
        except ValueError:
            raise _Refusal(f"the time {_shown(value)} cannot be read as ISO 8601") from None
        if moment.tzinfo is None:
            raise _Refusal(f"the time {_shown(value)} has no zone: it needs Z or an offset like +02:00")
        return (moment - _EPOCH) // timedelta(milliseconds=1)
    try:
        number = _number(value)
    except _Refusal as why:
        raise _Refusal(f"the time: {why}") from None
    scaled = number * 1000.0 if form == "s" else number
    if abs(scaled) > 2**53:
        raise _Refusal(f"the time {_shown(value)} is far outside any calendar")
    return round(scaled)


def _shown_time(at_ms: int) -> str:
    try:
        return f"{_EPOCH + timedelta(milliseconds=at_ms):%Y-%m-%d %H:%M} UTC"
    except OverflowError:
        return f"{at_ms} ms since 1970"


# ---------------------------------------------------------------- guessing, for a keeper who only knows the topic


@dataclass(frozen=True, slots=True)
class Guess:
    """A number found in a payload and what it may be; None where nothing tells.

    ``pointer`` None: the payload is the bare number. ``list_pointer``: the number was found in the first element
    of that list, and the other pointers count within each element.
    """

    pointer: str | None
    value: float
    quantity: Quantity | None = None
    unit: Unit | None = None
    time_pointer: str | None = None
    time_form: Literal["iso", "s", "ms"] | None = None
    list_pointer: str | None = None


_TIME_WORDS: Final = frozenset(
    {"at", "time", "timestamp", "ts", "datetime", "date", "when", "measured", "utc", "epoch"}
)
_TEMPERATURE_WORDS: Final = frozenset({"temperature", "temp", "t", "tmp", "warmth", "degrees", "celsius", "fahrenheit"})
_HUMIDITY_WORDS: Final = frozenset({"humidity", "hum", "rh", "moisture", "h"})
_BATTERY_WORDS: Final = frozenset({"battery", "batt", "bat", "vbat", "vbatt", "accu", "voltage"})
_NOT_A_LEVEL: Final = frozenset({"low", "ok", "state", "status", "type", "charging"})
_OTHER_WORDS: Final = frozenset(
    {
        "volt",
        "rssi",
        "lqi",
        "signal",
        "pressure",
        "lux",
        "light",
        "power",
        "uptime",
        "count",
        "id",
    }
)
_FAHRENHEIT_WORDS: Final = frozenset({"f", "fahrenheit", "tempf", "degf"})
EGGS_C: Final = (15.0, 45.0)
"""A bare number on a topic that says nothing is taken for degrees Celsius where eggs may lie. Judgement, no source."""
_TOLD_WORDS: Final = _TEMPERATURE_WORDS | _HUMIDITY_WORDS | _BATTERY_WORDS | _OTHER_WORDS | _NOT_A_LEVEL | _TIME_WORDS
MOST_TIMES: Final = 20
MOST_REMARKS: Final = 5


def guess(topic: str, payload: bytes) -> list[Guess]:
    """Every number of a payload with what its name, its topic and its size suggest. Empty when there is none."""
    if len(payload) > LARGEST_PAYLOAD:
        return []
    try:
        text = _text(payload)
    except PayloadError:
        return []
    words, far = _words(topic.rsplit("/", 1)[-1]), _words(topic)
    try:
        value = _number(text.strip('"'))
    except _Refusal:
        pass
    else:
        found = _guessed(None, value, words, far)
        if not (found.quantity or far & _TOLD_WORDS) and EGGS_C[0] <= value <= EGGS_C[1]:
            return [Guess(None, value, "temperature", "C")]
        return [found]
    try:
        tree = _parsed(text)
    except _Refusal:
        return []
    list_pointer, leaves, times = _to_choose_from(tree)
    result = []
    for pointer, leaf in leaves:
        if pointer in times:
            continue
        try:
            value = _number(leaf)
        except _Refusal:
            continue
        found = _guessed(pointer, value, _words(pointer.rsplit("/", 1)[-1]), _words(pointer) | far)
        # The time that stands nearest to it.
        when = max(islice(times, MOST_TIMES), key=lambda p: _together(p, pointer), default=None)
        form = None if when is None else times[when]
        result.append(Guess(pointer, value, found.quantity, found.unit, when, form, list_pointer))
    return result


def _to_choose_from(tree: Json) -> tuple[str | None, list[tuple[str, Json]], dict[str, Literal["iso", "s", "ms"]]]:
    """Where the list of readings stands, the leaves (of its first element) and those of them that are times.

    A list whose elements have no time of their own is one of sensors: each of its numbers is another probe's.
    """
    listed = _first_list(tree)
    if listed is not None:
        leaves, times = _leaves_and_times(listed[0])
        if times:
            return listed[1], leaves, times
    return None, *_leaves_and_times(tree)


def _leaves_and_times(tree: Json) -> tuple[list[tuple[str, Json]], dict[str, Literal["iso", "s", "ms"]]]:
    leaves = list(islice(_leaves(tree, ""), MOST_LEAVES))
    return leaves, {p: form for p, v in leaves if (form := _time_form(p, v)) is not None}


def _together(pointer: str, other: str) -> int:
    """How many steps two pointers go together."""
    pairs = zip(pointer.split("/"), other.split("/"), strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def remarks(topic: str, payload: bytes) -> list[str]:
    """What a keeper would believe to be read and is not, a sentence each: a time without its zone, a clock that was
    never set, a value that is no number. Times and values are known by their names, as in :func:`guess`."""
    if len(payload) > LARGEST_PAYLOAD:
        return [f"larger than the {LARGEST_PAYLOAD // 1024} KiB that are read"]
    try:
        text = _text(payload)
    except PayloadError as error:
        return [error.what]
    if text[0] not in "{[":
        try:
            _number(text.strip('"'))
        except _Refusal as why:
            named = text[0] in "+-.0123456789" or _words(topic) & (_TEMPERATURE_WORDS | _HUMIDITY_WORDS)
            return [str(why)] if named else []
        return []
    try:
        tree = _parsed(text)
    except _Refusal as why:
        return [str(why)]
    told = (f"{pointer}: {said}" for pointer, leaf in _to_choose_from(tree)[1] if (said := _unread(pointer, leaf)))
    return list(islice(told, MOST_REMARKS))


def _unread(pointer: str, leaf: Json) -> str:
    """Why a time or a value, by its name, cannot be read as one; empty where it can, or is neither."""
    words = _words(pointer.rsplit("/", 1)[-1])
    if words & (_TEMPERATURE_WORDS | _HUMIDITY_WORDS):
        try:
            _number(leaf)
        except _Refusal as why:
            return str(why)
        return ""
    if not words & _TIME_WORDS or not isinstance(leaf, str | int | float) or isinstance(leaf, bool):
        return ""
    if _time_form(pointer, leaf) is not None:
        return ""
    instead = "so the time of arrival counts"
    try:
        at_ms = _time_ms(leaf, "iso" if isinstance(leaf, str) else "s")
    except _Refusal as why:
        return f"{why}; {instead}"
    return f"the time {_shown(leaf)} would be {_shown_time(at_ms)}: a clock that was never set? {instead}"


def _words(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()))


def _leaves(tree: Json, pointer: str, depth: int = 0) -> Iterator[tuple[str, Json]]:
    if depth > 8:
        return
    if isinstance(tree, dict):
        for name, part in tree.items():
            if len(pointer) + len(name) < LONGEST_POINTER:
                yield from _leaves(part, f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}", depth + 1)
    elif isinstance(tree, list):
        for index, part in enumerate(tree[:50]):
            yield from _leaves(part, f"{pointer}/{index}", depth + 1)
    else:
        yield pointer, tree


def _first_list(tree: Json, pointer: str = "", depth: int = 0) -> tuple[Json, str] | None:
    """The first element of the first list of objects, and where that list stands."""
    if isinstance(tree, list) and tree and isinstance(tree[0], dict):
        return tree[0], pointer
    if isinstance(tree, dict) and depth < 3:
        for name, part in tree.items():
            if len(pointer) + len(name) >= LONGEST_POINTER:
                continue
            found = _first_list(part, f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}", depth + 1)
            if found is not None:
                return found
    return None


def _time_form(pointer: str, value: Json) -> Literal["iso", "s", "ms"] | None:
    """How a leaf writes a time, if its name says time and its value could be one between 2001 and 2100."""
    if not _words(pointer.rsplit("/", 1)[-1]) & _TIME_WORDS or isinstance(value, bool):
        return None
    forms: tuple[Literal["iso", "s", "ms"], ...] = ("iso",) if isinstance(value, str) else ("s", "ms")
    for form in forms:
        try:
            if EARLIEST_MS <= _time_ms(value, form) < LATEST_MS:
                return form
        except _Refusal:
            continue
    return None


def _guessed(pointer: str | None, value: float, near: frozenset[str], far: frozenset[str]) -> Guess:
    """By the last name first, then by the whole way to it, then by nothing."""
    if near & _BATTERY_WORDS:
        if not near & _NOT_A_LEVEL and 1.0 < value <= 5.0:
            return Guess(pointer, value, "battery", "V")
        if not near & (_NOT_A_LEVEL | {"voltage", "vbat", "vbatt"}) and 5.0 < value <= 100.0:
            return Guess(pointer, value, "battery", "%")
        return Guess(pointer, value)
    if near & _OTHER_WORDS:
        return Guess(pointer, value)
    for words in (near, far):
        if words & _HUMIDITY_WORDS and not words & _TEMPERATURE_WORDS and 1.0 < value <= 100.0:
            return Guess(pointer, value, "humidity", "%")
        if words & _TEMPERATURE_WORDS and not words & _HUMIDITY_WORDS:
            if words & _FAHRENHEIT_WORDS or 45.0 < value <= 130.0:
                return Guess(pointer, value, "temperature", "F")
            if 250.0 <= value <= 330.0:
                return Guess(pointer, value, "temperature", "K")
            if -30.0 <= value <= 45.0:
                return Guess(pointer, value, "temperature", "C")
    return Guess(pointer, value)
