"""A species' profile from the parsed content of its file: every mistake is told at once, with its place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from monitor.core.development.care import MOST_CANDLINGS, Care, usual_care
from monitor.core.development.groups import GROUPS, Group, GroupLine, group_of
from monitor.core.development.pooling import ProbeShare
from monitor.core.development.sex import BYS, MIDDLE_THIRD, PIVOTAL_SD_C, WARMS, SexRule, Turn
from monitor.core.development.species import (
    COUNTS,
    FIGURE_SPREAD_SOURCE,
    GENERAL_BOX,
    GENERAL_EGG,
    GENERAL_SHARED,
    GENERAL_SPREAD_SOURCE,
    GRADES,
    MOST_FACTOR,
    OWN_CLUTCHES,
    STATUSES,
    THERMAL_CONSTANTS,
    UNSOURCED,
    VENOMOUS_FAMILIES,
    Paper,
    Profile,
    ProfileSpread,
    Row,
    by_group,
    curve_of,
    figure_spread,
    grade_of,
    misfit,
    sane_line,
)
from monitor.errors import ConfigError, ModelOutOfRange

# Constant temperatures between which some reptile's eggs may have been kept.
TEMPERATURES_C: Final = (5.0, 45.0)
# So many mistakes of one file are told, each in so many characters.
MOST_TOLD: Final = 30
LONGEST_TOLD: Final = 400


class _Mistakes:
    """Collects every mistake of one file with the place it stands at."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, place: str, what: str) -> None:
        self.lines.append(f"{place}: {what}")

    @property
    def count(self) -> str:
        return f"{len(self.lines)} mistake{'s' if len(self.lines) > 1 else ''}"

    def told(self) -> list[str]:
        """Each in a line that can be shown: what stands in a file may be anything."""
        lines = [
            line if line.isprintable() else line.encode("unicode_escape", "replace").decode("ascii")
            for line in self.lines[:MOST_TOLD]
        ]
        lines = [line if len(line) <= LONGEST_TOLD else line[: LONGEST_TOLD - 4] + " ..." for line in lines]
        return lines + ([f"and {len(self.lines) - MOST_TOLD} more"] if len(self.lines) > MOST_TOLD else [])

    def unknown(self, place: str, table: Mapping[str, Any], known: Sequence[str]) -> None:
        for key in table:
            if key not in known:
                self.add(f"{place}{key}", f"not a key of a profile (known here: {', '.join(known)})")

    def text(self, table: Mapping[str, Any], key: str, place: str = "", *, needed: bool = False) -> str:
        value = table.get(key, "")
        if not isinstance(value, str):
            self.add(f"{place}{key}", "must be text in quotes")
            return ""
        return self._plain(value, f"{place}{key}", needed=needed)

    def _plain(self, value: str, place: str, *, needed: bool = False) -> str:
        """A text in one line, as lists and notices show it."""
        told = " ".join(value.split())
        if not told.isprintable():
            self.add(place, "holds a control character")
            return ""
        if needed and not told:
            self.add(place, "is missing")
        return told

    def texts(self, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        value = table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
            self.add(key, "must be a list of texts")
            return ()
        return tuple(self._plain(text, key) for text in value)

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
    "rows", "papers", "limits", "spread", "sex", "care", "group", "other_names", "venomous",
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
    order, family = found.text(mapping, "order"), found.text(mapping, "family")
    group = _group(found, mapping, family, order)
    spread = _spread(found, found.table(mapping, "spread"), rows, group)
    sex = _sex(found, found.table(mapping, "sex"), {paper.key for paper in papers})
    care = _care(found, found.table(mapping, "care"), order)
    notes, other_names = found.texts(mapping, "notes"), found.texts(mapping, "other_names")

    if status == "table":
        _fits(found, rows, group, family)
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
        order=order,
        family=family,
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
        notes=notes,
        reason=reason,
        sex=sex,
        care=care,
        group=group,
        other_names=other_names,
        venomous=_venomous(found, mapping, family),
    )
    if found.lines:
        raise ConfigError(
            f"{found.count} in this species profile:\n" + "\n".join(f"  - {line}" for line in found.told()),
            where=file_name,
            fix="correct the lines named above; the profiles that come with the program show the form",
        )
    return profile


def mistakes_of_row(entry: Mapping[str, Any], paper: str = OWN_CLUTCHES) -> list[str]:
    """What is wrong with one row by itself, whatever its source; empty where it may stand in a table."""
    found = _Mistakes()
    _rows(found, [{**entry, "paper": paper}], set())
    return [line.removeprefix("rows, number 1, ") for line in found.told()]


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
        known = ("temperature_c", "days", "days_low", "days_high", "eggs", "sd_days", "paper", "population")
        found.unknown(place, entry, known)
        temperature_c = found.number(entry, "temperature_c", place, *TEMPERATURES_C, needed=True)
        days, width = _days(found, entry, place)
        eggs = found.number(entry, "eggs", place, 1, 100_000)
        sd_days = found.number(entry, "sd_days", place, 0.0, 0.5 * days if days else 500.0)
        if eggs is not None and eggs != int(eggs):
            found.add(f"{place}eggs", f"{eggs:g} is not a whole number of eggs")
        paper = found.text(entry, "paper", place)
        if not paper:
            or_else = ", ".join(repr(x) for x in (OWN_CLUTCHES, *UNSOURCED))
            found.add(f"{place}paper", f"is missing: a figure needs its source, or one of {or_else}")
        elif paper not in (OWN_CLUTCHES, *UNSOURCED) and paper not in papers:
            found.add(f"{place}paper", f"{paper!r} is not among the papers of this file")
        population = found.text(entry, "population", place)
        if temperature_c is not None and days is not None:
            rows.append(Row(temperature_c, days, paper, int(eggs) if eggs else None, sd_days, population, width))
    return tuple(sorted(rows, key=lambda row: row.temperature_c))


def _days(found: _Mistakes, entry: Mapping[str, Any], place: str) -> tuple[float | None, float]:
    """Days of a row and the width they were told with (log scale): ``days``, or ``days_low`` and ``days_high``."""
    if "days_low" not in entry and "days_high" not in entry:
        return found.number(entry, "days", place, 3.0, 1000.0, needed=True), 0.0
    if "days" in entry:
        found.add(f"{place}days", "stands beside days_low and days_high: give one number, or the two")
    low = found.number(entry, "days_low", place, 3.0, 1000.0, needed=True)
    high = found.number(entry, "days_high", place, 3.0, 1000.0, needed=True)
    if low is None or high is None:
        return None, 0.0
    if not low < high <= 2.0 * low:
        found.add(
            f"{place}days_low", f"{low:g} to {high:g} is no width: low below high, and high at most twice as much"
        )
        return None, 0.0
    # The days in the middle of rates, so that both ends are as far off.
    return round(math.sqrt(low * high), 2), math.log(high / low)


def _group(found: _Mistakes, mapping: Mapping[str, Any], family: str, order: str) -> Group | None:
    told = mapping.get("group")
    if told is None:
        return group_of(family, order)
    if told not in GROUPS:
        found.add("group", f"must be one of {', '.join(GROUPS)}")
        return None
    group: Group = told
    return group


def _venomous(found: _Mistakes, mapping: Mapping[str, Any], family: str) -> bool:
    """Whether its bite may kill or maim; where the file does not say so, as its family has it."""
    told = mapping.get("venomous", family in VENOMOUS_FAMILIES)
    if not isinstance(told, bool):
        found.add("venomous", "must be true or false")
    return bool(told)


def _fits(found: _Mistakes, rows: Sequence[Row], group: Group | None, family: str) -> None:
    """Tells what of a table is no use, and which row most likely spoils it."""
    if by_group(rows, group):
        try:
            line = curve_of(rows, group, family)
        except ModelOutOfRange as error:
            found.add("rows", f"not usable for a forecast: {error.what}; check the figures")
            return
        assert isinstance(line, GroupLine)
        least, most = THERMAL_CONSTANTS
        if not least <= line.constant_degree_days <= most:
            found.add(
                "rows, number 1",
                f"{rows[0].days:g} days at {rows[0].temperature_c:g} C is no incubation: its relatives would need "
                f"{line.constant_degree_days:.0f} degree-days for that, and known species {least:g} to {most:g}",
            )
    elif len({row.temperature_c for row in rows}) < 2:
        found.add(
            "rows",
            "a table needs at least two different temperatures; one figure is enough where the family is known or a "
            f"group is named: one of {', '.join(GROUPS)}",
        )
    else:
        nonsense = sane_line(rows)[1]
        if nonsense:
            found.add("rows", f"not usable for a forecast: {nonsense}; check the figures")
        odd = misfit(rows)
        if odd is not None and (nonsense or odd.factor > MOST_FACTOR):
            found.add(odd.place, odd.told)


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


def _care(found: _Mistakes, table: Mapping[str, Any], order: str) -> Care:
    """The days on which something is to be done with eggs and hatchlings."""
    found.unknown("care.", table, ("candle_days", "first_shed_days", "first_meal_days"))
    usual = usual_care(order)
    days = table.get("candle_days", list(usual.candle_days))
    if not isinstance(days, list) or len(days) > MOST_CANDLINGS or not all(type(d) in (int, float) for d in days):
        found.add("care.candle_days", f"must be a list of days after laying, {MOST_CANDLINGS} at most, like [7, 30]")
        days = []
    candle = tuple(
        float(day) for d in days if (day := found.number({"candle_days": d}, "candle_days", "care.", 1.0, 500.0))
    )
    if list(candle) != sorted(set(candle)):
        found.add("care.candle_days", "must rise from one day to the next")
    shed = found.number(table, "first_shed_days", "care.", 0.0, 60.0)
    meal = found.number(table, "first_meal_days", "care.", 0.0, 60.0)
    return Care(
        candle, usual.first_shed_days if shed is None else shed, usual.first_meal_days if meal is None else meal
    )


def _spread(found: _Mistakes, table: Mapping[str, Any], figures: Sequence[Row], group: Group | None) -> ProfileSpread:
    """Where one or two figures are all there is, the group's and their own uncertainty are shared by all eggs."""
    found.unknown("spread.", table, ("shared", "egg", "box", "source", "probes"))
    shared = found.number(table, "shared", "spread.", 0.001, 0.5)
    egg = found.number(table, "egg", "spread.", 0.001, 0.5)
    box = found.number(table, "box", "spread.", 0.001, 0.5)
    source = found.text(table, "source", "spread.")
    if table and not source:
        found.add("spread.source", "is missing: say where the spread comes from")
    usual, why = GENERAL_SHARED, GENERAL_SPREAD_SOURCE
    if group is not None and by_group(figures, group):
        usual, why = figure_spread(figures, group), FIGURE_SPREAD_SOURCE
    return ProfileSpread(
        usual if shared is None else shared,
        GENERAL_EGG if egg is None else egg,
        GENERAL_BOX if box is None else box,
        source or why,
        _probes(found, table.get("probes", [])),
    )


def _probes(found: _Mistakes, shares: object) -> tuple[ProbeShare, ...]:
    """Those whose error a learned table has in it."""
    if not isinstance(shares, list) or not all(isinstance(share, Mapping) for share in shares):
        found.add("spread.probes", "must be a list of { behind, share, error_c }")
        return ()
    told = []
    for i, share in enumerate(shares):
        place = f"spread.probes {i + 1}, "
        found.unknown(place, share, ("behind", "share", "error_c"))
        part, error_c = found.number(share, "share", place, 0.0, 1.0), found.number(share, "error_c", place, 0.0, 5.0)
        behind = found.text(share, "behind", place)
        if behind and part is not None and error_c is not None:
            told.append(ProbeShare(behind, part, error_c))
        else:
            found.add(f"spread.probes {i + 1}", "needs behind, share and error_c")
    return tuple(told)


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
