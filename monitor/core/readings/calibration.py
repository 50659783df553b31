"""A comparison of probes: what was found, in which steady stretch, and the uncertainty of a mean of readings.

Evaluated after JCGM 100:2008 (GUM): type A from the readings, corrected for their autocorrelation; type B from the
reference, the resolution (a rectangle one step wide: step / sqrt(12), GUM F.2.2.1) and the unevenness of the place.
What is compared, and how, stands in :mod:`monitor.core.readings.side_by_side` and
:mod:`monitor.core.readings.ice_point`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.maths.robust import theil_sen_slope
from monitor.core.terms.arrays import Times, Values, distinct
from monitor.values import dataclass

# The step of a common 12-bit digital sensor, for readings that never left one code.
USUAL_STEP_C: Final = 0.0625
LEAST_PAIRS: Final = 10
# Steady: the whole group within 0.5 C an hour, and no probe still settling against the others. Judgement, no source.
MOST_SLOPE_C_PER_H: Final = 0.5
MOST_SETTLING_C_PER_H: Final = 0.15
# A stretch is made longer while the probes stand against each other within so much of how they stand in it.
SAME_C: Final = 0.05
# Farther from the others, or from melting ice, than this no probe is that is in its place and whole.
MOST_OUTSIDE_C: Final = 3.0
_MS_PER_H: Final = 3_600_000.0
# A trend is found as well in so many block means as in thousands of readings.
_MOST_POINTS: Final = 60


# -- type A -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TypeA:
    """Mean of n readings, their standard deviation, and the standard uncertainty of the mean."""

    mean: float
    sd: float
    u: float
    n: int
    n_effective: float


def type_a(values: Sequence[float] | Values, *, independent: bool = False) -> TypeA:
    """Type A evaluation (GUM 4.2.3, worked in 4.4.3): u = s / sqrt(n).

    Readings that follow each other closely are fewer than they seem: unless ``independent``, n is replaced by
    n (1 - r) / (1 + r) with their lag-1 autocorrelation r (Bayley and Hammersley 1946, for a first-order process),
    r corrected for its bias in a short series (Marriott and Pope 1954). Raises ValueError for fewer than two.
    """
    x = np.asarray(values, np.float64)
    n = len(x)
    if n < 2:
        raise ValueError("a type A evaluation needs two readings at least")
    sd = float(np.std(x, ddof=1))
    n_effective = float(n) if independent else _effective_number(x)
    return TypeA(float(np.mean(x)), sd, sd / math.sqrt(n_effective), n, n_effective)


def _effective_number(x: Values) -> float:
    n = len(x)
    d = x - np.mean(x)
    power = float(d @ d)
    if n < 4 or power <= 1e-18 * n:
        return float(n)
    r = float(d[1:] @ d[:-1]) / power
    r = min(max(r + (1.0 + 4.0 * r) / n, 0.0), 0.99)
    return min(max(n * (1.0 - r) / (1.0 + r), 2.0), float(n))


def step_of(values: Values) -> float | None:
    """The step of a digital probe's codes, read off what it said; None when it never left one code."""
    codes = distinct(np.round(values, 6))
    return float(np.diff(codes).min()) if len(codes) > 1 else None


@dataclass(frozen=True, slots=True)
class Track:
    """What one probe said during a session: times (int64 ms, increasing) and temperatures (C) before any dated
    correction. ``step_c`` None: read off the values. ``standard_uncertainty_c`` as its data sheet has it."""

    time_ms: Times
    temperature_c: Values
    step_c: float | None = None
    standard_uncertainty_c: float = 0.29

    def between(self, from_ms: int, to_ms: int) -> Track:
        inside = (self.time_ms >= from_ms) & (self.time_ms <= to_ms)
        return replace(self, time_ms=self.time_ms[inside], temperature_c=self.temperature_c[inside])


def resolution_c(track: Track) -> float:
    """Standard uncertainty of one reading for its step alone: a rectangle one step wide (GUM F.2.2.1)."""
    return (track.step_c or step_of(track.temperature_c) or USUAL_STEP_C) / math.sqrt(12.0)


# -- what a comparison finds -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FoundCorrection:
    """One probe's correction with the parts of its uncertainty, all as standard uncertainties in C."""

    probe: str
    correction_c: float
    uncertainty_c: float
    common_c: float
    type_a_c: float
    resolution_c: float
    place_c: float
    lag_c: float
    n_effective: float

    @property
    def total_c(self) -> float:
        return math.hypot(self.uncertainty_c, self.common_c)


@dataclass(frozen=True)
class Session:
    """A comparison. ``refused`` says why there are no corrections, ``fix`` what to do about it.

    ``from_ms`` .. ``to_ms`` is the steady part that was used, or looked at last. ``to_go_s`` is how much longer it
    must stay as it is (None: it has not begun to be steady). ``slope_c_per_h`` is the group's, ``settling_c_per_h``
    the largest of a probe against the group, by ``slowest``.
    """

    found: tuple[FoundCorrection, ...] = ()
    refused: str = ""
    fix: str = ""
    from_ms: int = 0
    to_ms: int = 0
    pairs: int = 0
    at_c: float | None = None
    slope_c_per_h: float | None = None
    settling_c_per_h: float | None = None
    slowest: str = ""
    to_go_s: float | None = None
    reference: str | None = None

    @property
    def steady(self) -> bool:
        return not self.refused


# -- the steady stretch ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Motion:
    """How probes in one place move: the group, and the ``slowest`` to settle against it, both in C per hour."""

    slope: float
    settling: float
    slowest: int

    @property
    def steady(self) -> bool:
        return abs(self.slope) <= MOST_SLOPE_C_PER_H and self.settling <= MOST_SETTLING_C_PER_H


def steady_part(
    edges: Values, values: Values, bin_ms: float, need_ms: float, *, ends_now: bool
) -> tuple[int | None, int, Motion | None, float]:
    """Start and stop of the last steady stretch that is long enough, how it moves, and how long the steady stretch
    at the end is when there is none."""
    n = len(edges)
    stride = max(1, n // 24)
    ends = [n] if ends_now else list(range(n, LEAST_PAIRS - 1, -stride))
    for stop in ends:
        # The latest start that leaves enough of it.
        start = int(np.searchsorted(edges[:stop], edges[stop - 1] + bin_ms - need_ms, "right")) - 1
        if start < 0 or stop - start < LEAST_PAIRS:
            continue
        window = _moves(edges[start:stop], values[:, start:stop])
        if window.steady:
            start = _as_before(edges, values, start, stop)
            return start, stop, _moves(edges[start:stop], values[:, start:stop]), need_ms
    longest, newest = 0.0, None
    for start in range(0, n - 4, stride):
        window = _moves(edges[start:], values[:, start:])
        newest = window
        if window.steady:
            longest = float(edges[-1] + bin_ms - edges[start])
            break
    last = max(0, n - max(LEAST_PAIRS, round(need_ms / bin_ms)))
    shown = newest if longest or n < 6 else _moves(edges[last:], values[:, last:])
    return None, n, shown, min(longest, need_ms)


def _as_before(edges: Values, values: Values, start: int, stop: int) -> int:
    """How far back a steady stretch reaches: block by block, while every probe stands against the others as in it."""
    # One alone, in ice, is held against itself.
    against = values - values.mean(axis=0) if len(values) > 1 else values
    usual = against[:, start:stop].mean(axis=1)
    size = max(LEAST_PAIRS // 2, 1)
    while start >= size:
        block = against[:, start - size : start].mean(axis=1)
        earlier = _moves(edges[start - size : stop], values[:, start - size : stop])
        if float(np.abs(block - usual).max()) > SAME_C or not earlier.steady:
            break
        start -= size
    return start


def _moves(edges: Values, values: Values) -> Motion:
    """How the group moves, and each probe against it, in C per hour."""
    size = math.ceil(len(edges) / _MOST_POINTS)
    whole = len(edges) // size * size
    hours = edges[:whole].reshape(-1, size).mean(axis=1) / _MS_PER_H
    blocks = values[:, :whole].reshape(len(values), -1, size).mean(axis=2)
    group = np.median(blocks, axis=0)
    against = [abs(theil_sen_slope(hours, row - group)) for row in blocks]
    return Motion(theil_sen_slope(hours, group), max(against), int(np.argmax(against)))
