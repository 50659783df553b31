"""The words of the picture of the room, and the same facts as rows of a table under it.

Where there is little room a text is given in several lengths, the longest first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from urllib.parse import quote

from monitor.core.terms.formats import (
    show_dates,
    show_developed,
    show_difference,
    show_temperature,
    show_within,
    show_within_difference,
)
from monitor.telling.drawing.room_scene import TREND_H, RoomScene, ShownBox, ShownEggs, ShownStack
from monitor.values import dataclass

Say = Callable[..., str]
"""The page's words: ``say(key, place=value)``. Those of the picture have keys that begin with "picture."."""


def months_of(say: Say) -> list[str]:
    """What the months are called beside an axis: without the stop that a short name has within a sentence."""
    return [name.rstrip(".") for name in say("days.months").split()]


@dataclass(frozen=True)
class EggsCell:
    """Eggs of a clutch in a box, in words; ``note``: what is to be known besides."""

    clutch: str
    eggs: str
    developed: str
    expected: str
    note: str


@dataclass(frozen=True)
class RoomRow:
    """A row of the table: a box, and the eggs in it. ``href``: its page, empty for a box that the room's file does not
    have."""

    stack: str
    box: str
    href: str
    height: str
    now: str
    trend: str
    limits: str
    eggs: tuple[EggsCell, ...]


@dataclass(frozen=True)
class SceneWords:
    """A scene in the words of one language."""

    scene: RoomScene
    say: Say

    def text(self, key: str, **places: object) -> str:
        """One of the picture's own words."""
        return self.say(f"picture.{key}", **places)

    # -- of a box

    def _bare(self, temperature_c: float) -> str:
        return show_temperature(temperature_c, self.scene.unit).removesuffix(f" °{self.scene.unit}")

    def figure(self, box: ShownBox) -> str:
        """The temperature of now, or the last one, without its unit; empty where nothing was ever read."""
        shown_c = box.now_c if box.now_c is not None else box.last_c
        return "" if shown_c is None else self._bare(shown_c)

    def sureness(self, box: ShownBox) -> str:
        """The plus and minus of its temperature of now, without the unit."""
        if box.now_c is None:
            return ""
        if not math.isfinite(box.half_c):
            return "± ?"
        return f"± {show_difference(box.half_c, self.scene.unit)}".removesuffix(f" °{self.scene.unit}")

    def trend(self, box: ShownBox) -> tuple[str, ...]:
        """Whether it gets warmer, in two lengths; empty where that is not known."""
        if box.trend_c is None:
            return ("",)
        if not box.trend_c:
            return (self.text("steady"),)
        by = show_difference(abs(box.trend_c), self.scene.unit).removesuffix(f" °{self.scene.unit}")
        short = self.text("rising" if box.trend_c > 0 else "falling", by=by)
        return self.text("in_hours", trend=short, hours=TREND_H), short

    def alarm(self, box: ShownBox) -> str:
        """That a box is too warm or too cool, in a word or two; empty where it is not."""
        return {"too warm": self.text("too_warm"), "too cool": self.text("too_cool"), "": ""}[box.beyond]

    def notes(self, box: ShownBox) -> tuple[str, ...]:
        """What is to be known of its temperature beside the figure and an alarm, in several lengths. Its age is in each
        of them."""
        if box.now_c is None:
            return (self.text("last", when=box.last) if box.last_c is not None else self.text("no_reading"),)
        limit_c = box.too_warm_c if box.beyond == "too warm" else box.too_cool_c
        if box.beyond and limit_c is not None:
            limit = self.text("limit", limit=self._bare(limit_c))
            return (f"{limit}, {box.age}", box.age) if box.age else (limit,)
        if box.estimated:
            return tuple(", ".join(x for x in (w, box.age) if x) for w in (box.estimated, self.text("estimated")))
        return (box.age,) if box.age else self.trend(box)

    def now(self, box: ShownBox) -> str:
        """Its temperature of now and how sure, or since when nothing was read, for a table."""
        if box.now_c is not None:
            more = self.notes(box)[0] if box.beyond or box.estimated or box.age else ""
            within = show_within(box.now_c, box.half_c, self.scene.unit)
            return ", ".join(x for x in (within, self.alarm(box), more) if x)
        if box.last_c is None:
            return self.text("no_reading")
        return f"{self.text('no_reading')}, {self.notes(box)[0]}: {show_temperature(box.last_c, self.scene.unit)}"

    def height(self, box: ShownBox) -> str:
        return self.text("height", height=f"{box.height_cm:.0f}".replace("-", "−"))

    def told(self, box: ShownBox) -> str:
        """A box in one line, for who does not see it."""
        eggs = [f"{x.clutch}: {self.headline(x)}, {self.details(x)[0]}".removesuffix(", ") for x in box.eggs]
        parts = (box.id, self.height(box), self.now(box), self.trend(box)[0], "; ".join(eggs) or self.text("no_eggs"))
        return ", ".join(x for x in parts if x)

    def difference(self, stack: ShownStack) -> tuple[str, ...]:
        """By how much one level of a stack is warmer than another, in two lengths; empty where that is not known."""
        if stack.difference_c is None:
            return ("",)
        by = show_within_difference(stack.difference_c, stack.difference_half_c, self.scene.unit)
        warm, cool = (x.removeprefix("box ") for x in (stack.warmest, stack.coolest))
        return self.text("differs", warm=warm, cool=cool, difference=by), self.text("spread", difference=by)

    # -- of eggs

    def _dates(self, window: tuple[int, int, int]) -> str:
        return show_dates(window[0], window[2], self.scene.zone)

    def _day(self, at_ms: int) -> str:
        return show_dates(at_ms, None, self.scene.zone)

    def count(self, eggs: int) -> str:
        return self.text("egg") if eggs == 1 else self.text("eggs", count=eggs)

    def headline(self, x: ShownEggs) -> str:
        """What is to be known first: when they are expected, or how many have come."""
        if x.state == "done" or (x.state == "no date" and x.pipped):
            told = [("hatched", x.hatched), ("pipped", x.inside), ("lost", x.lost)]
            return ", ".join(self.text(key, count=n) for key, n in told if n) or self.text("no_date")
        if x.state == "pipping":
            return f"{self.text('pipped', count=x.pipped)}, {self.text('still', count=x.waiting)}"
        if x.window is None:
            return self.text("no_date")
        return self.text("was_due" if x.window[2] < self.scene.now_ms else "due", dates=self._dates(x.window))

    def _wait(self, x: ShownEggs) -> str:
        if x.wait_until_ms is None:
            return ""
        over = x.wait_until_ms < self.scene.now_ms
        return self.text("waited" if over else "wait", day=self._day(x.wait_until_ms))

    def details(self, x: ShownEggs) -> tuple[str, ...]:
        """What is to be known besides, in several lengths."""
        far = "" if x.development is None else self.text("developed", share=show_developed(x.development))
        if x.state == "done":
            return ("" if x.closed_ms is None else self.text("done", day=self._day(x.closed_ms)),)
        if x.state == "no date":
            return _lengths([[self.count(x.waiting), far, x.why], [self.count(x.waiting), far], [far]])
        first = "" if x.window is None or x.state != "pipping" else self.text("rest", dates=self._dates(x.window))
        late = self.text("passed") if x.state == "late" else ""
        wait = self._wait(x)
        if x.state == "expected":
            return _lengths([[self.count(x.waiting), far, wait], [self.count(x.waiting), far], [far]])
        return _lengths(
            [[late or first, self.count(x.waiting) if late else "", far, wait], [late or first, wait], [late or first]]
        )

    # -- the table

    def rows(self) -> tuple[RoomRow, ...]:
        """The same facts as words, a row for each box."""
        found = [
            RoomRow(
                box.stack, box.id, f"/box/{quote(box.id, safe='')}", self.height(box), self.now(box),
                self.trend(box)[0], box.limits, tuple(self._cell(x) for x in box.eggs),
            )
            for box in self.scene.boxes
        ]  # fmt: skip
        found += [
            RoomRow("", x.box, "", "", self.text("elsewhere", box=x.box), "", "", (self._cell(x),))
            for x in self.scene.elsewhere
        ]
        return tuple(found)

    def _cell(self, x: ShownEggs) -> EggsCell:
        far = "" if x.development is None else self.text("developed", share=show_developed(x.development, 1))
        rest = self.text("rest", dates=self._dates(x.window)) if x.state == "pipping" and x.window else ""
        seen = ", ".join(f"{self.text('pipped', count=n)} {self._day(at_ms)}" for at_ms, n in x.pips)
        notes = (rest, self.text("passed") if x.state == "late" else "", self._wait(x), seen, x.why)
        count = self.count(x.waiting) if x.waiting else ""
        return EggsCell(x.clutch, count, far, self.headline(x), "; ".join(n for n in notes if n))


def _lengths(told: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """The texts of several lists of words, the empty ones left out."""
    return tuple(dict.fromkeys(", ".join(x for x in words if x) for words in told))


def table_room(scene: RoomScene, say: Say) -> tuple[RoomRow, ...]:
    """The rows of the table under the picture."""
    return SceneWords(scene, say).rows()
