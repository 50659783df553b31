"""A time as it is written: in the room's zone, and nothing guessed where clocks are set."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.core.terms.times import moment_of
from monitor.errors import UsageError

# Clocks there are set forward at 2 h on 29 March 2026 and back at 3 h on 25 October 2026 (tz database).
VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("text", "hour", "day_only"),
    [
        ("2026-05-01", "2026-05-01T10:00", True),
        ("2026-05-01 19:30", "2026-05-01T17:30", False),
        ("2026-05-01T19:30:00-04:00", "2026-05-01T23:30", False),
        ("2026-10-25", "2026-10-25T11:00", True),
        ("2026-10-25 02:30+02:00", "2026-10-25T00:30", False),
        ("2026-10-25 02:30+01:00", "2026-10-25T01:30", False),
    ],
)
def test_a_time_is_one_of_the_zone_unless_it_names_its_own(text: str, hour: str, day_only: bool) -> None:
    utc = datetime.fromisoformat(hour).replace(tzinfo=UTC)
    assert moment_of(text, VIENNA) == (utc.timestamp() * 1000, day_only)


@pytest.mark.parametrize(
    ("text", "what", "fix"),
    [
        ("", "is not a time", '"2026-05-01 09:00"'),
        ("bored", "is not a time", '"2026-05-01 09:00"'),
        ("2026-13-01", "is not a time", '"2026-05-01 09:00"'),
        ("0202-05-01", "lies in no year from 1990 to 2099", "year"),
        ("2026-03-29 02:30", "does not exist", '"2026-03-29 03:30"'),
        ("2026-10-25 02:30", "comes twice", '"2026-10-25 02:30+02:00" or "2026-10-25 02:30+01:00"'),
    ],
)
def test_what_is_no_time_or_two_is_refused_with_what_to_write(text: str, what: str, fix: str) -> None:
    with pytest.raises(UsageError) as refused:
        moment_of(text, VIENNA)
    assert f"{text!r} {what}" in refused.value.what
    assert fix in refused.value.fix


def test_what_is_no_time_is_told_shortly() -> None:
    with pytest.raises(UsageError) as refused:
        moment_of("x" * 10_000, VIENNA)
    assert len(str(refused.value)) < 200
