"""What the drawings share: greys, round numbers on an axis, words, lines, and the file around them.

A drawing tells its content in a title and a description, keeps its words as words, has no script, and uses greys and
shapes alone, so that it reads the same in print and by eyes that see no colours.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final

from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.picture_parts import shortened

Scale = Callable[[float], float]

WIDTH: Final = 760
LEFT: Final = 64
"""Where what is drawn begins, beside the figures of an axis."""
INK, PALE, BAND, PAPER = "#1a1a1a", "#d9d9d9", "#ececec", "#ffffff"


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers from low to high, at most so many."""
    step = next(
        s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0, 500.0) if (high - low) / s <= most
    )
    first = math.ceil(low / step - 1e-9)
    return [step * i for i in range(first, math.floor(high / step + 1e-9) + 1)]


def temperature_ticks(low_c: float, high_c: float, most: int, unit: DisplayUnit) -> list[tuple[float, str]]:
    """Places on the axis of temperature (C) with their labels: round numbers in the keeper's unit."""
    if unit == "C":
        return [(c, f"{c:g}") for c in ticks(low_c, high_c, most)]
    return [((f - 32.0) / 1.8, f"{f:g}") for f in ticks(low_c * 1.8 + 32.0, high_c * 1.8 + 32.0, most)]


def words_at(x: float, y: float, text: str, *, size: int = 13, anchor: str = "start") -> str:
    """A line of text in a drawing."""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}">{html.escape(text)}</text>'


def title_at(title: str) -> str:
    """The title above a drawing, as much of it as has room; the whole is told by :func:`document`."""
    return words_at(LEFT, 26, shortened(title, 15, WIDTH - LEFT), size=15)


def on_paper(label: str) -> str:
    """Words that stay readable over lines: twice, first as wide as a gap in what is below."""
    below = label.replace("<text ", f'<text aria-hidden="true" stroke="{PAPER}" stroke-width="4" ', 1)
    return below + label


def stroke(x1: float, y1: float, x2: float, y2: float, colour: str, dash: str = "") -> str:
    """A straight line in a drawing."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}"{dashed}/>'


def path(points: Sequence[tuple[float, float]]) -> str:
    """A line through places, as path data: to a tenth, each from the one before, in half as many signs as by itself."""
    at = [(round(10 * a), round(10 * b)) for a, b in points]
    steps = (f"{(c - a) / 10:g} {(d - b) / 10:g}" for (a, b), (c, d) in pairwise(at))
    (x, y), told = at[0], " ".join(steps).replace(" -", "-")
    return f"M{x / 10:g} {y / 10:g}" + (f"l{told}" if told else "")


def upright(middle: float, text: str) -> str:
    """What an axis that goes up tells of, beside it."""
    return (
        f'<text x="18" y="{middle:g}" font-size="13" text-anchor="middle" '
        f'transform="rotate(-90 18 {middle:g})">{text}</text>'
    )


def document(title: str, description: str, height: float, parts: Sequence[str], name: str = "") -> str:
    """The whole file. ``name``: told from the others, where several stand on one page."""
    title_id, desc_id = f"title{name}", f"desc{name}"
    named = f'role="img" aria-labelledby="{title_id} {desc_id}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:g}" width="{WIDTH}"',
            f'  height="{height:g}" {named} font-family="sans-serif" fill="{INK}">',
            f'<title id="{title_id}">{html.escape(title)}</title>',
            f'<desc id="{desc_id}">{html.escape(description)}</desc>',
            f'<rect width="{WIDTH}" height="{height:g}" fill="{PAPER}"/>',
            *parts,
            "</svg>",
            "",
        ]
    )
