"""Boxes of one stack against each other: the vertical gradient, with its uncertainty.

Warm air rises, and in a stack without a fan it stays on top. Half a degree between two boxes is days of hatch date; it
is also what two cheap probes may differ by in one and the same box. So a difference is always told with the
uncertainty of the probes behind it, and whether the probes alone could explain it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.boxes import ProbesError, Series, probes_error

# Of n levels that are truly alike the two furthest apart differ by more than this many standard uncertainties of a
# difference in one case of twenty: upper 5 % point of the studentized range at infinite degrees of freedom, over
# sqrt(2) (Harter 1960; recomputed). Two levels: 2, the usual coverage factor (GUM 6.3.3).
_FACTORS: Final = (2.0, 2.35, 2.57, 2.73, 2.85, 2.95, 3.03, 3.1, 3.16)


@dataclass(frozen=True)
class Level:
    """One height of a stack: mean temperature over the span looked at, and its probe's standard uncertainty, of which
    ``common_c`` is shared with the levels of the same ``session``."""

    name: str
    height_cm: float
    mean_c: float
    uncertainty_c: float
    compared: bool
    common_c: float = 0.0
    session: str = ""

    @property
    def error(self) -> ProbesError:
        own2 = max(self.uncertainty_c**2 - self.common_c**2, 0.0)
        return ProbesError(own2**0.5, self.common_c, self.session)


@dataclass(frozen=True)
class StackProfile:
    """A stack over the last hours.

    ``difference_c`` is warmest less coolest level, ``difference_sd_c`` its standard uncertainty from the probes
    (root of the sum of squares, less what both have in common from one session of comparison);
    ``gradient_c_per_m`` the straight line over height.
    ``levels`` are sorted by height; ``hours`` is how many hours all of them were measured in.
    """

    stack: str
    levels: tuple[Level, ...]
    difference_c: float
    difference_sd_c: float
    gradient_c_per_m: float | None
    warmest: str
    coolest: str
    from_ms: int
    to_ms: int
    hours: int

    @property
    def beyond_probes(self) -> bool:
        """Whether the difference is more than the probes alone explain: twice its standard uncertainty, and more with
        more than two levels, of which the warmest and the coolest were picked."""
        factor = _FACTORS[min(len(self.levels), len(_FACTORS) + 1) - 2]
        return self.difference_c > factor * self.difference_sd_c

    @property
    def compared(self) -> bool:
        """Whether both probes behind the difference were compared side by side."""
        named = {self.warmest, self.coolest}
        return all(level.compared for level in self.levels if level.name in named)


def profile(
    stack: str, series: Sequence[tuple[str, float, Series]], from_ms: int, to_ms: int, least_readings: int = 3
) -> StackProfile | None:
    """Vertical profile of a stack from (name, height in cm, readings) over a span.

    Only moments at which all levels were measured are compared (to the hour), so that a probe that was quiet
    during the warm half of the day does not look cool. Returns None with fewer than two levels.
    """
    usable = []
    for name, height, s in series:
        inside = (s.time_ms >= from_ms) & (s.time_ms <= to_ms)
        if int(inside.sum()) >= least_readings:
            usable.append((name, height, s, _hour_means(s.time_ms[inside], s.temperature_c[inside])))
    if len(usable) < 2:
        return None
    hours = set(usable[0][3])
    for _, _, _, means in usable[1:]:
        hours &= set(means)
    if not hours:
        return None
    levels = tuple(
        _level(name, height, s, float(np.mean([means[h] for h in hours])))
        for name, height, s, means in sorted(usable, key=lambda x: (x[1], x[0]))
    )
    warm = max(levels, key=lambda level: level.mean_c)
    cool = min(levels, key=lambda level: level.mean_c)
    heights = np.array([level.height_cm for level in levels]) / 100.0
    gradient = None
    if np.ptp(heights) > 0:
        gradient = float(np.polyfit(heights, [level.mean_c for level in levels], 1)[0])
    return StackProfile(
        stack=stack,
        levels=levels,
        difference_c=warm.mean_c - cool.mean_c,
        difference_sd_c=warm.error.against(cool.error),
        gradient_c_per_m=gradient,
        warmest=warm.name,
        coolest=cool.name,
        from_ms=from_ms,
        to_ms=to_ms,
        hours=len(hours),
    )


def _level(name: str, height_cm: float, series: Series, mean_c: float) -> Level:
    error = probes_error([series.probe])
    return Level(name, height_cm, mean_c, error.total_c, series.probe.compared, error.common_c, error.session)


def _hour_means(time_ms: NDArray[np.int64], temperature_c: NDArray[np.float64]) -> dict[int, float]:
    hours = time_ms // 3_600_000
    found, index = np.unique(hours, return_inverse=True)
    sums = np.bincount(index, temperature_c)
    counts = np.bincount(index)
    return {int(h): float(s / c) for h, s, c in zip(found, sums, counts, strict=True)}
