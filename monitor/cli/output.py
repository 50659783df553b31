"""What a command prints: plain tables, JSON, and what fits on the screen."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Sequence
from itertools import zip_longest
from typing import Any, Final

# As wide as a table gets: what is longer is hard to follow along. Common practice, no source.
WIDEST_TABLE: Final = 100
# In so many lines of one cell nobody finds the rows any more. Judgement, no source.
TALLEST_CELL: Final = 6
# What is read as one is not parted: "31.8 °C", "± 0.6", "33 min".
_NUMBER_AND_UNIT: Final = re.compile(
    r"(?<=[0-9]) (?=[°%]|(?:min|h|s|d|days?|cm|ago)\b)|(?<=±) (?=[0-9])|(?<=min) (?=ago)"
)
_BOUND: Final = "\x1f"


def print_json(value: Any) -> None:
    json.dump(value, sys.stdout, indent=2, ensure_ascii=False)
    print()


def columns(most: int) -> int:
    """How many signs a line may have: as many as the screen, ``most`` at most, or where nobody looks at one; 40 at
    least, as an upright telephone has."""
    if not (sys.stdout.isatty() or "COLUMNS" in os.environ):
        return most
    return min(max(shutil.get_terminal_size((most, 24)).columns, 40), most)


def say(text: str, most: int = 10_000) -> None:
    """Print sentences so that no word is cut at the screen's edge. What stands in columns stays as it is.

    ``most``: as long as a line gets where the screen is wider, or where nobody looks at one.
    """
    wide = columns(most)
    folding = textwrap.TextWrapper(wide, break_long_words=False, break_on_hyphens=False)
    for line in text.split("\n"):
        told = line.strip()
        if len(line) <= wide or "  " in told:
            print(line)
            continue
        folding.initial_indent = line[: len(line) - len(line.lstrip())]
        folding.subsequent_indent = folding.initial_indent + "  "
        print(folding.fill(told))


def labelled(label: str, text: str, wide_label: int, most: int = WIDEST_TABLE) -> str:
    """A sentence beside its label, folded under itself."""
    start = f"{label:<{wide_label}} "
    return textwrap.fill(
        text,
        columns(most),
        initial_indent=start,
        subsequent_indent=" " * len(start),
        break_long_words=False,
        break_on_hyphens=False,
    )


def table(head: Sequence[str], rows: Sequence[Sequence[str]], most: int = WIDEST_TABLE) -> str:
    """A plain table that fits the screen, and ``most`` where that is wider or nobody looks at one.

    Columns are as wide as they need to be. Where that is too wide the longest cells fold inside their column; where it
    is too wide even so, or a cell would become a tower, each row becomes a block of "head: value" lines. Every word is
    there in any case, and no line is wider than the screen but for a word that is.
    """
    wide = columns(most)
    cells = [[" ".join(str(cell).split()) for cell in row] for row in [head, *rows]]
    bound = [[_NUMBER_AND_UNIT.sub(_BOUND, cell) for cell in row] for row in cells]
    widths = _widths(bound, wide)
    if widths is None:
        return "\n\n".join("\n".join(_block(cells[0], row, wide)) for row in cells[1:])
    cells = bound
    lines = [line for row in cells for line in _folded(row, widths)]
    rule = "  ".join("-" * width for width in widths)
    top = len(_folded(cells[0], widths))
    return "\n".join([*lines[:top], rule, *lines[top:]]).replace(_BOUND, " ")


def _widths(cells: Sequence[Sequence[str]], wide: int) -> list[int] | None:
    """How wide each column is; None where no table fits."""
    needed = [max(map(len, column)) for column in zip(*cells, strict=True)]
    least = [
        max((len(w) for cell in column for w in cell.split(" ")), default=0) for column in zip(*cells, strict=True)
    ]
    room = wide - 2 * (len(needed) - 1)
    if sum(least) > room:
        return None
    # The longest columns are made shorter, down to one length that they then share, as far as their words let them.
    low, high = 0, max(needed)
    while low < high:
        middle = (low + high + 1) // 2
        fits = sum(min(n, max(m, middle)) for n, m in zip(needed, least, strict=True)) <= room
        low, high = (middle, high) if fits else (low, middle - 1)
    widths = [min(n, max(m, low)) for n, m in zip(needed, least, strict=True)]
    for i in sorted(range(len(widths)), key=lambda i: widths[i] - needed[i]):
        # What is left over goes to where most is missing.
        widths[i] = min(needed[i], widths[i] + room - sum(widths))
    tallest = max((len(_lines(cell, w)) for row in cells[1:] for cell, w in zip(row, widths, strict=True)), default=1)
    return widths if tallest <= TALLEST_CELL else None


def _lines(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(width, 1), break_long_words=False, break_on_hyphens=False) or [""]


def _folded(row: Sequence[str], widths: Sequence[int]) -> list[str]:
    """The lines of one row."""
    columns = [_lines(cell, width) for cell, width in zip(row, widths, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in zip_longest(*columns, fillvalue="")
    ]


def _block(head: Sequence[str], row: Sequence[str], wide: int) -> list[str]:
    """One row, a line for each cell under the first; what is not there ("-") is left out, as its head says nothing."""
    lines = []
    for i, (name, cell) in enumerate(zip(head, row, strict=True)):
        if i and cell in ("", "-"):
            continue
        indent = "  " if i else ""
        told = f"{indent}{name}: {cell}".rstrip()
        lines += textwrap.wrap(
            told, wide, subsequent_indent=indent + "  ", break_long_words=False, break_on_hyphens=False
        )
    return lines
