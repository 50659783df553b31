"""How long until a limit is reached: what is told 10, 30 and 60 minutes after a fault, against what then happens.

Simulated rooms (``simulation.room``) with boxes of four time constants, four outdoors temperatures, both kinds of
thermostat and two times of day; a heater that dies, one that sticks, and a power cut that stops heater and fan while
the probes, on batteries, go on. The simulation knows the truth: what the box itself, not its probe, comes to. The
estimate sees only the probe, and an air probe where the room has one. Three limits each, 3 to 6 degrees from where
the box was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor.core.climate.course import LOOK_BACK_S, Course, course
from monitor.core.terms.arrays import Times, Values
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.bench import Figures

MINUTES = (10, 30, 60)
SET_C = 28.0
FAULTS = {
    "heater dies": ((Act.HEATER_DIES,), -1.0),
    "heater sticks": ((Act.HEATER_STICKS_ON,), 1.0),
    "power cut": ((Act.HEATER_DIES, Act.FAN_STOPS), -1.0),
}
AWAY_C = (3.0, 4.0, 6.0)
# Promises, at 60 minutes: median relative error, and how often the interval that is told as 8 in 10 holds the truth.
MOST_ERROR = 0.25
LEAST_COVERAGE = 0.70


@dataclass(frozen=True)
class Case:
    """One fault in one room: what the probes said, and what the box came to, a minute apart; times since the fault."""

    fault: str
    at_ms: Times
    probe_c: Values
    air_c: Values
    box_c: Values


@dataclass(frozen=True)
class Answer:
    """``told`` None: most likely not within a day. ``truth_s`` inf: not within what was simulated."""

    minute: int
    air: bool
    truth_s: float
    told: tuple[float, float, float] | None
    way: str


def cases(seed: int) -> Iterator[Case]:
    number = 0
    for fault, (acts, _) in FAULTS.items():
        for tau_h in (2.0, 4.0, 6.0, 9.0):
            for outdoors_c in (0.0, 8.0, 14.0, 18.0):
                for kind, hour in (("proportional", 45.0), ("switching", 52.0)):
                    number += 1
                    setting = SimSetting(
                        boxes=(SimBox("box", 60.0, tau_s=3600.0 * tau_h),),
                        probes=(SimProbe("probe", box="box"), SimProbe("air", height_cm=100.0)),
                        heater=Heater(
                            set_c=SET_C,
                            kind="switching" if kind == "switching" else "proportional",
                            lift_c=SET_C - outdoors_c + 12.0,
                            looks_every_s=60.0,
                        ),
                        outdoors_c=outdoors_c,
                        outdoors_swing_c=3.0,
                        room_tau_s=3600.0 * (2.0, 3.0, 5.0)[number % 3],
                    )
                    yield _played(setting, fault, [Action(3600.0 * hour, a) for a in acts], seed + number)


def _played(setting: SimSetting, fault: str, script: list[Action], seed: int) -> Case:
    room = SimRoom(setting, script, seed=seed)
    begin_s = script[0].at_s
    at_s = begin_s - LOOK_BACK_S - 600.0
    room.advance(at_s)
    rows = []
    while at_s < begin_s + 26 * 3600.0:
        at_s += 60.0
        room.advance(at_s)
        said = room.read()
        rows.append((round((at_s - begin_s) * 1000), said["probe"], said["air"], room.box_c("box")))
    table = np.array(rows)
    return Case(fault, table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3])


def answers(case: Case) -> Iterator[Answer]:
    side = FAULTS[case.fault][1]
    for minute in MINUTES:
        now_ms = minute * 60_000
        known = int(np.searchsorted(case.at_ms, now_ms, "right"))
        at_ms, probe_c = case.at_ms[:known], case.probe_c[:known]
        for air in (True, False):
            found = course(
                at_ms, probe_c, now_ms, air_ms=at_ms if air else None, air_c=case.air_c[:known] if air else None
            )
            for away_c in AWAY_C:
                limit_c = SET_C + side * away_c
                passed = np.flatnonzero((case.at_ms >= now_ms) & (side * (case.box_c - limit_c) >= 0.0))
                truth_s = (float(case.at_ms[passed[0]]) - now_ms) / 1000.0 if len(passed) else math.inf
                if truth_s >= 300.0:
                    yield Answer(minute, air, truth_s, _told(found, limit_c), found.way if found else "none")


def _told(found: Course | None, limit_c: float) -> tuple[float, float, float] | None:
    eta = found.time_to(limit_c) if found is not None else None
    return None if eta is None else (eta.low_s, eta.mid_s, eta.high_s)


def measure(seed: int = 1) -> Figures:
    """Median relative error, coverage and width by fault and minute; with an air probe, and with the box's own
    alone."""
    figures: dict[str, float | int] = {}
    short: list[str] = []
    by_fault: dict[str, list[Answer]] = {}
    for case in cases(seed):
        by_fault.setdefault(case.fault, []).extend(answers(case))
    for fault, every in by_fault.items():
        for air in (True, False):
            for minute in MINUTES:
                some = [a for a in every if a.minute == minute and a.air is air]
                reached = [a for a in some if math.isfinite(a.truth_s)]
                both = [(a.truth_s, a.told) for a in reached if a.told is not None]
                name = f"{fault.replace(' ', '_')}_{'air' if air else 'box_alone'}_{minute}_min"
                figures[f"{name}_limits_reached"] = len(reached)
                figures[f"{name}_told"] = len(both)
                figures[f"{name}_said_never_wrongly"] = sum(a.told is None and a.way == "two lags" for a in reached)
                figures[f"{name}_told_though_never_reached"] = sum(
                    a.told is not None for a in some if not math.isfinite(a.truth_s)
                )
                if not both:
                    continue
                error = float(np.median([abs(told[1] - truth) / truth for truth, told in both]))
                coverage = float(np.mean([told[0] <= truth <= told[2] for truth, told in both]))
                figures[f"{name}_median_error_share"] = round(error, 3)
                figures[f"{name}_coverage_share"] = round(coverage, 3)
                if minute == 60 and error > MOST_ERROR:
                    short.append(f"{name}: the median error is {100 * error:.0f} % of the time left")
                if minute == 60 and coverage < LEAST_COVERAGE:
                    short.append(
                        f"{name}: the interval told as 8 in 10 holds the truth {100 * coverage:.0f} times in 100"
                    )
    notes = ["told: an answer other than 'not within a day'; error and coverage are of those; truth: the box itself"]
    return Figures(figures, short, notes)
