"""Is it the room or the probes: gradients claimed that are none, and missed that are, before and after comparing.

Two boxes of one stack at 60 and 150 cm, each with a digital probe (step 1/16 C, noise 0.03 C) that is off by anything
up to its bound, evenly spread. A day of readings every ten minutes goes through the profile of the stack that the
service makes, and the sentence that the keeper would read is taken at its word: a gradient is claimed unless the
sentence says that the probes could explain it or that it is within their uncertainty. Then the probes are compared for
forty minutes in one box, in spots that differ by 0.03 C (unless set), and the day is judged again with what was found;
and once more by swapping them for a day, on which the gradient is another one by 7 % (unless set; so much it differs
from day to day in a room heated to 30 C, IEA EBC Annex 58).

Then what is made of it: in stacks of several levels, curved and with one probe in their middle that is off by 2 C or
none, who is named as standing out; and for a clutch in the lowest and the uppermost box, half way through, what is
advised (a fan, a swap, another shelf), and what each piece of advice would have gained in the true temperatures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import Series
from monitor.core.climate.stacks import Level, StackProfile, profile
from monitor.core.development.lots import Ahead, LotNow, Past
from monitor.core.development.remedies import FAN_LEAVES, advise, siblings_in
from monitor.core.development.window import ExpectedRates
from monitor.core.notices.kinds.uneven import describe
from monitor.core.readings.calibration import Track
from monitor.core.readings.corrections import Correction, StandingCorrections
from monitor.core.readings.side_by_side import SwapTest, side_by_side, swap_test
from monitor.core.terms.events import Clutch, Lot, Stay
from monitor.core.terms.settings import Probe, Watch
from monitor.core.terms.times import DAY_MS
from tests.bench import Figures

START = 1_780_000_000_000
STEP_C = 0.0625
NOISE_C = 0.03
MINUTE = 60_000
TRUE_K = (0.0, 0.1, 0.25, 0.5, 1.0, 1.5)
BOUNDS_C = (0.1, 0.5)
MOST_WRONG = 0.05


def measure(trials: int = 400, levels: int = 4, seed: int = 1, spots_c: float = 0.03, sway: float = 0.07) -> Figures:
    """``levels``: of the taller stack, whose warmest and coolest of several are picked."""
    rng = np.random.default_rng(seed)
    figures: dict[str, float | int | str | bool | None] = {"trials_each": trials}
    short: list[str] = []
    for bound in BOUNDS_C:
        for true in TRUE_K:
            cases = [_Case([0.0, true], bound, rng, spots_c, sway) for _ in range(trials)]
            name = f"bound_{bound:g}_true_{true:g}".replace(".", "p")
            before, after = [c.judged() for c in cases], [c.judged(compared=True) for c in cases]
            swaps = [c.swapped() for c in cases]
            figures[f"{name}_raised_share"] = _share([p.difference_c >= Watch().uneven_c for p in before])
            figures[f"{name}_claimed_share"] = _share([_claims(p) for p in before])
            figures[f"{name}_raised_after_compare_share"] = _share([p.difference_c >= Watch().uneven_c for p in after])
            figures[f"{name}_claimed_after_compare_share"] = claimed = _share([_claims(p) for p in after])
            figures[f"{name}_claimed_after_swap_share"] = swapped = _share([s.gradient_real for s in swaps])
            errors = [_rise(p) - true for p in after]
            figures[f"{name}_error_after_compare_c"] = float(np.sqrt(np.mean(np.square(errors))))
            figures[f"{name}_error_after_swap_c"] = float(np.sqrt(np.mean([(s.gradient_c - true) ** 2 for s in swaps])))
            for way, share in (("comparing", claimed), ("a swap", swapped)):
                if true == 0.0 and share > MOST_WRONG:
                    short.append(
                        f"after {way}, probes within {bound:g} C: {100 * share:.1f} % claim a gradient of none"
                    )
                if true == 0.5 and 1.0 - share > MOST_WRONG:
                    short.append(
                        f"after {way}, probes within {bound:g} C: {100 * (1 - share):.1f} % miss half a degree"
                    )
        cases = [_Case([0.0] * levels, bound, rng, spots_c, sway) for _ in range(trials)]
        share = _share([_claims(c.judged(compared=True)) for c in cases])
        figures[f"bound_{bound:g}_true_0_of_{levels}_levels_claimed_after_compare_share".replace(".", "p")] = share
        if share > MOST_WRONG:
            short.append(f"{levels} levels, probes within {bound:g} C: {100 * share:.1f} % claim a gradient of none")
    _odd_ones(figures, short, rng, trials, levels + 1)
    _advised(figures, short, rng, trials, spots_c, sway)
    return Figures(
        figures,
        short,
        (
            "claimed: by the sentence neither the probes could explain it nor is it within their uncertainty",
            "raised: the mean over the day is 1 K or more",
            "before comparing nothing is promised: then the sentence says that the probes were not compared",
            "true gain: days fewer apart in the true temperatures, a stirred stack keeping 15 % of its differences",
        ),
    )


OFF_C = 2.0
CURVE = load_profile("elaphe-taeniura").curve()
SO_FAR_DAYS = 28.0


def _odd_ones(
    figures: dict[str, float | int | str | bool | None],
    short: list[str],
    rng: np.random.Generator,
    trials: int,
    levels: int,
) -> None:
    """One wrong probe in the middle of a stack is named, and none where none is wrong."""
    for bound in BOUNDS_C:
        wrong, right, other = 0, 0, 0
        for _ in range(trials):
            x = np.linspace(0.0, 1.0, levels)
            rise, bend = rng.uniform(0.0, 1.5), rng.uniform(-0.3, 0.3)
            read = 28.0 + rise * x + 4.0 * bend * x * (1.0 - x) + rng.uniform(-bound, bound, levels)
            right += _odd(read, bound) is not None
            which = int(rng.integers(1, levels - 1))
            read[which] += OFF_C * rng.choice([-1.0, 1.0])
            named = _odd(read, bound)
            wrong += named == which
            other += named not in (which, None)
        name = f"bound_{bound:g}".replace(".", "p")
        figures[f"{name}_one_off_by_2_c_named_share"] = wrong / trials
        figures[f"{name}_another_named_share"] = other / trials
        figures[f"{name}_none_off_one_named_share"] = right / trials
        for share, says in ((right / trials, "named where none is wrong"), (other / trials, "named in place of it")):
            if share > 0.02:
                short.append(f"probes within {bound:g} C: {100 * share:.1f} % {says}")
        if bound == min(BOUNDS_C) and wrong / trials < 0.9:
            short.append(f"probes within {bound:g} C: {100 * wrong / trials:.0f} % of the probes off by 2 C are named")


def _odd(read: NDArray[np.float64], bound: float) -> int | None:
    heights = np.linspace(50.0, 170.0, len(read))
    u = bound / math.sqrt(3.0)
    levels = tuple(
        Level(str(i), float(h), float(t), u, True) for i, (h, t) in enumerate(zip(heights, read, strict=True))
    )
    odd = _profile_of(levels).odd
    return int(odd.level.name) if odd else None


def _profile_of(levels: tuple[Level, ...]) -> StackProfile:
    warm, cool = max(levels, key=lambda x: x.mean_c), min(levels, key=lambda x: x.mean_c)
    sd = warm.error.against(cool.error)
    return StackProfile("left", levels, warm.mean_c - cool.mean_c, sd, None, warm.name, cool.name, 0, DAY_MS, 24)


def _advised(
    figures: dict[str, float | int | str | bool | None],
    short: list[str],
    rng: np.random.Generator,
    trials: int,
    spots_c: float,
    sway: float,
) -> None:
    """Three levels, whose middle is empty; a clutch in the lowest and the uppermost; before and after comparing."""
    for bound in BOUNDS_C:
        for true in (0.0, 0.5, 1.0):
            cases = [_Case([0.0, true / 2.0, true], bound, rng, spots_c, sway) for _ in range(trials)]
            name = f"bound_{bound:g}_true_{true:g}".replace(".", "p")
            for compared in (False, True):
                found = [_gains(c.judged(compared=compared), c.places) for c in cases]
                when = "after_compare" if compared else "before_compare"
                given = [x for x in found if x]
                share = len(given) / trials
                figures[f"{name}_advised_{when}_share"] = share
                gains = [g for x in given for g in x]
                if true > 0.0 and gains:
                    figures[f"{name}_advised_{when}_true_gain_days"] = float(np.mean([t for _, _, t in gains]))
                    figures[f"{name}_advised_{when}_told_gain_days"] = float(np.mean([g for g, _, _ in gains]))
                    held = _share([abs(t - g) <= 2.0 * sd for g, sd, t in gains])
                    figures[f"{name}_advised_{when}_gain_in_interval_share"] = held
                    worse = _share([t < -0.25 for _, _, t in gains])
                    figures[f"{name}_advised_{when}_made_worse_share"] = worse
                    if worse > MOST_WRONG:
                        short.append(f"{name}, {when}: {100 * worse:.1f} % of what was advised made it worse")
                if true == 0.0 and share > MOST_WRONG:
                    short.append(f"{name}, {when}: advice for an even stack in {100 * share:.1f} %")
                if true == 1.0 and compared and share < 0.95:
                    short.append(f"{name}, {when}: no advice for a degree in {100 * (1 - share):.1f} %")


def _gains(found: StackProfile, places: NDArray[np.float64]) -> list[tuple[float, float, float]]:
    """Of each piece of advice: the gain that was told, its standard uncertainty, and the true one."""
    low, top = found.levels[0], found.levels[-1]
    true_c = {low.name: 28.0 + float(places[0]), top.name: 28.0 + float(places[-1])}
    lots = [_lot(level) for level in (low, top)]
    ((early, late),) = siblings_in(lots)
    told = []
    for remedy in advise(early, late, found).remedies:
        a, b = (_rate(true_c[f"box {x.lot.box}"]) for x in (early, late))
        d1, d2 = a * SO_FAR_DAYS, b * SO_FAR_DAYS
        before = (1.0 - d2) / b - (1.0 - d1) / a
        if remedy.way == "swap":
            after = (1.0 - d2 - b * remedy.in_days) / a - (1.0 - d1 - a * remedy.in_days) / b
        elif remedy.way == "fan":
            mean = 28.0 + float(np.mean(places))
            to = [_rate(mean + FAN_LEAVES * (true_c[f"box {x.lot.box}"] - mean)) for x in (early, late)]
            after = (1.0 - d2) / to[1] - (1.0 - d1) / to[0]
        else:
            assert remedy.place is not None
            heights = [x.height_cm for x in found.levels]
            there = _rate(28.0 + float(np.interp(remedy.place.height_cm, heights, places)))
            after = (1.0 - d2) / there - (1.0 - d1) / a
        told.append((remedy.gains_days, remedy.sd_days, abs(before) - abs(after)))
    return told


def _rate(temperature_c: float) -> float:
    return float(CURVE.rate_per_day(np.array([temperature_c]))[0])


def _lot(level: Level) -> LotNow:
    """Six eggs that have lain in a box for four weeks at what its probe says."""
    rate = _rate(level.mean_c)
    slope = math.log(_rate(level.mean_c + 0.25) / _rate(level.mean_c - 0.25)) / 0.5
    box = level.name.removeprefix("box ")
    eggs = Lot(f"K01/{box}", "K01", box, (Stay(box, START, None),), 6)
    return LotNow(
        eggs,
        Clutch("K01", "elaphe-taeniura", START, True, 12, (eggs,)),
        past=Past(rate * SO_FAR_DAYS, error=level.error, compared=level.compared),
        ahead=Ahead(level.mean_c, rate, ExpectedRates(rate), (1.0 - rate * SO_FAR_DAYS) / rate, slope / rate),
    )


def _share(of: Sequence[bool]) -> float:
    return float(np.mean(of))


def _claims(found: StackProfile) -> bool:
    text = describe(found, "C")
    return "probes alone could explain" not in text and "within their uncertainty" not in text


def _rise(found: StackProfile) -> float:
    """Uppermost less lowest level, with its sign."""
    return found.levels[-1].mean_c - found.levels[0].mean_c


class _Case:
    """One stack with its probes: a day, a comparison, and a day after a swap."""

    def __init__(
        self, places_c: Sequence[float], bound_c: float, rng: np.random.Generator, spots_c: float, sway: float
    ) -> None:
        self.rng = rng
        self.bound, self.spots, self.sway = bound_c, spots_c, sway
        self.places = np.asarray(places_c)
        self.off = rng.uniform(-bound_c, bound_c, len(places_c))
        self.names = [f"p{i}" for i in range(len(places_c))]
        self.heights = np.linspace(60.0, 150.0, len(places_c))
        self.day = [self._says(i, START, DAY_MS, 10 * MINUTE, place) for i, place in enumerate(self.places)]

    def _says(self, probe: int, from_ms: int, span_ms: int, every_ms: int, place_c: float) -> Track:
        """What a probe says at a place: a wave of the day, its own error, noise, and its code."""
        at = from_ms + np.arange(0, span_ms, every_ms, dtype=np.int64)
        wave = 28.0 + 0.4 * np.sin(2 * np.pi * (at % DAY_MS) / DAY_MS)
        value = wave + place_c + self.off[probe] + self.rng.normal(0.0, NOISE_C, len(at))
        return Track(at, np.round(value / STEP_C) * STEP_C, standard_uncertainty_c=self.bound / math.sqrt(3.0))

    def _compared(self) -> StandingCorrections:
        """Forty minutes in one box, two days before."""
        since = START - 2 * DAY_MS
        spots = self.rng.normal(0.0, self.spots, len(self.places))
        session = side_by_side(
            {n: self._says(i, since, 40 * MINUTE, MINUTE, spots[i]) for i, n in enumerate(self.names)}
        )
        assert session.steady, session.refused
        return StandingCorrections(
            Correction(f.probe, since, f.correction_c, f.uncertainty_c, f.common_c, "side by side", since, "s", id=i)
            for i, f in enumerate(session.found)
        )

    def judged(self, *, compared: bool = False) -> StackProfile:
        known = self._compared() if compared else StandingCorrections()
        series = []
        for name, height, said in zip(self.names, self.heights, self.day, strict=True):
            probe = Probe(name, name, box=name, standard_uncertainty=self.bound / math.sqrt(3.0))
            value = said.temperature_c + known.offset_c(name, said.time_ms)
            effective = known.effective(probe, START + DAY_MS)
            series.append((f"box {name}", float(height), Series(effective, said.time_ms, value)))
        found = profile("left", series, START, START + DAY_MS)
        assert found is not None
        return found

    def swapped(self) -> SwapTest:
        """The first two probes change places for a second day."""
        rise = float(self.places[1] - self.places[0])
        later = rise * (1.0 + self.rng.normal(0.0, self.sway))
        spots = self.rng.normal(0.0, self.spots, 4)
        before = (
            self._says(1, START, DAY_MS, 10 * MINUTE, rise + spots[0]),
            self._says(0, START, DAY_MS, 10 * MINUTE, spots[1]),
        )
        after = (
            self._says(1, START + DAY_MS, DAY_MS, 10 * MINUTE, spots[2]),
            self._says(0, START + DAY_MS, DAY_MS, 10 * MINUTE, later + spots[3]),
        )
        return swap_test(before, after)
