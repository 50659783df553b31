"""Boxes of one stack against each other: the vertical gradient, with its uncertainty.

Warm air rises, and in a stack without a fan it stays on top. Half a degree between two boxes is days of hatch date; it
is also what two cheap probes may differ by in one and the same box. So a difference is always told with the
uncertainty of the probes behind it, and whether the probes alone could explain it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise
from typing import Final

import numpy as np

from monitor.core.climate.box_temperature import ProbesError, Series, probes_error
from monitor.core.maths.robust import median, theil_sen_slope
from monitor.core.terms.arrays import Times, Values, distinct
from monitor.core.terms.times import HOUR_MS
from monitor.values import dataclass

# Of n levels that are truly alike the two furthest apart differ by more than this many standard uncertainties of a
# difference in one case of twenty: upper 5 % point of the studentized range at infinite degrees of freedom, over
# sqrt(2) (Harter 1960; recomputed). Two levels: 2, the usual coverage factor (GUM 6.3.3).
_FACTORS: Final = (2.0, 2.35, 2.57, 2.73, 2.85, 2.95, 3.03, 3.1, 3.16)

# By how much a level that is measured rightly may lie off the straight line through the others, as standard deviation:
# this much, and a share of what the others differ by. In a room held at 30 C the middle of three heights lay 0.44 C off
# a line of 1.16 C (IEA EBC Annex 58, twin house). The figures are judgement.
OFF_LINE_C: Final = 0.2
OFF_LINE_SHARE: Final = 0.3
# One level stands out when it is off by so many standard deviations, and the others agree to a third of that.
STANDS_OUT: Final = 3.0
OTHERS_SHARE: Final = 1.0 / 3.0
# Between two measured heights it need not be as warm as a straight line between them says: standard deviation at the
# middle, as a share of what the two differ by. Judgement; the three heights above lay 0.37 of it off.
BETWEEN_SHARE: Final = 0.25


@dataclass(frozen=True)
class Level:
    """One height of a stack: mean temperature over the span looked at, and its probe's standard uncertainty, of which
    ``common_c`` is shared with the levels of the same ``session``. ``noise_c``: what is left of noise and of the code's
    step in the mean, as standard uncertainty."""

    name: str
    height_cm: float
    mean_c: float
    uncertainty_c: float
    compared: bool
    common_c: float = 0.0
    session: str = ""
    noise_c: float = 0.0

    @cached_property
    def error(self) -> ProbesError:
        """Of the mean: the probe's and what is left of noise."""
        own2 = max(self.uncertainty_c**2 - self.common_c**2, 0.0) + self.noise_c**2
        return ProbesError(own2**0.5, self.common_c, self.session)


@dataclass(frozen=True, slots=True)
class LevelPair:
    """A level against the one below it: ``difference_c`` upper less lower, its standard uncertainty, and ``chance``
    that the one which reads warmer is warmer (normal distribution, nothing known before)."""

    lower: Level
    upper: Level
    difference_c: float
    sd_c: float
    chance: float


@dataclass(frozen=True, slots=True)
class Gradient:
    """A robust line over height: C per metre with its 95 % interval, ``at_c`` at ``height_cm``."""

    c_per_m: float
    low: float
    high: float
    at_c: float
    height_cm: float

    def at(self, height_cm: float) -> float:
        return self.at_c + self.c_per_m * (height_cm - self.height_cm) / 100.0


@dataclass(frozen=True, slots=True)
class Odd:
    """One level that stands out from the line through the others, by ``off_c`` (its own reading less the line)."""

    level: Level
    off_c: float
    sd_c: float


@dataclass(frozen=True, slots=True)
class Place:
    """A height at which a temperature is to be had; ``low_cm`` to ``high_cm`` is the 95 % interval, an end None where
    it lies beyond the measured levels."""

    height_cm: float
    low_cm: float | None
    high_cm: float | None
    sd_c: float


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
    def names(self) -> list[str]:
        return [level.name for level in self.levels]

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

    @property
    def mean_c(self) -> float:
        """Of its levels, each counted alike."""
        return sum(x.mean_c for x in self.levels) / len(self.levels)

    def level(self, name: str) -> Level | None:
        return next((x for x in self.levels if x.name == name), None)

    @property
    def steps(self) -> tuple[LevelPair, ...]:
        """Each level against the one below, from the lowest up."""
        found = []
        for lower, upper in pairwise(self.levels):
            difference, sd = upper.mean_c - lower.mean_c, upper.error.against(lower.error)
            chance = 0.5 * (1.0 + math.erf(abs(difference) / sd / math.sqrt(2.0))) if sd > 0.0 else 1.0
            found.append(LevelPair(lower, upper, difference, sd, chance))
        return tuple(found)

    @cached_property
    def odd(self) -> Odd | None:
        """The one level that stands out from the others, if there is one: more likely its probe than the room.

        Of four levels at least, and the others must agree with the line through them to a third of what it is off. It
        must be off that line by three standard deviations of its probe, of the line and of what a curved profile may
        be off; or be warmer or cooler than both its neighbours by three of theirs, which no curve does. Of several
        the one without which the others agree best. The lowest or the uppermost level may be another climate (a
        floor, a lamp): there the line is carried on, and its uncertainty grows with it.
        """
        found = []
        heights, means = _points(self.levels)
        for i, level in enumerate(self.levels if len(self.levels) >= 4 else ()):
            beside, said = np.delete(heights, i), np.delete(means, i)
            if np.ptp(beside) == 0.0:
                continue
            slope, at = _robust_line(beside, said)
            rest = float(np.abs(said - at - slope * beside).max())
            off = float(means[i] - at - slope * heights[i])
            others = [x for x in self.levels if x is not level]
            # How sure a line is takes longest, and is asked of few.
            if rest > OTHERS_SHARE * abs(off) or (line := gradient_of(others)) is None:
                continue
            sd = _off_line_sd(level, others, line)
            out = abs(off) / sd
            if 0 < i < len(self.levels) - 1:
                out = max(out, _off_neighbours(self.levels[i - 1], level, self.levels[i + 1]))
            if out > STANDS_OUT:
                found.append((rest, Odd(level, off, sd)))
        return min(found, key=lambda x: x[0])[1] if found else None

    @property
    def gradient(self) -> Gradient | None:
        """The robust line over height, without a level that stands out; None where all are at one height."""
        odd = self.odd
        return gradient_of([x for x in self.levels if odd is None or x is not odd.level])

    def temperature_at(self, height_cm: float) -> tuple[float, float] | None:
        """Temperature and its standard uncertainty at a height between the levels; None outside of them."""
        for a, b in pairwise(self.levels):
            if a.height_cm <= height_cm <= b.height_cm and b.height_cm > a.height_cm:
                share = (height_cm - a.height_cm) / (b.height_cm - a.height_cm)
                mean = a.mean_c + share * (b.mean_c - a.mean_c)
                bent = 4.0 * share * (1.0 - share) * BETWEEN_SHARE * abs(b.mean_c - a.mean_c)
                return mean, math.hypot((1.0 - share) * a.error.total_c, share * b.error.total_c, bent)
        return None

    def place_for(self, temperature_c: float, near_cm: float | None = None) -> Place | None:
        """The height between the levels at which it is so warm, nearest to ``near_cm``; None where it nowhere is."""
        found = []
        for a, b in pairwise(self.levels):
            rise = b.mean_c - a.mean_c
            if rise == 0.0 or b.height_cm <= a.height_cm or not 0.0 <= (temperature_c - a.mean_c) / rise <= 1.0:
                continue
            height = a.height_cm + (temperature_c - a.mean_c) / rise * (b.height_cm - a.height_cm)
            at = self.temperature_at(height)
            assert at is not None
            reach = 2.0 * at[1] / abs(rise) * (b.height_cm - a.height_cm)
            ends = height - reach, height + reach
            first, last = self.levels[0].height_cm, self.levels[-1].height_cm
            found.append(
                Place(height, ends[0] if ends[0] >= first else None, ends[1] if ends[1] <= last else None, at[1])
            )
        near = found[0].height_cm if near_cm is None and found else near_cm
        return min(found, key=lambda p: abs(p.height_cm - (near or 0.0))) if found else None


def _off_line_sd(level: Level, others: Sequence[Level], line: Gradient) -> float:
    """Standard deviation of a level about the line through the others."""
    low, high = others[0].height_cm, others[-1].height_cm
    beyond = max(low - level.height_cm, level.height_cm - high, 0.0) / (high - low)
    bent = (OFF_LINE_C + OFF_LINE_SHARE * abs(line.c_per_m) * (high - low) / 100.0) * (1.0 + beyond)
    tilt = (line.high - line.low) / 4.0 * abs(level.height_cm - line.height_cm) / 100.0
    middle = math.sqrt(sum(x.error.own_c**2 for x in others)) / len(others)
    return math.hypot(level.error.total_c, tilt, middle, bent)


def _off_neighbours(below: Level, level: Level, above: Level) -> float:
    """By how many standard deviations a level is warmer, or cooler, than both its neighbours; 0 for between them."""
    by = [
        max(side * (level.mean_c - x.mean_c), 0.0) / math.hypot(level.error.against(x.error), OFF_LINE_C)
        for side in (1.0, -1.0)
        for x in (below, above)
    ]
    return max(min(by[:2]), min(by[2:]))


def _points(levels: Sequence[Level]) -> tuple[Values, Values]:
    """Heights in metres and means, shape (n,) each."""
    return np.array([x.height_cm for x in levels]) / 100.0, np.array([x.mean_c for x in levels])


def _robust_line(heights_m: Values, means_c: Values) -> tuple[float, float]:
    """Theil-Sen slope (C per metre), and the line at height 0."""
    slope = theil_sen_slope(heights_m, means_c)
    return slope, median(means_c - slope * heights_m)


def gradient_of(levels: Sequence[Level]) -> Gradient | None:
    """Theil-Sen line through levels with its interval; None for fewer than two heights.

    The interval is two standard uncertainties of the least-squares slope through the same heights (what a session of
    comparison made common to all of them moves no slope), widened by the Birge ratio (Birge 1932) where the levels
    scatter about the line by more than their probes explain.
    """
    heights, means = _points(levels)
    if len(levels) < 2 or np.ptp(heights) == 0.0:
        return None
    slope, at = _robust_line(heights, means)
    middle = float(np.mean(heights))
    lever = heights - middle
    weights = lever / float(lever @ lever)
    own = np.array([x.error.own_c for x in levels])
    sessions = {x.error.session for x in levels}
    common = np.array([x.error.common_c for x in levels])
    variance = float(weights**2 @ own**2)
    for session in sessions:
        inside = np.array([x.error.session == session for x in levels])
        shared = weights[inside] * common[inside]
        variance += float(shared.sum()) ** 2 if session else float(shared @ shared)
    left = means - at - slope * heights
    spread2 = np.maximum(own**2, 1e-6)
    ratio = math.sqrt(float(np.sum(left**2 / spread2)) / (len(levels) - 2)) if len(levels) > 2 else 1.0
    half = 2.0 * math.sqrt(variance) * max(ratio, 1.0)
    return Gradient(slope, slope - half, slope + half, at + slope * middle, 100.0 * middle)


def profile(
    stack: str,
    series: Sequence[tuple[str, float, Series]],
    from_ms: int,
    to_ms: int,
    least_readings: int = 3,
    least_levels: int = 2,
) -> StackProfile | None:
    """Vertical profile of a stack from (name, height in cm, readings) over a span.

    Only moments at which all levels were measured are compared (to the hour), so that a probe that was quiet
    during the warm half of the day does not look cool. Returns None with fewer than ``least_levels`` levels.
    """
    usable = []
    for name, height, s in series:
        start, stop = s.time_ms.searchsorted((from_ms, to_ms + 1)).tolist()
        if stop - start >= least_readings:
            value = s.temperature_c[start:stop]
            usable.append((name, height, s, _hour_means(s.time_ms[start:stop], value), _noise_of_mean(value)))
    if len(usable) < max(least_levels, 1):
        return None
    hours = set(usable[0][3])
    for _, _, _, means, _ in usable[1:]:
        hours &= set(means)
    if not hours:
        return None
    levels = tuple(
        _level(name, height, s, float(np.mean([means[h] for h in hours])), noise_c)
        for name, height, s, means, noise_c in sorted(usable, key=lambda x: (x[1], x[0]))
    )
    warm = max(levels, key=lambda level: level.mean_c)
    cool = min(levels, key=lambda level: level.mean_c)
    heights = np.array([level.height_cm for level in levels]) / 100.0
    away = heights - np.mean(heights)
    gradient = None
    if np.ptp(heights) > 0:
        gradient = float(away @ [level.mean_c for level in levels]) / float(away @ away)
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


def _level(name: str, height_cm: float, series: Series, mean_c: float, noise_c: float) -> Level:
    error = probes_error([series.probe])
    return Level(name, height_cm, mean_c, error.total_c, series.probe.compared, error.common_c, error.session, noise_c)


def _noise_of_mean(temperature_c: Values) -> float:
    """Standard uncertainty of a mean from noise and from the step of the code.

    Noise from first differences over sqrt(2), which the course of the room is not in; the step's even spread (its
    twelfth, GUM F.2.2.1) is averaged over the codes that were gone through.
    """
    codes = _codes(temperature_c)
    if len(codes) < 2:
        return 0.0
    moves = temperature_c[1:] - temperature_c[:-1]
    mean = (float(temperature_c[-1]) - float(temperature_c[0])) / len(moves)
    noise = math.sqrt(max(float(moves @ moves) / len(moves) - mean**2, 0.0) / 2.0)
    step = float((codes[1:] - codes[:-1]).min())
    return math.hypot(noise / math.sqrt(len(temperature_c)), step / math.sqrt(12.0) / math.sqrt(len(codes)))


def _codes(temperature_c: Values) -> Values:
    """The different values, to six places, rising; of hundredths, as most probes send them, without sorting."""
    if not len(temperature_c):
        return temperature_c
    hundredths = np.rint(100.0 * temperature_c)
    lowest, span = float(hundredths.min()), float(np.ptp(hundredths))
    codes = hundredths / 100.0
    alike = np.array_equal(codes, temperature_c) or np.array_equal(codes, np.round(temperature_c, 6))
    if span >= len(temperature_c) or not alike:
        return distinct(np.round(temperature_c, 6))
    there = np.zeros(int(span) + 1, bool)
    there[(hundredths - lowest).astype(np.intp)] = True
    return np.asarray((np.flatnonzero(there) + lowest) / 100.0, np.float64)


def _hour_means(time_ms: Times, temperature_c: Values) -> dict[int, float]:
    first, last = int(time_ms[0]) // HOUR_MS, int(time_ms[-1]) // HOUR_MS
    begins = time_ms.searchsorted(np.arange(first, last + 2) * HOUR_MS)
    counts = begins[1:] - begins[:-1]
    there = np.flatnonzero(counts)
    means = np.add.reduceat(temperature_c, begins[there]) / counts[there]
    return dict(zip((first + there).tolist(), means.tolist(), strict=True))
