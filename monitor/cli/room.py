"""What the commands share: the options that every verb has, the room they are about, and how they read times."""

from __future__ import annotations

import argparse
import math
import os
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import tzinfo
from pathlib import Path
from typing import Final

from monitor.adapters.store import Store
from monitor.config.at_hand import find_config, keep_settings, kept_settings, without_secrets
from monitor.core.terms.settings import DisplayUnit, Settings
from monitor.errors import ConfigError, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.times_told import time_told

OF_THE_ACCOUNT: Final = frozenset(
    {"clutch", "record", "notices", "answer", "shelve", "attention", "species", "people", "backup", "verify", "repair"}
)
"""The verbs that look at no probe and send nothing."""
MOST_MISTAKES_TOLD: Final = 5


def common_options() -> argparse.ArgumentParser:
    """``--config`` and ``--data``, which every verb takes."""
    parent = argparse.ArgumentParser(add_help=False)
    group = parent.add_argument_group("where")
    group.add_argument(
        "--config",
        metavar="FILE",
        help="the room's file (else WARMTALLY_CONFIG, else config/room.toml, else /etc/warmtally/room.toml)",
    )
    group.add_argument("--data", metavar="DIR", help="where the store lies (else as the room's file says)")
    return parent


def settings_of(args: argparse.Namespace) -> Settings:
    """The room's settings, without secrets: as they were read last, where nothing that they were made of has changed.

    What a keeper tells, and what only the account and the ledger know, does not wait for a mistake in a probe or a
    channel: the verbs of that do with what is right in the file. The others would show less than is known as if it were
    all.
    """
    path = find_config(args.config, os.environ)
    found = kept_settings(path, args.data)
    if found is not None:
        return found
    if getattr(args, "verb", "") in OF_THE_ACCOUNT:
        return _settings_of_the_rest(args, path)

    from monitor.config.room_file import load

    def read() -> Settings:
        return without_secrets(load(path, data_dir=args.data, secrets=False))

    found = read()
    keep_settings(path, args.data, found, read)
    return found


def _settings_of_the_rest(args: argparse.Namespace, path: Path) -> Settings:
    """What is right in the room's file; standard error says what is not."""
    from monitor.config.room_file import load_rest

    told, mistakes = load_rest(path, data_dir=args.data)
    settings = without_secrets(told)
    if not mistakes:
        keep_settings(path, args.data, settings, lambda: without_secrets(load_rest(path, data_dir=args.data)[0]))
    else:
        lines = [f"  {m}" for m in mistakes[:MOST_MISTAKES_TOLD]]
        more = len(mistakes) - len(lines)
        lines += [f"  and {more} more: warmtally check"] if more else []
        print(
            "\n".join(["warmtally: with these mistakes the service does not start; done with the rest:", *lines]),
            file=sys.stderr,
        )
    return settings


def settings_if_any(args: argparse.Namespace) -> Settings | None:
    """The room's settings; None as long as there is no room's file, and none was named."""
    try:
        find_config(args.config)
    except ConfigError:
        if args.config or os.environ.get("WARMTALLY_CONFIG"):
            raise
        return None
    return settings_of(args)


@contextmanager
def room_at_hand(args: argparse.Namespace, *, create: bool = False) -> Iterator[RoomAtHand]:
    """Settings and store of the room; closed at the end."""
    settings = settings_of(args)
    with Store(settings.data_dir, create=create) as store:
        yield RoomAtHand(settings, store)


def now_ms() -> int:
    """The wall clock of every command, UTC, ms since 1970."""
    return time.time_ns() // 1_000_000


def whole(text: str) -> int:
    """The type of an argument that is a whole number, of an entry or of anything one counts."""
    if re.fullmatch(r"[+-]?[0-9]{1,15}", text.strip()) is None:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} is not a whole number")
    return int(text)


def number(text: str) -> float:
    """The type of an argument that is a finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.inf
    if not abs(value) < 1e12:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} is not a number")
    return value


def parse_time(text: str, zone: tzinfo) -> tuple[int, bool]:
    """A time as keepers write it, by the wall clock; see :func:`~monitor.telling.times_told.time_told`."""
    return time_told(text, zone, now_ms())


def parse_temperature(text: str, unit: DisplayUnit) -> float:
    """A temperature in the keeper's unit, or with its unit behind it; degrees Celsius."""
    # Blanks first: where several runs of them may share some, a text that is none is tried at every border.
    found = re.fullmatch(r"([-+]?[0-9]{1,6}(?:\.[0-9]{1,9})?)°?([CFcf]?)", "".join(text.split()))
    if found is None:
        raise UsageError(f"{text!r} is not a temperature", fix='write "29.0", "29.0C" or "84F"')
    value = float(found[1])
    return (value - 32.0) / 1.8 if (found[2].upper() or unit) == "F" else value
