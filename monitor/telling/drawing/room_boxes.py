"""Boxes in the picture of the room: a box with its figure as a link, and its place on the scale of temperatures."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import field
from urllib.parse import quote

from monitor.telling.drawing.picture_parts import PictureSheet, advance, fitting, number, shortened
from monitor.telling.drawing.room_plan import PicturePlan, WarmthScale, shown_c
from monitor.telling.drawing.room_scene import ShownBox
from monitor.telling.drawing.room_words import SceneWords
from monitor.values import dataclass


@dataclass(frozen=True)
class BoxMarks:
    """Draws boxes upon a sheet. ``links``: each box as a link, as markup."""

    sheet: PictureSheet
    plan: PicturePlan
    scale: WarmthScale
    say: SceneWords
    linked: bool
    links: list[str] = field(default_factory=list)

    def tall(self, box: ShownBox) -> float:
        """What a box takes: where it is narrow, an alarm has a line of its own."""
        return self.plan.box_tall + (self.plan.small + 5.0 if box.beyond and not self.plan.wide else 0.0)

    def draw(self, box: ShownBox, middle: float, tall: float) -> None:
        """A box as a link with what is known of its warmth, and its place on the scale. ``tall``: its row."""
        plan = self.plan
        top, own = middle - self.tall(box) / 2, self.tall(box)
        texts, cut = self._words(box, top)
        told = self.say.told(box) if not plan.many else box.id if cut else ""
        said = f"<title>{html.escape(told)}</title>" if told else ""
        style = {"too warm": "pf hot", "too cool": "pf cold", "": "pf"}[box.beyond]
        # What is pressed is as tall as the row, from the post to the scale's end.
        areas = [] if plan.many else [_area("pp", 0.0, middle - tall / 2, self.scale.right, tall)]
        if plan.crowd:
            wide = number(plan.box_wide)
            areas.append(f'<path class="{style}" d="M{number(plan.box)} {number(top)}h{wide}v{number(own)}h-{wide}z"/>')
        else:
            areas.append(_area(style, plan.box, top, plan.box_wide, own))
        inner = f"{said}{''.join(areas)}{''.join(texts)}"
        href = html.escape(f"/box/{quote(box.id, safe='')}")
        self.links.append(f'<a href="{href}">{inner}</a>' if self.linked else f"<g>{inner}</g>")
        self._dot(box, middle)
        for limit_c in (box.too_cool_c, box.too_warm_c):
            if limit_c is not None and self.scale.low_c < limit_c < self.scale.high_c:
                half = (tall + plan.gap) / 2
                self.sheet.mark("pl", f"M{number(self.scale.x(limit_c))} {number(middle - half)}v{number(2 * half)}")

    def profile(self, boxes: Sequence[ShownBox], middles: Sequence[float]) -> None:
        """The mean of the last day, through the boxes of a stack."""
        points = [(self.scale.x(b.day_c), y) for b, y in zip(boxes, middles, strict=True) if b.day_c is not None]
        if len(points) > 1:
            self.sheet.mark("pr", "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points))

    def _words(self, box: ShownBox, top: float) -> tuple[list[str], bool]:
        """The words in a box, and whether its name was cut."""
        if not self.plan.many:
            return self._words_tall(box, top)
        return self._words_line(box, top) if self.plan.wide else self._words_low(box, top)

    def _words_line(self, box: ShownBox, top: float) -> tuple[list[str], bool]:
        """In one line: wide, of many boxes."""
        plan, write, alarm = self.plan, self.sheet.text, self.say.alarm(box)
        left, right, y = plan.box + 9.0, plan.box + plan.box_wide - 9.0, top + plan.box_tall / 2 + 6.0
        name, figure = shortened(box.id, plan.name, 88.0, bold=True), self.say.figure(box)
        at = left + 94.0
        beside = at + (advance(figure, plan.figure, bold=True) + 5.0 if figure else 0.0)
        until = right - (advance(alarm, plan.small, bold=True) + 8.0 if alarm else 0.0)
        sure, notes = self.say.sureness(box), self.say.notes(box)
        lengths = (", ".join(x for x in (sure, notes[0]) if x), *notes)
        return [
            write(left, y, name, plan.name, "pb", bold=True),
            write(at, y, figure, plan.figure, _figure_style(box), bold=True),
            write(beside, y, fitting(lengths, plan.small, until - beside), plan.small, "pa"),
            write(right, y, alarm, plan.small, "pz", anchor="end", bold=True),
        ], name != box.id

    def _words_low(self, box: ShownBox, top: float) -> tuple[list[str], bool]:
        """In two lines, and an alarm: narrow, of many boxes."""
        plan, write = self.plan, self.sheet.text
        left, right = plan.box + 9.0, plan.box + plan.box_wide - 4.0
        name, figure = shortened(box.id, plan.name, right - left, bold=True), self.say.figure(box)
        beside = left + (advance(figure, plan.figure, bold=True) + 5.0 if figure else 0.0)
        calm = ("",) if plan.crowd else (self.say.sureness(box),)
        said = fitting(calm if self._calm(box) else self.say.notes(box), plan.small, right - beside)
        alarm = shortened(self.say.alarm(box), plan.small, right - left, bold=True)
        return [
            write(left, top + 18.0, name, plan.name, "pb", bold=True),
            write(left, top + 43.0, figure, plan.figure, _figure_style(box), bold=True),
            write(beside, top + 43.0, said, plan.small, "pa"),
            write(left, top + plan.box_tall + 7.0, alarm, plan.small, "pz", bold=True),
        ], name != box.id

    def _calm(self, box: ShownBox) -> bool:
        """Whether nothing is to be known of a box beside its figure."""
        return box.now_c is not None and self.say.notes(box)[-1] in ("", self.say.text("steady"))

    def _words_tall(self, box: ShownBox, top: float) -> tuple[list[str], bool]:
        """Its name and height, its figure, and what is to be known of it, an alarm first."""
        plan, write, alarm = self.plan, self.sheet.text, self.say.alarm(box)
        left, right = plan.box + 9.0, plan.box + plan.box_wide - 9.0
        figure, sure, high = self.say.figure(box), self.say.sureness(box), self.say.height(box)
        corner = alarm if alarm and plan.wide else high
        takes = advance(corner, plan.small, bold=True) + 8.0
        above = plan.wide or advance(box.id, plan.name, bold=True) + takes <= plan.inner
        name = shortened(box.id, plan.name, plan.inner - takes if above else plan.inner, bold=True)
        texts = [write(left, top + 20.0, name, plan.name, "pb", bold=True)]
        if above:
            loud = corner == alarm
            style = "pz" if loud else "pa"
            texts.append(write(right, top + 20.0, corner, plan.small, style, anchor="end", bold=loud))
        y = top + (49.0 if plan.wide else 47.0)
        beside = left + (advance(figure, plan.figure, bold=True) + 5.0 if figure else 0.0)
        texts.append(write(left, y, figure, plan.figure, _figure_style(box), bold=True))
        if figure:
            texts.append(write(beside, y - plan.small - 1.0, f"°{self.say.scene.unit}", plan.small, "pa"))
            texts.append(write(beside, y, shortened(sure, plan.small, right - beside), plan.small, "pa"))
        if plan.wide:
            start = beside + advance(sure, plan.small) + 14.0 if figure else left
            texts += self._notes(box, start, right, y, to_right=bool(figure))
            return texts, name != box.id
        foot = top + plan.box_tall - 10.0
        if alarm:
            texts.append(write(left, foot, alarm, plan.small, "pz", bold=True))
            foot += plan.small + 5.0
        shown = self._notes(box, left, right, foot)
        used = self.sheet.areas[-1].right - left if shown else 0.0
        if not above and used + takes <= plan.inner:
            shown.append(write(right, foot, high, plan.small, "pa", anchor="end"))
        return [*texts, *shown], name != box.id

    def _notes(self, box: ShownBox, left: float, right: float, y: float, *, to_right: bool = False) -> list[str]:
        """What is to be known of a box's temperature, with a mark where it rises or falls."""
        size = self.plan.small
        shift = 15.0 if _moves(box) else 0.0
        said = fitting(self.say.notes(box), size, right - left - shift)
        if not said:
            return []
        at = right - advance(said, size) if to_right else left + shift
        mark = [_slope(box, at - shift, y)] if shift else []
        return [*mark, self.sheet.text(at, y, said, size, "pa")]

    def _dot(self, box: ShownBox, y: float) -> None:
        """The temperature of a box on the scale: filled of now and of its own probe, else hollow."""
        sheet, scale, c = self.sheet, self.scale, shown_c(box)
        if c is None:
            return
        x = scale.x(c)
        if not scale.holds(c):
            side = -1 if c < scale.low_c else 1
            sheet.mark("pv", f"M{number(x - 5 * side)} {number(y - 5)}l{5 * side} 5l{-5 * side} 5")
            return
        if box.now_c is not None and math.isfinite(box.half_c) and not self.plan.crowd:
            sheet.mark("pu", f"M{number(scale.x(c - box.half_c))} {number(y)}H{number(scale.x(c + box.half_c))}")
        # A round end of no length is a dot.
        now = box.now_c is not None and not box.estimated
        sheet.mark("pt" if now else "pc", f"M{number(x)} {number(y)}h0" if now else _circle(x, y, 4.5))


def _moves(box: ShownBox) -> bool:
    """Whether the status of a box is its trend, which has a mark of its own."""
    return bool(box.trend_c) and not (box.beyond or box.age or box.estimated or box.now_c is None)


def _figure_style(box: ShownBox) -> str:
    return "pt" if box.now_c is not None else "pt old"


def _area(style: str, x: float, y: float, wide: float, tall: float) -> str:
    return (
        f'<rect class="{style}" x="{number(x)}" y="{number(y)}" width="{number(wide)}" height="{number(tall)}" rx="6"/>'
    )


def _slope(box: ShownBox, x: float, y: float) -> str:
    """A small line that rises or falls as the box does."""
    rise = 4.0 if (box.trend_c or 0.0) > 0 else -4.0
    return f'<path class="pq" d="M{number(x)} {number(y - 4 + rise)}L{number(x + 10)} {number(y - 4 - rise)}"/>'


def _circle(x: float, y: float, r: float) -> str:
    return f"M{number(x - r)} {number(y)}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0z"
