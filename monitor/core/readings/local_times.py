"""Local time: what a clock on a wall showed, in UTC, where clocks are set forward and back."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from typing import Final

import numpy as np

from monitor.core.terms.arrays import Times
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from a naive origin
_MS: Final = timedelta(milliseconds=1)
_QUARTER_MS: Final = 900_000


@dataclass(frozen=True)
class UtcOfLocal:
    """Local times in UTC, and how many of them were uncertain."""

    at: Times
    ambiguous: int
    second_pass: int
    nonexistent: int


def utc_of_local(local_ms: Times, zone: tzinfo) -> UtcOfLocal:
    """Clock readings, in the order of the file, as UTC (PEP 495 has the words).

    An hour that occurs twice is read as the first, until the clock steps back within it (or shows the same
    moment again when it shows no other): from there on as the second. A time that the clocks jump over is
    read as if they had not been set.
    """
    if len(local_ms) == 0:
        return UtcOfLocal(local_ms, 0, 0, 0)
    first, second = _offsets(local_ms, zone)
    at = local_ms - first
    nonexistent = int((first < second).sum())
    twice = np.flatnonzero(first > second)
    if len(twice) == 0:
        return UtcOfLocal(at, 0, 0, nonexistent)
    steps = np.diff(local_ms)
    newest_first = bool((steps < 0).sum() > (steps > 0).sum())
    later = 0
    for run in np.split(twice, np.flatnonzero(np.diff(twice) != 1) + 1):
        ordered = run[::-1] if newest_first else run
        clock = local_ms[ordered]
        back = np.flatnonzero(np.diff(clock) < 0)
        if len(back) == 0 and len(clock) == 2 and clock[0] == clock[1]:
            back = np.array([0])  # an hourly logger
        if len(back):
            again = ordered[int(back[0]) + 1 :]
            at[again] = local_ms[again] - second[again]
            later += len(again)
    return UtcOfLocal(at, len(twice), later, nonexistent)


def _offsets(local_ms: Times, zone: tzinfo) -> tuple[Times, Times]:
    """Distance of local time from UTC in ms, for the first and for the second occurrence of each time."""

    def at(ms: int, fold: int) -> int:
        moment = (_EPOCH + timedelta(milliseconds=ms)).replace(tzinfo=zone, fold=fold)
        return (moment.utcoffset() or timedelta(0)) // _MS

    days, which = np.unique(local_ms // DAY_MS, return_inverse=True)
    of_day = np.array([[at(int(d) * DAY_MS, 0), at(int(d + 1) * DAY_MS, 1)] for d in days], np.int64)
    table = of_day[which]
    changing = np.flatnonzero(table[:, 0] != table[:, 1])
    if len(changing):
        # Clocks are set on a quarter of an hour, everywhere since long before there were loggers.
        quarters, which = np.unique(local_ms[changing] // _QUARTER_MS, return_inverse=True)
        fine = np.array([[at(int(q) * _QUARTER_MS, fold) for fold in (0, 1)] for q in quarters], np.int64)
        table[changing] = fine[which]
    return table[:, 0], table[:, 1]
