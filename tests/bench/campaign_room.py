"""The room of the long campaign: what is sent to the service, and what must come of it whatever happens meanwhile.

Numbered messages come in all the time, with a time of their own and without one; one box after the other goes through
too warm and too cool. A line that is looked into knows what the service acknowledged. At the end each acknowledged
reading must be in the store once, each trouble told once and its end once, and each notice must have arrived.
"""

from __future__ import annotations

import contextlib
import math
import mmap
import struct
import subprocess
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.conditions import Transition
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS
from monitor.derived.room import Derived
from monitor.errors import MonitorError
from tests import older_chunks
from tests.bench.kept_alive import KeptAlive
from tests.bench.kills import CYCLE, SPECIES, STEP_MS, value_of
from tests.bench.process import Beat, Publisher, Service, Table, Tables, message, now_ms, room, timed, until
from tests.bench.watched_line import Message, WatchedLine
from tests.peers import MOMENT_S, Mosquitto
from tests.sinks import Sink, http_sink

NUMBERS: Final = 12_000
EVERY_S: Final = 0.08
CYCLE_EVERY_S: Final = 0.25
STEP_S: Final = 2.0
"""A box is so warm for so long at least."""
DISK: Final = "160m"
TOPICS: Final = ("numbered", "bare", "wild", "backwards")
SINKS: Final = ("first", "second")
JUDGED_S: Final = 2 * MOMENT_S
"""A trouble that was not told within so long, with nothing in the way for most of it, is not told."""


@dataclass
class Trouble:
    """One box after the other is too warm and too cool, and well again; a step lasts until it was told.

    Each box does that once: what comes again soon after its end takes hours to be over.
    """

    boxes: tuple[str, ...]
    step: int = -1
    begun_s: float = 0.0
    missing: list[str] = field(default_factory=list)
    wanted: Counter[tuple[str, str]] = field(default_factory=Counter)

    @property
    def box(self) -> str:
        return self.boxes[max(self.step, 0) // len(CYCLE)]

    @property
    def kind(self) -> str:
        """What the box is now; empty when it is well."""
        return CYCLE[self.step % len(CYCLE)][0] if self.step >= 0 else ""

    @property
    def value(self) -> float:
        return CYCLE[self.step % len(CYCLE)][1] if self.step >= 0 else CYCLE[-1][1]

    @property
    def over(self) -> bool:
        return self.step + 1 >= len(CYCLE) * len(self.boxes)

    def expected(self) -> tuple[str, str, str] | None:
        """The change that the last step must bring: kind, subject, change."""
        if self.step < 0:
            return None
        before = CYCLE[(self.step - 1) % len(CYCLE)][0]
        return (self.kind, self.box, "raised") if self.kind else (before, self.box, "cleared")

    def next(self) -> None:
        self.step += 1
        self.begun_s = time.monotonic()
        if (change := self.expected()) is not None:
            self.wanted[change[0], change[2]] += 1


class CampaignRoom:
    """A room with its broker, its line, its two receivers of notices and the service, all of it running.

    ``off_ms``: by what the room's right time differs from this computer's. ``disk``: whether its store lies on a small
    disk of its own.
    """

    def __init__(self, folder: Path, boxes: int, off_ms: int, zone: tuple[str, str] | None, sinks: list[Sink]) -> None:
        self.folder = folder
        self.off_ms = off_ms
        self.sinks = sinks
        self.broker = Mosquitto(folder / "broker")
        self.broker.start()
        self.broker_kills: list[tuple[float, str]] = []
        self.line = WatchedLine(self.broker.port)
        self.trouble = Trouble(tuple(f"cycled-{n + 1}" for n in range(boxes)))
        self.data = folder / "disk" / "data"
        self.disk = small_disk(self.data.parent)
        self._clock_file = folder / "clock"
        self._clock_file.write_bytes(bytes(8))
        with self._clock_file.open("r+b") as file:
            self._clock = mmap.mmap(file.fileno(), 8)
        self.clock_sets = 0
        self._wrong_ms = 0
        self.clock_off(0)
        self.numbers: list[int] = []
        self.sent: dict[Message, tuple[str, int | None, float]] = {}
        self.sent_s: dict[Message, float] = {}
        self.unreadable = 0
        self.extra = 0
        self.start_ms = self.now_ms() - NUMBERS * STEP_MS - 600_000
        self.run = Service(folder / "service", self._tables(zone))
        self.run.data = self.data
        self.before: set[tuple[int, float]] = set()
        with self.store(create=True) as store:
            self._written_before(store)
            told = {"clutch": "K01", "recorded_ms": self.start_ms}
            store.account.tell(
                KeeperEvent(EventKind.LAID, at_ms=self.start_ms, species=SPECIES, eggs=6, **told)  # type: ignore[arg-type]
            )
            store.account.tell(
                KeeperEvent(EventKind.SET, at_ms=self.start_ms, box="counted", eggs=6, **told)  # type: ignore[arg-type]
            )
        self.kept = KeptAlive(self.run)
        self.publisher = Publisher(self.broker.port)
        self._lock = threading.Lock()
        # Who changes the store's files has them for himself.
        self.looking = threading.Lock()

    def _written_before(self, store: Store) -> None:
        """Four days of readings as they were kept before: they are converted while all else happens."""
        n = np.arange(4 * 24 * 60)
        at = (self.start_ms // DAY_MS - 5) * DAY_MS + 60_000 * n.astype(np.int64)
        value = np.round(27.0 + 0.5 * np.sin(n / 200.0), 2)
        rows = Columns(at, value, at + 1000, np.ones(len(n), np.uint8), np.ones(len(n), bool), ("",) * len(n))
        with store.db.write():
            older_chunks.put(store, store.probes.given("backwards"), rows)
        self.before = set(zip(at.tolist(), value.tolist(), strict=True))

    def _tables(self, zone: tuple[str, str] | None) -> Tables:
        probes: list[Table] = [
            timed("numbered", "counted"),
            {"id": "bare", "topic": "eggs/bare", "box": "bare", "interval": 1},
            {"id": "wild", "topic": "eggs/wild", "box": "wild", "pointer": "/v"},
            timed("backwards", "backwards"),
            *(timed(box, box) for box in self.trouble.boxes),
        ]
        tables = room(
            ("counted", "bare", "wild", "backwards", *self.trouble.boxes),
            probes,
            port=self.line.port,
            channels={name: sink.port for name, sink in zip(SINKS, self.sinks, strict=True)},
            answers={"topic": "eggs/answer", "bare_numbers": True},
            pace={"clock": str(self._clock_file), "again_within_s": 2.0, "channels": {"timeout_s": 2}},
        )
        stacks = tables["stacks"]
        assert isinstance(stacks, list)
        for stack in stacks[4:]:
            stack["boxes"][0] |= {"too_warm_c": 28.5, "too_cool_c": 27.5}
        if zone is not None:
            tables["room"] |= {"time_zone": zone[0]}  # type: ignore[operator]
            tables["calendar"] |= {"daily_line_at": zone[1]}  # type: ignore[operator]
        return tables

    # -- time -----------------------------------------------------------------------------------------------------

    def now_ms(self) -> int:
        """The right time in the room."""
        return now_ms() + self.off_ms

    def clock_off(self, wrong_ms: int) -> None:
        """The computer's clock is wrong by so much from now on."""
        self.clock_sets += wrong_ms != self._wrong_ms
        self._wrong_ms = wrong_ms
        struct.pack_into("<q", self._clock, 0, self.off_ms + wrong_ms)

    # -- what is sent ---------------------------------------------------------------------------------------------

    def publish(self, topic: str, payload: str, probe: str, at_ms: int | None, value: float) -> None:
        """A reading that must be kept; without a time of its own ``at_ms`` is None."""
        with self._lock:
            self.sent[f"eggs/{topic}", payload.encode()] = probe, at_ms, value
            self.sent_s[f"eggs/{topic}", payload.encode()] = time.monotonic()
        self.publisher.publish(f"eggs/{topic}", payload)

    def send(self, _: int) -> None:
        """One more of the numbered messages, with a time and without."""
        n = len(self.numbers)
        if n >= NUMBERS:
            return
        value, at = value_of(n, NUMBERS), self.start_ms + n * STEP_MS
        self.publish("numbered", message(at, value), "numbered", at, value)
        self.publish("bare", repr(value), "bare", None, value)
        self.numbers.append(n)

    def cycle(self, _: int) -> None:
        """The temperature of the box that is in trouble; the next step once the last was told."""
        trouble = self.trouble
        lasts = time.monotonic() - trouble.begun_s > STEP_S
        if lasts and not trouble.over and self._told(trouble.expected()):
            trouble.next()
        elif trouble.step >= 0 and time.monotonic() - trouble.begun_s > JUDGED_S and not trouble.over:
            trouble.missing.append(" ".join(trouble.expected() or ()))
            trouble.next()
        at = self.now_ms()
        self.publish(trouble.box, message(at, trouble.value), trouble.box, at, trouble.value)

    def _told(self, change: tuple[str, str, str] | None) -> bool:
        return change is None or change in {(t.kind, t.subject, t.change) for t in self.history() or ()}

    @contextlib.contextmanager
    def sending(self) -> Iterator[None]:
        with Beat(self.send, EVERY_S), Beat(self.cycle, CYCLE_EVERY_S):
            yield

    # -- what came of it ------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def store(self, *, create: bool = False) -> Iterator[Store]:
        with Store(self.data, create=create) as store:
            yield store

    def history(self) -> list[Transition] | None:
        """Every change of a condition, oldest first; None when nobody may look just now."""
        if not self.kept.alive or not self.looking.acquire(blocking=False):
            return None
        try:
            with contextlib.suppress(MonitorError, OSError), self.store() as store:
                return store.ledger.history(100_000)[::-1]
        finally:
            self.looking.release()
        return None

    def recovered(self, seconds: float = MOMENT_S) -> float | None:
        """How long until a message that is sent from now on is acknowledged and a whole round was made; None: not
        within ``seconds``."""
        began, first = time.monotonic(), len(self.numbers)

        def back() -> bool:
            if self.kept.signed_s <= began:
                return False
            with self.line.lock:
                for n in range(first, len(self.numbers)):
                    payload = message(self.start_ms + n * STEP_MS, value_of(n, NUMBERS)).encode()
                    if ("eggs/numbered", payload) in self.line.acknowledged:
                        return True
            return False

        return time.monotonic() - began if until(back, seconds, 0.02) else None

    def close(self) -> None:
        self.kept.end()
        self.publisher.close()
        self.line.close()
        self.broker.stop(kill=True)
        self._clock.close()
        if self.disk:
            subprocess.run(["umount", "-l", self.data.parent], check=False, capture_output=True)

    # -- the account ----------------------------------------------------------------------------------------------

    def account(self) -> tuple[dict[str, float], list[str]]:
        """What is lost, doubled, missing and unexpected, once nothing is sent any more; and what falls short."""
        short = [f"{what} was not told" for what in self.trouble.missing]
        self.publisher.wait_acknowledged(2 * MOMENT_S)
        until(self._all_acknowledged, 10.0, 0.1)
        self.kept.ask()  # what waits for another try is tried at the start
        self.kept.wait_ready()
        if not until(self._all_delivered, MOMENT_S, 0.2):
            short.append("notices are still on their way a minute after the last fault")
        code = self.kept.end()
        if code != 0:
            short.append(f"the last service ended with {code}")
        figures = self._readings(short) | self._notices(short) | self._sums(short)
        with self.store() as store:
            figures["damage"] = len(store.db.check())
        # What was judged by a wrong clock is judged once more, and told twice rather than never: at each setting by one
        # notice of each kind and change, whatever boxes that names.
        again = figures.pop("told twice after the clock was set")
        if self.clock_sets:
            figures["told twice"] = max(0.0, again - 4 * self.clock_sets)
        figures["told twice after the clock was set"] = again
        figures["times the clock was set"] = self.clock_sets
        for name in ("lost", "doubled", "never sent", "at a wrong time", "damage", "notices missing", "told twice"):
            if figures.get(name):
                short.append(f"{name}: {figures[name]:.0f}")
        return figures, short

    def _all_acknowledged(self) -> bool:
        with self._lock, self.line.lock:
            return self.sent.keys() <= self.line.acknowledged.keys()

    def _all_delivered(self) -> bool:
        with contextlib.suppress(MonitorError):
            return self.run.undelivered() == 0
        return False

    def _readings(self, short: list[str]) -> dict[str, float]:
        """Each acknowledged message against the store. Of messages without a time each packet is a reading: a broker
        that forgot what it had delivered, or a gateway that nobody answered, sends them again as new ones."""
        stored: dict[str, Counter[tuple[int, float]]] = {}
        for probe in (*TOPICS, *self.trouble.boxes):
            at, values = self.run.readings(probe)
            stored[probe] = Counter(zip(at.tolist(), values.tolist(), strict=True))
        by_value = {probe: Counter[float]() for probe in stored}
        for probe, found in stored.items():
            for (_, value), n in found.items():
                by_value[probe][value] += n
        lost, by_broker, doubled, wrong = [], Counter[str](), 0, 0
        for sent, (probe, at_ms, value) in self.sent.items():
            if at_ms is None:
                n, most = by_value[probe][value], max(1, len(self.line.delivered.get(sent, ())))
            else:
                n, most = stored[probe][at_ms, value], 1
                wrong += n == 0 and by_value[probe][value] > 0 and probe == "numbered"
            doubled += max(0, n - most)
            if n == 0:
                if sent in self.line.acknowledged:
                    lost.append(sent)
                else:
                    by_broker[self._who_lost(self.sent_s[sent])] += 1
        lost += [("converted", repr(reading).encode()) for reading in self.before - stored["backwards"].keys()]
        doubled += sum(stored["backwards"][reading] > 1 for reading in self.before)
        wanted = {(probe, value) for probe, _, value in self.sent.values()}
        wanted |= {("backwards", value) for _, value in self.before}
        strange = sum((probe, value) not in wanted for probe, values in by_value.items() for value in values)
        if by_broker["never"]:
            short.append(f"{by_broker['never']} messages are gone, and no broker was killed after them")
        short += [f"lost: {topic} {payload.decode()}" for topic, payload in lost[:5]]
        return {
            "messages": len(self.sent),
            "acknowledged": sum(sent in self.line.acknowledged for sent in self.sent),
            "lost": len(lost),
            "lost by a broker killed with its store": by_broker["with"],
            "lost by a broker killed without its store": by_broker["without"],
            "doubled": doubled,
            "at a wrong time": wrong,
            "never sent": strange,
        }

    def _who_lost(self, sent_s: float) -> str:
        """How the broker was killed that lost a message. One that lost its sessions has nobody to keep messages for,
        until the service has subscribed again; else the first that was killed after it was sent must have had it."""
        for at, how in self.broker_kills:
            again = next((s for s in self.line.subscribed_s if s > at), math.inf)
            if how == "without" and at - 2.0 <= sent_s <= again + 2.0:
                return how
        return next((how for at, how in self.broker_kills if at > sent_s), "never")

    def _notices(self, short: list[str]) -> dict[str, float]:
        """Every notice at every receiver, by itself or in a digest; each change of a trouble told once."""
        with self.store() as store:
            told, history = store.ledger.notices(100_000), store.ledger.history(100_000)
            inside = set(store.db.rows("SELECT notice, channel FROM outbox WHERE folded IS NOT NULL"))
        # What is judged once more after the clock was set right is written down again, and told once, under its key.
        changes = Counter((k, c) for k, _, c, _ in {(t.kind, t.subject, str(t.change), t.at_ms) for t in history})
        missing, doubled = 0, 0
        for name, sink in zip(SINKS, self.sinks, strict=True):
            arrived = Counter(sink.keys())
            digests = [a.text for a in sink.taken if a.key.startswith("digest/")]
            for n in told:
                # A digest is for the channel in its key alone, and an older one may have gone into a newer; what the
                # daily line tells comes with that.
                if n.for_daily_line or (n.change == "digest" and (name not in n.key or (n.id, name) in inside)):
                    continue
                if n.key not in arrived and not any(n.title in text for text in digests):
                    missing += 1
                    short.append(f"{n.key} has not arrived at the {name} receiver")
            doubled += sum(n - 1 for n in arrived.values())
        twice = 0
        for change, times in self.trouble.wanted.items():
            skipped = sum(m.startswith(change[0]) and m.endswith(change[1]) for m in self.trouble.missing)
            twice += max(0, changes[change] - times)
            if changes[change] < times - skipped:
                short.append(f"{' '.join(change)} {changes[change]} times, {times} expected")
        came = Counter((n.kind, str(n.change)) for n in told)
        again = sum(max(0, came[change] - times) for change, times in self.trouble.wanted.items())
        days = [n.key for n in told if n.change == "daily"]
        twice += len(days) - len(set(days))
        return {
            "notices": len(told),
            "notices missing": missing,
            "notices doubled": doubled,
            "told twice": twice,
            "told twice after the clock was set": again,
            "daily lines": len(days),
        }

    def _sums(self, short: list[str]) -> dict[str, float]:
        """Development as the store has it, against the same summed up anew from all readings."""
        settings = load(self.run.config, data_dir=self.data)
        until_ms = self.start_ms + max(len(self.numbers) - 1, 0) * STEP_MS
        found = []
        with self.store() as store:
            for anew in (False, True):
                if anew:
                    store.parts.forget_all()
                lots = Derived(store, settings, load_profile).lots(until_ms)
                assert lots[0].past is not None
                found.append(float(lots[0].past.development))
        if not abs(found[0] - found[1]) <= 1e-9 * max(abs(found[1]), 1e-9):
            short.append(f"the development summed up along the way is {found[0]!r}, anew {found[1]!r}")
        return {"development": found[1]}


def small_disk(place: Path) -> bool:
    """A disk of its own for the store, of some megabytes; False where none can be made."""
    place.mkdir(parents=True, exist_ok=True)
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK}", "tmpfs", str(place)]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0


@contextlib.contextmanager
def campaign_room(boxes: int, off_ms: int = 0, zone: tuple[str, str] | None = None) -> Iterator[CampaignRoom]:
    """A room whose service is up. ``zone``: its time zone, and when its daily line is due there."""
    with tempfile.TemporaryDirectory() as name, http_sink() as first, http_sink() as second:
        made = CampaignRoom(Path(name), boxes, off_ms, zone, [first, second])
        try:
            if not until(lambda: "subscribed to" in made.run.log(), MOMENT_S):
                raise AssertionError(f"the service did not subscribe: {made.run.log()[-3000:]}")
            yield made
        finally:
            made.close()
