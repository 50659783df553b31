"""What is kept of a probe in memory: it grows at its end, and what was given out of it stays what it was."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.derived.trace import GrowingTrace, Trace


def some(rng: np.random.Generator, n: int, timed_from: int = 0) -> Trace:
    """``timed_from``: before that one each has the time of its arrival."""
    at = np.cumsum(rng.integers(1, 20_000, n)).astype(np.int64)
    later = np.where(np.arange(n) < timed_from, 0, rng.integers(0, 5000, n))
    return Trace(
        at, rng.normal(28.0, 1.0, n), at + later, rng.choice([1, 2, 3, 4], n).astype(np.uint8),
        rng.random(n) < 0.5,
    )  # fmt: skip


def same(a: Trace, b: Trace) -> bool:
    pairs: tuple[tuple[NDArray[Any], NDArray[Any]], ...]
    pairs = (a.at, b.at), (a.value, b.value), (a.received, b.received), (a.flag, b.flag), (a.timed, b.timed)
    return all(np.array_equal(x, y) for x, y in pairs)


@pytest.mark.parametrize("timed_from", [0, 2000, 4000])
@pytest.mark.parametrize("seed", range(5))
def test_it_is_all_that_came_and_what_was_given_out_stays_as_it_was(seed: int, timed_from: int) -> None:
    rng, dice = np.random.default_rng(seed), random.Random(seed)
    whole = some(rng, 4000, timed_from)
    growing = GrowingTrace(whole.part(0, dice.choice([0, 1, 700])))
    given: list[tuple[int, Trace]] = []
    while (n := len(growing.trace)) < len(whole):
        given.append((n, growing.trace))
        growing = growing.with_more(whole.part(n, min(n + dice.choice([1, 3, 40, 900]), len(whole))))
    assert same(growing.trace, whole)
    assert all(same(view, whole.part(0, n)) for n, view in given)
    assert growing.with_more(whole.part(0, 0)) is growing
    assert np.shares_memory(growing.trace.at, growing.trace.received) == (timed_from == 4000)


@pytest.mark.parametrize("seed", range(5))
def test_parts_are_those_that_a_mask_finds_and_no_copies(seed: int) -> None:
    rng = np.random.default_rng(seed)
    trace = some(rng, 500)
    for _ in range(20):
        a, b = rng.integers(-1000, int(trace.at[-1]) + 1000, 2).tolist()
        part = trace.between(a, b)
        assert same(part, trace.take((trace.at >= a) & (trace.at < b)))
        assert not len(part) or np.shares_memory(part.at, trace.at)


@pytest.mark.parametrize("seed", range(5))
def test_the_last_usable_one_is_the_last_of_those_that_are(seed: int) -> None:
    trace = some(np.random.default_rng(seed), 40)
    for n in range(40):
        good = np.flatnonzero(trace.part(0, n).usable)
        assert trace.part(0, n).last_usable == (int(good[-1]) if len(good) else None)
