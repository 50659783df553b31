"""Drawings of a season for a page: how far eggs came and what was told on the way, and windows beside what happened.

Small enough for a telephone, their colours those of the page.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from datetime import tzinfo
from typing import Final

import numpy as np

from monitor.core.season.figures import ASKED_AT, EggsInBox
from monitor.core.terms.formats import show_date
from monitor.core.terms.times import DAY_MS
from monitor.telling.drawing.page_course import NARROW, SIGN, axis_text
from monitor.telling.drawing.svg import path
from monitor.telling.drawing.time_frame import day_and_time, time_ticks
from monitor.values import dataclass

TALL: Final = 200
_LEFT, _RIGHT, _TOP, _FOOT = 54, 10, 22, 28
# As many points as a line of this width needs to look smooth.
_POINTS: Final = 80


@dataclass(frozen=True)
class PlotDays:
    """Days along the foot of a small drawing, from ``left`` on."""

    from_ms: int
    to_ms: int
    tall: float
    left: float = _LEFT

    def at(self, ms: float) -> float:
        share = (ms - self.from_ms) / max(self.to_ms - self.from_ms, 1)
        return self.left + min(max(share, 0.0), 1.0) * (NARROW - _RIGHT - self.left)

    def drawn(self, zone: tzinfo, said: Callable[[str], str] = str) -> list[str]:
        """Its lines and words, as many as have room. ``said``: our words in those of the page."""
        parts, free = [], 0.0
        for at_ms, told in time_ticks(self.from_ms, self.to_ms, zone, max(int((NARROW - self.left) / 58), 2)):
            text = said(told)
            half = SIGN * len(text) / 2
            middle = min(max(self.at(at_ms), half + 4), NARROW - half - 4)
            if middle - half >= free:
                free = middle + half + 8
                parts.append(f'<path class="hair" d="M{self.at(at_ms):.1f} {_TOP}V{self.tall - _FOOT:.0f}"/>')
                parts.append(axis_text(middle, self.tall - 8, text, "middle"))
        return parts


def svg_page_windows_told(x: EggsInBox, zone: tzinfo, shown: str, said: Callable[[str], str] = str) -> str:
    """Measured development of eggs in a box, the windows told on its way, and when its first pip was seen.

    ``shown``: what the eggs are called. There must be a development.
    """
    assert x.edge_ms is not None
    assert x.cumulative is not None
    ends = [int(x.edge_ms[-1]), *(t.p90_ms for t in x.told if t.p90_ms is not None)]
    seen = x.first_pip
    axis = PlotDays(int(x.edge_ms[0]), max(ends) + DAY_MS, TALL)
    top, bottom = max(1.1, float(x.cumulative[-1]) + 0.05), TALL - _FOOT

    def up(share: float) -> float:
        return bottom - share / top * (bottom - _TOP)

    parts = axis.drawn(zone, said)
    for share in (0.0, *ASKED_AT, 1.0):
        parts.append(f'<path class="hair" d="M{_LEFT} {up(share):.1f}H{NARROW - _RIGHT}"/>')
        parts.append(axis_text(_LEFT - 6, up(share) + 5, f"{100 * share:.0f} %", "end"))
    pick = np.unique(np.linspace(0, len(x.edge_ms) - 1, _POINTS).astype(int))
    line = [(axis.at(at), up(v)) for at, v in zip(x.edge_ms[pick].tolist(), x.cumulative[pick], strict=True)]
    parts.append(f'<path class="mean" d="{path(line)}"/>')
    told = [f"{100 * float(x.cumulative[-1]):.0f} % at the end"]
    for t in x.told:
        parts.append(f'<circle class="when" cx="{axis.at(t.at_ms):.1f}" cy="{up(t.share):.1f}" r="4"/>')
        if t.p10_ms is None or t.p50_ms is None or t.p90_ms is None:
            told.append(f"at {100 * t.share:.0f} % no date was told")
            continue
        parts += window_bar(axis, up(t.share), t.p10_ms, t.p50_ms, t.p90_ms)
        told.append(
            f"at {100 * t.share:.0f} % told {show_date(t.p10_ms, zone)} to {show_date(t.p90_ms, zone)}, "
            f"middle {show_date(t.p50_ms, zone)}"
        )
    if seen is not None:
        parts.append(pip_mark(axis, seen.by_ms if seen.after_ms is None else seen.after_ms, seen.by_ms, _TOP, bottom))
        told.append(f"first pip seen {day_and_time(seen.by_ms, zone)}")
    return drawing("season", f"{shown}: {'; '.join(map(said, told))}", TALL, parts)


def window_bar(axis: PlotDays, y: float, p10_ms: int, p50_ms: int, p90_ms: int) -> list[str]:
    """A window as the yolk of what is expected, with its middle."""
    a, m, b = (axis.at(ms) for ms in (p10_ms, p50_ms, p90_ms))
    return [
        f'<rect class="window" x="{a:.1f}" y="{y - 6:.1f}" width="{max(b - a, 3.0):.1f}" height="12"/>',
        f'<path class="middle" d="M{m:.1f} {y - 9:.1f}v18"/>',
    ]


def pip_mark(axis: PlotDays, after_ms: int, by_ms: int, top: float, bottom: float) -> str:
    """The time between the two looks of a pip."""
    a, b = axis.at(after_ms), axis.at(by_ms)
    return (
        f'<rect class="pip" x="{a - 1:.1f}" y="{top:.1f}" width="{max(b - a, 2.0):.1f}" height="{bottom - top:.1f}"/>'
    )


def drawing(kind: str, told: str, tall: float, parts: Sequence[str]) -> str:
    """A small drawing of a page; ``told``: what it shows, in words."""
    return (
        f'<svg class="course {kind}" viewBox="0 0 {NARROW} {tall:g}" width="{NARROW}" height="{tall:g}" role="img" '
        f'aria-label="{html.escape(told)}">{"".join(parts)}</svg>'
    )
