"""The measurement of published hatching success, and that it finds what it is there to find."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.hatching import Group, all_fail, beta_binomial, borne, containers, measure, whole_failures
from tests.peers import SHARED


def group(clutch: str, eggs: int, hatched: int, t: float = 28.0, days: float | None = 60.0, water: str = "") -> Group:
    return Group("S", "s1", clutch, t, eggs, hatched, days, 2.0, water)


@pytest.mark.skipif(not SHARED.is_dir(), reason="no folder ../shared beside the project")
def test_what_the_program_takes_is_what_was_published() -> None:
    found = measure()
    assert found.falls_short == []
    assert int(found.figures["treatments"] or 0) > 200
    assert int(found.figures["large_groups_beside_one_that_did_well"] or 0) > 100


def test_a_beta_binomial_that_was_drawn_is_found_again() -> None:
    rng = np.random.default_rng(4)
    eggs = rng.integers(3, 40, 3000)
    hatched = rng.binomial(eggs, rng.beta(7.5, 2.2, 3000))
    a, b = beta_binomial(hatched.tolist(), eggs.tolist())
    assert (a, b) == pytest.approx((7.5, 2.2), rel=0.1)
    assert all_fail(a, b, 8) == pytest.approx(0.0006, abs=0.0002)


def test_what_a_species_bears_ends_where_half_of_its_eggs_hatch() -> None:
    rows = [("S", 20.0, 10, 2), ("S", 24.0, 10, 5), ("S", 30.0, 10, 9), ("S", 33.0, 10, 4), ("T", 30.0, 4, 1)]
    assert borne(rows) == {"S": (24.0, 30.0)}


def test_a_group_that_failed_whole_beside_one_that_did_well_is_counted() -> None:
    fine = [group("a", 10, 9), group("b", 10, 9), group("b", 12, 0), group("c", 5, 0), group("c", 9, 8)]
    assert whole_failures(fine) == {"large": (1, 1), "small": (1, 1)}
    assert whole_failures([group("b", 12, 0, t=20.0), group("b", 10, 9), *fine[:1] * 5])["large"][1] == 0


def test_containers_of_one_clutch_are_told_from_clutches() -> None:
    some = [group("a", 9, 8, days=60.0, water="1"), group("a", 9, 8, days=63.0, water="2"), group("b", 9, 8, days=66.0)]
    assert len(containers(some, of_clutch=True)) == 2
    assert len(containers([*some, group("c", 9, 8, days=60.0)], of_clutch=False)) == 2
