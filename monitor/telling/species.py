"""Profiles of species: what is known of one, with its table and its sources."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from monitor.config.library import list_profiles, own_stamp
from monitor.core.development.care import Care
from monitor.core.development.curves import PublishedRates
from monitor.core.development.groups import GroupLine
from monitor.core.development.line import LineFit
from monitor.core.development.sex import SexRule
from monitor.core.development.species import VENOMOUS, VENOMOUS_CARE, Profile
from monitor.core.terms.formats import (
    show_bare,
    show_degree_days,
    show_difference,
    show_range,
    show_round,
    show_temperature,
)
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange

if TYPE_CHECKING:
    from monitor.telling.forms_species import ListedSpeciesJson, SexRuleJson, SpeciesJson


def reach_words(p: Profile, unit: DisplayUnit) -> str:
    """The temperatures of a profile's figures, or the one that there is."""
    t = p.temperatures_c
    if len(t) < 2:
        return show_temperature(t[0], unit) if t else "-"
    return show_range(t[0], t[-1], unit)


def about_lines(p: Profile) -> list[str]:
    """What a profile is of, how sure it is, and why there is no forecast where there is none."""
    lines = [f"{p.scientific_name} ({p.common_name or p.id}); confidence: {p.grade}; days from laying to: {_end(p)}"]
    if p.venomous:
        lines.append(f"venomous: {' '.join((VENOMOUS, *VENOMOUS_CARE))} (common practice, no source)")
    if p.reason:
        lines.append(f"no forecast: {p.reason}")
    return lines


def days_rows(p: Profile, unit: DisplayUnit) -> list[list[str]]:
    """Its table, a line for each temperature, under :func:`days_head`."""
    return [[show_bare(r.temperature_c, unit), r.days_told, str(r.eggs or "-"), r.paper] for r in p.rows]


def days_head(unit: DisplayUnit) -> list[str]:
    """What stands in the columns of :func:`days_rows`."""
    return [f"°{unit}", "days", "eggs", "paper"]


def further_lines(p: Profile, unit: DisplayUnit) -> list[str]:
    """What else is known: beyond its figures, limits, care, sex, notes and the papers behind it."""
    line, lines = _line(p), []
    if p.caution:
        lines.append(f"caution: {p.caution}")
    if p.status == "table" and isinstance(curve := p.curve(), GroupLine):
        base, sd = _plain(curve.base_c, unit), show_difference(curve.base_sd_c, unit)
        lines.append(
            f"between and beyond its figures: base temperature {base} ± {sd}, as its relatives ({p.group}) have it"
        )
    if line is not None:
        # Two points leave nothing to tell an uncertainty from.
        base = _plain(line.base_c, unit)
        base += f" °{unit}" if math.isnan(line.base_se_c) else f" ± {show_difference(line.base_se_c, unit)}"
        error = line.constant_se_degree_days
        bounds = _base_bounds(line)
        within = f" (95 %: {_plain(bounds[0], unit)} to {show_temperature(bounds[1], unit)})" if bounds else ""
        lines.append(
            f"straight line beside it: base temperature {base}{within}, thermal constant "
            f"{show_degree_days(line.constant_degree_days, unit, error_degree_days=error)} (°{unit})"
        )
        if not bounds:
            lines.append(
                "  its base temperature has no 95 % interval: too few rows, or they scatter too much about the line"
            )
    if p.low_limit_c is not None or p.high_limit_c is not None:
        low, high = ("-" if x is None else show_bare(x, unit) for x in (p.low_limit_c, p.high_limit_c))
        lines.append(f"limits: {low} to {high} °{unit} ({p.limits_source})")
    lines.append(_care_text(p.care))
    if p.lethal:
        lines.append(f"lethal: {p.lethal}")
    if p.sex is not None:
        lines.append(f"sex: {_sex_text(p.sex, unit)}")
    lines += [f"note: {note}" for note in p.notes]
    return lines + [f"{paper.key}: {paper.citation}" for paper in p.papers]


def _end(p: Profile) -> str:
    """What ends the days of its table."""
    return "pip or hatch, its sources do not say which" if p.counts == "not stated" else p.counts


def _care_text(care: Care) -> str:
    days = " and ".join(f"{day:g}" for day in care.candle_days)
    parts = [f"candle on day {days}"] if days else []
    parts += [f"first shed about {care.first_shed_days:g} days after hatching"] if care.first_shed_days else []
    parts.append(f"first meal {care.first_meal_days:g} days after {'that' if care.first_shed_days else 'hatching'}")
    return f"tasks: {', '.join(parts)} ([care] in its file; else common practice, no source)"


def _sex_text(sex: SexRule, unit: DisplayUnit) -> str:
    """What decides the sex, in one line with its sources."""
    unnamed = [key for key in sex.papers if key not in sex.text]
    sources = f" ({', '.join(unnamed)})" if unnamed else ""
    if sex.by == "genes" or not sex.turns:
        return sex.text + sources
    turns = "; ".join(
        f"above {show_round(t.pivotal_c, unit)} more {t.warm}"
        + (f" (5 to 95 % within {_wide(t.range_c, unit)})" if t.range_c else "")
        for t in sex.turns
    )
    first, last = (round(100.0 * x) for x in sex.sensitive)
    text = f"; {sex.text}" if sex.text else ""
    return f"by temperature from {first} to {last} % of development: {turns}{text}{sources}"


def _wide(range_c: float, unit: DisplayUnit) -> str:
    return f"{range_c:g} °C" if unit == "C" else show_difference(range_c, unit)


def _plain(temperature_c: float, unit: DisplayUnit) -> str:
    """A temperature whose unit follows later."""
    return show_temperature(temperature_c, unit).removesuffix(f" °{unit}")


def _line(p: Profile) -> LineFit | None:
    """The line of the curve itself, whose base temperature the degree-days are counted from."""
    curve = p.curve() if p.status == "table" else None
    return curve.line if isinstance(curve, PublishedRates) and p.line() is not None else None


def _base_bounds(line: LineFit) -> tuple[float, float] | None:
    """The 95 % interval of the base temperature by Fieller; None where the rows give it no bounds."""
    try:
        return line.fieller_interval_c()
    except ModelOutOfRange:
        return None


def listed_species_json(p: Profile) -> ListedSpeciesJson:
    """A profile in a list of them."""
    return {"id": p.id, "scientific_name": p.scientific_name, "status": p.status, "grade": p.grade}


def listed_species(own_dir: str | None) -> tuple[ListedSpeciesJson, ...]:
    """Every profile in a list. To read all takes half a second; that is done again where the keeper's own changed."""
    return tuple(listed for listed, _ in _listed(own_dir, own_stamp(own_dir)))


def species_to_choose(own_dir: str | None) -> tuple[tuple[str, str], ...]:
    """Every profile by its id, with what it is called: scientific, and by keepers where they have a name for it."""
    known = _listed(own_dir, own_stamp(own_dir))
    return tuple((x["id"], f"{x['scientific_name']}{common and f', {common}'}") for x, common in known)


@lru_cache(maxsize=2)
def _listed(own_dir: str | None, _: tuple[tuple[str, int, int, int], ...]) -> tuple[tuple[ListedSpeciesJson, str], ...]:
    """With the common name, empty where there is none."""
    return tuple((listed_species_json(p), p.common_name or "") for p in list_profiles(own_dir).profiles)


def species_json(p: Profile) -> SpeciesJson:
    """A profile with its table, its limits and the papers behind it."""
    line = _line(p)
    return {
        "id": p.id,
        "scientific_name": p.scientific_name,
        "status": p.status,
        "reason": p.reason or None,
        "other_names": list(p.other_names),
        "grade": p.grade,
        "venomous": p.venomous,
        "counts": p.counts,
        "rows": [
            {
                "temperature_c": r.temperature_c,
                "days": r.days,
                "eggs": r.eggs,
                "sd_days": r.sd_days,
                "paper": r.paper,
            }
            for r in p.rows
        ],
        "papers": {x.key: x.citation for x in p.papers},
        "low_limit_c": p.low_limit_c,
        "high_limit_c": p.high_limit_c,
        "base_c": line.base_c if line else None,
        "base_95_c": _base_bounds(line) if line else None,
        "thermal_constant_degree_days": line.constant_degree_days if line else None,
        "sex": sex_rule_json(p),
        "notes": list(p.notes),
    }


def sex_rule_json(p: Profile) -> SexRuleJson | None:
    """What decides the sex; None where nothing is known of it."""
    if p.sex is None:
        return None
    return {
        "by": p.sex.by,
        "turns": [{"pivotal_c": t.pivotal_c, "warm": t.warm, "range_c": t.range_c} for t in p.sex.turns],
        "sensitive": list(p.sex.sensitive) if p.sex.by == "temperature" else None,
        "text": p.sex.text or None,
        "papers": list(p.sex.papers),
    }
