"""What a command prints: plain tables, and JSON with its times and rounding."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from typing import Any


def utc(at_ms: int | None) -> str | None:
    """ISO 8601 in UTC, for scripts."""
    if at_ms is None:
        return None
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def rounded(value: float | None, places: int) -> float | None:
    return None if value is None else round(value, places)


def print_json(value: Any) -> None:
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False)
    print()


def table(head: list[str], rows: list[list[str]]) -> str:
    """A plain table: columns as wide as they need to be."""
    widths = [max(len(str(r[i])) for r in [head, *rows]) for i in range(len(head))]
    lines = ["  ".join(str(c).ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in [head, *rows]]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(lines)
