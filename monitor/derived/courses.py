"""A box's course over any span, for whoever looks at it: every reading of some days, the means of hours beyond."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.season.figures import BoxSeason
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.departures import hourly
from monitor.derived.season import Seasons, gaps_of, mean_of

FINE_DAYS: Final = 3.0
"""Over longer spans a drawing has more hours than places; their means lie in the heads of what is stored."""


def course_of(seasons: Seasons, box: Box, from_ms: int, to_ms: int) -> BoxSeason:
    """A box from one moment to another, with what happened in it.

    Over more than ``FINE_DAYS`` by the means of hours, where the box has probes of its own: the time beyond a limit is
    then not known (NaN), and gaps are whole hours. ``seasons`` belongs to one thread, like its store.
    """
    probes = seasons.room.probes_in(box.id)
    if to_ms - from_ms <= FINE_DAYS * DAY_MS or not probes:
        return seasons.over(box, from_ms, to_ms)
    readings = seasons.derived.readings
    readings.follow_corrections()
    hours = np.arange(from_ms // HOUR_MS, to_ms // HOUR_MS + 1)
    each = [
        hourly(
            p,
            readings.corrections,
            hours,
            seasons.store.readings.hour_means(p.id, int(hours[0]), int(hours[-1]) + 1, to_ms),
            readings.belief,
        )
        for p in probes
    ]
    known = ~np.isnan(np.vstack(each)).all(axis=0)
    means = np.nanmean(np.vstack(each)[:, known], axis=0) if known.any() else np.empty(0)
    middle_ms = np.clip(hours[known] * HOUR_MS + HOUR_MS // 2, from_ms, to_ms)
    joined_s = max([2.0 * 3600.0, *(p.max_gap_s for p in probes)])
    limits, _ = seasons.derived.boxes.limits(box, _species(seasons, box, to_ms))
    return BoxSeason(
        box,
        limits,
        from_ms,
        to_ms,
        middle_ms,
        means,
        mean_of(middle_ms, means, joined_s),
        "its own probe" if len(probes) == 1 else "its own probes",
        gaps_of(middle_ms, from_ms, to_ms, joined_s),
        math.nan,
        math.nan,
        math.nan,
        tuple(seasons.events(box.id, from_ms, to_ms)),
    )


def _species(seasons: Seasons, box: Box, at_ms: int) -> Sequence[str]:
    clutches = seasons.store.account.clutches(at_ms)
    return [c.species for c in clutches.values() if any(x.open and x.eggs and x.box == box.id for x in c.lots)]
