"""However readings come, a limit is judged ten minutes after its on-delay at the latest, by the readings there are.

The whole way: readings are stored, a snapshot is derived of them and evaluated, at each arrival and in between.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import Series, box_series
from monitor.core.notices.conditions import Condition, Rule, advance, below
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, all_kinds
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.snapshot import Service
from monitor.core.readings.late_readings import LONGEST_S
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings, Watch
from monitor.derived.room import Derived
from tests.examples import at_most

MINUTE = 60_000
START = round(datetime(2026, 5, 1, 7, tzinfo=UTC).timestamp() * 1000)
LIMITS = Limits(31.0, 25.0)
_, COOL = KINDS


@dataclass
class Judged:
    """When too cool was raised, in ms, the changes (minute, kind, subject, change), and the conditions at the end."""

    raised: list[int] = field(default_factory=list)
    moves: list[tuple[float, str, str, str]] = field(default_factory=list)
    conditions: dict[tuple[str, str], Condition] = field(default_factory=dict)


def a_room(probes: int, interval_s: float) -> Room:
    inside = tuple(
        Probe(f"p{i}", f"t/{i}", box="box", interval_s=interval_s, quiet_after_s=7200.0) for i in range(probes)
    )
    return Room("room", "UTC", "C", ("left",), (Box("box", "left", 100.0),), inside, LIMITS, Watch())


def played(
    room: Room, readings: Iterable[Reading], rounds: Iterable[int], folder: Path, kinds: Sequence[Kind] = KINDS
) -> Judged:
    """Store what has come by each round, and look."""
    found = Judged()
    due = sorted(readings, key=lambda r: r.received_ms)
    with Store(folder) as store:
        store.db.connection.execute("PRAGMA synchronous=OFF")
        derived = Derived(store, Settings(room, Broker()), load_profile)
        for now_ms in sorted(rounds):
            came = [r for r in due if r.received_ms <= now_ms]
            due = due[len(came) :]
            if came:
                store.journal.ingest(came)
            derived.follow(now_ms)
            snapshot = derived.snapshot(now_ms, Service(START - 86_400_000))
            outcome = evaluate(replace(snapshot, conditions=found.conditions), kinds)
            assert not outcome.failed
            found.conditions |= {c.key: c for c in outcome.conditions}
            minute = (now_ms - START) / MINUTE
            found.moves += [(minute, t.kind, t.subject, t.change) for t in outcome.transitions]
            found.raised += [now_ms for t in outcome.transitions if (t.kind, t.change) == ("too-cool", "raised")]
    return found


def a_reading(probe: str, at_ms: int, received_ms: int, value: float) -> Reading:
    return Reading(probe, at_ms, value, received_ms, Flag.GOOD, timed=True)


@pytest.mark.parametrize("apart_s", [120, 122])
def test_two_probes_whose_clocks_are_behind_do_not_hide_the_cold(tmp_path: Path, apart_s: int) -> None:
    """Every four minutes or so, in turns, a quarter of an hour behind; rounds each 15 s."""
    readings = []
    for k in range(130):
        came = START + k * apart_s * 1000
        minute = (came - START) / MINUTE
        readings.append(a_reading(f"p{k % 2}", came - 15 * MINUTE, came, 30.0 if minute < 60 else 20.8))
    found = played(a_room(2, 240.0), readings, range(START, START + 180 * MINUTE, 15_000), tmp_path / "data")
    assert len(found.raised) == 1
    # The cold came to be known at minute 60, its on-delay was over a quarter of an hour later.
    assert (found.raised[0] - START) / MINUTE <= 60 + 4 + 15 + LONGEST_S / 60 + 0.25


def test_a_backlog_that_never_ends_does_not_hide_the_cold(tmp_path: Path) -> None:
    """One probe speaks now, the other gives back a day, newest first, one reading each two minutes and a bit."""
    readings = [a_reading("p0", START + m * MINUTE, START + m * MINUTE, 30.0 if m < 30 else 20.0) for m in range(180)]
    for k in range(85):
        came = START + k * 125_000
        readings.append(a_reading("p1", START - (20 + k) * MINUTE, came, 29.5))
    found = played(a_room(2, 60.0), readings, range(START, START + 120 * MINUTE, 15_000), tmp_path / "data")
    assert len(found.raised) == 1
    assert (found.raised[0] - START) / MINUTE <= 30 + 15 + LONGEST_S / 60 + 0.25


@pytest.mark.parametrize("dead_min", [10_000, 200])
def test_a_room_whose_clocks_are_behind_is_heard_again_and_a_probe_that_dies_then_is_told(
    tmp_path: Path, dead_min: int
) -> None:
    """Ten minutes and a bit behind, in turns; nothing from minute 60 to 120."""
    room = a_room(2, 240.0)
    room = replace(
        room,
        probes=tuple(replace(p, quiet_after_s=2700.0) for p in room.probes),
        watch=Watch(room_quiet_after_s=1800.0),
    )
    readings = [
        a_reading(f"p{k % 2}", START + 2 * k * MINUTE - 660_000, START + 2 * k * MINUTE, 28.0 + 0.01 * (k % 5))
        for k in range(150)
        if not 60 <= 2 * k < 120 and not (k % 2 and 2 * k >= dead_min)
    ]
    silence = [k for k in all_kinds() if k.name in ("probe-quiet", "room-quiet")]
    found = played(room, readings, range(START, START + 290 * MINUTE, 15_000), tmp_path / "data", silence)
    whole = [(m, c) for m, kind, _, c in found.moves if kind == "room-quiet"]
    assert [c for _, c in whole] == ["raised", "cleared"]
    assert whole[1][0] <= 120 + LONGEST_S / 60 + 12 + 1
    single = [(kind, subject, c) for _, kind, subject, c in found.moves if kind == "probe-quiet"]
    assert single == ([("probe-quiet", "p1", "raised")] if dead_min < 290 else [])


# -- whatever arrives --------------------------------------------------------------------------------------------------

PROBE = st.fixed_dictionaries(
    {
        "interval_s": st.sampled_from([30, 60, 119, 121, 240, 250, 600, 900]),
        "offset_s": st.sampled_from([-250, 0, 0, 500, 610, 900, 3600, 20_000]),
        "jitter_s": st.sampled_from([0, 5, 60, 700]),
        "phase_s": st.integers(0, 600),
        # Of so many readings, how they are sent: one by one, or kept and given back in one order or another.
        "batch": st.sampled_from([1, 1, 1, 3, 20]),
        "order": st.sampled_from(["oldest", "newest", "mixed"]),
        "spacing_s": st.sampled_from([0, 1, 100, 121, 125]),
        "twice": st.booleans(),
    }
)


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


BEHIND = {
    "interval_s": 240, "offset_s": 900, "jitter_s": 0, "phase_s": 0, "batch": 1, "order": "oldest", "spacing_s": 0,
    "twice": False,
}  # fmt: skip


@pytest.mark.slow
@at_most(0.08)
@example([BEHIND, BEHIND | {"phase_s": 120}], 15, 0)
@given(st.lists(PROBE, min_size=1, max_size=3), st.sampled_from([15, 47, 60]), st.integers(0, 2**31))
def test_no_arrivals_push_a_limit_back_for_longer_than_ten_minutes(
    how: list[dict[str, Any]], round_s: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    room, length_s = a_room(len(how), 60.0), 9000.0
    readings = [r for i, one in enumerate(how) for r in sent(f"p{i}", one, 3000.0, length_s, rng)]
    end_ms = START + round(length_s * 1000)
    stepped = set(range(START, end_ms, round_s * 1000)) | {
        r.received_ms for r in readings[::7] if r.received_ms < end_ms
    }
    with tempfile.TemporaryDirectory() as folder:
        found = played(room, readings, stepped, Path(folder) / "data")
    # From when on the readings that are there say too cool without a break.
    since, wait_ms = None, round((LONGEST_S + round_s) * 1000)
    for now_ms in range(START, end_ms, 30_000):
        since = (since if since is not None else now_ms) if too_cool(room, readings, now_ms) else None
        if since is not None and now_ms - since > wait_ms + 30_000:
            assert found.raised, f"too cool since minute {(since - START) / MINUTE:.1f}, and not judged"
            assert found.raised[0] <= since + wait_ms + 30_000
            return
