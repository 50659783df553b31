"""What could not be read: ``warmtally unread``."""

from __future__ import annotations

import argparse

from monitor.adapters.store import Quarantined, UnreadSource
from monitor.cli.output import print_json, table
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.core.readings.decode import KEPT_BYTES
from monitor.core.terms.formats import show_time
from monitor.errors import UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.unread import plain, start_of, unread_message_json, unread_source_json

# So much of a payload is shown in a table.
SHOWN_BYTES = 60


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    unread = sub.add_parser(
        "unread",
        parents=[parent],
        help="messages that could not be read: from where, how many, why, and how they begin",
        description="Messages that could not be read: from where and how many, the reason of the last, and the last "
        "ones, newest last, with their size and how they begin. Bytes that are no plain letters are shown as \\xNN. "
        "Of many only the first and the newest are kept; all are counted.",
        epilog="examples: warmtally unread    warmtally unread --probe upper-warmth --last 3    "
        "warmtally unread --json",
    )
    unread.add_argument("--probe", metavar="ID", help="of this probe only (default: of all, and of none)")
    unread.add_argument("--last", type=whole, default=10, metavar="N", help="how many messages (default: 10)")
    unread.add_argument("--json", action="store_true")
    unread.set_defaults(run=run_unread)


def run_unread(args: argparse.Namespace) -> int:
    """Where messages came from that could not be read, and the last of them."""
    if args.last < 0:
        raise UsageError(f"--last {args.last} is no number of messages", fix="write 0 or more")
    with room_at_hand(args) as room:
        sources = [s for s in room.store.unread.sources() if args.probe in (None, s.probe)]
        messages = room.store.unread.messages(args.last, args.probe)
        known = {p.id for p in room.settings.room.probes} | {s.probe for s in sources}
        if args.probe is not None and args.probe not in known:
            raise UsageError(f"no probe {args.probe!r}", fix="see: warmtally probes")
        if args.json:
            print_json(
                {
                    "sources": [unread_source_json(s) for s in sources],
                    "messages": [unread_message_json(m) for m in messages],
                }
            )
        else:
            _print(room, sources, messages)
    return 0


def _print(room: RoomAtHand, sources: list[UnreadSource], messages: list[Quarantined]) -> None:
    if not sources:
        print("every message could be read")
        return
    now = now_ms()
    print(
        table(
            ["probe", "topic", "messages", "first", "last", "why the last could not be read"],
            [
                [
                    s.probe or "-",
                    plain(s.topic),
                    str(s.n),
                    show_time(s.first_ms, room.zone, now),
                    show_time(s.last_ms, room.zone, now),
                    plain(s.reason, 200),
                ]
                for s in sources
            ],
        )
    )
    for m in reversed(messages):
        size = f"{len(m.payload)} bytes" + (" or more" if len(m.payload) >= KEPT_BYTES else "")
        print(f"\n{show_time(m.received_ms, room.zone, now)}  {m.probe or '-'}  {plain(m.topic)}  {size}")
        print(f"    {plain(m.reason, 200)}")
        print(f"    {start_of(m.payload, SHOWN_BYTES) or '(empty)'}")
