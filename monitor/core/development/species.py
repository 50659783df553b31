"""A species' profile: published temperatures and incubation days, what they mean, and how far they can be trusted.

A profile is a table of constant temperatures and mean incubation days, each row with its source, plus limits,
spread and notes. It becomes a rate curve by interpolation of the printed figures, never by a formula alone, since
real rate curves bend at both ends. Two things are refused: a species that rests in the egg (its time at a
temperature does not tell how far it is), and a species for which there is no published table to stand on.

The keeper's own clutches make a profile of the same form; its rows name ``own clutches`` as their paper.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

import numpy as np

from monitor.core.development.curves import PublishedRates
from monitor.core.development.line import LineFit, fit_line
from monitor.core.development.sex import BYS, MIDDLE_THIRD, PIVOTAL_SD_C, WARMS, SexRule, Turn
from monitor.core.terms.arrays import Values
from monitor.errors import ConfigError, ModelOutOfRange, SpeciesRefused

Counts = Literal["pip", "hatch", "emergence", "not stated"]
Status = Literal["table", "rests", "no-table"]
Grade = Literal["good", "fair", "poor", "none"]

COUNTS: Final[tuple[Counts, ...]] = get_args(Counts)
STATUSES: Final[tuple[Status, ...]] = get_args(Status)
# From worst to best, so that a file may claim less than its figures allow, and never more.
GRADES: Final[tuple[Grade, ...]] = ("none", "poor", "fair", "good")

OWN_CLUTCHES: Final = "own clutches"
# What a mean counts as whose eggs are not told. Judgement, no source: half of what treatments usually have.
UNSAID_EGGS: Final = 10

# Starting values on log scale: what eggs of a clutch share, what belongs to the egg, what belongs to the box.
GENERAL_SHARED, GENERAL_EGG, GENERAL_BOX = 0.042, 0.02, 0.02
GENERAL_SPREAD_SOURCE: Final = (
    "general starting values: eggs kept at one constant temperature differ by about 4 % "
    "(median of 535 treatments in the Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138)"
)


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
    """Mean incubation days of some eggs at one constant temperature. ``sd_days`` is between those eggs."""

    temperature_c: float
    days: float
    paper: str
    eggs: int | None = None
    sd_days: float | None = None
    population: str = ""


@dataclass(frozen=True, slots=True)
class ProfileSpread:
    """Standard deviations on log scale: shared by a clutch, of the single egg, of the box."""

    shared: float = GENERAL_SHARED
    egg: float = GENERAL_EGG
    box: float = GENERAL_BOX
    source: str = GENERAL_SPREAD_SOURCE


@dataclass(frozen=True, slots=True)
class Profile:
    """All that is known of one species.

    ``counts`` says what ended the days of the table. ``low_limit_c`` and ``high_limit_c`` are the coldest and the
    warmest constant temperature at which at least half of the eggs hatched, or what ``limits_source`` says.
    ``lethal`` names temperatures at which eggs died. ``reason`` is why a profile that is not a table is refused.
    ``sex`` is what decides the sex, None where the profile names no source for it.
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

    @property
    def counts_as_hatch(self) -> bool:
        """Pip and hatch are taken as one moment; emergence from a nest comes days later."""
        return self.counts != "emergence"

    @property
    def temperatures_c(self) -> tuple[float, ...]:
        """The different temperatures of the table, rising."""
        return tuple(sorted({row.temperature_c for row in self.rows}))

    def paper(self, key: str) -> Paper | None:
        return next((paper for paper in self.papers if paper.key == key), None)

    def curve(self) -> PublishedRates:
        """The rate curve of the table: see :func:`curve_of`.

        Raises SpeciesRefused, with the reason, for a species that rests in the egg or has no table.
        """
        self._need_table()
        return curve_of(self.rows)

    def line(self) -> LineFit | None:
        """Base temperature and thermal constant of the straight line through the rows, for showing.

        None where a line makes no sense (a flat or falling table). Every row weighs the same, as in published fits;
        ``curve().line`` is weighted by eggs. Raises SpeciesRefused like :meth:`curve`.
        """
        self._need_table()
        return _sane_line(self.rows)[0]

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


def curve_of(rows: Sequence[Row]) -> PublishedRates:
    """The curve through rows, each weighed by its eggs. Where no row tells its eggs nothing is known of how sure the
    figures are: they count as exact and are met."""
    temperature_c, days, eggs = _columns(rows)
    return PublishedRates(temperature_c, days, eggs if any(row.eggs for row in rows) else None)


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


def _sane_line(rows: Sequence[Row]) -> tuple[LineFit | None, str]:
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
    on a line that explains over 80 %; poor: two temperatures, or a poor line; none: no line at all.
    """
    if not rows:
        return "none"
    line, _ = _sane_line(rows)
    if line is None:
        return "none"
    temperatures = len({row.temperature_c for row in rows})
    if temperatures >= 4 and line.r_squared > 0.9:
        return "good"
    if temperatures >= 3 and line.r_squared > 0.8:
        return "fair"
    return "poor"


# --- reading a profile ------------------------------------------------------------------------------------------


class _Mistakes:
    """Collects every mistake of one file with the place it stands at."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, place: str, what: str) -> None:
        self.lines.append(f"{place}: {what}")

    def unknown(self, place: str, table: Mapping[str, Any], known: Sequence[str]) -> None:
        for key in table:
            if key not in known:
                self.add(f"{place}{key}", f"not a key of a profile (known here: {', '.join(known)})")

    def text(self, table: Mapping[str, Any], key: str, place: str = "", *, needed: bool = False) -> str:
        value = table.get(key, "")
        if not isinstance(value, str):
            self.add(f"{place}{key}", "must be text in quotes")
            return ""
        if needed and not value.strip():
            self.add(f"{place}{key}", "is missing")
        return value.strip()

    def number(
        self, table: Mapping[str, Any], key: str, place: str, low: float, high: float, *, needed: bool = False
    ) -> float | None:
        if key not in table:
            if needed:
                self.add(f"{place}{key}", "is missing")
            return None
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.add(f"{place}{key}", "must be a number")
            return None
        if not low <= value <= high:
            hint = "; temperatures are in degrees Celsius" if key.endswith("_c") else ""
            self.add(f"{place}{key}", f"{value:g} is outside {low:g} to {high:g}{hint}")
            return None
        return float(value)

    def table(self, parent: Mapping[str, Any], key: str) -> Mapping[str, Any]:
        value = parent.get(key, {})
        if not isinstance(value, Mapping):
            self.add(key, "must be a table")
            return {}
        return value


_TOP = (
    "scientific_name", "common_name", "order", "family", "status", "reason", "counts", "grade", "notes",
    "rows", "papers", "limits", "spread", "sex",
)  # fmt: skip


def parse_profile(mapping: Mapping[str, Any], file_name: str) -> Profile:
    """The profile of a file's parsed content; the file's name without ``.toml`` is its id.

    Raises ConfigError that lists all mistakes at once.
    """
    found = _Mistakes()
    profile_id = file_name.removesuffix(".toml")
    if not profile_id or not all(part.isalnum() and part.islower() for part in profile_id.split("-")):
        found.add("file name", f"{file_name!r} must be lower-case words joined by hyphens, like elaphe-taeniura.toml")
    found.unknown("", mapping, _TOP)

    status = mapping.get("status", "table")
    if status not in STATUSES:
        found.add("status", f"must be one of {', '.join(STATUSES)}")
        status = "table"
    counts = mapping.get("counts", "not stated")
    if counts not in COUNTS:
        found.add("counts", f"what ends the days must be one of {', '.join(COUNTS)}")
        counts = "not stated"
    reason = found.text(mapping, "reason", needed=status != "table")

    papers = _papers(found, found.table(mapping, "papers"))
    rows = _rows(found, mapping.get("rows", []), {paper.key for paper in papers})
    limits = found.table(mapping, "limits")
    low, high, limits_source, lethal = _limits(found, limits)
    spread = _spread(found, found.table(mapping, "spread"))
    sex = _sex(found, found.table(mapping, "sex"), {paper.key for paper in papers})
    notes = mapping.get("notes", [])
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        found.add("notes", "must be a list of texts")
        notes = []

    if status == "table":
        if len({row.temperature_c for row in rows}) < 2:
            found.add("rows", "a table needs at least two different temperatures")
        elif (nonsense := _sane_line(rows)[1]) != "":
            found.add("rows", f"not usable for a forecast: {nonsense}; check the figures")
    elif rows:
        found.add("rows", f"a profile with status {status} has no rows")
    _unused(found, papers, rows, (*notes, limits_source, lethal, spread.source, reason, *(sex.papers if sex else ())))

    grade = grade_of(rows) if status == "table" else "none"
    claimed = mapping.get("grade", grade)
    if claimed not in GRADES:
        found.add("grade", f"must be one of {', '.join(GRADES)}")
    elif GRADES.index(claimed) > GRADES.index(grade):
        found.add("grade", f"says {claimed}, the rows allow only {grade}")
    else:
        grade = claimed

    profile = Profile(
        id=profile_id,
        scientific_name=found.text(mapping, "scientific_name", needed=True),
        common_name=found.text(mapping, "common_name"),
        order=found.text(mapping, "order"),
        family=found.text(mapping, "family"),
        status=status,
        counts=counts,
        rows=rows,
        papers=papers,
        low_limit_c=low,
        high_limit_c=high,
        limits_source=limits_source,
        lethal=lethal,
        spread=spread,
        grade=grade,
        notes=tuple(notes),
        reason=reason,
        sex=sex,
    )
    if found.lines:
        number = len(found.lines)
        raise ConfigError(
            f"{number} mistake{'s' if number > 1 else ''} in this species profile:\n"
            + "\n".join(f"  - {line}" for line in found.lines),
            where=file_name,
            fix="correct the lines named above; the profiles that come with the program show the form",
        )
    return profile


def _papers(found: _Mistakes, table: Mapping[str, Any]) -> tuple[Paper, ...]:
    papers = []
    for key, entry in table.items():
        place = f"papers.{key}."
        if not isinstance(entry, Mapping):
            found.add(f"papers.{key}", "must be a table with authors, year, title and journal")
            continue
        found.unknown(place, entry, ("authors", "year", "title", "journal", "note"))
        year = found.number(entry, "year", place, 1700, 2200, needed=True)
        papers.append(
            Paper(
                key=key,
                authors=found.text(entry, "authors", place, needed=True),
                year=int(year or 0),
                title=found.text(entry, "title", place),
                journal=found.text(entry, "journal", place, needed=True),
                note=found.text(entry, "note", place),
            )
        )
    return tuple(papers)


def _rows(found: _Mistakes, entries: object, papers: set[str]) -> tuple[Row, ...]:
    if not isinstance(entries, list):
        found.add("rows", "must be a list of tables")
        return ()
    rows = []
    for index, entry in enumerate(entries, start=1):
        place = f"rows, number {index}, "
        if not isinstance(entry, Mapping):
            found.add(f"rows, number {index}", "must be a table with temperature_c, days and paper")
            continue
        found.unknown(place, entry, ("temperature_c", "days", "eggs", "sd_days", "paper", "population"))
        temperature_c = found.number(entry, "temperature_c", place, 5.0, 45.0, needed=True)
        days = found.number(entry, "days", place, 3.0, 1000.0, needed=True)
        eggs = found.number(entry, "eggs", place, 1, 100_000)
        sd_days = found.number(entry, "sd_days", place, 0.0, 0.5 * days if days else 500.0)
        if eggs is not None and eggs != int(eggs):
            found.add(f"{place}eggs", f"{eggs:g} is not a whole number of eggs")
        paper = found.text(entry, "paper", place)
        if not paper:
            found.add(f"{place}paper", f"is missing: a figure needs its source, or {OWN_CLUTCHES!r}")
        elif paper != OWN_CLUTCHES and paper not in papers:
            found.add(f"{place}paper", f"{paper!r} is not among the papers of this file")
        population = found.text(entry, "population", place)
        if temperature_c is not None and days is not None:
            rows.append(Row(temperature_c, days, paper, int(eggs) if eggs else None, sd_days, population))
    return tuple(sorted(rows, key=lambda row: row.temperature_c))


def _limits(found: _Mistakes, table: Mapping[str, Any]) -> tuple[float | None, float | None, str, str]:
    found.unknown("limits.", table, ("low_c", "high_c", "source", "lethal"))
    low = found.number(table, "low_c", "limits.", 0.0, 50.0)
    high = found.number(table, "high_c", "limits.", 0.0, 50.0)
    source = found.text(table, "source", "limits.")
    if (low is not None or high is not None) and not source:
        found.add("limits.source", "is missing: say where the limits come from")
    if low is not None and high is not None and low >= high:
        found.add("limits", f"low_c {low:g} is not below high_c {high:g}")
    return low, high, source, found.text(table, "lethal", "limits.")


def _spread(found: _Mistakes, table: Mapping[str, Any]) -> ProfileSpread:
    found.unknown("spread.", table, ("shared", "egg", "box", "source"))
    shared = found.number(table, "shared", "spread.", 0.001, 0.5)
    egg = found.number(table, "egg", "spread.", 0.001, 0.5)
    box = found.number(table, "box", "spread.", 0.001, 0.5)
    source = found.text(table, "source", "spread.")
    if table and not source:
        found.add("spread.source", "is missing: say where the spread comes from")
    return ProfileSpread(
        GENERAL_SHARED if shared is None else shared,
        GENERAL_EGG if egg is None else egg,
        GENERAL_BOX if box is None else box,
        source or GENERAL_SPREAD_SOURCE,
    )


def _sex(found: _Mistakes, table: Mapping[str, Any], known: set[str]) -> SexRule | None:
    if not table:
        return None
    found.unknown("sex.", table, ("by", "turns", "sensitive", "text", "papers"))
    by = table.get("by")
    if by not in BYS:
        found.add("sex.by", f"must be one of {', '.join(BYS)}")
        return None
    papers = table.get("papers", [])
    if not isinstance(papers, list) or not papers or not all(isinstance(p, str) and p in known for p in papers):
        found.add("sex.papers", "must name the papers of this file that say so, one at least")
        papers = []
    turns = _turns(found, table.get("turns", []))
    sensitive = table.get("sensitive", list(MIDDLE_THIRD))
    if not isinstance(sensitive, list) or [type(x) for x in sensitive] != [float, float]:
        found.add("sex.sensitive", "must be two developments, like [0.25, 0.55]")
        sensitive = list(MIDDLE_THIRD)
    text = found.text(table, "text", "sex.")
    rule = SexRule(by, tuple(papers), turns, (sensitive[0], sensitive[1]), text)
    if problem := rule.problem():
        found.add("sex", problem)
    return rule


def _turns(found: _Mistakes, entries: object) -> tuple[Turn, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, Mapping) for entry in entries):
        found.add("sex.turns", "must be a list of tables with pivotal_c and warm")
        return ()
    turns = []
    for index, entry in enumerate(entries, start=1):
        place = f"sex.turns, number {index}, "
        found.unknown(place, entry, ("pivotal_c", "warm", "range_c", "pivotal_sd_c"))
        pivotal_c = found.number(entry, "pivotal_c", place, 10.0, 45.0, needed=True)
        range_c = found.number(entry, "range_c", place, 0.1, 15.0)
        pivotal_sd_c = found.number(entry, "pivotal_sd_c", place, 0.0, 5.0)
        if (warm := entry.get("warm")) not in WARMS:
            found.add(f"{place}warm", f"what warmer eggs become must be one of {', '.join(WARMS)}")
        elif pivotal_c is not None:
            turns.append(Turn(pivotal_c, warm, range_c, PIVOTAL_SD_C if pivotal_sd_c is None else pivotal_sd_c))
    return tuple(turns)


def _unused(found: _Mistakes, papers: Sequence[Paper], rows: Sequence[Row], texts: Sequence[str]) -> None:
    used = {row.paper for row in rows}
    for paper in papers:
        if paper.key not in used and not any(paper.key in text for text in texts):
            found.add(f"papers.{paper.key}", "no row and no text of this file rests on it")
