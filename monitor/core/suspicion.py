"""What only shows when a probe is seen over a day, beside the others: it sticks, it lies elsewhere, it speaks another
unit.

Each function looks at one fault, from the readings as they came, and says what it found or None. They are slow to
suspect: a fault that is missed costs a look at the box, one that is made up costs the keeper's trust. Times are int64
milliseconds in increasing order, values of equal shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.quality import flat_line, spike

Times = NDArray[np.int64]
Values = NDArray[np.float64]
Series = tuple[Times, Values]

HOUR_MS: Final = 3_600_000
STUCK_S: Final = 6 * 3600.0
"""A code that stays for so long while the others moved. In rooms nothing shorter will do: a quiet one was seen to give
the same code for more than two hours (UCI occupancy detection, Candanedo and Feldheim 2016: 134 min, none in 240)."""
STUCK_LSB: Final = 3.0
CODE_UNKNOWN: Final = 0.5
"""Step of a probe's code where it never changed: the coarsest that thermometers on sale have (from memory)."""
UNIT_WITHIN_C: Final = 2.0
UNIT_PEERS_C: Final = 4.0
UNIT_APART_C: Final = 15.0
JUMP_C: Final = 1.0
JUMPS: Final = 5
GRID_MS: Final = 300_000
# What a box of damp substrate does not make within a quarter of an hour, and how far it has to have been from the air.
# Air itself was seen to do the one and the other by 0.93 C when a heater stopped (IEA Annex 58 twin houses, 187 cm).
SUDDEN_C: Final = 0.8
SUDDEN_STEPS: Final = 3
AWAY_C: Final = 1.2
SWAP_C: Final = 0.5
OPENING_C: Final = 1.0
NEAR_C: Final = 0.3
# Air that moves by so much within a quarter of an hour: a door or a window. A box whose lid is open follows by 40 %,
# with a time constant of half an hour; what follows by more is in the air. Both are judgement.
GUST_C: Final = 1.5
WITH_AIR: Final = 0.7
NOT_WITH_AIR: Final = 0.3
SWAP_WITHIN_C: Final = 0.3
CLOCK_S: Final = 600.0
CLOCK_SWAYS_S: Final = 120.0
CLOCK_MESSAGES: Final = 10


@dataclass(frozen=True, slots=True)
class Stuck:
    """The same code since ``since_ms``, while the others moved by up to ``others_moved``."""

    since_ms: int
    value: float
    others_moved: float


@dataclass(frozen=True, slots=True)
class OtherUnit:
    """What came and what it would be if the probe's unit were the other one."""

    since_ms: int
    told: float
    would_be_c: float
    speaks: str


@dataclass(frozen=True, slots=True)
class WithAir:
    """When the air moved last, by how much within a quarter of an hour, and by how much the probe did."""

    at_ms: int
    air_c: float
    moved_c: float


@dataclass(frozen=True, slots=True)
class LeftBox:
    """When it left, how far it was from the air of the stack in the hour before, and how near since."""

    at_ms: int
    before_c: float
    since_c: float


@dataclass(frozen=True, slots=True)
class Opening:
    """When the air moved suddenly, by how much at most, and whether it is half way back or more."""

    at_ms: int
    moved_c: float
    back: bool


def stuck(own: Series, others: Sequence[Series], now_ms: int) -> Stuck | None:
    """The newest code, bit for bit the same for six hours or more, while at least half of the others (two thirds of
    three) moved by three steps of its code or more in the same time."""
    at, value = own
    if len(at) < 4 or not others:
        return None
    if flat_line(at / 1000.0, value, STUCK_S, 4 * STUCK_S, 1e-9)[-1] < 3:
        return None
    changes = np.flatnonzero(value != value[-1])
    since = int(at[changes[-1] + 1]) if len(changes) else int(at[0])
    if now_ms - since < STUCK_S * 1000 or now_ms - int(at[-1]) > HOUR_MS:
        return None
    steps = np.abs(np.diff(value))
    lsb = float(steps[steps > 1e-9].min(initial=CODE_UNKNOWN))
    moved = []
    for other_at, other in others:
        inside = other[(other_at >= since) & (other_at <= now_ms)]
        if len(inside) >= 4:
            low, high = np.quantile(inside, [0.02, 0.98])
            moved.append(float(high - low))
    if not moved or float(np.median(moved)) < STUCK_LSB * lsb:
        return None
    return Stuck(since, float(value[-1]), max(moved))


def other_unit(own: Series, others: Sequence[Series], unit: str) -> OtherUnit | None:
    """The newest three readings are what the probe's own former level, or else that of the others, is in the other
    unit.

    All readings count here, also those that are flagged as impossible: 28 C told in Fahrenheit is 82.4. ``unit`` is the
    promised one; readings are in Celsius, converted as if it were true.
    """
    at, value = own
    if len(at) < 3 or unit not in ("C", "F"):
        return None
    here = float(np.median(value[-3:]))
    if float(np.ptp(value[-3:])) > UNIT_WITHIN_C:
        return None
    # As it was before the newest run of readings near the present level.
    elsewhere = np.flatnonzero(np.abs(value - here) > UNIT_APART_C / 2)
    former = value[elsewhere[elsewhere >= len(value) // 8]] if len(elsewhere) else np.empty(0)
    levels = [(float(np.median(former)), UNIT_WITHIN_C)] if len(former) >= 3 else []
    # Boxes of one stack are not equally warm.
    levels += [(float(np.median(v[-5:])), UNIT_PEERS_C) for _, v in others if len(v) >= 3]
    for level, within in levels:
        would_be = (here - 32.0) / 1.8 if unit == "C" else 1.8 * here + 32.0
        if abs(here - level) >= UNIT_APART_C and abs(would_be - level) <= within * (1.0 if unit == "C" else 1.8):
            since = int(at[elsewhere[-1] + 1]) if len(elsewhere) else int(at[0])
            told = here if unit == "C" else would_be
            return OtherUnit(since, told, level, "Fahrenheit" if unit == "C" else "Celsius")
    return None


def jumps(own: Series) -> int:
    """How often within its readings a box's probe jumped away by more than a degree for one reading and came back."""
    _, value = own
    if len(value) < 3:
        return 0
    suspect = spike(value, JUMP_C, 1e9)[1:-1] == 3
    # Beside a jump lie two readings that are no jumps: theirs is the way between what lies on their two sides.
    came_back = np.abs(value[2:] - value[:-2]) <= 0.5 * np.abs(value[1:-1] - value[:-2])
    return int((suspect & came_back).sum())


def left_box(box: Series, air: Series, now_ms: int) -> LeftBox | None:
    """A box's probe that went, faster than a box can, to the air's temperature, and has stayed with it since.

    Seen only where box and air were well apart before; where they are equally warm nothing shows, until one moves.
    """
    grid = np.arange(now_ms - 24 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64)
    p, a = _on_grid(box, grid), _on_grid(air, grid)
    away = p - a
    recent = away[-6:]
    if np.isnan(recent).all() or float(np.nanmedian(np.abs(recent))) > NEAR_C:
        return None
    moved = np.abs(p[SUDDEN_STEPS:] - p[:-SUDDEN_STEPS])
    air_moved = np.abs(a[SUDDEN_STEPS:] - a[:-SUDDEN_STEPS])
    for k in np.flatnonzero((moved >= SUDDEN_C) & (air_moved <= 0.5 * moved))[::-1].tolist():
        before, since = away[max(k - 12, 0) : k], away[k + 2 * SUDDEN_STEPS :]
        if np.isnan(before).all() or len(since) < 6 or np.isnan(since).all():
            continue
        was, has_been = float(np.nanmedian(before)), float(np.nanquantile(np.abs(since), 0.9))
        if abs(was) >= AWAY_C and has_been <= 2 * NEAR_C:
            return LeftBox(int(grid[k]), abs(was), float(np.nanmedian(np.abs(since))))
    return None


def opening(air: Series, now_ms: int) -> Opening | None:
    """The newest time within three hours at which the air fell or rose by a degree or more within a quarter of an hour,
    against its hour before: a door or a window, or a heater that was switched. No fault of a probe."""
    grid = np.arange(now_ms - 4 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64)
    a = _on_grid(air, grid)
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
    """A box's probe that followed the air's newest sudden move, while at least half of the other boxes did not.

    Shows a probe that lies beside its box where box and air are equally warm, as soon as a door is opened. Where all
    boxes follow, that is how they are made, and says nothing.
    """
    grid = np.arange(now_ms - 24 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64)
    a, p = _on_grid(air, grid), _on_grid(own, grid)
    air_moved = a[SUDDEN_STEPS:] - a[:-SUDDEN_STEPS]
    gusts = np.flatnonzero(np.abs(air_moved) >= GUST_C)
    if not len(gusts):
        return None
    # The steepest quarter hour of the newest gust.
    newest = gusts[gusts >= gusts[-1] - 2 * SUDDEN_STEPS]
    k = int(newest[np.argmax(np.abs(air_moved[newest]))])
    moved = float(p[k + SUDDEN_STEPS] - p[k])
    kept = [float(o[k + SUDDEN_STEPS] - o[k]) / air_moved[k] for o in (_on_grid(s, grid) for s in others)]
    kept = [share for share in kept if not np.isnan(share)]
    if np.isnan(moved) or not kept or moved / air_moved[k] < WITH_AIR or float(np.median(kept)) > NOT_WITH_AIR:
        return None
    return WithAir(int(grid[k]), float(air_moved[k]), moved)


def swapped(one: Series, other: Series, now_ms: int) -> int | None:
    """When two probes exchanged their temperatures, within a quarter of an hour, and kept to it; None if they did
    not."""
    grid = np.arange(now_ms - 24 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64)
    a, b = _on_grid(one, grid), _on_grid(other, grid)
    d = a - b
    turn = np.flatnonzero(d[:-SUDDEN_STEPS] * d[SUDDEN_STEPS:] < -(SWAP_C**2) / 4)
    for k in turn[::-1].tolist():
        before, after = slice(max(k - 12, 0), k + 1), slice(k + SUDDEN_STEPS + 1, k + SUDDEN_STEPS + 13)
        if np.isnan(a[before]).all() or np.isnan(b[before]).all() or np.isnan(a[after]).sum() > 6 or len(a[after]) < 6:
            continue
        a0, b0, a1, b1 = (float(np.nanmedian(x)) for x in (a[before], b[before], a[after], b[after]))
        if abs(a0 - b0) >= SWAP_C and abs(a1 - b0) <= SWAP_WITHIN_C and abs(b1 - a0) <= SWAP_WITHIN_C:
            return int(grid[k])
    return None


def late_by_s(time_ms: Times, received_ms: Times) -> float | None:
    """How much a probe's own clock is behind: its newest messages all come by the same time late, more than ten
    minutes.

    A message that waited, or a logger that gathers, comes late by times that differ: only the newest reading of each
    moment of arrival counts, and ten such in a row have to agree within two minutes.
    """
    arrived, first = np.unique(received_ms[::-1], return_index=True)
    if len(arrived) < CLOCK_MESSAGES:
        return None
    newest = time_ms[::-1][first][-CLOCK_MESSAGES:]
    late = (arrived[-CLOCK_MESSAGES:] - newest) / 1000.0
    if float(late.min()) < CLOCK_S or float(np.ptp(late)) > CLOCK_SWAYS_S:
        return None
    return float(np.median(late))


def _on_grid(series: Series, grid: Times) -> Values:
    """The newest reading at each moment of a grid, held for half an hour at most; NaN without one."""
    at, value = series
    if not len(at):
        return np.full(len(grid), np.nan)
    newest = np.searchsorted(at, grid, "right") - 1
    fresh = (newest >= 0) & (grid - at[np.maximum(newest, 0)] <= HOUR_MS // 2)
    return np.where(fresh, value[np.maximum(newest, 0)], np.nan)
