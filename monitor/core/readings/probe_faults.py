"""What only shows when a probe is seen over a day, beside the others: it sticks, it lies elsewhere, it speaks another
unit.

Each function looks at one fault, from the readings as they came, and says what it found or None. They are slow to
suspect: a fault that is missed costs a look at the box, one that is made up costs the keeper's trust. Times are int64
milliseconds in increasing order, values of equal shape (n,).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.maths.robust import median
from monitor.core.readings.out_of_box import SUDDEN_STEPS
from monitor.core.readings.quality import STEP_C, flat_line, spike
from monitor.core.readings.series import Series, day_before, on_grid
from monitor.core.readings.thinning import spaced
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS
from monitor.values import dataclass

STUCK_S: Final = 6 * 3600.0
"""A code that stays for so long while the others moved. In rooms nothing shorter will do: a quiet one was seen to give
the same code for more than two hours (UCI occupancy detection, Candanedo and Feldheim 2016: 134 min, none in 240)."""
STUCK_LSB: Final = 3.0
STUCK_FAR_LSB: Final = 10.0
CODE_UNKNOWN: Final = 0.5
"""Step of a probe's code where it never changed: the coarsest that thermometers on sale have (from memory)."""
# A code that an impossible step led to, and that stays bit for bit from then on: a hung converter, a broken lead. It
# has to stay for twice as long as any code rested before, six readings and half an hour at least (judgement).
HUNG_STEP_C: Final = 5.0
HUNG_S: Final = 1800.0
HUNG_READINGS: Final = 6
UNIT_WITHIN_C: Final = 2.0
UNIT_PEERS_C: Final = 4.0
UNIT_APART_C: Final = 15.0
ROOM_C: Final = (5.0, 45.0)
"""What an egg room may be at, as far as it is asked here (judgement). Told in the other unit no temperature inside is
inside again, but for those below 7 C: so only a value that no egg room has can be a matter of the unit."""
YOUNG_MS: Final = 20 * HOUR_MS
FULL_PCT: Final = 99.5
"""Sensors end their scale at 100 % (Sensirion SHT4x data sheet: cropped to 0..100); a wet one stays there."""
JUMP_C: Final = 1.0
JUMP_BESIDE_MS: Final = HOUR_MS // 2
JUMPS: Final = 5
AIR_MADE: Final = 0.5
"""Such a share of a jump, made by the air meanwhile as far as its probe was heard, explains it (judgement)."""
SWAP_C: Final = 0.5
TURN_C2: Final = -(SWAP_C**2) / 4
SWAP_WITHIN_C: Final = 0.3


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


def stuck(own: Series, others: Sequence[Series], now_ms: int, *, steps: bool = False) -> Stuck | None:
    """The newest code, bit for bit the same for six hours or more, while more than half of the others moved by
    three steps of its code or more in the same time: by ten and two at least, or it rests twice as long as it did
    before in its last day. A box may stand still for hours while those above and below it do not.

    ``steps``: or one to which a step of five degrees or more led, from one reading to the next, that has not changed
    since, though it did before; this takes half an hour and no others.
    """
    at, value = own
    if len(at) < 4:
        return None
    changes = np.flatnonzero(value != value[-1])
    since = int(at[changes[-1] + 1]) if len(changes) else int(at[0])
    if now_ms - int(at[-1]) > HOUR_MS:
        return None
    if steps and len(changes) and _hung(at, value, int(changes[-1]) + 1):
        return Stuck(since, float(value[-1]), 0.0)
    if now_ms - since < STUCK_S * 1000 or not others:
        return None
    even = spaced(at)
    if flat_line(at[even] / 1000.0, value[even], STUCK_S, 4 * STUCK_S, 1e-9)[-1] < 3:
        return None
    steps_c = np.abs(np.diff(value))
    lsb = float(steps_c[steps_c > 1e-9].min(initial=CODE_UNKNOWN))
    moved = []
    for other_at, other in others:
        inside = other[(other_at >= since) & (other_at <= now_ms)]
        if len(inside) >= 4:
            low, high = np.quantile(inside, [0.02, 0.98])
            moved.append(float(high - low))
    if not moved:
        return None
    # By so much, or more, more than half of them moved.
    most = sorted(moved, reverse=True)[len(moved) // 2]
    rested = np.diff(at[np.append(0, changes + 1)]) if len(changes) else np.zeros(1)
    usual = now_ms - since < 2 * int(rested.max())
    if most < STUCK_LSB * lsb or (usual and (most < STUCK_FAR_LSB * lsb or len(moved) == 1)):
        return None
    return Stuck(since, float(value[-1]), max(moved))


def _hung(at: Times, value: Values, first: int) -> bool:
    """Whether a step led to the code that stays since the reading ``first``."""
    if abs(float(value[first] - value[first - 1])) < HUNG_STEP_C:
        return False
    rests = np.diff(np.append(np.flatnonzero(np.diff(value[:first], prepend=np.nan) != 0.0), first))
    return (
        len(rests) >= HUNG_READINGS
        and len(value) - first >= max(HUNG_READINGS, 2 * int(rests.max()))
        and at[-1] - at[first] >= HUNG_S * 1000
    )


def other_unit(own: Series, others: Sequence[Series], unit: str) -> OtherUnit | None:
    """The newest three readings are no egg room's, and in the other unit they are where the probe was, or the others
    are.

    Where the probe came to its level in one step, its own past decides alone: what is another unit is so from one
    reading to the next. Where it has always been there, more than half of the others decide, two at least; to one
    alone only a heat is shown to which no room comes. Cold is something that a probe may have: it has to be a young
    one that was never elsewhere. So no probe is accused for what another one says.

    All readings count here, also those that are flagged as impossible: 28 C told in Fahrenheit is 82.4. ``unit`` is the
    promised one; readings are in Celsius, converted as if it were true.
    """
    at, value = own
    if len(at) < 3 or unit not in ("C", "F"):
        return None
    here = median(value[-3:])
    would_be = (here - 32.0) / 1.8 if unit == "C" else 1.8 * here + 32.0
    scale = 1.0 if unit == "C" else 1.8
    inside = [ROOM_C[0] <= x <= ROOM_C[1] for x in (here, would_be)]
    if float(np.ptp(value[-3:])) > UNIT_WITHIN_C or inside != [False, True]:
        return None
    # As it was before the newest run of readings near the present level.
    elsewhere = np.flatnonzero(np.abs(value - here) > UNIT_APART_C / 2)
    since = int(at[elsewhere[-1] + 1]) if len(elsewhere) else int(at[0])
    if len(elsewhere) >= 3:
        level = float(np.median(value[elsewhere[-3:]]))
        fits = abs(would_be - level) <= UNIT_WITHIN_C * scale
    else:
        levels = np.array([float(np.median(v[-5:])) for _, v in others if len(v) >= 3])
        alike = np.abs(would_be - levels) <= UNIT_PEERS_C * scale
        least = 1 if here > ROOM_C[1] else 2
        young = here > ROOM_C[1] or int(at[-1] - at[0]) < YOUNG_MS
        fits = young and len(levels) >= least and 2 * int(alike.sum()) > len(levels)
        level = float(np.median(levels[alike])) if fits else would_be
    if not fits:
        return None
    return OtherUnit(since, here if unit == "C" else would_be, level, "Fahrenheit" if unit == "C" else "Celsius")


def room_like(own: Series) -> bool:
    """Whether the newest readings are a temperature that an egg room may have."""
    newest = own[1][-3:]
    return bool(len(newest)) and ROOM_C[0] <= median(newest) <= ROOM_C[1]


def jumps(own: Series, air: Series | None = None) -> NDArray[np.bool_]:
    """At which of its readings a box's probe jumped away by more than a degree for that one and came back, shape (n,).

    Those before and after are half an hour away at most: in more a box may have gone so far itself. Where the air of
    its stack went half of the way between them, it hangs in that air and did not jump.
    """
    at, value = own
    found = np.zeros(len(value), bool)
    # One lies beside those before and after by no more than the longest step; nearly always there is none such.
    if len(value) > 2 and float(np.abs(value[1:] - value[:-1]).max()) > 0.999 * JUMP_C:
        suspect = spike(value, JUMP_C, 1e9)[1:-1] == 3
        # Beside a jump lie two readings that are no jumps: theirs is the way between what lies on their two sides.
        came_back = np.abs(value[2:] - value[:-2]) <= 0.5 * np.abs(value[1:-1] - value[:-2])
        near = np.maximum(at[2:] - at[1:-1], at[1:-1] - at[:-2]) <= JUMP_BESIDE_MS
        found[1:-1] = suspect & came_back & near
    if air is not None:
        air_at, air_c = air
        for k in np.flatnonzero(found).tolist():
            # What the air was heard to be from before the one reading to after the other.
            first, last = np.searchsorted(air_at, at[k - 1], "right") - 1, np.searchsorted(air_at, at[k + 1], "left")
            about = air_c[max(int(first), 0) : int(last) + 1]
            found[k] = not len(about) or float(np.ptp(about)) < AIR_MADE * abs(value[k] - value[k - 1])
    return found


def errors(own: Series, usable: NDArray[np.bool_]) -> tuple[int, float]:
    """How often a probe, among its good readings, said what is no measurement, and what it said last (NaN: never).

    All readings with whether each is usable, shape (n,). Counted are spells of such readings far from the usable one
    before them; one that only came late is near it.
    """
    _, value = own
    if usable.all():
        return 0, np.nan
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


def turned(table: Values) -> list[tuple[int, int]]:
    """Which of many probes, shape (k, n) on a grid of the last day, may have been swapped with which: the only ones of
    which :func:`swapped` finds something."""
    found = []
    for first in range(len(table) - 1):
        d = table[first] - table[first + 1 :]
        turns = (d[:, :-SUDDEN_STEPS] * d[:, SUDDEN_STEPS:] < TURN_C2).any(axis=1)
        found += [(first, first + 1 + k) for k in np.flatnonzero(turns).tolist()]
    return found


def swapped(one: Series, other: Series, now_ms: int) -> int | None:
    """When two probes exchanged their temperatures, within a quarter of an hour, and kept to it; None if they did
    not."""
    grid = day_before(now_ms)
    a, b = on_grid(one, grid), on_grid(other, grid)
    d = a - b
    turn = np.flatnonzero(d[:-SUDDEN_STEPS] * d[SUDDEN_STEPS:] < TURN_C2)
    for k in turn[::-1].tolist():
        before, after = slice(max(k - 12, 0), k + 1), slice(k + SUDDEN_STEPS + 1, k + SUDDEN_STEPS + 13)
        if len(a[after]) < 6 or np.isnan(a[after]).sum() > 6:
            continue
        if any(np.isnan(x).all() for x in (a[before], b[before], b[after])):
            continue
        a0, b0, a1, b1 = (float(np.nanmedian(x)) for x in (a[before], b[before], a[after], b[after]))
        if abs(a0 - b0) >= SWAP_C and abs(a1 - b0) <= SWAP_WITHIN_C and abs(b1 - a0) <= SWAP_WITHIN_C:
            steps = np.abs(d[SUDDEN_STEPS:] - d[:-SUDDEN_STEPS])
            often = np.abs(np.arange(len(steps)) - k) > 12
            # Two that move so against each other again and again, as in the air, did not change places.
            return None if np.any(steps[often & ~np.isnan(steps)] >= abs(a0 - b0)) else int(grid[k])
    return None
