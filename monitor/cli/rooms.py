"""Many rooms at once: ``warmtally rooms``, from what each room says of itself at a broker."""

from __future__ import annotations

import argparse
import contextlib
import getpass
import re
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from monitor.cli.output import columns, labelled, print_json, say, table
from monitor.cli.room import now_ms, number, whole
from monitor.cli.rooms_history import add_history
from monitor.config.overview_file import find_overview, load_overview
from monitor.config.zones import zone_of
from monitor.core.terms.settings import Broker, OverviewSettings, RoomsAt
from monitor.errors import BrokerUnreachable, ConfigError, DeliveryFailed, SecretMissing, UnknownSubject, UsageError

SECONDS: Final = 10.0
ANSWER_S: Final = 30.0
LONGEST_PASSWORD: Final = 16384
OF_ONE: Final = 10
"""So much of what one room says needs a hand is shown: none pushes the others out of sight."""
MOST_ROWS: Final = 200
"""So many rows of the calendar are shown; JSON has them all."""


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    del parent  # it is about no room's file
    rooms = sub.add_parser(
        "rooms",
        parents=[_where(later=False)],
        help="many rooms at once: what needs a hand, who sees to it, what will hatch; as a page with serve",
        description="Many rooms at once, each with a service of its own: what needs a hand first, whether each is "
        "watched now, and what will hatch. From what the rooms say at a broker (state = true in each); none of them "
        "needs this to run.",
        epilog="examples:\n"
        "  warmtally rooms --broker 192.0.2.5 --username overview --password-file overview.password\n"
        "  warmtally rooms --file rooms.toml --json\n"
        "  warmtally rooms answer attic 12\n"
        "  warmtally rooms history attic left-upper --from yesterday\n"
        "  warmtally rooms serve --file rooms.toml",
    )
    rooms.add_argument("--json", action="store_true")
    rooms.set_defaults(run=run_show, what=None)
    inner = rooms.add_subparsers(dest="what", metavar="WHAT", required=False)
    serve = inner.add_parser("serve", parents=[_where(later=True)], help="the same as a page, until stopped")
    serve.set_defaults(run=run_serve)
    answer = inner.add_parser(
        "answer",
        parents=[_where(later=True)],
        help="answer a notice of a room: you know, and see to it",
        epilog="example: warmtally rooms answer attic 12 --by anna",
    )
    answer.add_argument("room", metavar="ROOM", help="its id, as the list has it")
    answer.add_argument("notice", type=whole, metavar="N", help="the number of the notice")
    answer.add_argument("--by", default="", help="who answers (default: the user)")
    answer.set_defaults(run=run_answer)
    add_history(inner, _file_and_zone())


def _file_and_zone() -> argparse.ArgumentParser:
    parent = argparse.ArgumentParser(add_help=False)
    parent.add_argument("--file", metavar="FILE", default=argparse.SUPPRESS, help="the overview's file")
    parent.add_argument("--zone", metavar="ZONE", default=argparse.SUPPRESS, help="the time zone in which times are shown (else the file's, else UTC)")  # fmt: skip  # noqa: E501
    return parent


def _where(*, later: bool) -> argparse.ArgumentParser:
    """Where the rooms are heard. ``later``: behind a word of its own, where nothing takes back what stood before it."""
    unset: Any = argparse.SUPPRESS if later else None
    parent = argparse.ArgumentParser(add_help=False)
    group = parent.add_argument_group("where")
    group.add_argument("--file", metavar="FILE", default=unset, help="the overview's file (else WARMTALLY_ROOMS, else config/rooms.toml, else /etc/warmtally/rooms.toml)")  # fmt: skip  # noqa: E501
    group.add_argument("--broker", metavar="HOST[:PORT]", default=unset, help="a broker, instead of a file")
    group.add_argument("--username", default=unset, help="its login")
    group.add_argument("--password-file", metavar="FILE", default=unset, help="the file that holds its password")
    group.add_argument("--rooms", metavar="TOPIC", default=unset, help='the status topics of the rooms, + for the room ("+/warmtally")')  # fmt: skip  # noqa: E501
    group.add_argument("--zone", metavar="ZONE", default=unset, help="the time zone in which times are shown (else the file's, else UTC)")  # fmt: skip  # noqa: E501
    group.add_argument("--seconds", type=number, default=argparse.SUPPRESS if later else SECONDS, metavar="N", help="how long to wait for the broker (10)")  # fmt: skip  # noqa: E501
    return parent


# -- which rooms


def overview_settings(args: argparse.Namespace) -> OverviewSettings:
    """The overview that a command is about. Raises UsageError, ConfigError and SecretMissing."""
    if args.broker is None:
        if args.username or args.password_file or args.rooms:
            raise UsageError("a login or topic belongs to a broker", fix="add --broker HOST, or use --file alone")
        found = overview_file(args.file)
        return found if args.zone is None else _in_zone(found, args.zone)
    if args.file is not None:
        raise UsageError("--file and --broker are both there", fix="keep one of them")
    host, port = _address(args.broker)
    topic = args.rooms or "+/warmtally"
    if not re.fullmatch(r"(?:[^+#/]+/)*\+(?:/[^+#/]+)+", topic):
        raise UsageError(f"{topic!r} does not say where the room's id stands", fix='write "+/warmtally"')
    broker = Broker(host, port, username=args.username, password=password(args.password_file))
    answers = topic.replace("+/warmtally", "+/answer") if topic.endswith("+/warmtally") else "+/answer"
    settings = OverviewSettings(host, "UTC", (RoomsAt(host, broker, topic, answers),))
    return settings if args.zone is None else _in_zone(settings, args.zone)


def overview_file(named: str | None) -> OverviewSettings:
    """The overview of a file: of that which was named, else of the one that is there. Raises ConfigError."""
    path = find_overview(named)
    if path is None:
        fix = "warmtally rooms --broker HOST, or write a file (config/README.md, Many rooms)"
        raise ConfigError("there is no file of an overview", fix=fix)
    return load_overview(path)


def _in_zone(settings: OverviewSettings, zone: str) -> OverviewSettings:
    from dataclasses import replace

    try:
        zone_of(zone)
    except (KeyError, ValueError, OSError):
        raise UsageError(f"there is no time zone {zone[:60]!r}", fix="write it as Europe/Vienna") from None
    return replace(settings, zone=zone)


def _address(text: str) -> tuple[str, int]:
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::([0-9]{1,5}))?", text)
    if found is None or not 0 < int(found[2] or 1883) < 65536:
        raise UsageError(f"{text[:60]!r} is no broker", fix="write it as 192.0.2.5 or broker.local:1883")
    return found[1].strip("[]"), int(found[2] or 1883)


def password(file: str | None) -> str | None:
    """The secret in a file; None where none is named. Raises SecretMissing."""
    if file is None:
        return None
    try:
        with Path(file).open(encoding="utf-8") as opened:
            return opened.read(LONGEST_PASSWORD).strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise SecretMissing("the password file cannot be read", where=file, fix="check path and permissions") from error


@contextlib.contextmanager
def _seen(args: argparse.Namespace, settings: OverviewSettings) -> Iterator[Any]:
    """The rooms, once all that stands at each broker has come; those of a broker that is not there as cut off. Raises
    BrokerUnreachable where there is none at all."""
    from monitor.adapters.mqtt.rooms_seen import RoomsSeen

    if not 0 < args.seconds <= 3600:
        raise UsageError(f"--seconds {args.seconds:g} is not between 0 and 3600", fix="give for example --seconds 10")
    seen = RoomsSeen(settings, now_ms, keep=False)
    seen.open()
    try:
        seen.wait(lambda: seen.settled, args.seconds)
        troubles = seen.troubles
        if len(troubles) == len(settings.brokers):
            told = "; ".join(f"{name}: {why}" for name, why in troubles.items())
            raise BrokerUnreachable(f"no broker is heard ({told})", fix="check that it runs, its host, port and login")
        yield seen
    finally:
        seen.close()


# -- what they do


def run_show(args: argparse.Namespace) -> int:
    """The overview, once."""
    from monitor.telling.rooms import RoomsWords, overview_json

    settings = overview_settings(args)
    with _seen(args, settings) as seen:
        now, troubles = seen.look(), seen.troubles
    if args.json:
        print_json(overview_json(now, troubles))
        return 0
    _show(RoomsWords(now, zone_of(settings.zone), settings.display_unit, brokers=len(settings.brokers)), troubles)
    return 0


def _show(words: Any, troubles: dict[str, str]) -> None:
    now = words.now
    watched = sum(room.watch == "here" for room in now.rooms)
    say(f"{len(now.rooms)} rooms, {watched} of them watched now; {words.when(now.at_ms)}")
    for broker, why in troubles.items():
        say(f"broker {broker} is not heard: {why}")
    if now.left_out:
        say(f"left out: {now.left_out} topics that name no room, or too many of them")
    print()
    foremost = now.foremost(OF_ONE)
    for hand in foremost:
        state = words.state(hand)
        print(labelled(hand.urgency, words.what(hand) + (f" ({state})" if state else ""), 5))
    if len(foremost) < len(now.hands):
        print(f"and {len(now.hands) - len(foremost)} more of the same rooms (--json has them all)")
    if not now.hands:
        print("nothing needs a hand" if now.rooms else "no room says anything there (state = true in each room's file)")
    rows = []
    for room in now.rooms:
        boxes = ", ".join(f"{b.box} {words.temperature(room, b)}" for b in room.heard.boxes)
        clock = words.clock(room)
        rows.append([words.who(room), words.watch(room) + (f", {clock}" if clock else ""), boxes or "-"])
    if rows:
        print(f"\n{table(['room', 'watched', 'boxes'], rows)}")
    rows = [[words.dates(x), words.who(x.room), x.eggs.lot.replace("/", " in "), words.rest(x)] for x in now.hatching]
    if rows:
        print(f"\n{table(['expected', 'room', 'eggs', 'how many'], rows[:MOST_ROWS])}")
        if len(rows) > MOST_ROWS:
            print(f"and {len(rows) - MOST_ROWS} more (--json has them all)")
        say("\nA window is an estimate: no egg is opened on its word.", columns(100))


def run_answer(args: argparse.Namespace) -> int:
    """Answer a notice, and say what the room says of it. Raises UnknownSubject and DeliveryFailed."""
    settings = overview_settings(args)
    with _seen(args, settings) as seen:
        now = seen.look()
        room = now.room(args.room)
        if room is None:
            raise UnknownSubject(f"no room {args.room!r} is heard there, or more than one", fix="warmtally rooms")
        hand = next((h for h in now.hands if h.room is room and h.need and h.need.notice == args.notice), None)
        if hand is None or not hand.code:
            why = "waits for no answer" if hand is None else "can be answered in the room alone: it gives no code here"
            raise UnknownSubject(f"notice {args.notice} of {room.id} {why}", fix="warmtally rooms shows what does")
        seen.answers.give(room.heard.key, args.notice, args.by or getpass.getuser())

        def settled() -> bool:
            given = seen.answers.of(room.heard.key, args.notice)
            return given is None or bool(given.outcome)

        if not seen.wait(settled, ANSWER_S):
            raise DeliveryFailed(
                f"{room.id} has not said within {ANSWER_S:.0f} s what came of it ({_watch_of(seen, room.heard.key)})",
                fix="it may still come: see by warmtally rooms, and answer again; twice does no harm",
            )
        given = seen.answers.of(room.heard.key, args.notice)
    if given is None or given.outcome != "answered":
        raise DeliveryFailed(given.words if given is not None else "nothing came of it", fix="warmtally rooms")
    print(given.words if given.words.startswith(("Notice", "Test")) else f"answered by {given.words}")
    return 0


def _watch_of(seen: Any, key: str) -> str:
    room = seen.look().room(key)
    return "it is not heard any more" if room is None else f"it is {'watched' if room.watch == 'here' else room.watch}"


def run_serve(args: argparse.Namespace) -> int:
    """The page, until SIGTERM or SIGINT."""
    import logging

    settings = overview_settings(args)
    if settings.page is None:
        fix = 'add [page] with listen = "127.0.0.1:8481" to the overview\'s file'
        raise ConfigError("the overview has no page", where=args.file or args.broker or "", fix=fix)
    from monitor.page.rooms.app import serve_rooms

    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(message)s")
    stop = threading.Event()
    for sign in (signal.SIGTERM, signal.SIGINT):
        signal.signal(sign, lambda *_: stop.set())
    with serve_rooms(settings, now_ms) as tend:
        while not stop.wait(1.0):
            tend()
    return 0
