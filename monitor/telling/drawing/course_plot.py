"""A box's temperature over time: for a terminal, and as an SVG drawing; and several boxes under one another.

All show the same: the mean and the range of each span, the limits, where nothing was heard, and what happened.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.season.figures import BoxSeason
from monitor.core.terms.formats import show_bare, show_span, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.svg import (
    BAND,
    INK,
    LEFT,
    PALE,
    WIDTH,
    document,
    on_paper,
    path,
    stroke,
    temperature_ticks,
    title_at,
    words_at,
)
from monitor.telling.drawing.time_frame import (
    TimeFrame,
    day_and_time,
    gathered,
    time_ticks,
    unbroken,
)

# So much air above and below what is drawn; a limit further away is told and not drawn.
MARGIN_C: Final = 0.3
FAR_C: Final = 3.0
MOST_EVENTS: Final = 18
SILENT: Final = "░"
STEPS: Final = "▁▂▃▄▅▆▇█"
TALL: Final = 210
SPANS: Final = 640
"""A drawing has so many spans of time, each with its mean and its range: about one for each dot of a screen."""


def limits_of(x: BoxSeason) -> tuple[tuple[float | None, str], tuple[float | None, str]]:
    return (x.limits.too_warm_c, "too warm"), (x.limits.too_cool_c, "too cool")


def ends_c(x: BoxSeason) -> tuple[float, float]:
    """The coldest and the warmest that a drawing of a box has room for; limits that are near are inside."""
    if not len(x.temperature_c):
        known = [c for c, _ in limits_of(x) if c is not None]
        return min(known, default=20.0) - 1.0, max(known, default=30.0) + 1.0
    low, high = float(x.temperature_c.min()), float(x.temperature_c.max())
    near = [c for c, _ in limits_of(x) if c is not None and low - FAR_C <= c <= high + FAR_C]
    return min([low, *near]) - MARGIN_C, max([high, *near]) + MARGIN_C


def in_figures(x: BoxSeason, zone: tzinfo, unit: DisplayUnit) -> list[str]:
    """What the drawing shows, in words."""
    if x.mean_c is None:
        return ["nothing was measured here in this time"]
    low, high = int(np.argmin(x.temperature_c)), int(np.argmax(x.temperature_c))
    mean = (
        f"mean {show_temperature(x.mean_c, unit, 2)}, lowest {show_temperature(float(x.temperature_c[low]), unit)} "
        f"({day_and_time(int(x.time_ms[low]), zone)}), highest {show_temperature(float(x.temperature_c[high]), unit)} "
        f"({day_and_time(int(x.time_ms[high]), zone)})"
    )
    lines = [mean]
    for (limit_c, name), seconds in zip(limits_of(x), (x.above_s, x.below_s), strict=True):
        if limit_c is not None:
            beyond = ""
            if not math.isnan(seconds):
                beyond = f", {show_span(seconds)} at or beyond it" if seconds else ", never reached"
            lines.append(f"limit {name}: {show_temperature(limit_c, unit)}{beyond}")
    if x.gaps:
        times = "once" if len(x.gaps) == 1 else f"{len(x.gaps)} times"
        lines.append(
            f"not heard {times}: {100 * x.gap_share:.1f} % of the time, {show_span(x.longest_gap_s)} at the longest"
        )
    if x.source != "its own probe":
        lines.append(f"measured by {x.source}")
    return lines


# -- in the terminal --------------------------------------------------------------------------------------------------


def terminal_course(x: BoxSeason, zone: tzinfo, unit: DisplayUnit, width: int = 96, rows: int = 14) -> str:
    """Lines of at most ``width`` characters: half blocks from the least to the most of each span."""
    left = 8
    columns = max(width, 40) - left - 1
    low, high = ends_c(x)
    halves = 2 * rows

    def half(celsius: float) -> int:
        """Half rows from the bottom."""
        return min(max(int((celsius - low) / (high - low) * halves), 0), halves - 1)

    filled = np.zeros((halves, columns), bool)
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, columns)
    for column, least, most in zip(found.place.tolist(), found.low.tolist(), found.high.tolist(), strict=True):
        filled[half(least) : half(most) + 1, column] = True
    silent = _silent_columns(x, columns)
    filled[:, silent] = False
    at_row = {half(c) // 2: c for c, _ in limits_of(x) if c is not None and low < c < high}
    lines = []
    labels = {half(c) // 2: text for c, text in temperature_ticks(low, high, max(rows // 3, 2), unit)}
    for row in range(rows - 1, -1, -1):
        cells = []
        for column in range(columns):
            under, over = filled[2 * row, column], filled[2 * row + 1, column]
            plain = SILENT if silent[column] else "╌" if row in at_row else " "
            cells.append("█" if under and over else "▄" if under else "▀" if over else plain)
        lines.append(f"{labels.get(row, ''):>{left - 2}} │{''.join(cells).rstrip()}")
    lines.append(" " * (left - 1) + "└" + "─" * columns)
    span = max(x.to_ms - x.from_ms, 1)
    marks = [" "] * columns
    for at_ms, _ in x.events:
        marks[min((at_ms - x.from_ms) * columns // span, columns - 1)] = "▲"
    if x.events:
        lines.append(" " * left + "".join(marks).rstrip())
    lines.append(" " * left + _feet(x, zone, columns))
    key = [f"°{unit}", "█ least to most of each span"]
    key += ["╌ limit"] if at_row else []
    key += [f"{SILENT} not heard"] if silent.any() else []
    key += ["▲ something happened"] if x.events else []
    lines.append(" " * left + "   ".join(key))
    return "\n".join(lines)


def _silent_columns(x: BoxSeason, columns: int) -> NDArray[np.bool_]:
    """Columns whose middle lies in a gap."""
    silent = np.zeros(columns, bool)
    middles = x.from_ms + (np.arange(columns) + 0.5) * (x.to_ms - x.from_ms) / columns
    for a, b in x.gaps:
        silent |= (middles >= a) & (middles <= b)
    return silent


def _feet(x: BoxSeason, zone: tzinfo, columns: int) -> str:
    feet = [" "] * (columns + 8)
    end = -1
    for at_ms, text in time_ticks(x.from_ms, x.to_ms, zone, columns // 9):
        start = min(max((at_ms - x.from_ms) * columns // max(x.to_ms - x.from_ms, 1), 0), columns - len(text))
        if start > end:
            feet[start : start + len(text)] = text
            end = start + len(text)
    return "".join(feet).rstrip()


def event_lines(x: BoxSeason, zone: tzinfo) -> list[str]:
    """What happened, oldest first, each with its number in the drawing; of very many the first."""
    lines = [f"{i}: {day_and_time(at, zone)}, {what}" for i, (at, what) in enumerate(x.events[:MOST_EVENTS], 1)]
    left = len(x.events) - MOST_EVENTS
    return lines + ([f"and {left} more"] if left > 0 else [])


def strip(x: BoxSeason, low_c: float, high_c: float, width: int) -> str:
    """A box in one line: the mean of each span in eighths between two temperatures."""
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, width)
    cells = [" "] * width
    for column, mean in zip(found.place.tolist(), found.mean.tolist(), strict=True):
        share = (mean - low_c) / (high_c - low_c) if high_c > low_c else 0.5
        cells[column] = STEPS[min(max(int(share * len(STEPS)), 0), len(STEPS) - 1)]
    for column in np.flatnonzero(_silent_columns(x, width)).tolist():
        cells[column] = SILENT
    return "".join(cells)


# -- as an SVG drawing ------------------------------------------------------------------------------------------------


def drawn(
    x: BoxSeason, frame: TimeFrame, zone: tzinfo, unit: DisplayUnit, *, below: bool = True, spans: int = SPANS
) -> list[str]:
    """One box in its frame."""
    ticks = temperature_ticks(frame.low, frame.high, max(int(frame.tall / 32), 2), unit)
    parts = []
    for limit_c, name in limits_of(x):
        if limit_c is None or not frame.low < limit_c < frame.high:
            continue
        edge = frame.top if name == "too warm" else frame.bottom
        y, top = frame.y(limit_c), min(frame.y(limit_c), edge)
        parts.append(
            f'<rect x="{LEFT}" y="{top:.1f}" width="{frame.right - LEFT:.1f}" height="{abs(y - edge):.1f}" '
            f'fill="{BAND}"/>'
        )
        parts.append(stroke(LEFT, y, frame.right, y, INK, "2 4"))
    for a, b in x.gaps:
        left, right = frame.x(a), max(frame.x(b), frame.x(a) + 1.5)
        parts.append(
            f'<rect x="{left:.1f}" y="{frame.top}" width="{right - left:.1f}" height="{frame.tall}" fill="{PALE}" '
            'fill-opacity="0.7"/>'
        )
        parts += [stroke(at, frame.top, at, frame.bottom, INK, "1 5") for at in (left, right)]
    parts += frame.drawn(zone, ticks, below=below)
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, spans)
    for run in unbroken(found.at_ms, x.gaps):
        at = [frame.x(ms) for ms in found.at_ms[run].tolist()]
        highs = [frame.y(v) for v in found.high[run].tolist()]
        lows = [frame.y(v) for v in found.low[run].tolist()]
        ring = [*zip(at, highs, strict=True), *zip(reversed(at), reversed(lows), strict=True)]
        parts.append(f'<path d="{path(ring)} Z" fill="#9a9a9a" stroke="#9a9a9a" stroke-width="0.8"/>')
        means = [(a, frame.y(v)) for a, v in zip(at, found.mean[run].tolist(), strict=True)]
        parts.append(f'<path d="{path(means)}" fill="none" stroke="{INK}" stroke-width="1.1"/>')
    for limit_c, name in limits_of(x):
        if limit_c is not None and frame.low < limit_c < frame.high:
            # In its band, or beside it where that is narrow.
            y = frame.y(limit_c)
            up, down = y - frame.top, frame.bottom - y
            y += -5 if (up > 18 if name == "too warm" else down < 18) else 14
            label = words_at(LEFT + 6, y, f"{name}: {show_bare(limit_c, unit)}", size=11)
            parts.append(on_paper(label))
    return parts


def svg_course(x: BoxSeason, zone: tzinfo, unit: DisplayUnit, when: str, name: str = "", *, spans: int = SPANS) -> str:
    """The drawing of a box as text of an SVG file. ``when``: the span in words; ``name``: see ``document``."""
    low, high = ends_c(x)
    frame = TimeFrame(x.from_ms, x.to_ms, low, high, 44, TALL)
    title = f"box {x.box.id}: temperature, °{unit}, {when}"
    parts = [title_at(title), *drawn(x, frame, zone, unit, spans=spans)]
    parts += _marks(x, frame)
    foot = frame.bottom + 44
    words = in_figures(x, zone, unit)
    if x.gaps:
        words.append("grey columns: nothing was heard")
    lines = textwrap.wrap("; ".join(words), 108)
    parts += [words_at(LEFT, foot + 16 * i, text, size=12) for i, text in enumerate(lines)]
    foot += 16 * len(lines) + 4
    listed = event_lines(x, zone)
    third = math.ceil(len(listed) / 2)
    for i, text in enumerate(listed):
        column, row = divmod(i, third)
        short = textwrap.shorten(text, 52, placeholder=" …")
        parts.append(words_at(LEFT + column * 340, foot + 15 * row, short, size=11))
    return document(title, ". ".join(words), foot + 15 * third, parts, name)


def _marks(x: BoxSeason, frame: TimeFrame) -> list[str]:
    """Numbers of what happened, above the frame; near ones one above the other are left to the list."""
    parts, free = [], -math.inf
    for i, (at_ms, _) in enumerate(x.events[:MOST_EVENTS], 1):
        at = frame.x(at_ms)
        parts.append(stroke(at, frame.top, at, frame.top + 9, INK))
        if at >= free:
            parts.append(words_at(at, frame.top - 3, str(i), size=10, anchor="middle"))
            free = at + 14
    return parts


def svg_boxes(boxes: Sequence[BoxSeason], zone: tzinfo, unit: DisplayUnit, when: str, name: str = "") -> str:
    """Several boxes under one another on one scale, as they stand: the highest first."""
    rows = sorted(boxes, key=lambda x: (x.box.stack, -x.box.height_cm))
    tall, gap = 84, 30
    ends = [ends_c(x) for x in rows if len(x.temperature_c)] or [(20.0, 30.0)]
    low, high = min(a for a, _ in ends), max(b for _, b in ends)
    title = f"boxes: temperature, °{unit}, {when}"
    parts = [words_at(LEFT, 26, title, size=15)]
    top = 56.0
    told = []
    for i, x in enumerate(rows):
        frame = TimeFrame(x.from_ms, x.to_ms, low, high, top, tall)
        label = f"{x.box.id} (stack {x.box.stack}, {x.box.height_cm:.0f} cm)"
        parts += drawn(x, frame, zone, unit, below=i == len(rows) - 1)
        parts.append(words_at(LEFT, top - 6, textwrap.shorten(label, 90, placeholder=" …"), size=12))
        mean = "no reading" if x.mean_c is None else f"mean {show_temperature(x.mean_c, unit, 2)}"
        parts.append(words_at(WIDTH - 20, top - 6, mean, size=12, anchor="end"))
        told.append(f"{label}: {'; '.join(in_figures(x, zone, unit))}")
        top += tall + gap
    return document(title, ". ".join(told), top + 4, parts, name)
