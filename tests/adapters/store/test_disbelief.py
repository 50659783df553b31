"""Spans of disbelief on the disk: whatever begins and ends, the hours that count otherwise are summed up again."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.readings.belief import FROM, NO_GOOD_FOR, RIGHT, UNTIL, Use
from monitor.core.terms.arrays import Times
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS

START = 1_780_000_000_000 // HOUR_MS * HOUR_MS
KINDS = sorted(NO_GOOD_FOR)


def change(store: Store, kind: str, probe: str, at_ms: int, facts: Mapping[str, int], *, up: bool) -> None:
    phase, what = (Phase.RAISED, "raised") if up else (Phase.CLEAR, "cleared")
    made = Condition(kind, probe, phase, at_ms, at_ms, last_ms=at_ms, facts=facts)
    store.ledger.commit([made], [Transition(kind, probe, what, at_ms, at_ms, "")], [], {})  # type: ignore[arg-type]


def kept_out(store: Store, probe: str, at_ms: Times) -> dict[str, list[bool]]:
    """For each use, which moments are not believed."""
    belief = store.disbeliefs.belief()
    return {use: (~belief.mask(probe, at_ms, use)).tolist() for use in get_args(Use)}


@pytest.mark.parametrize("seed", range(6))
def test_every_hour_in_which_a_reading_counts_otherwise_is_summed_up_again_and_no_other(
    tmp_path: Path, seed: int
) -> None:
    dice = random.Random(seed)
    up: dict[tuple[str, str], int] = {}
    with Store(tmp_path) as store:
        for probe in ("a", "b"):
            store.journal.ingest([Reading(probe, START, 28.0, START, Flag.GOOD)])
        now, changes = START + 12 * HOUR_MS, 0
        while changes < 12:
            now += dice.randrange(MINUTE_MS, 6 * HOUR_MS)
            at = np.arange(START - DAY_MS, now + 1, MINUTE_MS, dtype=np.int64)
            key = dice.choice(KINDS), dice.choice("ab")
            store.db.connection.execute("DELETE FROM dirty")
            before = {probe: kept_out(store, probe, at) for probe in "ab"}
            began = up.pop(key, None)
            if began is None:
                began = first_ms = now - dice.randrange(0, 12 * HOUR_MS)
                up[key] = began
                change(store, *key, now, {FROM: began}, up=True)
            else:
                ends = {UNTIL: dice.randrange(began, now + 1), RIGHT: dice.choice([0, 1])}
                first_ms = began if ends[RIGHT] else ends[UNTIL]
                change(store, *key, now, {FROM: began, **ends}, up=False)
            changes += 1
            for probe in "ab":
                after = kept_out(store, probe, at)
                moved = np.logical_or.reduce([np.not_equal(before[probe][use], after[use]) for use in after])
                hours = set((at[moved] // HOUR_MS).tolist())
                marked = store.parts.dirty([probe])
                assert hours <= marked, f"{key} at {now}"
                if probe != key[1]:
                    assert not marked
                else:
                    assert marked == set(range(first_ms // HOUR_MS, now // HOUR_MS + 1))


def test_the_hour_of_this_very_moment_is_one_of_them(tmp_path: Path) -> None:
    """A span that begins and is found within one hour leaves no hour unmarked, and neither does its end."""
    with Store(tmp_path) as store:
        store.journal.ingest([Reading("a", START, 28.0, START, Flag.GOOD)])
        for up, at_ms in ((True, START + 20 * MINUTE_MS), (False, START + 50 * MINUTE_MS)):
            store.db.connection.execute("DELETE FROM dirty")
            change(store, "probe-stuck", "a", at_ms, {FROM: START + MINUTE_MS, UNTIL: START + 40 * MINUTE_MS}, up=up)
            assert store.parts.dirty(["a"]) == {START // HOUR_MS}


@pytest.mark.parametrize("seed", range(6))
def test_what_was_believed_at_a_moment_is_known_for_good_and_each_change_makes_a_new_version(
    tmp_path: Path, seed: int
) -> None:
    dice = random.Random(100 + seed)
    at = np.arange(START - DAY_MS, START + 4 * DAY_MS, 10 * MINUTE_MS, dtype=np.int64)
    up: dict[tuple[str, str], int] = {}
    then: list[tuple[int, list[bool]]] = []
    with Store(tmp_path) as store:
        now = START
        for _ in range(12):
            now += dice.randrange(1, 6 * HOUR_MS)
            version, key = store.disbeliefs.version(), (dice.choice(KINDS), "a")
            began = up.pop(key, None)
            if began is None:
                up[key] = now - dice.randrange(0, 12 * HOUR_MS)
                change(store, *key, now, {FROM: up[key]}, up=True)
            else:
                change(store, *key, now, {FROM: began, UNTIL: dice.randrange(began, now + 1)}, up=False)
            assert store.disbeliefs.version() > version
            then.append((now, store.disbeliefs.belief().mask("a", at, "sums").tolist()))
        for by_ms, mask in then:
            assert store.disbeliefs.belief(by_ms).mask("a", at, "sums").tolist() == mask
