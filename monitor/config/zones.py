"""Time zones by their names."""

from __future__ import annotations

from datetime import UTC, tzinfo
from zoneinfo import ZoneInfo


def zone_of(name: str) -> tzinfo:
    return UTC if name.upper() == "UTC" else ZoneInfo(name)
