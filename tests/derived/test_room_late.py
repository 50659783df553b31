"""However readings come, a limit is judged ten minutes after its on-delay at the latest, by the readings there are.

The whole way: readings are stored, a snapshot is derived of them and evaluated, at each arrival and in between.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from monitor.core.notices.kinds import all_kinds
from monitor.core.readings.late_readings import LONGEST_S
from monitor.core.terms.settings import Watch
from tests.bench.late_judged import (
    DRAWN,
    LOOK_S,
    MINUTE,
    RESTARTS_S,
    START,
    a_reading,
    a_room,
    longest_wait_s,
    played,
)
from tests.examples import at_most


@pytest.mark.parametrize("apart_s", [120, 122])
def test_two_probes_whose_clocks_are_behind_do_not_hide_the_cold(tmp_path: Path, apart_s: int) -> None:
    """Every four minutes or so, in turns, a quarter of an hour behind; rounds each 30 s."""
    readings = []
    for k in range(130):
        came = START + k * apart_s * 1000
        minute = (came - START) / MINUTE
        readings.append(a_reading(f"p{k % 2}", came - 15 * MINUTE, came, 30.0 if minute < 60 else 20.8))
    found = played(a_room(2, 240.0), readings, range(START, START + 180 * MINUTE, 30_000), tmp_path / "data")
    assert len(found.raised) == 1
    # The cold came to be known at minute 60, its on-delay was over a quarter of an hour later.
    assert (found.raised[0] - START) / MINUTE <= 60 + 4 + 15 + LONGEST_S / 60 + 0.5


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
    found = played(room, readings, range(START, START + 290 * MINUTE, 30_000), tmp_path / "data", silence)
    whole = [(m, c) for m, kind, _, c in found.moves if kind == "room-quiet"]
    assert [c for _, c in whole] == ["raised", "cleared"]
    assert whole[1][0] <= 120 + LONGEST_S / 60 + 12 + 1
    single = [(kind, subject, c) for _, kind, subject, c in found.moves if kind == "probe-quiet"]
    assert single == ([("probe-quiet", "p1", "raised")] if dead_min < 290 else [])


# -- whatever arrives --------------------------------------------------------------------------------------------------

PROBE = st.fixed_dictionaries(
    {name: st.sampled_from(list(of)) for name, of in DRAWN.items()} | {"phase_s": st.integers(0, 600)}
)
# One comes each 121 s: none ever finds that no more is on the way.
BEHIND = {
    "interval_s": 242, "offset_s": 900, "jitter_s": 0, "phase_s": 0, "batch": 1, "order": "oldest", "spacing_s": 0,
    "twice": False,
}  # fmt: skip


@pytest.mark.slow
@at_most(0.03)
@example([BEHIND, BEHIND | {"phase_s": 121}], 60, 0, 0)
@example([BEHIND, BEHIND | {"phase_s": 121}], 60, 470, 0)
@given(
    st.lists(PROBE, min_size=1, max_size=3), st.sampled_from([15, 47, 60]), st.sampled_from(RESTARTS_S),
    st.integers(0, 2**31),
)  # fmt: skip
def test_no_arrivals_push_a_limit_back_for_longer_than_ten_minutes(
    how: list[dict[str, Any]], round_s: int, restart_s: int, seed: int
) -> None:
    wait_s = longest_wait_s(how, round_s, restart_s, seed)
    assert wait_s is None or wait_s <= LONGEST_S + round_s + LOOK_S
