"""``warmtally species new``: asks what is known of a species and writes its file; all of it by options for scripts."""

from __future__ import annotations

import argparse
import json
import re
import sys
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path
from typing import Any, Final

from monitor.cli.room import parse_temperature, settings_of
from monitor.config.library import LONGEST_NAME, called
from monitor.core.development.groups import GROUPS, group_of
from monitor.core.development.profile_file import TEMPERATURES_C, mistakes_of_row, parse_profile
from monitor.core.development.species import GRADES, OWN_CLUTCHES, UNSOURCED, Profile
from monitor.core.terms.formats import show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ConfigError, UsageError
from monitor.values import dataclass

SOURCES: Final = {"practice": UNSOURCED[0], "memory": UNSOURCED[1], "own": OWN_CLUTCHES}
PAPER: Final = "the-paper"
FIGURE: Final[Mapping[DisplayUnit, str]] = {
    "C": "27.8=60, 27.8=58-62, or with its eggs 27.8=60x20",
    "F": "82=60, 82=58-62, or with its eggs 82=60x20",
}


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
        help=f"days at a constant temperature: {FIGURE['C']}; once for each temperature",
    )
    group.add_argument("--source", choices=("paper", *SOURCES), help="where the figures are from")
    for name in ("authors", "year", "title", "journal"):
        group.add_argument(f"--{name}", metavar=name.upper(), help=f"the paper's {name}")


@dataclass()
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
    folder = Path(settings.profiles_dir)
    if ask is not None:
        try:
            ask_for_the_rest(known, settings.room.display_unit, ask, folder)
        except EOFError:
            raise UsageError("the answers ended before all was asked; nothing is written", fix="begin again") from None
    before = _came_along(known, folder)
    if before is not None:
        known.common, known.family = known.common or before.common_name, known.family or before.family
    text, profile = written(known)
    path = folder / f"{known.id}.toml"
    if before is not None and GRADES.index(before.grade) >= GRADES.index(profile.grade):
        raise UsageError(
            f"{before.id} came along with confidence {before.grade!r}, and yours ({profile.grade!r}) would take its "
            "place",
            fix=f"use it: warmtally species {before.id}; a file that you write by hand as {path} wins over it",
        )
    folder.mkdir(parents=True, exist_ok=True)
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    print(f"{path} written; confidence: {profile.grade}")
    if profile.caution:
        print(f"  {profile.caution}")
    if before is not None:
        print(
            f"  it takes the place of the one that came along ({before.grade}), and of what that said of limits and sex"
        )
    print(f"  next: warmtally species {profile.id}    warmtally check")
    return 0


def _came_along(known: Known, folder: Path) -> Profile | None:
    """The profile of that species which is there without the keeper's doing. Raises UsageError where the name cannot
    be, where a file is there already, and where a further one would be of no use or harm."""
    if wrong := _wrong_name(known):
        raise UsageError(wrong, fix='--scientific "Genus species"')
    path = folder / f"{known.id}.toml"
    if path.exists() or path.is_symlink():
        raise UsageError(f"{path} is there already", fix="edit it, or move it away first")
    there = called(known.scientific, folder)
    if there is None:
        return None
    if there.id != known.id:
        raise UsageError(
            f"{known.scientific!r} is another name of {there.id} ({there.scientific_name})",
            fix=f"see it: warmtally species {there.id}",
        )
    if there.status == "rests":
        raise UsageError(
            f"{there.id} came along, and no figure makes a forecast of it: {there.reason}",
            fix="its clutches are recorded and watched as it is",
        )
    return there


def _wrong_name(known: Known) -> str:
    """Why a scientific name cannot be one; empty where it can."""
    words = known.id.split("-")
    if not known.scientific:
        return "the scientific name is missing"
    if len(words) < 2 or len(known.id) > LONGEST_NAME or not all(w.isalnum() and w.islower() for w in words):
        return f"{known.scientific[:LONGEST_NAME]!r} is no scientific name: two words or three, of letters alone"
    return ""


# --- what is told ---------------------------------------------------------------------------------------------------


def from_options(args: argparse.Namespace, unit: DisplayUnit) -> Known:
    paper = {name: getattr(args, name) for name in ("authors", "year", "title", "journal") if getattr(args, name)}
    return Known(
        scientific=" ".join((args.scientific or "").split()),
        common=args.common or "",
        family=(args.family or "").strip().capitalize(),
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
        raise UsageError(f"{text!r} is no figure", fix=f"write {FIGURE[unit]}")
    celsius = round(parse_temperature(temperature, unit), 2)
    if not TEMPERATURES_C[0] <= celsius <= TEMPERATURES_C[1]:
        raise UsageError(
            f"at {show_temperature(celsius, unit)} no eggs are kept",
            fix=f"write {FIGURE[unit]}; in the other unit with its letter: {'82F=60' if unit == 'C' else '27.8C=60'}",
        )
    row: dict[str, float | int] = {"temperature_c": celsius}
    row |= {"days_low": float(found[1]), "days_high": float(found[2])} if found[2] else {"days": float(found[1])}
    return row | ({"eggs": int(found[3])} if found[3] else {})


def ask_for_the_rest(known: Known, unit: DisplayUnit, ask: Callable[[str], str], folder: Path) -> None:
    """Asks for what options left out, and anew where an answer cannot be; an empty one is "not known"."""
    if not known.scientific:
        known.scientific = _asked(ask, "Scientific name (Genus species): ", lambda told: _wrong_name(Known(told)))
    # Before all the rest is asked in vain.
    before = _came_along(known, folder)
    if before is not None:
        print(f"  {before.id} came along (confidence: {before.grade}); only what is worth more takes its place.")
    known.common = known.common or _asked(ask, "Common name: ", _unprintable)
    known.family = known.family or (before.family if before else "")
    if not (known.family or known.group):
        known.family = _asked(ask, "Family (like Colubridae; empty: not known): ", _unprintable).capitalize()
    if group_of(known.family) is None and not known.group:
        known.group = _asked(ask, f"Group ({', '.join(GROUPS)}): ", _among(GROUPS)).lower()
    if not known.figures:
        print(f"Days at constant temperatures in °{unit}, one a line, empty to end ({FIGURE[unit]}).")
        _ask_for_figures(known, unit, ask)
    if known.figures and not known.source:
        sources = ("paper", *SOURCES)
        known.source = _asked(ask, f"Where are they from? {', '.join(sources)}: ", _among(sources)).lower()
    if known.figures and known.source == "paper":
        for name, wrong in (("authors", _empty), ("year", _no_year), ("title", _unprintable), ("journal", _empty)):
            if name not in known.paper:
                known.paper[name] = _asked(ask, f"  the paper's {name}: ", wrong)


def _ask_for_figures(known: Known, unit: DisplayUnit, ask: Callable[[str], str]) -> None:
    """Until they make a table, or there is none."""
    while True:
        while answer := ask("  T=DAYS: ").strip():
            try:
                row = figure(answer, unit)
            except UsageError as error:
                print(f"  {error.what}: {error.fix}")
                continue
            if wrong := mistakes_of_row(row):
                print(f"  {answer!r} is no figure: {'; '.join(wrong)}")
            else:
                known.figures.append(row)
        try:
            # Where they are from is asked next, and changes nothing of this.
            written(replace(known, source="own"))
        except ConfigError as error:
            print(f"  {error.what}\n  Once more, all of them; or empty at once: nothing is known of its days.")
            known.figures.clear()
        else:
            return


def _asked(ask: Callable[[str], str], question: str, wrong: Callable[[str], str]) -> str:
    """The answer that nothing is wrong with; until then it is asked for again."""
    while True:
        answer = " ".join(ask(question).split())
        if not (why := wrong(answer) or _unprintable(answer)):
            return answer
        print(f"  {why}")


def _unprintable(told: str) -> str:
    return "" if told.isprintable() else "a sign in it cannot be shown: write it once more"


def _empty(told: str) -> str:
    return "" if told else "this is needed: a paper is found by it"


def _no_year(told: str) -> str:
    return "" if re.fullmatch(r"1[789][0-9]{2}|2[01][0-9]{2}", told) else f"{told!r} is no year: write 2020"


def _among(words: Sequence[str]) -> Callable[[str], str]:
    return lambda told: "" if told.lower() in words else f"one of {', '.join(words)}"


# --- what is written ------------------------------------------------------------------------------------------------


def written(known: Known) -> tuple[str, Profile]:
    """The file and the profile it makes. Raises UsageError for what is missing, ConfigError for what cannot be."""
    if wrong := _wrong_name(known):
        raise UsageError(wrong, fix='--scientific "Genus species"')
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
    if _no_year(year):
        raise UsageError(f"the paper's year {year!r} is no year", fix="--year 2020")
    lines = [f"year = {year}"]
    for name in ("authors", "title", "journal"):
        lines.append(f"{name} = {_text(str(told.get(name, '')))}")
    return lines


def _text(value: str) -> str:
    # What JSON writes between quotes is a basic string of TOML, but for one sign that is told as a mistake.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
