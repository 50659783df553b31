"""The words of the picture of the room, and the same facts as rows of a table under it.

Where there is little room a text is given in several lengths, the longest first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from monitor.core.terms.formats import (
    show_dates,
    show_developed,
    show_difference,
    show_range,
    show_temperature,
    show_within,
    show_within_difference,
)
from monitor.telling.drawing.room_scene import TREND_H, BoxShown, EggsShown, RoomScene, StackShown


@dataclass(frozen=True)
class PictureWords:
    """All words that are the picture's own, in English; a page in another language gives its own. What is in braces is
    filled in."""

    title: str = "{room}: the boxes as they stand, and when their eggs are expected"
    described: str = "{boxes} boxes, {eggs} with eggs that lie still. The table below says the same in words."
    none: str = "No boxes are set up yet."
    stack: str = "Stack {stack}"
    differs: str = "{warm} {difference} warmer than {cool}, last day"
    today: str = "today {day}"
    no_reading: str = "no reading"
    last: str = "last {when}"
    steady: str = "steady"
    rising: str = "rising {by}"
    falling: str = "falling {by}"
    in_hours: str = "{trend} in {hours} h"
    too_warm: str = "too warm"
    too_cool: str = "too cool"
    limit: str = "limit {limit}"
    estimated: str = "estimated"
    no_eggs: str = "no eggs"
    developed: str = "{share} %"
    egg: str = "1 egg"
    eggs: str = "{count} eggs"
    due: str = "{dates}"
    wait: str = "wait until {day}"
    waited: str = "waited past {day}"
    passed: str = "past its window"
    was_due: str = "was due {dates}"
    pipped: str = "{count} pipped"
    still: str = "{count} still"
    rest: str = "rest {dates}"
    hatched: str = "{count} hatched"
    lost: str = "{count} lost"
    done: str = "done {day}"
    no_date: str = "no date"
    more: str = "+{count}"
    height: str = "{height} cm"
    key: str = (
        "Yellow: the next pip, 8 chances in 10, a bar in its middle. Dots to the short bar: wait at least until then. "
        "Dashed and empty: a window that is past. Egg with a number: so many pipped. A line joins the eggs of one "
        "clutch. Dot: a box's temperature, with how sure it is; the line through the dots: the mean of the last day; "
        "dotted: limits."
    )
    elsewhere: str = "box {box} is not in the room's file"


ENGLISH = PictureWords()


@dataclass(frozen=True)
class RoomRow:
    """A row of the table: a box with the eggs of one clutch in it. ``box`` to ``limits`` are empty in the further rows
    of a box; ``href``: the box's page, empty for a place that the room's file does not have."""

    stack: str
    box: str
    href: str
    height: str
    now: str
    trend: str
    limits: str
    clutch: str
    eggs: str
    developed: str
    expected: str
    note: str


@dataclass(frozen=True)
class SceneWords:
    """A scene in words of one language."""

    scene: RoomScene
    words: PictureWords = ENGLISH

    # -- of a box

    def _bare(self, temperature_c: float) -> str:
        return show_temperature(temperature_c, self.scene.unit).removesuffix(f" °{self.scene.unit}")

    def figure(self, box: BoxShown) -> str:
        """The temperature of now, or the last one, without its unit; empty where nothing was ever read."""
        shown_c = box.now_c if box.now_c is not None else box.last_c
        return "" if shown_c is None else self._bare(shown_c)

    def sureness(self, box: BoxShown) -> str:
        """The plus and minus of its temperature of now, without the unit."""
        if box.now_c is None:
            return ""
        if not math.isfinite(box.half_c):
            return "± ?"
        return f"± {show_difference(box.half_c, self.scene.unit)}".removesuffix(f" °{self.scene.unit}")

    def trend(self, box: BoxShown) -> tuple[str, ...]:
        """Whether it gets warmer, in two lengths; empty where that is not known."""
        if box.trend_c is None:
            return ("",)
        if not box.trend_c:
            return (self.words.steady,)
        by = show_difference(abs(box.trend_c), self.scene.unit).removesuffix(f" °{self.scene.unit}")
        short = (self.words.rising if box.trend_c > 0 else self.words.falling).format(by=by)
        return self.words.in_hours.format(trend=short, hours=TREND_H), short

    def alarm(self, box: BoxShown) -> str:
        """That a box is too warm or too cool, in a word or two; empty where it is not."""
        return {"too warm": self.words.too_warm, "too cool": self.words.too_cool, "": ""}[box.beyond]

    def notes(self, box: BoxShown) -> tuple[str, ...]:
        """What is to be known of its temperature beside the figure and an alarm, in several lengths. Its age is in each
        of them."""
        if box.now_c is None:
            return (self.words.last.format(when=box.last) if box.last_c is not None else self.words.no_reading,)
        limit_c = box.too_warm_c if box.beyond == "too warm" else box.too_cool_c
        if box.beyond and limit_c is not None:
            limit = self.words.limit.format(limit=self._bare(limit_c))
            return (f"{limit}, {box.age}", box.age) if box.age else (limit,)
        if box.estimated:
            return tuple(", ".join(x for x in (w, box.age) if x) for w in (box.estimated, self.words.estimated))
        return (box.age,) if box.age else self.trend(box)

    def now(self, box: BoxShown) -> str:
        """Its temperature of now and how sure, or since when nothing was read, for a table."""
        if box.now_c is not None:
            more = self.notes(box)[0] if box.beyond or box.estimated or box.age else ""
            within = show_within(box.now_c, box.half_c, self.scene.unit)
            return ", ".join(x for x in (within, self.alarm(box), more) if x)
        if box.last_c is None:
            return self.words.no_reading
        return f"{self.words.no_reading}, {self.notes(box)[0]}: {show_temperature(box.last_c, self.scene.unit)}"

    def height(self, box: BoxShown) -> str:
        return self.words.height.format(height=f"{box.height_cm:.0f}".replace("-", "−"))

    def limits(self, box: BoxShown) -> str:
        cool_c, warm_c, unit = box.too_cool_c, box.too_warm_c, self.scene.unit
        if cool_c is not None and warm_c is not None:
            return show_range(round(cool_c, 2), round(warm_c, 2), unit)
        return " to ".join("-" if x is None else show_temperature(x, unit) for x in (cool_c, warm_c))

    def told(self, box: BoxShown) -> str:
        """A box in one line, for who does not see it."""
        eggs = [f"{x.clutch}: {self.headline(x)}, {self.details(x)[0]}".removesuffix(", ") for x in box.eggs]
        parts = (box.id, self.height(box), self.now(box), self.trend(box)[0], "; ".join(eggs) or self.words.no_eggs)
        return ", ".join(x for x in parts if x)

    def difference(self, stack: StackShown) -> str:
        """By how much one level of a stack is warmer than another; empty where that is not known."""
        if stack.difference_c is None:
            return ""
        by = show_within_difference(stack.difference_c, stack.difference_half_c, self.scene.unit)
        warm, cool = (x.removeprefix("box ") for x in (stack.warmest, stack.coolest))
        return self.words.differs.format(warm=warm, cool=cool, difference=by)

    # -- of eggs

    def _dates(self, window: tuple[int, int, int]) -> str:
        return show_dates(window[0], window[2], self.scene.zone)

    def _day(self, at_ms: int) -> str:
        return show_dates(at_ms, None, self.scene.zone)

    def count(self, eggs: int) -> str:
        return self.words.egg if eggs == 1 else self.words.eggs.format(count=eggs)

    def headline(self, x: EggsShown) -> str:
        """What is to be known first: when they are expected, or how many have come."""
        words = self.words
        if x.state == "done" or (x.state == "no date" and x.pipped):
            told = [(words.hatched, x.hatched), (words.pipped, x.inside), (words.lost, x.lost)]
            return ", ".join(w.format(count=n) for w, n in told if n) or words.no_date
        if x.state == "pipping":
            return f"{words.pipped.format(count=x.pipped)}, {words.still.format(count=x.waiting)}"
        if x.window is None:
            return words.no_date
        return (words.was_due if x.window[2] < self.scene.now_ms else words.due).format(dates=self._dates(x.window))

    def _wait(self, x: EggsShown) -> str:
        if x.wait_until_ms is None:
            return ""
        over = x.wait_until_ms < self.scene.now_ms
        return (self.words.waited if over else self.words.wait).format(day=self._day(x.wait_until_ms))

    def details(self, x: EggsShown) -> tuple[str, ...]:
        """What is to be known besides, in several lengths."""
        words = self.words
        far = "" if x.development is None else words.developed.format(share=show_developed(x.development))
        if x.state == "done":
            return ("" if x.closed_ms is None else words.done.format(day=self._day(x.closed_ms)),)
        if x.state == "no date":
            return _lengths([[self.count(x.waiting), far, x.why], [self.count(x.waiting), far], [far]])
        first = "" if x.window is None or x.state != "pipping" else words.rest.format(dates=self._dates(x.window))
        late = words.passed if x.state == "late" else ""
        wait = self._wait(x)
        if x.state == "expected":
            return _lengths([[self.count(x.waiting), far, wait], [self.count(x.waiting), far], [far]])
        return _lengths(
            [[late or first, self.count(x.waiting) if late else "", far, wait], [late or first, wait], [late or first]]
        )

    # -- the table

    def rows(self) -> tuple[RoomRow, ...]:
        """The same facts as words: a row for each box, and one for each further lot in it."""
        found = []
        for box in self.scene.boxes:
            here = (
                box.stack, box.id, f"/box/{quote(box.id, safe='')}", self.height(box), self.now(box),
                self.trend(box)[0], self.limits(box),
            )  # fmt: skip
            for i, eggs in enumerate(box.eggs or (None,)):
                found.append(RoomRow(*(here if not i else ("",) * 7), *self._eggs_cells(eggs)))
        for eggs in self.scene.elsewhere:
            missing = self.words.elsewhere.format(box=eggs.box)
            found.append(RoomRow("", eggs.box, "", "", missing, "", "", *self._eggs_cells(eggs)))
        return tuple(found)

    def _eggs_cells(self, x: EggsShown | None) -> tuple[str, str, str, str, str]:
        """Clutch, eggs, development, what is expected, and what is to be known besides."""
        if x is None:
            return "", self.words.no_eggs, "", "", ""
        far = "" if x.development is None else self.words.developed.format(share=show_developed(x.development, 1))
        rest = self.words.rest.format(dates=self._dates(x.window)) if x.state == "pipping" and x.window else ""
        seen = ", ".join(f"{self.words.pipped.format(count=n)} {self._day(at_ms)}" for at_ms, n in x.pips)
        notes = (rest, self.words.passed if x.state == "late" else "", self._wait(x), seen, x.why)
        return (
            x.clutch,
            self.count(x.waiting) if x.waiting else "-",
            far,
            self.headline(x),
            "; ".join(n for n in notes if n),
        )


def _lengths(told: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """The texts of several lists of words, the empty ones left out."""
    return tuple(dict.fromkeys(", ".join(x for x in words if x) for words in told))


def table_room(scene: RoomScene, words: PictureWords = ENGLISH) -> tuple[RoomRow, ...]:
    """The rows of the table under the picture."""
    return SceneWords(scene, words).rows()
