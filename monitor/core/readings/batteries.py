"""Batteries of probes: their level, how it falls, and how long it will last as it goes.

A battery's level is no reading of a box: it is kept apart everywhere (``Room.batteries`` of the settings).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from monitor.core.maths.robust import theil_sen
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.settings import Probe
from monitor.values import dataclass

LOOK_BACK_DAYS: Final = 60
LEAST_DAYS: Final = 7
"""Days of a level that are the least for a trend."""
RENEWED: Final = {"%": 10.0, "V": 0.15}
"""A level that rises by more from one day to the next is that of another battery, or of one that was charged.
Judgement, no source."""
DEADBAND: Final = {"%": 5.0, "V": 0.1}
"""So much above its low level it is no longer low: a cold night alone moves a cell by some hundredths of a volt
(judgement, no source)."""


@dataclass(frozen=True, slots=True)
class BatteryTrend:
    """How a level falls, in its unit a day (negative), with the days until a level is reached: middle and 95 %."""

    per_day: float
    until: float
    days: float
    days_low: float
    days_high: float


@dataclass(frozen=True, slots=True)
class BatteryNow:
    """A battery at this moment. ``level`` is the median of its newest readings, ``at_ms`` the time of the newest;
    ``trend`` None: ``untold`` says why nothing is said of how long it lasts."""

    battery: Probe
    level: float | None = None
    at_ms: int | None = None
    trend: BatteryTrend | None = None
    untold: str = ""

    @property
    def low(self) -> float:
        assert self.battery.low is not None
        return self.battery.low

    def shown(self, level: float) -> str:
        """A level in the battery's unit."""
        return f"{level:.0f} %" if self.battery.unit == "%" else f"{level:.2f} V"


def trend(days: Times, levels: Values, now: float, low: float, unit: str) -> tuple[BatteryTrend | None, str]:
    """From a level for each day, shape (n,), days increasing, to how long the present level ``now`` lasts.

    Until ``low``, or where that is reached already until 0 if the unit is per cent. Robust line (Theil 1950, Sen 1968)
    through the days since the battery was renewed. (None, reason) where it cannot be said: too few days, or a level
    that does not fall steadily (the 95 % interval of its slope reaches 0).
    """
    since = 0
    if len(levels) > 1:
        rises = np.flatnonzero(np.diff(levels) > RENEWED[unit])
        since = int(rises[-1]) + 1 if len(rises) else 0
    days, levels = days[since:], levels[since:]
    if len(days) < LEAST_DAYS:
        return None, f"known for {len(days)} of the {LEAST_DAYS} days that a trend needs"
    line = theil_sen(days.astype(np.float64), levels)
    if not line.high < 0.0:
        return None, "it does not fall steadily"
    until = low if now > low else 0.0
    if now <= low and unit != "%":
        return None, f"falls by {-line.slope:.3g} V a day; how long it lasts below its low level is not known"
    left = now - until
    return BatteryTrend(line.slope, until, left / -line.slope, left / -line.low, _upper(left, line.high)), ""


def _upper(left: float, slope: float) -> float:
    return left / -slope if slope < -1e-9 else math.inf


def say(battery: BatteryNow) -> str:
    """How long it lasts, in words; empty where nothing is known of it."""
    found = battery.trend
    if found is None:
        return battery.untold
    high = "more" if found.days_high > 999 else f"{found.days_high:.0f}"
    what = f"about {found.days:.0f} days until {battery.shown(found.until)} ({found.days_low:.0f} to {high})"
    return f"falls by {-found.per_day:.2g} {battery.battery.unit} a day: {what}"
