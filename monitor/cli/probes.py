"""``warmtally probes``: each probe on one line, and whether it can be believed."""

from __future__ import annotations

import argparse

from monitor.cli.hand import needs_a_hand
from monitor.cli.output import WIDEST_TABLE, print_json, say, table
from monitor.cli.room import now_ms, room_at_hand
from monitor.telling.probes import (
    BATTERY_HEAD,
    PROBE_HEAD,
    battery_rows,
    level_lines,
    probe_row,
    probes_json,
    probes_known,
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    probes = sub.add_parser(
        "probes",
        parents=[parent],
        help="every probe: what is told of it, last heard, how good its readings are and which test flagged how many, "
        "noise, corrected when and by how much, drifting or not",
    )
    probes.add_argument("--json", action="store_true")
    probes.set_defaults(run=run_probes)


def run_probes(args: argparse.Namespace) -> int:
    """One line a probe."""
    with room_at_hand(args) as room:
        now = now_ms()
        known = probes_known(room, now)
        if args.json:
            print_json(probes_json(known, now))
            return 0
        print("\n".join(needs_a_hand(room, now)))
        print(table(PROBE_HEAD, [probe_row(x, room, now) for x in known.probes]))
        if known.batteries:
            print(table(BATTERY_HEAD, battery_rows(known.batteries, now)))
        for line in level_lines(known.levels, room.unit):
            say(line, WIDEST_TABLE)
        never = known.never_compared
        if len(never) > 1:
            say(f"never compared: {', '.join(never)}; to find out what they differ by: warmtally compare", WIDEST_TABLE)
    return 0
