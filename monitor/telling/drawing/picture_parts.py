"""What the pictures of a page share: words that are measured before they stand, marks by class, and an axis of days.

Colours come from the page's classes alone. Words are measured by the widest of the usual sans-serif fonts, so that they
fit by whichever is there; lines are cut where words stand.
"""

from __future__ import annotations

import html
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import field
from datetime import date, datetime, timedelta, tzinfo
from functools import cached_property
from itertools import pairwise
from typing import Final, Literal

from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

Anchor = Literal["start", "middle", "end"]

# Advances of DejaVu Sans, the widest of the fonts that a plain "sans-serif" or "system-ui" is, as parts of the size;
# by groups, each by its widest. The bold ones are wider by the factor below.
_ADVANCES: Final = {
    sign: wide
    for signs, wide in (
        ("iljI.,'| ", 0.34),
        ("ftr()[]-/:;!", 0.46),
        ("cksvxyz", 0.595),
        ("abdeghnopqu0123456789", 0.637),
        ("wNGHUDOQ+±−=<>~#&^ŵ", 0.866),
        ("mMW%@æœŉ", 1.03),
    )
    for sign in signs
}
BOLDER: Final = 1.13
ABOVE, BELOW = 0.8, 0.24
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# An axis as long as this names months alone.
MONTHS_FROM_DAYS: Final = 150


def advance(text: str, size: float, *, bold: bool = False) -> float:
    """The width of a text, rather too much than too little."""
    return size * sum(map(_advance, text)) * (BOLDER if bold else 1.0)


def _advance(sign: str) -> float:
    if sign in _ADVANCES:
        return _ADVANCES[sign]
    if sign.isascii():
        return 0.75
    if unicodedata.combining(sign):
        return 0.0
    if unicodedata.east_asian_width(sign) in "WF":
        return 1.25
    return 0.83 if sign.islower() and ord(sign) < 0x250 else 1.18


def shortened(text: str, size: float, room: float, *, bold: bool = False) -> str:
    """A text that fits, with an ellipsis where something was cut away; empty where not even that fits."""
    if advance(text, size, bold=bold) <= room:
        return text
    end = "…"
    left = room - advance(end, size, bold=bold)
    if left < 0.0:
        return ""
    kept = 0
    while kept < len(text) and advance(text[: kept + 1], size, bold=bold) <= left:
        kept += 1
    return text[:kept].rstrip() + end


def fitting(lengths: Iterable[str], size: float, room: float, *, bold: bool = False) -> str:
    """The first of several lengths of a text that fits; else the last, shortened."""
    last = ""
    for last in lengths:
        if advance(last, size, bold=bold) <= room:
            return last
    return shortened(last, size, room, bold=bold)


def number(value: float) -> str:
    """A coordinate, no longer than it has to be."""
    return f"{value:.1f}".removesuffix(".0") if abs(value) >= 0.05 else "0"


@dataclass(frozen=True)
class WordRun:
    """A part of a line of text in one style. ``style``: the class, "" for that of the line."""

    text: str
    style: str = ""
    bold: bool = False


@dataclass(frozen=True)
class WordArea:
    """What a line of text takes."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: WordArea) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        return across > 0.0 and min(self.bottom, other.bottom) > max(self.top, other.top)


@dataclass()
class PictureSheet:
    """A picture while it is drawn: marks of one class are one path, and know the layers in which they lie.

    ``layers``: the classes of marks from the lowest up; ``usual``: the size of words that is that of the whole.
    """

    layers: Sequence[str]
    usual: float = 11.5
    marks: dict[str, list[str]] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    areas: list[WordArea] = field(default_factory=list)
    uprights: list[tuple[str, float, float, float]] = field(default_factory=list)

    def mark(self, layer: str, data: str) -> None:
        """A mark of a class, as path data."""
        self.marks.setdefault(layer, []).append(data)

    def upright(self, layer: str, x: float, top: float, bottom: float) -> None:
        """A line that goes down, and is cut where words stand."""
        self.uprights.append((layer, x, top, bottom))

    def text(
        self,
        x: float,
        y: float,
        spans: Sequence[WordRun] | str,
        size: float,
        style: str,
        *,
        anchor: Anchor = "start",
        bold: bool = False,
    ) -> str:
        """A line of text whose room is kept free of lines; as markup."""
        parts = [WordRun(spans)] if isinstance(spans, str) else [s for s in spans if s.text]
        if not any(s.text for s in parts):
            return ""
        wide = sum(advance(s.text, size, bold=bold or s.bold) for s in parts)
        x = round(x)
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        self.areas.append(WordArea(left, y - ABOVE * size, left + wide, y + BELOW * size))
        inner = "".join(
            html.escape(s.text) if not s.style else f'<tspan class="{s.style}">{html.escape(s.text)}</tspan>'
            for s in parts
        )
        sized = "" if size == self.usual else f' font-size="{number(size)}"'
        placed = f' text-anchor="{anchor}"' if anchor != "start" else ""
        return f'<text class="{style}"{sized} x="{x:g}" y="{number(y)}"{placed}>{inner}</text>'

    def write(self, *args: object, **more: object) -> None:
        """A line of text upon everything else."""
        self.words.append(self.text(*args, **more))  # type: ignore[arg-type]

    def drawn(self, between: str, after: str) -> str:
        """Everything: the marks up to the layer ``after``, then what stands ``between``, the other marks, the words."""
        for layer, x, top, bottom in self.uprights:
            for a, b in uncut(x, top, bottom, self.areas):
                self.mark(layer, f"M{number(x)} {number(a)}V{number(b)}")
        cut = self.layers.index(after) + 1
        below, above = (self._paths(layers) for layers in (self.layers[:cut], self.layers[cut:]))
        return "\n".join(x for x in (*below, between, *above, *self.words) if x)

    def _paths(self, layers: Iterable[str]) -> list[str]:
        return [f'<path class="{x}" d="{"".join(self.marks[x])}"/>' for x in layers if x in self.marks]


def uncut(
    x: float, top: float, bottom: float, areas: Iterable[WordArea], air: float = 2.0
) -> list[tuple[float, float]]:
    """The pieces of a line that goes down, without those that would run through words."""
    pieces, at = [], top
    for area in sorted((a for a in areas if a.left - air < x < a.right + air), key=lambda a: a.top):
        if area.top - air > at:
            pieces.append((at, min(area.top - air, bottom)))
        at = max(at, area.bottom + air)
        if at >= bottom:
            break
    if at < bottom:
        pieces.append((at, bottom))
    return [(a, b) for a, b in pieces if b - a >= 1.0]


def apart(wanted: Sequence[float], needed: Sequence[float]) -> list[float]:
    """Places as near as can be to those that are wanted, in the same order (rising), each with as much room about it as
    it needs: least squares, by pooling neighbours that are in each other's way (Ayer et al. 1955)."""
    before, total = [], 0.0
    for i, need in enumerate(needed):
        total += (needed[i - 1] + need) / 2 if i else 0.0
        before.append(total)
    pools: list[tuple[float, int]] = []
    for place, off in zip(wanted, before, strict=True):
        mean, count = place - off, 1
        while pools and pools[-1][0] > mean:
            other, many = pools.pop()
            mean, count = (other * many + mean * count) / (many + count), many + count
        pools.append((mean, count))
    free = [mean for mean, count in pools for _ in range(count)]
    return [mean + off for mean, off in zip(free, before, strict=True)]


# -- days -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DayAxis:
    """Days from left to right, with as many of them named as have room. ``label``: what a name of a day takes;
    ``month_words``: what the twelve months are called."""

    from_ms: int
    to_ms: int
    left: float
    right: float
    zone: tzinfo
    label: float = 26.0
    month_words: Sequence[str] = MONTHS

    def x(self, at_ms: float) -> float:
        share = (at_ms - self.from_ms) / max(self.to_ms - self.from_ms, 1)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    @cached_property
    def step_days(self) -> int:
        """From one named day to the next: a day, whole weeks; 0 for months."""
        per_day = (self.right - self.left) / max((self.to_ms - self.from_ms) / DAY_MS, 0.1)
        weeks = (1, 7, 14) if self.to_ms - self.from_ms < MONTHS_FROM_DAYS * DAY_MS else ()
        return next((d for d in weeks if d * per_day >= self.label), 0)

    def _ms(self, day: date) -> int:
        return round(datetime(day.year, day.month, day.day, tzinfo=self.zone).timestamp() * 1000)

    def _day(self, at_ms: int) -> date:
        return datetime.fromtimestamp(at_ms / 1000, self.zone).date()

    @cached_property
    def months(self) -> list[tuple[int, str]]:
        """The beginnings of months from the one in which it begins, with their names."""
        day, found = self._day(self.from_ms).replace(day=1), []
        while self._ms(day) < self.to_ms:
            name = self.month_words[day.month - 1]
            found.append((self._ms(day), f"{name} {day.year}" if day.month == 1 else name))
            day = (day + timedelta(days=32)).replace(day=1)
        return found

    @cached_property
    def steps(self) -> list[int]:
        """The named days, or the months, from before its beginning to after its end; weeks begin on Monday."""
        if not self.step_days:
            return [ms for ms, _ in self.months]
        first = self._day(self.from_ms)
        # Counted from a Monday, so that the same days are named whatever the axis begins with.
        first -= timedelta(days=(first.toordinal() - 1) % self.step_days)
        found = []
        while self._ms(first) <= self.to_ms:
            found.append(self._ms(first))
            first += timedelta(days=self.step_days)
        return found

    def named(self) -> list[tuple[float, str]]:
        """Where the days are named, and how; nothing where it shows months alone."""
        if not self.step_days:
            return []
        return [(self.x(ms), f"{self._day(ms).day}") for ms in self.steps if self.from_ms <= ms <= self.to_ms]

    def month_names(self, size: float) -> list[tuple[float, str]]:
        """Where months are named, and how: each at its beginning, those left out that would meet the next."""
        found: list[tuple[float, str]] = []
        for ms, name in reversed(self.months):
            at = self.x(ms)
            end = found[-1][0] - 6.0 if found else self.right
            for text in (name, name[:3]):
                if at + advance(text, size) <= end:
                    found.append((at, text))
                    break
        return found[::-1]

    def stripes(self) -> list[tuple[float, float]]:
        """Every second span between two named days, from left to right."""
        places = [*self.steps, self.to_ms]
        odd = (self._day(self.steps[0]).toordinal() // max(self.step_days, 1)) % 2 if self.steps else 0
        return [
            (self.x(a), self.x(b))
            for i, (a, b) in enumerate(pairwise(places))
            if (i + odd) % 2 and self.x(b) > self.x(a)
        ]
