"""Whatever arrives, and in whichever order: how long after its on-delay a limit is judged at most.

Rooms of one box are drawn: one to three probes, each with an interval, a clock that is behind or ahead, jitter, and a
way to send (one by one, kept and given back in some order, twice, as the broker kept it); and a service that is started
anew at drawn moments, some within each ten minutes. Rounds are made at readings and between them. From some moment on
the box is too cold, and stays so. The promise stands in :mod:`monitor.core.readings.late_readings`.
"""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import numpy as np

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import Series, box_series
from monitor.core.notices.conditions import Condition, Rule, advance, below
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import LinkNow, Service
from monitor.core.readings.late_readings import LONGEST_S
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings, Watch
from monitor.derived.room import Derived
from tests.bench import Figures

MINUTE: Final = 60_000
START: Final = round(datetime(2026, 5, 1, 7, tzinfo=UTC).timestamp() * 1000)
LIMITS: Final = Limits(31.0, 25.0)
COLD_FROM_S: Final = 3000.0
LENGTH_S: Final = 9000.0
LOOK_S: Final = 30
# What is drawn, each by itself for every probe. Of so many readings: one by one, or kept and given back.
DRAWN: Final[Mapping[str, Sequence[Any]]] = {
    "interval_s": [30, 60, 119, 121, 240, 250, 600, 900],
    "offset_s": [-250, 0, 0, 500, 610, 900, 3600, 20_000],
    "jitter_s": [0, 5, 60, 700],
    "batch": [1, 1, 1, 3, 20],
    "order": ["oldest", "newest", "mixed"],
    "spacing_s": [0, 1, 100, 121, 125],
    "twice": [False, True],
}
# How often the service is started anew, in seconds; 0: never.
RESTARTS_S: Final = [0, 0, 170, 470, 590, 1300]


@dataclass
class Judged:
    """When too cool was raised, in ms, the changes (minute, kind, subject, change), what was told (minute, notice), and
    the conditions at the end."""

    raised: list[int] = field(default_factory=list)
    moves: list[tuple[float, str, str, str]] = field(default_factory=list)
    notices: list[tuple[float, Notice]] = field(default_factory=list)
    conditions: dict[tuple[str, str], Condition] = field(default_factory=dict)


def a_room(probes: int, interval_s: float) -> Room:
    """One box with so many probes."""
    inside = tuple(
        Probe(f"p{i}", f"t/{i}", box="box", interval_s=interval_s, quiet_after_s=7200.0) for i in range(probes)
    )
    return Room("room", "UTC", "C", ("left",), (Box("box", "left", 100.0),), inside, LIMITS, Watch())


def a_reading(probe: str, at_ms: int, received_ms: int, value: float) -> Reading:
    return Reading(probe, at_ms, value, received_ms, Flag.GOOD, timed=True)


def played(
    room: Room,
    readings: Iterable[Reading],
    rounds: Iterable[int],
    folder: Path,
    kinds: Sequence[Kind] = KINDS,
    restarts: Sequence[int] = (),
) -> Judged:
    """Store what has come by each round, and look. At a restart all is forgotten but what a round writes down."""
    found = Judged()
    due = sorted(readings, key=lambda r: r.received_ms)
    starts = sorted(restarts)
    started_ms = START - 86_400_000
    live_ms = started_ms
    written: dict[tuple[str, str], Condition] = {}
    # Where a box is heading says how urgent it is, not when it is judged, and takes longer than all the rest.
    with Store(folder) as store, patch("monitor.derived.boxes.worth_knowing", return_value=False):
        store.db.connection.execute("PRAGMA synchronous=OFF")
        derived = Derived(store, Settings(room, Broker()), load_profile)
        for now_ms in sorted(rounds):
            if starts and starts[0] <= now_ms:
                starts = [at for at in starts if at > now_ms]
                derived, started_ms, found.conditions = (
                    Derived(store, Settings(room, Broker()), load_profile), now_ms, dict(written)
                )  # fmt: skip
            came = [r for r in due if r.received_ms <= now_ms]
            due = due[len(came) :]
            if came:
                store.journal.ingest(came)
                live_ms = came[-1].received_ms
            derived.follow(now_ms)
            derived.readings.look_at_clocks(now_ms, trusted=True)
            snapshot = derived.snapshot(now_ms, Service(started_ms, LinkNow(last_live_ms=live_ms)))
            outcome = evaluate(replace(snapshot, conditions=found.conditions), kinds)
            assert not outcome.failed
            for c in outcome.conditions:
                if c.differs(found.conditions.get(c.key, Condition(*c.key))):
                    written[c.key] = c
                found.conditions[c.key] = c
            minute = (now_ms - START) / MINUTE
            found.moves += [(minute, t.kind, t.subject, t.change) for t in outcome.transitions]
            found.notices += [(minute, notice) for notice in outcome.notices]
            found.raised += [now_ms for t in outcome.transitions if (t.kind, t.change) == ("too-cool", "raised")]
    return found


def sent(
    name: str, how: Mapping[str, Any], cold_from_s: float, until_s: float, rng: np.random.Generator
) -> list[Reading]:
    """What a probe sends, by its clock; the time of ``cold_from_s`` is that of the room."""
    interval, batch = float(how["interval_s"]), int(how["batch"])
    made, found = np.arange(float(how["phase_s"]), until_s, interval), []
    for first in range(0, len(made), batch):
        some = made[first : first + batch]
        order = {"oldest": some, "newest": some[::-1], "mixed": rng.permutation(some)}[str(how["order"])]
        came = some[-1]
        for true_s in order:
            came += float(how["spacing_s"]) if batch > 1 else 0.0
            received = round((came + rng.uniform(0, float(how["jitter_s"]))) * 1000)
            at = min(round((true_s - float(how["offset_s"])) * 1000), received + 250_000)
            value = 20.8 if true_s >= cold_from_s else 30.0
            found.append(a_reading(name, START + at, START + received, value))
            if how["twice"]:
                found.append(a_reading(name, START + at, START + received + 30_000, value))
    return found


def too_cool(room: Room, readings: Iterable[Reading], now_ms: int) -> bool:
    """Whether the readings that are there say so, all of them judged at once."""
    known = [r for r in readings if r.received_ms <= now_ms and r.at_ms <= now_ms]
    series = []
    for probe in room.probes:
        own = {
            r.at_ms: r.value for r in sorted(known, key=lambda r: r.received_ms, reverse=True) if r.probe == probe.id
        }
        at = np.array(sorted(own), np.int64)
        series.append(Series(probe, at, np.array([own[t] for t in at.tolist()])))
    box = box_series(series, as_heard=True)
    samples = [below(t, v, 25.0, LIMITS.deadband_c) for t, v in zip(box.time_ms, box.temperature_c, strict=True)]
    rule = Rule(LIMITS.on_delay_s, LIMITS.off_delay_s, LIMITS.max_gap_s)
    return advance(Condition("too-cool", "box"), samples, rule)[0].up


def longest_wait_s(how: Sequence[Mapping[str, Any]], round_s: int, restart_s: int, seed: int) -> float | None:
    """How long too cool was so by the readings there were, without a break, before it was raised, in seconds.

    Probes ``how``, a round each ``round_s`` and at one reading in seven, a start each ``restart_s`` (0: none). None
    where the readings that came never said so for long enough.
    """
    rng = np.random.default_rng(seed)
    room = a_room(len(how), 60.0)
    readings = [r for i, one in enumerate(how) for r in sent(f"p{i}", one, COLD_FROM_S, LENGTH_S, rng)]
    end_ms = START + round(LENGTH_S * 1000)
    rounds = set(range(START, end_ms, round_s * 1000)) | {
        r.received_ms for r in readings[::7] if r.received_ms < end_ms
    }
    restarts = range(START + 7000, end_ms, restart_s * 1000) if restart_s else ()
    with tempfile.TemporaryDirectory() as folder:
        found = played(room, readings, rounds, Path(folder) / "data", restarts=list(restarts))
    since, longest = None, None
    for now_ms in range(START + round(COLD_FROM_S * 1000), end_ms, LOOK_S * 1000):
        if found.raised and now_ms > found.raised[0]:
            break
        since = (since if since is not None else now_ms) if too_cool(room, readings, now_ms) else None
        if since is not None:
            longest = max(longest or 0.0, (now_ms - since) / 1000)
    return longest


def measure(rooms: int = 40, seed: int = 1) -> Figures:
    """So many drawn rooms, of two and a half hours each."""
    dice = random.Random(seed)
    waits: list[float] = []
    short: list[str] = []
    for number in range(rooms):
        how = [
            {name: dice.choice(of) for name, of in DRAWN.items()} | {"phase_s": dice.randrange(600)}
            for _ in range(dice.randrange(1, 4))
        ]
        round_s, restart_s, own = dice.choice([15, 47, 60]), dice.choice(RESTARTS_S), dice.randrange(2**31)
        wait_s = longest_wait_s(how, round_s, restart_s, own)
        waits += [] if wait_s is None else [wait_s]
        if wait_s is not None and wait_s > LONGEST_S + round_s + LOOK_S:
            short.append(
                f"room {number}: judged {wait_s / 60:.1f} min after it was so ({how}, started each {restart_s} s)"
            )
    figures: dict[str, float | int | str | None] = {
        "rooms": rooms,
        "in which readings said too cool": len(waits),
        "promised_min": LONGEST_S / 60,
        "longest_wait_min": round(max(waits, default=0.0) / 60, 1),
        "median_wait_min": round(float(np.median(waits)) / 60, 1) if waits else None,
    }
    return Figures(figures, short, ["a round each 15, 47 or 60 s and at one reading in seven; looked at each 30 s"])
