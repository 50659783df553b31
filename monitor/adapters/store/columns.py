"""Readings of one probe as columns: what is stored, read and handed on together."""

from __future__ import annotations

from itertools import chain

import numpy as np
from numpy.typing import NDArray

from monitor.core.readings.ten_minutes import TEN_MS, TenMinuteSpread
from monitor.core.readings.thinning import kept
from monitor.core.terms.arrays import Flags, Times, Values
from monitor.values import dataclass


@dataclass(frozen=True)
class Columns:
    """Readings of one probe, sorted by ``at``; all arrays have length n.

    ``at`` and ``received`` are int64 ms, ``value`` float64, ``flag`` uint8, ``timed`` bool, ``test`` a list of
    names (empty where no test objected). ``spread``: of days whose readings became rows of ten minutes, what each row
    stands for; ``value`` is then a mean. None: all are single readings.
    """

    at: Times
    value: Values
    received: Times
    flag: Flags
    timed: NDArray[np.bool_]
    test: tuple[str, ...]
    spread: TenMinuteSpread | None = None

    def __len__(self) -> int:
        return len(self.at)

    @staticmethod
    def empty() -> Columns:
        return Columns(
            np.empty(0, np.int64),
            np.empty(0, np.float64),
            np.empty(0, np.int64),
            np.empty(0, np.uint8),
            np.empty(0, np.bool_),
            (),
        )

    @staticmethod
    def joined(parts: list[Columns]) -> Columns:
        parts = [p for p in parts if len(p)]
        if not parts:
            return Columns.empty()
        if len(parts) == 1:
            return parts[0]
        return Columns(
            np.concatenate([p.at for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.received for p in parts]),
            np.concatenate([p.flag for p in parts]),
            np.concatenate([p.timed for p in parts]),
            tuple(chain.from_iterable(p.test for p in parts)),
            None
            if all(p.spread is None for p in parts)
            else TenMinuteSpread.joined([p.spread or TenMinuteSpread.single(p.value) for p in parts]),
        )

    def sorted_first_wins(self) -> Columns:
        """In order of time; of two readings with one time the earlier in the input stays."""
        order = first_of_each(self.at)
        return self if order is None else self.take(order)

    def take(self, index: NDArray[np.intp]) -> Columns:
        return Columns(
            self.at[index],
            self.value[index],
            self.received[index],
            self.flag[index],
            self.timed[index],
            tuple(self.test[i] for i in index) if any(self.test) else ("",) * len(index),
            None if self.spread is None else self.spread.take(index),
        )

    def thinned(self) -> Columns:
        """What stays of a probe that reports many times a second (:mod:`monitor.core.readings.thinning`)."""
        index = kept(self.at, self.value, self.usable)
        return self if index is None else self.take(index)

    def part(self, start: int, end: int) -> Columns:
        """Readings number ``start`` to ``end`` (exclusive), without copying the arrays."""
        return Columns(
            self.at[start:end],
            self.value[start:end],
            self.received[start:end],
            self.flag[start:end],
            self.timed[start:end],
            self.test[start:end],
            None if self.spread is None else self.spread.take(slice(start, end)),
        )

    def copied(self) -> Columns:
        """The same in arrays of its own."""
        c = self
        spread = None if c.spread is None else c.spread.take(np.arange(len(c)))
        return Columns(c.at.copy(), c.value.copy(), c.received.copy(), c.flag.copy(), c.timed.copy(), c.test, spread)

    @property
    def count(self) -> Times:
        """How many readings each row stands for."""
        return np.ones(len(self), np.int64) if self.spread is None else self.spread.count

    @property
    def readings(self) -> int:
        """How many readings all rows stand for."""
        return int(self.count.sum())

    @property
    def good(self) -> tuple[int, float | None]:
        """How many usable readings there are, and their sum; None of none."""
        some = self.usable
        count = self.count[some]
        return int(count.sum()), float((self.value[some] * count).sum()) if len(count) else None

    def known(self, at: Times) -> NDArray[np.bool_]:
        """Which of some moments have a reading, or lie in ten minutes of which there is a mean."""
        found: NDArray[np.bool_] = np.isin(at, self.at)
        if self.spread is not None:
            found |= np.isin(at // TEN_MS, self.at[self.spread.several] // TEN_MS)
        return found

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Flags 1 and 2: may add development."""
        result: NDArray[np.bool_] = self.flag <= 2
        return result


def first_of_each(at: Times) -> NDArray[np.intp] | None:
    """Where the moments stand in order of time, of equal ones the first alone; None: as they are."""
    if bool(np.all(at[1:] > at[:-1])):
        return None
    order = np.argsort(at, kind="stable")
    ordered = at[order]
    keep = np.ones(len(ordered), bool)
    keep[1:] = ordered[1:] != ordered[:-1]
    return order[keep]
