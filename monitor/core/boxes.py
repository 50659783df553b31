"""From probes to the temperature of a box, and over its gaps.

The eggs do not stop for a dead probe. What was measured is integrated exactly; what was not is filled, its
uncertainty is kept, and the filled share is told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.curves import RateCurve
from monitor.core.settings import Box, Probe, Room

Times = NDArray[np.int64]
Values = NDArray[np.float64]

# A gap up to this long is bridged by a straight line between its ends: a box of damp substrate has a time
# constant of hours (first-order lag; see climate.py), so it cannot have been far from that line.
SHORT_GAP_H: Final = 6
# How many days back the difference to a neighbour, or the box's own course of the day, is taken from.
LOOK_BACK_DAYS: Final = 7
# Least standard uncertainty of a filled temperature, in C: by straight line, from neighbours, from own days,
# and where nothing but the profile's middle is left. Judgement, no source.
LEAST_SD_C: Final = {"line": 0.3, "neighbours": 0.3, "own days": 0.6, "assumed": 2.0}
# What a height-interpolated temperature may be off beside the probes' own error. Judgement, no source.
BETWEEN_HEIGHTS_SD_C: Final = 0.5


@dataclass(frozen=True, slots=True)
class ProbesError:
    """Standard uncertainty of a temperature from the probes behind it: ``own_c`` is independent of everything else,
    ``common_c`` is shared with all that comes from probes of the same session of comparison."""

    own_c: float
    common_c: float = 0.0
    session: str = ""

    @property
    def total_c(self) -> float:
        return math.hypot(self.own_c, self.common_c)

    def against(self, other: ProbesError) -> float:
        """Standard uncertainty of a difference: what is common to both is not in it (GUM F.1.2.3)."""
        if self.session and self.session == other.session:
            return math.hypot(self.own_c, other.own_c, self.common_c - other.common_c)
        return math.hypot(self.total_c, other.total_c)


def probes_error(probes: Sequence[Probe]) -> ProbesError:
    """Of the mean of some probes (none: nothing to be off)."""
    n = len(probes)
    if n == 0:
        return ProbesError(0.0)
    own2 = sum(max(p.standard_uncertainty**2 - p.common_c**2, 0.0) for p in probes)
    session = probes[0].session
    if session and all(p.session == session for p in probes):
        return ProbesError(math.sqrt(own2) / n, sum(p.common_c for p in probes) / n, session)
    return ProbesError(math.sqrt(sum(p.standard_uncertainty**2 for p in probes)) / n)


@dataclass(frozen=True)
class Series:
    """Usable, corrected readings of one probe: times (int64 ms, strictly increasing) and temperatures (C)."""

    probe: Probe
    time_ms: Times
    temperature_c: Values


@dataclass(frozen=True)
class BoxSeries:
    """Temperature of a box over time. Steps longer than ``max_gap_s`` are gaps.

    ``uncertainty_c`` is the standard uncertainty that is common to the whole series (the probes' error);
    ``source`` says in words what it was made from.
    """

    time_ms: Times
    temperature_c: Values
    max_gap_s: float
    uncertainty_c: float
    source: str

    def clipped(self, from_ms: int, to_ms: int) -> BoxSeries:
        """The part inside a span, with interpolated end points where a joined step crosses its edge."""
        t, v = self.time_ms, self.temperature_c
        inside = (t >= from_ms) & (t <= to_ms)
        at, temp = t[inside], v[inside]
        lead = np.searchsorted(t, from_ms, "left")
        if 0 < lead < len(t) and t[lead] > from_ms and t[lead] - t[lead - 1] <= self.max_gap_s * 1000:
            first = float(np.interp(from_ms, t[lead - 1 : lead + 1], v[lead - 1 : lead + 1]))
            at, temp = np.insert(at, 0, from_ms), np.insert(temp, 0, first)
        tail = np.searchsorted(t, to_ms, "right")
        if 0 < tail < len(t) and t[tail - 1] < to_ms and t[tail] - t[tail - 1] <= self.max_gap_s * 1000:
            last = float(np.interp(to_ms, t[tail - 1 : tail + 1], v[tail - 1 : tail + 1]))
            at, temp = np.append(at, to_ms), np.append(temp, last)
        order = np.unique(at, return_index=True)[1]
        return BoxSeries(at[order], temp[order], self.max_gap_s, self.uncertainty_c, self.source)


def _at(series: Series, grid: Times) -> Values:
    """Interpolated on a grid; NaN where the probe's step is a gap or it has not begun or has ended."""
    t, v = series.time_ms, series.temperature_c
    if len(t) == 0:
        return np.full(len(grid), np.nan)
    value = np.interp(grid, t, v)
    right = np.clip(np.searchsorted(t, grid, "left"), 0, len(t) - 1)
    left = np.clip(right - 1, 0, len(t) - 1)
    exact = t[right] == grid
    inside = (grid >= t[0]) & (grid <= t[-1]) & (t[right] - t[left] <= series.probe.max_gap_s * 1000)
    return np.where(exact | inside, value, np.nan)


def _held(series: Series, grid: Times) -> Values:
    """The newest reading at or before each moment, until the probe counts as quiet; NaN before and after."""
    t, v = series.time_ms, series.temperature_c
    if len(t) == 0:
        return np.full(len(grid), np.nan)
    newest = np.searchsorted(t, grid, "right") - 1
    age_ms = grid - t[np.maximum(newest, 0)]
    return np.where((newest >= 0) & (age_ms < series.probe.quiet_after_s * 1000), v[newest], np.nan)


def box_series(
    own: Sequence[Series],
    around: Sequence[tuple[float, Series]] = (),
    height_cm: float = 0.0,
    *,
    as_heard: bool = False,
) -> BoxSeries:
    """Temperature of a box.

    Parameters
    ----------
    own : the probes inside the box. Several are averaged where they overlap.
    around : (height in cm, series) of other probes of the same stack; used only when ``own`` is empty:
        interpolated over the height, constant beyond the lowest and highest.
    height_cm : height of the box.
    as_heard : how several probes are brought to one moment. False: interpolated between their readings, which the
        sum over the past needs. True: each probe's newest reading by then, which is all that is known at the moment
        itself: what is judged must not hang on whichever probe spoke last, nor change with what comes later.

    The uncertainty is that of the mean of independent probes; between heights another 0.5 C is added.
    """
    # Of all probes, also those without a reading here: what is joined must not hang on the span that was loaded.
    max_gap_s = max((s.probe.max_gap_s for s in (*own, *(s for _, s in around))), default=7200.0)
    at = _held if as_heard else _at
    own = [s for s in own if len(s.time_ms)]
    if len(own) == 1:
        only = own[0]
        return BoxSeries(only.time_ms, only.temperature_c, max_gap_s, only.probe.standard_uncertainty, "its own probe")
    if own:
        grid = np.unique(np.concatenate([s.time_ms for s in own]))
        table = np.vstack([at(s, grid) for s in own])
        counted = np.sum(~np.isnan(table), axis=0)
        u = probes_error([s.probe for s in own]).total_c
        # Every moment of the grid is the reading of one of them.
        return BoxSeries(grid, np.nansum(table, axis=0) / counted, max_gap_s, u, f"the mean of its {len(own)} probes")
    near = sorted(((h, s) for h, s in around if len(s.time_ms)), key=lambda x: x[0])
    if not near:
        return BoxSeries(np.empty(0, np.int64), np.empty(0, np.float64), max_gap_s, 0.0, "no probe")
    grid = np.unique(np.concatenate([s.time_ms for _, s in near]))
    table = np.vstack([at(s, grid) for _, s in near])
    heights = np.array([h for h, _ in near])
    result = np.full(len(grid), np.nan)
    for i in range(len(grid)):
        known = ~np.isnan(table[:, i])
        if known.any():
            result[i] = np.interp(height_cm, heights[known], table[known, i])
    u = float(np.hypot(max(s.probe.standard_uncertainty for _, s in near), BETWEEN_HEIGHTS_SD_C))
    return BoxSeries(grid, result, max_gap_s, u, "the stack's other probes, by height")


@dataclass(frozen=True)
class HourTable:
    """Hours ``first_hour`` .. of one box: arrays of equal length.

    ``development`` and ``degree_days`` are of the covered time only; ``mean_c`` is NaN where nothing is
    covered; ``need_s`` is how much of the hour is asked for (less than 3600 in the first and last).
    """

    first_hour: int
    development: Values
    degree_days: Values
    mean_c: Values
    covered_s: Values
    need_s: Values

    def __len__(self) -> int:
        return len(self.mean_c)


@dataclass(frozen=True)
class Filled:
    """An hour table with its gaps filled.

    ``development`` and ``degree_days`` per hour, measured and filled together; ``filled_s`` per hour;
    ``development_sd`` is the standard uncertainty of the filled development in all; ``how`` the filled seconds
    by way of filling.
    """

    development: Values
    degree_days: Values
    filled_s: Values
    development_sd: float
    how: Mapping[str, float]
    temperature_c: Values


def fill(
    table: HourTable, curve: RateCurve, neighbours: Sequence[HourTable] = (), fallback_c: float | None = None
) -> Filled:
    """Fill the uncovered time of each hour.

    Short gaps (six hours at most, both ends known) by a straight line; longer ones from the neighbours: their
    temperature plus this box's usual difference to them over the last seven days before the gap or after it;
    else from the box's own recent days at the same hour; else ``fallback_c``. Nothing is filled when even that
    is None: the time then stays uncovered and is shown as such.

    Errors within one gap are taken as wholly correlated, those of different gaps as independent.
    """
    n = len(table)
    missing_s = np.maximum(table.need_s - table.covered_s, 0.0)
    # Less than a second per hour is rounding at the seams of segments.
    missing_s[missing_s < 1.0] = 0.0
    known = table.covered_s >= 60.0
    temperature = np.where(known, table.mean_c, np.nan)
    development = table.development.copy()
    degree_days = table.degree_days.copy()
    filled_s = np.zeros(n)
    how: dict[str, float] = {}
    variance = 0.0
    aligned = [_aligned(other, table) for other in neighbours]
    for start, stop in _runs(missing_s > 0.0):
        gap = np.arange(start, stop)
        seconds = missing_s[gap]
        short = float(seconds.sum()) <= SHORT_GAP_H * 3600.0
        values, sd, way = _gap_temperature(gap, temperature, aligned, fallback_c, n, short=short)
        if values is None:
            continue
        rate = curve.rate_per_day(values)
        slope = (curve.rate_per_day(values + 0.1) - curve.rate_per_day(values - 0.1)) / 0.2
        development[gap] += rate * seconds / 86400.0
        degree_days[gap] += np.maximum(values - curve.base_c, 0.0) * seconds / 86400.0
        filled_s[gap] = seconds
        how[way] = how.get(way, 0.0) + float(seconds.sum())
        variance += float(np.sum(np.abs(slope) * sd * seconds / 86400.0)) ** 2
        temperature[gap] = np.where(np.isnan(temperature[gap]), values, temperature[gap])
    return Filled(development, degree_days, filled_s, float(np.sqrt(variance)), how, temperature)


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(edges[i]), int(edges[i + 1])) for i in range(0, len(edges), 2)]


def _aligned(other: HourTable, table: HourTable) -> Values:
    """A neighbour's hourly means on the table's hours; its own short gaps are bridged, its long ones stay NaN.

    Just after a full hour a neighbour has not spoken yet in the hour that has begun.
    """
    result = np.full(len(table), np.nan)
    shift = other.first_hour - table.first_hour
    a, b = max(0, shift), min(len(table), shift + len(other))
    if a < b:
        result[a:b] = np.where(other.covered_s >= 60.0, other.mean_c, np.nan)[a - shift : b - shift]
    known = np.flatnonzero(~np.isnan(result))
    if len(known):
        for start, stop in _runs(np.isnan(result)):
            if stop - start <= SHORT_GAP_H:
                result[start:stop] = np.interp(np.arange(start, stop), known, result[known])
    return result


def _gap_temperature(
    gap: NDArray[np.int64],
    own: Values,
    neighbours: Sequence[Values],
    fallback_c: float | None,
    n: int,
    *,
    short: bool,
) -> tuple[Values | None, Values, str]:
    """Temperatures for the hours of a gap, their sd, and the way they were found."""
    start, stop = int(gap[0]), int(gap[-1]) + 1
    # An hour that is only partly missing knows its own mean.
    before = next(
        (i for i in range(start if not np.isnan(own[start]) else start - 1, -1, -1) if not np.isnan(own[i])), None
    )
    after = next((i for i in range(stop - 1 if not np.isnan(own[stop - 1]) else stop, n) if not np.isnan(own[i])), None)
    ones = np.ones(len(gap))
    near = before is not None and start - before <= 1 and (after is not None and after - (stop - 1) <= 1)
    if near and short:
        assert before is not None
        assert after is not None
        values = np.interp(gap, [before, max(after, before + 1)], [own[before], own[after]])
        return values, LEAST_SD_C["line"] * ones, "line"
    if before is not None and start - before <= 1 and after is None and short:
        # The newest reading is a little old: the box is still about as warm.
        return own[before] * ones, LEAST_SD_C["line"] * ones, "line"
    low, high = max(0, start - 24 * LOOK_BACK_DAYS), min(n, stop + 24 * LOOK_BACK_DAYS)
    window = np.arange(low, high)
    best: tuple[Values, float] | None = None
    for other in neighbours:
        difference = own[window] - other[window]
        common = difference[~np.isnan(difference)]
        if len(common) < 12 or np.isnan(other[gap]).any():
            continue
        sd = max(float(np.std(common)), LEAST_SD_C["neighbours"])
        if best is None or sd < best[1]:
            best = other[gap] + float(np.mean(common)), sd
    if best is not None:
        return best[0], best[1] * ones, "neighbours"
    recent = np.arange(max(0, start - 24 * LOOK_BACK_DAYS), start)
    recent = recent[~np.isnan(own[recent])]
    if len(recent) < 6:
        later = np.arange(stop, min(n, stop + 24 * LOOK_BACK_DAYS))
        recent = np.concatenate([recent, later[~np.isnan(own[later])]])
    if len(recent):
        mean = float(np.mean(own[recent]))
        values = np.array(
            [np.mean(same) if len(same := own[recent[(recent - h) % 24 == 0]]) >= 2 else mean for h in gap]
        )
        return values, max(float(np.std(own[recent])), LEAST_SD_C["own days"]) * ones, "own days"
    if fallback_c is not None:
        return fallback_c * ones, LEAST_SD_C["assumed"] * ones, "assumed"
    return None, ones, ""


def probes_for(room: Room, box: Box) -> tuple[tuple[Probe, ...], tuple[tuple[float, Probe], ...]]:
    """The temperature probes of a box, and (height, probe) of the other ones in its stack."""
    own = room.probes_in(box.id)
    around = []
    for probe in room.probes:
        place = room.height_of(probe)
        if probe.quantity == "temperature" and probe not in own and place is not None and place[0] == box.stack:
            around.append((place[1], probe))
    return own, tuple(around)
