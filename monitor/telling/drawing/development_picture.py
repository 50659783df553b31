"""How far eggs in a box came over time, for a page: with the windows that were told on their way, and what pipped.

Time goes to the right, development up to the whole. Each window stands as high as its eggs were far when it was told,
so that it is seen to get narrower: those of before dashed and empty, that of now filled. Classes and colours are those
of the picture of the room, and words never meet here either.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from datetime import tzinfo
from functools import cached_property
from typing import Final

import numpy as np

from monitor.core.season.figures import EggsInBox, WindowTold
from monitor.core.terms.formats import show_date, show_dates, show_developed
from monitor.core.terms.times import DAY_MS
from monitor.telling.drawing.picture_parts import ABOVE, BELOW, DayAxis, PictureSheet, WordArea, advance, number
from monitor.telling.drawing.room_eggs import egg_shape, merged_pips, seed_shape
from monitor.telling.drawing.room_plan import NARROWEST_WIDE
from monitor.telling.drawing.room_words import Say, months_of
from monitor.values import dataclass

LAYERS: Final = ("pw", "pg", "pr", "ph", "ps", "pm", "pn", "pt", "pe")
TOP, TALL, LEFT, SIZE = 62.0, 190.0, 54.0, 12.5
# As many points as a line needs to look smooth.
POINTS: Final = 90
Dates = tuple[int, int, int]


def development_told(x: EggsInBox, zone: tzinfo, say: Say) -> tuple[str, ...]:
    """What the drawing shows, in sentences: each window that was told, and when eggs were seen pipped."""
    told = []
    for t in x.told:
        share, day = f"{show_developed(t.share)} %", show_dates(t.at_ms, None, zone)
        dates = _dates(t)
        if dates is None:
            told.append(say("development.not_told", share=share, day=day))
        else:
            window = show_dates(dates[0], dates[2], zone)
            told.append(say("development.told", share=share, day=day, dates=window))
    told += [say("development.pipped", count=p.count, day=show_dates(p.by_ms, None, zone)) for p in x.lot.pips]
    return tuple(told)


def svg_page_development(
    x: EggsInBox, window: Dates | None, now_ms: int, zone: tzinfo, say: Say, *, width: float, name: str
) -> str:
    """The drawing as an SVG element of a page; empty where nothing was measured. ``window``: 10, 50 and 90 % of the
    next pip as it is known now (ms); ``name``: told from others of the page."""
    if x.edge_ms is None or x.cumulative is None or len(x.edge_ms) < 2:
        return ""
    return _DevelopmentDrawing(x, window, now_ms, zone, say, width).whole(name)


@dataclass(frozen=True)
class _DevelopmentDrawing:
    x: EggsInBox
    window: Dates | None
    now_ms: int
    zone: tzinfo
    say: Say
    width: float

    @cached_property
    def sheet(self) -> PictureSheet:
        return PictureSheet(LAYERS, SIZE)

    @cached_property
    def days(self) -> DayAxis:
        assert self.x.edge_ms is not None
        ends = [int(self.x.edge_ms[-1]), *(p.by_ms for p in self.x.lot.pips)]
        ends += [d[2] for d in (*map(_dates, self.x.told), self.window) if d is not None]
        first, last = int(self.x.edge_ms[0]), max(ends)
        return DayAxis(
            first, last + (last - first) // 40 + DAY_MS, LEFT, self.width - 12.0, self.zone, 24.0, months_of(self.say)
        )

    @cached_property
    def most(self) -> float:
        """What the upper edge stands for."""
        assert self.x.cumulative is not None
        return max(1.0, float(self.x.cumulative[-1]))

    def _y(self, share: float) -> float:
        return TOP + TALL * (1.0 - share / self.most)

    def whole(self, name: str) -> str:
        bottom = TOP + TALL
        self._axes(bottom)
        self._course()
        self._windows()
        self._pips()
        if self.x.lot.open:
            self.sheet.upright("pn", self.days.x(self.now_ms), 20.0, bottom)
        kind, tall = "wide" if self.width >= NARROWEST_WIDE else "narrow", bottom + 44.0
        said = html.escape(". ".join(development_told(self.x, self.zone, self.say)))
        wide, title = number(self.width), html.escape(self.say("development.title"))
        ids = f"{name}-{kind}"
        return (
            f'<svg class="picture {kind}" viewBox="0 0 {wide} {number(tall)}" width="{wide}" height="{number(tall)}" '
            f'font-size="{number(SIZE)}" role="img" aria-labelledby="{ids} {ids}-says">\n'
            f'<title id="{ids}">{title}</title>\n<desc id="{ids}-says">{said}</desc>\n'
            f"{self.sheet.drawn('', 'pg')}\n</svg>\n"
        )

    def _axes(self, bottom: float) -> None:
        sheet, days = self.sheet, self.days
        for a, b in days.stripes():
            sheet.mark("pw", f"M{number(a)} {number(TOP)}H{number(b)}V{number(bottom)}H{number(a)}z")
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            y = self._y(share)
            sheet.mark("pg", f"M{number(LEFT - 5)} {number(y)}H{number(LEFT if 0.0 < share < 1.0 else days.right)}")
            sheet.write(LEFT - 8.0, y + 4.0, f"{100 * share:.0f} %", SIZE, "pa", anchor="end")
        for x, text in days.named():
            sheet.write(x, bottom + 18.0, text, SIZE, "pa", anchor="middle")
        for x, text in days.month_names(SIZE):
            sheet.write(x, bottom + (34.0 if days.step_days else 18.0), text, SIZE, "pa")
        if self.x.lot.open:
            today = self.say("picture.today", day=show_date(self.now_ms, self.zone))
            half = advance(today, SIZE, bold=True) / 2
            at = min(max(days.x(self.now_ms), half + 4.0), self.width - half - 4.0)
            sheet.write(at, 15.0, today, SIZE, "px", anchor="middle", bold=True)

    def _course(self) -> None:
        edge_ms, cumulative = self.x.edge_ms, self.x.cumulative
        assert edge_ms is not None
        assert cumulative is not None
        pick = np.unique(np.linspace(0, len(edge_ms) - 1, POINTS).astype(int))
        points = zip(edge_ms[pick].tolist(), cumulative[pick].tolist(), strict=True)
        self.sheet.mark("pr", "M" + "L".join(f"{number(self.days.x(at))} {number(self._y(v))}" for at, v in points))

    def _windows(self) -> None:
        """The windows, each as high as the eggs were far; and the dates of as many as have room, the newest first."""
        assert self.x.cumulative is not None
        for t in self.x.told:
            self.sheet.mark("pt", f"M{number(self.days.x(t.at_ms))} {number(self._y(t.share))}h0")
        known = [(dates, self._y(t.share), "ph") for t in self.x.told if (dates := _dates(t)) is not None]
        if self.window is not None:
            known.append((self.window, self._y(float(self.x.cumulative[-1])), "ps"))
        ends = [self._seed(dates, y, layer) for dates, y, layer in known]
        for (dates, y, _), (a, b) in reversed(list(zip(known, ends, strict=True))):
            text = show_dates(dates[0], dates[2], self.zone)
            wide = advance(text, SIZE)
            below = max(min((a + b - wide) / 2, self.width - 8.0 - wide), LEFT), y + 20.0
            for left, foot in (below, (a - 8.0 - wide, y + 4.0)):
                area = WordArea(left, foot - ABOVE * SIZE, left + wide, foot + BELOW * SIZE)
                others = [WordArea(c, v - 9.0, d, v + 9.0) for (_, v, _), (c, d) in zip(known, ends, strict=True)]
                if self._clear(area, others):
                    self.sheet.write(left, foot, text, SIZE, "pa")
                    break

    def _clear(self, area: WordArea, others: Sequence[WordArea]) -> bool:
        """Whether words there would meet nothing: neither words nor windows, nor the course, which lies to the left."""
        if area.left < self._course_x(area.top) + 6.0 or area.bottom > TOP + TALL:
            return False
        return not any(area.meets(x) for x in (*self.sheet.areas, *others))

    def _course_x(self, y: float) -> float:
        """Where the course passes a height; its end where it does not come to it."""
        assert self.x.cumulative is not None
        assert self.x.edge_ms is not None
        share = (1.0 - (y - TOP) / TALL) * self.most
        at = int(np.searchsorted(self.x.cumulative, share))
        return self.days.x(float(self.x.edge_ms[min(at, len(self.x.edge_ms) - 1)]))

    def _seed(self, dates: Dates, y: float, layer: str) -> tuple[float, float]:
        """A window; its edges."""
        a, m, b = (self.days.x(at) for at in dates)
        middle = (a + b) / 2
        a, b = min(a, middle - 4.0), max(b, middle + 4.0)
        self.sheet.mark(layer, seed_shape(a, min(max(m, a + 1), b - 1), b, y))
        if layer == "ps":
            self.sheet.mark("pm", f"M{number(m)} {number(y - 8.5)}v17")
        return a, b

    def _pips(self) -> None:
        """What was seen pipped, above the whole."""
        found = merged_pips([(self.days.x(p.by_ms), p.count) for p in self.x.lot.pips])
        for at, count in found:
            self.sheet.mark("pe", egg_shape(at, 38.0, count))
            self.sheet.write(at, 42.5, f"{count}" if count < 100 else "…", 11.5, "pj", anchor="middle", bold=True)
        if found:
            said = self.say("development.seen")
            if found[0][0] - 16.0 - advance(said, SIZE) > 2.0:
                self.sheet.write(found[0][0] - 16.0, 42.5, said, SIZE, "pi", anchor="end")


def _dates(t: WindowTold) -> Dates | None:
    if t.p10_ms is None or t.p50_ms is None or t.p90_ms is None:
        return None
    return t.p10_ms, t.p50_ms, t.p90_ms
