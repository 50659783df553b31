"""Spans of time that have a name, and a time as it is written. Times are ``int`` ms UTC, durations of the configuration
are seconds."""

from __future__ import annotations

import re
from datetime import UTC, datetime, tzinfo
from typing import Final

from monitor.errors import UsageError

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 60 * MINUTE_MS
DAY_MS: Final = 24 * HOUR_MS
FIRST_YEAR: Final = 1990
LAST_YEAR: Final = 2099
"""What is told or asked for lies in these years: no record of a room is older, and a calendar ends somewhere."""
_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def moment_of(text: str, zone: tzinfo, *, also: str = "") -> tuple[int, bool]:
    """A day (its noon), or a day and a time, in the zone unless it names its own; (ms UTC, only a day was given).

    Raises UsageError for what is no time of a year from FIRST_YEAR to LAST_YEAR, for an hour that the change to summer
    time skips, and for one that comes twice when it ends: with an offset behind it ("02:30+01:00") either can be meant.
    ``also``: what else may be written, as in "write A, B, ".
    """
    shown = repr(text[:40])
    day_only = _DAY.fullmatch(text) is not None
    try:
        at = datetime.fromisoformat(f"{text} 12:00" if day_only else text)
    except ValueError:
        fix = f'write {also}"2026-05-01", "2026-05-01 09:00" or "2026-10-25 02:30+01:00"'
        raise UsageError(f"{shown} is not a time", fix=fix) from None
    if not FIRST_YEAR <= at.year <= LAST_YEAR:
        what = f"{shown} lies in no year from {FIRST_YEAR} to {LAST_YEAR}"
        raise UsageError(what, fix="check the year, which comes first")
    if at.tzinfo is None:
        at = _of_the_zone(at.replace(tzinfo=zone), zone, shown)
    return round(at.timestamp() * 1000), day_only


def _of_the_zone(at: datetime, zone: tzinfo, shown: str) -> datetime:
    """The same, where a clock of the zone shows it once."""
    told_back = at.astimezone(UTC).astimezone(zone)
    if told_back.replace(tzinfo=None) != at.replace(tzinfo=None):
        raise UsageError(
            f"{shown} does not exist: the clocks were set forward over it",
            fix=f'write "{told_back:%Y-%m-%d %H:%M}", which is an hour later by the clock, or another time',
        )
    again = at.replace(fold=1)
    if again.utcoffset() != at.utcoffset():
        first, second = (t.isoformat(sep=" ", timespec="minutes") for t in (at, again))
        raise UsageError(
            f"{shown} comes twice, since the clocks were set back",
            fix=f'write "{first}" or "{second}", an hour later',
        )
    return at
