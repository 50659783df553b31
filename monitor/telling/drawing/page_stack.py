"""A stack's profile for a page: height goes up, temperature to the right, colours those of the page."""

from __future__ import annotations

import html
from typing import Final

from monitor.core.climate.stacks import Level
from monitor.core.terms.formats import show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.stack_plot import StackScene
from monitor.telling.drawing.svg import Scale, temperature_ticks

WIDTH: Final = 366
_LEFT, _RIGHT, _TOP, _FOOT = 14, 14, 14, 34
_ROW: Final = 46
"""A level has so much height at least for its two lines of words."""


def svg_page_stack(scene: StackScene, unit: DisplayUnit) -> str:
    """The drawing, to stand in a page: each level in its order, at its height as far as its words leave room."""
    levels = sorted([*scene.boxes, *scene.air], key=lambda x: x.height_cm)
    tall = max(200, _ROW * len(levels) + 20)
    bottom = tall - _FOOT

    def at(celsius: float) -> float:
        return _LEFT + (celsius - scene.low_c) / (scene.high_c - scene.low_c) * (WIDTH - _LEFT - _RIGHT)

    ups = _placed([x.height_cm for x in levels], scene.low_cm, scene.high_cm, _TOP + 30, bottom - 14)
    parts = []
    for celsius, name in ((scene.too_cool_c, "cool"), (scene.too_warm_c, "warm")):
        if celsius is not None and scene.low_c < celsius < scene.high_c:
            edge = _LEFT if name == "cool" else WIDTH - _RIGHT
            x = at(celsius)
            parts.append(
                f'<rect class="beyond" x="{min(x, edge):.1f}" y="{_TOP}" width="{abs(edge - x):.1f}" '
                f'height="{bottom - _TOP}"/><path class="limit" d="M{x:.1f} {_TOP}V{bottom}"/>'
            )
    for celsius, text in temperature_ticks(scene.low_c, scene.high_c, 5, unit):
        x = min(max(at(celsius), 16.0), WIDTH - 16.0)
        parts.append(f'<path class="hair" d="M{at(celsius):.1f} {_TOP}V{bottom}"/>')
        parts.append(f'<text class="axis" x="{x:.1f}" y="{tall - 10}" text-anchor="middle">{text}</text>')
    run = " L".join(f"{at(x.mean_c):.1f} {y:.1f}" for x, y in zip(levels, ups, strict=True) if x in scene.boxes)
    if run:
        parts.append(f'<path class="profile" d="M{run}"/>')
    for level, y in zip(levels, ups, strict=True):
        parts += _level(level, at, y, unit, air=level in scene.air, odd=level.name == scene.odd)
    told = "; ".join(
        f"{x.name} at {x.height_cm:.0f} cm: {show_temperature(x.mean_c, unit, 2)} "
        f"± {show_difference(2 * x.error.total_c, unit, 2)}"
        for x in reversed(levels)
    )
    return (
        f'<svg class="course stack" viewBox="0 0 {WIDTH} {tall}" width="{WIDTH}" height="{tall}" role="img" '
        f'aria-label="{html.escape(scene.stack)}, °{unit}: {html.escape(told)}">{"".join(parts)}</svg>'
    )


def _placed(heights: list[float], low: float, high: float, top: float, bottom: float) -> list[float]:
    """Places that keep the order and the distances, moved apart where words would meet; the lowest first."""
    share = [(h - low) / max(high - low, 1.0) for h in heights]
    places = [bottom - s * (bottom - top) for s in share]
    for i in range(1, len(places)):
        places[i] = min(places[i], places[i - 1] - _ROW + 6)
    over = top - places[-1] if places else 0.0
    return [p + over * i / max(len(places) - 1, 1) for i, p in enumerate(places)] if over > 0 else places


def _level(level: Level, at: Scale, y: float, unit: DisplayUnit, *, air: bool, odd: bool) -> list[str]:
    x, half = at(level.mean_c), 2.0 * level.error.total_c
    words = f"{level.name[:28]}{'…' if len(level.name) > 28 else ''}, {level.height_cm:.0f} cm{' ?' if odd else ''}"
    figure = f"{show_temperature(level.mean_c, unit, 2)} ± {show_difference(2 * level.error.total_c, unit, 2)}"
    anchor, words_x = ("start", _LEFT + 2.0) if x > WIDTH / 2 else ("end", WIDTH - _RIGHT - 2.0)
    dot = f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
    if air:
        dot = f'<path class="cross" d="M{x - 5:.1f} {y - 5:.1f}l10 10m0 -10l-10 10"/>'
    places = f'x="{words_x:.1f}" text-anchor="{anchor}"'
    return [
        f'<path class="unsure" d="M{at(level.mean_c - half):.1f} {y:.1f}H{at(level.mean_c + half):.1f}"/>',
        dot,
        f'<text class="axis strong" {places} y="{y - 22:.1f}">{html.escape(words)}</text>',
        f'<text class="axis" {places} y="{y - 8:.1f}">{html.escape(figure)}</text>',
    ]
