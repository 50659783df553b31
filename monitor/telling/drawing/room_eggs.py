"""Eggs in the picture of the room: what pipped, the window of what has not, the wait, and what joins a clutch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import field

from monitor.telling.drawing.picture_parts import DayAxis, PictureSheet, WordRun, advance, fitting, number, shortened
from monitor.telling.drawing.room_plan import PicturePlan
from monitor.telling.drawing.room_scene import ShownBox, ShownEggs
from monitor.telling.drawing.room_words import SceneWords
from monitor.values import dataclass


@dataclass(frozen=True)
class EggsMarks:
    """Draws eggs upon a sheet. ``anchors``: clutch -> left edge and height of the marks of each of its lots."""

    sheet: PictureSheet
    plan: PicturePlan
    days: DayAxis
    say: SceneWords
    anchors: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def _lines(self) -> int:
        return 1 if self.plan.wide or self.plan.many else 2

    def _tall(self, x: ShownEggs) -> float:
        """What eggs take: their words, the eggs that pipped, and their window."""
        return self._lines() * self.plan.line + (22.0 if x.pips and x.window else 0.0) + 24.0

    def tall(self, eggs: Sequence[ShownEggs]) -> float:
        """What all eggs of a box take."""
        return sum(self._tall(x) for x in eggs) + 4.0 * max(len(eggs) - 1, 0)

    def draw(self, box: ShownBox, eggs: Sequence[ShownEggs], middle: float) -> None:
        """The eggs of a box, or as many of them as are drawn."""
        if not eggs and not self.plan.many:
            self.sheet.write(self.days.left, middle + 4.0, self.say.text("no_eggs"), self.plan.small, "pa")
        y = middle - self.tall(eggs) / 2
        for x in eggs:
            self._eggs(x, y, len(box.eggs) - len(eggs) if x is eggs[-1] else 0)
            y += self._tall(x) + 4.0

    def _eggs(self, x: ShownEggs, top: float, more: int) -> None:
        """The words of some eggs, and below them what pipped, and what is expected."""
        y = top + self._lines() * self.plan.line + 12.0
        edges: list[tuple[float, float]] = []
        if x.pips:
            edges.append((self._pips(x, y), y))
            y += 22.0
        if x.window is not None:
            edges.append((self._window(x, y), y))
        if edges:
            self.anchors.setdefault(x.clutch, []).append(edges[0])
        left = min((e[0] for e in edges), default=self.days.left)
        over = self.say.text("more", count=more) if more else ""
        if self._lines() == 1:
            self._in_one_line(x, left, top, over)
        else:
            self._in_two_lines(x, left, top, over)

    def _in_one_line(self, x: ShownEggs, left: float, top: float, over: str) -> None:
        plan = self.plan
        first, room = f" {self.say.headline(x)}", plan.right - plan.days - 2.0
        tail = f"  {over}" if over else ""
        taken = advance(first + tail, plan.head)
        name = shortened(x.clutch, plan.head, max(room - taken, room * 0.35), bold=True)
        first = shortened(first, plan.head, room - advance(name, plan.head, bold=True) - advance(tail, plan.head))
        used = advance(name, plan.head, bold=True) + advance(first + tail, plan.head)
        more = fitting((*self.say.details(x), ""), plan.head, room - used - 8.0) if plan.wide else ""
        soft = (f"  {more}" if more else "") + tail
        wide = used + (advance(f"  {more}", plan.head) if more else 0.0)
        spans = [WordRun(name, "pb", bold=True), WordRun(first), WordRun(soft, "pa")]
        self.sheet.write(self._start(left, wide), top + plan.line - 3.0, spans, plan.head, "pi")

    def _in_two_lines(self, x: ShownEggs, left: float, top: float, over: str) -> None:
        plan = self.plan
        room = plan.right - plan.days - 2.0
        name = shortened(x.clutch, plan.head, room * 0.62, bold=True)
        used = advance(name, plan.head, bold=True) + 6.0
        more = fitting((*self.say.details(x), ""), plan.small, room - used)
        first = shortened("  ".join(t for t in (self.say.headline(x), over) if t), plan.head, room)
        at = self._start(left, max(used + advance(more, plan.small), advance(first, plan.head)))
        self.sheet.write(at, top + plan.line - 3.0, name, plan.head, "pb", bold=True)
        self.sheet.write(at + used, top + plan.line - 3.0, more, plan.small, "pa")
        self.sheet.write(at, top + 2 * plan.line - 3.0, first, plan.head, "pi")

    def _start(self, left: float, wide: float) -> float:
        """Where words begin: with their mark, as far as that leaves room for them."""
        return max(min(left, self.plan.right - wide), self.plan.days)

    def _pips(self, x: ShownEggs, y: float) -> float:
        """Eggs with how many pipped, those of near days together; their left edge."""
        found = merged_pips([(self.days.x(at_ms), count) for at_ms, count in x.pips])
        for at, count in found:
            self.sheet.mark("pe", egg_shape(at, y, count))
            self.sheet.write(at, y + 4.5, f"{count}" if count < 100 else "…", 11.5, "pj", anchor="middle", bold=True)
        return found[0][0] - 10.0

    def _window(self, x: ShownEggs, y: float) -> float:
        """The window of what is expected, its middle, and the wait; its left edge."""
        assert x.window is not None
        sheet, days = self.sheet, self.days
        left = days.x(x.window[0])
        if x.window[0] >= days.to_ms:
            sheet.mark("pv", f"M{number(days.right - 7)} {number(y - 6)}l7 6l-7 6")
            return days.right - 8.0
        for window, layer in ((x.missed, "ph"), (x.window, "ps")):
            if window is None or window[2] <= days.from_ms or (layer == "ps" and window == x.missed):
                continue
            a, m, b = (days.x(at) for at in window)
            a, b = (
                (a, b)
                if b - a >= 10.0
                else (max((a + b) / 2 - 5.0, days.left), max((a + b) / 2 - 5.0, days.left) + 10.0)
            )
            sheet.mark(layer, seed_shape(a, min(max(m, a + 2), b - 2), b, y))
            left = min(left, a)
            if layer == "ps" and window[1] < days.to_ms:
                sheet.mark("pm", f"M{number(m)} {number(y - 8.5)}V{number(y + 8.5)}")
        if x.wait_until_ms is not None and x.wait_until_ms > days.from_ms:
            a, b = days.x(x.window[2]), days.x(x.wait_until_ms)
            if b > a + 2.0:
                sheet.mark("py", f"M{number(a + 2)} {number(y)}H{number(b)}")
            if x.wait_until_ms <= days.to_ms:
                sheet.mark("pd", f"M{number(b)} {number(y - 7)}v14")
            else:
                sheet.mark("pv", f"M{number(b)} {number(y - 5)}l6 5l-6 5")
        return left

    def join(self) -> None:
        """What joins the eggs of one clutch: a line down beside them, with a branch to each."""
        taken = [(self.days.x(self.say.scene.now_ms), -math.inf, math.inf)]
        for ends in sorted(self.anchors.values(), key=lambda e: -len(e)):
            if len(ends) < 2:
                continue
            top, bottom = min(y for _, y in ends), max(y for _, y in ends)
            x = min(left for left, _ in ends) - 8.0
            while any(abs(x - t) < 4.0 and a <= bottom and top <= b for t, a, b in taken) and x > self.plan.days + 4.0:
                x -= 4.5
            x = max(x, self.plan.days)
            taken.append((x, top, bottom))
            self.sheet.upright("pk", x, top + 6.0, bottom - 6.0)
            for left, y in ends:
                bend = {top: 6.0, bottom: -6.0}.get(y)
                start = (
                    f"M{number(x)} {number(y)}"
                    if bend is None
                    else (f"M{number(x)} {number(y + bend)}Q{number(x)} {number(y)} {number(x + 6)} {number(y)}")
                )
                if left > x + 6.0:
                    self.sheet.mark("pk", f"{start}H{number(left)}")


def merged_pips(pips: Sequence[tuple[float, int]]) -> list[tuple[float, int]]:
    """Eggs that pipped by place and number, those together that would meet."""
    found: list[tuple[float, int]] = []
    for at, count in sorted(pips):
        before = found.pop()[1] if found and at - found[-1][0] < 22.0 else 0
        found.append((at, before + count))
    return found


def egg_shape(x: float, y: float, count: int) -> str:
    """An egg that stands, its blunt end down, with room for a number."""
    wide = 10.0 if count > 9 else 8.5
    return (
        f"M{number(x)} {number(y - 10)}c{number(wide * 0.62)} 0 {number(wide)} 7 {number(wide)} 11.5"
        f"a{number(wide)} 8.5 0 0 1 {number(-2 * wide)} 0c0 -4.5 {number(wide * 0.38)} -11.5 {number(wide)} -11.5z"
    )


def seed_shape(a: float, m: float, b: float, y: float) -> str:
    """A shape from a to b that is broadest near m."""
    bend, wide = min(max(2.0 * m - (a + b) / 2.0, a), b) - a, b - a
    return f"M{number(a)} {number(y)}q{number(bend)}-17 {number(wide)} 0q{number(bend - wide)} 17 {number(-wide)} 0z"
