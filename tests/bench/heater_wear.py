"""A heater that fades: when it is told, and that it is not where only the season, doors or hours change.

Rooms (``simulation.room``) with a switching thermostat are played for eighty days, each with its heater as it is and
with one that loses half a per cent of its power each day from the tenth on; each day is looked at as the service does,
and the day on which the wear is told is kept. What differs between rooms: differential, lag and power of the heater,
step of the probe's code, how often it speaks, and the outdoors, which is steady, gets colder or warmer by 24 C, or goes
to and fro by 8 C every ten days; programmes of day and night, and doors that are opened.

Real rooms: a quiet one and one that is heated steadily must show no swing. The heater of the second was switched on
some of its days, and its power was written down: there the share of time in which the air rises is set against the
share in which the heater was on. And how many ways back from a cool spell, in that room, came with a heater that was
off: why they are not taken as a measure.
"""

from __future__ import annotations

import csv
import math
import multiprocessing
import os
import random
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.climate.heater import Day, Wear, day_of, duty_and_strength, lag_of, needs, wear
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.simulation.room import DAY_S, Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.bench import Figures
from tests.peers import SHARED, shared

DAY0: Final = 20_600
LENGTH: Final = 80
FADES_FROM: Final = 10
PER_DAY: Final = 0.005
Scalars = dict[str, float | int | str | bool | None]


@dataclass(frozen=True)
class Played:
    """A room, its heater and its probe; ``outdoors``, ``hours`` and ``doors``: what changes in it."""

    name: str
    outdoors: str = "steady"
    hours: bool = False
    doors: bool = False
    differential_c: float = 0.6
    lag_s: float = 300.0
    lift_c: float = 36.0
    step_c: float = 0.0625
    every_s: float = 60.0

    def script(self, *, fades: bool, days: int) -> list[Action]:
        dice, acts = random.Random(self.name), []
        for d in range(days):
            share = d / LENGTH
            at = {
                "steady": 12.0,
                "colder": 20.0 - 24.0 * share,
                "warmer": -4.0 + 24.0 * share,
                "to and fro": 12.0 + (4.0 if d // 10 % 2 else -4.0),
            }[self.outdoors]
            acts.append(Action(d * DAY_S, Act.OUTDOORS, "", at))
            if self.hours:
                acts += [Action(d * DAY_S + h * 3600.0, Act.THERMOSTAT_SET, "", c) for h, c in ((7, 29.0), (22, 26.0))]
            for _ in range(dice.randint(0, 4) if self.doors else 0):
                opens = d * DAY_S + dice.uniform(7.0, 22.0) * 3600.0
                acts += [Action(opens, Act.DOOR_OPENS), Action(opens + dice.choice((60, 300, 900)), Act.DOOR_CLOSES)]
        if fades:
            acts.append(Action(FADES_FROM * DAY_S, Act.HEATER_FADES, "", PER_DAY))
        return acts


ROOMS: Final = (
    Played("plain"),
    Played("every five minutes", every_s=300.0),
    Played("fine code", step_c=0.01),
    Played("narrow thermostat, quick heater", differential_c=0.3, lag_s=60.0, step_c=0.01),
    Played("wide thermostat, slow heater", differential_c=1.0, lag_s=900.0),
    Played("little power", lift_c=26.0),
    Played("hardly enough power", lift_c=22.0),
    Played("colder", "colder"),
    Played("colder, every five minutes", "colder", every_s=300.0),
    Played("colder, wide and slow", "colder", differential_c=1.0, lag_s=900.0),
    Played("colder, narrow and quick", "colder", differential_c=0.3, lag_s=60.0, step_c=0.01),
    Played("warmer", "warmer"),
    Played("to and fro", "to and fro"),
    Played("day and night", hours=True),
    Played("doors", doors=True),
)


def days_of(room: Played, *, fades: bool, days: int, seed: int) -> list[Day]:
    setting = SimSetting(
        boxes=(SimBox("box", 60.0),),
        probes=(SimProbe("air", height_cm=100.0, lsb=room.step_c),),
        heater=Heater(differential_c=room.differential_c, tau_s=room.lag_s, lift_c=room.lift_c),
    )
    recorded = SimRoom(setting, room.script(fades=fades, days=days), seed=seed).record(days * DAY_S, room.every_s)
    at = DAY0 * DAY_MS + (recorded.at_s * 1000).astype(np.int64)
    return [day_of(DAY0 + d, at, recorded.values["air"]) for d in range(days)]


@dataclass(frozen=True)
class Told:
    """``day``: on which it was told, None: never; ``least``: the lowest share that was ever read."""

    day: int | None
    at_day: Wear | None
    least: float
    end: Wear | str


def told(days: list[Day]) -> Told:
    day, then, least, found = None, None, 1.0, wear(days[:1])
    for n in range(8, len(days) + 1):
        found = wear(days[:n])
        if isinstance(found, Wear):
            least = min(least, found.left)
            if found.weak and day is None:
                day, then = n, found
    return Told(day, then, least, found)


def _play(name: str, fades: bool, days: int, seed: int) -> Told:
    room = next(r for r in ROOMS if r.name == name)
    return told(days_of(room, fades=fades, days=days, seed=seed))


def measure(days: int = LENGTH, seed: int = 1, only: str = "") -> Figures:
    """Rooms whose name holds ``only``."""
    figures: Scalars = {}
    short: list[str] = []
    rooms = [r.name for r in ROOMS if only in r.name]
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1), mp_context=spawn) as pool:
        n = len(rooms)
        played = list(pool.map(_play, rooms * 2, [False] * n + [True] * n, [days] * n * 2, [seed] * n * 2))
    calm, faded = played[:n], played[n:]
    false, least, after, lost = 0, 1.0, [], []
    for name, still, fades in zip(rooms, calm, faded, strict=True):
        least = min(least, still.least)
        if still.day is not None:
            false += 1
            short.append(f"{name}: told on day {still.day} though the heater is as it was")
        line = f"as it is: never below {100 * still.least:.0f} %"
        if fades.day is None or fades.at_day is None:
            short.append(f"{name}: a heater that loses {100 * PER_DAY:.1f} % a day is not told in {days} days")
            line += "; fading: never told"
        else:
            gone = PER_DAY * (fades.day - FADES_FROM)
            after.append(fades.day - FADES_FROM)
            lost.append(gone)
            full = fades.at_day.full_in_days
            line += f"; fading: told after {after[-1]} days, {100 * gone:.0f} % lost"
            line += f" ({100 * fades.at_day.left:.0f} % left read)"
            if full is not None:
                line += f", no reserve in {full:.0f} days said"
        figures[name] = line
    figures["rooms"] = len(rooms)
    figures["told_though_as_it_was"] = false
    figures["least_share_read_of_a_heater_as_it_was"] = round(least, 3)
    if after:
        figures["told_after_days_median"] = float(np.median(after))
        figures["told_after_days_most"] = max(after)
        figures["lost_when_told_most"] = round(max(lost), 3)
    _seasons(figures, short)
    notes = ["lost: of the first power, when it was told"]
    if SHARED.is_dir():
        _real(figures, short)
        notes.append("the real rooms cannot prove that a real thermostat's swing is quiet: none of them has one")
    else:
        notes.append(f"no reference material at ../{SHARED.name}: real rooms were not looked at")
    return Figures(figures, short, notes)


def _seasons(figures: Scalars, short: list[str]) -> None:
    """Strength read over shares of time on from 0.2 to 0.8, in still weather: it should not hang on them."""
    off: list[float] = []
    beyond, worst_duty = 0, 0.0
    for differential_c, lag_s in ((0.3, 60.0), (0.6, 300.0), (1.0, 900.0), (0.6, 1200.0)):
        quarters = {}
        for duty in (0.2, 0.35, 0.5, 0.65, 0.8):
            setting = SimSetting(
                boxes=(),
                probes=(SimProbe("air", height_cm=100.0, lsb=0.01 if differential_c < 0.5 else 0.0625),),
                heater=Heater(differential_c=differential_c, tau_s=lag_s, lift_c=36.0),
                outdoors_c=28.0 - 36.0 * duty,
                outdoors_swing_c=0.0,
            )
            recorded = SimRoom(setting, seed=3).record(2 * DAY_S, 60.0)
            at = DAY0 * DAY_MS + (recorded.at_s * 1000).astype(np.int64)
            quarters[duty] = day_of(DAY0 + 1, at, recorded.values["air"]).quarters
        lag = lag_of(quarters[0.5])
        found = {d: np.median([duty_and_strength(x, lag) for x in q], axis=0) for d, q in quarters.items() if q}
        for duty, strength in found.values():
            left = math.log(strength / found[0.5][1])
            off.append(abs(math.expm1(left)))
            beyond += -left >= needs(float(duty), left, float(found[0.5][0]))
        worst_duty = max(worst_duty, *(abs(float(x[0]) - d) for d, x in found.items()))
    figures["strength_over_share_of_time_on_median_error"] = round(float(np.median(off)), 3)
    figures["strength_over_share_of_time_on_worst_error"] = round(max(off), 3)
    figures["share_of_time_on_worst_error"] = round(worst_duty, 3)
    if beyond:
        short.append(f"in {beyond} cases the share of time on alone would count as a loss")


# -- real rooms -------------------------------------------------------------------------------------------------------


def _real(figures: Scalars, short: list[str]) -> None:
    seen = 0
    for name, time, column, head in (
        ("room_every_minute.csv", 1, 2, 1),
        ("heated_room_three_heights.csv", 0, 1, 1),
        ("heated_room_three_heights.csv", 0, 2, 1),
        ("heated_room_three_heights.csv", 0, 3, 1),
    ):
        at, value = _read(name, time, column, head)
        days = [day_of(d, at, value) for d in range(int(at[0] // DAY_MS), int(at[-1] // DAY_MS) + 1)]
        seen += sum(len(d.quarters) for d in days)
    figures["real_rooms_quarters_with_a_swing"] = seen
    if seen:
        short.append(f"real rooms without a switching thermostat: a swing in {seen} quarters of a day")
    every, power = _read("heated_room_three_heights.csv", 0, 8, 1)
    off, count, misses = 0, 0, []
    for column in (1, 2, 3):
        at, value = _read("heated_room_three_heights.csv", 0, column, 1)
        for first, last in _swings(at, value):
            low = first + int(np.argmin(value[first : last + 1]))
            misses.append(_rising_less_on(at, value, every, power, first, last) if low in (first, last) else np.nan)
        for first, last in _ways_back(at, value):
            inside = (every >= at[first]) & (every <= at[last])
            count += 1
            # Above half a kilowatt was its full power on switched days, and its usual one on steady days.
            off += float(np.mean(power[inside])) < 250.0
    kept = [m for m in misses if not np.isnan(m)]
    figures["heated_room_swings"] = len(kept)
    figures["heated_room_rising_less_heater_on_median"] = round(float(np.median(kept)), 3)
    figures["heated_room_rising_within_a_tenth_of_heater_on_share"] = round(float(np.mean(np.abs(kept) <= 0.1)), 2)
    figures["heated_room_ways_back"] = count
    figures["heated_room_ways_back_with_the_heater_off_share"] = round(off / count, 2)
    if abs(float(np.median(kept))) > 0.05:
        short.append("in the heated room the air does not rise while its heater is on")


def _read(name: str, time: int, column: int, head: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    with shared("data", name).open() as file:
        rows = [r for r in list(csv.reader(file))[head:] if r[column]]
    told_at = [datetime.fromisoformat(r[time].replace("Z", "+00:00")) for r in rows]
    at = np.array([round(t.replace(tzinfo=t.tzinfo or UTC).timestamp() * 1000) for t in told_at], np.int64)
    order = np.argsort(at)
    return at[order], np.array([float(r[column]) for r in rows])[order]


def _swings(at: NDArray[np.int64], value: NDArray[np.float64]) -> Iterable[tuple[int, int]]:
    """From trough to trough, of half a degree and six hours at most, found by a way of its own: lowest of its hour."""
    half = 6
    lows = [
        i
        for i in range(half, len(value) - half)
        if value[i] == value[i - half : i + half + 1].min() and value[i] < value[i - half : i + half + 1].max() - 0.4
    ]
    for a, b in pairwise(lows):
        if at[b] - at[a] <= 6 * HOUR_MS and value[a : b + 1].max() - max(value[a], value[b]) >= 0.5:
            yield a, b


def _rising_less_on(
    at: NDArray[np.int64],
    value: NDArray[np.float64],
    every: NDArray[np.int64],
    power: NDArray[np.float64],
    first: int,
    last: int,
) -> float:
    """Share of a swing in which the air rises, less that in which the heater was on; NaN where it was not switched."""
    inside = power[(every >= at[first]) & (every < at[last])]
    on = inside > 0.5 * max(float(inside.max()), 1.0)
    switched = np.isin(np.round(inside / 500.0, 1), (0.0, 1.0)).mean() > 0.8
    if inside.max() < 400.0 or not switched or not 0.0 < on.mean() < 1.0:
        return float("nan")
    top = first + int(np.argmax(value[first : last + 1]))
    return float((at[top] - at[first]) / (at[last] - at[first]) - on.mean())


def _ways_back(at: NDArray[np.int64], value: NDArray[np.float64]) -> list[tuple[int, int]]:
    """From the lowest moment of a spell 0.8 C below the day's middle until nine tenths of that were made good."""
    found = []
    for day in range(int(at[0] // DAY_MS), int(at[-1] // DAY_MS) + 1):
        inside = np.flatnonzero((at >= day * DAY_MS) & (at < (day + 1) * DAY_MS))
        if len(inside) < 100:
            continue
        c = value[inside]
        usual, low = float(np.median(c)), int(np.argmin(c))
        back = np.flatnonzero(c[low:] >= usual - 0.1 * (usual - float(c[low])))
        if usual - float(c[low]) >= 0.8 and low > 0 and len(back):
            found.append((int(inside[low]), int(inside[low + int(back[0])])))
    return found
