"""A probe that drifts, in rooms drawn by seed: how soon it is told, and how often one is told that does not.

A room is a stack of three to six probes at heights between 20 and 200 cm, for sixty days. Drawn are: outdoors with its
season, weather and days; set point, stratification (0 to 1.5 K over the stack in usual weather) and how it is bent, all
of which change together whenever something is done to the heating (every 5 to 25 days on average); what each box has by
its place, its substrate that dries and is wetted, eggs that warm it, boxes that are looked into; and of each probe its
offset, noise, code (0.01 to 0.25 C), interval (1 to 15 minutes) and gaps, some of them of all at once. The figures of
these rooms are judgement. Each room is played as it is, and once for each size of drift in one of its probes, upwards
or down, from a day between the 11th and the 27th; it is looked at every other day, as the service does every day.

Besides: stacks whose stratification falls from 1.0 to 0.2 K in one day and stays; and the forty-one days of a real room
(IEA EBC Annex 58, twin house), which is heated by thermostat, at constant power and not at all, as they are and with a
drift put upon each of its probes in turn.
"""

from __future__ import annotations

import csv
import math
import multiprocessing
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.readings.drift import Departure, day_medians, departing
from tests.bench import Figures
from tests.peers import SHARED, shared

Values = NDArray[np.float64]
DAY0: Final = 20_600
LENGTH: Final = 60
EVERY: Final = 2
COUNTS: Final = (3, 4, 5, 6)
SIZES_C_PER_DAY: Final = (0.02, 0.05, 0.1, 0.2)
# By size (C a day): so many days, and the share that is found within them. Nothing is promised of less.
PROMISED: Final = {0.05: (30, 0.9), 0.1: (20, 0.95), 0.2: (12, 0.95)}
MOST_FALSE: Final = 0.5


@dataclass(frozen=True)
class DrawnStack:
    """A room: its probes' heights (cm), and what each says by the hour (probes x hours), C, without a drift."""

    heights_cm: Mapping[str, float]
    hourly_c: Values


def _wander(rng: np.random.Generator, n: int, sd: float, hours: float) -> Values:
    """A series about 0 with this standard deviation that forgets within so many hours (Ornstein-Uhlenbeck)."""
    keep = math.exp(-1.0 / hours)
    made = np.empty(n)
    last = rng.normal(0.0, sd)
    for i, kick in enumerate(rng.normal(0.0, sd * math.sqrt(1.0 - keep * keep), n).tolist()):
        made[i] = last = keep * last + kick
    return made


def drawn(seed: int, count: int, days: int = LENGTH, *, falls: bool = False) -> DrawnStack:
    """``falls``: stratification falls from 1.0 to 0.2 K, once."""
    rng = np.random.default_rng(seed)
    hours = np.arange(days * 24, dtype=np.float64)
    n = len(hours)
    # Heights in steps of 10 cm at least.
    steps = np.sort(rng.choice(np.arange(2, 21), count, replace=False)) * 10.0
    x = (steps - steps.min()) / 100.0
    x = x - x.mean()
    outdoors = (
        rng.uniform(-2.0, 16.0)
        + rng.uniform(-8.0, 8.0) * hours / n
        + _wander(rng, n, rng.uniform(1.0, 4.0), 96.0)
        + rng.uniform(1.0, 6.0) * np.sin(2.0 * np.pi * (hours - 9.0) / 24.0)
    )
    # What is done to the heating: other set point, other place of the heat, a fan: stratification and its form change.
    regime = np.zeros(n, np.int64)
    for at in np.cumsum(rng.exponential(rng.uniform(5.0, 25.0) * 24.0, 40)):
        regime[hours >= at] += 1
    if falls:
        regime = (hours >= rng.uniform(12.0, 30.0) * 24.0).astype(np.int64)
    most = int(regime.max()) + 1
    set_c = rng.uniform(26.0, 31.0) + rng.normal(0.0, rng.choice([0.0, 0.3, 1.0]), most)
    span = max(float(np.ptp(x)), 0.3)
    strength = rng.uniform(0.0, 1.5, most) / span  # K per m, in usual weather
    if falls:
        strength = np.array([1.0, 0.2]) / span
    bend = rng.normal(0.0, 0.15) + rng.normal(0.0, 0.1, most)
    need = np.clip((set_c[regime] - outdoors) / 20.0, 0.0, 2.0)
    level = set_c[regime] - rng.uniform(0.0, 0.5) * (need - 1.0) + _wander(rng, n, rng.uniform(0.02, 0.3), 12.0)
    stratified = strength[regime] * need * (1.0 + _wander(rng, n, rng.uniform(0.02, 0.2), 12.0))
    form = x[:, None] + span * bend[regime][None, :] * (1.0 - (2.0 * x[:, None] / span) ** 2)
    own = rng.normal(0.0, 0.08, count)  # of the stratification, that each box has by its place
    truth = level + stratified * (form + own[:, None] * span)
    for i in range(count):
        truth[i] += _wander(rng, n, rng.uniform(0.01, 0.06), 240.0)  # substrate wetted and dried, lids
        if rng.random() < 0.25:  # eggs that warm their box as they grow
            truth[i] += rng.uniform(0.05, 0.2) * np.clip((hours / n - 0.3) / 0.7, 0.0, 1.0) ** 2
    for at in rng.uniform(0, n, rng.poisson(days / 4.0)):  # looked into: a box is open for a while
        which, from_h = rng.integers(count), int(at)
        truth[which, from_h : from_h + 3] -= rng.uniform(0.3, 3.0)
    return DrawnStack({f"p{i}": float(h) for i, h in enumerate(steps)}, _said(rng, truth))


def _said(rng: np.random.Generator, truth: Values) -> Values:
    """Hourly means of what the probes say: each with its offset, noise, code, interval and gaps."""
    count, n = truth.shape
    said = np.empty_like(truth)
    for i in range(count):
        step = float(rng.choice([0.01, 0.0625, 0.1, 0.25]))
        noise = rng.uniform(0.01, 0.1)
        per_hour = int(rng.choice([60, 30, 12, 6, 4]))
        at = np.arange(n * per_hour) / per_hour
        value = np.interp(at, np.arange(n), truth[i]) + rng.normal(0.0, 0.3) + rng.normal(0.0, noise, len(at))
        said[i] = (np.round(value / step) * step).reshape(n, per_hour).mean(axis=1)
        for start in rng.uniform(0, n, rng.poisson(n / 24.0 / 30.0)):
            said[i, int(start) : int(start + rng.exponential(18.0))] = np.nan
    for start in rng.uniform(0, n, rng.poisson(n / 24.0 / 40.0)):
        said[:, int(start) : int(start + rng.exponential(18.0))] = np.nan
    return said


def with_drift(room: DrawnStack, index: int, c_per_day: float, from_day: int) -> DrawnStack:
    said = room.hourly_c.copy()
    said[index] += c_per_day * np.maximum(np.arange(said.shape[1]) / 24.0 - from_day, 0.0)
    return DrawnStack(room.heights_cm, said)


def told(room: DrawnStack, first: int = 12, every: int = EVERY) -> Iterator[tuple[int, Departure | None]]:
    """What is said at the end of every other day."""
    table = np.array([day_medians(row) for row in room.hourly_c])
    days = np.arange(DAY0, DAY0 + table.shape[1])
    for end in range(first, table.shape[1] + 1, every):
        seen = {name: table[i, :end] for i, name in enumerate(room.heights_cm)}
        yield end, departing(days[:end], seen, room.heights_cm).departure


@dataclass(frozen=True)
class DriftQuiet:
    """Of a room without a drift: how often a drift was told, and for how many days in all."""

    times: int
    days: int


def quiet(room: DrawnStack) -> DriftQuiet:
    times, days, before = 0, 0, ""
    for _, departure in told(room):
        name = departure.probe if departure is not None else ""
        times += bool(name) and name != before
        days += EVERY * bool(name)
        before = name
    return DriftQuiet(times, days)


@dataclass(frozen=True)
class DriftFound:
    """After how many days a drift was told of the right probe (None: never), and whether another one was told of
    before, or beside it as one that it may be as well."""

    after: int | None
    other_before: bool


def found(room: DrawnStack, index: int, c_per_day: float, from_day: int) -> DriftFound:
    name = list(room.heights_cm)[index]
    other = False
    for end, departure in told(with_drift(room, index, c_per_day, from_day), from_day + 1):
        if departure is not None and name in (departure.probe, departure.or_probe):
            return DriftFound(end - from_day, other)
        other |= departure is not None
    return DriftFound(None, other)


@dataclass(frozen=True)
class DriftPlayed:
    count: int
    quiet: DriftQuiet
    found: Mapping[float, DriftFound]


def _play(seed: int, count: int) -> DriftPlayed:
    room, dice = drawn(seed, count), np.random.default_rng((seed, 1))
    drifts = {}
    for size in SIZES_C_PER_DAY:
        index, from_day = int(dice.integers(count)), int(dice.integers(11, 28))
        drifts[size] = found(room, index, size * float(dice.choice([-1.0, 1.0])), from_day)
    return DriftPlayed(count, quiet(room), drifts)


def _falls(seed: int, count: int) -> DriftQuiet:
    return quiet(drawn(seed, count, falls=True))


def measure(rooms: int = 80, seed: int = 1) -> Figures:
    """``rooms``: a quarter of them of each size."""
    figures: dict[str, float | int | str | bool | None] = {"rooms": rooms, "days_each": LENGTH}
    short: list[str] = []
    seeds = [seed * 100_000 + i for i in range(rooms)]
    counts = [COUNTS[i % len(COUNTS)] for i in range(rooms)]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1), mp_context=spawn) as pool:
        played = list(pool.map(_play, seeds, counts))
        fallen = list(pool.map(_falls, seeds, counts))
    years = rooms * LENGTH / 365.0
    figures["false_per_room_year"] = false = round(sum(p.quiet.times for p in played) / years, 2)
    figures["false_days_longest"] = max(p.quiet.days for p in played)
    figures["stratification_falls_false_per_room_year"] = fell = round(sum(q.times for q in fallen) / years, 2)
    figures["stratification_falls_false_days_longest"] = max(q.days for q in fallen)
    for share, where in ((false, "rooms as they are"), (fell, "a stratification that falls")):
        if share > MOST_FALSE:
            short.append(f"{where}: {share} false drifts a room-year, promised {MOST_FALSE}")
    others = []
    for size in SIZES_C_PER_DAY:
        name = f"drift_{size:g}_c_a_day".replace(".", "p")
        figures |= _of(name, [p.found[size] for p in played])
        for count in COUNTS:
            some = [p.found[size] for p in played if p.count == count]
            figures[f"{name}_found_of_{count}_probes_share"] = _share([f.after is not None for f in some])
        others += [p.found[size].other_before for p in played]
        if size in PROMISED:
            within, least = PROMISED[size]
            share = _share([f.after is not None and f.after <= within for p in played for f in [p.found[size]]])
            figures[f"{name}_found_in_{within}_days_share"] = share
            if share < least:
                short.append(
                    f"{size:g} C a day: {100 * share:.0f} % found in {within} days, promised {100 * least:.0f} %"
                )
    figures["another_named_before_share"] = _share(others)
    notes = ["days: from the first day of the drift; looked at every other day"]
    if SHARED.is_dir():
        _real(figures, short)
    else:
        notes.append(f"no reference material at ../{SHARED.name}: the real room was not looked at")
    return Figures(figures, short, notes)


def _of(name: str, cases: Sequence[DriftFound]) -> dict[str, float | int | str | bool | None]:
    after = [f.after for f in cases if f.after is not None]
    return {
        f"{name}_found_share": _share([f.after is not None for f in cases]),
        f"{name}_found_after_days_median": float(np.median(after)) if after else None,
    }


def _share(cases: Sequence[bool]) -> float:
    return round(sum(cases) / max(len(cases), 1), 3)


TWIN_HOUSE: Final = {"air_067cm_c": 67.0, "air_125cm_c": 125.0, "air_187cm_c": 187.0}


def _real(figures: dict[str, float | int | str | bool | None], short: list[str]) -> None:
    with shared("data", "heated_room_three_heights.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    hours = np.array([r["time_utc"][:13] for r in rows])
    days = sorted({h[:10] for h in hours})[:-1]
    values = np.array([[float(r[c] or "nan") for c in TWIN_HOUSE] for r in rows])
    said = np.full((len(TWIN_HOUSE), len(days) * 24), np.nan)
    for i, hour in enumerate(f"{day}T{h:02d}" for day in days for h in range(24)):
        inside = values[(hours == hour) | (hours == hour.replace("T", " "))]
        if len(inside) and not np.isnan(inside).all():
            said[:, i] = np.nanmean(inside, axis=0)
    room = DrawnStack(TWIN_HOUSE, said)
    figures["real_room_false_drifts"] = false = quiet(room).times
    if false:
        short.append(f"{false} drifts told in the real room, whose probes do not drift")
    for size in SIZES_C_PER_DAY:
        cases = [found(room, i, sign * size, 11) for i in range(3) for sign in (-1.0, 1.0)]
        figures |= _of(f"real_room_drift_{size:g}_c_a_day".replace(".", "p"), cases)
        if size >= 0.1 and not all(f.after is not None for f in cases):
            short.append(f"a drift of {size:g} C a day put upon a probe of the real room is not always found")
