"""A species' profile: published temperatures and incubation days, what they mean, and how far they can be trusted.

A profile is a table of constant temperatures and mean incubation days, each row with its source, plus limits,
spread and notes. It becomes a rate curve by interpolation of the printed figures, since real rate curves bend at both
ends. One figure, or two, are enough as well: then the slope is that of the species' group. Two things are refused: a
species that rests in the egg (its time at a temperature does not tell how far it is), and one without any figure.

The keeper's own clutches make a profile of the same form; its rows name ``own clutches`` as their paper.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final, Literal, get_args

import numpy as np

from monitor.core.development.care import USUAL_CARE, Care
from monitor.core.development.curves import EGG_SD, MEAN_SD, PublishedRates
from monitor.core.development.groups import FIGURE_SHARED, Group, GroupLine, base_of
from monitor.core.development.line import LineFit, fit_line
from monitor.core.development.pooling import ProbeShare
from monitor.core.development.sex import SexRule
from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange, SpeciesRefused
from monitor.values import dataclass

Counts = Literal["pip", "hatch", "emergence", "not stated"]
Status = Literal["table", "rests", "no-table"]
Grade = Literal["good", "fair", "poor", "one figure", "no source", "none"]

# What a date rests on, where that is less than a table.
RESTS_ON: Final[Mapping[Grade, str]] = {
    "no source": "Its days of incubation are common practice, no source.",
    "one figure": "Its days of incubation rest on one figure.",
}

COUNTS: Final[tuple[Counts, ...]] = get_args(Counts)
STATUSES: Final[tuple[Status, ...]] = get_args(Status)
# From worst to best, so that a file may claim less than its figures allow, and never more.
GRADES: Final[tuple[Grade, ...]] = ("none", "no source", "one figure", "poor", "fair", "good")

OWN_CLUTCHES: Final = "own clutches"
# What stands in the place of a paper where there is none.
UNSOURCED: Final = ("common practice, no source", "from memory, no source")
# A row so many times more or less than the others say is refused, even where a line can be drawn. Of the shipped
# tables none is beyond 1.5, where rates bend at their ends.
MOST_FACTOR: Final = 2.0
# Degree-days above the base temperature that known species need, with room on both sides: 167 (Deinagkistrodon) to
# 3065 (Varanus) in the shipped tables.
THERMAL_CONSTANTS: Final = (120.0, 5000.0)
# What a mean counts as whose eggs are not told. Judgement, no source: half of what treatments usually have.
UNSAID_EGGS: Final = 10

# Families of which every species that lays eggs is venomous enough to kill or to maim; from memory. A file may say
# otherwise, and must of other families: some snakes of harmless ones are as dangerous.
VENOMOUS_FAMILIES: Final = frozenset({"Elapidae", "Viperidae", "Atractaspididae", "Helodermatidae"})
VENOMOUS: Final = "Hatchlings are venomous from the first minute."
"""Said of such a species wherever its hatchlings may be met. This and the next: common practice, no source."""
VENOMOUS_CARE: Final = (
    "Hook and closed box, never bare hands, never alone.",
    "Before you open the box know who has the antivenom, and the emergency number.",
    "Leave it to a keeper who knows such animals, and keep to local law.",
)

# Starting values on log scale: what eggs of a clutch share (a curve's own error 3.4 %, by how much papers of one
# species differ 4.7 %, clutches 2.5 %: `deploy/measure spreads`; a keeper's house is as a further paper), what belongs
# to the egg, what belongs to the box.
GENERAL_SHARED, GENERAL_EGG, GENERAL_BOX = 0.06, 0.02, 0.02
GENERAL_SPREAD_SOURCE: Final = (
    "general starting values: papers of one species and temperature differ by about 5 %, eggs of one treatment by 4 % "
    "(treatments in the Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138)"
)
FIGURE_SPREAD_SOURCE: Final = (
    "one or two figures: what papers, houses and clutches of its group differ by, and how sure the figure itself is "
    "(its eggs, or the width it is told with)"
)
# Relative standard uncertainty of a figure that has no source, beside the width it is told with. Judgement, no source.
UNSOURCED_SD: Final = 0.05
# Eight clutches in ten are taken to lie within the width that a figure is told with: so many standard deviations.
WIDTH_SDS: Final = 2.563


@dataclass(frozen=True, slots=True)
class Paper:
    """A source. ``journal`` holds volume and pages; ``note`` says what was not seen or is from memory."""

    key: str
    authors: str
    year: int
    title: str
    journal: str
    note: str = ""

    @property
    def citation(self) -> str:
        title = f" {self.title}." if self.title else ""
        note = f" ({self.note})" if self.note else ""
        return f"{self.authors} ({self.year}){title} {self.journal}{note}"


@dataclass(frozen=True, slots=True)
class Row:
    """Mean incubation days of some eggs at one constant temperature. ``sd_days`` is between those eggs.

    ``width`` is how far apart the ends of "58 to 62 days" are, on log scale; 0 where one number was told.
    """

    temperature_c: float
    days: float
    paper: str
    eggs: int | None = None
    sd_days: float | None = None
    population: str = ""
    width: float = 0.0

    @property
    def days_told(self) -> str:
        """The days as they were told: one number, or "58 to 62"."""
        if not self.width:
            return f"{self.days:g}"
        half = math.exp(0.5 * self.width)
        return f"{round(self.days / half, 1):g} to {round(self.days * half, 1):g}"

    @property
    def sourced(self) -> bool:
        return self.paper not in UNSOURCED

    @property
    def level_sd(self) -> float:
        """Relative standard uncertainty of the days as what the species does there."""
        told = self.width / WIDTH_SDS or math.hypot(MEAN_SD, EGG_SD / math.sqrt(self.eggs or UNSAID_EGGS))
        return told if self.sourced else math.hypot(told, UNSOURCED_SD)


@dataclass(frozen=True, slots=True)
class ProfileSpread:
    """Standard deviations on log scale: shared by a clutch, of the single egg, of the box. ``probes``: those whose
    error a learned table has in it."""

    shared: float = GENERAL_SHARED
    egg: float = GENERAL_EGG
    box: float = GENERAL_BOX
    source: str = GENERAL_SPREAD_SOURCE
    probes: tuple[ProbeShare, ...] = ()


@dataclass(frozen=True, slots=True)
class Profile:
    """All that is known of one species.

    ``counts`` says what ended the days of the table. ``low_limit_c`` and ``high_limit_c`` are the coldest and the
    warmest constant temperature at which at least half of the eggs hatched, or what ``limits_source`` says.
    ``lethal`` names temperatures at which eggs died. ``reason`` is why a profile that is not a table is refused.
    ``sex`` is what decides the sex, None where the profile names no source for it. ``other_names``: further common
    names and older scientific ones, by which the profile is found as well. ``venomous``: its bite may kill or maim.
    """

    id: str
    scientific_name: str
    common_name: str
    order: str
    family: str
    status: Status
    counts: Counts
    rows: tuple[Row, ...]
    papers: tuple[Paper, ...]
    low_limit_c: float | None
    high_limit_c: float | None
    limits_source: str
    lethal: str
    spread: ProfileSpread
    grade: Grade
    notes: tuple[str, ...]
    reason: str = ""
    sex: SexRule | None = None
    group: Group | None = None
    other_names: tuple[str, ...] = ()
    care: Care = USUAL_CARE
    venomous: bool = False

    @property
    def counts_as_hatch(self) -> bool:
        """Pip and hatch are taken as one moment; emergence from a nest comes days later."""
        return self.counts != "emergence"

    @property
    def temperatures_c(self) -> tuple[float, ...]:
        """The different temperatures of the table, rising."""
        return tuple(sorted({row.temperature_c for row in self.rows}))

    @property
    def caution(self) -> str:
        """What a date by this profile rests on, where that is less than a table; else empty."""
        if self.grade == "no source":
            return (
                "the days of this species are common practice or from memory, without a source: the window is wide, "
                "and three clutches of your own take their place (warmtally learn)"
            )
        if self.grade == "one figure" and all(row.paper == OWN_CLUTCHES for row in self.rows):
            return "own clutches at one temperature are all there is; how days change with warmth is that of relatives"
        if self.grade == "one figure":
            return "one published figure is all there is; how days change with warmth is that of the species' relatives"
        return ""

    def paper(self, key: str) -> Paper | None:
        return next((paper for paper in self.papers if paper.key == key), None)

    def curve(self) -> PublishedRates | GroupLine:
        """The rate curve of the table: see :func:`curve_of`.

        Raises SpeciesRefused, with the reason, for a species that rests in the egg or has no table.
        """
        self._need_table()
        return curve_of(self.rows, self.group, self.family)

    def line(self) -> LineFit | None:
        """Base temperature and thermal constant of the straight line through the rows, for showing.

        None where a line makes no sense (a flat or falling table, one temperature). Every row weighs the same, as in
        published fits; ``curve().line`` is weighted by eggs. Raises SpeciesRefused like :meth:`curve`.
        """
        self._need_table()
        return sane_line(self.rows)[0]

    def _need_table(self) -> None:
        if self.status == "table":
            return
        raise SpeciesRefused(
            f"{self.scientific_name}: {self.reason}",
            where=self.id,
            fix=(
                "keep the account of these eggs without a forecast"
                if self.status == "rests"
                else "make a profile from your own dated clutches; two temperatures 2 degrees C apart are the least"
            ),
        )


def curve_of(rows: Sequence[Row], group: Group | None = None, family: str = "") -> PublishedRates | GroupLine:
    """The curve through rows, each weighed by its eggs; with fewer than three temperatures on the slope of the group.

    Where no row tells its eggs nothing is known of how sure the figures are: if they never fall they count as exact.
    """
    if by_group(rows, group):
        assert group is not None
        base = base_of(group, family)
        return GroupLine([r.temperature_c for r in rows], [r.days for r in rows], [r.level_sd for r in rows], base)
    temperature_c, days, eggs = _columns(rows)
    exact = PublishedRates(temperature_c, days)
    if any(row.eggs for row in rows) or np.any(np.diff(exact.rates_per_day) < 0.0):
        return PublishedRates(temperature_c, days, eggs)
    return exact


def by_group(rows: Sequence[Row], group: Group | None) -> bool:
    """Whether the group's slope serves: below three temperatures. A line of two that was learned from own clutches and
    makes sense has its slope already."""
    temperatures = len({row.temperature_c for row in rows})
    if group is None or not 1 <= temperatures < 3:
        return False
    return not (temperatures > 1 and all(row.paper == OWN_CLUTCHES for row in rows) and sane_line(rows)[0])


def figure_spread(rows: Sequence[Row], group: Group) -> float:
    """What all eggs of a clutch share (log scale) where the rows are one or two figures: the group's spread, and how
    sure the figures are together."""
    return round(math.hypot(FIGURE_SHARED[group], 1.0 / math.sqrt(sum(1.0 / row.level_sd**2 for row in rows))), 4)


def _columns(
    rows: Sequence[Row],
) -> tuple[Values, Values, Values]:
    """Temperature (C), days and eggs (UNSAID_EGGS where the paper does not say) of the rows, shape (n,)."""
    return (
        np.array([row.temperature_c for row in rows], dtype=np.float64),
        np.array([row.days for row in rows], dtype=np.float64),
        np.array([row.eggs or UNSAID_EGGS for row in rows], dtype=np.float64),
    )


# --- how far a table can be trusted -----------------------------------------------------------------------------


def sane_line(rows: Sequence[Row]) -> tuple[LineFit | None, str]:
    """The straight line through the rows, or None and why they are no use: what :meth:`LineFit.problem` finds, or
    that temperature explains less than half of the scatter of the rates.
    """
    temperature_c, days, eggs = _columns(rows)
    try:
        line, by_eggs = fit_line(temperature_c, days), fit_line(temperature_c, days, eggs)
    except ModelOutOfRange as error:
        return None, error.what
    # The curve continues below its table with the slope of the line weighted by eggs, so that one counts too.
    if problem := line.problem() or by_eggs.problem():
        return None, problem
    if line.r_squared < 0.5:
        return None, f"temperature explains only {100 * line.r_squared:.0f} % of the scatter of the rates"
    return line, ""


def grade_of(rows: Sequence[Row]) -> Grade:
    """Confidence in plain words.

    good: four temperatures or more and a line that explains over 90 %; fair: three temperatures, or more of them
    on a line that explains over 80 %; poor: two temperatures, or a poor line; one figure: one temperature, or two that
    tell no slope; no source: common practice or from memory; none: no line at all.
    """
    if not rows:
        return "none"
    if not all(row.sourced for row in rows):
        return "no source"
    temperatures = len({row.temperature_c for row in rows})
    line = sane_line(rows)[0] if temperatures > 1 else None
    if line is None:
        return "one figure" if temperatures < 3 else "none"
    if temperatures >= 4 and line.r_squared > 0.9:
        return "good"
    if temperatures >= 3 and line.r_squared > 0.8:
        return "fair"
    return "poor"


@dataclass(frozen=True, slots=True)
class Misfit:
    """A row and what the others say there; ``factor``: how far apart they are, above 1."""

    row: Row
    days: float

    @property
    def factor(self) -> float:
        return math.exp(abs(math.log(self.row.days / self.days)))

    @property
    def place(self) -> str:
        return f"rows, {self.row.days:g} days at {self.row.temperature_c:g} C"

    @property
    def told(self) -> str:
        return f"does not fit the others, which say about {self.days:.0f} days there: mistyped?"


def misfit(rows: Sequence[Row]) -> Misfit | None:
    """The row that is farthest from the line through the others, if by a third or more; of a table of three or more.

    Asked are those rows alone without which the others make sense.
    """
    worst, most = None, 4.0 / 3.0
    for i, row in enumerate(rows):
        line = sane_line([*rows[:i], *rows[i + 1 :]])[0] if len(rows) > 2 else None
        if line is None or row.temperature_c <= line.base_c:
            continue
        one = Misfit(row, line.constant_degree_days / (row.temperature_c - line.base_c))
        if one.factor > most:
            worst, most = one, one.factor
    return worst
