"""``warmtally listen``: what the broker sends, and entries for the probes that the configuration does not know yet.

Looks and touches nothing: a client id of its own, no session, no acknowledgement, so that the service misses
nothing meanwhile. Works before there is any configuration.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from monitor.adapters.mqtt.ear import Ear, Overheard
from monitor.cli.room import now_ms, number, whole
from monitor.config.room_file import find_config, load
from monitor.core.readings.decode import Guess, decode, guess
from monitor.core.terms.formats import show_round
from monitor.core.terms.settings import Broker, DisplayUnit, Probe
from monitor.errors import ConfigError, PayloadError, SecretMissing, UsageError

SHOWN_PER_TOPIC: Final = 3
NAMES: Final = {"temperature": "warmth", "humidity": "humidity", "battery": "battery"}
# Two alkaline cells in a row; what a lithium cell needs stands in the example of the configuration (common practice).
LOW_V: Final = 2.4


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
    parser.add_argument("--host", help="a broker other than the configuration's, or before there is one")
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
    with contextlib.suppress(KeyboardInterrupt), _progress(ear, f"{broker.host}:{broker.port}", args.seconds):
        ear.listen(args.seconds)
    heard = sorted(ear.heard.values(), key=lambda h: h.topic)
    unclaimed = [h for h in heard if not any(p.topic == h.topic for p in probes)]
    taken = {p.id for p in probes}
    entries = "\n".join([*propose(unclaimed, taken), *_batteries(heard, probes, taken)])
    if args.json:
        print(json.dumps({"topics": [_as_json(h, probes) for h in heard], "entries": entries}, indent=2))
        return 0
    if not heard:
        print(
            f"Nothing arrived in {args.seconds:g} s. Do the probes send to this broker? Is this login allowed to read "
            f"{args.topic!r}? A probe that reports every 10 minutes needs --seconds 700.",
            file=sys.stderr,
        )
    elif entries:
        print(f"\n# Nothing reads these yet. Paste into the configuration; check the lines marked CHECK.\n\n{entries}")
    else:
        print("\nEvery topic that was heard belongs to a probe of the configuration.")
    return 0


def _where(args: argparse.Namespace) -> tuple[Broker, tuple[Probe, ...], DisplayUnit]:
    """The broker to ask, the probes that are known and their unit for show, from the command or the configuration."""
    explicit = getattr(args, "config", None)
    if args.host is None:
        for name in ("port", "username", "password_file"):
            if getattr(args, name) is not None:
                raise UsageError(f"--{name.replace('_', '-')} needs --host", fix="name the broker: --host NAME")
        try:
            path = find_config(explicit)
        except ConfigError as error:
            raise ConfigError(error.what, where=error.where, fix="or name the broker: --host NAME") from error
        settings = load(path)
        return settings.broker, settings.room.all_probes, settings.room.display_unit
    password = None
    if args.password_file is not None:
        try:
            password = Path(args.password_file).read_text("utf-8").strip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SecretMissing(
                "the password file cannot be read", where=args.password_file, fix="check path and permissions"
            ) from error
    probes: tuple[Probe, ...] = ()
    unit: DisplayUnit = "C"
    # With a broker on the command line the configuration is only a help, and may be half written.
    with contextlib.suppress(ConfigError):
        room = load(find_config(explicit), secrets=False).room
        probes, unit = room.all_probes, room.display_unit
    return Broker(host=args.host, port=args.port or 1883, username=args.username, password=password), probes, unit


# ---------------------------------------------------------------- words


def shown(heard: Overheard, probes: Sequence[Probe], unit: DisplayUnit, *, retained: bool) -> str:
    """One message as lines: topic and payload, then what it means to the probes that claim it, or what it may be."""
    lines = [f"{heard.topic}  {_cut(heard.last)}" + ("  (retained: old news)" if retained else "")]
    claiming = [p for p in probes if p.topic == heard.topic]
    if claiming:
        lines += [f"    {text}" for text in _read_by(claiming, heard.last, unit)]
    else:
        found = guess(heard.topic, heard.last)
        lines += [f"    {_guess_text(g)}" for g in found] or ["    no number in it"]
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


def _guess_text(found: Guess) -> str:
    place = "the number" if found.pointer is None else (found.list_pointer or "") + found.pointer
    what = f"{found.quantity} in {found.unit}?" if found.quantity else "unknown"
    return f"{place} = {found.value:g}: {what}"


def _cut(payload: bytes, length: int = 100) -> str:
    text = payload.decode("utf-8", "replace")
    text = "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
    return text if len(text) <= length else text[:length] + " ..."


def _as_json(heard: Overheard, probes: Sequence[Probe]) -> dict[str, Any]:
    interval = heard.interval_s
    return {
        "topic": heard.topic,
        "messages": heard.count,
        "retained": heard.retained,
        "interval_s": None if interval is None else round(interval, 3),
        "last_payload": _cut(heard.last, 1000),
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
            for g in guess(heard.topic, heard.last)
        ],
    }


def propose(unclaimed: Sequence[Overheard], taken: set[str]) -> Iterator[str]:
    """Entries for the configuration, one text each; numbers of unknown meaning are switched off by a #. Their ids are
    added to ``taken``."""
    for heard in unclaimed:
        guesses = guess(heard.topic, heard.last)
        owner = ""
        # First what a battery is the battery of.
        for found in sorted(guesses, key=lambda g: g.quantity == "battery"):
            name, text = _entry(heard, found, taken, owner)
            owner = owner or (name if found.quantity is not None else "")
            yield text


def _batteries(heard: Sequence[Overheard], probes: Sequence[Probe], taken: set[str]) -> Iterator[str]:
    """Entries for batteries that probes of the configuration tell of in their messages, and nobody reads."""
    for topic in heard:
        claiming = [p for p in probes if p.topic == topic.topic]
        read = {p.pointer for p in claiming}
        owner = next((p.id for p in claiming if p.quantity != "battery"), "")
        for found in guess(topic.topic, topic.last) if owner else ():
            if found.quantity == "battery" and found.pointer not in read:
                yield _entry(topic, found, taken, owner)[1]


def _entry(heard: Overheard, found: Guess, taken: set[str], owner: str) -> tuple[str, str]:
    """The id of a new probe and its entry; ``owner``: the probe of the same message whose battery it may be."""
    words = re.sub(r"[^A-Za-z0-9._-]+", "-", heard.topic).strip("-.")[:48] or "probe"
    last = NAMES.get(found.quantity or "", (found.pointer or "/value").rsplit("/", 1)[-1])
    last = re.sub(r"[^A-Za-z0-9._-]+", "-", last).strip("-.") or "value"
    # "shed/left/temperature" needs no second word for the same.
    name = words if found.pointer is None else f"{words}-{last}"
    unique, n = name, 2
    while unique in taken:
        unique, n = f"{name}-{n}", n + 1
    taken.add(unique)
    interval = heard.interval_s
    lines = [
        "[[probes]]",
        f"id = {_quoted(unique)}",
        f"topic = {_quoted(heard.topic)}",
        f"unit = {_quoted(found.unit or 'C')}  # CHECK: the value was {found.value:g}",
    ]
    for key, value in (
        ("list_pointer", found.list_pointer),
        ("pointer", found.pointer),
        ("time_pointer", found.time_pointer),
        ("time_form", found.time_form),
    ):
        if value is not None:
            lines.append(f"{key} = {_quoted(value)}")
    if found.quantity == "battery":
        lines.append(f"battery_of = {_quoted(owner or 'CHANGE-ME')}  # CHECK: the probe whose battery it is")
        if found.unit == "V":
            lines.append(f"low = {LOW_V:g}  # CHECK: the volts at which this battery has to be renewed")
        return unique, "\n".join(lines) + "\n"
    lines.append('box = "CHANGE-ME"  # CHECK: the box it lies in; or, for the air: stack = ... and height_cm = ...')
    if interval is None:
        lines.append('interval = "60 s"  # CHECK: heard too few messages to measure it')
    else:
        measured = max(round(interval), 1)
        lines.append(f'interval = "{measured} s"  # CHECK: measured from {len(heard.arrivals)} messages')
    if found.quantity is None:
        lines = ["# What this number is cannot be told; take the # away if it is a probe:", *(f"#{x}" for x in lines)]
    return unique, "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL, which no topic that a broker passes on should hold.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


@contextlib.contextmanager
def _progress(ear: Ear, where: str, seconds: float) -> Iterator[None]:
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
    ) as progress:
        task = progress.add_task(f"listening at {where}", total=seconds)

        def move() -> None:
            while not ended.wait(0.5):
                messages = sum(h.count for h in list(ear.heard.values()))
                text = f"listening at {where}: {messages} messages (Ctrl-C ends)"
                progress.update(task, completed=time.monotonic() - began, description=text)

        thread = threading.Thread(target=move, daemon=True)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()
