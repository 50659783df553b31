"""What is told as JSON: its times and its rounding, alike for commands and for other programs that ask."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import overload


@overload
def utc(at_ms: int) -> str: ...
@overload
def utc(at_ms: int | None) -> str | None: ...
def utc(at_ms: int | None) -> str | None:
    """ISO 8601 in UTC, for scripts."""
    if at_ms is None:
        return None
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


@overload
def rounded(value: float, places: int) -> float: ...
@overload
def rounded(value: float | None, places: int) -> float | None: ...
def rounded(value: float | None, places: int) -> float | None:
    """To so many decimal places, where there is a value."""
    return None if value is None else round(value, places)
