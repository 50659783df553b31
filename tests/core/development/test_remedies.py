"""What would mend an uneven stack: each way against the integrated course of two lots, and when nothing is advised."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.climate.stacks import Level, StackProfile
from monitor.core.development.lots import Ahead, LotNow, Past
from monitor.core.development.remedies import (
    FAN_LEAVES,
    LEAST_GAIN_DAYS,
    PROBES_ALONE,
    Remedy,
    Siblings,
    advise,
    doubt_of,
    fanned,
    in_full,
    in_short,
    siblings_in,
)
from monitor.core.development.siblings import apart
from monitor.core.development.window import ExpectedRates
from tests.core.lots import ahead_of, changed, past_of
from tests.core.timeline import START, a_lot

CURVE = load_profile("elaphe-taeniura").curve()
DAY_MS = 86_400_000
SO_FAR = 25.0


def rate(temperature_c: float) -> float:
    return float(CURVE.rate_per_day(np.array([temperature_c]))[0])


def lot(box: str, temperature_c: float, *, u_c: float = 0.05, session: str = "s", days: float = SO_FAR) -> LotNow:
    """Six eggs that have lain at one temperature for ``days``."""
    r = rate(temperature_c)
    slope = math.log(rate(temperature_c + 0.25) / rate(temperature_c - 0.25)) / 0.5
    return a_lot(
        f"K01/{box}",
        past=Past(r * days, mean_c=temperature_c, error=ProbesError(u_c, 0.0, session), compared=True),
        ahead=Ahead(temperature_c, r, ExpectedRates(r, 0.02), (1.0 - r * days) / r, slope / r),
    )


def stack(*levels: tuple[str, float, float], u_c: float = 0.05) -> StackProfile:
    """(box, height, temperature) from the lowest up."""
    made = tuple(Level(f"box {n}", h, t, u_c, True) for n, h, t in levels)
    warm, cool = max(made, key=lambda x: x.mean_c), min(made, key=lambda x: x.mean_c)
    return StackProfile(
        "left",
        made,
        warm.mean_c - cool.mean_c,
        warm.error.against(cool.error),
        None,
        warm.name,
        cool.name,
        START - DAY_MS,
        START,
        24,
    )


WARM, COOL = 28.6, 27.4
STACK = stack(("low", 50.0, COOL), ("middle", 100.0, 28.0), ("top", 150.0, WARM))
EARLY, LATE = lot("top", WARM), lot("low", COOL)


def told(early: LotNow = EARLY, late: LotNow = LATE, profile: StackProfile | None = STACK, **more: float) -> Siblings:
    return advise(early, late, profile, **more)  # type: ignore[arg-type]


def way(found: Siblings, name: str) -> Remedy:
    return next(x for x in found.remedies if x.way == name)


def ends(*courses: list[tuple[float, float]]) -> list[float]:
    """Days from now until development 1, walked in steps, through (until day, temperature)."""
    found = []
    for lot_now, course in zip((EARLY, LATE), courses, strict=True):
        development, day = past_of(lot_now).development or 0.0, 0.0
        steps = [(d, rate(t)) for d, t in course]
        while development < 1.0:
            now = next((r for until, r in steps if day < until), steps[-1][1])
            development, day = development + 0.01 * now, day + 0.01
        found.append(day)
    return found


def test_a_swap_brings_two_lots_together_as_a_walk_through_the_days_says() -> None:
    found = way(told(), "swap")
    x = found.in_days
    assert x > 1.0
    early, late = ends([(x, WARM), (1e9, COOL)], [(x, COOL), (1e9, WARM)])
    assert late - early == pytest.approx(0.0, abs=0.05)
    assert found.remains_days == pytest.approx(0.0, abs=1e-9)
    assert found.gains_days == pytest.approx(apart(EARLY, LATE)[0])
    assert found.sure


def test_a_fan_leaves_what_lies_behind_and_a_share_of_what_is_to_come() -> None:
    found = way(told(), "fan")
    to = [28.0 + FAN_LEAVES * (t - 28.0) for t in (WARM, COOL)]
    early, late = ends([(1e9, to[0])], [(1e9, to[1])])
    assert found.remains_days == pytest.approx(late - early, abs=0.1)
    assert found.gains_days == pytest.approx(apart(EARLY, LATE)[0] - (late - early), abs=0.1)
    assert found.shift_days[0] > 0.0 > found.shift_days[1]
    # Not more than all that is to come, and at the least what a poor fan would do.
    assert 0.0 < found.sd_days < found.gains_days / 2.0


def test_another_shelf_is_at_the_height_of_the_temperature_that_catches_up() -> None:
    close = lot("low", 27.4, days=20.0), lot("middle", 27.9, days=20.0)
    levels = stack(("low", 50.0, 27.4), ("middle", 100.0, 27.9), ("high", 130.0, 28.4), ("top", 180.0, 29.2))
    found = way(advise(close[1], close[0], levels), "shelf")
    assert found.place is not None
    assert found.temperature_c is not None
    left = (1.0 - (past_of(close[0]).development or 0.0)) / rate(found.temperature_c)
    assert left == pytest.approx(ahead_of(close[1]).remaining_days or 0.0, abs=0.1)
    assert 100.0 < found.place.height_cm < 130.0
    at = levels.temperature_at(found.place.height_cm)
    assert at is not None
    assert at[0] == pytest.approx(found.temperature_c)


def test_no_shelf_beyond_the_limit_beyond_the_stack_or_where_a_box_stands() -> None:
    close = lot("middle", 27.9, days=20.0), lot("low", 27.4, days=20.0)
    levels = stack(("low", 50.0, 27.4), ("middle", 100.0, 27.9), ("high", 130.0, 28.4), ("top", 180.0, 29.2))
    limited = advise(*close, levels, too_warm_c=28.0)
    assert "beyond its upper limit" in dict(limited.not_done)["shelf"]
    place = way(advise(*close, levels), "shelf").place
    assert place is not None
    taken = advise(*close, levels, taken_cm=[place.height_cm + 3.0])
    assert dict(taken.not_done)["shelf"] == "a box stands at that height"
    assert "the warmest level has" in dict(told().not_done)["shelf"]
    assert "°F" in dict(advise(EARLY, LATE, STACK, unit="F").not_done)["shelf"]


def test_nothing_is_advised_that_the_probes_alone_could_have_made_up() -> None:
    vague = [changed(x, error=ProbesError(0.5)) for x in (EARLY, LATE)]
    poor = stack(("low", 50.0, COOL), ("middle", 100.0, 28.0), ("top", 150.0, WARM), u_c=0.5)
    found = advise(vague[0], vague[1], poor)
    assert (found.remedies, found.refused) == ((), PROBES_ALONE)
    assert fanned(poor, vague) == ()
    assert "warmtally compare" in " ".join(in_short(found, START, UTC))


def test_a_level_that_stands_out_comes_before_any_advice() -> None:
    odd = stack(("low", 50.0, COOL), ("middle", 90.0, 27.9), ("high", 120.0, 30.4), ("top", 150.0, WARM))
    found = advise(EARLY, LATE, odd)
    assert found.remedies == ()
    assert "box high stands out" in found.refused
    assert "box high" in doubt_of(odd)


def test_what_lies_behind_is_not_mended_by_a_fan_in_a_stack_that_is_even_now() -> None:
    even = stack(("low", 50.0, 28.0), ("top", 150.0, 28.02))
    late = changed(lot("low", 28.0), development=0.3, remaining_days=0.7 / rate(28.0))
    early = changed(lot("top", 28.0), development=0.4, remaining_days=0.6 / rate(28.0))
    found = advise(early, late, even)
    assert found.remedies == ()
    assert "lies behind them" in found.refused


def gained(remedy: Remedy, true: list[float]) -> float:
    """Days fewer apart when it is done, of lots that lay at the true temperatures (low, middle, top)."""
    truly = {"low": true[0], "top": true[2]}
    early, late = (truly[name.split("/")[1]] for name in (remedy.early, remedy.late))
    d_early, d_late = rate(early) * SO_FAR, rate(late) * SO_FAR
    before = (1.0 - d_late) / rate(late) - (1.0 - d_early) / rate(early)
    if remedy.way == "fan":
        to = [sum(true) / 3 + FAN_LEAVES * (t - sum(true) / 3) for t in (early, late)]
        after = (1.0 - d_late) / rate(to[1]) - (1.0 - d_early) / rate(to[0])
    elif remedy.way == "swap":
        x = remedy.in_days
        after = (1.0 - d_late - rate(late) * x) / rate(early) - (1.0 - d_early - rate(early) * x) / rate(late)
    else:
        assert remedy.place is not None
        at = float(np.interp(remedy.place.height_cm, [50.0, 100.0, 150.0], true))
        after = (1.0 - d_late) / rate(at) - (1.0 - d_early) / rate(early)
    return abs(before) - abs(after)


def test_an_advised_gain_is_a_gain_in_truth_whatever_the_probes_are_off_by() -> None:
    """Two hundred stacks with probes off within what they say; what is advised is done in the true temperatures."""
    rng = np.random.default_rng(7)
    u, misses, hidden = 0.15, [], 0
    for _ in range(200):
        true = (np.array([27.6, 28.0, 28.4]) + rng.normal(0.0, 0.25, 3)).tolist()
        read = [t + rng.normal(0.0, u) for t in true]
        profile = stack(("low", 50.0, read[0]), ("middle", 100.0, read[1]), ("top", 150.0, read[2]), u_c=u)
        measured = [lot("low", read[0], u_c=u, session=""), lot("top", read[2], u_c=u, session="")]
        ((early, late),) = siblings_in(measured)
        found = advise(early, late, profile)
        hidden += not found.remedies
        misses += [(gained(x, true) - x.gains_days, x.sd_days, gained(x, true)) for x in found.remedies]
    assert hidden > 20
    assert len(misses) > 150
    assert np.mean([true > -LEAST_GAIN_DAYS for _, _, true in misses]) == 1.0
    assert np.mean([true > 0.0 for _, _, true in misses]) > 0.97
    assert np.mean([abs(miss) < 2.0 * sd for miss, sd, _ in misses]) > 0.85


def test_lots_that_have_pipped_or_lie_in_one_box_are_left_alone() -> None:
    assert "pipped" in told(early=replace(EARLY, lot=a_lot("K01/top", pipped=1).lot)).refused
    assert "same box" in told(late=lot("top", WARM)).refused


def test_two_stacks_leave_the_swap_alone() -> None:
    found = told(profile=None)
    assert [x.way for x in found.remedies] == ["swap"]


def test_a_single_lot_is_told_what_stirring_would_do_to_its_date() -> None:
    (found,) = fanned(STACK, [LATE])
    assert found.to_c == pytest.approx(28.0 - FAN_LEAVES * 0.6)
    left = ahead_of(LATE).remaining_days
    assert left is not None
    assert found.shift_days == pytest.approx((1.0 - past_of(LATE).development) / rate(found.to_c) - left, abs=0.1)


def test_each_way_is_said_with_what_remains_and_its_caution() -> None:
    found = told()
    said = {x.way: in_full(x, found, START, UTC, "C") for x in found.remedies}
    assert "dries eggs" in said["fan"]
    assert "do not turn an egg" in said["swap"]
    assert all("remain (gains" in text for text in said.values())
    short = " ".join(in_short(found, START, UTC))
    assert short.startswith("What would bring K01 in top and K01 in low together: ")
    assert "swapping boxes top and low in" in short
    assert "a fan (gains" in short
