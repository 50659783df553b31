"""How everything stops: beside each other, under one deadline, whatever a part does."""

from __future__ import annotations

import random
import threading
import time

import pytest

from monitor.service.stopping import Stops


def test_parts_stop_beside_each_other_and_what_they_rest_on_after_them_in_the_opposite_order() -> None:
    stops, told = Stops(), list[str]()
    all_there = threading.Barrier(3, timeout=60)
    for name in ("store", "lock"):
        stops.floor(lambda n=name: told.append(n))  # type: ignore[misc]

    def end(name: str) -> None:
        # No stop returns before all three were called: one after the other they would never come together.
        all_there.wait()
        told.append(name)

    for name in ("a", "b", "c"):
        stops.part(name, lambda _, n=name: end(n))  # type: ignore[misc]
    assert stops.stop(60.0) == ()
    assert sorted(told[:3]) == ["a", "b", "c"]
    assert told[3:] == ["lock", "store"]


@pytest.mark.parametrize("seed", range(8))
def test_whatever_the_parts_do_the_end_comes_and_tells_who_was_late(seed: int) -> None:
    dice = random.Random(seed)
    never, stops, closed = threading.Event(), Stops(), list[int]()
    hang, fail, good = (dice.randrange(4) for _ in range(3))
    for i in range(hang):
        stops.part(f"hangs {i}", lambda _: never.wait(300.0))
    for i in range(fail):
        stops.part(f"fails {i}", lambda _: 1 / 0)
    for i in range(good):
        stops.part(f"good {i}", lambda _: None)
    for i in range(dice.randrange(1, 4)):
        stops.floor(lambda n=i: closed.append(n))  # type: ignore[misc]
    stops.floor(lambda: 1 / 0)
    late = stops.stop(0.2)
    never.set()
    assert set(late) >= {f"hangs {i}" for i in range(hang)} | {f"fails {i}" for i in range(fail)}
    assert closed == sorted(closed, reverse=True)
    assert closed, "what the parts rest on is closed all the same"
    assert stops.stop() == ()


def test_each_part_is_told_how_long_it_may_take() -> None:
    stops, granted = Stops(), list[float]()
    stops.part("one", granted.append)
    began = time.monotonic()
    stops.stop(60.0)
    assert 60.0 - (time.monotonic() - began) - 1.0 <= granted[0] <= 60.0
