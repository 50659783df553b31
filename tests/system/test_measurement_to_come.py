"""The measurement of windows in rooms of several kinds: a short run, and that its rooms are what they are called."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench import to_come
from tests.bench.to_come import DAYS, KINDS, SHARES


def test_a_short_run_finds_the_ends_inside_and_asks_nothing_of_a_room_that_is_held() -> None:
    found = to_come.measure(rooms=16, seed=3)
    figures = {name: float(value or 0.0) for name, value in found.figures.items()}
    for kind in KINDS:
        inside = [figures[f"{kind}_at_{round(100 * share)}_pct_inside_10_90_pct"] for share in SHARES]
        assert 72.0 < min(inside) <= max(inside) < 93.0
    for share in SHARES:
        at = f"at_{round(100 * share)}_pct_wider_than_a_seers_pct"
        assert figures[f"steady_{at}"] < 8.0
        assert figures[f"switching_{at}"] < 8.0
    assert figures["warming_at_25_pct_wider_than_a_seers_pct"] > 50.0


@pytest.mark.parametrize("kind", KINDS)
def test_a_room_is_what_it_is_called(kind: str) -> None:
    rng = np.random.default_rng(11)
    rooms = [KINDS[kind](rng) for _ in range(30)]
    gone = np.array([room[50:60].mean() - room[:10].mean() for room in rooms])
    assert all(len(room) == DAYS for room in rooms)
    if kind in ("steady", "switching"):
        assert np.abs(gone).max() < 0.6
    elif kind == "weather":
        assert gone.std() > 0.6
        assert abs(gone.mean()) < 3.0 * gone.std() / np.sqrt(30)
    else:
        sign = 1.0 if kind == "warming" else -1.0
        assert (sign * gone).mean() > 2.0
