"""A box's temperature over time for a page: upright for a phone, wide for a desk, its colours those of the page."""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from datetime import tzinfo
from typing import Final

from monitor.core.season.figures import BoxSeason
from monitor.core.terms.formats import show_bare
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.course_plot import ends_c, in_figures, limits_of
from monitor.telling.drawing.svg import path, temperature_ticks
from monitor.telling.drawing.time_frame import gathered, time_ticks, unbroken
from monitor.values import dataclass

NARROW, WIDE = 366, 720
TALL: Final = 210
# At the left there is room for a limit of four strong signs.
_LEFT, _RIGHT, _TOP, _FOOT = 44, 10, 22, 28
SIGN: Final = 7.6
"""As wide as a digit gets at 14 pixels in the fonts of phones and desks."""


@dataclass(frozen=True)
class _Frame:
    x: BoxSeason
    width: int
    low: float
    high: float

    @property
    def right(self) -> float:
        return self.width - _RIGHT

    @property
    def bottom(self) -> float:
        return TALL - _FOOT

    def at(self, ms: float) -> float:
        share = (ms - self.x.from_ms) / max(self.x.to_ms - self.x.from_ms, 1)
        return _LEFT + min(max(share, 0.0), 1.0) * (self.right - _LEFT)

    def up(self, celsius: float) -> float:
        return self.bottom - (celsius - self.low) / (self.high - self.low) * (self.bottom - _TOP)


def svg_page_course(
    x: BoxSeason,
    zone: tzinfo,
    unit: DisplayUnit,
    title: str,
    *,
    width: int = NARROW,
    said: Callable[[str], str] = str,
) -> str:
    """The drawing, to stand in a page. ``title`` is read out first; what is drawn follows in words. ``said``: our words
    in those of the page."""
    low, high = ends_c(x)
    frame = _Frame(x, width, low, high)
    parts = [
        *_gaps(frame, said),
        *_limits(frame, unit),
        *_axes(frame, zone, unit, said),
        *_course(frame),
        *_events(frame),
    ]
    told = html.escape(". ".join(map(said, in_figures(x, zone, unit))))
    return (
        f'<svg class="course" viewBox="0 0 {width} {TALL}" width="{width}" height="{TALL}" role="img" '
        f'aria-label="{html.escape(title)}. {told}">{"".join(parts)}</svg>'
    )


def axis_text(x: float, y: float, text: str, anchor: str = "start", kind: str = "axis") -> str:
    """A word in a drawing of a page."""
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{html.escape(text)}</text>'


def _axes(frame: _Frame, zone: tzinfo, unit: DisplayUnit, said: Callable[[str], str]) -> list[str]:
    parts = []
    limits = [frame.up(c) for c, _ in limits_of(frame.x) if c is not None and frame.low < c < frame.high]
    for celsius, text in temperature_ticks(frame.low, frame.high, 4, unit):
        y = frame.up(celsius)
        # A limit's own figure stands there already.
        if all(abs(y - limit) > 13 for limit in limits) and _TOP < y < frame.bottom + 1:
            parts.append(axis_text(_LEFT - 6, y + 5, text, "end"))
            parts.append(f'<path class="hair" d="M{_LEFT} {y:.1f}H{frame.right:.0f}"/>')
    most = max(int((frame.right - _LEFT) / 58), 2)
    free = 0.0
    for at_ms, text in ((at_ms, said(text)) for at_ms, text in time_ticks(frame.x.from_ms, frame.x.to_ms, zone, most)):
        half = SIGN * len(text) / 2
        middle = min(max(frame.at(at_ms), half + 1), frame.width - half - 1)
        if middle - half < free:
            continue
        free = middle + half + 8
        parts.append(f'<path class="hair" d="M{frame.at(at_ms):.1f} {_TOP}V{frame.bottom:.0f}"/>')
        parts.append(axis_text(middle, TALL - 8, text, "middle"))
    return parts


def _limits(frame: _Frame, unit: DisplayUnit) -> list[str]:
    parts = []
    for celsius, name in limits_of(frame.x):
        if celsius is None or not frame.low < celsius < frame.high:
            continue
        y = frame.up(celsius)
        edge = _TOP if name == "too warm" else frame.bottom
        parts.append(
            f'<rect class="beyond" x="{_LEFT}" y="{min(y, edge):.1f}" width="{frame.right - _LEFT:.0f}" '
            f'height="{abs(y - edge):.1f}"/>'
            f'<path class="limit" d="M{_LEFT} {y:.1f}H{frame.right:.0f}"/>'
        )
        parts.append(axis_text(_LEFT - 6, y + 5, show_bare(celsius, unit), "end", "axis strong"))
    return parts


def _gaps(frame: _Frame, said: Callable[[str], str]) -> list[str]:
    parts = []
    silent = html.escape(said("no reading"))
    for a, b in frame.x.gaps:
        left, right = frame.at(a), max(frame.at(b), frame.at(a) + 2.0)
        parts.append(
            f'<rect class="gap" x="{left:.1f}" y="{_TOP}" width="{right - left:.1f}" '
            f'height="{frame.bottom - _TOP:.0f}"><title>{silent}</title></rect>'
        )
    return parts


def _course(frame: _Frame) -> list[str]:
    x = frame.x
    places = int((frame.right - _LEFT) / 2)
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, places)
    parts = []
    for run in unbroken(found.at_ms, x.gaps):
        at = [frame.at(ms) for ms in found.at_ms[run].tolist()]
        highs, lows = found.high[run].tolist(), found.low[run].tolist()
        if max((h - low for h, low in zip(highs, lows, strict=True)), default=0.0) > 0.1:
            ring = [(a, frame.up(v)) for a, v in zip(at, highs, strict=True)]
            ring += [(a, frame.up(v)) for a, v in zip(reversed(at), reversed(lows), strict=True)]
            parts.append(f'<path class="span" d="{path(ring)}Z"/>')
        means = [(a, frame.up(v)) for a, v in zip(at, found.mean[run].tolist(), strict=True)]
        # A single reading between two gaps is a point.
        means = means * 2 if len(means) == 1 else means
        parts.append(f'<path class="mean" d="{path(means)}"/>')
    return parts


def _events(frame: _Frame) -> list[str]:
    """A mark at the top for each thing that happened, numbered as in the list below the drawing."""
    parts, free = [], -math.inf
    for number, (at_ms, what) in enumerate(frame.x.events, 1):
        at = frame.at(at_ms)
        parts.append(
            f'<path class="event" d="M{at:.1f} {_TOP - 4}V{frame.bottom:.0f}"><title>{html.escape(what)}</title></path>'
        )
        half = SIGN * len(str(number)) / 2
        middle = min(max(at, half), frame.width - half)
        if middle - half >= free:
            parts.append(axis_text(middle, _TOP - 8, str(number), "middle"))
            free = middle + half + 5
    return parts
