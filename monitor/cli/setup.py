"""``warmtally setup``: asks for what a room's file needs, listens to what the probes send, and writes it.

Every part is written as soon as it is told, so that stopping at any question loses nothing of those before it, and
what is there already is not asked again: run later, it asks for what is new.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shlex
import sys
import zoneinfo
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from monitor.adapters.mqtt.ear import Ear, Overheard
from monitor.cli.asking import Asker
from monitor.cli.listen import progress
from monitor.cli.output import say
from monitor.cli.probe_entries import plain
from monitor.cli.room import now_ms, number
from monitor.cli.setup_limits import ask_limits
from monitor.cli.setup_probes import ProbeQuestions
from monitor.config.at_hand import find_config
from monitor.config.room_edit import (
    OF_THE_SYSTEM,
    RoomFile,
    Tables,
    is_the_example,
    kept_of_the_example,
    toml,
    wrong_key,
)
from monitor.config.room_file import check, load_rest
from monitor.config.shape import BrokerPart, ChannelPart, RoomPart
from monitor.core.readings.decode import remarks
from monitor.core.terms.settings import Broker, Channel, DisplayUnit, Probe
from monitor.errors import BrokerRefused, BrokerUnreachable, ConfigError, UsageError

HEAD: Final = """\
# Warmtally: this egg room, as "warmtally setup" asked for it. Change it as you like: setup only ever adds what is not
# there. Everything else that can be set is in config/README.md; every mistake is named by: warmtally check
#
# CAUTION. This program measures and tells; it switches nothing and is no safety device. Electric heat in a damp
# room needs a residual-current device, an over-temperature cut-out that works without any computer, and a smoke
# alarm. Wash hands after eggs, substrate and animals (Salmonella). For a sick animal ask a veterinarian.
# A forecast is an estimate: no egg is opened on its word.
"""
WHAT_A_PROBE_SENDS: Final = """\
Nothing was heard. A probe has to publish its number, bare (28.4) or in JSON, on a topic of its own at this broker:
  from any computer with mosquitto's clients:  mosquitto_pub -h {host} -p {port} -q 1 -t eggroom/upper -m 28.4
  Look: is its broker's address this one? its login? does the broker's access list let it write, and this login read?
  Does it report more seldom than {seconds:g} s? Then: warmtally setup --seconds 700
  The shapes that are read: config/README.md, "What a probe has to send"."""
NO_PROBES: Final = "probes = []  # none yet; whoever adds the first takes this line away (setup does)"
MOST_SILENT_SHOWN: Final = 20


def add_parsers(sub: Any, parent: argparse.ArgumentParser) -> None:
    """Add the subcommand; ``args.run`` is :func:`run`."""
    parser = sub.add_parser(
        "setup",
        parents=[parent],
        help="set a room up by questions: broker, probes, boxes, limits, a way to you; later, what is new",
        description="Asks for what a room's file needs, listens to what the probes send, and writes the file part by "
        "part. Run again, it asks only for what is new, and adds it; a copy of the file as it was is kept. Without a "
        "terminal the answers are taken from standard input, one a line.",
        epilog="examples: warmtally setup    warmtally setup --config room/room.toml --seconds 700",
    )
    parser.add_argument("--seconds", type=number, default=30.0, metavar="N", help="how long to listen (30)")
    parser.add_argument("--topic", default="#", metavar="FILTER", help="which topics, + and # allowed (all)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask, listen, write, check. Raises UsageError, ConfigError."""
    if not 0 < args.seconds <= 86_400:
        raise UsageError(f"--seconds {args.seconds:g} is not between 0 and 86400", fix="give for example --seconds 60")
    asker = Asker()
    file: RoomFile | None = None
    try:
        file = _file(args, asker)
        Setup(asker, file, args).ask_all()
    except (KeyboardInterrupt, EOFError) as stopped:
        print()
        if file is None or not file.path.exists():
            print("Stopped; nothing was written.", file=sys.stderr)
        else:
            print(f"Stopped; what was told is in {file.path}. To go on: {_again(file.path)}", file=sys.stderr)
        if isinstance(stopped, KeyboardInterrupt):
            raise
        raise UsageError(
            "the answers ended before all was asked",
            fix="run it at a terminal, or give it an answer a line on standard input",
        ) from None
    from monitor.cli.service import run_check

    print()
    code = run_check(argparse.Namespace(config=str(file.path), data=args.data, json=False))
    _say_what_is_next(file)
    return code


def _again(path: Path) -> str:
    return f"warmtally setup --config {path}"


def _file(args: argparse.Namespace, asker: Asker) -> RoomFile:
    """The file that is to be written, opened. Raises UsageError where it could not be, before anything is asked."""
    named = args.config or os.environ.get("WARMTALLY_CONFIG")
    with contextlib.suppress(ConfigError):
        found = find_config(None, {})
        # The example that came along is nobody's room.
        named = named or (None if is_the_example(found) else str(found))
    if not named:
        own = OF_THE_SYSTEM if os.geteuid() == 0 and OF_THE_SYSTEM.is_dir() else Path("room")
        named = asker.ask("Where shall the room's file be", default=str(own / "room.toml"))
    path = Path(os.path.expanduser(named))  # noqa: PTH111 - of a user that is not there this one makes no error
    if path.is_dir():
        path = path / "room.toml"
    example = is_the_example(path)
    if path.is_file() and not example:
        for m in (wrong := [m for m in check(path) if m.level == "mistake" and m.id != "missing-part"]):
            print(m, file=sys.stderr)
        if wrong:
            raise ConfigError(
                "setup adds to no file with mistakes", where=str(path), fix="correct what is named above; then again"
            )
        file = RoomFile(path)
        print(f"{path} is there: what it says stays, and is not asked again.")
    else:
        file = RoomFile(path, fresh=HEAD + (kept_of_the_example(path) if example else ""))
    place = next(p for p in (file.path.parent, *file.path.parents) if p.exists())
    if not (place.is_dir() and os.access(place, os.W_OK)):
        raise UsageError(f"you may not write into {place}", fix="sudo, or name another place: --config FILE")
    return file


def _say_what_is_next(file: RoomFile) -> None:
    say(f"\nThe room's file: {file.path}" + (f"; as it was before: {file.kept_as.name}" if file.kept_as else ""))
    say("What comes next:")
    installed = file.path == (OF_THE_SYSTEM / "room.toml").resolve()
    if not (installed or file.path == Path("config/room.toml").resolve()):
        print(f"  export WARMTALLY_CONFIG={shlex.quote(str(file.path))}")
    service = ("warmtally run", "the service; for good: deploy/README.md")
    if installed and file.fresh:
        service = ("sudo deploy/install", "once more: it starts the service")
    elif installed:
        service = ("sudo systemctl restart warmtally", "the service reads its file at the start")
    for command, what in (
        service,
        ("warmtally clutch add K01 --species NAME --laid DAY --eggs N", "the first clutch"),
        ("warmtally setup", "again, when there is a new probe or box"),
    ):
        print(f"  {command}    ({what})")


class Setup:
    """All questions, in their order."""

    def __init__(self, asker: Asker, file: RoomFile, args: argparse.Namespace) -> None:
        self._asker = asker
        self._file = file
        self._args = args
        self._unit: DisplayUnit = "C"

    def ask_all(self) -> None:
        say("What stands in [brackets] is taken by Enter alone. Ctrl-C stops; what was told by then is kept.")
        tables = self._file.tables
        if "room" not in tables:
            self._ask_room()
        self._unit = "F" if self._file.tables.get("room", {}).get("display_unit") == "F" else "C"
        heard = self._hear()
        questions = ProbeQuestions(self._asker, self._file)
        questions.ask_probes(heard, self._probes())
        questions.ask_boxes()
        if "probes" not in self._file.tables:
            self._file.add((NO_PROBES, lambda tables: tables.update(probes=[])))
        if "limits" not in self._file.tables:
            ask_limits(self._asker, self._file, self._unit, self._own_species())
        self._ask_channels()

    # -- the room and its broker -----------------------------------------------------------------------------------

    def _ask_room(self) -> None:
        ask = self._asker.ask
        name = ask("What is the room called", partial(wrong_key, RoomPart, "name"), default="Egg room")
        zone = ask("Its time zone", partial(wrong_key, RoomPart, "time_zone"), default=_zone_here())
        unit = ask(
            "Temperatures in C or F", lambda told: "" if told.upper() in ("C", "F") else "C or F", default="C"
        ).upper()
        block = "\n".join(
            [
                "[room]",
                f"name = {toml(name)}",
                "# Days, times and the daily line follow it.",
                f"time_zone = {toml(zone)}",
                '# "C" or "F": how temperatures are shown.',
                f"display_unit = {toml(unit)}",
            ]
        )
        room = {"name": name, "time_zone": zone, "display_unit": unit}
        parts = [(block, lambda tables: tables.update(room=room))]
        if self._file.path.parent == OF_THE_SYSTEM and "store" not in self._file.tables:
            store = {"data_dir": "/var/lib/warmtally"}
            said = f"# Where readings and the account are kept.\n[store]\ndata_dir = {toml(store['data_dir'])}"
            parts.append((said, lambda tables: tables.update(store=store)))
        self._file.add(*parts)

    def _hear(self) -> list[Overheard]:
        """What the broker sends for a while. Asks for the broker first where the file names none, and again where none
        answers; empty without one."""
        known = self._known_broker() if "broker" in self._file.tables else None
        broker, said = (known, {}) if known else self._asked_broker(Broker())
        while True:
            try:
                heard, more = self._listened(broker)
            except (BrokerUnreachable, BrokerRefused, ConfigError) as error:
                say(f"  {error}")
                if known is None and self._asker.sure("  Give the broker once more", default=True):
                    broker, said = self._asked_broker(broker)
                    continue
                say("  It goes on without listening; later: warmtally setup")
                heard, more = None, False
            break
        if said:
            self._write_broker(broker, said)
        if heard is not None and not heard:
            say(WHAT_A_PROBE_SENDS.format(host=broker.host, port=broker.port, seconds=self._args.seconds))
        if more:
            say(f"More topics came than are kept ({len(heard or ())}). Fewer: warmtally setup --topic FILTER")
        return heard or []

    def _known_broker(self) -> Broker:
        return load_rest(self._file.path, needed=("broker",), secrets=True)[0].broker

    def _asked_broker(self, before: Broker) -> tuple[Broker, Tables]:
        """The broker as told, and its part of the file; the password stands in the broker alone, or in a file that is
        there and named in the part."""
        ask = self._asker.ask
        host = ask("The broker's address", _no_host, default=before.host)
        port = int(ask("Its port", _no_port, default=str(before.port)))
        said: Tables = {"host": host, "port": port}
        if port == 8883:
            said["tls"] = True
            named = ask("Certificate of who signed the broker's (a file; Enter: a public one)", self._no_file)
            said |= {"ca_file": named} if named else {}
        username = ask(
            "Login there (Enter: none)",
            lambda told: wrong_key(BrokerPart, "username", told) if told else "",
            default=before.username or "",
        )
        password = None
        if username:
            said["username"] = username
            usual = next((n for n in ("broker/broker.password", "broker.password") if not self._no_file(n)), "")
            password = self._asker.secret("Its password (not shown; Enter: it stands in a file)")
            if not password:
                name = ask("That file, from the folder of the room's file on", self._no_password, default=usual)
                said["password_file"], password = name, self._first_line(name)
        tls, ca = "tls" in said, said.get("ca_file")
        ca_file = str(self._file.path.parent / ca) if ca else None
        return Broker(
            host=host, port=port, username=username or None, password=password, tls=tls, ca_file=ca_file
        ), said

    def _no_file(self, name: str) -> str:
        there = not name or (self._file.path.parent / name).is_file()
        return "" if there else f"there is no file {plain(str(self._file.path.parent / name))}"

    def _no_password(self, name: str) -> str:
        if not name or self._no_file(name):
            return self._no_file(name) or "without it no login can be tried"
        return "" if self._first_line(name) else "it holds no password that can be read"

    def _first_line(self, name: str) -> str:
        try:
            with (self._file.path.parent / name).open(encoding="utf-8") as file:
                return file.read(4096).partition("\n")[0].strip("\r")
        except (OSError, UnicodeDecodeError):
            return ""

    def _write_broker(self, broker: Broker, said: Tables) -> None:
        if broker.username and broker.password and "password_file" not in said:
            said["password_file"] = self._file.keep_secret("broker.password", broker.password)
        lines = ["# The MQTT broker that the probes publish to.", "[broker]"]
        lines += [f"{key} = {toml(value)}" for key, value in said.items()]
        self._file.add(("\n".join(lines), lambda tables: tables.update(broker=said)))

    # -- listening -------------------------------------------------------------------------------------------------

    def _listened(self, broker: Broker) -> tuple[list[Overheard], bool]:
        """What came, by topic, and whether more came than is kept. An interrupt ends it early."""
        ear = Ear(broker, self._args.topic, _unseen)
        with contextlib.suppress(KeyboardInterrupt), progress(ear, f"{broker.host}:{broker.port}", self._args.seconds):
            ear.listen(self._args.seconds)
        heard = sorted(ear.heard.values(), key=lambda h: h.topic)
        # What cannot be read is told even where nothing of it can be asked for.
        told = [(h, said) for h in heard if (said := remarks(h.topic, h.last))]
        for h, said in told[:MOST_SILENT_SHOWN]:
            say(f"  {plain(h.topic)}: {plain('; '.join(said), 200)}")
        if len(told) > MOST_SILENT_SHOWN:
            say(f"  and {len(told) - MOST_SILENT_SHOWN} more like these: warmtally listen")
        return heard, ear.left_out

    def _probes(self) -> tuple[Probe, ...]:
        if not self._file.path.exists():
            return ()
        return load_rest(self._file.path, needed=())[0].room.all_probes

    def _own_species(self) -> str | None:
        return load_rest(self._file.path, needed=())[0].profiles_dir if self._file.path.exists() else None

    # -- the ways to the keeper ------------------------------------------------------------------------------------

    def _ask_channels(self) -> None:
        there = self._file.ids["channels"]
        if there and not self._asker.sure(f"Notices go to: {', '.join(there)}. Another way to you", default=False):
            if self._asker.sure("Send a test notice now", default=False):
                self._drill(list(load_rest(self._file.path, needed=(), secrets=True)[0].channels))
            return
        from monitor.adapters.delivery.attempts import problem

        def wrong(told: str) -> str:
            if not told:
                return ""
            return wrong_key(ChannelPart, "url", told) or problem(Channel("new", told)) or ""

        if not there:
            say("\nNotices reach you by an address of Apprise, such as mailto://... or json://host/path.")
        address = self._asker.secret("The address (not shown; Enter: none for now)", wrong)
        if not address:
            return

        def taken(told: str) -> str:
            bad = wrong_key(ChannelPart, "id", told)
            return bad or ("that is there already" if told in (*self._file.ids["channels"], "log") else "")

        free = next(x for x in ("phone", *(f"phone-{n}" for n in range(2, 10_000))) if not taken(x))
        name = self._asker.ask("What is it called", taken, default=free)
        file = self._file.keep_secret(f"{name}.address", address)
        channel = {"id": name, "url_file": file}
        block = "\n".join(
            [
                "# A way to you: the address stands in a file of its own. To try it: warmtally drill",
                "[[channels]]",
                *(f"{key} = {toml(value)}" for key, value in channel.items()),
            ]
        )
        self._file.add((block, lambda tables: tables.setdefault("channels", []).append(channel)))
        if self._asker.sure("Send a test notice there now", default=True):
            self._drill([replace(Channel(name, address))])

    def _drill(self, channels: Sequence[Channel]) -> None:
        from monitor.adapters.delivery.attempts import drill

        results = drill(tuple(channels), now_ms())
        for r in results:
            say(f"  {r.channel}: " + ("took it: look whether it is there" if r.ok else f"FAILED: {r.error}"))
        if not all(r.ok for r in results):
            say("  Correct the address in its file, then: warmtally drill")


def _unseen(known: Overheard, *, retained: bool) -> None:
    """What comes is shown when it is asked for."""


def _no_host(told: str) -> str:
    if re.fullmatch(r"[^:]+:[0-9]+", told):
        return "the address without its port, which is asked next"
    return wrong_key(BrokerPart, "host", told)


def _no_port(told: str) -> str:
    return "" if re.fullmatch(r"[1-9][0-9]{0,4}", told) and int(told) <= 65535 else "a number from 1 to 65535"


def _zone_here() -> str:
    """The time zone of this computer, as far as it is known by its name."""
    named = os.environ.get("TZ", "").removeprefix(":")
    link = os.path.realpath("/etc/localtime").partition("zoneinfo/")[2]
    for name in (named, link):
        with contextlib.suppress(KeyError, ValueError, OSError):
            if name:
                return zoneinfo.ZoneInfo(name).key
    return "UTC"
