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

from monitor.core.readings.quality import STEP_C, flat_line, spike
from monitor.core.readings.thinning import spaced
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

Series = tuple[Times, Values]

STUCK_S: Final = 6 * 3600.0
"""A code that stays for so long while the others moved. In rooms nothing shorter will do: a quiet one was seen to give
the same code for more than two hours (UCI occupancy detection, Candanedo and Feldheim 2016: 134 min, none in 240)."""
STUCK_LSB: Final = 3.0
CODE_UNKNOWN: Final = 0.5
"""Step of a probe's code where it never changed: the coarsest that thermometers on sale have (from memory)."""
UNIT_WITHIN_C: Final = 2.0
UNIT_PEERS_C: Final = 4.0
UNIT_APART_C: Final = 15.0
FULL_PCT: Final = 99.5
"""Sensors end their scale at 100 % (Sensirion SHT4x data sheet: cropped to 0..100); a wet one stays there."""
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
CLOCK_SPAN_S: Final = 1500.0
CLOCK_MESSAGES: Final = 4
# The fast part of a temperature: what it changes by within two readings, ten minutes at least. Blocks of an hour and a
# half, of which the newest two are judged against those before. The air has to move by so much (root mean square) that
# the steps of a code (1/16 degree) are no more than a fifth of it. A box keeps less than NOT_WITH_AIR of the air's fast
# part with any time constant above three quarters of an hour, at the quarter to half hour that heaters switch by
# (first-order lag: 1 / sqrt(1 + (2 pi tau / period)^2)). Set on simulated rooms and judged on a real heated one of 41
# days; only what is asked of a stack without an air probe was made stricter after a look at that one.
BLOCK_S: Final = 5400.0
BLOCK_STEPS: Final = 6
AIR_MOVES_C: Final = 0.12
OWN_MOVES_C: Final = 0.15
BLOCKS_BEFORE: Final = 3
ALIKE: Final = 0.85
SELDOM_S: Final = 900.0
# A closed box of damp substrate takes hours to follow the air, an open one half an hour (judgement, no source). This is
# the quickest that a closed one is taken to be.
CLOSED_BOX_S: Final = 7200.0


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
    said: float
    would_be_c: float
    speaks: str


@dataclass(frozen=True, slots=True)
class WithAir:
    """When the air moved last, by how much within a quarter of an hour, and by how much the probe did."""

    at_ms: int
    air_c: float
    moved_c: float


@dataclass(frozen=True, slots=True)
class InAir:
    """A probe whose fast part is that of air, since about ``since_ms``.

    ``share``: of the air's fast part (of its own, without an air probe: then ``by_air`` is False) it follows now,
    ``before``: what it did before, None where that is not known; ``others``: what the others do, None without any.
    """

    since_ms: int
    share: float
    before: float | None
    others: float | None
    by_air: bool


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
    even = spaced(at)
    if flat_line(at[even] / 1000.0, value[even], STUCK_S, 4 * STUCK_S, 1e-9)[-1] < 3:
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


def errors(own: Series, usable: NDArray[np.bool_]) -> tuple[int, float]:
    """How often a probe, among its good readings, said what is no measurement, and what it said last (NaN: never).

    All readings with whether each is usable, shape (n,). Counted are spells of such readings far from the usable one
    before them; one that only came late is near it.
    """
    _, value = own
    good = np.flatnonzero(usable)
    if len(good) < 2:
        return 0, np.nan
    before = np.searchsorted(good, np.arange(len(value)), "right") - 1
    level = np.where(before >= 0, value[good[np.maximum(before, 0)]], np.nan)
    wrong = ~usable & ~(np.abs(value - level) <= STEP_C)
    wrong[good[-1] :] = False
    begins = np.flatnonzero(wrong & ~np.append(False, wrong[:-1]))
    begins = begins[begins > good[0]]
    return len(begins), float(value[begins[-1]]) if len(begins) else np.nan


def saturated(own: Series, now_ms: int) -> int | None:
    """Since when a humidity probe stands at the end of its scale, six hours or more without a break; None: it does
    not."""
    at, value = own
    if not len(at) or now_ms - int(at[-1]) > HOUR_MS:
        return None
    less = np.flatnonzero(value < FULL_PCT)
    if len(less) == len(at) or (len(less) and less[-1] == len(at) - 1):
        return None
    since = int(at[less[-1] + 1]) if len(less) else int(at[0])
    return since if now_ms - since >= STUCK_S * 1000 else None


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
    # The steepest quarter hour where the newest gust began: later an open box that follows late catches up.
    began = int(gusts[np.flatnonzero(np.diff(gusts, prepend=-10) > SUDDEN_STEPS)[-1]])
    newest = gusts[(gusts >= began) & (gusts <= began + SUDDEN_STEPS)]
    k = int(newest[np.argmax(np.abs(air_moved[newest]))])
    moved = float(p[k + SUDDEN_STEPS] - p[k])
    kept = [float(o[k + SUDDEN_STEPS] - o[k]) / air_moved[k] for o in (_on_grid(s, grid) for s in others)]
    kept = [share for share in kept if not np.isnan(share)]
    if np.isnan(moved) or not kept or moved / air_moved[k] < WITH_AIR or float(np.median(kept)) > NOT_WITH_AIR:
        return None
    return WithAir(int(grid[k]), float(air_moved[k]), moved)


def in_air(own: Series, air: Series | None, others: Sequence[Series], now_ms: int) -> InAir | bool | None:
    """Whether a box's probe lies in the air, told by how it moves: a box damps what is fast, air does not.

    With an air probe: it follows the air's fast part at once and by WITH_AIR or more, over three hours, which half of
    the others do not, and it did not either; where its own past is not known, two others at least are asked. Without
    one: over four and a half hours its own fast part is smooth, which noise is not, and more than three times what it
    was before and what those of two others or more are.

    False: it does not follow. None: the air is too still to tell, or nothing says that it is news.
    """
    step_ms = _step_ms(own, *(() if air is None else (air,)))
    if step_ms is None:
        return None
    grid = np.arange(now_ms - 24 * HOUR_MS, now_ms + 1, step_ms, dtype=np.int64)
    rows = max(round(BLOCK_S * 1000 / step_ms), BLOCK_STEPS)
    mine = _fast(own, grid, rows)
    if air is None:
        found = _moves_like_air(mine, others, grid, rows)
        noise = isinstance(found, InAir) and not _smooth(_fast(own, grid, rows, 1)[-3:])
        return None if noise else found
    drawn = _fast(air, grid, rows)
    shares = [_follows(x, y) for x, y in zip(mine, drawn, strict=True)]
    known = [s for s in shares[-2:] if s is not None]
    if shares and shares[-1] is not None and shares[-1][0] <= 0.5 * WITH_AIR:
        return False
    if len(known) < 2 or not all(_with(s) for s in known) or _late(mine[-2:], drawn[-2:]):
        return None
    first = len(shares)
    while first > 0 and (shares[first - 1] is None or _with(shares[first - 1])):
        first -= 1
    while shares[first] is None:
        first += 1
    past = [s[0] for s in shares[:first] if s is not None]
    before = float(np.median(past)) if len(past) >= BLOCKS_BEFORE else None
    # The others are asked only here, since nearly always nothing is to be asked.
    beside = [_fast(s, grid, rows)[-2:] for s in others]
    now = [[s[0] for x, y in zip(b, drawn[-2:], strict=True) if (s := _follows(x, y))] for b in beside]
    kept = [float(np.mean(n)) for n in now if n]
    damped = float(np.median(kept)) if kept else None
    if damped is not None and damped > NOT_WITH_AIR:
        return None
    if (before is None or before > NOT_WITH_AIR) and len(kept) < 2:
        return None
    since = int(grid[len(grid) - 1 - (len(shares) - first) * rows])
    return InAir(since, float(np.mean([s for s, _ in known])), before, damped, True)


def _moves_like_air(mine: list[Values], others: Sequence[Series], grid: Times, rows: int) -> InAir | bool | None:
    """Without an air probe: by the size of what is fast."""
    sizes = [_size(b) for b in mine]
    known = [s for s in sizes[-3:] if s is not None]
    if len(known) < 3 or len(others) < 2:
        return None
    if max(known) < OWN_MOVES_C:
        return False
    if min(known) < OWN_MOVES_C:
        return None
    around = [[s for b in _fast(other, grid, rows)[-3:] if (s := _size(b)) is not None] for other in others]
    theirs = [float(np.mean(s)) for s in around if s]
    beside = float(np.median(theirs)) if len(theirs) >= 2 else np.inf
    if beside > NOT_WITH_AIR * min(known):
        return None
    moved = [s is not None and s >= OWN_MOVES_C for s in sizes]
    first = len(moved)
    while first > 0 and moved[first - 1]:
        first -= 1
    # Air that was still for a night is no box: all blocks but one, of a door or of the fall, have to have been slow.
    past = sorted(s for s in sizes[:first] if s is not None)
    if len(past) <= BLOCKS_BEFORE or past[-2] > NOT_WITH_AIR * min(known):
        return None
    before = past[-2]
    mean = float(np.mean(known))
    return InAir(int(grid[len(grid) - 1 - (len(moved) - first) * rows]), 1.0, before / mean, beside / mean, False)


def _step_ms(*series: Series) -> int | None:
    """The step of the common grid: the longest usual interval, five minutes at least; None where that is too long."""
    steps = [float(np.median(np.diff(at))) if len(at) > 2 else np.inf for at, _ in series]
    return max(GRID_MS, round(max(steps))) if max(steps) <= SELDOM_S * 1000 else None


def _fast(series: Series, grid: Times, rows: int, steps: int = 2) -> list[Values]:
    """Changes over so many steps of a grid, in blocks of ``rows``, the newest last; without what each block does
    evenly.

    A room that only warms or cools takes its boxes along in the end: that is no fast part.
    """
    held = _on_grid(series, grid)
    moved = held[steps:] - held[:-steps]
    count = len(moved) // rows
    blocks = moved[len(moved) - count * rows :].reshape(count, rows)
    known = ~np.isnan(blocks)
    mean = np.where(known, blocks, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return list(blocks - mean[:, None])


def _follows(own: Values, air: Values) -> tuple[float, float] | None:
    """By how much of the air's fast part, and how alike (correlation); None where the air is still or unknown."""
    both = ~(np.isnan(own) | np.isnan(air))
    if both.sum() < BLOCK_STEPS:
        return None
    x, y = air[both], own[both]
    power = float(x @ x)
    if np.sqrt(power / len(x)) < AIR_MOVES_C:
        return None
    return float(x @ y) / power, float(x @ y) / float(np.sqrt(power * max(float(y @ y), 1e-12)))


def _with(share: tuple[float, float] | None) -> bool:
    return share is not None and share[0] >= WITH_AIR and share[1] >= ALIKE


def _late(own: list[Values], air: list[Values]) -> bool:
    """Whether it is more like the air of one step before: an open box follows half an hour later."""

    def alike(x: Values, y: Values) -> float:
        both = ~(np.isnan(x) | np.isnan(y))
        return float(x[both] @ y[both]) / max(float(np.linalg.norm(x[both]) * np.linalg.norm(y[both])), 1e-12)

    now = alike(np.concatenate([x[1:] for x in own]), np.concatenate([y[1:] for y in air]))
    before = alike(np.concatenate([x[1:] for x in own]), np.concatenate([y[:-1] for y in air]))
    return before >= now


def _size(moved: Values) -> float | None:
    known = moved[~np.isnan(moved)]
    return float(np.sqrt(np.mean(known**2))) if len(known) >= BLOCK_STEPS else None


def _smooth(blocks: list[Values]) -> bool:
    """Whether changes from reading to reading go on, and are no noise.

    Correlation of a change with the next one: -1/2 for white noise, above 0 for a wave of more than four steps.
    """
    a, b = np.concatenate([x[:-1] for x in blocks]), np.concatenate([x[1:] for x in blocks])
    both = ~(np.isnan(a) | np.isnan(b))
    return float(a[both] @ b[both]) > 0.1 * float(np.linalg.norm(a[both]) * np.linalg.norm(b[both]))


def still_with_air(own: Series, air: Series, since_ms: int, now_ms: int) -> bool:
    """Whether a probe is still moved from where it was before a gust by WITH_AIR or more of what the air is."""
    grid = np.array([since_ms, now_ms], np.int64)
    (p0, p1), (a0, a1) = _on_grid(own, grid), _on_grid(air, grid)
    return bool(abs(a1 - a0) >= NEAR_C and (p1 - p0) / (a1 - a0) >= WITH_AIR)


def sudden_c(own: Series, now_ms: int) -> float:
    """The largest move of a probe within a quarter of an hour in the last three hours, with its sign; 0 without any."""
    moved = _on_grid(own, np.arange(now_ms - 3 * HOUR_MS, now_ms + 1, GRID_MS, dtype=np.int64))
    steps = moved[SUDDEN_STEPS:] - moved[:-SUDDEN_STEPS]
    steps = steps[~np.isnan(steps)]
    return float(steps[int(np.argmax(np.abs(steps)))]) if len(steps) else 0.0


def closed_box(own: Series, since_ms: int) -> Values:
    """What a closed box would be at, at each of a probe's readings, if from ``since_ms`` on the probe lay in its air.

    Newton's law of cooling with CLOSED_BOX_S, from the probe's reading at ``since_ms``; before it, the readings.
    Shape (n,).
    """
    at, value = own
    box = value.copy()
    for k in range(max(int(np.searchsorted(at, since_ms, "right")), 1), len(at)):
        kept = np.exp(-(at[k] - at[k - 1]) / 1000.0 / CLOSED_BOX_S)
        box[k] = box[k - 1] * kept + 0.5 * (value[k] + value[k - 1]) * (1.0 - kept)
    return box


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

    A message that waited, or a logger that gathers, comes late by times that differ, and the newest is fresh: only the
    newest reading of each moment of arrival counts, and all that arrived within twenty-five minutes, four at least,
    have to agree within two minutes.
    """
    arrived, first = np.unique(received_ms[::-1], return_index=True)
    if len(arrived) < CLOCK_MESSAGES:
        return None
    from_ms = min(int(arrived[-1]) - round(CLOCK_SPAN_S * 1000), int(arrived[-CLOCK_MESSAGES]))
    judged = arrived >= from_ms
    late = (arrived[judged] - time_ms[::-1][first][judged]) / 1000.0
    if arrived[-1] - arrived[0] < CLOCK_SPAN_S * 1000:
        return None
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
