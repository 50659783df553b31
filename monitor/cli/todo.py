"""What is to be done, and what is to come: ``warmtally tasks`` and ``calendar``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.cli.output import print_json, say, table
from monitor.cli.room import now_ms, room_at_hand, settings_of, whole
from monitor.core.notices.tasks import FEED_DAYS, day_of, spans, tasks
from monitor.errors import FileUnreadable, UsageError
from monitor.telling.todo import task_json, task_rows
from monitor.whole_file import write_whole


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    todo = sub.add_parser(
        "tasks",
        parents=[parent],
        help="what is to be done: candle, look, weigh, water, prepare, first sheds and meals, compare",
        description="What is to be done today and in the next days, and what is overdue. A task is done when the "
        "account says so: record it.",
        epilog="examples:\n  warmtally tasks\n  warmtally tasks --days 60 --json",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    todo.add_argument("--days", type=whole, default=14, metavar="N", help="how far ahead (default: 14)")
    todo.add_argument("--json", action="store_true")
    todo.set_defaults(run=run_tasks)
    calendar = sub.add_parser(
        "calendar",
        parents=[parent],
        help="windows and tasks as a calendar file (iCalendar) for any calendar program",
        description="Windows as days of a calendar, tasks as to-dos (iCalendar, RFC 5545). Written again to the same "
        "file, entries move instead of being there twice. The service keeps such a file up to date: [calendar] file.",
        epilog="examples:\n  warmtally calendar --out eggs.ics\n  warmtally calendar --address",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    way = calendar.add_mutually_exclusive_group()
    way.add_argument("--out", metavar="FILE.ics", help="the file (default: standard output)")
    way.add_argument(
        "--address", action="store_true", help="the secret address to subscribe to, where [calendar] feed is on"
    )
    calendar.set_defaults(run=run_calendar)


def run_tasks(args: argparse.Namespace) -> int:
    if not 0 <= args.days <= FEED_DAYS:
        raise UsageError(f"--days {args.days} is too far", fix=f"give 0 to {FEED_DAYS}")
    with room_at_hand(args) as room:
        now = now_ms()
        found, today = tasks(room.picture(now), args.days), day_of(now, room.zone)
    if args.json:
        print_json([task_json(task, today) for task in found])
        return 0
    still = [task for task in found if task.done_ms is None]
    if not still:
        print(f"nothing to do within {args.days} days" if args.days else "nothing to do today")
        return 0
    print(table(["by", "state", "what"], task_rows(still, today)))
    for more in dict.fromkeys(task.more for task in still if task.more and task.state(today) != "coming"):
        what = next(task.says for task in still if task.more == more)
        say(f"{what.split(' ')[0]}: {more[0].lower()}{more[1:].rstrip('.')}")
    return 0


def run_calendar(args: argparse.Namespace) -> int:
    if args.address:
        return _address(args)
    from monitor.adapters.calendar_feed import feed, read_feed

    with room_at_hand(args) as room:
        now = now_ms()
        picture, name = room.picture(now), room.settings.room.name
    before = b"" if args.out is None else read_feed(Path(args.out))
    if before and b"BEGIN:VCALENDAR" not in before[:64]:
        raise FileUnreadable(
            "this file is no calendar, and is not written over", where=args.out, fix="give another name"
        )
    known = spans(picture)
    data = feed(tasks(picture, FEED_DAYS), known, now, room=name, before=before)
    if args.out is None:
        sys.stdout.write(data.decode("utf-8"))
        return 0
    if data != before:
        write_whole(Path(args.out), data)
    print(f"{data.count(b'BEGIN:VEVENT')} spans and {data.count(b'BEGIN:VTODO')} tasks in {args.out}")
    return 0


def _address(args: argparse.Namespace) -> int:
    from monitor.adapters.store.answers import SECRET_FILE, secret_of
    from monitor.core.notices.codes import feed_token

    settings = settings_of(args)
    if not settings.calendar.feed or settings.page is None:
        raise UsageError(
            "the calendar is not served", where="[calendar] feed", fix="set feed = true there, and add [page]"
        )
    if not (Path(settings.data_dir) / SECRET_FILE).exists():
        raise UsageError("there is no address yet", fix="start the service once; it makes the secret that stands in it")
    print(
        f"{(settings.page.address or settings.page.here).rstrip('/')}/c/{feed_token(secret_of(settings.data_dir))}.ics"
    )
    print("who has this address can read the calendar: keep it to yourself", file=sys.stderr)
    return 0
