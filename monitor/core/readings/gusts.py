"""Sudden moves of a stack's air, when a door or a window is opened, and which probes of boxes go along with them.

Times are int64 milliseconds in increasing order, values of equal shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.readings.out_of_box import NEAR_C, NOT_WITH_AIR, SUDDEN_STEPS, WITH_AIR, always_followed
from monitor.core.readings.series import GRID_MS, Series, day_before, on_grid
from monitor.core.terms.arrays import Values
from monitor.core.terms.times import HOUR_MS
from monitor.values import dataclass

# Air that moves by so much within a quarter of an hour: a door or a window; and what is one at all. Judgement.
GUST_C: Final = 1.5
OPENING_C: Final = 1.0


@dataclass(frozen=True, slots=True)
class WithAir:
    """When the air moved last, by how much within a quarter of an hour, and by how much the probe did."""

    at_ms: int
    air_c: float
    moved_c: float


@dataclass(frozen=True, slots=True)
class Opening:
    """When the air moved suddenly, by how much at most, and whether it is half way back or more."""

    at_ms: int
    moved_c: float
    back: bool


def opening(air: Series, now_ms: int) -> Opening | None:
    """The newest time within three hours at which the air fell or rose by a degree or more within a quarter of an hour,
    against its hour before: a door or a window, or a heater that was switched. No fault of a probe."""
    grid = np.arange(now_ms - 4 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64)
    a = on_grid(air, grid)
    steps = a[SUDDEN_STEPS:] - a[:-SUDDEN_STEPS]
    sudden = np.flatnonzero(np.abs(steps) >= OPENING_C)
    sudden = sudden[sudden >= 12]
    if not len(sudden):
        return None
    # Where the newest run of such steps began.
    first = int(sudden[np.flatnonzero(np.diff(sudden, prepend=sudden[0] - 10) > SUDDEN_STEPS)[-1]])
    before = float(np.nanmedian(a[first - 12 : first + 1])) if not np.isnan(a[first - 12 : first + 1]).all() else np.nan
    away = a[first:] - before
    if np.isnan(before) or np.isnan(away).all():
        return None
    most = float(away[int(np.nanargmax(np.abs(away)))])
    back = abs(float(away[~np.isnan(away)][-1])) <= 0.5 * abs(most)
    return Opening(int(grid[first]), most, back)


def goes_with_air(own: Series, air: Series, others: Sequence[Series], now_ms: int) -> WithAir | None:
    """A box's probe that followed the air's newest sudden move, while at least half of the other boxes did not; and
    nor did it itself at one before, in its last day.

    Shows a probe that lies beside its box where box and air are equally warm, as soon as a door is opened. Where all
    boxes follow, that is how they are made, and says nothing.
    """
    grid = day_before(now_ms)
    a = on_grid(air, grid)
    steepest = _gusts(a)
    if not steepest:
        return None
    p = on_grid(own, grid)
    shares = [float((p[k + SUDDEN_STEPS] - p[k]) / (a[k + SUDDEN_STEPS] - a[k])) for k in steepest]
    k, share = steepest[-1], shares[-1]
    moved = float(a[k + SUDDEN_STEPS] - a[k])
    kept = [float(o[k + SUDDEN_STEPS] - o[k]) / moved for o in (on_grid(s, grid) for s in others)]
    kept = [x for x in kept if not np.isnan(x)]
    if np.isnan(share) or not kept or share < WITH_AIR or float(np.median(kept)) > NOT_WITH_AIR:
        return None
    # Of one that is heard seldom a share is rough: that it kept to its box before has to be plain. Where no door was
    # opened before, what a heater makes of the air tells it.
    if any(x > NOT_WITH_AIR for x in shares[:-1]) or always_followed(own, air, int(grid[k])):
        return None
    return WithAir(int(grid[k]), moved, share * moved)


def always_goes_with_air(own: Series, air: Series, others: Sequence[Series], now_ms: int) -> int:
    """At how many sudden moves of the air in its last day a probe followed at once, two at least, where it did at each
    and the other boxes did at none; else 0."""
    grid = day_before(now_ms)
    a = on_grid(air, grid)
    steepest = _gusts(a)
    if len(steepest) < 2:
        return 0
    p = on_grid(own, grid)
    moved = [float(a[k + SUDDEN_STEPS] - a[k]) for k in steepest]
    shares = [float(p[k + SUDDEN_STEPS] - p[k]) / m for k, m in zip(steepest, moved, strict=True)]
    table = [on_grid(s, grid) for s in others]
    kept = [float(o[k + SUDDEN_STEPS] - o[k]) / m for k, m in zip(steepest, moved, strict=True) for o in table]
    kept = [x for x in kept if not np.isnan(x)]
    followed = [x >= WITH_AIR for x in shares if not np.isnan(x)]
    alone = bool(kept) and float(np.median(kept)) <= NOT_WITH_AIR
    return len(followed) if len(followed) >= 2 and all(followed) and alone else 0


def _gusts(air: Values) -> list[int]:
    """Where on the grid each sudden move of the air is steepest: a quarter of an hour at its beginning, since an open
    box that follows late catches up later."""
    moved = air[SUDDEN_STEPS:] - air[:-SUDDEN_STEPS]
    gusts = np.flatnonzero(np.abs(moved) >= GUST_C)
    if not len(gusts):
        return []
    starts = gusts[np.flatnonzero(np.diff(gusts, prepend=-10) > SUDDEN_STEPS)]
    runs = [gusts[(gusts >= k) & (gusts <= k + SUDDEN_STEPS)] for k in starts.tolist()]
    return [int(run[np.argmax(np.abs(moved[run]))]) for run in runs]


def still_with_air(own: Series, air: Series, since_ms: int, now_ms: int) -> bool:
    """Whether a probe is still moved from where it was before a gust by WITH_AIR or more of what the air is."""
    grid = np.array([since_ms, now_ms], np.int64)
    (p0, p1), (a0, a1) = on_grid(own, grid), on_grid(air, grid)
    return bool(abs(a1 - a0) >= NEAR_C and (p1 - p0) / (a1 - a0) >= WITH_AIR)
