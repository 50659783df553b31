"""What is lost or doubled when the service is killed (kill -9) again and again while readings pour in.

Numbered messages with QoS 1 go through a real mosquitto at a steady pace to the real command, which is killed at
each named crash point and at random moments, and started again each time. Half of the messages carry their own time
(spread over some hours of the past, some of them late), half do not. The values are a permutation, so that each
missing or doubled reading changes the sums. Meanwhile a box goes through too warm and too cool, and every notice
of it must arrive at a real HTTP receiver.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.bench.process import Beat, Publisher, Service, message, now_ms, room, service, timed, until
from tests.oracles.sums import degree_days, integrate_rate
from tests.peers import MOMENT_S, mosquitto
from tests.sinks import Sink, http_sink

CRASH_POINTS = (
    "before-commit",
    "after-commit-before-ack",
    "mid-batch",
    "after-limits-before-send",
    "after-lease-before-send",
    "after-send-before-mark",
)
# The broker is not killed here: that it writes all it holds to the disk at each message would only slow it down.
SELDOM = "autosave_on_changes false\nautosave_interval 30"
SPECIES = "pituophis-melanoleucus"
# Seldom enough for every reading to be summed up (``core.readings.thinning``).
STEP_MS = 10_800
STEP_C = 1e-5
FIRST_C = 26.0
# A share of the timed messages comes later than it was measured, by up to so many others.
LATE_SHARE = 0.03
LATE_BY = 500
# What a cycled box does, once: for each value the kind that it raises. The next one goes on, since what comes again
# soon after its end takes hours to be over.
CYCLE = (("too-warm", 28.6), ("", 28.0), ("too-cool", 27.4), ("", 28.0))
CYCLE_STEP_S = 2.5
CYCLE_EVERY_S = 0.25


def value_of(number: int, messages: int) -> float:
    """A value for each number of ``range(messages)``, none twice, neighbours apart by tenths of a degree at most."""
    stride = next(k for k in range(int(messages * 0.38), 2 * messages) if np.gcd(k, messages) == 1)
    return round(FIRST_C + STEP_C * ((number * stride) % messages), 6)


def order(messages: int, rng: random.Random) -> list[int]:
    """The order of sending: as measured, but for the late ones."""
    places = [n + (rng.uniform(0, LATE_BY) if rng.random() < LATE_SHARE else 0.0) for n in range(messages)]
    return sorted(range(messages), key=lambda n: places[n])


def measure(messages: int = 20_000, kills: int = 6, seed: int = 1) -> Figures:
    """``messages`` of each sort, ``kills`` at random moments beside one at each crash point."""
    rng = random.Random(seed)
    short: list[str] = []
    figures: dict[str, float] = {"messages": 2 * messages, "messages_with_time": messages, "messages_without": messages}
    boxes = [f"cycled-{n + 1}" for n in range(kills + len(CRASH_POINTS))]
    with (
        tempfile.TemporaryDirectory() as name,
        http_sink() as sink,
        mosquitto(Path(name) / "broker", extra=SELDOM) as broker,
    ):
        probes = [
            timed("numbered", "counted", interval=10, quiet_after=60),
            {"id": "bare", "topic": "eggs/bare", "box": "bare", "interval": 1},
            *(timed(box, box) for box in boxes),
        ]
        tables = room(("counted", "bare", *boxes), probes, port=broker.port, channels={"hook": sink.port})
        stacks = tables["stacks"]
        assert isinstance(stacks, list)
        for stack in stacks[2:]:
            stack["boxes"][0] |= {"too_warm_c": 28.5, "too_cool_c": 27.5}
        start_ms = now_ms() - messages * STEP_MS - 600_000
        with service(Path(name) / "service", tables) as run:
            _set_clutch(run, start_ms)
            run.start()
            run.wait_up()
            with Publisher(broker.port) as publisher:
                numbers = order(messages, rng)

                def send(index: int) -> None:
                    n = numbers[index]
                    publisher.publish("eggs/numbered", message(start_ms + n * STEP_MS, value_of(n, messages)))
                    publisher.publish("eggs/bare", repr(value_of(n, messages)))

                # Each death and start takes some seconds on a slow machine; the stream lasts as long.
                span_s = 2.5 * (kills + len(CRASH_POINTS))
                cycled: list[str] = []
                ending = threading.Event()
                cycler, judged = _cycler(run, publisher, boxes, cycled, ending)
                with (
                    Beat(send, span_s / messages, messages) as stream,
                    Beat(cycler, CYCLE_EVERY_S),
                ):
                    figures |= _deaths(run, kills, rng, short)
                    stream.join(span_s + 30)
                    ending.set()
                    until(judged, 2 * MOMENT_S, 0.2)
                # The cycle ends where nothing is wrong.
                for box in boxes:
                    publisher.publish(f"eggs/{box}", message(now_ms(), 28.0))
                publisher.wait_acknowledged(2 * MOMENT_S)
            until(lambda: _stored(run, "numbered") >= messages and _stored(run, "bare") >= messages, 2 * MOMENT_S, 0.2)
            until(
                lambda: all(_changed(run, kind) >= 2 * cycled.count(kind) for kind in ("too-warm", "too-cool")),
                2 * MOMENT_S,
            )
            until(lambda: run.undelivered() == 0, 2 * MOMENT_S)
            time.sleep(0.5)  # what came too often would show now
            figures |= _counts(run, messages, start_ms, short)
            figures |= _sums(run, messages, start_ms, short)
            figures |= _notices(run, cycled, sink, short)
            code = run.stop()
            if code != 0:
                short.append(f"the last service ended with {code}")
    return Figures(figures, short, [f"{span_s:.0f} s of sending, {figures['deaths']:.0f} deaths, seed {seed}"])


def _set_clutch(run: Service, start_ms: int) -> None:
    with run.store() as store:
        told = {"clutch": "K01", "recorded_ms": start_ms}
        store.account.tell(KeeperEvent(EventKind.LAID, at_ms=start_ms, species=SPECIES, eggs=6, **told))  # type: ignore[arg-type]
        store.account.tell(KeeperEvent(EventKind.SET, at_ms=start_ms, box="counted", eggs=6, **told))  # type: ignore[arg-type]


def _cycler(
    run: Service, publisher: Publisher, boxes: list[str], cycled: list[str], ending: threading.Event
) -> tuple[Callable[[int], None], Callable[[], bool]]:
    """Publishes the temperature of the box that is cycled now; ``cycled`` gets each kind that a new step raises. And
    whether the newest step was judged.

    A step lasts until then: one that came and went while nobody was there is told in another way. After ``ending``,
    and when every box was cycled, none is begun.
    """
    a_step = round(CYCLE_STEP_S / CYCLE_EVERY_S)
    step, since, last = -1, -a_step, len(CYCLE) * len(boxes) - 1

    def judged() -> bool:
        if step < 0:
            return True
        changes, over = run.changes(), not CYCLE[step % len(CYCLE)][0]
        return all(
            changes[f"{kind} raised"] == cycled.count(kind)
            and (not over or changes[f"{kind} cleared"] == cycled.count(kind))
            for kind in set(cycled)
        )

    def act(n: int) -> None:
        nonlocal step, since
        if n - since >= a_step and step < last and not ending.is_set() and judged():
            step, since = step + 1, n
            if kind := CYCLE[step % len(CYCLE)][0]:
                cycled.append(kind)
        box, (_, value) = boxes[step // len(CYCLE)], CYCLE[step % len(CYCLE)]
        publisher.publish(f"eggs/{box}", message(now_ms(), value))

    return act, judged


def _deaths(run: Service, kills: int, rng: random.Random, short: list[str]) -> dict[str, float]:
    """One death at each crash point, then ``kills`` at random moments after something was stored."""
    figures: dict[str, float] = {"deaths": 0, "random_kills": 0, "random_kills_while_storing": 0}
    run.kill()
    figures["deaths"] += 1
    for point in CRASH_POINTS:
        which = rng.randint(1, 200 if point == "mid-batch" else 3 if "send" in point else 8)
        process = run.start(WARMTALLY_CRASH_AT=f"{point}:{which}")
        died = until(lambda p=process: p.poll() is not None, 2 * MOMENT_S) and process.returncode == -9  # type: ignore[misc]
        figures[f"died {point}"] = int(died)
        if not died:
            short.append(f"the service did not come to the crash point {point}")
        run.kill()
        figures["deaths"] += died
    for _ in range(kills):
        before = _journal(run)
        run.start()
        storing = until(lambda b=before: _journal(run) > b, 2 * MOMENT_S)  # type: ignore[misc]
        time.sleep(rng.uniform(0.0, 1.5))
        run.kill()
        figures["deaths"] += 1
        figures["random_kills"] += 1
        figures["random_kills_while_storing"] += storing
    # The last one is stopped in order, which it must have been told how to do.
    up = run.log().count("subscribed to")
    run.start()
    run.wait_up(times=up + 1)
    return figures


def _journal(run: Service) -> int:
    with run.store() as store:
        return store.journal.last_seq()


def _stored(run: Service, probe: str) -> int:
    with run.store() as store:
        return store.readings.counts().get(probe, 0)


def _changed(run: Service, kind: str) -> int:
    changes = run.changes()
    return changes[f"{kind} raised"] + changes[f"{kind} cleared"]


def _counts(run: Service, messages: int, start_ms: int, short: list[str]) -> dict[str, float]:
    figures: dict[str, float] = {}
    wanted = {value_of(n, messages) for n in range(messages)}
    for probe, label in (("numbered", "with_time"), ("bare", "without")):
        at, values = run.readings(probe)
        found = Counter(values.tolist())
        figures[f"stored_{label}"] = len(values)
        figures[f"lost_{label}"] = len(wanted - found.keys())
        figures[f"doubled_{label}"] = sum(n - 1 for n in found.values())
        figures[f"strange_{label}"] = len(found.keys() - wanted)
        if probe == "numbered":
            right = {start_ms + n * STEP_MS: value_of(n, messages) for n in range(messages)}
            figures["at_wrong_time"] = sum(right.get(a) != v for a, v in zip(at.tolist(), values.tolist(), strict=True))
    with run.store() as store:
        figures["quarantined"] = len(store.unread.messages(10))
        figures["damage"] = len(store.db.check())
    short += [f"{name} is {n:.0f}" for name, n in figures.items() if not name.startswith("stored") and n]
    return figures


def _sums(run: Service, messages: int, start_ms: int, short: list[str]) -> dict[str, float]:
    """Development and degree-days as the store has them, against one integration of what was published."""
    curve = load_profile(SPECIES).curve()
    at = start_ms + STEP_MS * np.arange(messages, dtype=np.int64)
    values = np.array([value_of(n, messages) for n in range(messages)])
    once = {"development": integrate_rate(at, values, curve), "degree_days": degree_days(at, values, curve.base_c)}
    figures: dict[str, float] = {}
    settings = load(run.config, data_dir=run.data)
    with run.store() as store:
        kept = sum(1 for _ in store.db.rows("SELECT 1 FROM part"))
        for which in ("running", "rebuilt"):
            if which == "rebuilt":
                store.parts.forget_all()
            (lot,) = Derived(store, settings, load_profile).lots(int(at[-1]))
            for name, value in once.items():
                got = float(getattr(lot.past, name))
                off = abs(got / value - 1.0)
                figures[f"{name}_{which}"] = got
                figures[f"{name}_{which}_relative_error"] = off
                if not off <= 1e-9:
                    short.append(f"{name} ({which}) is {got!r}, one integration gives {value!r}")
    figures |= {f"{name}_one_shot": value for name, value in once.items()}
    figures["hours_kept_on_disk"] = kept
    if kept == 0:
        short.append("no hour's sum had been written: the sums were not tested")
    return figures


def _notices(run: Service, cycled: list[str], sink: Sink, short: list[str]) -> dict[str, float]:
    changes = run.changes()
    arrived = Counter(sink.keys())
    told = {n.key for n in run.notices()}
    figures: dict[str, float] = {"notices": len(told), "notices_arrived": len(arrived)}
    figures["notices_missing"] = len(told - arrived.keys())
    for n in run.notices():
        if n.key not in arrived:
            with run.store() as store:
                fares = ", ".join(
                    f"{o.channel} {o.state} after {o.attempts} ({o.error})" for o in store.outbox.outgoing(n.id)
                )
            short.append(f"{n.key} has not arrived: {fares}")
    figures["notices_strange"] = len(arrived.keys() - told)
    figures["notices_doubled"] = sum(n - 1 for n in arrived.values())
    for kind in ("too-warm", "too-cool"):
        times = cycled.count(kind)
        figures[f"times {kind}"] = times
        for change in ("raised", "cleared"):
            figures[f"{change} {kind}"] = changes[f"{kind} {change}"]
            if changes[f"{kind} {change}"] != times:
                short.append(f"{kind} was {change} {changes[f'{kind} {change}']} times, {times} expected")
    # Was each change told under the key that it must have?
    figures["changes_not_told"] = sum(
        f"{t.kind}/{t.subject}/{t.change}/{t.at_ms}" not in arrived for t in run.history()
    )
    figures["unexpected"] = sum(n for change, n in changes.items() if not change.startswith("too-"))
    for name in ("notices_missing", "notices_strange", "changes_not_told", "unexpected"):
        if figures[name]:
            short.append(f"{name} is {figures[name]:.0f}: {dict(changes)}")
    return figures
