"""When the first pip would be at each temperature that could be set, for a page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

from monitor.core.development.window import Window
from monitor.core.terms.formats import show_date, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.telling.drawing.page_course import axis_text
from monitor.telling.drawing.page_season import PlotDays, drawing, window_bar

_ROW: Final = 28
_TOP, _FOOT = 22, 28
_LEFT: Final = 76.0


def svg_page_set_points(points: Sequence[tuple[float, Window]], shown: str, zone: tzinfo, unit: DisplayUnit) -> str:
    """A row for each temperature (C) with its window; one at least. ``shown``: what the eggs are called."""
    tall = _TOP + _ROW * len(points) + _FOOT
    first, last = min(w.p10_ms for _, w in points), max(w.p90_ms for _, w in points)
    days = PlotDays(first - DAY_MS // 2, last + DAY_MS // 2, tall, _LEFT)
    parts, told = days.drawn(zone), []
    for i, (celsius, w) in enumerate(points):
        y = _TOP + _ROW * (i + 0.5)
        name = show_temperature(celsius, unit)
        parts.append(axis_text(_LEFT - 8, y + 5, name, "end"))
        parts += window_bar(days, y, w.p10_ms, w.p50_ms, w.p90_ms)
        told.append(f"{name}: {show_date(w.p10_ms, zone)} to {show_date(w.p90_ms, zone)}")
    return drawing("points", f"{shown}, first pip by temperature: {'; '.join(told)}", tall, parts)
