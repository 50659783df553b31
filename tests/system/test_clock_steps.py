"""The computer's clock is set while things wait: nothing is lost, nothing doubled, no storm of repeats."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings, Watch
from monitor.service.watchers import ClockWatch
from tests.bench.stepped import Clock, stepped
from tests.peers import MOMENT_S
from tests.sinks import http_sink

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
# Quiet from ten to seven; the trouble begins at eleven in the evening.
START_MS = int(datetime(2026, 9, 1, 20, tzinfo=UTC).timestamp() * 1000)
BOXES = ("a", "b", "c")


def settings(port: int) -> Settings:
    address = f"json://127.0.0.1:{port}"
    return Settings(
        room=Room(
            "room", "UTC", "C", ("left",), tuple(Box(b, "left", 10.0 + 40 * i) for i, b in enumerate(BOXES)),
            # Readings have no time of their own, so that the clock that is set dates them.
            tuple(
                Probe(f"{b}-t", f"room/{b}", pointer="/value", box=b, interval_s=600.0, quiet_after_s=1800.0)
                for b in BOXES
            ),
            limits=Limits(too_warm_c=28.3, on_delay_s=600.0, off_delay_s=600.0),
            watch=Watch(quiet_from="22:00", quiet_until="07:00", room_quiet_after_s=3600.0),
        ),
        broker=Broker(),
        channels=(Channel("phone", f"{address}/phone"), Channel("person", f"{address}/person", after_s=5400.0)),
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("step_h", [24.0, -1.0])
def test_a_clock_that_is_set_in_the_night_loses_and_doubles_nothing(tmp_path: Path, step_h: float) -> None:
    true_ms, off_ms = START_MS, 0

    def watch(clock: Clock, _: int | None) -> ClockWatch:
        return ClockWatch(clock, lambda: true_ms / 1000, mark=tmp_path / "no mark", ask=lambda: None)

    with http_sink() as sink, stepped(settings(sink.port), tmp_path, START_MS, watch) as run:
        # When each came, by the hours that really passed; through which channel; its key.
        came: list[tuple[int, str, str]] = []
        seen = 0

        def go(minutes: int, warm: tuple[str, ...] = (), silent: tuple[str, ...] = ()) -> None:
            nonlocal true_ms, seen
            for _ in range(minutes // 10):
                true_ms += 10 * MINUTE_MS
                run.clock.at_ms = true_ms + off_ms
                for box in BOXES:
                    if box not in silent:
                        run.publisher.publish(f"room/{box}", f'{{"value": {28.6 if box in warm else 28.0}}}', qos=1)
                        run.published += 1
                run.round(true_ms + off_ms)
                # What is due has come before the clock moves on: else it would seem to have come ten minutes later.
                assert run.app.parts.delivery.drain(2 * MOMENT_S)
                for arrival in list(sink.arrivals)[seen:]:
                    came.append(((true_ms - START_MS) // MINUTE_MS, arrival.path, arrival.key))
                    seen += 1

        go(30)
        go(30, warm=("b",))
        go(120)
        go(50, warm=("a",))
        # One is shelved for an hour, and a probe falls silent: for today, so it waits for the morning.
        ledger = run.app.parts.store.ledger
        ledger.shelve("too-warm", "b", run.clock.at_ms + HOUR_MS, run.clock.at_ms, "the keeper")
        go(40, warm=("a", "b"), silent=("c",))
        warm_min = next(at for at, path, key in came if key.startswith("too-warm/a/raised") and path == "/phone")
        off_ms = round(step_h * HOUR_MS)
        go(6 * 60, warm=("a", "b"), silent=("c",))
        # On to the morning, when what waited for the end of quiet hours comes.
        go(4 * 60)
        keys = Counter((path, key) for _, path, key in came)
        assert not [key for key, n in keys.items() if n > 1]
        kinds = Counter((path, "/".join(key.split("/")[:3])) for _, path, key in came)
        # Each begins once, by itself or beside others, and ends once, at the one who was told at once.
        told = [n for n in run.notices if n.kind in ("too-warm", "probe-quiet")]
        for kind, subject in (("too-warm", "a"), ("too-warm", "b"), ("probe-quiet", "c-t")):
            mine = [n for n in told if n.kind == kind and subject in n.subjects]
            assert mine[-1].change == "cleared"
            due = [n for n in mine if not n.for_daily_line]
            assert all(("/phone", n.key) in keys or any(k[1].startswith("digest/") for k in keys) for n in due)
        # Escalations keep what was left of their wait, by the hours that really passed.
        person = [at for at, path, key in came if path == "/person" and key.startswith("too-warm/a/raised")]
        assert len(person) == 1
        assert 85 <= person[0] - warm_min <= 100
        # The first, and at doubling distances three more in seven hours; the step may bring one forward, and the box
        # that comes back from the shelf begins them anew.
        still = [n for n in told if n.kind == "too-warm" and n.change != "cleared" and "a" in n.subjects]
        assert 3 <= len(still) <= 7
        assert kinds
        stuck = [c for c in ledger.conditions().values() if c.shelved(run.clock.at_ms)]
        assert stuck == []
        assert not [o for o in run.app.parts.store.outbox.outgoing() if o.state in ("waiting", "leased", "given-up")]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1])
def test_a_clock_set_back_in_a_young_store_costs_no_reading_and_no_limit(tmp_path: Path, seed: int) -> None:
    """An hour, while the service runs; the probes' own clocks are right. Rounds at drawn moments as well."""
    true_ms, off_ms, dice = START_MS, 0, random.Random(seed)
    made = settings(1)
    probes = tuple(replace(p, time_pointer="/at", interval_s=300.0) for p in made.room.probes)
    made = replace(made, room=replace(made.room, probes=probes), channels=())

    def watch(clock: Clock, _: int | None) -> ClockWatch:
        def mono_s() -> float:
            return (clock.at_ms - off_ms) / 1000

        return ClockWatch(clock, mono_s, mark=tmp_path / "no mark", ask=lambda: None)

    with stepped(made, tmp_path, START_MS, watch) as run:
        warm_from = {"a": 80, "b": 30}
        told: list[tuple[int, str, str, tuple[str, ...]]] = []
        published: dict[str, list[int]] = {b: [] for b in BOXES}

        def go(until: int) -> None:
            nonlocal true_ms
            while (true_ms - START_MS) // MINUTE_MS < until:
                true_ms += 5 * MINUTE_MS
                minute = (true_ms - START_MS) // MINUTE_MS
                notices = run.between(true_ms + off_ms, dice)
                run.clock.at_ms = true_ms + off_ms
                for box in BOXES:
                    run.publish(f"room/{box}", true_ms, 28.6 if minute >= warm_from.get(box, 10_000) else 28.0)
                    published[box].append(true_ms)
                notices += run.round(true_ms + off_ms)
                told.extend((minute, n.kind, n.change, n.subjects) for n in notices)

        go(60)
        off_ms = -HOUR_MS
        run.clock.at_ms += off_ms
        go(65)
        assert not run.app.parts.clock.last.trusted
        go(120)
        off_ms = 0
        run.clock.at_ms += HOUR_MS
        go(160)
        assert run.app.parts.intake.link().counts.quarantined == 0
        warm = [(m, c, s) for m, kind, c, s in told if kind == "too-warm" and c != "still"]
        # When the clock is right again the hour is judged once more by its own times: told twice rather than never.
        assert [c for _, c, _ in warm] == ["raised"] * len(warm), told
        assert len(warm) <= 3
        assert min(m for m, _, boxes in warm if "b" in boxes) <= 30 + 10 + 10
        assert 80 <= min(m for m, _, boxes in warm if "a" in boxes) <= 80 + 10 + 10
        assert not [t for t in told if t[1] in ("probe-quiet", "room-quiet", "too-cool", "probe-clock")]
        assert [t for t in told if t[1] == "clock-untrusted"]
        # Once it is right, nothing of it is left.
        store = run.app.parts.store
        assert store.clocks.all() == {}
        series = run.app.parts.derived.readings.box_series(made.room.boxes[0], START_MS, true_ms + 1, stored=True)
        assert series.time_ms.tolist() == published["a"]
