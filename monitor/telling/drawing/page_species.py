"""A species' days against temperature for a page: small enough for a telephone, its colours those of the page."""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.core.development.species import Profile
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.page_course import NARROW, axis_text
from monitor.telling.drawing.page_season import drawing
from monitor.telling.drawing.species_plot import SpeciesScene, describe
from monitor.telling.drawing.svg import path, temperature_ticks, ticks

TALL: Final = 270
_LEFT, _RIGHT, _TOP, _FOOT = 40, 12, 14, 30
_STEP_C: Final = 0.1


def svg_page_species(profile: Profile, unit: DisplayUnit) -> str:
    """The drawing, to stand in a page; what it shows is its label. Raises SpeciesRefused for a profile without a
    table."""
    scene = SpeciesScene.of(profile)
    right, bottom = NARROW - _RIGHT, TALL - _FOOT

    def x(celsius: float) -> float:
        return _LEFT + (celsius - scene.low_c) / (scene.high_c - scene.low_c) * (right - _LEFT)

    def y(days: float) -> float:
        return bottom - min(days, scene.most_days) / scene.most_days * (bottom - _TOP)

    parts = []
    for limit_c, edge in ((profile.low_limit_c, _LEFT), (profile.high_limit_c, right)):
        if limit_c is not None and scene.low_c < limit_c < scene.high_c:
            a, b = sorted((x(limit_c), float(edge)))
            parts.append(f'<rect class="beyond" x="{a:.1f}" y="{_TOP}" width="{b - a:.1f}" height="{bottom - _TOP}"/>')
            parts.append(f'<path class="limit" d="M{x(limit_c):.1f} {_TOP}V{bottom}"/>')
    for tick in ticks(0.0, scene.most_days, 6):
        parts.append(f'<path class="hair" d="M{_LEFT} {y(tick):.1f}H{right}"/>')
        parts.append(axis_text(_LEFT - 6, y(tick) + 5, f"{tick:g}", "end"))
    for celsius, text in temperature_ticks(scene.low_c, scene.high_c, 7, unit):
        parts.append(f'<path class="hair" d="M{x(celsius):.1f} {_TOP}V{bottom}"/>')
        parts.append(axis_text(min(max(x(celsius), 12.0), NARROW - 12.0), TALL - 9, text, "middle"))
    t = np.arange(scene.low_c, scene.high_c + _STEP_C / 2, _STEP_C)
    days, error = scene.days(t), scene.curve.rate_sd_relative(t)
    shown = days <= scene.most_days
    ring = [(x(c), y(d * np.exp(e))) for c, d, e in zip(t[shown], days[shown], error[shown], strict=True)]
    ring += [(x(c), y(d * np.exp(-e))) for c, d, e in zip(t[shown], days[shown], error[shown], strict=True)][::-1]
    parts.append(f'<path class="span" d="{path(ring)}Z"/>')
    low, high = scene.curve.low_c, scene.curve.high_c
    for a, b, kind in ((scene.low_c, low, "guess"), (low, high, "mean"), (high, scene.high_c, "guess")):
        part = np.linspace(a, b, max(round((b - a) / _STEP_C), 1) + 1)
        drawn = [(x(c), y(d)) for c, d in zip(part, scene.days(part), strict=True) if d <= scene.most_days]
        if len(drawn) > 1:
            parts.append(f'<path class="{kind}" d="{path(drawn)}"/>')
    parts += [f'<circle class="dot" cx="{x(r.temperature_c):.1f}" cy="{y(r.days):.1f}" r="5"/>' for r in scene.rows]
    return drawing("species", describe(profile, unit), TALL, parts)
