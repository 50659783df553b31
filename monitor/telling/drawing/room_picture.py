"""The one picture of the room: at the left each stack as it stands, at the right when its eggs are expected.

Height goes up, as in the room: each box stands at its true height, or beside it with a thin line to it where boxes
would meet. Between both stands the temperature of each box on one scale, with how sure it is, and the mean of the last
day as a line through the stack. At the right, level with each box, one axis of days: what pipped (an egg with its
count), the window of what has not (broad where it is likely, a bar in its middle), and dots to the bar until which one
waits; an empty window is one that is past. Eggs of one clutch hang on one line.

It is drawn narrow, for a telephone, or wide; where boxes are many, with less of each. A crowd of them is drawn narrow
alone, a picture for each stack, which stand beside each other where there is room: all on the same days and degrees.
Words never meet, and no line runs through them (:mod:`.picture_parts`).
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from itertools import pairwise
from typing import Final

from monitor.core.terms.formats import show_date
from monitor.core.terms.times import DAY_MS
from monitor.telling.drawing.picture_parts import DayAxis, PictureSheet, advance, apart, fitting, number, shortened
from monitor.telling.drawing.room_boxes import BoxMarks
from monitor.telling.drawing.room_eggs import EggsMarks
from monitor.telling.drawing.room_plan import CROWD, PicturePlan, WarmthScale, plan_of
from monitor.telling.drawing.room_scene import RoomScene, ShownBox, ShownEggs, ShownStack
from monitor.telling.drawing.room_words import Say, SceneWords, months_of
from monitor.telling.drawing.svg import temperature_ticks, ticks
from monitor.values import dataclass

NARROW: Final = 366
WIDE: Final = 1160
# The axis of days: at most so far back, and so far beyond now or beyond the first that is expected. Judgement.
BACK_DAYS: Final = 14.0
AHEAD_DAYS: Final = 60.0
BEYOND_FIRST_DAYS: Final = 30.0
FURTHEST_DAYS: Final = 400.0
# So many times taller than its rows a stack may stand for its true heights.
STRETCH: Final = 1.15
# Where it is taller than this, the days stand below it once more.
TALL: Final = 700.0
MOST_LOTS: Final = 6
MOST_OF_A_PICTURE: Final = 16
"""So many boxes of a stack stand in one picture of a crowd."""

LAYERS: Final = ("pw", "pg", "po", "pl", "pr", "pk", "py", "ph", "ps", "pm", "pd", "pn", "pu", "pt", "pc", "pv", "pe")
"""The marks, from the lowest: stripes of days, boards, post and lines to it, limits, the day's mean, what joins a
clutch, dots until the wait is over, windows that are past, windows, their middles, the end of the wait, now, how sure a
temperature is, one of now, one that is not, what lies beyond an edge, eggs that pipped."""


@dataclass(frozen=True)
class _PlacedBox:
    """A box with its eggs, as much of them as is drawn."""

    box: ShownBox
    eggs: tuple[ShownEggs, ...]
    tall: float


def svg_room(scene: RoomScene, width: float, say: Say, *, linked: bool = True) -> str:
    """The picture as an SVG element of a page, ``width`` units wide: below 700 for a telephone, else wide. ``say``: the
    page's words; ``linked``: whether each box leads to its page, which tells of now."""
    return _RoomDrawing(scene, plan_of(width, len(scene.boxes)), SceneWords(scene, say), linked, scene).whole()


def svgs_room(scene: RoomScene, say: Say, *, linked: bool = True) -> tuple[str, ...]:
    """All pictures of a room for its page: narrow and wide, of which a page shows one; of a crowd, whose two would be
    too heavy, one for each stack or part of it, all of which it shows."""
    if len(scene.boxes) <= CROWD:
        return tuple(svg_room(scene, width, say, linked=linked) for width in (NARROW, WIDE))
    plan, parts = plan_of(NARROW, len(scene.boxes)), list[str]()
    for stack in scene.stacks:
        for first in range(0, len(stack.boxes), MOST_OF_A_PICTURE):
            part = replace(stack, boxes=stack.boxes[first : first + MOST_OF_A_PICTURE])
            here = replace(scene, stacks=(part,))
            drawing = _RoomDrawing(here, plan, SceneWords(here, say), linked, scene, f"part{len(parts)}")
            parts.append(drawing.whole())
    return tuple(parts)


@dataclass(frozen=True)
class _RoomDrawing:
    """``among``: all of which days and degrees are; ``part``: which picture of several it is."""

    scene: RoomScene
    plan: PicturePlan
    say: SceneWords
    linked: bool
    among: RoomScene
    part: str = ""

    @cached_property
    def sheet(self) -> PictureSheet:
        return PictureSheet(LAYERS, self.plan.small)

    @cached_property
    def warmth(self) -> WarmthScale:
        return WarmthScale.of(self.among, self.plan)

    @cached_property
    def boxes(self) -> BoxMarks:
        return BoxMarks(self.sheet, self.plan, self.warmth, self.say, self.linked)

    @cached_property
    def eggs(self) -> EggsMarks:
        return EggsMarks(self.sheet, self.plan, self.days, self.say)

    @cached_property
    def days(self) -> DayAxis:
        """From what pipped lately to the last date until which one waits, no further than is worth it."""
        now_ms, eggs, plan = self.among.now_ms, self.among.eggs, self.plan
        starts = [at for x in eggs for at, _ in x.pips] + [x.missed[0] for x in eggs if x.missed is not None]
        starts += [x.window[0] for x in eggs if x.window is not None]
        from_ms = min(max(min(starts, default=now_ms), now_ms - BACK_DAYS * DAY_MS), now_ms - DAY_MS)
        spans = [(x.window[0], max(x.window[2], x.wait_until_ms or 0)) for x in eggs if x.window is not None]
        first = min((end for _, end in spans), default=now_ms)
        last = max(now_ms + AHEAD_DAYS * DAY_MS, first + BEYOND_FIRST_DAYS * DAY_MS)
        last = min(last, now_ms + FURTHEST_DAYS * DAY_MS)
        to_ms = max([now_ms + 6 * DAY_MS, *(min(end, last) for begin, end in spans if begin < last)])
        beside = (to_ms - from_ms) / 40
        left, right = plan.days + 16.0, plan.right - 8.0
        return DayAxis(
            round(from_ms - beside), round(to_ms + beside), left, right, self.scene.zone, 22.0, months_of(self.say.say)
        )

    def whole(self) -> str:
        if not self.scene.boxes:
            self.sheet.write(self.plan.width / 2, 44.0, self.say.text("none"), 15.0, "pa", anchor="middle")
            return self._document(80.0, self.sheet.drawn("", "pg"))
        bottom = top = 54.0
        for stack in self.scene.stacks:
            bottom = self._stack(stack, bottom)
        self._days_named(bottom)
        self._degrees()
        for a, b in self.days.stripes():
            self.sheet.mark("pw", f"M{number(a)} {number(top)}H{number(b)}V{number(bottom)}H{number(a)}z")
        self.sheet.upright("pn", self.days.x(self.scene.now_ms), 20.0, bottom)
        self.eggs.join()
        tall = bottom + (40.0 if bottom > TALL else 8.0)
        return self._document(tall, self.sheet.drawn("\n".join(self.boxes.links), "pg"))

    def _document(self, tall: float, content: str) -> str:
        scene, width, high = self.scene, number(self.plan.width), number(tall)
        usual = "wide" if self.plan.wide else "narrow"
        named = f"room-{self.part or usual}"
        if self.part:
            # What says the same in words is on another page.
            title, says, described = self.say.text("stack", stack=scene.stacks[0].id), "", ""
        else:
            lying = sum(1 for b in scene.boxes if any(x.waiting for x in b.eggs))
            title, says = self.say.text("title", room=scene.room), f"{named}-says"
            told = self.say.text("described", boxes=len(scene.boxes), eggs=lying)
            described = f'<desc id="{says}">{html.escape(told)}</desc>\n'
        return (
            f'<svg class="picture {"part" if self.part else usual}" viewBox="0 0 {width} {high}" width="{width}" '
            f'height="{high}" font-size="{number(self.sheet.usual)}" role="group" '
            f'aria-labelledby="{f"{named} {says}".strip()}">\n<title id="{named}">{html.escape(title)}</title>\n'
            f"{described}{content}\n</svg>\n"
        )

    # -- the axes

    def _days_named(self, bottom: float) -> None:
        """Today, and the days; these once more below where it is tall."""
        plan, scene = self.plan, self.scene
        today = self.say.text("today", day=show_date(scene.now_ms, scene.zone))
        half = advance(today, 12.5, bold=True) / 2
        at = min(max(self.days.x(scene.now_ms), plan.days + half), plan.right - half)
        self.sheet.write(at, 15.0, today, 12.5, "px", anchor="middle", bold=True)
        for y in (34.0, *((bottom + 17.0,) if bottom > TALL else ())):
            for x, text in self.days.named():
                self.sheet.write(x, y, text, 11.5, "pa", anchor="middle")
            for x, text in self.days.month_names(11.5):
                self.sheet.write(x, y + 14.0 if self.days.step_days else y, text, 11.5, "pa")

    def _degrees(self) -> None:
        """The unit, and round degrees, above the scale."""
        scene, scale = self.scene, self.warmth
        if all(b.last_c is None for b in scene.boxes):
            return
        self.sheet.write(scale.left + scale.wide / 2, 34.0, f"°{scene.unit}", 11.5, "pa", anchor="middle")
        free = scale.left - 4.0
        for c, text in temperature_ticks(scale.low_c, scale.high_c, 4, scene.unit):
            x, half = scale.x(c), advance(text, 11.5) / 2
            if x - half >= free and x + half <= scale.right + 6.0:
                self.sheet.write(x, 48.0, text.replace("-", "−"), 11.5, "pa", anchor="middle")
                free = x + half + 4.0

    # -- a stack

    def _stack(self, stack: ShownStack, top: float) -> float:
        """A stack below ``top``; where it ends."""
        plan, sheet = self.plan, self.sheet
        self._heading(stack, top)
        y = top + 26.0
        rows = [self._row(box) for box in stack.boxes]
        needed = [row.tall + plan.gap for row in rows]
        heights = [row.box.height_cm for row in rows]
        size = _scale_of(heights, needed)
        wanted = [-h * size for h in heights]
        places = apart(wanted, needed)
        off = y + needed[0] / 2 - places[0]
        middles, trues = [float(round(p + off)) for p in places], [w + off for w in wanted]
        bottom = middles[-1] + needed[-1] / 2
        for row, middle, true in zip(rows, middles, trues, strict=True):
            # A mark at the true height of a box, and a line to the box where it stands elsewhere.
            at = number(min(max(true, y + 4.0), bottom - 4.0))
            sheet.mark("po", f"M{number(plan.post - 4)} {at}H{number(plan.post)}L{number(plan.box)} {number(middle)}")
            self.boxes.draw(row.box, middle, row.tall)
            self.eggs.draw(row.box, row.eggs, middle)
            board = middle + row.tall / 2 + plan.gap / 2 - 1.0
            sheet.mark("pg", f"M{number(plan.post)} {number(board)}H{number(plan.right)}")
        sheet.mark("po", f"M{number(plan.post)} {number(y)}V{number(bottom)}")
        if plan.wide:
            self._ruler(heights, size, off, y, bottom)
        self.boxes.profile(stack.boxes, middles)
        return bottom + 6.0

    def _heading(self, stack: ShownStack, top: float) -> None:
        """The name of a stack, and by how much it is warmer somewhere, where that has room."""
        plan = self.plan
        room = (plan.days - 12.0 if plan.wide else self.warmth.right) - plan.post
        name = shortened(self.say.text("stack", stack=stack.id), plan.name, room, bold=True)
        used = advance(name, plan.name, bold=True) + 12.0
        self.sheet.write(plan.post, top + 16.0, name, plan.name, "pb", bold=True)
        if plan.wide and room - used > 60.0:
            told = fitting(self.say.difference(stack), plan.small, room - used)
            self.sheet.write(plan.post + used, top + 16.0, told, plan.small, "pa")

    def _row(self, box: ShownBox) -> _PlacedBox:
        eggs = box.eggs[: 1 if self.plan.many else MOST_LOTS]
        return _PlacedBox(box, eggs, max(self.boxes.tall(box), self.eggs.tall(eggs)))

    def _ruler(self, heights: Sequence[float], size: float, off: float, top: float, bottom: float) -> None:
        """Round heights beside the post."""
        low, high = min(heights), max(heights)
        most = max(int((high - low) * size / 66.0), 1)
        self.sheet.write(self.plan.post - 7.0, top - 10.0, "cm", 11.5, "pa", anchor="end")
        for cm in ticks(low, high, most) if 0.0 < high - low <= 500.0 * most else sorted({low, high}):
            y = off - cm * size
            if top + 6.0 <= y <= bottom - 6.0:
                self.sheet.write(self.plan.post - 7.0, y + 4.0, f"{cm:.0f}".replace("-", "−"), 11.5, "pa", anchor="end")


def _scale_of(heights: Sequence[float], needed: Sequence[float]) -> float:
    """How many units a centimetre takes: as many as keep all boxes apart, if the stack does not get too tall by it."""
    steps = [
        (a + b) / 2 / (high - low)
        for (a, b), (high, low) in zip(pairwise(needed), pairwise(heights), strict=True)
        if high - low > 0.5
    ]
    low, high = 0.0, max(steps, default=0.0)
    for _ in range(24):
        size = (low + high) / 2
        places = apart([-h * size for h in heights], needed)
        fits = places[-1] - places[0] <= STRETCH * (sum(needed) - (needed[0] + needed[-1]) / 2)
        low, high = (size, high) if fits else (low, size)
    return low
