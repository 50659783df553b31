"""``warmtally species``: the profiles, one of them with its sources, and its days against temperature as a plot."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.cli.new_file import write_text
from monitor.cli.output import columns, print_json, say, table
from monitor.cli.room import settings_if_any
from monitor.cli.species_new import add_options, run_new
from monitor.config.library import list_profiles, load_profile, named
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import UsageError
from monitor.telling.drawing.species_plot import svg_plot, terminal_plot
from monitor.telling.species import (
    about_lines,
    days_head,
    days_rows,
    further_lines,
    listed_species_json,
    reach_words,
    species_json,
)


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
        write_text(Path(args.svg), svg_plot(profile, unit))
        if not (args.plot or args.json):
            print(f"{profile.scientific_name}: days against temperature are in {args.svg}")
            return 0
    if args.json:
        print_json(species_json(profile))
    elif args.plot:
        drawn = terminal_plot(profile, columns(72), unit=unit)
        say(f"{profile.scientific_name}: days by constant temperature; confidence: {profile.grade}\n{drawn}")
        for key in dict.fromkeys(row.paper for row in profile.rows):
            paper = profile.paper(key)
            say(f"{key}: {paper.citation}" if paper else key)
    else:
        say("\n".join(about_lines(profile)))
        if profile.rows:
            print(table(days_head(unit), days_rows(profile, unit)))
        say("\n".join(further_lines(profile, unit)))
    return 0


def _list(own: str | None, unit: DisplayUnit, *, as_json: bool) -> int:
    listing = list_profiles(own)
    if as_json:
        print_json([listed_species_json(p) for p in listing.profiles])
        return 0
    rows = [
        [
            p.id,
            p.common_name,
            reach_words(p, unit),
            p.grade if p.status == "table" else "no forecast",
        ]
        for p in listing.profiles
    ]
    print(table(["profile", "name", "table", "confidence"], rows))
    for bad in listing.bad:
        print(f"not readable: {bad}")
    return 0
