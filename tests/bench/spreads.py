"""What the published tables say of the forecast's spreads, set against its starting values; the nests as hold-out.

Three things share a clutch's m: the curve's own error, how far one laboratory and population lies from another, and
the clutch. The first is what is left when a temperature is left out of its own study; the second is how far the means
of two studies of one species lie apart at one temperature. The third is in no table, since treatments mix clutches; it
is taken from published spreads between clutches (turtles, same study and temperature: coefficients of variation of
2.2 to 2.8 %, medians). Errors have heavy tails, so each is a scale of Student's t with four degrees of freedom by
maximum likelihood, told as the standard deviation of the normal that has the same 10 to 90 % interval; intervals are
from resampling whole species.

The egg's spread: standard deviations inside treatments hold clutches, eggs and boxes at once, so they only bound it.
The box's: no table tells it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import numpy.typing as npt

from monitor.core.development.species import Profile, ProfileSpread
from tests.bench import Figures
from tests.bench.library import (
    LEAST_EGGS,
    Sides,
    leave_out_study,
    of_eggs,
    profiles,
    shipped_sides,
    whole_species,
    within_studies,
)
from tests.bench.nests import forecasts, nests
from tests.oracles.student_t import density, quantile

Array = npt.NDArray[np.float64]

CLUTCH = 0.025
# The normal's 90 % point, and that of Student's t with four degrees of freedom.
NORMAL_90, T4_90 = 1.2816, float(quantile(0.9))
RESAMPLED = 300


@dataclass(frozen=True)
class Found:
    """A difference on log scale of one species, and the variance that the numbers of eggs explain of it."""

    species: str
    log: float
    known: float


def scale_of(found: Sequence[Found], halves: float = 1.0) -> float:
    """Maximum likelihood of the spread that is left, as the normal with the same 10 to 90 % interval.

    ``halves``: 2 where the difference is one of two such things.
    """
    log = np.array([one.log for one in found])
    known = np.array([one.known for one in found])
    at = np.exp(np.linspace(math.log(0.002), math.log(0.2), 231))
    scale = np.sqrt(np.square(at[:, None] * NORMAL_90 / T4_90) * halves + known[None, :])
    likelihood = np.sum(np.log(density(log[None, :] / scale)) - np.log(scale), axis=1)
    return float(at[int(np.argmax(likelihood))])


def resampled(
    found: Sequence[Found], value: Callable[[Sequence[Found]], float], times: int = RESAMPLED
) -> tuple[float, float]:
    """10 and 90 % of the value over species resampled so many times."""
    rng = np.random.default_rng(2026)
    by: dict[str, list[Found]] = {}
    for one in found:
        by.setdefault(one.species, []).append(one)
    names = sorted(by)
    drawn = [
        value([one for i in rng.integers(0, len(names), len(names)) for one in by[names[i]]]) for _ in range(times)
    ]
    low, high = np.quantile(drawn, [0.1, 0.9])
    return float(low), float(high)


def left_out_errors() -> list[Found]:
    """What is left at temperatures left out of their own study, inside its range."""
    study, _, _ = shipped_sides()
    return [Found(one.species, one.log_error, _of_eggs(one.eggs)) for one in study.inside]


def study_differences(of: Sequence[Profile]) -> list[Found]:
    """Log ratios of the means of two papers of one species at one temperature, each pair of papers once."""
    found = []
    for profile in of:
        for t in profile.temperatures_c:
            rows = [row for row in profile.rows if row.temperature_c == t]
            for a, b in combinations(sorted({row.paper for row in rows}), 2):
                pair = [[row for row in rows if row.paper == paper] for paper in (a, b)]
                eggs = [sum(row.eggs or 1 for row in side) for side in pair]
                days = [
                    np.average([row.days for row in side], weights=[row.eggs or 1 for row in side]) for side in pair
                ]
                found.append(Found(profile.id, math.log(days[0] / days[1]), _of_eggs(eggs[0]) + _of_eggs(eggs[1])))
    return found


def treatment_spreads(of: Sequence[Profile]) -> list[Found]:
    """Coefficients of variation inside treatments of five eggs or more."""
    return [
        Found(profile.id, row.sd_days / row.days, 0.0)
        for profile in of
        for row in profile.rows
        if row.sd_days and row.eggs and row.eggs >= LEAST_EGGS
    ]


def _of_eggs(eggs: int) -> float:
    """Variance of a treatment's mean from its eggs, at 4 % between eggs."""
    return 0.04**2 / max(eggs, 1)


def _median(found: Sequence[Found]) -> float:
    return float(np.median([one.log for one in found]))


def coverage(sigma_m: float | None, *, one_study_only: bool = False) -> dict[str, float]:
    """Eggs in the 10 to 90 % window, with one sigma_m for every profile (or only those with the starting value that
    rest on one study), or with the profiles' own (None)."""
    known = profiles()
    if sigma_m is not None:
        start = ProfileSpread().shared
        known = [
            p
            if one_study_only and (p.spread.shared != start or len({row.paper for row in p.rows}) > 1)
            else replace(p, spread=replace(p.spread, shared=sigma_m))
            for p in known
        ]
    return {
        "within_study": of_eggs(Sides.of(within_studies(known)).inside).within_80_pct,
        "whole_species": of_eggs(Sides.of(whole_species(known)).inside).within_80_pct,
        "other_studies": of_eggs(Sides.split(leave_out_study(known)).inside).within_80_pct,
    }


def measure() -> Figures:
    """Each part with its interval, what they make together, coverage with it, and the nests."""
    known = profiles()
    curve, studies, inside = left_out_errors(), study_differences(known), treatment_spreads(known)
    figures: dict[str, float | int | str] = {}

    def put(name: str, found: Sequence[Found], value: Callable[[Sequence[Found]], float]) -> float:
        middle = value(found)
        low, high = resampled(found, value)
        figures.update({f"{name}_pct": 100 * middle, f"{name}_low_pct": 100 * low, f"{name}_high_pct": 100 * high})
        figures[f"{name}_n"] = len(found)
        return middle

    of_curve = put("curve", curve, scale_of)
    of_study = put("study", studies, lambda found: scale_of(found, 2.0))
    figures["clutch_taken_pct"] = 100 * CLUTCH
    together = math.sqrt(of_curve**2 + of_study**2 + CLUTCH**2)
    low = math.sqrt(figures_of(figures, "curve_low") ** 2 + figures_of(figures, "study_low") ** 2 + CLUTCH**2)
    high = math.sqrt(figures_of(figures, "curve_high") ** 2 + figures_of(figures, "study_high") ** 2 + CLUTCH**2)
    figures |= {"sigma_m_pct": 100 * together, "sigma_m_low_pct": 100 * low, "sigma_m_high_pct": 100 * high}
    start = ProfileSpread()
    figures["sigma_m_start_pct"] = 100 * start.shared
    treatment = put("within_treatment", inside, _median)
    figures["egg_scale_most_pct"] = 100 * math.sqrt(max(treatment**2 - CLUTCH**2, 0.0) / 2.0)
    figures["egg_scale_start_pct"] = 100 * start.egg
    figures["egg_and_box_sd_start_pct"] = 100 * math.sqrt(2.0 * (start.egg**2 + start.box**2))
    for name, sigma in (("own", None), ("start", start.shared), ("refit", together)):
        for table, share in coverage(sigma).items():
            figures[f"eggs_{table}_inside_with_{name}_in_10_90_pct"] = share
    for table, share in coverage(together, one_study_only=True).items():
        figures[f"eggs_{table}_inside_with_refit_for_one_study_in_10_90_pct"] = share
    figures["profiles_with_start_and_one_study"] = sum(
        p.spread.shared == start.shared and len({row.paper for row in p.rows}) == 1 for p in known
    )
    rows = {name: forecasts(*series, (0.5,))[0] for name, series in nests().items()}
    figures["nests"] = len(rows)
    figures["nests_in_10_90_at_half"] = int(sum(row["inside"] for row in rows.values()))
    figures["nests_half_width_days"] = float(np.mean([row["half_width_days"] for row in rows.values()]))
    figures["nests_mean_absolute_error_days"] = float(np.mean([abs(row["error_days"]) for row in rows.values()]))
    short = []
    if not low <= start.shared <= high:
        short.append(
            f"sigma_m starts at {100 * start.shared:.1f} %; for a new house the tables of other species say "
            f"{100 * low:.1f} to {100 * high:.1f} %, so windows of profiles that rest on one study may be too narrow"
        )
    if start.egg > 1.5 * math.sqrt(max(treatment**2 - CLUTCH**2, 0.0) / 2.0):
        short.append("the egg's spread is larger than what treatments leave for it")
    return Figures(
        figures,
        short,
        [
            "low and high: 10 and 90 % over resampled species",
            "the box's spread: no published table tells it; treatments do not say which eggs lay in one box",
            "eggs ... with_own: the spread of each profile; with_start and with_refit: one sigma_m for all of them",
            "with_refit_for_one_study: only for profiles that have the starting value and rest on one study",
        ],
    )


def figures_of(figures: dict[str, float | int | str], name: str) -> float:
    value = figures[f"{name}_pct"]
    assert isinstance(value, float)
    return value / 100.0
