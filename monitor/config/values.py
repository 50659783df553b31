"""The kinds of values that a key of the configuration may have, and how a value is shown that is none of them."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import zoneinfo
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from monitor.core.terms.settings import Urgency


def _refuse(mistake_id: str, what: str, fix: str) -> PydanticCustomError:
    return PydanticCustomError(mistake_id, "{what}", {"what": what, "fix": fix})


UrgencyWord = Annotated[Urgency, BeforeValidator(lambda value: "later" if value == "diary" else value)]  # of before
_SECONDS: Final = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_DURATION: Final = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?) ?(s|min|h|d)")


def seconds(value: object) -> float:
    """Seconds of a time span as written in the file: 90, 1.5, "90 s", "10 min", "1.5 h", "7 d"."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) if abs(value) < 1e12 else 1e12
    found = _DURATION.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        what = f"{shown(value)} is not a time span"
        raise _refuse("bad-duration", what, 'write for example "90 s", "10 min" or "1.5 h"')
    return float(found[1]) * _SECONDS[found[2]]


def _words(value: str) -> str:
    if not value.isprintable():
        # A line break in a name would end up in the subject of a mail.
        raise _refuse("out-of-bounds", "holds a line break or a control character", "write it in one plain line")
    return value


def _id(value: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", value):
        raise _refuse(
            "bad-id", f"{shown(value)} cannot be an id", "use up to 64 letters, digits, dots, hyphens and underscores"
        )
    return value


def _zone(value: str) -> str:
    try:
        zoneinfo.ZoneInfo(value)
    except (KeyError, ValueError, OSError):
        near = difflib.get_close_matches(value, sorted(zoneinfo.available_timezones()), n=1)
        hint = f"did you mean {near[0]}?" if near else 'use an IANA name such as "Europe/Vienna"'
        raise _refuse("bad-zone", f"there is no time zone {shown(value)}", hint) from None
    return value


def _topic(value: str) -> str:
    if "+" in value or "#" in value:
        raise _refuse(
            "wildcard-topic", f"{shown(value)} stands for many topics", "give each probe its own topic, without + and #"
        )
    if not value or "\0" in value or value.startswith("$") or len(value.encode("utf-8", "replace")) > 65535:
        raise _refuse(
            "bad-topic", f"no reading arrives on {shown(value)}", "give the topic as the probe publishes it, not $..."
        )
    return value


def _pointer(value: str) -> str:
    if value and not value.startswith("/"):
        raise _refuse("bad-pointer", f"{shown(value)} does not begin with /", f'write "/{value[:40]}" (RFC 6901)')
    if re.search(r"~(?![01])", value):
        raise _refuse("bad-pointer", f"{shown(value)} has a ~ alone", "write ~0 for ~ and ~1 for / (RFC 6901)")
    return value


def _clock(value: str) -> str:
    if not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise _refuse("bad-clock", f"{shown(value)} is not a time of day", 'write it as "08:00", 00:00 to 23:59')
    return value


def _address(value: str) -> str:
    if not re.match(r"[A-Za-z][A-Za-z0-9+.-]*://\S", value) or not value.isprintable() or " " in value:
        raise _refuse("bad-address", "this is not an address", "write scheme://host/path, without spaces")
    return value


def _web_address(value: str) -> str:
    if not re.match(r"https?://[^\s/?#]+", value):
        raise _refuse("bad-address", "this is not a web address", "it begins with https:// or http:// and a host")
    return _address(value)


Id = Annotated[str, AfterValidator(_id)]
Zone = Annotated[str, AfterValidator(_zone)]
Topic = Annotated[str, AfterValidator(_topic)]
Pointer = Annotated[str, AfterValidator(_pointer)]
Clock = Annotated[str, AfterValidator(_clock)]
Address = Annotated[str, AfterValidator(_address)]
WebAddress = Annotated[str, AfterValidator(_web_address)]
Words = Annotated[str, Field(min_length=1, max_length=255), AfterValidator(_words)]
Span = Annotated[float, BeforeValidator(seconds), Field(ge=0, le=366 * 86400)]
Wait = Annotated[float, BeforeValidator(seconds), Field(gt=0, le=366 * 86400)]
Degrees = Annotated[float, Field(ge=-1000, le=1000)]
Percent = Annotated[float, Field(ge=0, le=100)]
Height = Annotated[float, Field(ge=-100, le=1000)]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
TimeForm = Literal["iso", "s", "ms"]


def shown(value: object) -> str:
    """A value of the file as one short line."""
    if isinstance(value, str):
        plain = value if value.isprintable() else value.encode("unicode_escape", "replace").decode("ascii")
        text = f'"{plain}"'
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, int) and abs(value) > 10**40:
        text = "a very long number"
    elif isinstance(value, int | float):
        text = f"{value:g}" if isinstance(value, float) else str(value)
    else:
        text = kind_of(value)
    return text if len(text) <= 60 else text[:56] + ' ..."'


def kind_of(value: object) -> str:
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, str):
        return "text"
    if isinstance(value, int | float):
        return "a number"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, dict):
        return "a table"
    return "a date or time without quotes" if isinstance(value, dt.date | dt.time) else "something else"
