"""Who may look at the page and who may enter: ``warmtally people``."""

from __future__ import annotations

import argparse
import datetime as dt
import secrets
import sys
from pathlib import Path
from typing import Final

from monitor.adapters.people import PeopleFile, free_name
from monitor.cli.asking import Asker
from monitor.cli.output import print_json, say, table
from monitor.cli.room import now_ms, settings_of
from monitor.config.reach import reached_from_elsewhere
from monitor.config.zones import zone_of
from monitor.core.terms.formats import show_date
from monitor.core.terms.people import (
    LONGEST_PASSPHRASE,
    RIGHTS,
    Person,
    ProgramToken,
    Right,
    in_one_line,
    is_over,
    passphrase_fault,
)
from monitor.core.terms.plain_words import BITS, WORDS, WORDS_TAKEN, made_up
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import FIRST_YEAR, LAST_YEAR
from monitor.errors import FileUnreadable, UsageError
from monitor.telling.as_json import utc

_MAY: Final[dict[Right, str]] = {"look": "may look", "enter": "may look and enter"}


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    parent = _of_rooms(parent)
    people = sub.add_parser(
        "people",
        parents=[parent],
        help="who may look at the page and who may enter; alone: list them",
        description="Who may look at the page and who may enter, by a passphrase; and tokens for other programs. As "
        "long as nobody is entered, the page is open to everybody on this computer and to nobody else. What is changed "
        "holds at once. No passphrase stands on a command line: it is asked for, comes from a file, or is made up.",
        epilog="examples:\n"
        "  warmtally people\n"
        "  warmtally people add anna --may enter\n"
        "  warmtally people add neighbour --may look --until 2026-08-15 --make-up\n"
        "  warmtally people may neighbour enter --until 2026-09-01\n"
        "  warmtally people passphrase anna\n"
        "  warmtally people token chart --may look\n"
        "  warmtally people remove neighbour",
    )
    people.add_argument("--json", action="store_true")
    people.set_defaults(run=run_list, what=None)
    inner = people.add_subparsers(dest="what", metavar="WHAT", required=False)

    # Not --passphrase for --passphrase-file: somebody would write the passphrase behind it.
    add = inner.add_parser("add", parents=[parent], allow_abbrev=False, help="enter somebody, with a passphrase")
    _name(add)
    add.add_argument("--may", choices=RIGHTS, required=True, help="look only, or look and enter")
    _until(add)
    _passphrase_options(add)
    add.set_defaults(run=run_add)

    may = inner.add_parser("may", parents=[parent], help="give somebody or a token another right, or another end of it")
    _name(may)
    may.add_argument("right", choices=RIGHTS, help="look only, or look and enter")
    _until(may)
    may.set_defaults(run=run_may)

    passphrase = inner.add_parser(
        "passphrase",
        parents=[parent],
        allow_abbrev=False,
        help="give somebody another passphrase; what was signed in by the old one ends",
    )
    _name(passphrase)
    _passphrase_options(passphrase)
    passphrase.set_defaults(run=run_passphrase)

    token = inner.add_parser(
        "token", parents=[parent], help="make a token with which another program may look or enter; it is shown once"
    )
    _name(token)
    token.add_argument("--may", choices=RIGHTS, required=True, help="look only, or look and enter")
    _until(token)
    token.set_defaults(run=run_token)

    remove = inner.add_parser("remove", parents=[parent], help="take a person or token out; sign-ins end at once")
    _name(remove)
    remove.set_defaults(run=run_remove)


def _of_rooms(parent: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """The options that every verb has, and ``--rooms``."""
    more = argparse.ArgumentParser(add_help=False, parents=[parent])
    more.add_argument("--rooms", metavar="FILE", help="of an overview of many rooms, by its file, instead of a room")
    return more


def _name(of: argparse.ArgumentParser) -> None:
    of.add_argument("name", metavar="NAME", help="small and capital letters are alike")
    of.add_argument("--json", action="store_true")


def _until(of: argparse.ArgumentParser) -> None:
    of.add_argument("--until", metavar="DAY", help="the last day of it, such as 2026-08-15 (left out: for good)")


def _passphrase_options(of: argparse.ArgumentParser) -> None:
    way = of.add_mutually_exclusive_group()
    way.add_argument("--passphrase-file", metavar="FILE", help="it stands there, alone; - is standard input")
    way.add_argument("--make-up", action="store_true", help="make one up of words, and show it")


# -- what they do


def _whose(args: argparse.Namespace) -> Settings:
    """The room, or the overview of many rooms, whose people they are."""
    if args.rooms is None:
        return settings_of(args)
    from monitor.cli.rooms import overview_file
    from monitor.config.overview_file import room_of_overview

    found = room_of_overview(overview_file(args.rooms))
    Path(found.data_dir).mkdir(mode=0o700, parents=True, exist_ok=True)
    return found


def run_list(args: argparse.Namespace) -> int:
    settings = _whose(args)
    found = PeopleFile(settings.data_dir).read()
    today = _today(settings)
    if args.json:
        print_json(
            {
                "people": [_as_json(p, today) for p in found.people],
                "tokens": [_as_json(t, today) for t in found.tokens],
            }
        )
        return 0
    rows = [
        _row(x, kind, settings, today)
        for kind, all_ in (("person", found.people), ("token", found.tokens))
        for x in all_
    ]
    if rows:
        print(table(["name", "is a", "right", "since"], rows))
    if not found.people:
        say(_while_nobody(settings))
    return 0


def run_add(args: argparse.Namespace) -> int:
    settings = _whose(args)
    file, until = PeopleFile(settings.data_dir), _last_day(args.until, settings)
    before = file.read()
    # Before anything is asked.
    free_name(before, args.name)
    passphrase = _passphrase(args, settings, args.name)
    person = file.add(args.name, args.may, until, passphrase, now_ms())
    if _told_as_json(args, settings, person, passphrase):
        return 0
    print(f"{person.name} {_MAY[person.may]}{_ends(person)}")
    if not before.people:
        print("from now on everybody signs in at the page")
    say(_way_in(settings))
    return 0


def run_may(args: argparse.Namespace) -> int:
    settings = _whose(args)
    found = PeopleFile(settings.data_dir).set_right(args.name, args.right, _last_day(args.until, settings))
    if not _told_as_json(args, settings, found):
        print(f"{found.name} {_MAY[found.may]}{_ends(found)}, at once")
    return 0


def run_passphrase(args: argparse.Namespace) -> int:
    settings = _whose(args)
    file = PeopleFile(settings.data_dir)
    name = file.person(args.name).name
    passphrase = _passphrase(args, settings, name)
    person = file.set_passphrase(name, passphrase)
    if not _told_as_json(args, settings, person, passphrase):
        print(f"{person.name} has another passphrase; what was signed in by the old one has ended")
    return 0


def run_token(args: argparse.Namespace) -> int:
    settings = _whose(args)
    token, shown = PeopleFile(settings.data_dir).add_token(
        args.name, args.may, _last_day(args.until, settings), now_ms()
    )
    if args.json:
        print_json(_as_json(token, _today(settings)) | {"token": shown})
        return 0
    print(shown)
    print(
        f"{token.name} {_MAY[token.may]}{_ends(token)}, by this token, which is shown this once\n"
        "a program sends it as a header: Authorization: Bearer TOKEN",
        file=sys.stderr,
    )
    return 0


def run_remove(args: argparse.Namespace) -> int:
    settings = _whose(args)
    file = PeopleFile(settings.data_dir)
    gone = file.remove(args.name)
    if _told_as_json(args, settings, gone):
        return 0
    if isinstance(gone, ProgramToken):
        print(f"the token {gone.name} is good for nothing any more")
        return 0
    print(f"{gone.name} may do nothing any more, and what was signed in has ended")
    if not file.read().people:
        say(_while_nobody(settings))
    return 0


# -- words


def _today(settings: Settings) -> dt.date:
    return dt.datetime.fromtimestamp(now_ms() / 1000, zone_of(settings.room.zone)).date()


def _last_day(told: str | None, settings: Settings) -> dt.date | None:
    if told is None:
        return None
    try:
        day = dt.date.fromisoformat(told)
    except ValueError:
        raise UsageError(f"{told!r} is not a day", fix="write it as 2026-08-15") from None
    if not FIRST_YEAR <= day.year <= LAST_YEAR or day < _today(settings):
        raise UsageError(f"--until {told} is no day to come", fix="give today or a later day; or leave it out")
    return day


def _ends(of: Person | ProgramToken) -> str:
    return "" if of.until is None else f" until {of.until.isoformat()}, that day included"


def _row(of: Person | ProgramToken, kind: str, settings: Settings, today: dt.date) -> list[str]:
    right = f"ended {of.until}" if is_over(of, today) else _MAY[of.may] + (f" until {of.until}" if of.until else "")
    return [of.name, kind, right, show_date(of.since_ms, zone_of(settings.room.zone))]


def _as_json(of: Person | ProgramToken, today: dt.date) -> dict[str, object]:
    return {
        "name": of.name,
        "may": of.may,
        "until": None if of.until is None else of.until.isoformat(),
        "ended": is_over(of, today),
        "since": utc(of.since_ms),
    }


def _told_as_json(
    args: argparse.Namespace, settings: Settings, of: Person | ProgramToken, passphrase: str | None = None
) -> bool:
    """Whether it was told to a program; what was made up is told to whoever asked for it."""
    if args.json:
        made = {"passphrase": passphrase} if passphrase is not None and args.make_up else {}
        print_json(_as_json(of, _today(settings)) | made)
    return bool(args.json)


def _while_nobody(settings: Settings) -> str:
    """What holds while nobody has a passphrase."""
    if settings.page is None:
        return "nobody is entered, and there is no page: add [page] to the room's file"
    if reached_from_elsewhere(settings.page):
        return (
            "nobody is entered: the page serves only the links of notices and the calendar\n"
            "  what to do: warmtally people add NAME --may enter"
        )
    return f"nobody is entered: everybody on this computer may look and enter, at {settings.page.here}"


def _way_in(settings: Settings) -> str:
    if settings.page is None:
        return "there is no page yet: add [page] to the room's file, and start the service anew"
    return f"sign in at {(settings.page.address or settings.page.here).rstrip('/')}/enter"


# -- the passphrase


def _passphrase(args: argparse.Namespace, settings: Settings, name: str) -> str:
    """From where it was told to come. Raises UsageError for one that cannot be."""
    names = (name, settings.room.name)
    if args.make_up:
        passphrase = _made_up()
        if not args.json:
            _show(passphrase)
        return passphrase
    if args.passphrase_file is not None:
        told = in_one_line(_from_file(args.passphrase_file))
        why = passphrase_fault(told, names)
        if why:
            raise UsageError(f"this passphrase cannot be taken: {why}", fix="write another one, or use --make-up")
        return told
    asker = Asker()
    if args.json or not asker.terminal:
        raise UsageError(
            "nobody can be asked for the passphrase here",
            fix="give --passphrase-file FILE (- is standard input), or --make-up",
        )
    return _asked(asker, names)


def _asked(asker: Asker, names: tuple[str, ...]) -> str:
    """Typed twice, and not seen; or made up, if that is wanted."""
    while True:
        told = in_one_line(
            asker.secret(
                "Passphrase (it is not shown; Enter alone makes one up of words)",
                lambda text: passphrase_fault(in_one_line(text), names) if text else "",
            )
        )
        if not told:
            told = _made_up()
            _show(told)
            if asker.sure("Take it?", default=True):
                return told
        elif in_one_line(asker.secret("Once more")) == told:
            return told
        else:
            say("  the two are not the same: begin anew")


def _made_up() -> str:
    return made_up([secrets.randbelow(len(WORDS)) for _ in range(WORDS_TAKEN)])


def _show(passphrase: str) -> None:
    print(f"passphrase: {passphrase}")
    say(
        f"{WORDS_TAKEN} words, each drawn from {len(WORDS)}: {BITS:.0f} bits. It is shown this once; keep it where "
        "nobody else reads."
    )


def _from_file(name: str) -> str:
    """The one line of a file or of standard input; no more of it is read than a passphrase may have."""
    try:
        if name == "-":
            data = b"" if sys.stdin is None else sys.stdin.buffer.read(8 * LONGEST_PASSPHRASE)
        else:
            with Path(name).open("rb") as file:
                data = file.read(8 * LONGEST_PASSPHRASE)
        text = data.decode("utf-8-sig").strip("\r\n")
    except OSError as error:
        raise FileUnreadable(
            f"the passphrase cannot be read ({error.strerror})", where=name, fix="check the name and its rights"
        ) from error
    except UnicodeDecodeError:
        text = "\n"
    if "\n" in text or "\r" in text:
        raise UsageError("a passphrase stands alone in one line of plain text (UTF-8)", fix="write it so")
    return text
