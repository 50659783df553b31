"""What drawings over time share: a frame with round moments on its axis, and readings gathered to as many as fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.telling.drawing.svg import INK, LEFT, PALE, WIDTH, stroke, words_at
from monitor.values import dataclass

RIGHT: Final = 20
_HOURS: Final = (1, 2, 3, 6, 12)
_DAYS: Final = (1, 2, 7, 14, 28, 56, 182, 364)


def time_ticks(from_ms: int, to_ms: int, zone: tzinfo, most: int) -> list[tuple[int, str]]:
    """Round moments in a zone from one to another, at most so many, with what is written below them."""
    span = max(to_ms - from_ms, 1)
    for hours in _HOURS:
        if span / (hours * HOUR_MS) <= most:
            return [x for x in _hourly(from_ms, to_ms, zone, hours) if from_ms <= x[0] <= to_ms]
    days = next((d for d in _DAYS if span / (d * DAY_MS) <= most), round(span / DAY_MS / most) + 1)
    return [x for x in _daily(from_ms, to_ms, zone, days) if from_ms <= x[0] <= to_ms]


def _hourly(from_ms: int, to_ms: int, zone: tzinfo, hours: int) -> Iterator[tuple[int, str]]:
    day = datetime.fromtimestamp(from_ms / 1000, zone).date()
    while True:
        for hour in range(0, 24, hours):
            at = datetime(day.year, day.month, day.day, hour, tzinfo=zone)
            ms = round(at.timestamp() * 1000)
            if ms > to_ms:
                return
            yield ms, f"{at.day} {at:%b}" if hour == 0 else f"{at:%H:%M}"
        day += timedelta(days=1)


def _daily(from_ms: int, to_ms: int, zone: tzinfo, days: int) -> Iterator[tuple[int, str]]:
    day = datetime.fromtimestamp(from_ms / 1000, zone).date()
    while True:
        at = datetime(day.year, day.month, day.day, tzinfo=zone)
        ms = round(at.timestamp() * 1000)
        if ms > to_ms:
            return
        yield ms, f"{at.day} {at:%b}"
        day += timedelta(days=days)


@dataclass(frozen=True)
class TimeFrame:
    """The place of a plot over time: pixels by moment and by value."""

    from_ms: int
    to_ms: int
    low: float
    high: float
    top: float
    tall: float

    @property
    def right(self) -> float:
        return WIDTH - RIGHT

    @property
    def bottom(self) -> float:
        return self.top + self.tall

    def x(self, at_ms: float) -> float:
        share = (at_ms - self.from_ms) / max(self.to_ms - self.from_ms, 1)
        return LEFT + min(max(share, 0.0), 1.0) * (self.right - LEFT)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - min(max(share, 0.0), 1.0) * self.tall

    def drawn(self, zone: tzinfo, ups: Sequence[tuple[float, str]], *, below: bool = True) -> list[str]:
        """Its lines and the words at them. ``ups``: places on the axis that goes up."""
        parts = []
        for at_ms, text in time_ticks(self.from_ms, self.to_ms, zone, 10):
            parts.append(stroke(self.x(at_ms), self.top, self.x(at_ms), self.bottom, PALE))
            if below:
                parts.append(words_at(self.x(at_ms), self.bottom + 18, text, size=12, anchor="middle"))
        for value, text in ups:
            parts.append(stroke(LEFT - 5, self.y(value), LEFT, self.y(value), INK))
            parts.append(words_at(LEFT - 9, self.y(value) + 4, text, size=12, anchor="end"))
        parts.append(stroke(LEFT, self.top, LEFT, self.bottom, INK))
        parts.append(stroke(LEFT, self.bottom, self.right, self.bottom, INK))
        return parts


@dataclass(frozen=True)
class Gathered:
    """Readings by equal spans of time, those that have any: middle of each (ms), mean, least and most, and its
    place among all spans."""

    place: Times
    at_ms: Times
    mean: Values
    low: Values
    high: Values


def gathered(time_ms: Times, values: Values, from_ms: int, to_ms: int, most: int) -> Gathered:
    """Readings gathered to ``most`` spans between two moments."""
    inside = (time_ms >= from_ms) & (time_ms < to_ms)
    t, v = time_ms[inside], values[inside]
    span = max(to_ms - from_ms, 1)
    place = ((t - from_ms) * most // span).astype(np.int64)
    if not len(place):
        none = np.empty(0, np.float64)
        return Gathered(place, place, none, none, none)
    first = np.flatnonzero(np.concatenate(([True], np.diff(place) > 0)))
    places = place[first]
    counts = np.diff(np.append(first, len(t)))
    mean = np.add.reduceat(v, first) / counts
    at_ms = from_ms + ((places + 0.5) * span / most).astype(np.int64)
    return Gathered(places, at_ms, mean, np.minimum.reduceat(v, first), np.maximum.reduceat(v, first))


def unbroken(at_ms: Times, gaps: Sequence[tuple[int, int]]) -> list[slice]:
    """The runs of moments between which no gap lies."""
    if not len(at_ms):
        return []
    cuts = sorted({int(np.searchsorted(at_ms, (a + b) // 2)) for a, b in gaps} | {0, len(at_ms)})
    return [slice(a, b) for a, b in pairwise(cuts) if b > a]


def day_and_time(at_ms: int, zone: tzinfo) -> str:
    """ "1 Jun 14:30", for lists beside a drawing that shows the year."""
    at = datetime.fromtimestamp(at_ms / 1000, zone)
    return f"{at.day} {at:%b %H:%M}"


def year_of(at_ms: int, zone: tzinfo = UTC) -> int:
    """The year of a moment, in a zone."""
    return datetime.fromtimestamp(at_ms / 1000, zone).year
