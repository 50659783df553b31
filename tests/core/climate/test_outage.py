"""How far a box cools without heat, when nothing is known but the prior knowledge of rooms and boxes."""

from __future__ import annotations

import pytest
from scipy.integrate import solve_ivp

from monitor.core.climate.outage import LONGEST_S, _draws, cooled

HOUR = 3600.0


def test_it_begins_at_nought_and_only_grows() -> None:
    steps = [cooled(h * HOUR) for h in (0.0, 0.5, 1, 3, 8, 24)]
    assert all(s is not None for s in steps)
    mids = [s.mid_c for s in steps if s is not None]
    assert mids[0] == pytest.approx(0.0, abs=1e-9)
    assert mids == sorted(mids)
    assert all(s.low_c <= s.mid_c <= s.high_c for s in steps if s is not None)


def test_each_possible_course_is_the_solution_of_its_two_equations() -> None:
    """Room and box by an independent solver; the middle draw of some."""
    after_s = 3 * HOUR
    drops = []
    for distance, tau_room, tau_box in _draws():
        got = solve_ivp(
            lambda _, y, r=tau_room, b=tau_box: [-y[0] / r, (y[0] - y[1]) / b],
            (0.0, after_s),
            [distance, distance],
            rtol=1e-9,
            atol=1e-9,
        )
        drops.append(distance - float(got.y[1, -1]))
    found = cooled(after_s)
    assert found is not None
    drops.sort()
    assert found.mid_c == pytest.approx((drops[31] + drops[32]) / 2, rel=1e-6)
    # After three hours a box of damp substrate has cooled by a few degrees, and nobody knows quite how far.
    assert 1.5 < found.mid_c < 5.0
    assert found.high_c > 1.8 * found.low_c


def test_outside_of_its_range_it_says_nothing() -> None:
    assert cooled(-1.0) is None
    assert cooled(LONGEST_S) is not None
    assert cooled(LONGEST_S + 1) is None
