"""A stack's profile as text: for a terminal, and as an SVG drawing. Height goes up, temperature to the right.

Both show the same: each level's mean with twice its standard uncertainty to both sides, the robust line through them,
what lies beyond the limits, and which level stands out.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Final

from monitor.core.climate.stacks import Gradient, Level, StackProfile
from monitor.core.terms.formats import show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.svg import (
    BAND,
    INK,
    PALE,
    PAPER,
    WIDTH,
    Scale,
    document,
    stroke,
    temperature_ticks,
    ticks,
    upright,
    words_at,
)
from monitor.values import dataclass

# So much air is left around what is drawn, in C and cm.
MARGIN_C: Final = 0.4
MARGIN_CM: Final = 15.0
# A limit further than this from every level is not drawn, but told.
FAR_C: Final = 2.5

BOX, AIR, LINE, BEYOND = "o", "x", ":", "/"


@dataclass(frozen=True)
class StackScene:
    """What is drawn: levels of boxes and of air, the line, and the limits, with the room that it takes.

    ``low_c`` .. ``high_c`` and ``low_cm`` .. ``high_cm`` are the edges, temperatures in C.
    """

    stack: str
    boxes: tuple[Level, ...]
    air: tuple[Level, ...]
    line: Gradient | None
    odd: str
    too_cool_c: float | None
    too_warm_c: float | None
    low_c: float
    high_c: float
    low_cm: float
    high_cm: float

    @classmethod
    def of(
        cls,
        profile: StackProfile,
        air: Sequence[Level] = (),
        too_cool_c: float | None = None,
        too_warm_c: float | None = None,
    ) -> StackScene:
        """``profile`` of the boxes (or whatever there is), ``air``: further levels, measured in the air."""
        levels = (*profile.levels, *air)
        ends = [x.mean_c + s * 2.0 * x.error.total_c for x in levels for s in (-1.0, 1.0)]
        near = [x for x in (too_cool_c, too_warm_c) if x is not None and min(ends) - FAR_C <= x <= max(ends) + FAR_C]
        heights = [x.height_cm for x in levels]
        odd = profile.odd
        return cls(
            profile.stack,
            profile.levels,
            tuple(air),
            profile.gradient,
            odd.level.name if odd else "",
            too_cool_c,
            too_warm_c,
            min(ends + near) - MARGIN_C,
            max(ends + near) + MARGIN_C,
            max(min(heights) - MARGIN_CM, 0.0),
            max(heights) + MARGIN_CM,
        )

    @property
    def levels(self) -> tuple[tuple[Level, bool], ...]:
        """Every level with whether it is one of air, from the uppermost down."""
        every = [(x, False) for x in self.boxes] + [(x, True) for x in self.air]
        return tuple(sorted(every, key=lambda x: -x[0].height_cm))

    def beyond(self, temperature_c: float) -> bool:
        cool = self.too_cool_c is not None and temperature_c <= self.too_cool_c
        return cool or (self.too_warm_c is not None and temperature_c >= self.too_warm_c)


def _label(level: Level, unit: DisplayUnit) -> str:
    return f"{level.name} {show_temperature(level.mean_c, unit, 2)}"


def terminal_stack(scene: StackScene, unit: DisplayUnit, width: int = 76, height: int = 18) -> str:
    """Lines of at most ``width`` characters (40 at least), and more of them than ``height`` where levels are many."""
    left = 8
    columns = max(width, 40) - left - 1
    span_cm = scene.high_cm - scene.low_cm
    rows = max(height, 2 * len(scene.levels) + 3)

    def column(temperature_c: float) -> int:
        at = (temperature_c - scene.low_c) / (scene.high_c - scene.low_c) * (columns - 1)
        return min(max(round(at), 0), columns - 1)

    def row(height_cm: float) -> int:
        return rows - 1 - round((height_cm - scene.low_cm) / span_cm * (rows - 1))

    every = [scene.low_c + (scene.high_c - scene.low_c) * i / (columns - 1) for i in range(columns)]
    cells = [[BEYOND if scene.beyond(t) else " " for t in every] for _ in range(rows)]
    if scene.line is not None:
        for i in range(rows):
            height_cm = scene.low_cm + span_cm * (rows - 1 - i) / (rows - 1)
            if scene.boxes[0].height_cm <= height_cm <= scene.boxes[-1].height_cm:
                cells[i][column(scene.line.at(height_cm))] = LINE
    labels = {}
    for level, in_air in scene.levels:
        i, u = row(level.height_cm), 2.0 * level.error.total_c
        first, last = column(level.mean_c - u), column(level.mean_c + u)
        for j in range(first, last + 1):
            cells[i][j] = "-"
        cells[i][first], cells[i][last] = "|", "|"
        cells[i][column(level.mean_c)] = AIR if in_air else BOX
        labels[i] = f"{level.height_cm:.0f}"
        name = level.name + (" ?" if level.name == scene.odd else "")
        start = last + 2 if last + 2 + len(name) <= columns else first - 1 - len(name)
        if 0 <= start <= columns - len(name):
            cells[i][start : start + len(name)] = name
    lines = [f"{'cm':>{left - 1}}"]
    lines += [f"{labels.get(i, ''):>{left - 1}}|{''.join(cells[i]).rstrip()}" for i in range(rows)]
    lines.append(" " * (left - 1) + "+" + "-" * columns)
    feet = [" "] * (columns + 6)
    for temperature_c, text in temperature_ticks(scene.low_c, scene.high_c, columns // 8, unit):
        start = max(column(temperature_c) - len(text) // 2, 0)
        feet[start : start + len(text)] = text
    lines.append(" " * left + "".join(feet).rstrip() + f" °{unit}")
    key = [f"{BOX} box, with twice its standard uncertainty"]
    key += [f"{AIR} air"] if scene.air else []
    key += [f"{LINE} the stack's line"] if scene.line else []
    key += [f"{BEYOND} beyond the limits"] if any(scene.beyond(t) for t in every) else []
    key += ["? stands out"] if scene.odd else []
    lines.append("   ".join(key))
    return "\n".join(lines)


LEFT, TOP, RIGHT, ROW = 70, 56, 24, 46
FRAME_LEAST = 260


def svg_stack(scene: StackScene, unit: DisplayUnit, when: str = "") -> str:
    """The drawing as text of an SVG file. ``when``: the span in words, for the heading."""
    tall = max(FRAME_LEAST, ROW * (len(scene.levels) + 1))
    right, bottom = WIDTH - RIGHT, TOP + tall

    def x(temperature_c: float) -> float:
        at = (temperature_c - scene.low_c) / (scene.high_c - scene.low_c)
        return LEFT + min(max(at, 0.0), 1.0) * (right - LEFT)

    def y(height_cm: float) -> float:
        return bottom - (height_cm - scene.low_cm) / (scene.high_cm - scene.low_cm) * tall

    heading = f"stack {scene.stack}: mean temperature by height" + (f", {when}" if when else "")
    parts = [words_at(LEFT, 30, heading, size=15)]
    for limit, first, last, says in (
        (scene.too_cool_c, scene.low_c, scene.too_cool_c, "too cool"),
        (scene.too_warm_c, scene.too_warm_c, scene.high_c, "too warm"),
    ):
        if limit is None or first is None or last is None or not scene.low_c < limit < scene.high_c:
            continue
        parts.append(
            f'<rect x="{x(first):.1f}" y="{TOP}" width="{x(last) - x(first):.1f}" height="{tall}" fill="{BAND}"/>'
        )
        parts.append(stroke(x(limit), TOP, x(limit), bottom, INK, "2 4"))
        # Beside its band, which may be narrow.
        anchor, side = ("start", 6) if limit == last else ("end", -6)
        parts.append(words_at(x(limit) + side, bottom - 8, says, size=12, anchor=anchor))
    for temperature_c, text in temperature_ticks(scene.low_c, scene.high_c, 12, unit):
        at = x(temperature_c)
        parts.append(stroke(at, TOP, at, bottom, PALE))
        parts.append(words_at(at, bottom + 20, text, anchor="middle"))
    for height_cm in ticks(scene.low_cm, scene.high_cm, 8):
        parts.append(stroke(LEFT - 5, y(height_cm), LEFT, y(height_cm), INK))
        parts.append(words_at(LEFT - 9, y(height_cm) + 4, f"{height_cm:g}", anchor="end"))
    parts.append(words_at((LEFT + right) / 2, bottom + 42, f"temperature, °{unit}", anchor="middle"))
    parts.append(upright(TOP + tall / 2, "height, cm"))
    if scene.line is not None:
        a, b = scene.boxes[0].height_cm, scene.boxes[-1].height_cm
        parts.append(stroke(x(scene.line.at(a)), y(a), x(scene.line.at(b)), y(b), INK, "7 5"))
    parts += [stroke(LEFT, TOP, LEFT, bottom, INK), stroke(LEFT, bottom, right, bottom, INK)]
    for level, in_air in scene.levels:
        parts += _mark(level, x, y, unit, in_air=in_air, odd=level.name == scene.odd, right=right)
    key = "bars: twice the standard uncertainty; dashed: the stack's line; grey: beyond the limits"
    if scene.air:
        key += "; open squares: air"
    if scene.odd:
        key += f"; {scene.odd} stands out and is left out of the line"
    feet = textwrap.wrap(key, 100)
    parts += [words_at(LEFT, bottom + 66 + 16 * i, text, size=12) for i, text in enumerate(feet)]
    return document(heading, in_words(scene, unit), bottom + 66 + 16 * len(feet), parts)


def _mark(level: Level, x: Scale, y: Scale, unit: DisplayUnit, *, in_air: bool, odd: bool, right: float) -> list[str]:
    u, at = 2.0 * level.error.total_c, y(level.height_cm)
    a, m, b = (x(level.mean_c + s * u) for s in (-1.0, 0.0, 1.0))
    bar = [stroke(a, at, b, at, INK), stroke(a, at - 5, a, at + 5, INK), stroke(b, at - 5, b, at + 5, INK)]
    if in_air:
        dot = f'<rect x="{m - 4.5:.1f}" y="{at - 4.5:.1f}" width="9" height="9" fill="{PAPER}" stroke="{INK}"/>'
    else:
        dot = f'<circle cx="{m:.1f}" cy="{at:.1f}" r="5" fill="{INK}"/>'
    text = _label(level, unit) + (" (stands out)" if odd else "")
    # Above its bar, and within the frame: about seven units a letter at this size.
    half = 3.3 * len(text)
    centre = min(max(m, LEFT + half + 4), right - half - 4)
    label = words_at(centre, at - 10, text, size=12, anchor="middle")
    return [*bar, dot, label.replace("<text ", f'<text stroke="{PAPER}" stroke-width="4" paint-order="stroke" ')]


def in_words(scene: StackScene, unit: DisplayUnit) -> str:
    """What the plot shows, in words, for who does not see it."""
    levels = "; ".join(
        f"{x.name} at {x.height_cm:.0f} cm {show_temperature(x.mean_c, unit, 2)} "
        f"± {show_difference(2.0 * x.error.total_c, unit, 2)}"
        for x, _ in scene.levels
    )
    line = scene.line
    rise = ""
    if line is not None and math.isfinite(line.c_per_m):
        rise = f" It is {show_difference(line.c_per_m, unit, 2)} warmer for each metre up."
    return f"Mean temperatures from the top down: {levels}.{rise}"
