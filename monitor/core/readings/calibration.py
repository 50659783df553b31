"""Probes against each other and against the ice point: what each is off by, with its uncertainty.

Two probes that lie side by side in one place must say the same; what they differ by is theirs, and not the room's. A
correction found so has two uncertainties: one that is the probe's own, and one that is common to all probes of the
session (of the reference, or of the group's mean where there was none). The difference between two probes of one
session knows nothing of the common part, which is why side by side is worth more to a stack of boxes than any
certificate.

Evaluated after JCGM 100:2008 (GUM): type A from the readings, corrected for their autocorrelation; type B from the
reference, the resolution (a rectangle one step wide: step / sqrt(12), GUM F.2.2.1) and the unevenness of the place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from monitor.core.maths.robust import theil_sen_slope
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.formats import show_difference, show_range, show_signed, show_temperature
from monitor.core.terms.settings import DisplayUnit

# Places closer than a hand in stirred water or one box of damp substrate: standard uncertainty of the difference
# between them. Judgement, no source.
PLACE_C: Final = 0.03
# Crushed ice and water from the kitchen, against 0.002 C in a laboratory (ASTM E563). Judgement, no source.
KITCHEN_ICE_C: Final = 0.1
# The step of a common 12-bit digital sensor, for readings that never left one code.
USUAL_STEP_C: Final = 0.0625
STEADY_MINUTES: Final = 30.0
LEAST_PAIRS: Final = 10
# Steady: the whole group within 0.5 C an hour, and no probe still settling against the others. Judgement, no source.
MOST_SLOPE_C_PER_H: Final = 0.5
MOST_SETTLING_C_PER_H: Final = 0.15
# A stretch is made longer while the probes stand against each other within so much of how they stand in it.
SAME_C: Final = 0.05
# Probes of one kind in one place follow it within so much of each other.
LAG_S: Final = 300.0
MOST_OUTSIDE_C: Final = 3.0
# Two steady stretches in which a probe stands so differently to the others are of two places.
MOST_OTHERWISE_C: Final = 0.15
_MS_PER_H: Final = 3_600_000.0
# A trend is found as well in so many block means as in thousands of readings.
_MOST_POINTS: Final = 60


# -- type A ---------------------------------------------------------------------------------------------------


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
    codes = np.unique(np.round(values, 6))
    return float(np.diff(codes).min()) if len(codes) > 1 else None


# -- side by side ---------------------------------------------------------------------------------------------


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

    found: tuple[FoundCorrection, ...]
    refused: str
    fix: str
    from_ms: int
    to_ms: int
    pairs: int
    at_c: float | None
    slope_c_per_h: float | None
    settling_c_per_h: float | None
    slowest: str
    to_go_s: float | None
    reference: str | None = None

    @property
    def steady(self) -> bool:
        return not self.refused


@dataclass(frozen=True)
class _Window:
    slope: float
    settling: float
    slowest: int

    @property
    def steady(self) -> bool:
        return abs(self.slope) <= MOST_SLOPE_C_PER_H and self.settling <= MOST_SETTLING_C_PER_H


def side_by_side(
    tracks: Mapping[str, Track],
    reference: str | None = None,
    *,
    reference_uncertainty_c: float | None = None,
    steady_minutes: float = STEADY_MINUTES,
    place_c: float = PLACE_C,
    ends_now: bool = False,
    unit: DisplayUnit = "C",
) -> Session:
    """Corrections of probes that lie in one place.

    Readings are paired by common bins of time, as long as the slowest probe's interval. The steady part is found, not
    told: the last stretch of ``steady_minutes`` or more, with ten pairs or more, in which neither the group moves by
    more than 0.5 C an hour nor any probe against the group by more than 0.15 (robust slopes, Theil and Sen).
    ``ends_now``: only a stretch that lasts until the newest reading counts. ``unit`` is that of the texts.

    The correction is reference less probe, or the group's mean less probe where there is no reference: then the
    differences are as well known, and the common error that stays is that of a mean of so many probes.
    """
    names = list(tracks)
    nothing = Session((), "", "", 0, 0, 0, None, None, None, "", None, reference)
    if len(names) < 2:
        return replace(
            nothing, refused="one probe cannot be compared with itself", fix="put two or more probes together"
        )
    if reference is not None and reference not in tracks:
        return replace(nothing, refused=f"reference {reference} is not among the probes", fix="name it in --probes too")
    mute = [n for n in names if len(tracks[n].time_ms) < 2]
    if mute:
        return replace(
            nothing,
            refused=f"too few readings of {', '.join(mute)}",
            fix="see that it reports (warmtally probes), or leave it out",
        )
    bin_ms = max(float(np.median(np.diff(tracks[n].time_ms))) for n in names)
    edges, values = _paired([tracks[n] for n in names], bin_ms)
    if len(edges) == 0:
        return replace(
            nothing, refused="the probes never spoke at the same time", fix="wait until all of them have reported"
        )
    base = replace(
        nothing,
        from_ms=int(edges[0]),
        to_ms=int(edges[-1] + bin_ms),
        pairs=len(edges),
        at_c=float(np.median(values)),
    )
    # Of the last stretch, since on the way there a probe may well have been elsewhere.
    middle = np.median(values[:, -LEAST_PAIRS:], axis=1)
    outside = middle - np.median(middle)
    worst = int(np.argmax(np.abs(outside)))
    need_ms = max(steady_minutes * 60_000.0, LEAST_PAIRS * bin_ms)
    start, stop, window, best_ms = _steady_part(edges, values, bin_ms, need_ms, ends_now=ends_now)
    base = replace(
        base,
        slope_c_per_h=window.slope if window else None,
        settling_c_per_h=window.settling if window else None,
        slowest=names[window.slowest] if window else "",
        to_go_s=(need_ms - best_ms) / 1000.0 if best_ms else None,
    )
    if abs(outside[worst]) > MOST_OUTSIDE_C:
        return replace(
            base,
            refused=f"{names[worst]} is {show_signed(float(outside[worst]), unit)} away from the others",
            fix="is it in the same place? If it is, it is broken: replace it, and compare the others without it",
            to_go_s=None,
        )
    if start is None:
        refused, fix = _why_not(base, need_ms, unit)
        return replace(base, refused=refused, fix=fix)
    if not ends_now and (other := _elsewhere(edges, values, bin_ms, need_ms, start, stop)) is not None:
        return replace(
            base,
            refused=f"{names[other]} stood otherwise to the others before: they were not together all the time",
            fix="give --from and --to of the time in which they lay in one place, and no more",
        )
    edges, values = edges[start:stop], values[:, start:stop]
    assert window is not None
    aim = values[names.index(reference)] if reference is not None else values.mean(axis=0)
    if reference is not None:
        common = reference_uncertainty_c
        common = tracks[reference].standard_uncertainty_c if common is None else common
    else:
        common = math.sqrt(sum(tracks[n].standard_uncertainty_c ** 2 for n in names)) / len(names)
    lag = abs(window.slope) * LAG_S / 3600.0 / math.sqrt(12.0)
    found = []
    for name, track in zip(names, values, strict=True):
        if name == reference:
            # Its error is the one that all have in common.
            found.append(FoundCorrection(name, 0.0, 0.0, common, 0.0, 0.0, 0.0, 0.0, float(len(edges))))
            continue
        known = type_a(aim - track)
        step = tracks[name].step_c or step_of(tracks[name].temperature_c) or USUAL_STEP_C
        resolution = step / math.sqrt(12.0)
        own = math.sqrt(known.u**2 + resolution**2 + place_c**2 + lag**2)
        found.append(
            FoundCorrection(name, known.mean, own, common, known.u, resolution, place_c, lag, known.n_effective)
        )
    return replace(
        base,
        found=tuple(found),
        from_ms=int(edges[0]),
        to_ms=int(edges[-1] + bin_ms),
        pairs=len(edges),
        at_c=float(values.mean()),
        to_go_s=0.0,
    )


def _why_not(session: Session, need_ms: float, unit: DisplayUnit) -> tuple[str, str]:
    """Why a session gives no corrections, and what to do about it."""
    minutes = f"{need_ms / 60_000:.0f} minutes"
    if session.pairs < LEAST_PAIRS:
        return (
            f"only {session.pairs} pairs of readings, {LEAST_PAIRS} are needed",
            f"leave the probes together for {minutes} or longer",
        )
    if session.to_ms - session.from_ms < need_ms:
        return (
            f"{(session.to_ms - session.from_ms) / 60_000:.0f} minutes are too short, {minutes} are needed",
            "leave the probes together for longer",
        )
    slope, settling = session.slope_c_per_h or 0.0, session.settling_c_per_h or 0.0
    if settling > MOST_SETTLING_C_PER_H:
        what = f"{session.slowest} still moves by {show_difference(settling, unit, 2)} an hour against the others"
    else:
        what = f"the temperature moves by {show_signed(slope, unit, 2)} an hour"
    return (
        f"not steady for {minutes}: {what}",
        "close the lid, keep the place out of draught and sun, and wait; damp substrate steadies it",
    )


def _paired(tracks: Sequence[Track], bin_ms: float) -> tuple[Values, Values]:
    """Beginnings of the bins in which every probe spoke, and their means (probes x bins)."""
    common: Times | None = None
    means: list[dict[int, float]] = []
    for track in tracks:
        found, index = np.unique((track.time_ms // bin_ms).astype(np.int64), return_inverse=True)
        mean = np.bincount(index, track.temperature_c) / np.bincount(index)
        means.append(dict(zip(found.tolist(), mean.tolist(), strict=True)))
        common = found if common is None else np.intersect1d(common, found)
    assert common is not None
    return np.asarray(common * bin_ms, np.float64), np.array(
        [[m[b] for b in common.tolist()] for m in means], np.float64
    )


def _steady_part(
    edges: Values, values: Values, bin_ms: float, need_ms: float, *, ends_now: bool
) -> tuple[int | None, int, _Window | None, float]:
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


def _elsewhere(edges: Values, values: Values, bin_ms: float, need_ms: float, start: int, stop: int) -> int | None:
    """The probe that stood otherwise to the others in an earlier steady stretch; None where there is none such."""
    first, last, _, _ = _steady_part(edges[:start], values[:, :start], bin_ms, need_ms, ends_now=False)
    if first is None:
        return None
    against = values - values.mean(axis=0)
    moved = np.abs(against[:, first:last].mean(axis=1) - against[:, start:stop].mean(axis=1))
    return int(np.argmax(moved)) if float(moved.max()) > MOST_OTHERWISE_C else None


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


def _moves(edges: Values, values: Values) -> _Window:
    """How the group moves, and each probe against it, in C per hour."""
    size = math.ceil(len(edges) / _MOST_POINTS)
    whole = len(edges) // size * size
    hours = edges[:whole].reshape(-1, size).mean(axis=1) / _MS_PER_H
    blocks = values[:, :whole].reshape(len(values), -1, size).mean(axis=2)
    group = np.median(blocks, axis=0)
    against = [abs(theil_sen_slope(hours, row - group)) for row in blocks]
    return _Window(theil_sen_slope(hours, group), max(against), int(np.argmax(against)))


# -- ice point ------------------------------------------------------------------------------------------------


def ice_note(unit: DisplayUnit) -> str:
    """What the ice point does not tell."""
    return (
        f"The ice point finds a probe's error at {show_temperature(0.0, unit, 0)} only. Eggs live at "
        f"{show_range(26.0, 32.0, unit)}, where it may be another one: compare the probes side by side there too."
    )


def ice_point(
    track: Track, *, uncertainty_c: float = KITCHEN_ICE_C, steady_minutes: float = 10.0, unit: DisplayUnit = "C"
) -> Session:
    """Correction of one probe in melting ice: 0 C less what it says (offset only).

    Crushed ice of pure water, water just filling the gaps, the probe in its middle without touching the vessel
    (ASTM E563). The uncertainty of a kitchen's ice bath is the probe's own: another bath is another temperature.
    """
    nothing = Session((), "", "", 0, 0, len(track.time_ms), None, None, None, "", None)
    if len(track.time_ms) < LEAST_PAIRS:
        return replace(
            nothing,
            refused=f"only {len(track.time_ms)} readings, {LEAST_PAIRS} are needed",
            fix="leave the probe in the ice for longer",
        )
    t, v = track.time_ms.astype(np.float64), track.temperature_c
    bin_ms = float(np.median(np.diff(t)))
    need_ms = max(steady_minutes * 60_000.0, LEAST_PAIRS * bin_ms)
    # Against itself nothing can settle, so the group's slope alone decides.
    start, stop, window, best_ms = _steady_part(t, v[None, :], bin_ms, need_ms, ends_now=False)
    base = replace(
        nothing,
        from_ms=int(t[0]),
        to_ms=int(t[-1]),
        at_c=float(np.median(v[-LEAST_PAIRS:])),
        slope_c_per_h=window.slope if window else None,
        to_go_s=(need_ms - best_ms) / 1000.0 if best_ms else None,
    )
    if start is None:
        short = t[-1] + bin_ms - t[0] < need_ms
        return replace(
            base,
            refused=f"not steady in the ice for {need_ms / 60_000:.0f} minutes"
            + ("" if short or window is None else f": it moves by {show_signed(window.slope, unit, 2)} an hour"),
            fix="stir, add crushed ice until water just fills the gaps, and wait",
        )
    known = type_a(v[start:stop])
    if abs(known.mean) > MOST_OUTSIDE_C:
        return replace(
            base,
            refused=f"it says {show_temperature(known.mean, unit)}, which is not melting ice",
            fix="more crushed ice, less water, the probe in the middle; if it stays so, the probe is broken",
        )
    step = track.step_c or step_of(track.temperature_c) or USUAL_STEP_C
    resolution = step / math.sqrt(12.0)
    own = math.sqrt(known.u**2 + resolution**2 + uncertainty_c**2)
    found = FoundCorrection("", -known.mean, own, 0.0, known.u, resolution, uncertainty_c, 0.0, known.n_effective)
    return replace(
        base, found=(found,), from_ms=int(t[start]), to_ms=int(t[stop - 1]), pairs=known.n, at_c=known.mean, to_go_s=0.0
    )


# -- swap -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Swap:
    """What a swap of two probes told. ``gradient_c``: the first place warmer than the second; ``probes_c``: probe A
    says more than B in one and the same place. One standard uncertainty holds for both."""

    gradient_c: float
    probes_c: float
    uncertainty_c: float
    pairs: tuple[int, int]

    @property
    def gradient_real(self) -> bool:
        return abs(self.gradient_c) > 2.0 * self.uncertainty_c

    @property
    def probes_differ(self) -> bool:
        return abs(self.probes_c) > 2.0 * self.uncertainty_c


def swap_test(before: tuple[Track, Track], after: tuple[Track, Track], *, place_c: float = PLACE_C) -> Swap:
    """True difference between two places, and between two probes, from one swap.

    ``before``: probe A in the first place and B in the second; ``after``: A in the second and B in the first. With
    a1, b2 and b1, a2 so measured, the places differ by ((a1 - b2) + (b1 - a2)) / 2 and the probes by half the
    difference of the two. It holds as long as the places differ before as after, so whole days of a room that was
    left alone are best. Raises ValueError for fewer than ten pairs of readings in either span.
    """
    first, second = _differences(before[0], before[1]), _differences(after[1], after[0])
    if min(len(first), len(second)) < LEAST_PAIRS:
        raise ValueError(
            f"{len(first)} pairs of readings before the swap and {len(second)} after it; {LEAST_PAIRS} are needed"
        )
    d1, d2 = type_a(first), type_a(second)
    step = max(t.step_c or step_of(t.temperature_c) or USUAL_STEP_C for t in (*before, *after))
    # Two readings in each difference, and two spots that are not hit exactly again.
    other = 2.0 * (step**2 / 12.0 + place_c**2)
    u = 0.5 * math.sqrt(d1.u**2 + d2.u**2 + 2.0 * other)
    return Swap((d1.mean + d2.mean) / 2.0, (d1.mean - d2.mean) / 2.0, u, (d1.n, d2.n))


def _differences(one: Track, other: Track) -> Values:
    if min(len(one.time_ms), len(other.time_ms)) < 2:
        return np.empty(0)
    bin_ms = max(float(np.median(np.diff(t.time_ms))) for t in (one, other))
    _, values = _paired([one, other], bin_ms)
    return values[0] - values[1] if values.size else np.empty(0)


# -- a line of corrections ------------------------------------------------------------------------------------

# Sessions nearer to each other than this tell nothing of how an error goes with temperature. Judgement, no source.
LEAST_SPAN_C: Final = 3.0


@dataclass(frozen=True, slots=True)
class CorrectionLine:
    """b(t) = y1 + y2 (t - t0) with standard uncertainties, correlation r of y1 and y2, residual s, dof n - 2."""

    y1: float
    y2: float
    u_y1: float
    u_y2: float
    r: float
    s: float
    dof: int
    t0: float

    def at(self, temperature_c: float) -> tuple[float, float]:
        """Correction at a temperature and its standard uncertainty (GUM H.3.4)."""
        d = temperature_c - self.t0
        variance = self.u_y1**2 + (d * self.u_y2) ** 2 + 2.0 * d * self.u_y1 * self.u_y2 * self.r
        return self.y1 + self.y2 * d, math.sqrt(max(variance, 0.0))

    def with_common(self, u_common_c: float) -> CorrectionLine:
        """With an error common to all points (the reference's): it moves the line as a whole and not its slope
        (GUM H.3.6). The covariance stays, so the correlation is less."""
        u_y1 = math.hypot(self.u_y1, u_common_c)
        return replace(self, u_y1=u_y1, r=self.r * self.u_y1 / u_y1)


def correction_line(
    temperature_c: Sequence[float] | Values, correction_c: Sequence[float] | Values, t0_c: float
) -> CorrectionLine:
    """Straight line of corrections over temperature by least squares (GUM H.3.1 to H.3.3).

    Raises ValueError for fewer than three points or for one temperature only.
    """
    x = np.asarray(temperature_c, np.float64) - t0_c
    b = np.asarray(correction_c, np.float64)
    n = len(x)
    d = n * float(x @ x) - float(x.sum()) ** 2
    if n < 3 or d <= 0.0:
        raise ValueError("a line of corrections needs three points at two temperatures at least")
    y2 = (n * float(x @ b) - float(x.sum()) * float(b.sum())) / d
    y1 = (float(b.sum()) - y2 * float(x.sum())) / n
    residual = b - y1 - y2 * x
    s2 = float(residual @ residual) / (n - 2)
    u1, u2 = math.sqrt(s2 * float(x @ x) / d), math.sqrt(n * s2 / d)
    r = -float(x.sum()) / math.sqrt(n * float(x @ x))
    return CorrectionLine(y1, y2, u1, u2, r, math.sqrt(s2), n - 2, t0_c)


@dataclass(frozen=True, slots=True)
class FoundAt:
    """What one session found of a probe: its correction at a temperature, with its own and its common uncertainty."""

    temperature_c: float
    correction_c: float
    uncertainty_c: float
    common_c: float


def over_temperature(found: Sequence[FoundAt]) -> CorrectionLine | None:
    """How a probe's correction goes with temperature, by sessions at several; t0 is where the last one was.

    The residuals of three or four sessions tell little of their uncertainty, so s is at least what the sessions say of
    themselves (root mean square). What is common counts once, as large as the largest: sessions of several references
    are taken as one. None for fewer than three sessions, or where they lie within 3 C.
    """
    t = [f.temperature_c for f in found]
    if len(t) < 3 or max(t) - min(t) < LEAST_SPAN_C:
        return None
    line = correction_line(t, [f.correction_c for f in found], t[-1])
    own = math.sqrt(sum(f.uncertainty_c**2 for f in found) / len(found))
    if own > line.s:
        # The uncertainties are s times what the temperatures alone give, and the correlation is theirs.
        even = np.asarray(t) - t[-1]
        d = len(t) * float(even @ even) - float(even.sum()) ** 2
        line = replace(line, s=own, u_y1=own * math.sqrt(float(even @ even) / d), u_y2=own * math.sqrt(len(t) / d))
    return line.with_common(max(f.common_c for f in found))
