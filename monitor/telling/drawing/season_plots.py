"""Drawings of a season: development with what was told on its way, and in which order boxes hatched, by height."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

import numpy as np

from monitor.core.season.figures import ASKED_AT, ClutchSeason, EggsInBox, middle_ms
from monitor.core.terms.formats import show_date, show_developed, show_eggs
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS
from monitor.telling.drawing.picture_parts import advance, shortened
from monitor.telling.drawing.svg import (
    INK,
    LEFT,
    PALE,
    PAPER,
    WIDTH,
    document,
    on_paper,
    path,
    stroke,
    title_at,
    words_at,
)
from monitor.telling.drawing.time_frame import TimeFrame, day_and_time

DASHES: Final = ("", "7 4", "2 3", "9 3 2 3", "4 2")
TALL: Final = 190
# As many points as a line needs to look smooth.
POINTS: Final = 120


def svg_development(x: EggsInBox, name: str, zone: tzinfo, shown: str) -> str:
    """Measured development of eggs in a box, the windows told at a quarter, half and three quarters, and the pip.

    ``name``: see ``document``; ``shown``: what the eggs are called.
    """
    assert x.edge_ms is not None
    assert x.cumulative is not None
    ends = [int(x.edge_ms[-1])] + [t.p90_ms for t in x.told if t.p90_ms is not None]
    seen = x.first_pip
    frame = TimeFrame(int(x.edge_ms[0]), max(ends) + DAY_MS, 0.0, max(1.1, float(x.cumulative[-1]) + 0.05), 44, TALL)
    ups = [(share, f"{100 * share:.0f} %") for share in (0.0, *ASKED_AT, 1.0)]
    title = f"{shown}: development, and the window told on its way"
    parts = [title_at(title), *frame.drawn(zone, ups)]
    parts.append(stroke(LEFT, frame.y(1.0), frame.right, frame.y(1.0), PALE))
    pick = np.unique(np.linspace(0, len(x.edge_ms) - 1, POINTS).astype(int))
    points = [(frame.x(at), frame.y(v)) for at, v in zip(x.edge_ms[pick].tolist(), x.cumulative[pick], strict=True)]
    parts.append(f'<path d="{path(points)}" fill="none" stroke="{INK}" stroke-width="1.6"/>')
    told = [f"{100 * float(x.cumulative[-1]):.0f} % at the end"]
    for t in x.told:
        y = frame.y(t.share)
        parts.append(f'<circle cx="{frame.x(t.at_ms):.1f}" cy="{y:.1f}" r="3.5" fill="{INK}"/>')
        if t.p10_ms is None or t.p50_ms is None or t.p90_ms is None:
            told.append(f"at {100 * t.share:.0f} % no date was told")
            continue
        a, m, b = (frame.x(at) for at in (t.p10_ms, t.p50_ms, t.p90_ms))
        parts.append(stroke(frame.x(t.at_ms), y, a, y, INK, "1 4"))
        parts.append(
            f'<rect x="{a:.1f}" y="{y - 5:.1f}" width="{max(b - a, 2):.1f}" height="10" fill="{PALE}" '
            f'stroke="{INK}" stroke-width="0.8"/>'
        )
        parts.append(stroke(m, y - 8, m, y + 8, INK))
        told.append(
            f"at {100 * t.share:.0f} % told {show_date(t.p10_ms, zone)} to {show_date(t.p90_ms, zone)}, "
            f"middle {show_date(t.p50_ms, zone)}"
        )
    if seen is not None:
        left, right = frame.x(seen.by_ms if seen.after_ms is None else seen.after_ms), frame.x(seen.by_ms)
        parts.append(
            f'<rect x="{left - 0.75:.1f}" y="{frame.top}" width="{max(right - left, 1.5):.1f}" height="{TALL}" '
            f'fill="{INK}" fill-opacity="0.45"/>'
        )
        over = left > frame.right - 120
        label = words_at(
            left - 5 if over else right + 5, frame.top + 12, "first pip", size=12, anchor="end" if over else "start"
        )
        parts.append(on_paper(label))
        told.append(f"first pip seen {day_and_time(seen.by_ms, zone)}")
    foot = frame.bottom + 42
    key = "dots: when it was told; bars: that window (8 in 10) and its middle; dark: between the two looks of the pip"
    lines = textwrap.wrap(key, 108)
    parts += [words_at(LEFT, foot + 16 * i, text, size=12) for i, text in enumerate(lines)]
    return document(title, "; ".join(told), foot + 16 * len(lines), parts, name)


def svg_hatch_order(clutches: Sequence[ClutchSeason], boxes: Sequence[Box], stack: str, zone: tzinfo) -> str | None:
    """When pips were seen in a stack, by the height of their boxes; None where none was.

    Each mark is what was seen at once, as large as its eggs are many, on a line from the look before; each clutch has
    its own dashes and stands a little apart.
    """
    heights = {b.id: b.height_cm for b in boxes if b.stack == stack}
    seen = [(c.clutch.id, x.lot, p) for c in clutches for x in c.eggs if x.lot.box in heights for p in x.lot.pips]
    if not seen:
        return None
    names = list(dict.fromkeys(name for name, _, _ in seen))
    first = min(p.by_ms if p.after_ms is None else p.after_ms for _, _, p in seen)
    last = max(p.by_ms for _, _, p in seen)
    edge = max(DAY_MS // 2, (last - first) // 20)
    used = {lot.box: heights[lot.box] for _, lot, _ in seen}
    low, high = min(used.values()) - 15.0, max(used.values()) + 15.0
    frame = TimeFrame(first - edge, last + edge, low, high, 44, max(120.0, 44.0 * len(used) + 22.0 * len(names)))
    ups = [(h, f"{h:.0f} cm") for h in sorted(set(used.values()))]
    title = f"stack {stack}: pips by the height of their box"
    parts = [title_at(title), *frame.drawn(zone, ups)]
    parts += [stroke(LEFT, frame.y(h), frame.right, frame.y(h), PALE) for h in used.values()]
    told = []
    for name, lot, pip in sorted(seen, key=lambda s: s[2].by_ms):
        i = names.index(name)
        y = frame.y(used[lot.box]) + 14.0 * (i - (len(names) - 1) / 2)
        a, b = frame.x(pip.by_ms if pip.after_ms is None else pip.after_ms), frame.x(pip.by_ms)
        parts.append(stroke(a, y, b, y, INK, DASHES[i % len(DASHES)]))
        r = 2.5 + 1.6 * math.sqrt(pip.count)
        fill = PAPER if i % 2 else INK
        parts.append(f'<circle cx="{b:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{fill}" stroke="{INK}"/>')
        told.append(
            f"{name}: {show_eggs(pip.count)} in box {lot.box} at {used[lot.box]:.0f} cm by "
            f"{day_and_time(pip.by_ms, zone)}"
        )
    for i, name in enumerate(names):
        mine = [(lot, p) for n, lot, p in seen if n == name]
        lot, pip = min(mine, key=lambda m: middle_ms(m[1]))
        y = frame.y(used[lot.box]) + 14.0 * (i - (len(names) - 1) / 2)
        at = frame.x(pip.by_ms if pip.after_ms is None else pip.after_ms)
        after = frame.x(pip.by_ms) + 12
        room = at - LEFT > advance(name, 12) + 10
        shown = name if room else shortened(name, 12, WIDTH - after)
        label = words_at(at - 8 if room else after, y + 4, shown, size=12, anchor="end" if room else "start")
        parts.append(on_paper(label))
    foot = frame.bottom + 42
    key = "a mark: eggs seen pipped at once, the larger the more; its line begins at the look before"
    parts.append(words_at(LEFT, foot, key, size=12))
    return document(title, "; ".join(told), foot + 12, parts, f"-order-{stack}")


def share_told(x: EggsInBox) -> str:
    """How far the eggs came, for a table."""
    return "-" if x.development is None else f"{show_developed(x.development, 1)} %"
