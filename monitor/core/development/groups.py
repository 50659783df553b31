"""One or two figures, and the slope that the relatives' rates have: a curve where no table is published.

"58 to 62 days at 27.8 C" says how fast eggs develop there and nothing of how much faster they would one degree
warmer. What says that is the base temperature T0 of the species, and relatives tell it about: rate = (T - T0) / K. Its
prior is a normal one, by family where the library has relatives of the family, and K follows from the figure. Two
figures tell something of T0 themselves; both are weighed together::

    ln days_i ~ N(ln K - ln(T_i - T0), level_i^2),   T0 ~ N(m, s^2),   K unknown

What serves is the mean of T0 given the figures and the K that goes with it; how wide T0 is left makes the window wider
with the distance from the figure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from monitor.core.development.curves import INTERPOLATION_SD_RELATIVE, LEVELS_OFF_C, table_sd
from monitor.core.maths.piecewise import PiecewiseCubic
from monitor.core.maths.robust import median
from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass

Group = Literal["snake", "lizard", "turtle", "crocodilian", "tuatara"]
GROUPS: Final[tuple[Group, ...]] = get_args(Group)

# Base temperatures (C) of the shipped profiles with a table of three temperatures or more, by family: the straight
# line through each table (Campbell et al. 1974). `tests/core/development/test_groups.py` fits them again.
BASES: Final[Mapping[Group, Mapping[str, tuple[float, ...]]]] = {
    "snake": {
        "Colubridae": (8.3, 10.0, 12.6, 12.8, 17.0),
        "Elapidae": (16.9, 18.7),
        "Viperidae": (19.8,),
    },
    "lizard": {
        "Agamidae": (12.5, 13.5, 14.4, 14.7, 14.8, 15.3, 15.4, 16.1, 16.4, 17.1, 17.5, 18.4),
        "Dactyloidae": (15.8,),
        "Gekkonidae": (15.5, 18.8, 19.9),
        "Iguanidae": (12.1,),
        "Lacertidae": (11.5, 13.4, 13.9, 13.9, 14.3, 14.9, 16.8),
        "Phrynosomatidae": (16.8,),
        "Scincidae": (13.0, 15.7, 16.5),
        "Varanidae": (7.0,),
    },
    "turtle": {
        "Chelidae": (8.5, 9.1, 16.8),
        "Cheloniidae": (15.1, 18.0, 18.1),
        "Chelydridae": (3.1, 3.5),
        "Emydidae": (10.7, 14.7, 15.6, 18.2),
        "Geoemydidae": (12.1, 12.9),
        "Podocnemididae": (17.4, 18.5, 19.4, 20.1, 21.7),
        "Testudinidae": (8.3, 13.6, 13.9, 14.5, 17.3, 18.3),
        "Trionychidae": (14.5, 15.8, 19.2),
    },
    "crocodilian": {
        "Crocodylidae": (19.3, 19.9),
    },
    "tuatara": {
        "Sphenodontidae": (9.2, 11.8),
    },
}
# Families of kept species of which the library has no table.
OTHER_FAMILIES: Final[Mapping[str, Group]] = {
    "Boidae": "snake", "Lamprophiidae": "snake", "Natricidae": "snake", "Pythonidae": "snake",
    "Chamaeleonidae": "lizard", "Cordylidae": "lizard", "Corytophanidae": "lizard", "Diplodactylidae": "lizard",
    "Eublepharidae": "lizard", "Gerrhosauridae": "lizard", "Phyllodactylidae": "lizard", "Sphaerodactylidae": "lizard",
    "Teiidae": "lizard", "Anguidae": "lizard",
    "Carettochelyidae": "turtle", "Dermatemydidae": "turtle", "Kinosternidae": "turtle", "Pelomedusidae": "turtle",
    "Alligatoridae": "crocodilian", "Gavialidae": "crocodilian",
}  # fmt: skip
ORDERS: Final[Mapping[str, Group]] = {
    "Testudines": "turtle", "Crocodilia": "crocodilian", "Rhynchocephalia": "tuatara",
}  # fmt: skip
# The line goes on so far above the warmest figure before it levels off as a table does. Leaving species out, a figure
# forecast those up to 5 C away as well with it as with an endless line, and it ends where eggs die.
STRAIGHT_C: Final = 4.0
# Within so far of a single figure a curve is inside what it rests on.
NEAR_C: Final = 1.5
# No egg develops below; and no T0 is nearer than that to a temperature at which eggs hatched.
LEAST_BASE_C, BELOW_COLDEST_C = 0.0, 2.0
_STEP_C: Final = 0.05
# The spread over all groups counts as so many species of one group; and the spread where no group has two.
COUNTS_AS: Final = 4
WIDEST_SD_C: Final = 4.0
# Rate curves bend, so the slope at a figure is that of a T0 farther off than the line's, in snakes most. Chosen, with
# FIGURE_SHARED, so that of species left out, each weighed alike, about eight eggs in ten lay in the window up to 5 C
# from the figure (`deploy/measure one-figure`; numbers chosen without the species itself do as well). Crocodilians and
# tuatara, of which fewer than three species give eggs to count, have those of turtles.
BENT: Final[Mapping[Group, float]] = {
    "snake": 2.0, "lizard": 1.2, "turtle": 1.5, "crocodilian": 1.5, "tuatara": 1.5,
}  # fmt: skip
# Log-scale spread of a profile of one or two figures, beside how sure those are: what papers, houses and clutches
# differ by, and what the curve misses. Chosen with BENT. The papers that can be compared say 6 % over all groups
# (curve 3.1, papers 4.5, clutches 2.5 %: `deploy/measure spreads`).
FIGURE_SHARED: Final[Mapping[Group, float]] = {
    "snake": 0.09, "lizard": 0.065, "turtle": 0.05, "crocodilian": 0.05, "tuatara": 0.05,
}  # fmt: skip
# Squares of standard deviations by which figures and relatives may miss each other together.
MOST_MISFIT: Final = 16.0


@dataclass(frozen=True, slots=True)
class Base:
    """What relatives say of a base temperature (C): mean, standard deviation, and of how many species of the family."""

    mean_c: float
    sd_c: float
    of_family: int


def group_of(family: str, order: str = "") -> Group | None:
    """The group of a family that is known here, else of the order; None for others (lizard or snake: say which)."""
    for group, families in BASES.items():
        if family in families:
            return group
    return OTHER_FAMILIES.get(family) or ORDERS.get(order)


def base_of(group: Group, family: str = "", bases: Mapping[Group, Mapping[str, tuple[float, ...]]] = BASES) -> Base:
    """The base temperature to expect of a further species.

    The mean of the family's and of the group's median, which counts as one further species of the family: leaving
    species out, that forecast best of all weights tried (0.5 to 8). The standard deviation is how far that falls from
    the species of the group, each left out of it, weighed with the value over all groups as if that came from four.
    """
    families = bases.get(group, {})
    here = families.get(family, ())
    apart = _known_apart() if bases is BASES else _apart(bases)
    everybody, own = [x for of_group in apart.values() for x in of_group], apart.get(group, [])
    overall = float(np.mean(np.square(everybody))) if everybody else WIDEST_SD_C**2
    variance = (COUNTS_AS * overall + sum(x * x for x in own)) / (COUNTS_AS + len(own))
    return Base(_mean(families, here), BENT[group] * math.sqrt(variance), len(here))


def _mean(families: Mapping[str, tuple[float, ...]], here: Sequence[float]) -> float:
    everybody = [x for family in families.values() for x in family]
    middle = median(everybody) if everybody else 15.0
    return (middle + sum(here)) / (1 + len(here))


def _apart(bases: Mapping[Group, Mapping[str, tuple[float, ...]]]) -> Mapping[Group, list[float]]:
    return {group: _left_out(families) for group, families in bases.items()}


@cache
def _known_apart() -> Mapping[Group, list[float]]:
    return _apart(BASES)


def _left_out(families: Mapping[str, tuple[float, ...]]) -> list[float]:
    """How far each species of a group is from what the others say of it; nothing where there is no other."""
    found = []
    for name, values in families.items():
        for i, value in enumerate(values):
            rest = {**families, name: values[:i] + values[i + 1 :]}
            if any(rest.values()):
                found.append(value - _mean(rest, rest[name]))
    return found


class GroupLine:
    """The curve of one figure or a few; see the module. A :class:`~monitor.core.development.curves.RateCurve`.

    Straight from T0 up to STRAIGHT_C above the warmest figure, then levelling off within LEVELS_OFF_C.
    """

    __slots__ = ("_ends_c", "_middle_c", "_pieces", "base_c", "base_sd_c", "constant_degree_days", "high_c", "low_c")

    name: Final = "slope of its group"

    def __init__(self, temperature_c: npt.ArrayLike, days: npt.ArrayLike, level_sd: npt.ArrayLike, base: Base) -> None:
        """``temperature_c`` (C), ``days`` and their relative standard uncertainty, shape (n,), n >= 1.

        Raises ModelOutOfRange for numbers that are no use, or figures that no line of relatives comes near.
        """
        t, d, u = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (temperature_c, days, level_sd))
        if not (t.shape == d.shape == u.shape and np.all(np.isfinite([t, d, u])) and np.all(d > 0) and np.all(u > 0)):
            raise ModelOutOfRange("figures need a temperature, days and an uncertainty each", where="rates")
        high = float(t.min()) - BELOW_COLDEST_C
        grid = np.arange(LEAST_BASE_C, high + _STEP_C / 2, _STEP_C)
        if not grid.size:
            raise ModelOutOfRange(f"no egg develops at {float(t.min()):.1f} °C", where="rates")
        weight = 1.0 / np.square(u)
        # Shape (grid, n): log of the thermal constant that each figure says, for each T0.
        says = np.log(d) + np.log(t - grid[:, np.newaxis])
        log_k = says @ weight / weight.sum()
        misfit = np.square(says - log_k[:, np.newaxis]) @ weight + np.square((grid - base.mean_c) / base.sd_c)
        chance = np.exp(-0.5 * (misfit - misfit.min()))
        chance /= chance.sum()
        if misfit.min() > MOST_MISFIT:
            raise ModelOutOfRange(
                "the figures fit no line that relatives have: between them the days change too much or too little",
                where="rates",
                fix="check the figures and their temperatures",
            )
        self.base_c = float(chance @ grid)
        self.base_sd_c = math.sqrt(float(chance @ np.square(grid - self.base_c)))
        at_base = np.log(d) + np.log(t - self.base_c)
        self.constant_degree_days = math.exp(float(at_base @ weight / weight.sum()))
        self._ends_c = (float(t.min()), float(t.max()))
        near = NEAR_C if self._ends_c[0] == self._ends_c[1] else 0.0
        self.low_c, self.high_c = self._ends_c[0] - near, self._ends_c[1] + near
        self._middle_c = float(t @ weight / weight.sum())
        slope = 1.0 / self.constant_degree_days
        bends_c = float(t.max()) + STRAIGHT_C
        last = (bends_c - self.base_c) * slope
        rows = [
            [0.0] * 4,
            [0.0, slope, 0.0, 0.0],
            [last, slope, -0.5 * slope / LEVELS_OFF_C, 0.0],
            [last + 0.5 * slope * LEVELS_OFF_C, 0.0, 0.0, 0.0],
        ]
        self._pieces = PiecewiseCubic([self.base_c, bends_c, bends_c + LEVELS_OFF_C], rows)

    def rate_per_day(self, temperature_c: npt.ArrayLike) -> Values:
        return self._pieces.value(temperature_c)

    def mean_rate_per_day(self, from_c: npt.ArrayLike, to_c: npt.ArrayLike) -> Values:
        return self._pieces.mean(from_c, to_c)

    def rate_sd_relative(self, temperature_c: npt.ArrayLike) -> Values:
        """That of a table, and what T0 is uncertain by: d ln r / d T0 = (T - Tm) / ((T - T0) (Tm - T0)), with Tm where
        the figures are; outside two temperatures at least what a table has there, since two tell nothing of a bend.
        How sure the figures themselves are is in the spread of the profile."""
        t = np.maximum(np.asarray(temperature_c, dtype=np.float64), self.base_c + 1.0)
        slope = (t - self._middle_c) / ((t - self.base_c) * (self._middle_c - self.base_c))
        result: Values = np.hypot(INTERPOLATION_SD_RELATIVE, slope * self.base_sd_c)
        if self._ends_c[0] < self._ends_c[1]:
            result = np.maximum(result, table_sd(np.asarray(temperature_c, dtype=np.float64), *self._ends_c))
        return result
