"""Labels for boxes and clutches, as drawings in millimetres: on sheets, or one on a page for a label printer.

Nothing is cut: what is too long for its line is set smaller, then pressed together.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Final

import segno

from monitor.values import dataclass

# Margin inside a label, and between its code and its words.
INSET_MM: Final = 2.2
SIDE_MM: Final = 2.0
# A code with its quiet zone of four modules (ISO/IEC 18004) is no larger than this, and is left out where its modules
# would be smaller than a telephone sees well (judgement, no source).
CODE_MOST_MM: Final = 26.0
MODULE_LEAST_MM: Final = 0.33
QUIET: Final = 4
# Sizes of type, mm from baseline to baseline: as large as fits, down to the least that is read at arm's length.
HEAD_MM, LINE_MM, LEAST_MM = 6.5, 4.0, 1.9
# Widths of signs against the size of type, of common sans-serif faces in bold, on the wide side.
_NARROW: Final = frozenset("iljtfrI.,:;'|!()[] -/")
_WIDE: Final = frozenset("mwMW@%")
# Lines are set so much smaller before words are moved to a line of their own.
WHOLE_LINES: Final = 0.7


@dataclass(frozen=True, slots=True)
class Label:
    """What one label says: its name, then its lines, and what its code holds ("": no code)."""

    name: str
    lines: tuple[str, ...]
    code: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A page of labels: sizes, margins and the steps from one label to the next, all in mm."""

    width: float
    height: float
    label_width: float
    label_height: float
    left: float
    top: float
    step_x: float
    step_y: float
    columns: int
    rows: int

    @property
    def places(self) -> int:
        return self.columns * self.rows

    def place(self, i: int) -> tuple[float, float]:
        """Left and top of a place, counted by rows."""
        return self.left + i % self.columns * self.step_x, self.top + i // self.columns * self.step_y

    @staticmethod
    def single(width: float, height: float) -> Sheet:
        """A page that is one label."""
        return Sheet(width, height, width, height, 0.0, 0.0, width, height, 1, 1)

    @staticmethod
    def filled(width: float, height: float, label_width: float, label_height: float) -> Sheet | None:
        """As many labels as a page holds, edge to edge and in its middle; None where it holds none."""
        columns, rows = int((width + 0.01) // label_width), int((height + 0.01) // label_height)
        if columns < 1 or rows < 1:
            return None
        left, top = (width - columns * label_width) / 2, (height - rows * label_height) / 2
        return Sheet(width, height, label_width, label_height, left, top, label_width, label_height, columns, rows)


def sheets(labels: Sequence[Label], sheet: Sheet, first: int = 1, *, frames: bool = False) -> list[str]:
    """The pages as SVG. ``first``: the place (from 1) on the first page at which to begin; ``frames``: with thin lines
    around the labels, to cut along."""
    pages: list[list[str]] = []
    for i, label in enumerate(labels, first - 1):
        page, place = divmod(i, sheet.places)
        while len(pages) <= page:
            pages.append([])
        x, y = sheet.place(place)
        pages[page] += _drawn(label, x, y, sheet.label_width, sheet.label_height)
        if frames:
            pages[page].append(
                f'<rect x="{x:.2f}" y="{y:.2f}" width="{sheet.label_width:.2f}" height="{sheet.label_height:.2f}" '
                'fill="none" stroke="#999" stroke-width="0.1"/>'
            )
    return [_page(parts, sheet, i, len(pages)) for i, parts in enumerate(pages, 1) if parts]


def _page(parts: Sequence[str], sheet: Sheet, number: int, of: int) -> str:
    title = f"labels, page {number} of {of}"
    size = f'width="{sheet.width:g}mm" height="{sheet.height:g}mm" viewBox="0 0 {sheet.width:g} {sheet.height:g}"'
    face = 'font-family="Liberation Sans, Arial, Helvetica, sans-serif" fill="#000"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{title}" {face}>',
            f"<title>{title}</title>",
            f'<rect width="{sheet.width:g}" height="{sheet.height:g}" fill="#fff"/>',
            *parts,
            "</svg>",
            "",
        ]
    )


def style_of(sheet: Sheet) -> str:
    """How a file of pages is printed: each on a sheet of its size, without margins."""
    return (
        f"@page {{ size: {sheet.width:g}mm {sheet.height:g}mm; margin: 0 }} "
        "html, body { margin: 0; background: #fff } "
        "svg { display: block; break-after: page } svg:last-of-type { break-after: auto } "
        "h1 { font: 600 1rem system-ui, sans-serif; margin: .75rem } @media print { h1 { display: none } } "
        "@media screen { svg { max-width: 100%; height: auto } }"
    )


def page_of(svgs: Sequence[str], sheet: Sheet, style_at: str = "") -> str:
    """All pages as one file to print. ``style_at``: an address at which its style is found, where the file may not
    bring it along."""
    style = f"<style>{style_of(sheet)}</style>"
    style = f'<link rel="stylesheet" href="{html.escape(style_at)}">' if style_at else style
    icon = '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">' if style_at else ""
    head = '<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
    head += f"<title>Labels</title>{style}{icon}"
    # What is drawn of a sheet for a file of dots is the sheet alone.
    how = "<h1>Labels: print them in their own size, without margins</h1>" if style_at else ""
    body = f"<main>{how}{''.join(svgs)}</main>"
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head><body>{body}</body></html>\n'


# -- one label --------------------------------------------------------------------------------------------------------


def _drawn(label: Label, x: float, y: float, width: float, height: float) -> list[str]:
    """A label at its place: words at the left, its code at the right."""
    parts = []
    room = width - 2 * INSET_MM
    if label.code:
        found = code_path(label.code, min(height - 0.6, CODE_MOST_MM, width * 0.45))
        if found is not None:
            drawn, side = found
            at_x, at_y = x + width - side - 0.3, y + (height - side) / 2
            parts.append(
                f'<path transform="translate({at_x:.3f} {at_y:.3f})" d="{drawn}" shape-rendering="crispEdges"/>'
            )
            # The code's own quiet zone keeps the words away.
            room -= side - INSET_MM + 0.3
    return parts + _words(label, x + INSET_MM, y + INSET_MM, room, height - 2 * INSET_MM)


def code_path(text: str, most_mm: float) -> tuple[str, float] | None:
    """A code as a path in mm, and how long its sides are with its quiet zone; None where it would be too fine."""
    rows = [list(row) for row in segno.make(text, error="m", micro=False, boost_error=False).matrix]
    modules = len(rows) + 2 * QUIET
    module = most_mm / modules
    if module < MODULE_LEAST_MM:
        return None
    parts = []
    for i, row in enumerate(rows):
        start = 0
        while start < len(row):
            end = start
            while end < len(row) and row[end] == row[start]:
                end += 1
            if row[start]:
                left, top, run = (QUIET + start) * module, (QUIET + i) * module, (end - start) * module
                # A hair taller than a module, so that no paper shows between two rows.
                parts.append(f"M{left:.3f} {top:.3f}h{run:.3f}v{module * 1.02:.3f}h{-run:.3f}z")
            start = end
    return "".join(parts), most_mm


def width_of(text: str, size: float) -> float:
    """How wide a text is at most in type of a size."""
    return size * sum(map(_width, text))


def _width(sign: str) -> float:
    if sign in _NARROW:
        return 0.34
    if sign in _WIDE or ord(sign) > 0x24F:
        return 0.95
    return 0.73 if sign.isupper() else 0.6


def folded(text: str, size: float, room: float) -> list[str]:
    """A text in lines that fit as far as words allow."""
    lines: list[str] = []
    for word in text.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines or [""]


def _words(label: Label, x: float, y: float, room: float, tall: float) -> list[str]:
    """The name large and the lines below it, in the largest type that fits the height; never less than is read."""
    name, lines = _plain(label.name), [_plain(text) for text in label.lines]
    share, whole = 1.0, True
    while True:
        head, line = HEAD_MM * share, LINE_MM * share
        named = [name] if whole else folded(name, head, room)
        told = lines if whole else [part for text in lines for part in folded(text, line, room)]
        wide = any(width_of(t, head) > room for t in named) or (whole and any(width_of(t, line) > room for t in told))
        needed = 1.12 * head * len(named) + 1.2 * line * len(told)
        if (needed <= tall and not wide) or line <= LEAST_MM:
            break
        share *= 0.96
        if whole and share < WHOLE_LINES:
            share, whole = 1.0, False
    # Whatever is still too much is pressed together rather than cut.
    squeeze = min(tall / needed, 1.0) if needed > 0 else 1.0
    parts, at = [], y
    for text, size, weight in [(t, head, "bold") for t in named] + [(t, line, "normal") for t in told]:
        step = (1.12 if weight == "bold" else 1.2) * size * squeeze
        at += step
        type_mm = size * squeeze
        long = width_of(text, type_mm)
        fit = f' textLength="{room:.2f}" lengthAdjust="spacingAndGlyphs"' if long > room else ""
        parts.append(
            f'<text x="{x:.2f}" y="{at - 0.22 * type_mm:.2f}" font-size="{type_mm:.2f}" font-weight="{weight}"{fit}>'
            f"{html.escape(text)}</text>"
        )
    return parts


def _plain(text: str) -> str:
    """Without signs that no drawing may hold."""
    return "".join(sign if sign.isprintable() else " " for sign in text)
