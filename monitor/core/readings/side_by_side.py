"""Probes against each other: what each is off by, with its uncertainty, and what a swap of two tells.

Two probes that lie side by side in one place must say the same; what they differ by is theirs, and not the room's. A
correction found so has two uncertainties: one that is the probe's own, and one that is common to all probes of the
session (of the reference, or of the group's mean where there was none). The difference between two probes of one
session knows nothing of the common part, which is why side by side is worth more to a stack of boxes than any
certificate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.readings.calibration import (
    LEAST_PAIRS,
    MOST_OUTSIDE_C,
    MOST_SETTLING_C_PER_H,
    FoundCorrection,
    Session,
    Track,
    resolution_c,
    steady_part,
    type_a,
)
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.formats import show_difference, show_signed
from monitor.core.terms.settings import DisplayUnit
from monitor.values import dataclass

STEADY_MINUTES: Final = 30.0
# Places closer than a hand in stirred water or one box of damp substrate: standard uncertainty of the difference
# between them. Judgement, no source.
PLACE_C: Final = 0.03
# Probes of one kind in one place follow it within so much of each other.
LAG_S: Final = 300.0
# Two steady stretches in which a probe stands so differently to the others are of two places.
MOST_OTHERWISE_C: Final = 0.15


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
    unfit = _unfit(tracks, reference)
    if unfit is not None:
        return Session(refused=unfit[0], fix=unfit[1], reference=reference)
    names = list(tracks)
    bin_ms = max(float(np.median(np.diff(track.time_ms))) for track in tracks.values())
    edges, values = _paired(list(tracks.values()), bin_ms)
    if len(edges) == 0:
        never = "the probes never spoke at the same time"
        return Session(refused=never, fix="wait until all of them have reported", reference=reference)
    need_ms = max(steady_minutes * 60_000.0, LEAST_PAIRS * bin_ms)
    start, stop, motion, best_ms = steady_part(edges, values, bin_ms, need_ms, ends_now=ends_now)
    session = Session(
        from_ms=int(edges[0]),
        to_ms=int(edges[-1] + bin_ms),
        pairs=len(edges),
        at_c=float(np.median(values)),
        slope_c_per_h=motion.slope if motion else None,
        settling_c_per_h=motion.settling if motion else None,
        slowest=names[motion.slowest] if motion else "",
        to_go_s=(need_ms - best_ms) / 1000.0 if best_ms else None,
        reference=reference,
    )
    # Of the last stretch, since on the way there a probe may well have been elsewhere.
    middle = np.median(values[:, -LEAST_PAIRS:], axis=1)
    outside = middle - np.median(middle)
    worst = int(np.argmax(np.abs(outside)))
    if abs(outside[worst]) > MOST_OUTSIDE_C:
        refused = f"{names[worst]} is {show_signed(float(outside[worst]), unit)} away from the others"
        fix = "is it in the same place? If it is, it is broken: replace it, and compare the others without it"
        return replace(session, refused=refused, fix=fix, to_go_s=None)
    if start is None:
        refused, fix = _why_not(session, need_ms, unit)
        return replace(session, refused=refused, fix=fix)
    if not ends_now and (other := _elsewhere(edges, values, bin_ms, need_ms, start, stop)) is not None:
        refused = f"{names[other]} stood otherwise to the others before: they were not together all the time"
        fix = "give --from and --to of the time in which they lay in one place, and no more"
        return replace(session, refused=refused, fix=fix)
    edges, values = edges[start:stop], values[:, start:stop]
    assert motion is not None
    common_c = _common_c(tracks, reference, reference_uncertainty_c)
    lag_c = abs(motion.slope) * LAG_S / 3600.0 / math.sqrt(12.0)
    return replace(
        session,
        found=_against_aim(tracks, values, reference, common_c, place_c, lag_c),
        from_ms=int(edges[0]),
        to_ms=int(edges[-1] + bin_ms),
        pairs=len(edges),
        at_c=float(values.mean()),
        to_go_s=0.0,
    )


def _unfit(tracks: Mapping[str, Track], reference: str | None) -> tuple[str, str] | None:
    """Why these cannot be compared at all, and what to do about it."""
    if len(tracks) < 2:
        return "one probe cannot be compared with itself", "put two or more probes together"
    if reference is not None and reference not in tracks:
        return f"reference {reference} is not among the probes", "name it in --probes too"
    mute = [name for name, track in tracks.items() if len(track.time_ms) < 2]
    if mute:
        return f"too few readings of {', '.join(mute)}", "see that it reports (warmtally probes), or leave it out"
    return None


def _common_c(tracks: Mapping[str, Track], reference: str | None, stated_c: float | None) -> float:
    """The standard uncertainty that all of a session share: the reference's, or that of the mean of them all."""
    if reference is None:
        return math.sqrt(sum(t.standard_uncertainty_c**2 for t in tracks.values())) / len(tracks)
    return tracks[reference].standard_uncertainty_c if stated_c is None else stated_c


def _against_aim(
    tracks: Mapping[str, Track], values: Values, reference: str | None, common_c: float, place_c: float, lag_c: float
) -> tuple[FoundCorrection, ...]:
    """Each probe's correction to the reference, or to the mean of all, in the steady part (probes x bins)."""
    aim = values.mean(axis=0) if reference is None else values[list(tracks).index(reference)]
    found = []
    for (name, track), said in zip(tracks.items(), values, strict=True):
        if name == reference:
            # Its error is the one that all have in common.
            found.append(FoundCorrection(name, 0.0, 0.0, common_c, 0.0, 0.0, 0.0, 0.0, float(values.shape[1])))
            continue
        known, resolution = type_a(aim - said), resolution_c(track)
        own = math.sqrt(known.u**2 + resolution**2 + place_c**2 + lag_c**2)
        found.append(
            FoundCorrection(name, known.mean, own, common_c, known.u, resolution, place_c, lag_c, known.n_effective)
        )
    return tuple(found)


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


def _elsewhere(edges: Values, values: Values, bin_ms: float, need_ms: float, start: int, stop: int) -> int | None:
    """The probe that stood otherwise to the others in an earlier steady stretch; None where there is none such."""
    first, last, _, _ = steady_part(edges[:start], values[:, :start], bin_ms, need_ms, ends_now=False)
    if first is None:
        return None
    against = values - values.mean(axis=0)
    moved = np.abs(against[:, first:last].mean(axis=1) - against[:, start:stop].mean(axis=1))
    return int(np.argmax(moved)) if float(moved.max()) > MOST_OTHERWISE_C else None


# -- swap -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SwapTest:
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


def swap_test(before: tuple[Track, Track], after: tuple[Track, Track], *, place_c: float = PLACE_C) -> SwapTest:
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
    resolution = max(resolution_c(t) for t in (*before, *after))
    # Two readings in each difference, and two spots that are not hit exactly again.
    other = 2.0 * (resolution**2 + place_c**2)
    u = 0.5 * math.sqrt(d1.u**2 + d2.u**2 + 2.0 * other)
    return SwapTest((d1.mean + d2.mean) / 2.0, (d1.mean - d2.mean) / 2.0, u, (d1.n, d2.n))


def _differences(one: Track, other: Track) -> Values:
    if min(len(one.time_ms), len(other.time_ms)) < 2:
        return np.empty(0)
    bin_ms = max(float(np.median(np.diff(t.time_ms))) for t in (one, other))
    _, values = _paired([one, other], bin_ms)
    return values[0] - values[1] if values.size else np.empty(0)
