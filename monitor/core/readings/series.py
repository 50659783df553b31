"""A probe's readings as a series, and as they stand at the moments of a grid, where several can be compared.

Times are int64 milliseconds in increasing order, values of equal shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.maths.robust import median, row_medians
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

Series = tuple[Times, Values]

GRID_MS: Final = 300_000


def day_before(now_ms: int, step_ms: int = GRID_MS) -> Times:
    """The moments of the last day, a step apart, its beginning and, with a step that divides it, now included."""
    return np.arange(now_ms - 24 * HOUR_MS, now_ms + 1, step_ms, dtype=np.int64)


def on_grid(series: Series, grid: Times, *, calmed: bool = False) -> Values:
    """The newest reading at each moment of a grid, held for half an hour at most; NaN without one. ``calmed``: of the
    series :func:`without_spikes`, which is made at these moments alone."""
    return _held(series, grid, HOUR_MS // 2, calmed)


def joined(series: Series, grid: Times, *, calmed: bool = False) -> Values:
    """The newest reading at each moment of a grid, held for two of the probe's intervals, half an hour at least."""
    at, _ = series
    if len(at) < 2:
        return np.full(len(grid), np.nan)
    return _held(series, grid, max(HOUR_MS // 2, 2 * int(median(at[1:] - at[:-1]))), calmed)


def _held(series: Series, grid: Times, reach_ms: int, calmed: bool) -> Values:
    at, value = series
    if not len(at):
        return np.full(len(grid), np.nan)
    newest = at.searchsorted(grid, "right") - 1
    # Before the first reading the index is -1, which is the last one: there is none.
    unknown = (newest < 0) | (grid - at[newest] > reach_ms)
    held = value[newest]
    if calmed:
        # The first and the last reading have only themselves beside them, and stay.
        held = _middle(value[np.maximum(newest - 1, 0)], held, value[np.minimum(newest + 1, len(value) - 1)])
    held[unknown] = np.nan
    return held


def middle_of(series: Sequence[Values], n: int) -> Values:
    """Median of several at each of ``n`` moments, of those that are known; NaN without any."""
    result = np.full(n, np.nan)
    if series:
        table = np.vstack(series)
        known = ~np.isnan(table).all(axis=0)
        result[known] = row_medians(table[:, known].T)
    return result


def without_spikes(series: Series) -> Series:
    """Each reading as the middle one of itself and those beside it: a single one that jumps is no move."""
    at, value = series
    if len(at) < 3:
        return series
    return at, np.concatenate([value[:1], _middle(value[:-2], value[1:-1], value[2:]), value[-1:]])


def _middle(before: Values, own: Values, after: Values) -> Values:
    """The middle one of three, in each place."""
    middle: Values = np.maximum(np.minimum(before, own), np.minimum(np.maximum(before, own), after))
    return middle


def sways(series: Series, since_ms: int) -> float:
    """By how much a probe goes up and down from one reading to the next, in the middle, within three hours."""
    at, value = series
    some = value[(at >= since_ms) & (at < since_ms + 3 * HOUR_MS)]
    return median(np.abs(some[1:] - some[:-1])) if len(some) > 3 else 0.0
