"""What a command prints: plain tables, JSON with its times and rounding, and what fits on the screen."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
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


def columns(most: int) -> int:
    """How many signs a line may have: as many as the screen, ``most`` at most, or where nobody looks at one; 40 at
    least, as an upright telephone has."""
    if not (sys.stdout.isatty() or "COLUMNS" in os.environ):
        return most
    return min(max(shutil.get_terminal_size((most, 24)).columns, 40), most)


def say(text: str) -> None:
    """Print sentences so that no word is cut at the screen's edge. What stands in columns stays as it is."""
    wide = columns(10_000)
    folding = textwrap.TextWrapper(wide, break_long_words=False, break_on_hyphens=False)
    for line in text.split("\n"):
        told = line.strip()
        if len(line) <= wide or "  " in told:
            print(line)
            continue
        folding.initial_indent = line[: len(line) - len(line.lstrip())]
        folding.subsequent_indent = folding.initial_indent + "  "
        print(folding.fill(told))


def table(head: list[str], rows: list[list[str]]) -> str:
    """A plain table: columns as wide as they need to be."""
    widths = [max(len(str(r[i])) for r in [head, *rows]) for i in range(len(head))]
    lines = ["  ".join(str(c).ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in [head, *rows]]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(lines)
