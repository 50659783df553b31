"""A species' days against temperature, as text: for a terminal, and as an SVG drawing.

Both show the same: the table's points, the curve between them, dashed where it goes on outside the table, and which
papers the points are from. Nothing is read from or written to anywhere; the caller prints or saves what comes back.
"""

from __future__ import annotations

import html
import math
import textwrap
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.core.development.curves import RateCurve
from monitor.core.development.species import Profile, Row
from monitor.core.terms.arrays import Values
from monitor.core.terms.formats import show_range, show_round
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.svg import (
    BAND,
    INK,
    PALE,
    PAPER,
    WIDTH,
    Scale,
    document,
    path,
    stroke,
    temperature_ticks,
    ticks,
    upright,
    words_at,
)
from monitor.values import dataclass

# So far beyond the table the curve is drawn; what it is there is a guess that gets worse by the degree.
BEYOND_C: Final = 2.0
STEP_C: Final = 0.05


@dataclass(frozen=True)
class SpeciesScene:
    """What is drawn: the curve inside and outside the table, and the room that it takes, in degrees and days."""

    curve: RateCurve
    rows: tuple[Row, ...]
    low_c: float
    high_c: float
    most_days: float

    @classmethod
    def of(cls, profile: Profile) -> SpeciesScene:
        """Raises SpeciesRefused for a profile that has no table."""
        curve = profile.curve()
        high_c = math.ceil(curve.high_c + BEYOND_C)
        low_c = math.floor(curve.low_c - BEYOND_C)
        most = max(row.days for row in profile.rows)
        return cls(curve, profile.rows, low_c, high_c, _nice(1.25 * most))

    def days(self, temperature_c: npt.ArrayLike) -> Values:
        """Days at constant temperatures; infinite where eggs do not develop."""
        rate = self.curve.rate_per_day(temperature_c)
        return np.divide(1.0, rate, out=np.full_like(rate, np.inf), where=rate > 0.0)

    def inside(self, temperature_c: float) -> bool:
        return self.curve.low_c <= temperature_c <= self.curve.high_c


def _nice(value: float) -> float:
    """The next round number at or above ``value``."""
    size = 10.0 ** math.floor(math.log10(value))
    return size * next(
        step for step in (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * size >= value
    )


# --- the terminal -----------------------------------------------------------------------------------------------

POINT, LINE, GUESS = "o", ".", "-"


def terminal_plot(profile: Profile, width: int = 72, height: int = 20, unit: DisplayUnit = "C") -> str:
    """Lines of at most ``width`` characters (40 at least); ``height`` of them for the days.

    Raises SpeciesRefused for a profile that has no table.
    """
    scene = SpeciesScene.of(profile)
    left = 6
    columns = max(width, 40) - left - 1
    cells = [[" "] * columns for _ in range(height)]

    def column(temperature_c: float) -> int:
        return round((temperature_c - scene.low_c) / (scene.high_c - scene.low_c) * (columns - 1))

    def line(days: float) -> int:
        return height - 1 - round(days / scene.most_days * (height - 1))

    t = scene.low_c + (scene.high_c - scene.low_c) * np.arange(columns) / (columns - 1)
    for i, (temperature_c, days) in enumerate(zip(t.tolist(), scene.days(t).tolist(), strict=True)):
        if days > scene.most_days:
            continue
        # A dash in every second place outside the table.
        if scene.inside(temperature_c):
            cells[line(days)][i] = LINE
        elif i % 2 == 0:
            cells[line(days)][i] = GUESS
    for row in scene.rows:
        cells[line(row.days)][column(row.temperature_c)] = POINT
    labels = {line(days): f"{days:.0f}" for days in ticks(0.0, scene.most_days, max(height // 3, 2))}
    lines = [f"{'days':>{left - 1}}"]
    lines += [f"{labels.get(i, ''):>{left - 1}}|{''.join(row).rstrip()}" for i, row in enumerate(cells)]
    lines.append(" " * (left - 1) + "+" + "-" * columns)
    feet = [" "] * (columns + 4)
    for temperature_c, text in temperature_ticks(scene.low_c, scene.high_c, columns // 8, unit):
        start = max(column(temperature_c) - len(text) // 2, 0)
        feet[start : start + len(text)] = text
    lines.append(" " * left + "".join(feet).rstrip() + f" °{unit}")
    told = "without a source" if profile.grade == "no source" else "published"
    lines.append(f"{POINT} {told}   {LINE} curve between   {GUESS} guess outside the table")
    return "\n".join(lines)


# --- the drawing ------------------------------------------------------------------------------------------------

PLOT_HEIGHT = 400
LEFT, TOP, RIGHT = 70, 50, 20
LINE_HEIGHT = 16


def svg_plot(profile: Profile, unit: DisplayUnit = "C") -> str:
    """The drawing as text of an SVG file. Raises SpeciesRefused for a profile that has no table."""
    scene = SpeciesScene.of(profile)
    right, bottom = WIDTH - RIGHT, TOP + PLOT_HEIGHT

    def x(temperature_c: float) -> float:
        return LEFT + (temperature_c - scene.low_c) / (scene.high_c - scene.low_c) * (right - LEFT)

    def y(days: float) -> float:
        return bottom - min(days, scene.most_days) / scene.most_days * PLOT_HEIGHT

    heading = f"{profile.scientific_name}: days of incubation by constant temperature"
    parts = [words_at(LEFT, 28, heading, size=17)]
    for days in ticks(0.0, scene.most_days, 8):
        parts.append(stroke(LEFT, y(days), right, y(days), PALE))
        parts.append(words_at(LEFT - 8, y(days) + 4, f"{days:g}", anchor="end"))
    for temperature_c, label in temperature_ticks(scene.low_c, scene.high_c, 12, unit):
        parts.append(stroke(x(temperature_c), bottom, x(temperature_c), bottom + 5, INK))
        parts.append(words_at(x(temperature_c), bottom + 20, label, anchor="middle"))
    parts.append(words_at((LEFT + right) / 2, bottom + 40, f"constant temperature, °{unit}", anchor="middle"))
    parts.append(upright(TOP + PLOT_HEIGHT / 2, "days"))
    parts.append(_band(scene, x, y))
    low_c, high_c = scene.curve.low_c, scene.curve.high_c
    for a, b, dashed in ((scene.low_c, low_c, True), (low_c, high_c, False), (high_c, scene.high_c, True)):
        parts.append(_curve(scene, a, b, x, y, dashed=dashed))
    parts += [stroke(LEFT, TOP, LEFT, bottom, INK), stroke(LEFT, bottom, right, bottom, INK)]
    keys = list(dict.fromkeys(row.paper for row in scene.rows))
    for row in scene.rows:
        parts.append(_mark(x(row.temperature_c), y(row.days), keys.index(row.paper), _row_words(row, unit)))
    height, foot = _foot(profile, keys, bottom + 64)
    return document(heading, describe(profile, unit), height, [*parts, *foot])


def describe(profile: Profile, unit: DisplayUnit = "C") -> str:
    """What the plot shows, in words, for who does not see it."""
    scene = SpeciesScene.of(profile)
    t = np.array(profile.temperatures_c)
    told = "figures without a source" if profile.grade == "no source" else "published means"
    points = ", ".join(
        f"{days:.0f} days at {show_round(c, unit)}" for c, days in zip(t.tolist(), scene.days(t), strict=True)
    )
    return (
        f"{len(profile.rows)} {told} of {profile.scientific_name} at {t.size} constant temperatures from "
        f"{show_range(float(t[0]), float(t[-1]), unit)}, joined by a curve: {points}. Outside the table the curve is "
        "a guess and dashed."
    )


def _row_words(row: Row, unit: DisplayUnit) -> str:
    eggs = f", {row.eggs} eggs" if row.eggs else ""
    return f"{show_round(row.temperature_c, unit)}: {row.days:g} days{eggs} ({row.paper})"


def _sampled(scene: SpeciesScene, from_c: float, to_c: float) -> Values:
    """Temperatures to draw, without those at which the days go beyond the top."""
    t = np.linspace(from_c, to_c, max(round((to_c - from_c) / STEP_C), 2) + 1)
    return t[scene.days(t) <= scene.most_days]


def _curve(scene: SpeciesScene, from_c: float, to_c: float, x: Scale, y: Scale, *, dashed: bool) -> str:
    t = _sampled(scene, from_c, to_c)
    if t.size < 2:
        return ""
    dash = ' stroke-dasharray="7 5"' if dashed else ""
    points = [(x(c), y(days)) for c, days in zip(t.tolist(), scene.days(t).tolist(), strict=True)]
    return f'<path d="{path(points)}" fill="none" stroke="{INK}" stroke-width="2"{dash}/>'


def _band(scene: SpeciesScene, x: Scale, y: Scale) -> str:
    """One standard error of the curve to both sides, inside and outside the table."""
    t = np.linspace(scene.low_c, scene.high_c, round((scene.high_c - scene.low_c) / STEP_C) + 1)
    t = t[scene.days(t) * np.exp(-scene.curve.rate_sd_relative(t)) <= scene.most_days]
    days, error = scene.days(t), scene.curve.rate_sd_relative(t)
    upper = [(x(c), y(d)) for c, d in zip(t.tolist(), (days * np.exp(error)).tolist(), strict=True)]
    lower = [(x(c), y(d)) for c, d in zip(t.tolist(), (days * np.exp(-error)).tolist(), strict=True)]
    return f'<path d="{path([*upper, *reversed(lower)])}Z" fill="{BAND}"/>'


def _mark(x: float, y: float, paper: int, words: str) -> str:
    """The point of a paper: circle, square, triangle or diamond, open or filled; its words come with it."""
    fill = PAPER if paper % 8 < 4 else INK
    style = f'fill="{fill}" stroke="{INK}" stroke-width="1.5"'
    half = 5.0
    corners = {
        1: [(-half, -half), (half, -half), (half, half), (-half, half)],
        2: [(0.0, -half - 1.0), (half + 1.0, half), (-half - 1.0, half)],
        3: [(0.0, -half - 1.5), (half + 1.5, 0.0), (0.0, half + 1.5), (-half - 1.5, 0.0)],
    }
    title = f"<title>{html.escape(words)}</title>" if words else ""
    if paper % 4 == 0:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{half:g}" {style}>{title}</circle>'
    outline = path([(x + a, y + b) for a, b in corners[paper % 4]])
    return f'<path d="{outline}Z" {style}>{title}</path>'


def _foot(profile: Profile, keys: Sequence[str], top: float) -> tuple[float, list[str]]:
    """The key to the marks with the papers in full, below the plot; height of the whole drawing and its parts."""
    parts: list[str] = []
    y = top
    for number, key in enumerate(keys):
        paper = profile.paper(key)
        parts.append(_mark(LEFT - 40.0, y - 4.0, number, ""))
        for line in textwrap.wrap(paper.citation if paper else key, 104):
            parts.append(words_at(LEFT - 24.0, y, line, size=12))
            y += LINE_HEIGHT
        y += 4
    said = "dashed: outside the table, a guess; grey: one standard error of the curve; days count to: " + profile.counts
    parts.append(words_at(LEFT - 24.0, y, said, size=12))
    return y + LINE_HEIGHT, parts
