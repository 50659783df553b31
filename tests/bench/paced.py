"""The command with the paces that no room's file sets, so that a test need not wait for them.

``python -m tests.bench.paced '{"tick_s": 0.2, "watch": {"shipping_behind_s": 2}}' run --config room.toml``: values of
the settings themselves, and of their parts ``watch``, ``channels`` (of each) and ``shipping``. Beside them
``again_within_s``, the longest wait after a failed send, and ``clock``, a file that sets the computer's clock for this
process: eight bytes with what it is off by (ms), which may be changed while it runs.
"""

from __future__ import annotations

import argparse
import datetime as dates
import json
import mmap
import struct
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from monitor.adapters.delivery import senders
from monitor.cli import service
from monitor.cli.main import main
from monitor.core.terms.settings import Settings


def paced(
    settings: Settings,
    *,
    watch: dict[str, Any] | None = None,
    channels: dict[str, Any] | None = None,
    shipping: dict[str, Any] | None = None,
    **own: Any,
) -> Settings:
    """The settings with these values instead of their own."""
    room = settings.room
    return replace(
        settings,
        room=replace(room, watch=replace(room.watch, **(watch or {}))),
        channels=tuple(replace(c, **(channels or {})) for c in settings.channels),
        shipping=settings.shipping and replace(settings.shipping, **(shipping or {})),
        **own,
    )


class Moved(dates.datetime):
    """The clock as it was set, for a library that asks this class."""

    @classmethod
    def now(cls, tz: dates.tzinfo | None = None) -> Moved:
        return cls.fromtimestamp(time.time(), tz)


def set_clock(path: Path) -> None:
    """The clock of this process is off by what the file says from now on; those that are never set stay right."""
    import apscheduler.executors.base
    import apscheduler.schedulers.base

    with path.open("r+b") as file:
        off = mmap.mmap(file.fileno(), 8)
    true_ns = time.time_ns
    time.time_ns = lambda: true_ns() + struct.unpack_from("<q", off)[0] * 1_000_000
    time.time = lambda: time.time_ns() / 1e9
    for module in (apscheduler.schedulers.base, apscheduler.executors.base):
        module.datetime = Moved


if __name__ == "__main__":
    pace = json.loads(sys.argv[1])
    if (clock := pace.pop("clock", None)) is not None:
        set_clock(Path(clock))
    if (again_s := pace.pop("again_within_s", None)) is not None:
        vars(senders).update(SHORTEST_WAIT_S=again_s / 4.0, LONGEST_WAIT_S=again_s)
    read = service.read_settings

    def paced_read(args: argparse.Namespace) -> tuple[Settings, list[str]]:
        settings, advice = read(args)
        return paced(settings, **pace), advice

    # Not the reading of the file itself: its libraries are loaded in a child process alone.
    with patch.object(service, "read_settings", paced_read):
        sys.exit(main(sys.argv[2:]))
