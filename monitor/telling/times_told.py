"""Times as a keeper tells them, from a command or from a page."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, tzinfo
from typing import Final

from monitor.core.terms.times import HOUR_MS, MINUTE_MS, moment_of

_AGO: Final = re.compile(r"([0-9]{1,4}) ?(min|h) ago")
_CLOCK: Final = re.compile(r"([01]?[0-9]|2[0-3]):[0-5][0-9]")


def time_told(text: str, zone: tzinfo, now_ms: int) -> tuple[int, bool]:
    """A time as keepers write it, in the room's zone unless it names its own; (ms UTC, only a day was given).

    "now", "07:30" (of today), "yesterday", "yesterday 07:30", "30 min ago", "2026-05-01", "2026-05-01 19:30". A
    day alone stands for its noon. Raises UsageError as :func:`~monitor.core.terms.times.moment_of`.
    """
    told = text.strip()
    if told.lower() == "now":
        return now_ms, False
    if ago := _AGO.fullmatch(told.lower()):
        return now_ms - int(ago[1]) * (MINUTE_MS if ago[2] == "min" else HOUR_MS), False
    return moment_of(_spelled_out(told, zone, now_ms), zone, also='"07:30", "yesterday 19:30", ')


def _spelled_out(told: str, zone: tzinfo, now_ms: int) -> str:
    """A time of today or yesterday with its date; what names its own date stays as it is."""
    word, _, clock = told.partition(" ")
    if _CLOCK.fullmatch(told):
        word, clock = "today", told
    if word.lower() not in ("today", "yesterday") or (clock and not _CLOCK.fullmatch(clock)):
        return told
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    day = today - timedelta(days=word.lower() == "yesterday")
    return f"{day.isoformat()} {clock:0>5}" if clock else day.isoformat()
