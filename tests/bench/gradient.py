"""Is it the room or the probes: gradients claimed that are none, and missed that are, before and after comparing.

Two boxes of one stack at 60 and 150 cm, each with a digital probe (step 1/16 C, noise 0.03 C) that is off by anything
up to its bound, evenly spread. A day of readings every ten minutes goes through the profile of the stack that the
service makes, and the sentence that the keeper would read is taken at its word: a gradient is claimed unless the
sentence says that the probes could explain it or that it is within their uncertainty. Then the probes are compared for
forty minutes in one box, in spots that differ by 0.03 C (unless set), and the day is judged again with what was found;
and once more by swapping them for a day, on which the gradient is another one by 7 % (unless set; so much it differs
from day to day in a room heated to 30 C, IEA EBC Annex 58).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.core.boxes import Series
from monitor.core.calibration import Swap, Track, side_by_side, swap_test
from monitor.core.corrections import Calibrations, Correction
from monitor.core.events import DAY_MS
from monitor.core.kinds.uneven import describe
from monitor.core.settings import Probe, Watch
from monitor.core.stacks import StackProfile, profile
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
    return Figures(
        figures,
        short,
        (
            "claimed: by the sentence neither the probes could explain it nor is it within their uncertainty",
            "raised: the mean over the day is 1 K or more",
            "before comparing nothing is promised: then the sentence says that the probes were not compared",
        ),
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

    def _compared(self) -> Calibrations:
        """Forty minutes in one box, two days before."""
        since = START - 2 * DAY_MS
        spots = self.rng.normal(0.0, self.spots, len(self.places))
        session = side_by_side(
            {n: self._says(i, since, 40 * MINUTE, MINUTE, spots[i]) for i, n in enumerate(self.names)}
        )
        assert session.steady, session.refused
        return Calibrations(
            Correction(f.probe, since, f.correction_c, f.uncertainty_c, f.common_c, "side by side", since, "s", id=i)
            for i, f in enumerate(session.found)
        )

    def judged(self, *, compared: bool = False) -> StackProfile:
        known = self._compared() if compared else Calibrations()
        series = []
        for name, height, said in zip(self.names, self.heights, self.day, strict=True):
            probe = Probe(name, name, box=name, standard_uncertainty=self.bound / math.sqrt(3.0))
            value = said.temperature_c + known.offset_c(name, said.time_ms)
            effective = known.effective(probe, START + DAY_MS)
            series.append((f"box {name}", float(height), Series(effective, said.time_ms, value)))
        found = profile("left", series, START, START + DAY_MS)
        assert found is not None
        return found

    def swapped(self) -> Swap:
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
