"""What if: the same lot at another temperature, by a schedule, or in another box.

Nothing here changes what is: it answers what the date would be. Rates are those of the published curve; the uncertainty
of a temperature that is only planned is the keeper's to judge, so a plan counts as kept.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.development.curves import RateCurve
from monitor.core.development.window import ExpectedRates
from monitor.core.terms.formats import show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.errors import ModelOutOfRange, UsageError
from monitor.values import dataclass

# Below this rate per day eggs hardly develop: a whole incubation would take longer than the longest that a profile may
# tell of, and a date by it would lie years ahead.
LEAST_RATE: Final = 1e-3


@dataclass(frozen=True)
class PlannedTemperature:
    """A planned temperature from ``from_ms`` on, until the next step."""

    from_ms: int
    temperature_c: float


@dataclass(frozen=True)
class Plan:
    """Planned temperatures in order of time; the last one holds for ever. ``label`` is how the keeper said it."""

    steps: tuple[PlannedTemperature, ...]
    label: str = ""

    def __post_init__(self) -> None:
        times = [s.from_ms for s in self.steps]
        if not times or times != sorted(set(times)):
            raise UsageError("a plan's temperatures must follow each other in time", fix='"29.0 until DAY, 27.5"')

    @staticmethod
    def constant(temperature_c: float) -> Plan:
        return Plan((PlannedTemperature(0, temperature_c),))

    def rates(self, curve: RateCurve, now_ms: int, unit: DisplayUnit = "C") -> tuple[float, ExpectedRates]:
        """Mean temperature of the plan until development 1 could be reached (first 365 days), and the way there.

        Raises ModelOutOfRange when eggs do not develop at the plan's last temperature.
        """
        temperature = np.array([s.temperature_c for s in self.steps])
        rate = curve.rate_per_day(temperature)
        if rate[-1] < LEAST_RATE:
            raise ModelOutOfRange(
                f"at {show_temperature(self.steps[-1].temperature_c, unit)} eggs of this species hardly develop",
                fix="plan to end at a temperature within the profile's table",
            )
        days, gains, gain = [], [], 0.0
        for i, step in enumerate(self.steps):
            start = max((step.from_ms - now_ms) / DAY_MS, 0.0)
            stop = (self.steps[i + 1].from_ms - now_ms) / DAY_MS if i + 1 < len(self.steps) else math.inf
            if stop <= 0.0 or math.isinf(stop):
                continue
            gain += float(rate[i]) * (stop - start)
            days.append(stop)
            gains.append(gain)
        here = next((i for i in range(len(self.steps) - 1, -1, -1) if self.steps[i].from_ms <= now_ms), 0)
        mean = float(temperature[here]) if not days else float(np.mean(temperature[here:]))
        return mean, ExpectedRates(float(rate[-1]), days_ahead=tuple(days), development_ahead=tuple(gains))


@dataclass(frozen=True)
class Swap:
    """Two boxes of a clutch changing places.

    ``apart_days`` as things are (late less early), ``apart_if_now_days`` when they are swapped now;
    ``in_days`` is when to swap so that both come together, None when no swap within the time left does.
    """

    apart_days: float
    apart_if_now_days: float
    in_days: float | None


def swap(development: tuple[float, float], rate_per_day: tuple[float, float]) -> Swap:
    """What exchanging the two boxes' places does.

    The lots stand at ``development`` and their places give ``rate_per_day``, lot by lot. After a swap in x days
    the first needs (1 - d1 - r1 x) / r2 more days and the second (1 - d2 - r2 x) / r1; both are equal at
    x = (r1 (1 - d1) - r2 (1 - d2)) / (r1^2 - r2^2).
    Raises ModelOutOfRange for rates that lead nowhere.
    """
    (d1, d2), (r1, r2) = development, rate_per_day
    if min(r1, r2) < LEAST_RATE:
        raise ModelOutOfRange("a box without development has no date to compare", fix="look at its temperature")
    left = (1.0 - d1) / r1, (1.0 - d2) / r2
    apart = left[1] - left[0]
    swapped = (1.0 - d2) / r1 - (1.0 - d1) / r2
    at: float | None = None
    if abs(r1 - r2) > 1e-9:
        x = (r1 * (1.0 - d1) - r2 * (1.0 - d2)) / (r1**2 - r2**2)
        if 0.0 <= x <= min(left):
            at = x
    return Swap(apart, swapped, at)


def set_points(curve: RateCurve, low_c: float, high_c: float, count: int = 9) -> Sequence[float]:
    """Evenly spaced temperatures to try, in half or whole steps, within the curve's table."""
    low, high = max(low_c, curve.low_c), min(high_c, curve.high_c)
    if high <= low:
        return [round(low, 1)]
    step = max(math.ceil((high - low) / max(count - 1, 1) / 0.5) * 0.5, 0.5)
    first = math.ceil(low / 0.5) * 0.5
    return [first + step * i for i in range(int((high - first) / step + 1e-9) + 1)]
