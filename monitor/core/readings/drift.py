"""Slow departures: a probe among its peers, and a stack against its set point, day by day.

A probe that ages or gets wet does not fall silent; it says something a little more wrong each day. Against a limit that
is invisible, against the other probes of its stack it is not. The schemes are published ones with published constants
(``core.maths``); what is particular here is :func:`departing`, which must not take a changed room for a changed probe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from monitor.core.maths.control_charts import cusum, ewma
from monitor.core.maths.robust import theil_sen_slope
from monitor.core.terms.arrays import Floats, Times, Values

# -- a stack against its set point ------------------------------------------------------------------------------

LEAST_LEVEL_SD_C: Final = 0.1


@dataclass(frozen=True, slots=True)
class HeldLevel:
    """A stack's level smoothed over days, against the temperature it is meant to have; ``within_c`` is the control
    limit, and ``since_day`` the index of the first day of the present stay outside of it (None: inside)."""

    mean_c: float
    set_c: float
    within_c: float
    since_day: int | None

    @property
    def off_c(self) -> float:
        return self.mean_c - self.set_c


def level(daily_c: Floats, set_c: float) -> HeldLevel | None:
    """Daily levels by :func:`ewma` (weight 0.2, three sigma; sigma robust, of the first fourteen days, 0.1 C at least).

    None for fewer than ten days.
    """
    daily = np.asarray(daily_c, np.float64)
    daily = daily[~np.isnan(daily)]
    if len(daily) < LEAST_DAYS:
        return None
    base = daily[:BASELINE_DAYS]
    sigma = max(1.4826 * float(np.median(np.abs(base - np.median(base)))), LEAST_LEVEL_SD_C)
    found = ewma(daily, set_c, sigma)
    inside = np.flatnonzero((found.z >= found.low) & (found.z <= found.high))
    first = int(inside[-1]) + 1 if len(inside) else 0
    within = float(found.high[-1]) - set_c
    return HeldLevel(float(found.z[-1]), set_c, within, first if first < len(daily) else None)


# -- a probe among its peers ----------------------------------------------------------------------------------

BASELINE_DAYS: Final = 14
LEAST_DAYS: Final = 10
PERSISTS_DAYS: Final = 5
# Days on which the stack as a whole was further from its usual level than this tell of the room and not of a probe.
SAME_ROOM_C: Final = 1.0
# Smaller departures are not worth a hand: what two good probes differ by anyhow.
LEAST_DRIFT_C: Final = 0.25
LEAST_SD_C: Final = 0.05
# In a room that is heated otherwise than in the baseline a departure has to be so many times as large (judgement; the
# real room whose heating was changed six times stays silent).
OTHER_ROOM: Final = 2.0
# Beside the one that departs, its peers must have stayed together: within this share of the departure. A warmer or
# cooler stack moves all levels against each other (seen in published series of a heated room at three heights).
PEERS_SHARE: Final = 0.25
# A change of the vertical gradient that can happen by itself, K per metre.
MOST_GRADIENT_K_PER_M: Final = 3.0


@dataclass(frozen=True, slots=True)
class Departure:
    """A probe that has left its peers: by how much (C, over the last days), since which day, its rate by Theil and
    Sen (C per day, over the days since), the sum that told it and the days judged."""

    probe: str
    shift_c: float
    since_day: int
    rate_c_per_day: float
    sum: float
    days: int


@dataclass(frozen=True)
class PeerView:
    """What the peers say. ``state`` of each probe: "steady", "departing", or why nothing can be said."""

    state: Mapping[str, str]
    departure: Departure | None = None


def departing(days: Times, table: Mapping[str, Values], heights_cm: Mapping[str, float]) -> PeerView:
    """Whether exactly one probe of a stack has left the others.

    ``table``: for each probe its median of each day (``days``, increasing; NaN where it said too little).

    Each probe less the median of its peers goes through :func:`cusum` (k = 0.5, h = 5 of its own robust standard
    deviation) from a baseline of the first fourteen days. Ten days of baseline and five after it are needed. Only days
    count on which the stack is as warm as in the baseline (within 1 C): in another regime of heating another
    gradient holds. Where there are too few of them, all days count, and a departure has to be twice as large. It is
    told only when it has lasted five days, is 0.25 C or more, is seen against two
    peers at least which stayed together meanwhile, and is not what a changed gradient would do to all heights.
    """
    names = [n for n in table if int(np.sum(~np.isnan(table[n]))) >= LEAST_DAYS + PERSISTS_DAYS]
    state = dict.fromkeys(table, "too few days")
    if len(names) < 3:
        return PeerView(dict.fromkeys(table, "too few peers") if len(table) < 3 else state)
    values = np.vstack([table[n] for n in names])
    whole = ~np.isnan(values).any(axis=0)
    day, values = days[whole], values[:, whole]
    level = np.median(values, axis=0) if values.size else np.empty(0)
    usual = float(np.median(level[:BASELINE_DAYS])) if len(level) else 0.0
    same = np.abs(level - usual) <= SAME_ROOM_C
    base = int(np.sum(np.flatnonzero(same) < BASELINE_DAYS))
    least_c, otherwise = LEAST_DRIFT_C, "steady"
    if base < LEAST_DAYS or int(same.sum()) - base < PERSISTS_DAYS:
        least_c, otherwise = OTHER_ROOM * LEAST_DRIFT_C, "too few days in a room as warm as now"
        same, base = np.ones(len(level), bool), BASELINE_DAYS
        if len(level) - base < PERSISTS_DAYS:
            return PeerView(state | dict.fromkeys(names, otherwise))
    day, values = day[same], values[:, same]
    state |= dict.fromkeys(names, otherwise)
    found = [d for i in range(len(names)) if (d := _departure(i, names, day, values, base, least_c)) is not None]
    found = [d for d in found if _alone(d, names, values, base, heights_cm)]
    if len(found) != 1:
        return PeerView(state)
    return PeerView(state | {found[0].probe: "departing"}, found[0])


def _departure(
    index: int, names: Sequence[str], day: Times, values: Values, base: int, least_c: float
) -> Departure | None:
    d = values[index] - np.median(np.delete(values, index, axis=0), axis=0)
    target = float(np.median(d[:base]))
    sigma = max(1.4826 * float(np.median(np.abs(d[:base] - target))), LEAST_SD_C)
    sums = cusum(d[base:], target, sigma=sigma)
    tail = d[-PERSISTS_DAYS:] - target
    shift = float(np.median(tail))
    running = sums.high if shift > 0 else sums.low
    last = float(running[-1])
    if last <= 5.0 or abs(shift) < least_c:
        return None
    if not (np.sign(tail) == np.sign(shift)).all() or float(np.abs(tail).min()) < sigma:
        return None
    idle = np.flatnonzero(running <= 0.0)
    began = base + (int(idle[-1]) + 1 if len(idle) else 0)
    rate = theil_sen_slope(day[began:].astype(np.float64), d[began:])
    return Departure(names[index], shift, int(day[began]), rate, last, values.shape[1])


def _alone(d: Departure, names: Sequence[str], values: Values, base: int, heights_cm: Mapping[str, float]) -> bool:
    """Whether it is this probe alone that moved, and not the levels of the stack against each other."""
    shifts = np.median(values[:, -PERSISTS_DAYS:], axis=1) - np.median(values[:, :base], axis=1)
    me = names.index(d.probe)
    peers = [i for i in range(len(names)) if i != me]
    against = [i for i in peers if (shifts[me] - shifts[i]) * np.sign(d.shift_c) >= 0.6 * abs(d.shift_c)]
    if len(against) < 2:
        return False
    if any(abs(shifts[i] - shifts[j]) > PEERS_SHARE * abs(d.shift_c) for i, j in combinations(peers, 2)):
        return False
    heights = np.array([heights_cm[n] for n in names]) / 100.0
    if np.ptp(heights) == 0.0:
        return True
    slope, at_0 = np.polyfit(heights, shifts, 1)
    rest = float(np.abs(shifts - at_0 - slope * heights).max())
    return abs(float(slope)) > MOST_GRADIENT_K_PER_M or rest > PEERS_SHARE * abs(d.shift_c)
