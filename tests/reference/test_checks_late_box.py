"""The silent sibling against Monte Carlo values of the same model (``checks_late_box.json``, not shipped)."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import ClutchForecast, update
from monitor.core.development.survival import Survival

SHARED = Path(__file__).resolve().parents[3] / "shared"
FILE = SHARED / "reference" / "checks_late_box.json"
UPPER, LOWER, ABOVE = 59.0, 61.3, 12


def cases() -> list[Any]:
    if not SHARED.is_dir():
        return [pytest.param({}, marks=pytest.mark.skip(reason="no folder ../shared beside the project"))]
    if not FILE.is_file():
        return [pytest.param({}, id="missing")]
    told = json.loads(FILE.read_text())["cases"]
    return [pytest.param(c, id=f"{c['probe_u_c']}-{c['whole_box_fails']}-{c['eggs_below']}") for c in told]


def given_the_upper(case: dict[str, Any], silent_days: float) -> list[tuple[float, ClutchForecast]]:
    """With signed weights: of 10 to 12 living eggs above the first pipped within 58 +- 0.6 d, the last 60 +- 1 d.

    That the least of n lies in (a, b) and the most in (c, d) is, by inclusion and exclusion, all in (a, d), less all in
    (b, d) and all in (a, c), and all in (b, c).
    """
    spread = Spread(0.042, 0.02, case["box_scale"], Survival(7.5, 2.2, case["whole_box_fails"]))
    sigma = 0.076 * case["probe_u_c"]
    below = BoxEvidence("lower", case["eggs_below"], sigma, none_by=silent_days / LOWER)
    found = []
    for living in (10, 11, 12):
        for sign, a, d in ((1, 57.4, 61.0), (-1, 58.6, 61.0), (-1, 57.4, 59.0), (1, 58.6, 59.0)):
            pips = PipInterval(a / UPPER, d / UPPER, living)
            # The upper box did not fail as a whole, nor do further eggs of it pip later.
            above = BoxEvidence("upper", living, sigma, (pips,), dead=ABOVE - living, box_fails=0.0)
            told = update([above, below], spread)
            ways = math.log(math.comb(ABOVE, living))
            found.append((sign * math.exp(ways + float(np.logaddexp.reduce(told._shared_log().ravel()))), told))
    return found


@pytest.mark.parametrize("case", cases())
def test_the_chance_that_a_silent_sibling_is_only_late_is_that_of_monte_carlo(case: dict[str, Any]) -> None:
    assert case, f"{FILE} is missing though its folder is there"
    days, chances, errors = case["days_after_sibling_done"], case["chance_only_late"], case["standard_error"]
    assert len(days) == len(chances) == len(errors) == 6
    for d, chance, error in zip(days, chances, errors, strict=True):
        found = given_the_upper(case, 60.0 + d)
        told = sum(w * f.chance_only_late("lower") for w, f in found) / sum(w for w, _ in found)
        # Its own error, and that it is told to a thousandth.
        assert told == pytest.approx(chance, abs=3.0 * error + 0.0015), f"{d} days after"


@pytest.mark.parametrize("case", cases())
def test_the_wait_until_date_is_that_of_monte_carlo(case: dict[str, Any]) -> None:
    assert case, f"{FILE} is missing though its folder is there"
    found = given_the_upper(case, 0.0)
    for name, expected in case["living_quantiles_days"].items():
        by = (60.0 + expected) / LOWER
        chance = 0.0
        for w, f in found:
            pips = f.pip("lower", 1)
            chance += (
                w * f.chance_only_late("lower") * float(np.interp(math.log(by), pips.log_development, pips.chance))
            )
        chance /= sum(w * f.chance_only_late("lower") for w, f in found)
        # Told to a tenth of a day, and some thousand draws behind it.
        wanted = int(name[1:]) / 100.0
        assert chance == pytest.approx(wanted, abs=0.004 + 0.05 * math.sqrt(wanted * (1.0 - wanted))), name
