"""Which correction holds when, and what a corrected probe is worth."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.core.readings.corrections import Correction, StandingCorrections
from monitor.core.terms.settings import Probe


def correction(from_ms: int, offset: float, number: int, **more: Any) -> Correction:
    fields: dict[str, Any] = {
        "uncertainty_c": 0.04,
        "common_c": 0.2,
        "how": "side by side",
        "recorded_ms": from_ms,
        "session": "s1",
    }
    return Correction("p", from_ms, offset, id=number, **(fields | more))


def test_the_newest_that_has_begun_holds_and_the_first_also_before() -> None:
    known = StandingCorrections([correction(1000, 0.1, 1), correction(2000, 0.3, 2)])
    assert list(known.offset_c("p", np.array([0, 999, 1000, 1999, 2000, 9000]))) == [0.1, 0.1, 0.1, 0.1, 0.3, 0.3]
    assert [known.holding("p", t).id for t in (0, 1500, 2000)] == [1, 1, 2]  # type: ignore[union-attr]
    assert known.holding("other", 0) is None


def test_one_for_afterwards_only_leaves_the_time_before_as_it_was() -> None:
    known = StandingCorrections([correction(1000, 0.1, 1, only_after=True)])
    assert list(known.offset_c("p", np.array([999, 1000]))) == [0.0, 0.1]
    assert known.holding("p", 999) is None


def test_one_that_was_taken_back_does_not_hold_and_a_later_word_wins() -> None:
    first, second = correction(1000, 0.1, 1), correction(1000, 0.3, 2)
    assert StandingCorrections([second, first]).offset_c("p", np.array([1000]))[0] == 0.3
    assert StandingCorrections([first, replace(second, withdrawn=True)]).offset_c("p", np.array([1000]))[0] == 0.1


def test_what_a_probe_said_while_it_was_compared_belongs_to_no_box() -> None:
    known = StandingCorrections([correction(1000, 0.1, 1, to_ms=1500)])
    assert list(known.away("p", np.array([999, 1000, 1500, 1501]))) == [False, True, True, False]


def test_a_probe_with_a_correction_has_its_uncertainty_and_counts_as_compared() -> None:
    probe = Probe("p", "t", correction=-0.5)
    now = StandingCorrections([correction(1000, 0.1, 1)]).effective(probe, 5000)
    assert now.correction == pytest.approx(-0.4)
    assert now.standard_uncertainty == pytest.approx(math.hypot(0.04, 0.2))
    assert (now.common_c, now.session, now.compared) == (0.2, "s1", True)
    ice = StandingCorrections([correction(1000, 0.1, 1, how="ice point", session="")]).effective(probe, 5000)
    assert not ice.compared
    assert StandingCorrections().effective(probe, 0) is probe
