"""What could not be read: ``warmtally unread``."""

from __future__ import annotations

import argparse

from monitor.adapters.store import Quarantined, UnreadSource
from monitor.cli.output import print_json, table
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.core.readings.decode import KEPT_BYTES
from monitor.core.terms.formats import show_time
from monitor.errors import UsageError
from monitor.telling.as_json import utc
from monitor.telling.at_hand import RoomAtHand

# So much of a payload is shown: in a table, and to scripts.
SHOWN_BYTES = 60
SHOWN_BYTES_JSON = 1000


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
                {"sources": [_source_json(s) for s in sources], "messages": [_message_json(m) for m in messages]}
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


def plain(text: str, length: int = 100) -> str:
    """A text from outside on one line, with nothing in it that a terminal would obey."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text[:length])
    return shown if len(text) <= length else shown + " ..."


def start_of(payload: bytes, length: int) -> str:
    """The first bytes: letters of ASCII as they are, a backslash doubled, all others as \\xNN."""
    shown = payload[:length].decode("latin-1").replace("\\", "\\\\")
    shown = "".join(c if " " <= c <= "~" else f"\\x{ord(c):02x}" for c in shown)
    return shown if len(payload) <= length else shown + " ..."


def _source_json(s: UnreadSource) -> dict[str, object]:
    return {
        "probe": s.probe or None,
        "topic": s.topic,
        "messages": s.n,
        "first": utc(s.first_ms),
        "last": utc(s.last_ms),
        "kept_bytes": s.kept_bytes,
        "reason": s.reason,
    }


def _message_json(m: Quarantined) -> dict[str, object]:
    return {
        "at": utc(m.received_ms),
        "probe": m.probe or None,
        "topic": m.topic,
        "reason": m.reason,
        "bytes": len(m.payload),
        "cut": len(m.payload) >= KEPT_BYTES,
        "payload_start": start_of(m.payload, SHOWN_BYTES_JSON),
    }
