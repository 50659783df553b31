"""``warmtally listen``: what the broker sends, and entries for the probes that the configuration does not know yet.

Looks and touches nothing: a client id of its own, no session, no acknowledgement, so that the service misses
nothing meanwhile. Works before there is any configuration.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

from monitor.adapters.mqtt.ear import Ear, Overheard
from monitor.cli.probe_entries import (
    MOST_OF_TOPIC,
    Candidate,
    battery_keys,
    fits,
    keys_of,
    name_of,
    plain,
    unread,
)
from monitor.cli.room import now_ms, number, whole
from monitor.config.at_hand import find_config
from monitor.config.room_file import load_rest
from monitor.core.readings.decode import Guess, decode, guess, remarks
from monitor.core.terms.formats import show_round
from monitor.core.terms.settings import Broker, DisplayUnit, Probe
from monitor.errors import ConfigError, PayloadError, SecretMissing, UsageError
from monitor.telling.probe_entry import entry

SHOWN_PER_TOPIC: Final = 3
LONGEST_PASSWORD: Final = 16384
MOST_NUMBERS_SHOWN: Final = 50
# More entries nobody pastes.
MOST_PROPOSED: Final = 1000


def add_parsers(sub: Any, parent: argparse.ArgumentParser) -> None:
    """Add the subcommand; ``args.run`` is :func:`run`."""
    parser = sub.add_parser(
        "listen",
        parents=[parent],
        help="show what the broker sends, with entries for new probes to paste into the configuration",
        description=__doc__,
    )
    parser.add_argument("--seconds", type=number, default=30.0, metavar="N", help="how long to listen (30)")
    parser.add_argument("--topic", default="#", metavar="FILTER", help="which topics, + and # allowed (all)")
    parser.add_argument("--host", help="a broker other than the configuration's (this computer's, before there is one)")
    parser.add_argument("--port", type=whole, help="its port (1883)")
    parser.add_argument("--username", help="its login")
    parser.add_argument("--password-file", metavar="FILE", help="the file that holds its password")
    parser.add_argument("--json", action="store_true", help="one JSON object at the end instead of text")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Listen, show, propose. Raises BrokerUnreachable, BrokerRefused, ConfigError or UsageError."""
    if not 0 < args.seconds <= 86_400:
        raise UsageError(f"--seconds {args.seconds:g} is not between 0 and 86400", fix="give for example --seconds 60")
    broker, probes, unit = _where(args)

    def show(known: Overheard, *, retained: bool) -> None:
        if not args.json and known.count <= SHOWN_PER_TOPIC:
            print(shown(known, probes, unit, retained=retained), flush=True)

    ear = Ear(broker, args.topic, show)
    with contextlib.suppress(KeyboardInterrupt), progress(ear, f"{broker.host}:{broker.port}", args.seconds):
        ear.listen(args.seconds)
    heard = sorted(ear.heard.values(), key=lambda h: h.topic)
    proposed = list(islice(propose(heard, probes), MOST_PROPOSED + 1))
    more = len(proposed) > MOST_PROPOSED
    entries = "\n".join(proposed[:MOST_PROPOSED])
    if args.json:
        topics = [_as_json(h, probes) for h in heard]
        print(json.dumps({"topics": topics, "left_out": ear.left_out or more, "entries": entries}, indent=2))
        return 0
    if not heard:
        print(
            f"Nothing arrived in {args.seconds:g} s. Do the probes send to this broker? Is this login allowed to read "
            f"{args.topic!r}? A probe that reports every 10 minutes needs --seconds 700.",
            file=sys.stderr,
        )
        return 0
    if ear.left_out:
        print(f"More topics came than are kept ({len(heard)}); the rest: --topic FILTER", file=sys.stderr)
    if more:
        print(f"Entries for the first {MOST_PROPOSED} numbers only; the rest: --topic FILTER", file=sys.stderr)
    if entries:
        print(
            f"\n# Nothing reads these yet. Paste them and check what is marked CHECK, or: warmtally setup\n\n{entries}"
        )
    else:
        print("\nEvery topic that was heard belongs to a probe of the configuration.")
    return 0


def _where(args: argparse.Namespace) -> tuple[Broker, tuple[Probe, ...], DisplayUnit]:
    """The broker to ask, the probes that are known and their unit for show: from the command, else from as much of the
    configuration as is right, else this computer's broker."""
    options = [name for name in ("host", "port", "username", "password_file") if getattr(args, name) is not None]
    try:
        path = find_config(args.config)
    except ConfigError:
        if args.config or os.environ.get("WARMTALLY_CONFIG"):
            raise
        if args.host is None:
            print("no configuration yet; asking this computer's broker (another: --host NAME)", file=sys.stderr)
        return _asked(args), (), "C"
    if options and args.host is None:
        raise UsageError(f"--{options[0].replace('_', '-')} needs --host", fix="name the broker: --host NAME")
    if args.host is None:
        settings, wrong = load_rest(path, needed=("broker",), secrets=True)
        if wrong:
            print(f"{path} has mistakes (warmtally check); its broker and the rest of its probes", file=sys.stderr)
        return settings.broker, settings.room.all_probes, settings.room.display_unit
    # With a broker on the command line the configuration is only a help, and may be half written.
    with contextlib.suppress(ConfigError):
        room = load_rest(path, needed=())[0].room
        return _asked(args), room.all_probes, room.display_unit
    return _asked(args), (), "C"


def _asked(args: argparse.Namespace) -> Broker:
    """The broker that the command names."""
    password = None
    if args.password_file is not None:
        try:
            with Path(args.password_file).open(encoding="utf-8") as file:
                password = file.read(LONGEST_PASSWORD).strip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SecretMissing(
                "the password file cannot be read", where=args.password_file, fix="check path and permissions"
            ) from error
    host, port = args.host or "127.0.0.1", args.port or 1883
    return Broker(host=host, port=port, username=args.username, password=password)


# ---------------------------------------------------------------- words


def shown(heard: Overheard, probes: Sequence[Probe], unit: DisplayUnit, *, retained: bool) -> str:
    """One message as lines: topic and payload, then what it means to the probes that claim it, or what it may be."""
    lines = [f"{plain(heard.topic)}  {cut(heard.last)}" + ("  (retained: old news)" if retained else "")]
    claiming = [p for p in probes if p.topic == heard.topic]
    if claiming:
        lines += [f"    {text}" for text in _read_by(claiming, heard.last, unit)]
    else:
        said = [guess_text(g) for g in guess(heard.topic, heard.last)[:MOST_NUMBERS_SHOWN]]
        said += remarks(heard.topic, heard.last)
        lines += [f"    {plain(text, 200)}" for text in said or ["no number in it"]]
    return "\n".join(lines)


def _read_by(claiming: Sequence[Probe], payload: bytes, unit: DisplayUnit) -> Iterator[str]:
    try:
        decoded = decode(claiming, payload, now_ms())
    except PayloadError as error:
        yield f"claimed by {', '.join(p.id for p in claiming)}, but cannot be read: {error.what}"
        return
    for probe in claiming:
        values = [r.value for r in decoded.readings if r.probe == probe.id]
        if values:
            more = f" and {len(values) - 1} more" if len(values) > 1 else ""
            said = f"{values[-1]:g} {'%' if probe.quantity == 'humidity' else probe.unit}"
            if probe.quantity == "temperature":
                said = show_round(values[-1], unit)
            yield f"{probe.id}: {said}{more}"
    for probe_id, reason in decoded.refused:
        yield f"{probe_id}: cannot be read: {reason}"


def guess_text(found: Guess) -> str:
    """What a number may be, in a few words."""
    place = "the number" if found.pointer is None else (found.list_pointer or "") + found.pointer
    what = f"{found.quantity} in {found.unit}?" if found.quantity else "unknown"
    return f"{place} = {found.value:g}: {what}"


def cut(payload: bytes, length: int = 100) -> str:
    """The beginning of a payload, in one line."""
    return plain(payload[: 8 * length].decode("utf-8", "replace"), length)


def _as_json(heard: Overheard, probes: Sequence[Probe]) -> dict[str, Any]:
    interval = heard.interval_s
    return {
        "topic": heard.topic,
        "messages": heard.count,
        "retained": heard.retained,
        "interval_s": None if interval is None else round(interval, 3),
        "last_payload": cut(heard.last, 1000),
        "claimed_by": [p.id for p in probes if p.topic == heard.topic],
        "guesses": [
            {
                "pointer": g.pointer,
                "list_pointer": g.list_pointer,
                "value": g.value,
                "quantity": g.quantity,
                "unit": g.unit,
                "time_pointer": g.time_pointer,
                "time_form": g.time_form,
            }
            for g in guess(heard.topic, heard.last)[:MOST_OF_TOPIC]
        ],
        "remarks": remarks(heard.topic, heard.last),
    }


def propose(heard: Sequence[Overheard], probes: Sequence[Probe]) -> Iterator[str]:
    """Entries for the configuration, one text each, of what no probe reads; numbers of unknown meaning are switched off
    by a #."""
    taken = {p.id for p in probes}
    for of_topic in unread(heard, probes):
        topic = of_topic[0].heard.topic
        owner = next((p.id for p in probes if p.topic == topic and p.quantity != "battery"), "")
        for found in of_topic:
            name = name_of(found, taken)
            if found.guess.quantity == "battery":
                yield entry(battery_keys(found, name, owner or "CHANGE-ME"), _CHECK_BATTERY)
                continue
            owner = owner or (name if found.guess.quantity is not None else "")
            yield _proposed(found, name)


_CHECK_BATTERY: Final = {
    "battery_of": "CHECK: the probe whose battery it is",
    "low": "CHECK: the volts at which this battery has to be renewed",
}


def _proposed(found: Candidate, name: str) -> str:
    value, told = found.guess.value, len(found.heard.arrivals)
    unsaid = found.guess.quantity is None and not fits(value, "C")
    remarks = {
        "unit": f"CHECK: the value was {value:g}" + (", which is hardly in C" if unsaid else ""),
        "box": "CHECK: the box it lies in; or, for the air: stack = ... and height_cm = ...",
        "interval": f"CHECK: measured from {told} messages"
        if found.interval
        else "CHECK: heard too few messages to measure it",
    }
    keys = keys_of(found, name) | {"box": "CHANGE-ME", "interval": found.interval or "60 s"}
    text = entry(keys, remarks)
    if found.guess.quantity is not None:
        return text
    switched_off = "".join(f"#{line}\n" for line in text.splitlines())
    return f"# What this number is cannot be told; take the # away if it is a probe:\n{switched_off}"


@contextlib.contextmanager
def progress(ear: Ear, where: str, seconds: float) -> Iterator[None]:
    """On standard error: a moving line on a terminal, one plain line elsewhere."""
    if not sys.stderr.isatty():
        print(f"listening at {where} for {seconds:g} s ...", file=sys.stderr)
        yield
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    ended = threading.Event()
    began = time.monotonic()
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        console=Console(stderr=True),
        transient=True,
        # Only what would be drawn over on the same screen; a file gets its lines as they are.
        redirect_stdout=sys.stdout.isatty(),
        redirect_stderr=False,
    ) as bar:
        task = bar.add_task(f"listening at {where}", total=seconds)

        def move() -> None:
            while not ended.wait(0.5):
                messages = sum(h.count for h in list(ear.heard.values()))
                text = f"listening at {where}: {messages} messages (Ctrl-C ends)"
                bar.update(task, completed=time.monotonic() - began, description=text)

        thread = threading.Thread(target=move, daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
