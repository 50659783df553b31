"""``warmtally drill``: does a notice reach the keeper? A test notice through every channel, and how each fared."""

from __future__ import annotations

import argparse
import dataclasses
import json
from typing import Any

from monitor.adapters.delivery.attempts import drill
from monitor.cli.room import now_ms
from monitor.config.at_hand import find_config
from monitor.config.room_file import load
from monitor.errors import ConfigError, DeliveryFailed, UnknownSubject

_HOW_TO_ADD = """add one to the configuration, its address in a file that only the service can read:
    [[channels]]
    id = "phone"
    url_file = "phone.address"
  the address is one of Apprise's, such as mailto://... or json://...; then run this again"""


def add_parsers(sub: Any, parent: argparse.ArgumentParser) -> None:
    """Add the verb to a parser's subcommands (``add_subparsers()``)."""
    parser = sub.add_parser(
        "drill",
        parents=[parent],
        help="send a test notice through every channel",
        description="Send a test notice through every channel at once and say how each fared. "
        "Look at the phone or the mailbox as well: only they show that it arrived.",
    )
    parser.add_argument("--channel", metavar="ID", help="only this channel")
    parser.add_argument("--json", action="store_true", help="print the results as JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0 when every channel took it; else raises DeliveryFailed, UnknownSubject or ConfigError."""
    settings = load(find_config(args.config), data_dir=getattr(args, "data", None))
    channels = settings.channels
    if not channels:
        raise ConfigError("no channel is configured: notices reach the log alone", where=settings.file, fix=_HOW_TO_ADD)
    if args.channel is not None:
        channels = tuple(c for c in channels if c.id == args.channel)
        if not channels:
            known = ", ".join(c.id for c in settings.channels)
            raise UnknownSubject(f"no channel {args.channel}", where=settings.file, fix=f"one of: {known}")
    results = drill(channels, now_ms())
    if args.json:
        print(json.dumps({"channels": [dataclasses.asdict(r) for r in results]}, indent=2))
    else:
        width = max(len(r.channel) for r in results)
        for r in results:
            print(f"{r.channel:<{width}}  {'accepted it' if r.ok else 'FAILED'} after {r.seconds:.1f} s{_why(r.error)}")
    failed = [r.channel for r in results if not r.ok]
    if failed:
        raise DeliveryFailed(
            f"{len(failed)} of {len(results)} channels did not take the test notice: {', '.join(failed)}",
            where=settings.file,
            fix="check the channel's address, the network, and what the receiving service says",
        )
    return 0


def _why(error: str) -> str:
    return f": {error}" if error else ""
