"""Turns: who comes next, who never comes, and that no place is lost."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import replace
from functools import wraps

import pytest

from monitor.page.bounds import Bounds
from monitor.page.turns import Turns

BOUNDS = replace(Bounds(), turns=2, turns_of_one=1, waiting_of_one=3, turn_s=60.0)


def in_a_loop(test: Callable[[], Coroutine[None, None, None]]) -> Callable[[], None]:
    @wraps(test)
    def run() -> None:
        asyncio.run(test())

    return run


async def settled() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


def asking(turns: Turns, caller: str, came: list[str]) -> asyncio.Task[bool]:
    async def ask() -> bool:
        got = await turns.take(caller)
        came.append(caller if got else f"not {caller}")
        return got

    return asyncio.create_task(ask())


@in_a_loop
async def test_one_caller_never_has_all_places_and_each_gets_one_in_turn() -> None:
    turns, came = Turns(BOUNDS), list[str]()
    tasks = [asking(turns, caller, came) for caller in "aaabbc"]
    await settled()
    assert came == ["a", "b"]
    assert turns.full_s() >= 0
    for gives in "abcab":
        turns.give(gives)
        await settled()
    # Who had none comes first, and then whoever had none for longest.
    assert came == ["a", "b", "c", "a", "b", "a"]
    assert all(t.done() for t in tasks)
    turns.give("a")
    assert turns._last == {}


@in_a_loop
async def test_who_waits_with_too_many_is_told_so_at_once() -> None:
    turns, came = Turns(BOUNDS), list[str]()
    for _ in range(6):
        asking(turns, "a", came)
    await settled()
    assert sorted(came) == ["a", "not a", "not a"]


@in_a_loop
async def test_who_waits_for_too_long_leaves_and_takes_no_place_along() -> None:
    turns = Turns(replace(BOUNDS, turn_s=0.01))
    assert await turns.take("a")
    assert not await turns.take("a")
    turns.give("a")
    assert await turns.take("a")
    assert await turns.take("b")
    assert turns.full_s() >= 0
    turns.give("a")
    turns.give("b")
    assert turns.full_s() == 0
    assert turns._waiting == {}


@in_a_loop
async def test_one_that_is_given_up_gives_its_place_back() -> None:
    turns, came = Turns(BOUNDS), list[str]()
    assert await turns.take("a")
    waiting = asking(turns, "a", came)
    await settled()
    turns.give("a")
    # It has its place by now, and does not know it yet.
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert turns.full_s() == 0
    assert (await turns.take("a"), await turns.take("b")) == (True, True)
