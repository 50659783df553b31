"""The silent sibling's story: its parts, its interval, and what it must and must not contain."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import numpy as np
import pytest

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.curves import PublishedRates
from monitor.core.development.gaps import HourTable
from monitor.core.development.history import History, StayTable, Way
from monitor.core.development.lots import LotNow, forecast_clutch
from monitor.core.development.siblings import NOT_TO_DO, GoneBefore, Story, apart, stories
from monitor.core.terms.events import Clutch, Lot, PipSeen, Stay
from monitor.core.terms.times import HOUR_MS
from tests.core.lots import ahead_of, first_pip_of, window_of

START = 1_780_000_000_000 // HOUR_MS * HOUR_MS
DAY = 24 * HOUR_MS
PROFILE = load_profile("elaphe-taeniura")
CURVE = PROFILE.curve()


def history(
    temperature_c: float, days: int, uncertainty_c: float, compared: bool, common_c: float = 0.0, session: str = ""
) -> History:
    n = 24 * days
    t = np.full(n, temperature_c)
    rate = CURVE.rate_per_day(t) / 24.0
    degree_days = (t - CURVE.base_c) / 24.0
    need = np.full(n, 3600.0)
    table = HourTable(START // HOUR_MS, rate, degree_days, t, need, need)
    error = ProbesError(math.sqrt(uncertainty_c**2 - common_c**2), common_c, session)
    return History.of(Way((StayTable(table, (), START),), START + days * DAY, error, compared), CURVE)


def lots(
    difference_c: float,
    days: int,
    pips: tuple[PipSeen, ...],
    *,
    uncertainty_c: float,
    compared: bool = False,
    looked_ms: int | None = None,
    eggs: int = 6,
    common_c: float = 0.0,
    sessions: tuple[str, str] = ("", ""),
) -> list[LotNow]:
    """A clutch in two boxes around 28 C, the warmer one with the given pips."""
    warm = Lot("C/warm", "C", "warm", (Stay("warm", START, None),), eggs, pips=pips, looked_ms=looked_ms)
    cool = Lot("C/cool", "C", "cool", (Stay("cool", START, None),), eggs, looked_ms=looked_ms)
    clutch = Clutch("C", "elaphe-taeniura", START, False, 2 * eggs, (warm, cool))
    histories = {
        "C/warm": history(28.0 + difference_c / 2, days, uncertainty_c, compared, common_c, sessions[0]),
        "C/cool": history(28.0 - difference_c / 2, days, uncertainty_c, compared, common_c, sessions[1]),
    }
    return forecast_clutch(clutch, [warm, cool], histories, PROFILE, CURVE, START + days * DAY)


def one_story(
    difference_c: float, wait_days: float, uncertainty_c: float, *, compared: bool = False, looked: bool = False
) -> Story:
    """The warm box's first pip is seen on the day it was expected; the cool box has been silent since."""
    expected = window_of(lots(difference_c, 50, (), uncertainty_c=uncertainty_c)[0])
    assert expected is not None
    pip_day = int((expected.p50_ms - START) // DAY)
    pip = PipSeen(START + pip_day * DAY - 12 * HOUR_MS, START + pip_day * DAY, 1)
    days = int(pip_day + wait_days)
    told = lots(
        difference_c,
        days,
        (pip,),
        uncertainty_c=uncertainty_c,
        compared=compared,
        looked_ms=START + days * DAY if looked else START + pip_day * DAY,
    )
    found = stories(told, START + days * DAY, UTC)
    assert len(found) == 1
    return found[0]


def beside(story: Story) -> GoneBefore:
    assert story.beside is not None
    return story.beside


# The half-width 0.5 C of a cheap probe as a rectangular error: 0.5 / sqrt(3) (GUM 4.3.7).
CHEAP_C = 0.5 / 3**0.5
COMPARED_C = 0.05


def test_half_a_degree_explains_about_two_of_the_days() -> None:
    story = beside(one_story(0.5, 2, CHEAP_C))
    # Published curve: 66.3 d at 27 C and 53.9 d at 30 C are 4.1 d per degree around 28 C.
    assert story.temperature_days == pytest.approx(2.1, abs=0.5)
    assert story.probes_explain


def test_uncalibrated_probes_allow_the_four_to_five_days_that_keepers_have_seen() -> None:
    """Common practice in the trade, no source: half a degree has parted two boxes by four to five days."""
    story = beside(one_story(0.5, 2, CHEAP_C))
    assert story.offset_p10_days < 4.0
    assert story.offset_p90_days > 5.0


def test_compared_probes_give_a_narrower_interval() -> None:
    cheap = beside(one_story(0.5, 2, CHEAP_C))
    compared = beside(one_story(0.5, 2, COMPARED_C, compared=True))
    assert compared.offset_p90_days - compared.offset_p10_days < 0.9 * (cheap.offset_p90_days - cheap.offset_p10_days)
    assert not compared.probes_explain
    assert compared.compared


def test_half_a_degree_between_boxes_is_two_days_and_the_probes_alone_could_be_it() -> None:
    warm, cool = lots(0.5, 30, (), uncertainty_c=CHEAP_C)
    days, sd = apart(warm, cool)
    # Published curve: 66.3 d at 27 C and 53.9 d at 30 C are 4.1 d per degree around 28 C.
    assert days == pytest.approx(2.05, abs=0.5)
    assert sd == pytest.approx(CHEAP_C * np.hypot(ahead_of(warm).days_per_c or 0.0, ahead_of(cool).days_per_c or 0.0))
    assert abs(days) < 2.0 * sd
    assert apart(cool, warm) == pytest.approx((-days, sd))


def test_what_probes_of_one_session_have_in_common_parts_no_two_boxes() -> None:
    """Against drawing: one error of both probes, one of each, and the days read off the curve at what is then true."""
    own_c, common_c = 0.05, 0.28
    more = {"uncertainty_c": float(np.hypot(own_c, common_c)), "common_c": common_c}
    warm, cool = lots(2.0, 30, (), sessions=("s1", "s1"), **more)  # type: ignore[arg-type]
    days, sd = apart(warm, cool)
    rng = np.random.default_rng(3)
    c, a, b = rng.normal(0.0, common_c, 200_000), *rng.normal(0.0, own_c, (2, 200_000))
    drawn = 1.0 / CURVE.rate_per_day(27.0 + c + b) - 1.0 / CURVE.rate_per_day(29.0 + c + a)
    assert sd == pytest.approx(float(drawn.std()), rel=0.1)
    assert days == pytest.approx(float(drawn.mean()), rel=0.02)
    # Of two sessions, or of none, the same probes tell much less.
    for sessions in (("s1", "s2"), ("", "")):
        assert apart(*lots(2.0, 30, (), sessions=sessions, **more))[1] > 3.0 * sd  # type: ignore[arg-type]


def test_the_window_of_a_silent_box_is_narrower_when_both_probes_were_compared_in_one_session() -> None:
    pip = PipSeen(START + 57 * DAY, START + 58 * DAY, 2)
    widths = []
    for sessions in (("s1", "s1"), ("s1", "s2")):
        told = lots(0.2, 62, (pip,), uncertainty_c=0.3, common_c=0.29, sessions=sessions, looked_ms=START + 62 * DAY)
        window = first_pip_of(told[1]).open_window
        assert window is not None
        widths.append(window.p90_ms - window.p10_ms)
    assert widths[0] < 0.95 * widths[1]


def test_the_chance_that_it_is_only_late_falls_with_looks_but_not_to_nothing() -> None:
    chances = [one_story(0.5, wait, CHEAP_C, looked=True).silence.chance for wait in (1, 4, 8, 14)]
    assert all(a >= b for a, b in pairwise(chances))
    assert chances[0] > 0.9
    assert 0.02 < chances[-1] < 0.9


def test_the_wait_is_counted_from_the_middle_of_the_two_looks() -> None:
    assert beside(one_story(0.5, 3, CHEAP_C)).waited_days == pytest.approx(3.25, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_only_the_first_pip_of_a_box_counts_for_the_one_beside_it(seed: int) -> None:
    """What came after it, and in whatever order it was told, moves neither the wait nor the interval."""
    rng = np.random.default_rng(seed)
    first = PipSeen(START + 55 * DAY, START + 56 * DAY, 1)
    later = [
        PipSeen(int(by) - 12 * HOUR_MS, int(by), 1)
        for by in START + 56 * DAY + rng.choice(np.arange(13, 7 * 24), 3, replace=False) * HOUR_MS
    ]
    alone = lots(0.5, 64, (first,), uncertainty_c=CHEAP_C)
    (expected,) = stories(alone, START + 64 * DAY, UTC)
    seen = [first, *later]
    rng.shuffle(seen)
    others = replace(alone[0], lot=replace(alone[0].lot, pips=tuple(seen)))
    (found,) = stories([others, alone[1]], START + 64 * DAY, UTC)
    assert beside(found).waited_days == pytest.approx(8.5)
    assert beside(found) == beside(expected)


def test_there_is_no_story_without_a_pip_or_when_both_have_pipped() -> None:
    assert stories(lots(0.5, 55, (), uncertainty_c=CHEAP_C), START + 55 * DAY, UTC) == []
    told = lots(0.5, 58, (PipSeen(START + 56 * DAY, START + 57 * DAY, 1),), uncertainty_c=CHEAP_C)
    both = [told[0], replace(told[1], lot=replace(told[1].lot, pips=told[0].lot.pips))]
    assert stories(both, START + 58 * DAY, UTC) == []


def test_no_advice_opens_or_discards_an_egg() -> None:
    assert any("do not open" in text for text in NOT_TO_DO)
    assert any("do not discard" in text for text in NOT_TO_DO)


def test_the_curve_used_here_is_the_published_one() -> None:
    assert isinstance(CURVE, PublishedRates)
    assert 1.0 / CURVE.rate_per_day(np.array([27.0]))[0] == pytest.approx(66.3)
