"""``warmtally species new``: asks what is known of a species and writes its file; all of it by options for scripts."""

from __future__ import annotations

import argparse
import json
import re
import sys
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from monitor.cli.room import parse_temperature, settings_of
from monitor.core.development.groups import GROUPS, group_of
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.species import OWN_CLUTCHES, UNSOURCED, Profile
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import UsageError

SOURCES: Final = {"practice": UNSOURCED[0], "memory": UNSOURCED[1], "own": OWN_CLUTCHES}
PAPER: Final = "the-paper"
FIGURE: Final = "27.8=60, 27.8=58-62, or with its eggs 27.8=60x20"


def add_options(parser: argparse.ArgumentParser) -> None:
    """What ``new`` takes; what is left out is asked for where somebody sits at the terminal."""
    group = parser.add_argument_group("with new")
    group.add_argument("--scientific", metavar="NAME", help='its scientific name, "Genus species"')
    group.add_argument("--common", metavar="NAME", help="what keepers call it")
    group.add_argument("--family", metavar="FAMILY", help="its family, which tells its relatives")
    group.add_argument("--group", choices=GROUPS, help="instead, where the family is not known here")
    group.add_argument(
        "--figure",
        action="append",
        metavar="T=DAYS",
        help=f"days at a constant temperature: {FIGURE}; once for each temperature",
    )
    group.add_argument("--source", choices=("paper", *SOURCES), help="where the figures are from")
    for name in ("authors", "year", "title", "journal"):
        group.add_argument(f"--{name}", metavar=name.upper(), help=f"the paper's {name}")


@dataclass
class Known:
    """What was told of a species, by options or answers."""

    scientific: str = ""
    common: str = ""
    family: str = ""
    group: str = ""
    figures: list[dict[str, float | int]] = field(default_factory=list)
    source: str = ""
    paper: dict[str, str | int] = field(default_factory=dict)

    @property
    def id(self) -> str:
        return "-".join(self.scientific.lower().split())


def run_new(args: argparse.Namespace, ask: Callable[[str], str] | None = None) -> int:
    settings = settings_of(args)
    if settings.profiles_dir is None:
        raise UsageError(
            "there is no folder for your own species profiles",
            where=settings.file,
            fix='make one, and name it in the room\'s file:\n    [profiles]\n    dir = "species"',
        )
    if ask is None and sys.stdin.isatty():
        ask = input
    known = from_options(args, settings.room.display_unit)
    if ask is not None:
        ask_for_the_rest(known, settings.room.display_unit, ask)
    path = Path(settings.profiles_dir) / f"{known.id}.toml"
    text, profile = written(known)
    if path.exists():
        raise UsageError(f"{path} is there already", fix="edit it, or move it away first")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    print(f"{path} written; confidence: {profile.grade}")
    if profile.caution:
        print(f"  {profile.caution}")
    print(f"  next: warmtally species {profile.id}    warmtally check")
    return 0


# --- what is told ---------------------------------------------------------------------------------------------------


def from_options(args: argparse.Namespace, unit: DisplayUnit) -> Known:
    paper = {name: getattr(args, name) for name in ("authors", "year", "title", "journal") if getattr(args, name)}
    return Known(
        scientific=" ".join((args.scientific or "").split()),
        common=args.common or "",
        family=args.family or "",
        group=args.group or "",
        figures=[figure(text, unit) for text in args.figure or ()],
        source=args.source or "",
        paper=paper,
    )


def figure(text: str, unit: DisplayUnit) -> dict[str, float | int]:
    """A row of a profile from "27.8=58-62x20"; the temperature in the keeper's unit, or with its unit behind it."""
    number = r"([0-9]{1,4}(?:\.[0-9]{1,3})?)"
    temperature, _, rest = text.partition("=")
    found = re.fullmatch(rf"{number}(?:-{number})?(?:x([0-9]{{1,5}}))?", "".join(rest.split()))
    if found is None:
        raise UsageError(f"{text!r} is no figure", fix=f"write {FIGURE}")
    row: dict[str, float | int] = {"temperature_c": round(parse_temperature(temperature, unit), 2)}
    row |= {"days_low": float(found[1]), "days_high": float(found[2])} if found[2] else {"days": float(found[1])}
    return row | ({"eggs": int(found[3])} if found[3] else {})


def ask_for_the_rest(known: Known, unit: DisplayUnit, ask: Callable[[str], str]) -> None:
    """Asks for what options left out; an empty answer is "not known"."""
    known.scientific = known.scientific or " ".join(ask("Scientific name (Genus species): ").split())
    known.common = known.common or ask("Common name: ").strip()
    if not (known.family or known.group):
        known.family = ask("Family (like Colubridae; empty: not known): ").strip()
        if group_of(known.family) is None:
            known.group = ask(f"Group ({', '.join(GROUPS)}): ").strip().lower()
    if not known.figures:
        print(f"Days at constant temperatures in °{unit}, one a line, empty to end ({FIGURE}).")
        while answer := ask("  T=DAYS: ").strip():
            try:
                known.figures.append(figure(answer, unit))
            except UsageError as error:
                print(f"  {error.what}: {error.fix}")
    if known.figures and not known.source:
        known.source = ask(f"Where are they from? paper, {', '.join(SOURCES)}: ").strip().lower()
    if known.figures and known.source == "paper":
        for name in ("authors", "year", "title", "journal"):
            known.paper.setdefault(name, ask(f"  the paper's {name}: ").strip())


# --- what is written ------------------------------------------------------------------------------------------------


def written(known: Known) -> tuple[str, Profile]:
    """The file and the profile it makes. Raises UsageError for what is missing, ConfigError for what cannot be."""
    if len(known.id.split("-")) < 2:
        raise UsageError("the scientific name is missing", fix='--scientific "Genus species"')
    if known.figures and known.source not in ("paper", *SOURCES):
        raise UsageError("where the figures are from is missing", fix=f"--source paper, {', '.join(SOURCES)}")
    lines = [f"scientific_name = {_text(known.scientific)}"]
    lines += [f"common_name = {_text(known.common)}"] if known.common else []
    lines += [f"family = {_text(known.family)}"] if known.family else []
    lines += [f"group = {_text(known.group)}"] if known.group else []
    if known.figures:
        paper = PAPER if known.source == "paper" else SOURCES[known.source]
        rows = (", ".join(f"{key} = {value!r}" for key, value in row.items()) for row in known.figures)
        lines += ["rows = [", *(f"  {{ {row}, paper = {_text(paper)} }}," for row in rows), "]"]
    else:
        lines += ['status = "no-table"', 'reason = "nothing is known of its days yet; to be learned from own clutches"']
    if known.figures and known.source == "paper":
        lines += ["", f"[papers.{PAPER}]", *_paper(known.paper)]
    text = "\n".join(lines) + "\n"
    return text, parse_profile(tomllib.loads(text), f"{known.id}.toml")


def _paper(told: dict[str, Any]) -> Sequence[str]:
    year = str(told.get("year", ""))
    if not re.fullmatch(r"[0-9]{4}", year):
        raise UsageError(f"the paper's year {year!r} is no year", fix="--year 2020")
    lines = [f"year = {year}"]
    for name in ("authors", "title", "journal"):
        lines.append(f"{name} = {_text(str(told.get(name, '')))}")
    return lines


def _text(value: str) -> str:
    # What JSON writes between quotes is a basic string of TOML.
    return json.dumps(value, ensure_ascii=False)
