"""Probes that lie in the air, or anywhere but in their box: seen by how they move, beside the air and the other boxes.

Each function looks at one sign, from the readings as they came, and says what it found or None. They are slow to
suspect: a fault that is missed costs a look at the box, one that is made up costs the keeper's trust. Times are int64
milliseconds in increasing order, values of equal shape (n,).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.maths.robust import median
from monitor.core.readings.series import (
    GRID_MS,
    Series,
    day_before,
    joined,
    middle_of,
    on_grid,
    sways,
    without_spikes,
)
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS
from monitor.values import dataclass

# What a box of damp substrate does not make within a quarter of an hour, and how far it has to have been from the air.
# Air itself was seen to do the one and the other by 0.93 C when a heater stopped (IEA Annex 58 twin houses, 187 cm).
SUDDEN_C: Final = 0.8
SUDDEN_STEPS: Final = 3
AWAY_C: Final = 1.2
NEAR_C: Final = 0.3
# A box whose lid is open follows the air by 40 % within a quarter of an hour, with a time constant of half an hour;
# what follows by more is in the air. Judgement.
WITH_AIR: Final = 0.7
NOT_WITH_AIR: Final = 0.3
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
OPEN_BOX_S: Final = 1800.0
# A probe that goes to another place is there within a quarter of an hour, an open box is not half way. It has to go so
# far beyond what an open box would in the air that is known, most of its way in that quarter of an hour; and to have
# been there for so long, which an open box takes for three quarters of its way. Judgement.
ELSEWHERE_C: Final = 2.0
AT_ONCE: Final = 0.75
ELSEWHERE_S: Final = 2700.0
ALONE: Final = 0.3
# Is back when so near, as a share of how far it went.
BACK_SHARE: Final = 0.25
# What has no sudden move for a day and is no further than this from where boxes are lies in one (judgement: half of
# what shows that a probe went elsewhere).
SETTLED_C: Final = 1.0
# What goes up and down by such a share of a move between two readings shows noise and no move.
NOISE_SHARE: Final = 0.25
# Sudden moves of the day before that show a probe to be one that always makes them.
RESTLESS: Final = 3


@dataclass(frozen=True, slots=True)
class InAir:
    """A probe whose fast part is that of air, since about ``since_ms``.

    ``share``: of the air's fast part (of its own, without an air probe: then ``by_air`` is False) it follows now,
    ``before``: what it did before, None where that is not known; ``others``: what the others do, None without any.
    ``news``: it did not before; else it has done so as far as is known.
    """

    since_ms: int
    share: float
    before: float | None
    others: float | None
    by_air: bool
    news: bool = True


@dataclass(frozen=True, slots=True)
class Jumped:
    """When a box's probe went by ``moved_c`` faster than any box can, from ``was_c``; ``apart_c``: how far it was from
    the middle of the other boxes then (None: without any)."""

    at_ms: int
    was_c: float
    moved_c: float
    apart_c: float | None


@dataclass(frozen=True, slots=True)
class Back:
    """From when a probe that went elsewhere is back; ``suddenly``, as it went, or as slowly as a box goes: then it
    never was elsewhere, and the box itself had been moved so far."""

    at_ms: int
    suddenly: bool


@dataclass(frozen=True, slots=True)
class LeftBox:
    """When it left, how far it was from the air of the stack in the hour before, and how near since; and the move."""

    at_ms: int
    before_c: float
    since_c: float
    move: Jumped


def jumped(own: Series, air: Series | None, others: Sequence[Series], now_ms: int) -> Jumped | None:
    """The newest move of a box's probe to another level that neither a closed nor an open box can make, while the other
    boxes (their middle) made less than a third of it; None where it is back, or is not there for three quarters of an
    hour yet.

    The surroundings are the air's probe and the other boxes: in them a box may go by as much as an open one does.
    A probe that reports each quarter of an hour or less often has to go beyond all of them; of one that does each half
    hour or less often nothing is said where there are none.
    """
    raw, at = own, own[0]
    if len(at) < 6:
        return None
    grid = day_before(now_ms)
    p = joined(own, grid, calmed=True)
    usual_ms = median(at[1:] - at[:-1])
    seldom = usual_ms > 0.7 * SELDOM_S * 1000
    steps = max(SUDDEN_STEPS, -(-round(usual_ms) // GRID_MS))
    moved = p[steps:] - p[:-steps]
    sudden = np.flatnonzero(np.abs(moved) >= ELSEWHERE_C)
    if not len(sudden):
        return None
    own = without_spikes(own)
    value = own[1]
    around = [joined(s, grid) for s in others]
    beside = middle_of(around, len(grid))
    near = np.vstack([*around, *([] if air is None else [joined(air, grid)]), np.full(len(grid), np.nan)])
    apart = p - beside
    usual = np.full(len(grid), np.nanmedian(p)) if np.isnan(apart).all() else beside + np.nanmedian(apart)
    rows = round(ELSEWHERE_S * 1000 / GRID_MS)
    for k in sudden[::-1].tolist():
        since, before = p[k + steps :], p[max(k - rows, 0) : k + 1]
        there, before = since[~np.isnan(since)], before[~np.isnan(before)]
        if 2 * len(there) <= len(since) or len(since) <= rows or not len(before):
            continue
        was = float(np.median(before[-4:]))
        went = float(np.median(there[: 2 * rows])) - was
        side = np.sign(went)
        if side == 0.0 or side * moved[k] < AT_ONCE * abs(went):
            continue
        if sways(raw, int(grid[k + steps])) > NOISE_SHARE * abs(went):
            continue
        known = near[:, k : k + steps + rows]
        if usual_ms >= HOUR_MS // 2 and np.isnan(known).all():
            # From one reading to the next an open box goes most of the way the air does, of which nothing is known.
            continue
        reach = max(float(np.nanmax(side * (known - was))), 0.0) if not np.isnan(known).all() else 0.0
        share = 1.0 if seldom else 1.0 - float(np.exp(-steps * GRID_MS / 1000.0 / OPEN_BOX_S))
        theirs = float(beside[k + steps] - beside[k]) if not np.isnan(beside[[k, k + steps]]).any() else 0.0
        if side * moved[k] < ELSEWHERE_C + share * reach or side * theirs > ALONE * abs(went):
            continue
        if abs(usual[k + steps] - was - went) < abs(usual[k] - was):
            # It came back from elsewhere.
            return None
        if float(np.median(side * (there[-3:] - was))) < 0.5 * abs(went):
            return None
        if float(np.median(side * (there - was))) < 0.5 * abs(went):
            # It was back in between: that it is as far now has come about otherwise.
            continue
        # The quarter of an hour in which most of it happened may begin up to a step before.
        first = int(at[max(int(np.searchsorted(at, grid[k], "right")) - 1, 0)])
        from_others = None if np.isnan(beside[k]) else was - float(beside[k])
        begins = np.flatnonzero((at > first) & (side * (value - was) >= ALONE * abs(went)))
        return Jumped(int(at[begins[0]]) if len(begins) else first, was, went, from_others)
    return None


def back_again(
    own: Series, others: Sequence[Series], since_ms: int, was_c: float, moved_c: float, apart_c: float | None
) -> Back | None:
    """Whether a probe that went elsewhere at ``since_ms`` is where its box must be by now: as far from the other boxes
    as it was, or without any where it was; None: not yet."""
    at, value = own
    there = np.flatnonzero(at > since_ms)
    if len(there) < 3:
        return None
    now = float(np.median(value[-3:]))
    beside = [float(np.median(v[-3:])) for _, v in others if len(v) >= 3]
    box_c = was_c if apart_c is None or not beside else float(np.median(beside)) + apart_c
    side, far = np.sign(moved_c), abs(moved_c)
    if side * (now - was_c) > 0.5 * far and side * (now - box_c) > BACK_SHARE * far:
        return None
    earlier = np.maximum(np.searchsorted(at, at[there] - SUDDEN_STEPS * GRID_MS, "left"), there[0])
    earlier = np.minimum(earlier, there - 1)
    came = side * (value[earlier] - value[there])
    most = int(np.argmax(came))
    if came[most] >= 0.5 * far:
        # Within that quarter of an hour, from the reading by which most of the way was gone.
        way = side * (value[earlier[most]] - value[earlier[most] + 1 : there[most] + 1])
        first = int(np.argmax(way >= AT_ONCE * came[most]))
        return Back(int(at[earlier[most] + 1 + first]), True)
    return Back(int(at[there[-1]]), False) if side * (now - box_c) <= BACK_SHARE * far else None


def settled(own: Series, air: Series | None, others: Sequence[Series], apart_c: float | None, now_ms: int) -> bool:
    """Whether for a day a probe has been where a box is: seen for three quarters of it, without a sudden move, never
    with the air, and in the middle among the other boxes, or where it was beside them (``apart_c``), or by SETTLED_C
    beyond. Without others: without a sudden move and never with the air."""
    if air is not None and any(share > 0.5 * WITH_AIR for share in _shares(own, air, now_ms)):
        return False
    grid = day_before(now_ms)
    p = joined(own, grid, calmed=True)
    moved = np.abs(p[SUDDEN_STEPS:] - p[:-SUDDEN_STEPS])
    if np.isnan(p).mean() > 0.25 or bool((moved >= SUDDEN_C).any()):
        return False
    table = [joined(s, grid) for s in others]
    beside = middle_of(table, len(grid))
    if np.isnan(beside).all():
        return not others

    def off_c(values: Values) -> float:
        away = values - beside
        return 0.0 if np.isnan(away).all() else float(np.nanmedian(away))

    known = [off_c(values) for values in table] + ([] if apart_c is None else [apart_c])
    return min(known) - SETTLED_C <= off_c(p) <= max(known) + SETTLED_C


def restless(own: Series, before_ms: int, now_ms: int, times: int = RESTLESS) -> bool:
    """Whether a probe often moves as suddenly as no closed box can: so many times or more in its last day, each an hour
    from the next, before the hour of a moment."""
    grid = np.arange(now_ms - 24 * HOUR_MS, before_ms - HOUR_MS + 1, GRID_MS, dtype=np.int64)
    if len(grid) <= SUDDEN_STEPS:
        return False
    held = on_grid(own, grid, calmed=True)
    sudden = grid[SUDDEN_STEPS:][np.abs(held[SUDDEN_STEPS:] - held[:-SUDDEN_STEPS]) >= SUDDEN_C]
    return bool(len(sudden)) and 1 + int((np.diff(sudden) >= HOUR_MS).sum()) >= times


def air_went(air: Series, went: Jumped, own: Series) -> bool:
    """Whether the air made most of a sudden move as well, within a quarter of an hour about it, or as much longer as a
    probe takes from one reading to the next."""
    steps = SUDDEN_STEPS + _steps_of(own)
    grid = went.at_ms + GRID_MS * np.arange(-steps, 2 * SUDDEN_STEPS + steps, dtype=np.int64)
    a = joined(air, grid)
    moved = np.sign(went.moved_c) * (a[steps:] - a[:-steps])
    return bool((moved >= WITH_AIR * abs(went.moved_c)).any())


def _steps_of(own: Series) -> int:
    """How many steps of the grid a probe takes from one reading to the next."""
    return -(-round(median(own[0][1:] - own[0][:-1])) // GRID_MS) if len(own[0]) > 1 else 0


def left_box(box: Series, air: Series, now_ms: int, others: Sequence[Series] = ()) -> LeftBox | None:
    """A box's probe that went, faster than a box can, to the air's temperature, and has stayed with it since; the other
    boxes did not go along.

    Seen only where box and air were well apart before; where they are equally warm nothing shows, until one moves.
    """
    grid = day_before(now_ms)
    # Nearly always the last half hour tells.
    recent = np.abs(on_grid(box, grid[-6:]) - on_grid(air, grid[-6:]))
    recent = recent[~np.isnan(recent)]
    if not len(recent) or median(recent) > NEAR_C:
        return None
    p, a = on_grid(box, grid), on_grid(air, grid)
    away = p - a
    moved = np.abs(p[SUDDEN_STEPS:] - p[:-SUDDEN_STEPS])
    air_moved = np.abs(a[SUDDEN_STEPS:] - a[:-SUDDEN_STEPS])
    # What the probe says the air may have done up to a reading before.
    behind = [np.concatenate([np.zeros(s), air_moved[: len(air_moved) - s]]) for s in range(1, _steps_of(box) + 1)]
    sudden = np.flatnonzero((moved >= SUDDEN_C) & (np.fmax.reduce([air_moved, *behind]) <= 0.5 * moved))
    beside = middle_of([on_grid(s, grid) for s in others], len(grid)) if len(sudden) else p
    for k in sudden[::-1].tolist():
        before, since = away[max(k - 12, 0) : k], away[k + 2 * SUDDEN_STEPS :]
        if np.isnan(before).all() or len(since) < 6 or np.isnan(since).all():
            continue
        was, has_been = float(np.nanmedian(before)), float(np.nanquantile(np.abs(since), 0.9))
        if abs(was) < AWAY_C or has_been > 2 * NEAR_C:
            continue
        theirs = abs(float(beside[k + SUDDEN_STEPS] - beside[k]))
        if theirs > ALONE * moved[k]:
            continue
        was_c = float(np.nanmedian(p[max(k - 12, 0) : k]))
        apart = None if np.isnan(beside[k]) else was_c - float(beside[k])
        move = Jumped(int(grid[k]), was_c, float(np.nanmedian(p[k + 2 * SUDDEN_STEPS :])) - was_c, apart)
        return LeftBox(int(grid[k]), abs(was), float(np.nanmedian(np.abs(since))), move)
    return None


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
    grid = day_before(now_ms, step_ms)
    rows = max(round(BLOCK_S * 1000 / step_ms), BLOCK_STEPS)
    mine = _fast(own, grid, rows)
    if air is None:
        found = _moves_like_air(mine, others, grid, rows)
        noise = isinstance(found, InAir) and not _smooth(_fast(own, grid, rows, 1)[-3:])
        return None if noise else found
    drawn = _fast(air, grid, rows)
    shares = _followed(mine, drawn)
    known = [s for s in shares[-2:] if s is not None]
    if (
        shares
        and shares[-1] is not None
        and shares[-1][0] <= 0.5 * WITH_AIR
        and not (shares[-2:-1] and _with(shares[-2]))
    ):
        return False
    if len(known) < 2 or not all(_with(s) for s in known) or _late(mine[-2:], drawn[-2:]):
        return None
    first = len(shares)
    while first > 0 and (shares[first - 1] is None or _with(shares[first - 1])):
        first -= 1
    while shares[first] is None:
        first += 1
    past = [s[0] for s in shares[:first] if s is not None]
    news = bool(past) and float(np.median(past)) <= NOT_WITH_AIR
    before = float(np.median(past)) if len(past) >= BLOCKS_BEFORE else None
    # The others are asked only here, since nearly always nothing is to be asked.
    beside = [_fast(s, grid, rows)[-2:] for s in others]
    now = [[s[0] for s in _followed(b, drawn[-2:]) if s is not None] for b in beside]
    kept = [float(np.mean(n)) for n in now if n]
    damped = float(np.median(kept)) if kept else None
    if damped is not None and damped > NOT_WITH_AIR:
        return None
    if (before is None or before > NOT_WITH_AIR) and len(kept) < 2:
        return None
    since = int(grid[len(grid) - 1 - (len(shares) - first) * rows])
    return InAir(since, float(np.mean([s for s, _ in known])), before, damped, True, news)


def _moves_like_air(mine: Values, others: Sequence[Series], grid: Times, rows: int) -> InAir | bool | None:
    """Without an air probe: by the size of what is fast."""
    known = [s for s in map(_size, mine[-3:]) if s is not None]
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
    sizes = [_size(b) for b in mine]
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
    steps = [median(at[1:] - at[:-1]) if len(at) > 2 else np.inf for at, _ in series]
    return max(GRID_MS, round(max(steps))) if max(steps) <= SELDOM_S * 1000 else None


def _fast(series: Series, grid: Times, rows: int, steps: int = 2) -> Values:
    """Changes over so many steps of a grid, in blocks of ``rows``, the newest last; without what each block does
    evenly. Shape (blocks, rows).

    A room that only warms or cools takes its boxes along in the end: that is no fast part.
    """
    held = on_grid(series, grid)
    moved = held[steps:] - held[:-steps]
    count = len(moved) // rows
    blocks = moved[len(moved) - count * rows :].reshape(count, rows)
    known = ~np.isnan(blocks)
    mean = np.where(known, blocks, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    fast: Values = blocks - mean[:, None]
    return fast


def _followed(own: Values, air: Values) -> list[tuple[float, float] | None]:
    """By how much each block follows the air's fast part, and how alike they are (correlation); None where the air is
    still or unknown."""
    known = ~(np.isnan(own) | np.isnan(air))
    whole = np.logical_and.reduce(known, axis=1)
    return [
        _follows(x, y) if all_known else _follows(x[both], y[both])
        for x, y, both, all_known in zip(own, air, known, whole, strict=True)
    ]


def _follows(own: Values, air: Values) -> tuple[float, float] | None:
    """The same of one block, or what is known of it."""
    if len(own) < BLOCK_STEPS:
        return None
    power = float(air @ air)
    if math.sqrt(power / len(air)) < AIR_MOVES_C:
        return None
    both = float(air @ own)
    return both / power, both / math.sqrt(power * max(float(own @ own), 1e-12))


def _with(share: tuple[float, float] | None) -> bool:
    return share is not None and share[0] >= WITH_AIR and share[1] >= ALIKE


def _late(own: Values, air: Values) -> bool:
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


def _smooth(blocks: Values) -> bool:
    """Whether changes from reading to reading go on, and are no noise.

    Correlation of a change with the next one: -1/2 for white noise, above 0 for a wave of more than four steps.
    """
    a, b = np.concatenate([x[:-1] for x in blocks]), np.concatenate([x[1:] for x in blocks])
    both = ~(np.isnan(a) | np.isnan(b))
    return float(a[both] @ b[both]) > 0.1 * float(np.linalg.norm(a[both]) * np.linalg.norm(b[both]))


def sudden_c(own: Series, now_ms: int) -> float:
    """The largest move of a probe within a quarter of an hour in its last day, with its sign, that still stands: it is
    no nearer to where it was before than half way, and did not itself come back from one. 0 without any."""
    grid = day_before(now_ms)
    held = on_grid(own, grid)
    steps = held[SUDDEN_STEPS:] - held[:-SUDDEN_STEPS]
    newest = float(own[1][-1]) if len(own[1]) else np.nan
    stands = (newest - held[:-SUDDEN_STEPS]) * np.sign(steps) >= 0.5 * np.abs(steps)
    steps = np.where(np.isnan(steps), 0.0, steps)
    before = np.vstack([np.maximum.accumulate(steps), np.maximum.accumulate(-steps)])
    returns = np.where(steps < 0.0, before[0], before[1]) >= 0.5 * np.abs(steps)
    steps = np.where(stands & ~returns, steps, 0.0)
    return float(steps[int(np.argmax(np.abs(steps)))])


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


def damps(own: Series, air: Series, now_ms: int) -> bool:
    """Whether a probe damps what is fast in the air, in all that its last day tells of it."""
    known = _shares(own, air, now_ms)
    return len(known) > BLOCKS_BEFORE and max(known) <= 0.5 * NOT_WITH_AIR


def always_followed(own: Series, air: Series, before_ms: int) -> bool:
    """Whether in the day before a moment a probe followed what is fast in the air, by more than a box does."""
    known = _shares(own, air, before_ms)
    return len(known) >= BLOCKS_BEFORE and median(np.array(known)) > NOT_WITH_AIR


def _shares(own: Series, air: Series, now_ms: int) -> list[float]:
    """By how much a probe follows what is fast in the air, in each block of its last day in which that shows."""
    step_ms = _step_ms(own, air)
    if step_ms is None:
        return []
    grid = day_before(now_ms, step_ms)
    rows = max(round(BLOCK_S * 1000 / step_ms), BLOCK_STEPS)
    return [s[0] for s in _followed(_fast(own, grid, rows), _fast(air, grid, rows)) if s is not None]
