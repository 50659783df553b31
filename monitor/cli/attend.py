"""What is told, and how much of it: ``warmtally explain``, ``shelve`` and ``attention``."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import getpass
import os
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.cli.output import print_json, table
from monitor.cli.room import now_ms, number, parse_time, room_at_hand, settings_if_any
from monitor.config.at_hand import find_config
from monitor.core.notices.conditions import LONGEST_SHELF_MS, name_subject
from monitor.core.terms.formats import show_time
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ConfigError, UnknownSubject, UsageError
from monitor.telling.kinds import explained, kind_json, told_how

if TYPE_CHECKING:
    from monitor.config.in_force import InForce
    from monitor.core.notices.kinds import Kind

# Of so many kinds it is said what would make them quieter.
MOST_ADVISED: Final = 5


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    explain = sub.add_parser(
        "explain",
        parents=[parent],
        help="a kind of condition: what raises and clears it, and why",
        epilog="example: warmtally explain too-warm    (without KIND: all of them, a line each)",
    )
    explain.add_argument("kind", nargs="?", metavar="KIND")
    explain.add_argument("--json", action="store_true")
    explain.set_defaults(run=run_explain)
    shelve = sub.add_parser(
        "shelve",
        parents=[parent],
        help="say nothing about a condition for a while; it stays listed and is told again when the time is up",
        epilog='examples: warmtally shelve probe-quiet upper-warmth --for "6 h"    '
        "warmtally shelve probe-quiet upper-warmth --end",
    )
    shelve.add_argument("kind", metavar="KIND")
    shelve.add_argument("subject", metavar="ABOUT", help="the box, probe, stack or eggs (K01/upper) it is about")
    how = shelve.add_mutually_exclusive_group(required=True)
    how.add_argument("--for", dest="span", metavar="SPAN", help='how long: "90 min", "6 h", "2 d"; a week at most')
    how.add_argument("--until", metavar="WHEN", help="until when, a week at most")
    how.add_argument("--end", action="store_true", help="tell again from now on")
    shelve.add_argument("--by", default="", help="who does it (default: the user)")
    shelve.set_defaults(run=run_shelve)
    attention = sub.add_parser(
        "attention", parents=[parent], help="how much attention the notices asked for, and what could be quieter"
    )
    attention.add_argument("--days", type=number, default=28.0, help="over how many last days (default: 28)")
    attention.add_argument("--json", action="store_true")
    attention.set_defaults(run=run_attention)


def no_kind(name: str, known: Iterable[str]) -> UnknownSubject:
    """That there is no such kind of condition, with the nearest of those that there are."""
    near = difflib.get_close_matches(name, list(known), n=1)
    return UnknownSubject(
        f"no kind {name!r}", fix=f"did you mean {near[0]}?" if near else "see them all: warmtally explain"
    )


def run_explain(args: argparse.Namespace) -> int:
    from monitor.core.notices.kinds import all_kinds

    kinds = {kind.name: kind for kind in all_kinds()}
    if args.kind is None:
        if args.json:
            print_json([kind_json(k) for k in kinds.values()])
        else:
            print(table(["kind", "urgency", "says"], [[k.name, k.urgency, k.says] for k in kinds.values()]))
        return 0
    kind = kinds.get(args.kind)
    if kind is None:
        raise no_kind(args.kind, kinds)
    if args.json:
        numbers_of = {n.key: {"value": n.value, "own": n.own} for n in _in_force(kind, args)}
        print_json(kind_json(kind) | {"numbers": numbers_of})
        return 0
    unit: DisplayUnit = "C"
    # What is wrong with the room's file keeps no kind from being explained.
    with contextlib.suppress(ConfigError):
        settings = settings_if_any(args)
        unit = unit if settings is None else settings.room.display_unit
    print(f"{kind.name}: {kind.says} (urgency: {kind.urgency})")
    for label, text in explained(kind, unit):
        print(f"  {label}: {text}")
    if kind.keys:
        numbers = [f"{n.key} = {n.value}{' (yours)' if n.own else ''}" for n in _in_force(kind, args)]
        print(f"  its numbers: {', '.join(numbers)}")
    for line in told_how(kind):
        print(f"  {line}")
    print(f"  its notices, and how to change their texts: warmtally texts {kind.name}")
    return 0


def _in_force(kind: Kind, args: argparse.Namespace) -> list[InForce]:
    """The numbers of a kind. Only they need what reads the room's file."""
    from monitor.config.in_force import in_force

    return in_force(kind.keys, _file(args)) if kind.keys else []


def _file(args: argparse.Namespace) -> Path | None:
    """The room's file, if there is one."""
    try:
        return find_config(args.config, os.environ)
    except ConfigError:
        return None


def run_shelve(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        now = now_ms()
        until: int | None = None
        if args.span is not None:
            from pydantic_core import PydanticCustomError

            from monitor.config.values import seconds

            try:
                until = now + round(seconds(args.span) * 1000)
            except PydanticCustomError as error:
                raise UsageError(f"{args.span!r} is not a time span", fix='write "90 min", "6 h" or "2 d"') from error
        elif args.until is not None:
            until = parse_time(args.until, room.zone)[0]
        if until is not None and not now < until <= now + LONGEST_SHELF_MS:
            raise UsageError("a shelf ends within a week, and not in the past", fix='for example --for "6 h"')
        room.store.ledger.shelve(args.kind, args.subject, until, now, args.by or getpass.getuser())
        what = f"{args.kind}, {name_subject(args.kind, args.subject)}"
        if until is None:
            print(f"{what}: told again from now on")
        else:
            print(f"{what}: not told until {show_time(until, room.zone)}; it stays listed")
    return 0


def run_attention(args: argparse.Namespace) -> int:
    from monitor.core.notices.attention import MESSAGES_A_WEEK, WAKING_A_WEEK, account, quieter
    from monitor.core.notices.fitting import fit_list
    from monitor.core.notices.kinds import all_kinds
    from monitor.core.notices.notices import count

    if not 1.0 <= args.days <= 3650.0:
        raise UsageError(f"{args.days:g} days are not a span to account for", fix="give 1 to 3650")
    with room_at_hand(args) as room:
        ledger = room.store.ledger
        set_by = {kind.name: kind.keys for kind in all_kinds()}
        found = account(
            ledger.notices(100_000), ledger.history(100_000), ledger.conditions().values(), now_ms(), args.days
        )
    if args.json:
        print_json(
            {
                "days": found.days,
                "notices": found.notices,
                "in_daily_line": found.in_daily_line,
                "waking": found.waking,
                "waking_a_week": round(found.waking_a_week, 3),
                "a_week": round(found.messages_a_week, 3),
                "within_budget": found.within_budget,
                "repeated": found.reminders,
                "by_kind": {a.kind: a.messages for a in found.asked},
                "asked": [
                    {**asdict(a), "messages": a.messages, "what_to_do": quieter(a, set_by.get(a.kind, ()))}
                    for a in found.asked
                ],
                "standing": [list(x) for x in found.standing],
                "chattering": [list(x) for x in found.chattering],
                "shelved": [list(x) for x in found.shelved],
                "answered": found.answered,
                "answered_after_min": found.answered_after_min,
                "answered_by": found.answered_by,
            }
        )
        return 0
    print(
        f"the last {found.days:g} days: {count(found.notices, 'notice', 'notices')}, "
        f"{found.reminders} of them reminders; {found.in_daily_line} more in the daily line"
    )
    for said, a_week, aim in (
        ("beside the daily line and the drill", found.messages_a_week, MESSAGES_A_WEEK),
        (f'urgency "now": {found.waking}', found.waking_a_week, WAKING_A_WEEK),
    ):
        verdict = "within" if a_week <= aim else "more than"
        print(f"{said}, {a_week:.1f} a week ({verdict} the aim of {aim:g})")
    if found.answered_after_min is not None:
        print(f"answered: {found.answered}, half of them within {found.answered_after_min:.0f} min")
        print(f"  by {', '.join(f'{way}: {n}' for way, n in found.answered_by.items())}")
    if found.asked:
        rows = [
            [
                a.kind,
                str(a.begun),
                str(a.again),
                str(a.over),
                fit_list([name_subject(a.kind, x) for x in a.subjects], 30) if a.subjects else "",
            ]
            for a in found.asked
        ]
        print(table(["kind", "begun", "told again", "over", "about"], rows))
        print("what asked most, and what would make it quieter:")
        for a in found.asked[:MOST_ADVISED]:
            print(f"  {a.kind}: {quieter(a, set_by.get(a.kind, ()))}")
    for label, keys, advice in (
        ("standing for more than a day", found.standing, "mend the cause, or set the limit so that it means something"),
        ("chattering", found.chattering, "widen the deadband or the delays"),
        ("shelved", found.shelved, "told again when the shelf ends"),
    ):
        for kind, subject in keys:
            print(f"{label}: {kind}, {name_subject(kind, subject)} ({advice})")
    return 0
