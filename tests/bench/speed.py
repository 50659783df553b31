"""How fast it is, each figure beside a peer in one run: a ratio, so that what else the computer does falls out.

*Ingest*: a broker's backlog into the store, beside a bare paho client that stores each batch in one table and
acknowledges by hand (:mod:`tests.bench.ingest`). *Notice*: from publishing a harmful reading to its notice at a local
web hook, beside a bare subscriber that commits one row and posts. *Rebuild*: all sums of many probes and days out of
their readings, beside decoding them and adding up by numpy. *Rounds*: a first and a later one with many lots, beside
the bare integrals (:mod:`tests.bench.evaluation`). *Start*: with that season behind it until it is subscribed, beside
the bare subscriber. *Memory*: after a flood, beside before it.
"""

from __future__ import annotations

import contextlib
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.development.curves import RateCurve
from monitor.core.terms.times import DAY_MS
from monitor.derived.room import Derived
from tests.bench import Figures, evaluation, ingest
from tests.bench.footprint import process_facts
from tests.bench.process import Publisher, Service, now_ms, room, service, until
from tests.peers import PROJECT, mosquitto, wait_for
from tests.sinks import Sink, http_sink

LEAST_INGEST = 0.85
MOST_NOTICE, MOST_NOTICE_99 = 3.0, 10.0
MOST_REBUILD = 2.0
MOST_FIRST = 3.0
MOST_START_S = 2.0
MOST_KEPT = 1.25
# Longer than the service lets pass between two rounds that readings ask for.
APART_S = 3.3
# Not so far from the one before that it could not be true.
HARMFUL = "32.0"


def _ingest(messages: int, repeats: int) -> dict[str, float]:
    found = ingest.measure(messages, repeats).figures
    figures: dict[str, float] = {}
    for form in ("bare_number", "json"):
        wall, cpu = (float(found[f"{form}_{part}_ratio_to_bare"] or 0) for part in ("wall", "cpu"))
        figures |= {
            f"ingest_{form}_ours_per_s": float(found[f"{form}_ours_per_s"] or 0),
            f"ingest_{form}_peer_per_s": float(found[f"{form}_bare_per_s"] or 0),
            f"ingest_{form}_ratio": 1.0 / wall,
            f"ingest_{form}_processor_ratio": 1.0 / cpu,
            f"ingest_{form}_doubled_or_lost": float(found[f"{form}_doubled_or_lost"] or 0),
        }
    return figures


# ---------------------------------------------------------------- a harmful reading to its notice


def subscriber(port: str, receiver: str, folder: str) -> None:
    """The peer: one row, one commit, one post for each reading above a limit."""
    table = sqlite3.connect(Path(folder) / "bare.db", isolation_level=None)
    table.execute("PRAGMA journal_mode=WAL").fetchall()
    table.execute("PRAGMA synchronous=FULL")
    table.execute("CREATE TABLE reading (topic TEXT, at INTEGER, value REAL)")

    def take(client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        value = float(message.payload)
        table.execute("INSERT INTO reading VALUES (?,?,?)", (message.topic, now_ms(), value))
        client.ack(message.mid, 1)
        if value > 31.0:
            post = urllib.request.Request(
                f"http://127.0.0.1:{receiver}/bell",
                b'{"title": "Too warm", "message": "Too warm: %s"}' % message.topic.encode(),
                {"Content-Type": "application/json"},
            )
            urllib.request.urlopen(post, timeout=10).read()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bare", protocol=mqtt.MQTTv5, manual_ack=True)
    client.on_message = take
    client.on_subscribe = lambda *_: print("subscribed", flush=True)
    client.connect("127.0.0.1", int(port))
    client.subscribe("eggs/#", 1)
    client.loop_forever()


@contextlib.contextmanager
def _bare_subscriber(port: int, receiver: int, folder: Path) -> Iterator[None]:
    words = ["import sys; from tests.bench.speed import subscriber; subscriber(*sys.argv[1:])"]
    command = [sys.executable, "-c", *words, str(port), str(receiver), str(folder)]
    with subprocess.Popen(command, cwd=PROJECT, stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline().strip() == b"subscribed"
            yield
        finally:
            process.kill()


def _to_the_sink(publisher: Publisher, topic: str, sink: Sink) -> float:
    """Seconds from publishing a harmful reading to what it brings about; every other arrival was before."""
    before, began = len(sink.arrivals), time.monotonic()
    publisher.publish(topic, HARMFUL)
    wait_for(lambda: len(sink.arrivals) > before, "a notice", 30)
    return sink.arrivals[before].at - began


def _notices(times: int, folder: Path) -> tuple[list[float], list[float]]:
    """Seconds of ours and of the peer, by turns, each time of another box."""
    boxes = [f"b{n}" for n in range(times + 1)]
    with (
        mosquitto(folder / "broker") as broker,
        http_sink() as ours,
        http_sink() as theirs,
        _bare_subscriber(broker.port, theirs.port, folder),
        Publisher(broker.port) as publisher,
    ):
        tables = room(
            boxes,
            [{"id": f"p-{box}", "topic": f"eggs/{box}", "box": box} for box in boxes],
            port=broker.port,
            limits={"too_warm_c": 31.0, "too_cool_c": 5.0},
            # As rooms have it: it is the reading that has to bring a round about.
            pace={"tick_s": 15.0, "commit_every_s": 2.0},
        )
        # A channel a stack: who was not told of the first box does not wait for the next.
        tables["channels"] = [
            {"id": f"bell-{box}", "url": f"json://127.0.0.1:{ours.port}/bell", "stacks": [f"stack-{box}"]}
            for box in boxes
        ]
        with service(folder / "service", tables) as running:
            running.start()
            running.wait_up()
            for box in boxes:
                publisher.publish(f"eggs/{box}", "28.0")
            # What is loaded when the first notice goes out is not what is asked for here.
            wait_for(lambda: running.stored_raw() >= len(boxes), "the first readings")
            publisher.publish(f"eggs/{boxes[-1]}", HARMFUL)
            wait_for(lambda: any("Too warm" in arrival.title for arrival in ours.arrivals), "a first notice")
            found: tuple[list[float], list[float]] = ([], [])
            for box in boxes[:-1]:
                time.sleep(APART_S)
                count = len(theirs.arrivals)
                found[0].append(_to_the_sink(publisher, f"eggs/{box}", ours))
                wait_for(lambda count=count: len(theirs.arrivals) > count, "the peer")  # type: ignore[misc]
                found[1].append(theirs.arrivals[count].at - (ours.arrivals[-1].at - found[0][-1]))
            return found


# ---------------------------------------------------------------- rebuild, start, memory


def _rebuild(probes: int, days: int, interval_s: float) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name, Store(Path(name) / "data", create=True) as store:
        settings = evaluation.settings(Path(name), probes, interval_s)
        evaluation.fill(store, 2 * probes, probes, days, interval_s)
        now = evaluation.START_MS + days * DAY_MS
        derived = Derived(store, settings, load_profile)
        curves: list[tuple[str, RateCurve]] = [
            (stay.box, curve)
            for clutch in store.account.clutches(now).values()
            if (curve := derived.book.of(clutch.species).curve) is not None
            for lot in clutch.lots
            for stay in lot.path
        ]
        own = {box: (box, curve) for box, curve in curves}

        def bare() -> None:
            series = {
                f"box{n}": columns.value
                for n in range(probes)
                for columns in store.readings.load([f"probe{n}"], 0, 2**61).values()
            }
            evaluation.integrals(series, list(own.values()), interval_s / 86_400)

        peer_s = evaluation.timed(bare, 2)
        began = time.process_time()
        derived.hours.refresh(now)
        ours_s = time.process_time() - began
    return {"rebuild_ours_s": ours_s, "rebuild_peer_s": peer_s, "rebuild_ratio": ours_s / peer_s}


def _season(folder: Path, boxes: int, lots: int, days: int, port: int) -> Service:
    """A service with a season behind it that ends now, not started."""
    names = [f"box{n}" for n in range(boxes)]
    tables = room(
        names,
        [{"id": f"probe{n}", "topic": f"room/{n}", "box": f"box{n}"} for n in range(boxes)],
        port=port,
        pace={"tick_s": 15.0, "commit_every_s": 2.0},
    )
    made = Service(folder, tables)
    with Store(made.data) as store:
        evaluation.fill(store, lots, boxes, days, 600.0, now_ms() // 3_600_000 * 3_600_000 - days * DAY_MS)
    return made


def _start_and_flood(lots: int, boxes: int, days: int, messages: int, settle_s: float) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker", extra=ingest.SELDOM) as broker:
        began = time.monotonic()
        with _bare_subscriber(broker.port, 1, Path(name)):
            peer_s = time.monotonic() - began
        made = _season(Path(name) / "service", boxes, lots, days, broker.port)
        try:
            # The first start sums the season up, as it went on before day by day.
            made.start()
            made.wait_up()
            wait_for(lambda: _rounds(made) > 0, "a first round", 120)
            made.stop()
            began = time.monotonic()
            process = made.start()
            made.wait_up(times=2)
            start_s = time.monotonic() - began
            time.sleep(settle_s)
            before = process_facts(process.pid)["resident_mb"]
            held = made.stored_raw()
            with Publisher(broker.port) as publisher:
                for n in range(messages):
                    publisher.publish(f"room/{n % boxes}", f"{28 + n % 7 / 100:.2f}")
                publisher.wait_acknowledged(120)
                wait_for(lambda: made.stored_raw() >= held + messages, "the flood to be stored", 120)
                most = process_facts(process.pid)["resident_mb"]
                until(lambda: process_facts(process.pid)["resident_mb"] < 1.05 * before, settle_s)
            after = process_facts(process.pid)["resident_mb"]
        finally:
            made.kill()
    return {
        "start_to_subscribed_ours_s": start_s,
        "start_to_subscribed_peer_s": peer_s,
        "start_to_subscribed_ratio": start_s / peer_s,
        "flood_before_mb": before,
        "flood_most_mb": most,
        "flood_after_mb": after,
        "flood_ratio": after / before,
    }


def _rounds(made: Service) -> int:
    with made.store() as store:
        return int(store.db.rows("SELECT COUNT(*) FROM part")[0][0])


def measure(
    messages: int = 20_000,
    repeats: int = 5,
    notices: int = 30,
    probes: int = 64,
    days: int = 120,
    lots: int = 200,
    interval_s: float = 600.0,
    settle_s: float = 20.0,
) -> Figures:
    """Each part after the other; ``interval_s`` between two readings of a probe in the seasons."""
    figures: dict[str, float | int] = {**_ingest(messages, repeats)}
    with tempfile.TemporaryDirectory() as name:
        ours, peer = _notices(notices, Path(name))
    ratios = sorted(a / b for a, b in zip(ours, peer, strict=True))
    figures |= {
        "notice_ours_ms": 1000 * statistics.median(ours),
        "notice_peer_ms": 1000 * statistics.median(peer),
        "notice_ratio": statistics.median(ratios),
        "notice_99_ratio": float(np.quantile(ratios, 0.99)),
    }
    figures |= _rebuild(probes, days, interval_s)
    rounds = evaluation.measure(lots=lots, days=days, interval_s=interval_s)
    figures |= {
        "first_round_ours_s": float(rounds.figures["first_round_s"] or 0),
        "rounds_peer_s": float(rounds.figures["integrals_alone_s"] or 0),
        "first_round_ratio": float(rounds.figures["first_round_to_integrals_ratio"] or 0),
        "next_round_ratio": float(rounds.figures["next_round_to_integrals_ratio"] or 0),
    }
    figures |= _start_and_flood(lots, 20, days, messages, settle_s)
    return Figures(
        figures,
        [*_short(figures), *rounds.falls_short],
        [
            "ratios: of ingest our messages a second over the peer's, higher is better; else our time over theirs",
            f"seasons have a reading every {interval_s:g} s; peers are described in tests/bench/speed.py",
            "a notice: on-delay 0, a round every 15 s as usual; the first of all, which loads libraries, is left out",
        ],
    )


def _short(figures: dict[str, float | int]) -> list[str]:
    """What misses its bound."""
    bounds: list[tuple[str, float, Callable[[float, float], bool]]] = [
        ("ingest_bare_number_ratio", LEAST_INGEST, float.__ge__),
        ("ingest_json_ratio", LEAST_INGEST, float.__ge__),
        ("ingest_bare_number_doubled_or_lost", 0.0, float.__le__),
        ("ingest_json_doubled_or_lost", 0.0, float.__le__),
        ("notice_ratio", MOST_NOTICE, float.__le__),
        ("notice_99_ratio", MOST_NOTICE_99, float.__le__),
        ("rebuild_ratio", MOST_REBUILD, float.__le__),
        ("first_round_ratio", MOST_FIRST, float.__le__),
        ("start_to_subscribed_ours_s", MOST_START_S, float.__le__),
        ("flood_ratio", MOST_KEPT, float.__le__),
    ]
    return [
        f"{name} is {float(figures[name]):.2f}, wanted {bound:g}"
        for name, bound, keeps in bounds
        if not keeps(float(figures[name]), bound)
    ]
