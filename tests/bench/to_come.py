"""Windows in simulated rooms of five kinds, nothing looked at: whether the end lies inside as often as promised.

``steady`` is held to some hundredths of a degree; ``switching`` is a two-point heater whose swing does not divide a
day, re-set by up to half a degree in every third room; ``warming`` and ``cooling`` are a half of a yearly season with
damped weather upon it; ``weather`` wanders from day to day with nothing to hold it but a weak pull to its middle. Eggs,
box, curve and probe are as the forecast's own model has them, so that what is tested is the temperature still to come:
in each room drawn, with a probe that is off by what was drawn, the chance that the first pip lies inside the window is
that of the model at the true development of the window's two ends. Shares of the time are of that of the median pip.

Beside each window stands that of a seer, who knows the daily means that will come: how much of the width is the price
of not knowing them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.evidence import BoxEvidence, Spread
from monitor.core.development.forecast import PipChance, update
from monitor.core.development.gaps import HourTable
from monitor.core.development.history import History, StayTable, Way
from monitor.core.development.lots import INSIDE_TABLE, forecast_clutch
from monitor.core.development.plans import Plan, PlannedTemperature
from monitor.core.terms.events import Clutch, Lot, Stay
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench import Figures
from tests.core.lots import window_of

Array = NDArray[np.float64]

PROFILE = load_profile("elaphe-taeniura")
CURVE = PROFILE.curve()
START = 1_780_000_000_000 // DAY_MS * DAY_MS
DAYS: Final = 260
U_C: Final = 0.1
SHARES: Final = (0.25, 0.5, 0.75, 0.9, 0.95)


def _smooth(noise: Array, days: float) -> Array:
    """Noise behind a first-order lag."""
    keep, at = math.exp(-1.0 / days), 0.0
    out = np.empty_like(noise)
    for i, one in enumerate(noise):
        at = keep * at + (1.0 - keep) * one
        out[i] = at
    return out


def steady(rng: np.random.Generator) -> Array:
    """Daily means (C) of a room held to 0.03 to 0.15 C."""
    return rng.uniform(26.5, 29.5) + rng.uniform(0.03, 0.15) * rng.standard_normal(DAYS)


def switching(rng: np.random.Generator) -> Array:
    """A swing of 1 to 3 C between on and off, 5 to 19 hours long: what it leaves in the means of whole days."""
    hours = np.arange(24 * DAYS)
    swing = rng.uniform(1.0, 3.0) * ((hours / rng.uniform(5.0, 19.0) + rng.random()) % 1.0 - 0.5)
    level = np.full(DAYS, rng.uniform(26.5, 29.5))
    if rng.random() < 1 / 3:
        level[int(rng.integers(5, 50)) :] += rng.uniform(-0.5, 0.5)
    means: Array = level + swing.reshape(DAYS, 24).mean(axis=1) + 0.03 * rng.standard_normal(DAYS)
    return means


def _season(rng: np.random.Generator, sign: float) -> Array:
    """Half a year from 20 to 80 days after the turn on, 3 to 5 C to each side, and weather behind sand or a wall."""
    day = np.arange(DAYS) + rng.uniform(20.0, 80.0)
    season = -sign * rng.uniform(3.0, 5.0) * np.cos(2.0 * math.pi * day / 365.0)
    weather = _smooth(_smooth(rng.normal(0.0, 5.0, DAYS + 60), 3.0), rng.uniform(3.0, 10.0))[60:]
    means: Array = (26.5 if sign > 0.0 else 28.5) + season + weather
    return means


def warming(rng: np.random.Generator) -> Array:
    return _season(rng, 1.0)


def cooling(rng: np.random.Generator) -> Array:
    return _season(rng, -1.0)


def weather(rng: np.random.Generator) -> Array:
    """Steps of 0.1 to 0.3 C a day, with a pull of 2 % a day to the middle."""
    at = 0.0
    out = np.empty(DAYS)
    for i, step in enumerate(rng.uniform(0.1, 0.3) * rng.standard_normal(DAYS)):
        at = 0.98 * at + step
        out[i] = at
    return rng.uniform(26.5, 29.0) + out


KINDS: Final[Mapping[str, Callable[[np.random.Generator], Array]]] = {
    kind.__name__: kind for kind in (steady, switching, warming, cooling, weather)
}


@dataclass(frozen=True)
class Said:
    """A window beside the truth: error of its middle to the median pip and width (days), that of a seer who knows what
    will come, and the chance that the pip lies inside."""

    error: float
    width: float
    seer_width: float
    inside: float


@dataclass(frozen=True)
class Truth:
    """A room with one lot: hourly temperatures and daily means (C), development done by each hour, what the probe is
    off by, and how the first pip of so many eggs lies (chance by log development)."""

    true_c: Array
    daily_c: Array
    done: Array
    off_c: float
    eggs: int
    pip: PipChance

    @staticmethod
    def draw(rng: np.random.Generator, kind: str) -> Truth:
        daily = np.clip(KINDS[kind](rng), 17.0, 34.0)
        true_c = np.repeat(daily, 24) + 0.3 * np.sin(2.0 * math.pi * np.arange(24 * DAYS) / 24.0)
        done = np.append(0.0, np.cumsum(CURVE.rate_per_day(true_c)) / 24.0)
        eggs, spread = int(rng.integers(1, 13)), PROFILE.spread
        # Outside the table the curve is off by as much as it says.
        outside = float(np.mean(CURVE.rate_sd_relative(true_c[: int(np.searchsorted(done, 1.0))])))
        shared = math.sqrt(spread.shared**2 + max(outside**2 - INSIDE_TABLE**2, 0.0))
        pips = update([BoxEvidence("b", eggs, 0.0)], Spread(shared, spread.egg, spread.box))
        return Truth(true_c, daily, done, U_C * float(rng.standard_normal()), eggs, pips.pip("b", 1))

    @property
    def median_ms(self) -> int:
        at = math.exp(float(np.interp(0.5, self.pip.chance, self.pip.log_development)))
        return START + round(float(np.interp(at, self.done, np.arange(len(self.done)))) * HOUR_MS)

    def chance_by(self, at_ms: int) -> float:
        """Of the first pip by a moment."""
        developed = float(np.interp((at_ms - START) / HOUR_MS, np.arange(len(self.done)), self.done))
        return float(np.interp(math.log(max(developed, 1e-6)), self.pip.log_development, self.pip.chance))

    def said(self, share: float) -> Said:
        hours = max(int(share * (self.median_ms - START) / HOUR_MS), 24)
        now_ms, eggs, whole = START + hours * HOUR_MS, self.eggs, np.full(hours, 3600.0)
        t = self.true_c[:hours] + self.off_c
        above = np.maximum(t - CURVE.base_c, 0.0) / 24.0
        table = HourTable(START // HOUR_MS, CURVE.rate_per_day(t) / 24.0, above, t, whole, whole)
        history = History.of(Way((StayTable(table, (), START),), now_ms, ProbesError(U_C), compared=False), CURVE)
        lot = Lot("C/b", "C", "b", (Stay("b", START, None),), eggs)
        clutch = Clutch("C", PROFILE.id, START, False, eggs, (lot,))
        steps = [PlannedTemperature(now_ms, float(self.daily_c[hours // 24]) + self.off_c)]
        for day in range(hours // 24 + 1, DAYS):
            steps.append(PlannedTemperature(START + day * DAY_MS, float(self.daily_c[day]) + self.off_c))
        said, seer = (
            window_of(forecast_clutch(clutch, [lot], {lot.id: history}, PROFILE, CURVE, now_ms, plan)[0])
            for plan in (None, Plan(tuple(steps)))
        )
        return Said(
            (said.p50_ms - self.median_ms) / DAY_MS,
            (said.p90_ms - said.p10_ms) / DAY_MS,
            (seer.p90_ms - seer.p10_ms) / DAY_MS,
            self.chance_by(said.p90_ms) - self.chance_by(said.p10_ms),
        )


def forecasts(rng: np.random.Generator, kind: str) -> list[Said]:
    """One lot of one to twelve eggs in such a room, asked at each of ``SHARES`` of its time."""
    truth = Truth.draw(rng, kind)
    return [truth.said(share) for share in SHARES]


def measure(rooms: int = 150, seed: int = 7) -> Figures:
    """Share of ends inside, errors and widths, by kind of room and share of the time that has passed."""
    figures: dict[str, float] = {}
    short = []
    for index, kind in enumerate(KINDS):
        rng = np.random.default_rng([seed, index])
        rows = [forecasts(rng, kind) for _ in range(rooms)]
        for i, share in enumerate(SHARES):
            at = f"{kind}_at_{round(100 * share)}_pct"
            said = [row[i] for row in rows]
            inside = 100.0 * float(np.mean([one.inside for one in said]))
            figures[f"{at}_inside_10_90_pct"] = inside
            figures[f"{at}_mean_absolute_error_days"] = float(np.mean([abs(one.error) for one in said]))
            figures[f"{at}_width_days"] = float(np.mean([one.width for one in said]))
            figures[f"{at}_wider_than_a_seers_pct"] = 100.0 * (
                float(np.mean([one.width for one in said])) / float(np.mean([one.seer_width for one in said])) - 1.0
            )
            if not 75.0 <= inside <= 88.0:
                short.append(f"{kind}, at {100 * share:.0f} %: {inside:.0f} % of the ends inside, 75 to 88 are wanted")
    return Figures(figures, short, [f"{rooms} rooms of each kind; 80 % are promised"])
