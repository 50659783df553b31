"""A probe in melting ice: what it is off by at the one temperature that everybody has at hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.readings.calibration import (
    LEAST_PAIRS,
    MOST_OUTSIDE_C,
    FoundCorrection,
    Session,
    Track,
    resolution_c,
    steady_part,
    type_a,
)
from monitor.core.terms.formats import show_range, show_signed, show_temperature
from monitor.core.terms.settings import DisplayUnit

# Crushed ice and water from the kitchen, against 0.002 C in a laboratory (ASTM E563). Judgement, no source.
KITCHEN_ICE_C: Final = 0.1


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
    count = len(track.time_ms)
    if count < LEAST_PAIRS:
        few = f"only {count} readings, {LEAST_PAIRS} are needed"
        return Session(refused=few, fix="leave the probe in the ice for longer", pairs=count)
    t, v = track.time_ms.astype(np.float64), track.temperature_c
    bin_ms = float(np.median(np.diff(t)))
    need_ms = max(steady_minutes * 60_000.0, LEAST_PAIRS * bin_ms)
    # Against itself nothing can settle, so the group's slope alone decides.
    start, stop, motion, best_ms = steady_part(t, v[None, :], bin_ms, need_ms, ends_now=False)
    base = Session(
        pairs=count,
        from_ms=int(t[0]),
        to_ms=int(t[-1]),
        at_c=float(np.median(v[-LEAST_PAIRS:])),
        slope_c_per_h=motion.slope if motion else None,
        to_go_s=(need_ms - best_ms) / 1000.0 if best_ms else None,
    )
    if start is None:
        short = t[-1] + bin_ms - t[0] < need_ms
        return replace(
            base,
            refused=f"not steady in the ice for {need_ms / 60_000:.0f} minutes"
            + ("" if short or motion is None else f": it moves by {show_signed(motion.slope, unit, 2)} an hour"),
            fix="stir, add crushed ice until water just fills the gaps, and wait",
        )
    known = type_a(v[start:stop])
    if abs(known.mean) > MOST_OUTSIDE_C:
        return replace(
            base,
            refused=f"it says {show_temperature(known.mean, unit)}, which is not melting ice",
            fix="more crushed ice, less water, the probe in the middle; if it stays so, the probe is broken",
        )
    resolution = resolution_c(track)
    own = math.sqrt(known.u**2 + resolution**2 + uncertainty_c**2)
    found = FoundCorrection("", -known.mean, own, 0.0, known.u, resolution, uncertainty_c, 0.0, known.n_effective)
    return replace(
        base, found=(found,), from_ms=int(t[start]), to_ms=int(t[stop - 1]), pairs=known.n, at_c=known.mean, to_go_s=0.0
    )
