"""From probes to the temperature of a box, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Times, Values, distinct
from monitor.core.terms.settings import Box, Probe, Room
from monitor.values import dataclass

# What a height-interpolated temperature may be off beside the probes' own error. Judgement, no source.
BETWEEN_HEIGHTS_SD_C: Final = 0.5
BY_MEANS: Final = ", old readings as ten-minute means"
"""What a source ends with where some of its readings are kept as means."""


@dataclass(frozen=True, slots=True)
class ProbesError:
    """Standard uncertainty of a temperature from the probes behind it: ``own_c`` is independent of everything else,
    ``common_c`` is shared with all that comes from probes of the same session of comparison; ``probes`` names those of
    a box's own."""

    own_c: float
    common_c: float = 0.0
    session: str = ""
    probes: str = ""

    @property
    def total_c(self) -> float:
        return math.hypot(self.own_c, self.common_c)

    def against(self, other: ProbesError) -> float:
        """Standard uncertainty of a difference: what is common to both is not in it (GUM F.1.2.3)."""
        if self.session and self.session == other.session:
            return math.hypot(self.own_c, other.own_c, self.common_c - other.common_c)
        return math.hypot(self.total_c, other.total_c)

    def times(self, factor: float) -> ProbesError:
        """Of something that goes with the temperature, by so much a degree."""
        return ProbesError(self.own_c * factor, self.common_c * factor, self.session)


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


def box_error(own: Sequence[Probe], around: Sequence[tuple[float, Probe]]) -> ProbesError:
    """Of a box's temperature: of its own probes, else of those at other heights of its stack, as in `box_series`."""
    if own:
        return replace(probes_error(own), probes=" ".join(sorted(p.id for p in own)))
    near = [p.standard_uncertainty for _, p in around]
    return ProbesError(math.hypot(max(near, default=1.0), BETWEEN_HEIGHTS_SD_C))


@dataclass(frozen=True)
class Series:
    """Usable, corrected readings of one probe: times (int64 ms, strictly increasing) and temperatures (C).

    ``means``: some of them are means of ten minutes, as old ones are kept.
    """

    probe: Probe
    time_ms: Times
    temperature_c: Values
    means: bool = False


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
        begins = np.flatnonzero(np.concatenate(([True], at[1:] != at[:-1]))[: len(at)])
        return BoxSeries(at[begins], temp[begins], self.max_gap_s, self.uncertainty_c, self.source)


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

    ``source`` also says where old readings are means of ten minutes. The uncertainty is that of the mean of independent
    probes; between heights another 0.5 C is added.
    """
    # Of all probes, also those without a reading here: what is joined must not hang on the span that was loaded.
    max_gap_s = max((s.probe.max_gap_s for s in (*own, *(s for _, s in around))), default=7200.0)
    by = BY_MEANS if any(s.means for s in (*own, *(s for _, s in around))) else ""
    at = _held if as_heard else _at
    own = [s for s in own if len(s.time_ms)]
    if len(own) == 1:
        only, u = own[0], own[0].probe.standard_uncertainty
        return BoxSeries(only.time_ms, only.temperature_c, max_gap_s, u, f"its own probe{by}")
    if own:
        grid = distinct(np.concatenate([s.time_ms for s in own]))
        table = np.vstack([at(s, grid) for s in own])
        counted = np.sum(~np.isnan(table), axis=0)
        u = probes_error([s.probe for s in own]).total_c
        # Every moment of the grid is the reading of one of them.
        mean_c = np.nansum(table, axis=0) / counted
        return BoxSeries(grid, mean_c, max_gap_s, u, f"the mean of its {len(own)} probes{by}")
    near = sorted(((h, s) for h, s in around if len(s.time_ms)), key=lambda x: x[0])
    if not near:
        return BoxSeries(np.empty(0, np.int64), np.empty(0, np.float64), max_gap_s, 0.0, "no probe")
    grid = distinct(np.concatenate([s.time_ms for _, s in near]))
    table = np.vstack([at(s, grid) for _, s in near])
    heights = np.array([h for h, _ in near])
    result = np.full(len(grid), np.nan)
    for i in range(len(grid)):
        known = ~np.isnan(table[:, i])
        if known.any():
            result[i] = np.interp(height_cm, heights[known], table[known, i])
    u = float(np.hypot(max(s.probe.standard_uncertainty for _, s in near), BETWEEN_HEIGHTS_SD_C))
    return BoxSeries(grid, result, max_gap_s, u, f"the stack's other probes, by height{by}")


def probes_for(room: Room, box: Box) -> tuple[tuple[Probe, ...], tuple[tuple[float, Probe], ...]]:
    """The temperature probes of a box, and (height, probe) of the other ones in its stack."""
    own = room.probes_in(box.id)
    around = []
    for probe in room.probes:
        place = room.height_of(probe)
        if probe.quantity == "temperature" and probe not in own and place is not None and place[0] == box.stack:
            around.append((place[1], probe))
    return own, tuple(around)
