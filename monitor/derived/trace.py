"""A probe's readings as the judgements use them: in order of time, without the names of tests, shared and not copied.

What is kept in memory only grows at its end (:class:`GrowingTrace`). So whoever was given a part of it, such as the
snapshot of a round that a page still shows, has a view of the same arrays, and a day of readings is in memory once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.store import Columns
from monitor.adapters.store.columns import first_of_each
from monitor.core.readings.ten_minutes import TenMinuteSpread
from monitor.core.readings.thinning import kept
from monitor.core.terms.arrays import Flags, Times, Values
from monitor.values import dataclass

# Room for so many readings more, at least, is made at once.
ROOM: Final = 256


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one probe, ``at`` strictly increasing where nothing else is said; arrays of shape (n,) as in
    :class:`Columns`, ``spread`` too. None of them is ever written to."""

    at: Times
    value: Values
    received: Times
    flag: Flags
    timed: NDArray[np.bool_]
    spread: TenMinuteSpread | None = None

    @staticmethod
    def empty() -> Trace:
        return Trace.of(Columns.empty())

    @classmethod
    def of(cls, columns: Columns) -> Self:
        return cls(columns.at, columns.value, columns.received, columns.flag, columns.timed, columns.spread)

    @staticmethod
    def joined(parts: Sequence[Trace]) -> Trace:
        parts = [p for p in parts if len(p)]
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return Trace.empty()
        return Trace(
            np.concatenate([p.at for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.received for p in parts]),
            np.concatenate([p.flag for p in parts]),
            np.concatenate([p.timed for p in parts]),
            None
            if all(p.spread is None for p in parts)
            else TenMinuteSpread.joined([p.spread or TenMinuteSpread.single(p.value) for p in parts]),
        )

    def __len__(self) -> int:
        return len(self.at)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Flags 1 and 2: may add development."""
        result: NDArray[np.bool_] = self.flag <= 2
        return result

    @property
    def last_usable(self) -> int | None:
        """Which of them is the newest that is usable; None: none is."""
        if len(self) and self.flag[-1] <= 2:
            return len(self) - 1
        good = np.flatnonzero(self.usable)
        return int(good[-1]) if len(good) else None

    def part(self, start: int, stop: int) -> Trace:
        """Number ``start`` to ``stop`` (exclusive), as views."""
        s = slice(start, stop)
        spread = None if self.spread is None else self.spread.take(s)
        return Trace(self.at[s], self.value[s], self.received[s], self.flag[s], self.timed[s], spread)

    def between(self, from_ms: int, to_ms: int) -> Trace:
        """Those with ``from_ms <= at < to_ms``, as views."""
        start, stop = self.at.searchsorted((from_ms, to_ms)).tolist()
        return self if stop - start == len(self) else self.part(start, max(start, stop))

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_]) -> Trace:
        spread = None if self.spread is None else self.spread.take(index)
        return Trace(
            self.at[index], self.value[index], self.received[index], self.flag[index], self.timed[index], spread
        )

    def sorted_first_wins(self) -> Trace:
        """In order of time; of two readings with one time the earlier in the input stays."""
        order = first_of_each(self.at)
        return self if order is None else self.take(order)

    def with_ends(self) -> Trace:
        """Means of ten minutes with their lowest and highest between them, at the times of those."""
        if self.spread is None:
            return self
        at, value, rows = self.spread.ends(self.at, self.value)
        return replace(self.take(rows), at=at, value=value, spread=None)

    def thinned(self) -> Trace:
        """What stays of a probe that reports many times a second (:mod:`monitor.core.readings.thinning`)."""
        index = kept(self.at, self.value, self.usable)
        return self if index is None else self.take(index)


class GrowingTrace:
    """A trace that grows at its end. ``trace`` is all of it now, and stays what it is however it grows.

    Of readings without a time of their own, which have that of their arrival, the two times are one array.
    """

    def __init__(self, trace: Trace) -> None:
        self._n = n = len(trace)
        room = n + max(ROOM, n // 16)
        at = np.empty(room, np.int64)
        self._one_time = np.array_equal(trace.at, trace.received)
        received = at if self._one_time else np.empty(room, np.int64)
        self._all = Trace(at, np.empty(room, np.float64), received, np.empty(room, np.uint8), np.empty(room, np.bool_))
        self._write(0, trace)

    @property
    def trace(self) -> Trace:
        return self._all.part(0, self._n)

    def with_more(self, more: Trace) -> GrowingTrace:
        """With later ones; this one itself, as long as there is room."""
        stop = self._n + len(more)
        if stop > len(self._all) or (self._one_time and not np.array_equal(more.at, more.received)):
            return GrowingTrace(Trace.joined([self.trace, more]))
        self._write(self._n, more)
        self._n = stop
        return self

    def _write(self, start: int, more: Trace) -> None:
        s = slice(start, start + len(more))
        a = self._all
        a.at[s], a.value[s], a.received[s], a.flag[s], a.timed[s] = (
            more.at, more.value, more.received, more.flag, more.timed,
        )  # fmt: skip
