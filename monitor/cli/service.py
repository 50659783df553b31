"""The service itself: ``warmtally run`` and ``warmtally check``."""

from __future__ import annotations

import argparse
import logging
import os
import pickle
import sys
from dataclasses import asdict
from pathlib import Path

from monitor.cli.output import print_json
from monitor.config.mistakes import Mistake
from monitor.core.terms.settings import Settings
from monitor.errors import PeopleUnreadable

log = logging.getLogger(__name__)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    run = sub.add_parser(
        "run",
        parents=[parent],
        help="the service: watch, tally, tell; until stopped",
        description="The service: reads the probes, adds up development, tells what needs a hand; until it is stopped.",
    )
    run.add_argument("--verbose", action="store_true", help="more lines in the log")
    run.set_defaults(run=run_service)
    looked = sub.add_parser(
        "check",
        parents=[parent],
        help="read the configuration and name every mistake at once",
        description="Reads the configuration and names every mistake at once; exit code 3 when there is one.",
    )
    looked.add_argument("--json", action="store_true")
    looked.set_defaults(run=run_check)


def run_service(args: argparse.Namespace) -> int:
    from monitor.service.start import serve

    logging.basicConfig(
        stream=sys.stderr,
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s"
        if os.environ.get("JOURNAL_STREAM")
        else "%(asctime)s %(levelname)s %(name)s: %(message)s",
    )
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    settings, advice = _settings_read_apart(args)
    for said in advice:
        log.warning("%s", said)
    return serve(settings)


def read_settings(args: argparse.Namespace) -> tuple[Settings, list[str]]:
    """The room's settings, and what there is to say of its file although the service starts with it."""
    from monitor.config.at_hand import find_config
    from monitor.config.room_file import load_advised

    settings, found = load_advised(find_config(args.config), data_dir=args.data)
    return settings, [str(m) for m in found]


def _settings_read_apart(args: argparse.Namespace) -> tuple[Settings, list[str]]:
    """The room's settings, read by a child process, which takes the libraries for it along when it ends.

    They are a fifth of the service's memory, and it needs them this once.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.close(reading)
            with os.fdopen(writing, "wb") as pipe:
                pickle.dump(read_settings(args), pipe)
            code = 0
        finally:
            os._exit(code)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read()
    if os.waitpid(child, 0)[1] == 0:
        read: tuple[Settings, list[str]] = pickle.loads(told)  # noqa: S301 - from our own child
        return read
    # Whatever was wrong is found and told again here.
    return read_settings(args)


def run_check(args: argparse.Namespace) -> int:
    from monitor.config.at_hand import find_config
    from monitor.config.room_file import checked

    path = find_config(args.config)
    settings, found = checked(path, data_dir=args.data)
    mistakes = [m for m in found if m.level == "mistake"]
    in_texts = sum(m.level == "text" for m in found)
    problems: list[tuple[str, str]] = []
    of_species: list[tuple[bool, str, str]] = []
    if settings is not None:
        from monitor.adapters.delivery.attempts import problem

        of_species = species_problems(settings.profiles_dir)
        problems = [(c.id, text) for c in settings.channels if (text := problem(c)) is not None]
        found += people_advice(settings)
    if args.json:
        print_json(
            {
                "file": str(path),
                "mistakes": [asdict(m) for m in found]
                + [
                    {
                        "id": "channel",
                        "level": "mistake",
                        "file": str(path),
                        "key": f"channel {c}",
                        "what": text,
                        "fix": "correct its address",
                    }
                    for c, text in problems
                ]
                + [
                    {
                        "id": "species-file",
                        "level": "mistake" if bad else "advice",
                        "file": file,
                        "key": "",
                        "what": text,
                        "fix": "correct the row or key named",
                    }
                    for bad, file, text in of_species
                ],
            }
        )
    else:
        for m in found:
            print(m)
        for channel, text in problems:
            print(f"{path}: channel {channel}: {text}")
        for bad, file, text in of_species:
            print(f"{file}: {'' if bad else 'advice: '}{text}")
        count = len(mistakes) + len(problems)
        bad_files = sum(bad for bad, _, _ in of_species)
        if count:
            print(f"{count} {'mistake' if count == 1 else 'mistakes'}: the service will not start")
        elif bad_files:
            print(
                f"{bad_files} species {'file' if bad_files == 1 else 'files'} with mistakes: the service starts, and "
                "their eggs get no date"
            )
        elif in_texts:
            said = "1 mistake" if in_texts == 1 else f"{in_texts} mistakes"
            print(f"{said} in texts: the service starts, and says the usual texts instead")
        else:
            print(f"{path}: no mistakes; the service can start")
    return 3 if mistakes or problems or in_texts or any(bad for bad, _, _ in of_species) else 0


def people_advice(settings: Settings) -> list[Mistake]:
    """What there is to say of who may look at the page: nothing of it keeps the service from starting."""
    from monitor.adapters.people import FILE, PeopleFile
    from monitor.config.reach import reached_from_elsewhere

    if settings.page is None:
        return []
    try:
        if PeopleFile(settings.data_dir).read().people or not reached_from_elsewhere(settings.page):
            return []
    except PeopleUnreadable as error:
        return [Mistake("people", error.where, "", f"{error.what}, so nobody may", error.fix, "advice")]
    what = "others get to the page, and nobody has a passphrase: it serves only links of notices and the calendar"
    fix = "warmtally people add NAME --may enter"
    return [Mistake("people", str(Path(settings.data_dir) / FILE), "", what, fix, "advice")]


def species_problems(folder: str | None) -> list[tuple[bool, str, str]]:
    """What is wrong with the keeper's own species files, by file: a mistake, or a row that hardly fits the others."""
    if folder is None or not Path(folder).exists():
        return []
    from monitor.config.library import list_profiles
    from monitor.core.development.species import misfit

    listing = list_profiles(folder)
    found = [(True, str(Path(folder) / Path(error.where).name), error.what) for error in listing.bad]
    for profile in listing.profiles:
        odd = misfit(profile.rows) if profile.id in listing.own else None
        if odd is not None:
            found.append((False, str(Path(folder) / f"{profile.id}.toml"), f"{odd.place} {odd.told}"))
    return found
