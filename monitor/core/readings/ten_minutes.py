"""Ten minutes as one row: what single readings become when they are old.

A row is of the readings of one probe that lie in the same ten minutes of UTC and have the same flag, test and way of
being timed. It stands at the mean of their times, with their plain mean: so it lies on every straight line that they
lie on, however unevenly they came, and rows times their counts add up to what the readings add up to. With it go their
number, the lowest and the highest with their times, and the arrival of the last. A row of one reading is that reading,
bit for bit; a probe that reports each ten minutes or less often loses nothing.

Times are int64 milliseconds in increasing order, all arrays of equal shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Flags, Times, Values
from monitor.values import dataclass

TEN_MS: Final = 600_000
PLACES: Final = 6
"""Sums are kept to a millionth of the unit, which holds those of decimal values exactly."""


@dataclass(frozen=True)
class TenMinuteSpread:
    """What rows stand for beside their means: how many readings, the lowest and the highest, and how long after the
    row's own time each of those was (ms)."""

    count: Times
    lowest: Values
    highest: Values
    lowest_after_ms: Times
    highest_after_ms: Times

    @staticmethod
    def single(value: Values) -> TenMinuteSpread:
        """Of rows of one reading."""
        zero = np.zeros(len(value), np.int64)
        return TenMinuteSpread(zero + 1, value, value, zero, zero)

    @staticmethod
    def joined(parts: Sequence[TenMinuteSpread]) -> TenMinuteSpread:
        """One after the other."""
        return TenMinuteSpread(
            np.concatenate([p.count for p in parts]),
            np.concatenate([p.lowest for p in parts]),
            np.concatenate([p.highest for p in parts]),
            np.concatenate([p.lowest_after_ms for p in parts]),
            np.concatenate([p.highest_after_ms for p in parts]),
        )

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> TenMinuteSpread:
        """Some of the rows."""
        return TenMinuteSpread(
            self.count[index],
            self.lowest[index],
            self.highest[index],
            self.lowest_after_ms[index],
            self.highest_after_ms[index],
        )

    @property
    def several(self) -> NDArray[np.bool_]:
        """Which rows are means, and no single reading."""
        result: NDArray[np.bool_] = self.count > 1
        return result

    def ends(self, at: Times, value: Values) -> tuple[Times, Values, NDArray[np.intp]]:
        """Rows of times ``at`` and means ``value`` with their lowest and highest between them, at their own times: in
        order of time, of two at one moment one a millisecond later; and of which row each is. What was constant stays
        one point."""
        wide = np.flatnonzero(self.several & (self.lowest < self.highest))
        rows = np.concatenate((wide, wide, np.arange(len(at))))
        times = np.concatenate((at[wide] + self.lowest_after_ms[wide], at[wide] + self.highest_after_ms[wide], at))
        values = np.concatenate((self.lowest[wide], self.highest[wide], value))
        order = np.argsort(times, kind="stable")
        steps = np.arange(len(order))
        return np.maximum.accumulate(times[order] - steps) + steps, values[order], rows[order]


@dataclass(frozen=True)
class TenMinutes:
    """Rows of ten minutes, sorted by ``at``, with where the reading that came last of each stands among those they were
    made of (its flag, test and way of being timed are the row's)."""

    at: Times
    mean: Values
    last: NDArray[np.intp]
    spread: TenMinuteSpread


def ten_minutes(at: Times, value: Values, received: Times, flag: Flags, kind: Times) -> TenMinutes:
    """Readings in rows. ``at`` strictly increasing; ``kind``: readings of other kinds are not put together."""
    slot = at // TEN_MS
    order = np.lexsort((at, kind, flag, slot))
    s, f, k, v, t = slot[order], flag[order], kind[order], value[order], at[order]
    begins = np.flatnonzero(np.concatenate(([True], (s[1:] != s[:-1]) | (f[1:] != f[:-1]) | (k[1:] != k[:-1]))))
    count = np.diff(np.append(begins, len(order)))
    start_ms = s[begins] * TEN_MS
    of_row = np.repeat(np.arange(len(begins)), count)
    since = np.add.reduceat(t - np.repeat(start_ms, count), begins)
    times = start_ms + since // count
    one = count == 1
    sums = np.add.reduceat(v, begins)
    with np.errstate(over="ignore"):
        exact = np.round(sums, PLACES)
    means = np.where(one, v[begins], np.where(np.isfinite(exact), exact, sums) / count)
    lowest, highest = np.minimum.reduceat(v, begins), np.maximum.reduceat(v, begins)
    # Rounding must not take a mean out of what it is the mean of.
    means = np.clip(means, lowest, highest)
    low, high = (order[_first(v, by, of_row, begins)] for by in (lowest, highest))
    came = order[np.lexsort((received[order], of_row))[begins + count - 1]]
    times = _apart(times, one)
    spread = TenMinuteSpread(count, lowest, highest, at[low] - times, at[high] - times)
    rising = np.argsort(times, kind="stable")
    return TenMinutes(times[rising], means[rising], came[rising], spread.take(rising))


def _first(value: Values, wanted: Values, of_row: NDArray[np.intp], begins: NDArray[np.intp]) -> NDArray[np.intp]:
    """Where each row's wanted value stands first."""
    there = np.flatnonzero(value == wanted[of_row])
    return there[np.searchsorted(there, begins)]


def _apart(times: Times, one: NDArray[np.bool_]) -> Times:
    """Times of which none is twice: means give way, by milliseconds, single readings stay."""
    if len(np.unique(times)) == len(times):
        return times
    result, taken = times.copy(), set(times[one].tolist())
    for i in np.flatnonzero(~one).tolist():
        free = int(times[i])
        # Back where the ten minutes end.
        step = 1 if free % TEN_MS < TEN_MS // 2 else -1
        while free in taken:
            free += step
        taken.add(free)
        result[i] = free
    return result
