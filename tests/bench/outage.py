"""What an outage costs: broker, login, channel, outside database and disk, each gone for a while and back.

The real command runs against real peers, with waiting times made short in its configuration file; the channel's dead
hour is played on a clock of its own. Each outage must be told once and its end once; nothing else may be told, and
no reading that a probe was told was taken may be lost or stored twice.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings
from monitor.service.watchers import Reserve
from tests.bench import Figures
from tests.bench.process import Beat, Publisher, Service, message, now_ms, room, service, timed, until
from tests.bench.stepped import stepped
from tests.peers import MOMENT_S, mosquitto, need
from tests.sinks import Sink, http_sink
from tests.v2front import BUCKET, ORG, TOKEN, victoria

BOXES = ("upper", "lower")
EVERY_S = 0.05
# The lower probe reports seldom and keeps nothing: after an outage it is heard later than the other.
LOWER_EVERY = 30
SHORT_QUIET = {"interval": EVERY_S * LOWER_EVERY, "quiet_after": 2.5 * EVERY_S * LOWER_EVERY}


@dataclass
class Found:
    """Figures of one outage, each under the outage's name, and what falls short."""

    name: str
    figures: dict[str, float] = field(default_factory=dict)
    short: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def put(self, figure: str, value: float, wanted: float | None = None) -> None:
        self.figures[f"{self.name}: {figure}"] = value
        if wanted is not None and value != wanted:
            self.short.append(f"{self.name}: {figure} is {value:g}, {wanted:g} expected")

    def readings(self, run: Service, sent: dict[str, dict[int, float]]) -> None:
        """Sent (probe -> time -> value) against what is stored."""
        lost = doubled = strange = 0
        for probe, values in sent.items():
            at, got = run.readings(probe)
            found = Counter(zip(at.tolist(), got.tolist(), strict=True))
            wanted = set(values.items())
            lost += len(wanted - found.keys())
            strange += len(found.keys() - wanted)
            doubled += sum(n - 1 for n in found.values())
        self.put("sent", sum(len(v) for v in sent.values()))
        self.put("lost", lost, 0)
        self.put("doubled", doubled, 0)
        self.put("never sent", strange, 0)

    def conditions(self, changes: Counter[str], wanted: Iterable[str], silent: Iterable[str] = ()) -> None:
        """Each of ``wanted`` once; ``silent`` may come, since nobody is told of it; nothing else."""
        for change in wanted:
            self.put(change, changes[change], 1)
        others = {c: n for c, n in changes.items() if c not in (*wanted, *silent)}
        self.put("unexpected", sum(others.values()), 0)
        if others:
            self.short.append(f"{self.name}: unexpected are {others}")

    def told(self, run: Service, sink: Sink) -> None:
        """Every notice of the ledger at the receiver, and not twice; but for those that the daily line tells."""
        until(lambda: run.undelivered() == 0, 2 * MOMENT_S)
        keys, arrived = {n.key for n in run.notices() if not n.for_daily_line}, Counter(sink.keys())
        self.put("notices", len(keys))
        self.put("notices lost", len(keys - arrived.keys()), 0)
        self.put("notices doubled", sum(n - 1 for n in arrived.values()), 0)


class Sender:
    """Two probes that report at a steady pace, one of them seldom; what they sent is remembered."""

    def __init__(self, publisher: Publisher) -> None:
        self.publisher = publisher
        self.away = False
        self.sent: dict[str, dict[int, float]] = {f"{box}-t": {} for box in BOXES}
        self._last = 0

    def __call__(self, n: int) -> None:
        self._last = at = max(now_ms(), self._last + 1)
        for box in BOXES if n % LOWER_EVERY == 0 and not self.away else BOXES[:1]:
            value = round(28.0 + 0.001 * (n % 1000), 3)
            self.sent[f"{box}-t"][at] = value
            self.publisher.publish(f"eggs/{box}-t", message(at, value))

    @property
    def count(self) -> int:
        return sum(len(v) for v in self.sent.values())


def _stored(run: Service) -> int:
    with run.store() as store:
        return sum(store.readings.counts().values())


def _probes(**more: object) -> list[dict[str, object]]:
    return [timed(f"{box}-t", box, **more) for box in BOXES]


def _finish(run: Service, sender: Sender) -> None:
    sender.publisher.wait_acknowledged(2 * MOMENT_S)
    until(lambda: _stored(run) >= sender.count, 2 * MOMENT_S)


# -- the broker ------------------------------------------------------------------------------------------------


def broker_stopped(folder: Path, *, kill: bool, away_s: float) -> Found:
    """The broker ends (by SIGTERM, or by kill -9) and comes back; the probes go on sending and retry."""
    found = Found("broker killed" if kill else "broker stopped")
    with http_sink() as sink, mosquitto(folder / "broker") as broker:
        tables = room(
            BOXES,
            _probes(**SHORT_QUIET),
            port=broker.port,
            watch={"room_quiet_after": 2},
            channels={"hook": sink.port},
        )
        with service(folder / "service", tables) as run, Publisher(broker.port) as publisher:
            run.start()
            run.wait_up()
            sender = Sender(publisher)
            with Beat(sender, EVERY_S):
                until(lambda: _stored(run) > 0, 2 * MOMENT_S)
                time.sleep(4.5)  # longer than silence may last, since the start
                sender.away = True
                broker.stop(kill=kill)
                began = time.monotonic()
                run.came("room-quiet raised")
                found.put("raised after s", time.monotonic() - began)
                time.sleep(max(0.0, began + away_s - time.monotonic()))
                broker.start()
                sender.away = False
                back = time.monotonic()
                run.came("room-quiet cleared", 2 * MOMENT_S)
                found.put("cleared after s", time.monotonic() - back)
                time.sleep(4.5)  # longer than a probe may be silent: what is wrongly told would show
            _finish(run, sender)
            found.readings(run, sender.sent)
            found.conditions(run.changes(), ("room-quiet raised", "room-quiet cleared"))
            found.told(run, sink)
            found.put("exit code", run.stop(), 0)
    return found


def login_refused(folder: Path) -> Found:
    """The broker has another password than the service, until the broker's is corrected."""
    found = Found("login refused")
    with http_sink() as sink, mosquitto(folder / "broker", login=("eggroom", "the old one")) as broker:
        login = {"username": "eggroom", "password_file": "broker.password"}
        tables = room(BOXES, _probes(), port=broker.port, channels={"hook": sink.port}, broker=login)
        with service(folder / "service", tables) as run:
            secret = run.folder / "broker.password"
            secret.write_text("the new one\n")
            secret.chmod(0o600)
            run.start()
            run.came("broker-refused raised")
            passwords = broker.folder / "passwords"
            program = need("mosquitto_passwd", "mosquitto")
            subprocess.run([program, "-b", passwords, "eggroom", "the new one"], check=True, capture_output=True)
            assert broker.process is not None
            broker.process.send_signal(1)  # SIGHUP: mosquitto reads its passwords again
            back = time.monotonic()
            run.came("broker-refused cleared", 2 * MOMENT_S)
            found.put("cleared after s", time.monotonic() - back)
            with Publisher(broker.port, login=("eggroom", "the new one")) as publisher:
                sender = Sender(publisher)
                with Beat(sender, EVERY_S, 20) as beat:
                    beat.join(10)
                _finish(run, sender)
            found.readings(run, sender.sent)
            found.conditions(run.changes(), ("broker-refused raised", "broker-refused cleared"))
            found.told(run, sink)
            found.put("password in the log", "the new one" in run.log(), 0)
            found.put("exit code", run.stop(), 0)
    return found


# -- a channel -------------------------------------------------------------------------------------------------


def channel_dead(folder: Path, minutes: int = 60) -> Found:
    """One of two channels refuses everything for an hour (of a clock that is set); a box becomes too warm meanwhile."""
    found = Found("channel dead")
    minute_ms = 60_000
    start = 1_790_000_000_000
    with http_sink(then="5") as dead, http_sink() as other:
        channels = tuple(
            Channel(name, f"json://127.0.0.1:{sink.port}/{name}", timeout_s=5.0)
            for name, sink in (("dead", dead), ("other", other))
        )
        probes = tuple(
            Probe(f"{b}-t", f"eggs/{b}-t", pointer="/value", time_pointer="/at", box=b, quiet_after_s=86400.0)
            for b in BOXES
        )
        boxes = tuple(Box(b, f"stack-{b}", 100.0) for b in BOXES)
        limits = Limits(too_warm_c=32.0, on_delay_s=120.0, off_delay_s=120.0)
        one = Room("Test room", "UTC", "C", tuple(b.stack for b in boxes), boxes, probes, limits)
        with stepped(Settings(one, Broker(), channels=channels), folder, start) as run:

            def minute(n: int, upper_c: float) -> None:
                run.step(start + n * minute_ms, {"eggs/upper-t": upper_c, "eggs/lower-t": 28.0})
                # Whatever is due at this minute is tried before the next.
                run.app.parts.delivery.drain(20)

            warm = range(10, 25)
            for n in range(minutes):
                minute(n, 32.5 if n in warm else 28.0)
            every = [n for n in run.notices if n.kind == "notices-stuck"]
            stuck = [n for n in every if n.change == "raised"]
            found.put("told again meanwhile", len(every) - len(stuck))
            found.put("taken by the dead channel", len(dead.taken), 0)
            found.put("told through the other meanwhile", len({n.key for n in stuck}.intersection(other.keys())), 1)
            if stuck:
                first = next(n for n in run.notices if n.kind == "too-warm")
                found.put("raised after min", (stuck[0].at_ms - first.at_ms) / minute_ms)
            tries = len(dead.arrivals)
            found.put("tries in vain", tries)
            dead.then = "."
            for n in range(minutes, minutes + 20):
                minute(n, 28.0)
            history = Counter(f"{t.kind} {t.change}" for t in run.app.parts.store.ledger.history(1000))
            wanted = ("too-warm raised", "too-warm cleared", "notices-stuck raised", "notices-stuck cleared")
            found.conditions(history, wanted)
            keys = {n.key for n in run.notices}
            found.put("notices", len(keys))
            for name, sink in (("dead", dead), ("other", other)):
                arrived = Counter(sink.keys())
                # What is over when the channel comes back is told in one digest, with a line for each.
                digests = [a.text for a in sink.taken if a.key.startswith("digest/")]
                lost = [
                    n.key for n in run.notices if n.key not in arrived and not any(n.title in text for text in digests)
                ]
                found.put(f"lost on {name}", len(lost), 0)
                found.put(f"doubled on {name}", sum(n - 1 for n in arrived.values()), 0)
    return found


# -- the outside database --------------------------------------------------------------------------------------


def database_away(folder: Path, away_s: float) -> Found:
    """The outside database stops and comes back; readings go on being stored, and are caught up."""
    found = Found("database away")
    with http_sink() as sink, mosquitto(folder / "broker") as broker, victoria(folder / "database") as database:
        shipping = {"url": database.url, "org": ORG, "bucket": BUCKET, "token_file": "token"}
        tables = room(
            BOXES,
            _probes(),
            port=broker.port,
            pace={"watch": {"shipping_behind_s": 2}, "shipping": {"every_s": 0.2}},
            channels={"hook": sink.port},
            shipping=shipping,
        )
        with service(folder / "service", tables) as run, Publisher(broker.port) as publisher:
            (run.folder / "token").write_text(TOKEN)
            (run.folder / "token").chmod(0o600)
            run.start()
            run.wait_up()
            sender = Sender(publisher)
            with Beat(sender, EVERY_S):
                until(lambda: len(_shipped(database, "upper-t")) > 0, 2 * MOMENT_S, 0.3)
                database.stop()
                began = time.monotonic()
                run.came("shipping-behind raised", 2 * MOMENT_S)
                found.put("raised after s", time.monotonic() - began)
                time.sleep(max(0.0, began + away_s - time.monotonic()))
                before = sender.count
                found.put("stored within 3 s meanwhile", until(lambda: _stored(run) >= before, 3), 1)
                database.start()
                back = time.monotonic()
                run.came("shipping-behind cleared", 2 * MOMENT_S)
                found.put("cleared after s", time.monotonic() - back)
            _finish(run, sender)
            found.readings(run, sender.sent)
            missing = 0
            for probe, values in sender.sent.items():
                until(lambda p=probe, v=values: len(_shipped(database, p)) >= len(v), 2 * MOMENT_S, 0.3)  # type: ignore[misc]
                there = _shipped(database, probe)
                missing += sum(there.get(at) != value for at, value in values.items())
            found.put("missing at the database", missing, 0)
            found.conditions(run.changes(), ("shipping-behind raised", "shipping-behind cleared"))
            found.told(run, sink)
            found.put("token in the log", TOKEN in run.log(), 0)
            found.put("exit code", run.stop(), 0)
    return found


def _shipped(database: object, probe: str) -> dict[int, float]:
    return database.held("reading_value", probe=probe)  # type: ignore[attr-defined, no-any-return]


# -- the disk --------------------------------------------------------------------------------------------------


def disk_full(folder: Path, *, at_once: bool = False) -> Found:
    """Another program fills the disk to the last byte, and later gives the room back.

    ``at_once``: before it could be told that it is low; then both that and that it is full must be told.
    """
    found = Found("disk full at once" if at_once else "disk full")
    place = folder / "small"
    place.mkdir(parents=True)
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=40m", "tmpfs", place], capture_output=True, text=True)
    if mounted.returncode != 0:
        found.notes.append(f"disk full: not measured, a small disk cannot be made here ({mounted.stderr.strip()})")
        return found
    try:
        with http_sink() as sink, mosquitto(folder / "broker") as broker:
            tables = room(BOXES, _probes(), port=broker.port, channels={"hook": sink.port})
            with service(folder / "service", tables) as run, Publisher(broker.port) as publisher:
                run.data = place / "data"
                run.start()
                run.wait_up()
                sender = Sender(publisher)
                with Beat(sender, EVERY_S):
                    until(lambda: _stored(run) > 0, 2 * MOMENT_S)
                    if not at_once:
                        _fill(place / "ballast", leave=4_000_000)
                        found.put("told that it is low", until(lambda: _heard(sink, "disk-low"), 2 * MOMENT_S), 1)
                    _fill(place / "ballast")
                    if at_once:
                        # What is given up for the first notice is taken by others as well.
                        found.put("told that it is low", until(lambda: _heard(sink, "disk-low"), 2 * MOMENT_S), 1)
                        _fill(place / "more")
                    found.put("told that it is full", until(lambda: _heard(sink, "store-failing"), 2 * MOMENT_S), 1)
                    # What the service had kept back for the notice is taken as well.
                    _fill(place / "more")
                    time.sleep(4.0)
                    alive = run.process is not None and run.process.poll() is None
                    found.put("alive meanwhile", alive, 1)
                    (place / "ballast").unlink()
                    (place / "more").unlink()
                _finish(run, sender)
                until(lambda: all((run.data / name).exists() for name in Reserve.SIZES), 2 * MOMENT_S)
                there = [(run.data / name).exists() for name in Reserve.SIZES]
                found.put("reserves at hand", sum(there), len(there))
                until(
                    lambda: run.changes()["store-failing cleared"] == run.changes()["store-failing raised"] > 0,
                    2 * MOMENT_S,
                )
                found.readings(run, sender.sent)
                changes = run.changes()
                found.put("store-failing raised", changes["store-failing raised"])
                found.put("store-failing cleared", changes["store-failing cleared"], changes["store-failing raised"])
                known = ("store-failing raised", "store-failing cleared")
                found.conditions(changes, ("disk-low raised",), (*known, "disk-low cleared"))
                found.told(run, sink)
                with run.store() as store:
                    found.put("damage", len(store.db.check()), 0)
                found.put("exit code", run.stop(), 0)
    finally:
        subprocess.run(["umount", "-l", place], check=False, capture_output=True)
    return found


def _fill(path: Path, *, leave: int = 0) -> None:
    """Write until nothing more fits, or ``leave`` bytes are left."""
    with path.open("ab", buffering=0) as file:
        while (free := shutil.disk_usage(path.parent).free - leave) > 0:
            try:
                file.write(b"\0" * min(free, 1 << 20))
            except OSError:
                return


def _heard(sink: Sink, kind: str) -> bool:
    return any(a.key.startswith(f"{kind}/") for a in sink.taken)


# -- all -------------------------------------------------------------------------------------------------------


def measure(away_s: float = 12.0, only: str = "") -> Figures:
    """Each outage for ``away_s`` seconds (the channel's: an hour); ``only``: the outages whose names hold this."""
    outages: dict[str, Callable[[Path], Found]] = {
        "broker stopped": lambda folder: broker_stopped(folder, kill=False, away_s=away_s),
        "broker killed": lambda folder: broker_stopped(folder, kill=True, away_s=away_s),
        "login refused": login_refused,
        "channel dead": channel_dead,
        "database away": lambda folder: database_away(folder, away_s),
        "disk full": disk_full,
        "disk full at once": lambda folder: disk_full(folder, at_once=True),
    }
    figures: dict[str, float] = {}
    short: list[str] = []
    notes: list[str] = []
    for name, outage in outages.items():
        if only not in name:
            continue
        with tempfile.TemporaryDirectory() as folder:
            try:
                found = outage(Path(folder))
            except pytest.skip.Exception as reason:
                notes.append(f"{name}: not measured, {reason}")
                continue
        figures |= found.figures
        short += found.short
        notes += found.notes
    return Figures(figures, short, notes)
