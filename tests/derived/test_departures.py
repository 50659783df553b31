"""Each probe among the others of its stack, from a real store: who is told as having left them, and who is not."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.columns import Columns
from monitor.core.readings.belief import Belief
from monitor.core.readings.corrections import Correction, How, StandingCorrections
from monitor.core.terms.settings import Box, Limits, Probe, Room
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.departures import AIR_AMONG_BOXES, peers_of

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("departures")

NOW_MS = 20_500 * DAY_MS
DAYS = 40
BOXES = tuple(Box(name, "left", height) for name, height in (("low", 60.0), ("middle", 105.0), ("high", 150.0)))


def probe(name: str, box: str | None = None, height_cm: float | None = None) -> Probe:
    stack = None if box else "left"
    return Probe(name, f"room/{name}", box=box, stack=stack, height_cm=height_cm)


IN_BOXES = tuple(probe(f"{b.id}-t", b.id) for b in BOXES)


StoreWith = Callable[[tuple[Probe, ...], str], Store]


@pytest.fixture(scope="module")
def store_with(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StoreWith]:
    """Stores that nobody here writes to, each made once."""
    with contextlib.ExitStack() as opened:
        yield cache(lambda probes, drifting: opened.enter_context(made(tmp_path_factory.mktemp("s"), probes, drifting)))


def made(folder: Path, probes: tuple[Probe, ...], drifting: str) -> Store:
    """Forty days by the hour, a little noise; one probe says 1.5 C more for the last ten days."""
    store, rng = Store(folder), np.random.default_rng(3)
    at = NOW_MS - DAYS * DAY_MS + np.arange(DAYS * 24, dtype=np.int64) * HOUR_MS + HOUR_MS // 2
    for number, each in enumerate(probes):
        value = 28.0 + 0.1 * number + rng.normal(0.0, 0.05, len(at))
        if each.id == drifting:
            value[at >= NOW_MS - 10 * DAY_MS] += 1.5
        store.folding.bulk(
            each.id, Columns(at, value, at, np.ones(len(at), np.uint8), np.ones(len(at), bool), ("",) * len(at))
        )
    return store


@pytest.mark.parametrize(
    ("others", "drifting", "told"),
    [
        (IN_BOXES, "middle-t", True),
        ((*IN_BOXES, probe("air", height_cm=80.0)), "air", False),
        ((*IN_BOXES, probe("air", height_cm=80.0)), "middle-t", True),
        (tuple(probe(f"air-{n}", height_cm=60.0 + 45.0 * n) for n in range(3)), "air-1", True),
    ],
    ids=["a box", "the air among boxes", "a box beside the air", "air among air"],
)
def test_a_probe_that_leaves_the_others_is_told_unless_heating_could_explain_it(
    store_with: StoreWith, others: tuple[Probe, ...], drifting: str, *, told: bool
) -> None:
    room = Room("shed", "UTC", "C", ("left",), BOXES, others, limits=Limits())
    found = peers_of(store_with(others, drifting).readings, room, StandingCorrections(), Belief(), NOW_MS)
    departed = {name: peer.departure for name, peer in found.items() if peer.departure is not None}
    assert set(departed) == ({drifting} if told else set())
    if told:
        assert departed[drifting].shift_c == pytest.approx(1.5, abs=0.05)
    else:
        assert found[drifting].state == AIR_AMONG_BOXES


def test_two_boxes_are_too_few_and_the_air_does_not_make_them_three(store_with: StoreWith) -> None:
    probes = (*IN_BOXES[:2], probe("air", height_cm=80.0))
    room = Room("shed", "UTC", "C", ("left",), BOXES, probes, limits=Limits())
    found = peers_of(store_with(probes, "low-t").readings, room, StandingCorrections(), Belief(), NOW_MS)
    assert {name: (peer.state, peer.departure) for name, peer in found.items()} == {
        "low-t": ("too few peers", None),
        "middle-t": ("too few peers", None),
        "air": (AIR_AMONG_BOXES, None),
    }


@pytest.mark.parametrize("how", ["side by side", "ice point", "by hand"])
def test_a_probe_that_was_compared_or_corrected_begins_anew(store_with: StoreWith, how: How) -> None:
    """Whatever was found, and although the first correction holds for the days before as well."""
    room = Room("shed", "UTC", "C", ("left",), BOXES, IN_BOXES, limits=Limits())
    told = {}
    readings = store_with(IN_BOXES, "middle-t").readings
    for found_c in (0.0, -1.5):
        at_ms = NOW_MS - 2 * DAY_MS
        fixed = Correction("middle-t", at_ms, found_c, 0.05, 0.05, how, at_ms, "s", id=1)
        found = peers_of(readings, room, StandingCorrections([fixed]), Belief(), NOW_MS)
        told[found_c] = {name: (peer.state, peer.departure) for name, peer in found.items()}
    later = peers_of(readings, room, StandingCorrections([fixed]), Belief(), NOW_MS + 20 * DAY_MS)
    assert later["low-t"].state == "too few days"
    for states in told.values():
        assert {departure for _, departure in states.values()} == {None}
        assert states["middle-t"][0] == "too few days"
