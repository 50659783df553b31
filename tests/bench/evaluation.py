"""One whole evaluation of a full room, beside its bare parts: reading, decompressing, integrals, quadrature.

The room: 20 boxes with a probe each, a reading every ten minutes; 200 lots of four species, 120 days old, each clutch
in two boxes. *From scratch*: nothing summed up yet, everything is computed from the raw readings. *First round*: sums
of finished hours are in the store, no forecast is in memory, as after a start. *Next round*: a quarter of a minute
later, as the service makes them all day.

The bare parts, each by plain numpy and nothing beside. *Load*: an hour's chunk after the other out of SQLite,
decompressed into arrays, once a box. *Sums*: the hourly sums out of SQLite, added up for each lot. *Integrals*: the
rate by interpolation in a fine table and the trapezoid rule, once for each lot. *Quadrature*: the chance of a first
pip over a table of times and places, and its quantiles, once for each lot. What is computed from scratch is load,
integrals and quadrature, a first round is sums and quadrature; whatever else a round looks at (probes, courses,
stacks, conditions, causes of the width) is in neither.
"""

from __future__ import annotations

import resource
import sqlite3
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from monitor.adapters.store import Columns, Store
from monitor.adapters.store.chunks import decode_all
from monitor.config.library import load_profile
from monitor.core.development.curves import RateCurve
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.snapshot import Service
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Probe, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.core.lots import past_of

START_MS = round(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)
# Slow at these temperatures, so that nothing is long overdue after 120 days.
SPECIES = ("pituophis-melanoleucus", "centrochelys-sulcata", "varanus-albigularis", "sphenodon-punctatus")
LOOK_EVERY_S = 15.0
MIDDLE_C = {"pituophis-melanoleucus": 22.0, "centrochelys-sulcata": 28.0, "varanus-albigularis": 27.0}


def settings(folder: Path, boxes: int, interval_s: float) -> Settings:
    """One stack of boxes with a probe each."""
    return Settings(
        room=Room(
            name="full room",
            zone="UTC",
            display_unit="C",
            stacks=("rack",),
            boxes=tuple(Box(f"box{n}", "rack", 10.0 * n) for n in range(boxes)),
            probes=tuple(
                Probe(
                    f"probe{n}",
                    f"room/{n}",
                    interval_s=interval_s,
                    quiet_after_s=4 * interval_s,
                    box=f"box{n}",
                )
                for n in range(boxes)
            ),
        ),
        broker=Broker(),
        data_dir=str(folder),
    )


def fill(
    store: Store, lots: int, boxes: int, days: int, interval_s: float, start_ms: int = START_MS
) -> dict[str, npt.NDArray[np.float64]]:
    """Readings and clutches; box -> its temperatures."""
    rng = np.random.default_rng(7)
    at = start_ms + np.arange(round(days * 86_400 / interval_s) + 1, dtype=np.int64) * round(interval_s * 1000)
    n = len(at)
    hours = (at - start_ms) / HOUR_MS
    series = {}
    for box in range(boxes):
        middle = MIDDLE_C.get(SPECIES[box % 4], 21.0)
        value = middle + 0.4 * np.sin(2 * np.pi * hours / 24) + 0.05 * rng.standard_normal(n)
        store.folding.bulk(f"probe{box}", Columns(at, value, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n))
        series[f"box{box}"] = value
    for number in range(lots // 2):
        # A clutch lies in two boxes of its own species' warmth.
        pair = (number % boxes, (number + 4) % boxes)
        told = {"clutch": f"K{number}", "recorded_ms": start_ms}
        species = SPECIES[pair[0] % 4]
        store.account.tell(KeeperEvent(EventKind.LAID, at_ms=start_ms, species=species, eggs=12, **told))  # type: ignore[arg-type]
        for box in pair:
            store.account.tell(KeeperEvent(EventKind.SET, at_ms=start_ms, box=f"box{box}", eggs=6, **told))  # type: ignore[arg-type]
    return series


def one_round(derived: Derived, now_ms: int, warm_start_ms: int) -> int:
    """What the service does each time it looks; the number of lots."""
    derived.follow(now_ms)
    snapshot = derived.snapshot(now_ms, Service(started_ms=warm_start_ms))
    evaluate(snapshot)
    return len(snapshot.lots)


def integrals(series: dict[str, npt.NDArray[np.float64]], lots: list[tuple[str, RateCurve]], step_days: float) -> float:
    """Development of every lot by plain numpy."""
    total = 0.0
    for box, curve in lots:
        grid = np.arange(5.0, 45.0, 0.01)
        rate = np.interp(series[box], grid, curve.rate_per_day(grid))
        total += float(np.trapezoid(rate, dx=step_days))
    return total


def load(file: Path, boxes: int) -> int:
    """Every reading out of the file into arrays; how many there are."""
    with sqlite3.connect(file) as table:
        found = [
            decode_all([blob for (blob,) in table.execute("SELECT blob FROM chunk WHERE probe=? ORDER BY hour", (p,))])
            for p in range(1, boxes + 1)
        ]
    return sum(len(columns) for columns in found)


def sums(file: Path, lots: list[tuple[str, RateCurve]]) -> float:
    """Development of every lot from the hourly sums in the file."""
    by_box: dict[str, npt.NDArray[np.float64]] = {}
    with sqlite3.connect(file) as table:
        for box in dict.fromkeys(box for box, _ in lots):
            rows = table.execute("SELECT development FROM part WHERE box=? ORDER BY model, hour", (box,)).fetchall()
            by_box[box] = np.array(rows, np.float64)[:, 0]
    return sum(float(np.cumsum(by_box[box])[-1]) for box, _ in lots)


def quadrature(eggs: int) -> npt.NDArray[np.float64]:
    """Quantiles of a first pip on the log scale: eggs with heavy tails about a place, places by a normal and a heavy
    tail; the future's rate by fifteen nodes."""
    step = 0.02 / 8.0
    v = np.arange(-160, 161) * step
    shared, place = np.exp(-0.5 * np.square(v / 0.042)), np.power(1.0 + 0.25 * np.square(v / 0.02), -2.5)
    weight = np.convolve(shared, place, "same")
    weight /= weight.sum()
    y = np.linspace(-0.5, 0.5, 174)
    t = np.subtract.outer(y, v) / 0.02
    s = t / np.sqrt(4.0 + np.square(t))
    stay = np.square(1.0 - s) * (2.0 + s) * 0.25
    chance = np.maximum.accumulate((1.0 - stay**eggs) @ weight)
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    by = np.interp(np.exp(y)[:, None] * np.exp(0.02 * nodes), np.exp(y), chance) @ (weights / weights.sum())
    return np.interp((0.05, 0.1, 0.5, 0.9, 0.95), np.maximum.accumulate(by), y)


def timed(work: Callable[[], object], times: int = 1) -> float:
    """Seconds of the processor, the least of several runs."""
    best = float("inf")
    for _ in range(times):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return best


def peak_mb(work: Callable[[], object]) -> float:
    """Most memory that the work had at one time."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 2**20
    finally:
        tracemalloc.stop()


def measure(lots: int = 200, boxes: int = 20, days: int = 120, interval_s: float = 600.0) -> Figures:
    """Fill a room, then time each way of looking at it."""
    figures: dict[str, float | int] = {"lots": lots, "boxes": boxes, "days": days, "interval_s": interval_s}
    now = START_MS + days * DAY_MS
    with tempfile.TemporaryDirectory() as name, Store(Path(name) / "data", create=True) as store:
        room = settings(Path(name), boxes, interval_s)
        began = time.process_time()
        series = fill(store, lots, boxes, days, interval_s)
        figures["fill_s"] = time.process_time() - began
        figures["readings"] = sum(len(values) for values in series.values())

        def anew() -> Derived:
            return Derived(store, room, load_profile)

        def first() -> int:
            return one_round(anew(), now, START_MS)

        running = anew()
        at = iter(range(now, now + HOUR_MS // 2, 15_000))

        def following() -> int:
            return one_round(running, next(at), START_MS)

        figures["from_scratch_s"] = timed(first)
        figures["from_scratch_peak_mb"] = peak_mb(first)
        figures["sum_up_s"] = timed(lambda: anew().hours.refresh(now))
        seen = first()
        figures["first_round_s"] = timed(first, 3)
        figures["first_round_peak_mb"] = peak_mb(first)
        following()
        figures["next_round_s"] = timed(following, 5)
        figures["next_round_peak_mb"] = peak_mb(following)
        figures["resident_most_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

        kept = [
            (stay.box, curve)
            for clutch in store.account.clutches(now).values()
            if (curve := running.book.of(clutch.species).curve) is not None
            for lot in clutch.lots
            for stay in lot.path
        ]
        figures["integrals_alone_s"] = timed(lambda: integrals(series, kept, interval_s / 86_400), 3)
        figures["integrals_alone_peak_mb"] = peak_mb(lambda: integrals(series, kept, interval_s / 86_400))
        by_numpy = integrals(series, kept, interval_s / 86_400)
        file = store.db.path
        figures["load_alone_s"] = timed(lambda: load(file, boxes), 3)
        figures["sums_alone_s"] = timed(lambda: sums(file, kept), 3)
        figures["quadrature_alone_s"] = timed(lambda: [quadrature(6) for _ in kept], 3)
        loaded, by_sums = load(file, boxes), sums(file, kept)
        found = sum(past_of(lot).development or 0.0 for lot in running.lots(now))
    for way in ("from_scratch", "first_round", "next_round"):
        figures[f"{way}_to_integrals_ratio"] = figures[f"{way}_s"] / figures["integrals_alone_s"]
    bare = {
        "from_scratch": ("load_alone_s", "integrals_alone_s", "quadrature_alone_s"),
        "first_round": ("sums_alone_s", "quadrature_alone_s"),
    }
    for way, parts in bare.items():
        figures[f"{way}_to_bare_parts_ratio"] = figures[f"{way}_s"] / sum(figures[part] for part in parts)
    short = []
    if loaded != figures["readings"]:
        short.append(f"{loaded} readings were loaded, not {figures['readings']}")
    # The last hours are not summed up yet: readings that they may be joined to are still to come.
    if not -4.0 / (24.0 * days) - 1e-3 < by_sums / by_numpy - 1.0 < 1e-3:
        short.append(f"the sums in the store add up to {by_sums:.3f}, the integrals alone to {by_numpy:.3f}")
    if seen != lots:
        short.append(f"{seen} lots were evaluated, not {lots}")
    if abs(found / by_numpy - 1.0) > 1e-3:
        short.append(f"the developments add up to {found:.3f}, the integrals alone to {by_numpy:.3f}")
    for way, most in (("first_round_s", LOOK_EVERY_S), ("next_round_s", LOOK_EVERY_S / 10)):
        if figures[way] > most:
            short.append(f"{way} is {figures[way]:.1f} s, more than {most:g} s")
    return Figures(
        figures,
        short,
        [
            "times are of the processor, so that what else the computer does has little part in them",
            "from scratch is what a start without sums would cost; sum_up is the same work once, written to the store",
            "a first round may take no longer than the time between two looks, a next one a tenth of it",
            "peaks are of what Python and numpy held during the work (traced, so slower than the times beside them)",
        ],
    )
