"""Spans of time that have a name. Times are ``int`` ms UTC, durations of the configuration are seconds."""

from __future__ import annotations

from typing import Final

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 60 * MINUTE_MS
DAY_MS: Final = 24 * HOUR_MS
