"""Over the gaps of a box's hours: what was not measured is filled, its uncertainty is kept, and its share is told.

The eggs do not stop for a dead probe. What was measured is integrated exactly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.development.curves import RateCurve
from monitor.core.terms.arrays import Times, Values
from monitor.values import dataclass

# A gap up to this long is bridged by a straight line between its ends: a box of damp substrate has a time
# constant of hours (first-order lag; see climate/lags.py), so it cannot have been far from that line.
SHORT_GAP_H: Final = 6
# How many days back the difference to a neighbour, or the box's own course of the day, is taken from.
LOOK_BACK_DAYS: Final = 7
# After the newest reading so many days are filled from the box's own days: a week tells of a week, and what nobody has
# mended by then nobody looks after, or the eggs are gone and it was not told. Judgement, no source. A gap that ends
# with a reading is filled however long it was, and so is one beside which others are measured.
MOST_OPEN_DAYS: Final = LOOK_BACK_DAYS
# Least standard uncertainty of a filled temperature, in C: by straight line, from neighbours, from own days,
# and where nothing but the profile's middle is left. Judgement, no source.
LEAST_SD_C: Final = {"line": 0.3, "neighbours": 0.3, "own days": 0.6, "assumed": 2.0}


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
    table: HourTable,
    curve: RateCurve,
    neighbours: Sequence[HourTable] = (),
    fallback_c: float | Values | None = None,
    until_hour: int | None = None,
) -> Filled:
    """Fill the uncovered time of each hour.

    Short gaps (six hours at most, both ends known) by a straight line; longer ones from the neighbours: their
    temperature plus this box's usual difference to them over the last seven days before the gap or after it;
    else from the box's own recent days at the same hour; else ``fallback_c``, one for all or for each hour. Nothing is
    filled when even that is None: the time then stays uncovered and is shown as such.

    ``until_hour``: later hours, counted since 1970, are filled from measured neighbours alone; None: all are.

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
        if until_hour is not None and way != "neighbours":
            near = gap + table.first_hour < until_hour
            gap, seconds, values, sd = gap[near], seconds[near], values[near], sd[near]
        rate = curve.rate_per_day(values)
        slope = (curve.rate_per_day(values + 0.1) - curve.rate_per_day(values - 0.1)) / 0.2
        development[gap] += rate * seconds / 86400.0
        degree_days[gap] += np.maximum(values - curve.base_c, 0.0) * seconds / 86400.0
        filled_s[gap] = seconds
        if len(gap):
            how[way] = how.get(way, 0.0) + float(seconds.sum())
        variance += float(np.sum(np.abs(slope) * sd * seconds / 86400.0)) ** 2
        temperature[gap] = np.where(np.isnan(temperature[gap]), values, temperature[gap])
    return Filled(development, degree_days, filled_s, float(np.sqrt(variance)), how, temperature)


def around(table: HourTable, neighbours: Sequence[HourTable]) -> Values | None:
    """Hourly mean of all neighbours, for a box of which nothing is known that could be compared with them; shape (n,).

    None without any of them; an hour in which none of them is known is as their mean.
    """
    rows = [_aligned(other, table) for other in neighbours]
    known = np.vstack(rows) if rows else np.full((1, len(table)), np.nan)
    if np.isnan(known).all():
        return None
    count = (~np.isnan(known)).sum(axis=0)
    mean = np.divide(np.nansum(known, axis=0), count, out=np.full(len(table), np.nan), where=count > 0)
    return np.where(np.isnan(mean), float(np.nanmean(known)), mean)


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
    gap: Times,
    own: Values,
    neighbours: Sequence[Values],
    fallback_c: float | Values | None,
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
        by_hour = [
            float(np.mean(same)) if len(same := own[recent[(recent - h) % 24 == 0]]) >= 2 else mean for h in range(24)
        ]
        values = np.array(by_hour)[gap % 24]
        return values, max(float(np.std(own[recent])), LEAST_SD_C["own days"]) * ones, "own days"
    if fallback_c is not None:
        values = np.broadcast_to(np.asarray(fallback_c, np.float64), (n,))[gap]
        return values.copy(), LEAST_SD_C["assumed"] * ones, "assumed"
    return None, ones, ""
