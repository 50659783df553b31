"""Published hatching success: how likely eggs and whole boxes fail, and how far containers of one clutch lie apart.

Two open collections: the share hatched by species and temperature (Reptile Development Database: Noble et al. 2018,
Sci. Data 5:180138), and groups of eggs with their clutch (ROSIE: Krueger & Janzen 2022, Sci. Data 9:22). What a species
bears reaches from the lowest to the highest temperature at which half of its eggs hatched.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import minimize
from scipy.special import betaln

from monitor.core.development.evidence import Spread
from monitor.core.development.survival import Survival
from tests.bench import Figures
from tests.bench.spreads import Found, scale_of
from tests.peers import shared

BEARS: Final = 0.5
DID_WELL: Final = 0.75
MIDDLE_C: Final = (24.0, 31.5)
LARGE: Final = 8
SMALL: Final = (3, 7)
# Of eggs of one treatment, where a paper tells no standard deviation: as in the forecast's refit.
EGGS_CV: Final = 0.035


@dataclass(frozen=True)
class Group:
    """Eggs that lay together. ``clutch``: "" where it is not named, or where they are of several."""

    species: str
    source: str
    clutch: str
    temperature_c: float
    eggs: int
    hatched: int
    days: float | None
    sd_days: float | None
    water: str


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def groups() -> list[Group]:
    found = []
    with shared("data", "clutch_hatching_counts.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            t, eggs, hatched = (_number(row[x]) for x in ("temperature_c", "eggs", "hatched"))
            if t is None or eggs is None or hatched is None:
                continue
            clutch = row["clutch"] if row["clutches_in_row"] in ("", "1") else ""
            found.append(
                Group(row["species"], row["source"], clutch, t, round(eggs), round(hatched),
                      _number(row["mean_incubation_days"]), _number(row["sd_days"]), row["water_content"])
            )  # fmt: skip
    return found


def treatments() -> list[tuple[str, float, int, int]]:
    """(species, temperature, eggs, hatched) of each."""
    with shared("data", "species_hatching_success.csv").open(encoding="utf-8", newline="") as file:
        rows = [(r["sp"], float(r["T"]), max(round(float(r["N"])), 1), float(r["p"])) for r in csv.DictReader(file)]
    return [(sp, t, n, round(p * n)) for sp, t, n, p in rows]


def borne(rows: Iterable[tuple[str, float, int, int]]) -> dict[str, tuple[float, float]]:
    """What each species bears, in C."""
    ok: dict[str, list[float]] = defaultdict(list)
    pooled: dict[tuple[str, float], tuple[int, int]] = {}
    for species, t, eggs, hatched in rows:
        before = pooled.get((species, t), (0, 0))
        pooled[species, t] = before[0] + eggs, before[1] + hatched
    for (species, t), (eggs, hatched) in pooled.items():
        if hatched >= BEARS * eggs:
            ok[species].append(t)
    return {species: (min(ts), max(ts)) for species, ts in ok.items()}


def beta_binomial(hatched: Sequence[int], eggs: Sequence[int]) -> tuple[float, float]:
    """Maximum likelihood of its two parameters."""
    k, n = np.asarray(hatched, float), np.asarray(eggs, float)

    def minus(log: np.ndarray) -> float:
        a, b = np.exp(log)
        return -float(np.sum(betaln(k + a, n - k + b) - betaln(a, b)))

    found = minimize(minus, np.log([5.0, 2.0]), method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8})
    a, b = np.exp(found.x)
    return float(a), float(b)


def all_fail(alive: float, failed: float, eggs: int) -> float:
    """The chance that all of so many eggs of one clutch fail, each by itself."""
    return float(np.exp(betaln(alive, failed + eggs) - betaln(alive, failed)))


def whole_failures(of: Sequence[Group]) -> dict[str, tuple[int, int]]:
    """Groups of a named clutch, another of which did well, by size: how many, and how many of them failed whole."""
    by: dict[tuple[str, str, str], list[Group]] = defaultdict(list)
    at: dict[tuple[str, int], list[Group]] = defaultdict(list)
    for g in of:
        at[g.species, round(g.temperature_c)].append(g)
        if g.clutch:
            by[g.species, g.source, g.clutch].append(g)

    def bears(g: Group) -> bool:
        """Whether it lay in the middle of what reptiles' eggs bear, and half of its species' other eggs hatched there.

        At the cold edge whole incubators failed with all that was in them (Chelydra at 20 C, s114 of the collection).
        """
        if not MIDDLE_C[0] <= g.temperature_c <= MIDDLE_C[1]:
            return False
        others = [x for x in at[g.species, round(g.temperature_c)] if x is not g]
        return bool(others) and sum(x.hatched for x in others) >= BEARS * sum(x.eggs for x in others)

    found = {"large": (0, 0), "small": (0, 0)}
    for together in by.values():
        for g in filter(bears, together):
            others = [x for x in together if x is not g and x.eggs >= SMALL[0]]
            if not any(x.hatched >= DID_WELL * x.eggs for x in others):
                continue
            size = "large" if g.eggs >= LARGE else "small" if SMALL[0] <= g.eggs <= SMALL[1] else ""
            if size:
                n, failed = found[size]
                found[size] = n + 1, failed + (g.hatched == 0)
    return found


def containers(of: Sequence[Group], *, of_clutch: bool) -> list[Found]:
    """How far the mean days of groups of one study and temperature lie from their mean: of one clutch each that differ
    in the substrate's water, or of different clutches on the same substrate."""
    by: dict[tuple[str, ...], list[Group]] = defaultdict(list)
    for g in of:
        if g.clutch and g.days is not None and g.hatched >= 2:
            by[g.species, g.source, f"{g.temperature_c:.1f}", g.clutch if of_clutch else g.water].append(g)
    found = []
    for (species, *_), together in by.items():
        if len(together) < 2:
            continue
        log = np.log([g.days for g in together if g.days is not None])
        share = len(together) / (len(together) - 1)
        for g, off in zip(together, log - log.mean(), strict=True):
            assert g.days is not None
            cv = EGGS_CV if g.sd_days is None else g.sd_days / g.days
            found.append(Found(species, float(off) * math.sqrt(share), cv**2 / g.hatched))
    return found


def measure() -> Figures:
    rows, of = treatments(), groups()
    bears = borne(rows)
    inside = [(n, k) for sp, t, n, k in rows if sp in bears and bears[sp][0] <= t <= bears[sp][1]]
    a, b = beta_binomial([k for _, k in inside], [n for n, _ in inside])
    whole = whole_failures(of)
    taken, spread = Survival(), Spread()
    water, clutches = containers(of, of_clutch=True), containers(of, of_clutch=False)
    figures: dict[str, float | int | str] = {
        "treatments": len(inside),
        "beta_alive": round(a, 2),
        "beta_failed": round(b, 2),
        "mean_success_pct": round(100 * a / (a + b), 1),
    }
    short = []
    for eggs in (2, 4, 8):
        found, own = all_fail(a, b, eggs), all_fail(taken.alive, taken.failed, eggs)
        figures[f"all_of_{eggs}_fail_pct"] = round(100 * found, 3)
        figures[f"all_of_{eggs}_fail_as_taken_pct"] = round(100 * own, 3)
        if not 0.5 <= own / found <= 2.0:
            short.append(f"all of {eggs} eggs fail in {100 * found:.2f} %, the program takes {100 * own:.2f} %")
    for size, (n, failed) in whole.items():
        figures[f"{size}_groups_beside_one_that_did_well"] = n
        figures[f"{size}_groups_failed_whole"] = failed
    n, failed = whole["large"]
    # Jeffreys' prior for a share: a beta distribution with one half and one half.
    figures["large_groups_fail_pct"] = round(100 * (failed + 0.5) / (n + 1.0), 2)
    figures["large_groups_fail_as_taken_pct"] = round(100 * taken.box_fails, 2)
    if n and not 0.3 <= taken.box_fails / ((failed + 0.5) / (n + 1.0)) <= 3.0:
        short.append(f"of {n} large groups {failed} failed whole, the program takes {100 * taken.box_fails:.2f} %")
    for name, some in (("same_clutch_other_water", water), ("other_clutch_same_water", clutches)):
        figures[f"{name}_n"] = len(some)
        # As a scale of Student's t with four degrees of freedom, of which the box's spread is one.
        figures[f"{name}_scale_pct"] = round(100 * scale_of(some) * 1.2816 / 1.5332, 2) if len(some) > 3 else 0.0
    figures["box_scale_as_taken_pct"] = 100 * spread.scale_box
    if len(water) > 3 and spread.scale_box < 0.5 * float(figures["same_clutch_other_water_scale_pct"]) / 100:
        short.append("boxes of one clutch lie further apart than the program takes")
    notes = [
        f"treatments: from the lowest to the highest temperature at which {100 * BEARS:.0f} % of its species hatched",
        f"whole failures: at {MIDDLE_C[0]:g} to {MIDDLE_C[1]:g} C where {100 * BEARS:.0f} % of the other eggs hatched",
        f"large: {LARGE} eggs or more, small: {SMALL[0]} to {SMALL[1]}; did well: {100 * DID_WELL:.0f} % hatched",
        "a keeper's boxes are less alike than an experimenter's: the box's spread is taken no smaller than it is found",
    ]
    return Figures(figures, short, notes)
