"""What has been seen of a clutch, as measured development, and how far eggs, boxes and clutches lie apart."""

from __future__ import annotations

import math
from dataclasses import field, replace

from monitor.core.development.survival import Survival
from monitor.errors import EventRefused, ModelOutOfRange
from monitor.values import dataclass

# Evidence outside these developments is counted as if it lay on the border: the tails say nothing there.
LEAST_DEVELOPMENT, MOST_DEVELOPMENT = 0.05, 20.0
# No look and no integral is sharper than this (log scale); a pip told to the minute is widened to it.
SHARPEST = 2e-4
MOST_EGGS = 500
# Clutches of one study and temperature differ by so much (log scale): turtles, published coefficients of variation of
# 2.2 to 2.8 % (citation from memory).
CLUTCH_SD = 0.025


def curve_share(variance: float) -> float:
    """Of a variance that a clutch's eggs share (log scale), the part that is the published curve's and the
    population's: all but what clutches differ by."""
    return max(1.0 - CLUTCH_SD**2 / variance, 0.0) if variance > 0.0 else 0.0


@dataclass(frozen=True)
class Spread:
    """How far eggs, boxes and clutches lie apart, log scale (0.02 is 2 % of the incubation time).

    Starting values, to be refitted from finished clutches: eggs within one clutch and treatment scatter with a
    coefficient of variation of 3 to 4 %, clutches of one study and temperature with 2.2 to 2.8 % (measured on compiled
    constant-temperature studies, reptiles: Noble et al. 2018, Sci. Data 5:180138, citation from memory). What a box
    does beyond its probe's temperature (moisture, place, substrate): groups of one clutch at one temperature, on
    substrates of different water, lie apart with a scale of 1.5 % (21 groups of ROSIE: Krueger & Janzen 2022, Sci.
    Data 9:22; ``deploy/measure hatching``); a keeper's boxes are less alike than an experimenter's, so 2 % is kept.
    The part ``curve_share`` of the variance sigma_m^2 comes from the published curve and the population it was measured
    on (:func:`curve_share`); ``start_share`` is that of how far the eggs were when laid, ``probe_share`` that of what
    the boxes' probes have in common; the rest is the clutch. 0.042 is a curve's own error and a clutch; the profiles
    put to it by how much papers of one species differ.
    """

    sigma_m: float = 0.042
    scale_egg: float = 0.02
    scale_box: float = 0.02
    survival: Survival = field(default_factory=Survival)
    curve_share: float = 1.0 - (CLUTCH_SD / 0.042) ** 2
    start_share: float = 0.0
    probe_share: float = 0.0

    def __post_init__(self) -> None:
        sizes = (self.sigma_m, self.scale_egg, self.scale_box)
        if not all(0.0 <= size <= 0.2 for size in sizes) or self.scale_egg < 0.002:
            raise ModelOutOfRange(f"spreads {sizes} are not within 0 to 0.2, the egg's above 0.002", where="forecast")
        shares = (self.curve_share, self.start_share, self.probe_share)
        if not (min(shares) >= 0.0 and sum(shares) <= 1.0 + 1e-12):
            raise ModelOutOfRange("the shares lie between 0 and 1", where="forecast")


@dataclass(frozen=True)
class PipInterval:
    """``count`` eggs pipped between two looks; ``after`` (0: no look) and ``by`` are measured development then."""

    after: float
    by: float
    count: int


@dataclass(frozen=True)
class BoxEvidence:
    """What has been seen in one box.

    ``eggs``: fertile eggs still counted, those that pipped included (1 when the number is not known).
    ``sigma_bias``: standard uncertainty of the log of measured development from the box's probe; ``sigma_common`` the
    part of it that is shared with every box whose probe is of the same ``session`` of comparison ("": of none).
    ``none_by``: measured development at the last look at the eggs that have not pipped; 0 when nobody looked.
    Who counts pips has looked at the rest, so the latest ``by`` counts as such a look.
    ``alive``: of the eggs that have not pipped, (measured development, how many) were last seen alive then, each egg
    once at most. ``dead``: further eggs, not among ``eggs``, that were seen to have failed. ``box_fails``: the chance
    that the box fails as a whole, by what it went through (None: as any box).
    """

    box: str
    eggs: int
    sigma_bias: float
    pipped: tuple[PipInterval, ...] = ()
    none_by: float = 0.0
    sigma_common: float = 0.0
    session: str = ""
    alive: tuple[tuple[float, int], ...] = ()
    dead: int = 0
    box_fails: float | None = None

    def __post_init__(self) -> None:
        where, counts = f"box {self.box}", "correct the number of eggs"
        if not 1 <= self.eggs <= MOST_EGGS:
            raise EventRefused(f"{self.eggs} eggs: a forecast needs 1 to {MOST_EGGS}", where=where, fix=counts)
        if not (math.isfinite(self.sigma_bias) and 0.0 <= self.sigma_bias <= 0.3):
            raise ModelOutOfRange(f"sigma_bias {self.sigma_bias} is not between 0 and 0.3", where=where)
        if not 0.0 <= self.sigma_common <= self.sigma_bias:
            raise ModelOutOfRange(f"sigma_common {self.sigma_common} is not between 0 and sigma_bias", where=where)
        if not (math.isfinite(self.none_by) and self.none_by >= 0.0):
            raise ModelOutOfRange(f"development {self.none_by} at the last look is not a number >= 0", where=where)
        for seen in self.pipped:
            told = f"{seen.count} pipped after development {seen.after} and by {seen.by}"
            if not (0.0 <= seen.after <= seen.by < math.inf and seen.by > 0.0):
                raise EventRefused(
                    f"{told}: the first look comes first, and no egg pips at 0", where=where, fix="correct the times"
                )
            if seen.count < 1:
                raise EventRefused(f"{told}: at least one has to", where=where, fix=counts)
        if self.pipped_count > self.eggs:
            raise EventRefused(f"{self.pipped_count} pipped out of {self.eggs} eggs", where=where, fix=counts)
        if not (self.dead >= 0 and all(at >= 0.0 and n >= 1 for at, n in self.alive)):
            raise EventRefused("eggs seen alive or dead are counted from 1", where=where, fix=counts)
        if sum(n for _, n in self.alive) > self.rest:
            raise EventRefused(f"more eggs seen alive than the {self.rest} that lie still", where=where, fix=counts)

    @property
    def pipped_count(self) -> int:
        return sum(seen.count for seen in self.pipped)

    @property
    def rest(self) -> int:
        """Eggs that have not pipped."""
        return self.eggs - self.pipped_count

    @property
    def log_looked(self) -> float:
        """Log of measured development at the last look at the rest; minus infinity when nobody looked."""
        looks = (self.none_by, *(seen.by for seen in self.pipped), *(at for at, _ in self.alive))
        return log_of(max(looks))

    @property
    def log_alive(self) -> tuple[tuple[float, int], ...]:
        """(log development when last seen alive, how many eggs) of all that have not pipped; minus infinity: never."""
        seen = tuple((log_of(at), n) for at, n in self.alive)
        unseen = self.rest - sum(n for _, n in seen)
        return (*seen, *([(-math.inf, unseen)] if unseen else []))

    def without_looks(self) -> BoxEvidence:
        """What is known of it without its silence: as if nobody had looked at what lies still since the last pip."""
        return replace(self, none_by=0.0, alive=())

    @property
    def log_pipped(self) -> tuple[tuple[float, float, int], ...]:
        """(after, by, count) on log scale, none narrower than the sharpest look."""
        return tuple(
            (min(log_of(seen.after), log_of(seen.by) - SHARPEST), log_of(seen.by), seen.count) for seen in self.pipped
        )


def log_of(development: float) -> float:
    if development <= 0.0:
        return -math.inf
    return math.log(min(max(development, LEAST_DEVELOPMENT), MOST_DEVELOPMENT))
