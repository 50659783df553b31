"""What the keeper was told: ``warmtally notices`` and ``answer``."""

from __future__ import annotations

import argparse
import getpass
from datetime import tzinfo

from monitor.cli.output import print_json
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import show_time
from monitor.telling.as_json import utc
from monitor.telling.at_hand import RoomAtHand


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


def _sent(room: RoomAtHand) -> dict[int, list[dict[str, object]]]:
    """How each notice fares on each channel, by its number."""
    sent: dict[int, list[dict[str, object]]] = {}
    for o in room.store.outbox.outgoing():
        sent.setdefault(o.notice, []).append(
            {
                "channel": o.channel,
                "state": o.state,
                "attempts": o.attempts,
                "delivered": utc(o.delivered_ms),
                "error": o.error or None,
            }
        )
    return sent


def _notice_json(n: Notice, sent: list[dict[str, object]]) -> dict[str, object]:
    return {
        "id": n.id,
        "key": n.key,
        "at": utc(n.at_ms),
        "kind": n.kind,
        "subjects": list(n.subjects),
        "change": n.change,
        "urgency": n.urgency,
        "title": n.title,
        "text": n.text,
        "story": n.whole,
        "answered": utc(n.answered_ms),
        "answered_by": n.answer or None,
        "answered_way": n.answer_way or None,
        "answered_channel": n.answer_channel or None,
        "channels": sent,
    }


def _state(n: Notice, sent: list[dict[str, object]], zone: tzinfo) -> tuple[str, str]:
    """By whom and when a notice was answered, and where it is not delivered yet; empty where there is nothing to
    say."""
    answered = "" if n.answered_ms is None else f"answered {show_time(n.answered_ms, zone)} by {n.answer}"
    waiting = [str(s["channel"]) for s in sent if s["state"] in ("waiting", "leased")]
    return answered, f"not delivered yet: {', '.join(waiting)}" if waiting else ""


def _run_notice(args: argparse.Namespace) -> int:
    """All of one notice."""
    with room_at_hand(args) as room:
        n = room.store.ledger.notice(args.id)
        sent = _sent(room).get(n.id, [])
        if args.json:
            print_json(_notice_json(n, sent))
            return 0
        print(f"{n.id:>4}  {show_time(n.at_ms, room.zone)}  [{n.urgency}]  {n.title}\n")
        print(n.whole)
        print(f"\nkey {n.key}")
        for line in _state(n, sent, room.zone):
            if line:
                print(line)
    return 0


def run_notices(args: argparse.Namespace) -> int:
    if args.id is not None:
        return _run_notice(args)
    with room_at_hand(args) as room:
        notices = room.store.ledger.notices(args.limit)
        sent = _sent(room)
        conditions = [c for c in room.store.ledger.conditions().values() if c.up]
        if args.json:
            print_json(
                {
                    "notices": [_notice_json(n, sent.get(n.id, [])) for n in notices],
                    "conditions": [
                        {
                            "kind": c.kind,
                            "subject": c.subject,
                            "state": "raised",
                            "since": utc(c.since_ms),
                            "back_since": utc(c.back_ms),
                            "acknowledged": utc(c.acknowledged_ms),
                            "facts": dict(c.facts),
                        }
                        for c in conditions
                    ],
                }
            )
            return 0
        if not notices:
            print("no notice yet")
        for n in reversed(notices):
            answered, waiting = _state(n, sent.get(n.id, []), room.zone)
            print(f"{n.id:>4}  {show_time(n.at_ms, room.zone)}  [{n.urgency}]  {n.title}  {answered}".rstrip())
            if waiting:
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
