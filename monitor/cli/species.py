"""``warmtally species``: the profiles, one of them with its sources, and its days against temperature as a plot."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import settings_if_any
from monitor.cli.species_new import add_options, run_new
from monitor.config.library import list_profiles, load_profile, named
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
from monitor.errors import ModelOutOfRange, UsageError
from monitor.telling.drawing.species_plot import svg_plot, terminal_plot


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    species = sub.add_parser(
        "species",
        parents=[parent],
        help="the profiles: list them, show one with its sources, or write one of your own",
        description="The profiles: list them, or show one with its table, its limits and the papers behind it; or "
        "write one of your own: one figure is enough.",
        epilog="examples: warmtally species elaphe-taeniura    warmtally species elaphe-taeniura --plot    "
        "warmtally species caretta-caretta --svg days.svg    "
        'warmtally species new --scientific "Inventa altera" --group snake --figure 27.8=58-62 --source memory',
    )
    species.add_argument(
        "species", nargs="?", metavar="NAME", help="a profile's id or another name; new: write one (default: all)"
    )
    species.add_argument("--svg", metavar="FILE", help="days against temperature as an SVG drawing, written to a file")
    add_options(species)
    form = species.add_mutually_exclusive_group()
    form.add_argument("--plot", action="store_true", help="the same, drawn in the terminal")
    form.add_argument("--json", action="store_true")
    species.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    if args.species == "new":
        return run_new(args)
    # Before there is a room, those that came along can be looked at.
    settings = settings_if_any(args)
    own, unit = (None, "C") if settings is None else (settings.profiles_dir, settings.room.display_unit)
    if args.species is None:
        if args.plot or args.svg:
            raise UsageError("a plot is of one species", fix="warmtally species NAME --plot")
        return _list(own, unit, as_json=args.json)
    name, said = named(args.species, own)
    if said:
        print(said, file=sys.stderr)
    profile = load_profile(name, own)
    if args.svg:
        _save(svg_plot(profile, unit), Path(args.svg))
        if not (args.plot or args.json):
            print(f"{profile.scientific_name}: days against temperature are in {args.svg}")
            return 0
    if args.json:
        print_json(_json(profile))
    elif args.plot:
        drawn = terminal_plot(profile, columns(72), unit=unit)
        say(f"{profile.scientific_name}: days by constant temperature; confidence: {profile.grade}\n{drawn}")
        for key in dict.fromkeys(row.paper for row in profile.rows):
            paper = profile.paper(key)
            say(f"{key}: {paper.citation}" if paper else key)
    else:
        _show(profile, unit)
    return 0


def _save(text: str, path: Path) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror or error}", fix="name a file in a folder that is yours"
        ) from error


def _list(own: str | None, unit: DisplayUnit, *, as_json: bool) -> int:
    listing = list_profiles(own)
    if as_json:
        print_json(
            [
                {"id": p.id, "scientific_name": p.scientific_name, "status": p.status, "grade": p.grade}
                for p in listing.profiles
            ]
        )
        return 0
    rows = [
        [
            p.id,
            p.common_name,
            _reach(p, unit),
            p.grade if p.status == "table" else "no forecast",
        ]
        for p in listing.profiles
    ]
    print(table(["profile", "name", "table", "confidence"], rows))
    for bad in listing.bad:
        print(f"not readable: {bad}")
    return 0


def _reach(p: Profile, unit: DisplayUnit) -> str:
    """The temperatures of a profile's figures, or the one that there is."""
    t = p.temperatures_c
    if len(t) < 2:
        return show_temperature(t[0], unit) if t else "-"
    return show_range(t[0], t[-1], unit)


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


def _json(p: Profile) -> dict[str, object]:
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
        "sex": _sex_json(p),
        "notes": list(p.notes),
    }


def _sex_json(p: Profile) -> dict[str, object] | None:
    if p.sex is None:
        return None
    return {
        "by": p.sex.by,
        "turns": [{"pivotal_c": t.pivotal_c, "warm": t.warm, "range_c": t.range_c} for t in p.sex.turns],
        "sensitive": list(p.sex.sensitive) if p.sex.by == "temperature" else None,
        "text": p.sex.text or None,
        "papers": list(p.sex.papers),
    }


def _show(p: Profile, unit: DisplayUnit) -> None:
    line = _line(p)
    say(f"{p.scientific_name} ({p.common_name or p.id}); confidence: {p.grade}; days from laying to: {_end(p)}")
    if p.venomous:
        say(f"venomous: {' '.join((VENOMOUS, *VENOMOUS_CARE))} (common practice, no source)")
    if p.reason:
        say(f"no forecast: {p.reason}")
    if p.rows:
        print(
            table(
                [f"°{unit}", "days", "eggs", "paper"],
                [[show_bare(r.temperature_c, unit), r.days_told, str(r.eggs or "-"), r.paper] for r in p.rows],
            )
        )
    if p.caution:
        say(f"caution: {p.caution}")
    if p.status == "table" and isinstance(curve := p.curve(), GroupLine):
        base, sd = _plain(curve.base_c, unit), show_difference(curve.base_sd_c, unit)
        say(f"between and beyond its figures: base temperature {base} ± {sd}, as its relatives ({p.group}) have it")
    if line is not None:
        # Two points leave nothing to tell an uncertainty from.
        base = _plain(line.base_c, unit)
        base += f" °{unit}" if math.isnan(line.base_se_c) else f" ± {show_difference(line.base_se_c, unit)}"
        error = line.constant_se_degree_days
        bounds = _base_bounds(line)
        within = f" (95 %: {_plain(bounds[0], unit)} to {show_temperature(bounds[1], unit)})" if bounds else ""
        say(
            f"straight line beside it: base temperature {base}{within}, thermal constant "
            f"{show_degree_days(line.constant_degree_days, unit, error_degree_days=error)} (°{unit})"
        )
        if not bounds:
            say("  its base temperature has no 95 % interval: too few rows, or they scatter too much about the line")
    if p.low_limit_c is not None or p.high_limit_c is not None:
        low, high = ("-" if x is None else show_bare(x, unit) for x in (p.low_limit_c, p.high_limit_c))
        say(f"limits: {low} to {high} °{unit} ({p.limits_source})")
    say(_care_text(p.care))
    if p.lethal:
        say(f"lethal: {p.lethal}")
    if p.sex is not None:
        say(f"sex: {_sex_text(p.sex, unit)}")
    for note in p.notes:
        say(f"note: {note}")
    for paper in p.papers:
        say(f"{paper.key}: {paper.citation}")


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
