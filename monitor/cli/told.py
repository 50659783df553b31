"""What the keeper was told: ``warmtally notices`` and ``answer``."""

from __future__ import annotations

import argparse
import getpass

from monitor.cli.output import print_json
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.core.terms.formats import show_time
from monitor.telling.told import answered_words, condition_json, notice_json, sent_by_notice, waiting_words


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    notices = sub.add_parser(
        "notices",
        parents=[parent],
        help="what was told, and what is still true",
        description="What was told, newest last, how it was delivered, and what is still true. With N: all of what "
        "notice N has to say, of which a message holds the beginning.",
        epilog="examples: warmtally notices    warmtally notices 12",
    )
    notices.add_argument("id", nargs="?", type=whole, metavar="N", help="all of notice N")
    notices.add_argument("--limit", type=whole, default=30, metavar="COUNT", help="how many (default: 30)")
    notices.add_argument("--json", action="store_true")
    notices.set_defaults(run=run_notices)
    answer = sub.add_parser(
        "answer",
        parents=[parent],
        help="answer a notice: you know, and see to it",
        epilog="example: warmtally answer 12",
    )
    answer.add_argument("id", type=whole, metavar="ID")
    answer.add_argument("--by", default="", help="who answers (default: the user)")
    answer.set_defaults(run=run_answer)


def _run_notice(args: argparse.Namespace) -> int:
    """All of one notice."""
    with room_at_hand(args) as room:
        n = room.store.ledger.notice(args.id)
        sent = sent_by_notice(room.store.outbox.outgoing()).get(n.id, [])
        if args.json:
            print_json(notice_json(n, sent))
            return 0
        print(f"{n.id:>4}  {show_time(n.at_ms, room.zone)}  [{n.urgency}]  {n.title}\n")
        print(n.whole)
        print(f"\nkey {n.key}")
        for line in (answered_words(n, room.zone), waiting_words(sent)):
            if line:
                print(line)
    return 0


def run_notices(args: argparse.Namespace) -> int:
    if args.id is not None:
        return _run_notice(args)
    with room_at_hand(args) as room:
        notices = room.store.ledger.notices(args.limit)
        sent = sent_by_notice(room.store.outbox.outgoing())
        conditions = [c for c in room.store.ledger.conditions().values() if c.up]
        if args.json:
            print_json(
                {
                    "notices": [notice_json(n, sent.get(n.id, [])) for n in notices],
                    "conditions": [condition_json(c) for c in conditions],
                }
            )
            return 0
        if not notices:
            print("no notice yet")
        for n in reversed(notices):
            answered = answered_words(n, room.zone)
            print(f"{n.id:>4}  {show_time(n.at_ms, room.zone)}  [{n.urgency}]  {n.title}  {answered}".rstrip())
            if waiting := waiting_words(sent.get(n.id, [])):
                print(f"      {waiting}")
        print()
        print("still true:" if conditions else "nothing is wrong now")
        for c in sorted(conditions, key=lambda c: c.since_ms or 0):
            state = "acknowledged" if c.answered else "not answered"
            if c.back_ms is not None:
                state = f"back since {show_time(c.back_ms, room.zone)}, over when it stays so"
            since = show_time(c.since_ms, room.zone) if c.since_ms is not None else "?"
            print(f"  {c.kind}, {c.subject}, since {since} ({state})")
    return 0


def run_answer(args: argparse.Namespace) -> int:
    with room_at_hand(args) as room:
        notice = room.store.ledger.answer(args.id, now_ms(), args.by or getpass.getuser())
        print(f"notice {notice.id} answered by {notice.answer}: {notice.title}")
    return 0
