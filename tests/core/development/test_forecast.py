"""The forecast: what was seen moves the window the right way, by the right amount, and never breaks it."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats

from monitor.core.development import forecast as model
from monitor.core.development import window as causes
from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import ClutchForecast
from monitor.core.development.survival import Survival
from monitor.core.development.window import ExpectedRates, Window, window
from monitor.core.maths import student_t
from monitor.core.terms.times import DAY_MS
from monitor.errors import EventRefused, ModelOutOfRange, MonitorError, UnknownSubject

Array = npt.NDArray[np.float64]
FIVE = (0.05, 0.1, 0.5, 0.9, 0.95)
NOW_MS = 1_750_000_000_000
# Every egg lives, unless its box fails as a whole.
LIVES = Survival(1.0, 0.0, 0.02)
SIX_OUT = (PipInterval(0.955, 0.97, 2), PipInterval(0.97, 0.985, 3), PipInterval(0.985, 1.0, 1))


def update(boxes: Sequence[BoxEvidence], spread: Spread | None = None) -> ClutchForecast:
    return model.update(boxes, spread or Spread(survival=LIVES))


def one(eggs: int = 8, none_by: float = 0.0, sigma_bias: float = 0.0074, **more: Any) -> ClutchForecast:
    return update([BoxEvidence("b", eggs, sigma_bias, (), none_by)], Spread(survival=LIVES, **more))


def siblings(a: BoxEvidence, none_by: float = 0.0, eggs: int = 6) -> ClutchForecast:
    return update([a, BoxEvidence("b", eggs, 0.0074, (), none_by)])


# Values of the model above, computed for this project by plain Monte Carlo (1.5 million draws, exact interval
# likelihoods as weights; 0.3 million for the fourth and last pip): an oracle for the quadrature, not published.


def test_eight_eggs_of_which_nothing_is_known() -> None:
    forecast = one(8)
    for k, expected in (
        (1, [0.8745, 0.8952, 0.9629, 1.0316, 1.0521]),
        (4, [0.9158, 0.9337, 0.9967, 1.0639, 1.0842]),
        (8, [0.9502, 0.9694, 1.0386, 1.1172, 1.1432]),
    ):
        np.testing.assert_allclose(forecast.kth("b", k, FIVE), expected, atol=0.001)


def test_eight_silent_eggs_at_development_1_06() -> None:
    np.testing.assert_allclose(one(8, 1.06).first("b", FIVE), [1.0614, 1.0629, 1.0783, 1.1194, 1.1382], atol=0.001)


def test_a_silent_box_beside_two_pips_of_six() -> None:
    a = BoxEvidence("a", 6, 0.0074, (PipInterval(0.955, 0.97, 2),), 0.97)
    np.testing.assert_allclose(
        siblings(a, 0.97).first("b", FIVE), [0.9719, 0.9738, 0.9918, 1.0299, 1.0447], atol=0.0015
    )


def test_a_silent_box_beside_six_of_six() -> None:
    a = BoxEvidence("a", 6, 0.0074, SIX_OUT)
    for none_by, expected in ((0.97, 0.9365), (1.03, 0.5536), (1.12, 0.0443)):
        assert siblings(a, none_by).chance_only_late("b") == pytest.approx(expected, abs=0.01)


# An oracle that shares nothing with the module: scipy's distributions on an even grid of its own.


def test_a_single_egg_agrees_with_plain_integration_of_scipys_distributions() -> None:
    normal = math.hypot(0.042, 0.02)
    g, b = np.linspace(-8 * normal, 8 * normal, 301), np.linspace(-1.5, 1.5, 3001)
    of_g = stats.norm.pdf(g, scale=normal) * (g[1] - g[0])
    of_b = stats.t.pdf(b / 0.02, 4) / 0.02 * (b[1] - b[0])
    forecast = one(1, sigma_bias=0.02)
    for p, development in zip(FIVE, forecast.first("b", FIVE), strict=True):
        egg = stats.t.cdf((math.log(development) - g[:, None] + b[None, :]) / 0.02, 4)
        assert of_g @ egg @ of_b == pytest.approx(p, abs=2e-4)


def drawn(rng: np.random.Generator, clutches: int, boxes: int, eggs: int, sigma_bias: float) -> Array:
    """Measured development at each pip (clutches, boxes, eggs), sorted, of the model with its starting values."""
    m = rng.normal(0.0, 0.042, (clutches, 1, 1))
    b = rng.normal(0.0, sigma_bias, (clutches, boxes, 1)) + 0.02 * rng.standard_t(4, (clutches, boxes, 1))
    log_development = m + 0.02 * rng.standard_t(4, (clutches, boxes, eggs)) - b
    return np.sort(np.exp(log_development), axis=2)


@pytest.mark.slow
def test_every_order_of_pips_agrees_with_rejection_sampling() -> None:
    pips = drawn(np.random.default_rng(11), 1_000_000, 2, 4, 0.01)
    a, b = pips[:, 0], pips[:, 1]
    as_seen = (a[:, 0] > 0.93) & (a[:, 0] <= 0.96) & (a[:, 1] > 0.96) & (a[:, 1] <= 0.99) & (a[:, 2] > 0.99)
    as_seen &= b[:, 0] > 0.95
    kept_a, kept_b = a[as_seen], b[as_seen]
    assert len(kept_a) > 15_000
    forecast = update(
        [
            BoxEvidence("a", 4, 0.01, (PipInterval(0.93, 0.96, 1), PipInterval(0.96, 0.99, 1)), 0.99),
            BoxEvidence("b", 4, 0.01, (), 0.95),
        ]
    )
    for k in (1, 2, 3, 4):
        np.testing.assert_allclose(forecast.kth("a", k, FIVE), np.quantile(kept_a[:, k - 1], FIVE), atol=0.003)
        np.testing.assert_allclose(forecast.kth("b", k, FIVE), np.quantile(kept_b[:, k - 1], FIVE), atol=0.003)
    np.testing.assert_array_equal(forecast.next("a"), forecast.kth("a", 3))
    np.testing.assert_array_equal(forecast.last("b"), forecast.kth("b", 4))
    np.testing.assert_array_equal(forecast.first("b"), forecast.next("b"))


def test_pips_told_in_overlapping_intervals_agree_with_rejection_sampling() -> None:
    pips = drawn(np.random.default_rng(12), 400_000, 1, 3, 0.01)[:, 0]
    # One egg came at an unknown time by 0.97 and one between 0.95 and 0.97: three assignments of single eggs.
    rng = np.random.default_rng(13)
    mixed = rng.permuted(pips, axis=1)
    kept = mixed[(mixed[:, 0] <= 0.97) & (mixed[:, 1] > 0.95) & (mixed[:, 1] <= 0.97) & (mixed[:, 2] > 0.97)]
    assert len(kept) > 5_000
    forecast = update([BoxEvidence("b", 3, 0.01, (PipInterval(0.0, 0.97, 1), PipInterval(0.95, 0.97, 1)), 0.97)])
    first, second = np.min(kept[:, :2], axis=1), np.max(kept[:, :2], axis=1)
    np.testing.assert_allclose(forecast.first("b", FIVE), np.quantile(first, FIVE), atol=0.004)
    np.testing.assert_allclose(forecast.kth("b", 2, FIVE), np.quantile(second, FIVE), atol=0.001)


@pytest.mark.slow
def test_the_chance_that_a_box_failed_agrees_with_simulation() -> None:
    rng = np.random.default_rng(17)
    pips = drawn(rng, 1_000_000, 2, 5, 0.01)
    failed = rng.random(1_000_000) < 0.1
    a_seen = (pips[:, 0, 0] > 0.95) & (pips[:, 0, 2] <= 1.0) & (pips[:, 0, 3] > 1.0)
    silent = failed | (pips[:, 1, 0] > 1.02)
    kept = a_seen & silent
    assert int(np.sum(kept)) > 10_000
    told = update(
        [BoxEvidence("a", 5, 0.01, (PipInterval(0.95, 1.0, 3),), 1.0), BoxEvidence("b", 5, 0.01, (), 1.02)],
        Spread(survival=Survival(1.0, 0.0, 0.1)),
    )
    assert told.chance_only_late("b") == pytest.approx(1.0 - float(np.mean(failed[kept])), abs=0.01)


@pytest.mark.slow
def test_ten_to_ninety_per_cent_windows_hold_about_eighty_of_a_hundred_clutches() -> None:
    rng = np.random.default_rng(2024)
    clutches, held, told = 1600, 0, 0
    pips = drawn(rng, clutches, 2, 8, 0.015)
    looked_at = rng.uniform(0.86, 1.04, clutches)
    for (a, b), last_look in zip(pips, looked_at, strict=True):
        looks = np.arange(last_look - 0.3, last_look + 1e-9, 0.016)
        boxes = []
        for name, times in (("a", a), ("b", b)):
            counts = np.diff([0, *(int(np.sum(times <= look)) for look in looks)])
            seen = tuple(
                PipInterval(float(looks[i - 1]) if i else 0.0, float(looks[i]), int(count))
                for i, count in enumerate(counts)
                if count
            )
            boxes.append(BoxEvidence(name, 8, 0.015, seen, float(looks[-1])))
        out = boxes[1].pipped_count
        if out == 8:
            continue
        low, high = update(boxes).next("b", (0.1, 0.9))
        told += 1
        held += bool(low <= b[out] <= high)
    assert told > 1400
    assert 0.78 <= held / told <= 0.82


# What evidence does.


def test_an_early_sibling_moves_the_silent_box_forward_and_narrows_its_window() -> None:
    alone = one(6).first("b")
    early = siblings(BoxEvidence("a", 6, 0.0074, (PipInterval(0.88, 0.89, 1),), 0.89)).first("b")
    late = siblings(BoxEvidence("a", 6, 0.0074, (PipInterval(1.03, 1.04, 1),), 1.04)).first("b")
    assert early[1] < alone[1] - 0.02
    assert late[1] > alone[1] + 0.02
    all_out = siblings(BoxEvidence("a", 6, 0.0074, SIX_OUT)).first("b")
    for moved, share in ((early, 0.9), (late, 0.9), (all_out, 0.8)):
        assert moved[2] - moved[0] < share * (alone[2] - alone[0])


def test_a_silent_sibling_moves_the_window_back() -> None:
    quiet = update([BoxEvidence("a", 6, 0.0074, (), 1.03), BoxEvidence("b", 6, 0.0074)])
    assert quiet.first("b", (0.5,))[0] > one(6).first("b", (0.5,))[0] + 0.02


def test_a_silent_sibling_that_may_have_failed_says_less() -> None:
    boxes = [BoxEvidence("a", 6, 0.0074, (), 1.1), BoxEvidence("b", 6, 0.0074)]
    sure, unsure = (update(boxes, Spread(survival=Survival(1.0, 0.0, f))).first("b", (0.5,))[0] for f in (0.0, 0.3))
    assert sure > unsure > one(6).first("b", (0.5,))[0]


def test_the_clutch_shift_follows_the_pips_and_gets_surer() -> None:
    mean, sd = one(6).clutch_shift()
    assert mean == pytest.approx(0.0, abs=1e-9)
    assert sd == pytest.approx(0.042, rel=1e-3)
    early, surer = siblings(BoxEvidence("a", 6, 0.0074, (PipInterval(0.88, 0.89, 1),), 0.89)).clutch_shift()
    assert early < -0.02
    assert surer < 0.035


def test_a_silent_box_is_given_up_slowly() -> None:
    a = BoxEvidence("a", 6, 0.0074, SIX_OUT)
    day = 1.0 / 60.0
    chances = [siblings(a, 1.0 + day * i).chance_only_late("b") for i in range(9)]
    assert all(later < earlier for earlier, later in pairwise(chances))
    assert chances[1] > 0.6
    assert chances[2] > 0.4
    assert chances[-1] < 0.1
    assert siblings(a, 0.5).chance_only_late("b") == pytest.approx(0.98, abs=1e-3)


def test_a_box_that_has_pipped_has_not_failed() -> None:
    assert siblings(BoxEvidence("a", 6, 0.0074, SIX_OUT), 1.2).chance_only_late("a") == 1.0


def test_a_look_that_found_nothing_puts_the_pip_after_it() -> None:
    for none_by in (0.9, 1.0, 1.1):
        assert one(8, none_by).first("b", (0.001,))[0] >= none_by
    assert one(8, 0.5).first("b")[1] == pytest.approx(one(8).first("b")[1], abs=5e-4)


def test_who_counts_pips_has_looked_at_the_rest() -> None:
    told = (PipInterval(0.95, 0.97, 2),)
    silent, explicit = (update([BoxEvidence("b", 6, 0.01, told, none_by)]).next("b") for none_by in (0.0, 0.97))
    np.testing.assert_array_equal(silent, explicit)
    assert np.all(silent > 0.97)


def test_more_eggs_pip_earlier_and_end_later() -> None:
    few, many = one(2), one(20)
    assert many.first("b", (0.5,))[0] < few.first("b", (0.5,))[0] < 1.0 < few.last("b", (0.5,))[0]
    assert many.last("b", (0.5,))[0] > few.last("b", (0.5,))[0]
    assert one(1).first("b", (0.5,))[0] == pytest.approx(1.0, abs=5e-4)


def test_when_all_have_pipped_the_pips_lie_within_what_was_seen() -> None:
    forecast = siblings(BoxEvidence("a", 6, 0.0074, SIX_OUT))
    first, last = forecast.first("a", (0.01, 0.99)), forecast.last("a", (0.01, 0.99))
    assert 0.955 <= first[0] < first[1] <= 0.97
    assert 0.985 <= last[0] < last[1] <= 1.0
    with pytest.raises(EventRefused, match="none is still to come"):
        forecast.next("a")


def test_quantiles_rise_with_the_probability_and_keep_its_shape() -> None:
    p = np.linspace(0.001, 0.999, 400).reshape(20, 20)
    boxes = [
        BoxEvidence("a", 5, 0.01, (PipInterval(0.95, 0.97, 2),), 0.98),
        BoxEvidence("b", 4, 0.02, (), 1.02),
    ]
    forecast = update(boxes)
    for box, k in (("a", 1), ("a", 2), ("a", 3), ("a", 5), ("b", 1), ("b", 3)):
        got = forecast.kth(box, k, p)
        assert got.shape == (20, 20)
        assert np.all(np.diff(got.ravel()) > 0.0)


# Nothing that can be told breaks it.


@pytest.mark.slow
@pytest.mark.parametrize(
    "boxes",
    [
        [BoxEvidence("b", 6, 0.01, (PipInterval(0.49, 0.5, 1),), 0.5)],
        [BoxEvidence("b", 6, 0.01, (PipInterval(1.59, 1.6, 3),), 1.6)],
        [BoxEvidence("b", 100, 0.0, (PipInterval(0.49, 0.5, 99),), 0.5)],
        [BoxEvidence("b", 500, 0.01, (), 1.6)],
        [BoxEvidence("b", 60, 0.01, (), 1.6, alive=((1.6, 20), (0.2, 10)), dead=30)],
        [BoxEvidence("b", 4, 0.0, (PipInterval(0.49, 0.5, 2),), 3.0, alive=((2.9, 2),), dead=3)],
        [BoxEvidence("b", 1, 0.0, (), 30.0)],
        [BoxEvidence("b", 2, 0.0, (PipInterval(25.0, 28.0, 1),), 30.0)],
        [BoxEvidence("b", 2, 0.0, (PipInterval(0.0, 1e-9, 1),), 0.2)],
        [BoxEvidence("b", 6, 0.01, (PipInterval(0.97, 0.97, 1), PipInterval(0.5, 0.5, 1)), 0.0)],
        [BoxEvidence(name, 12, 0.0, (PipInterval(0.49, 0.5, 11),), 1.6) for name in "abcdefghijklmnop"],
        [BoxEvidence("a", 12, 0.0, (PipInterval(0.5, 0.51, 11),)), BoxEvidence("b", 12, 0.3, (), 1.6)],
    ],
)
@pytest.mark.parametrize(
    "spread",
    [
        Spread(),
        Spread(survival=LIVES),
        Spread(0.0, 0.002, 0.0, Survival(1.0, 0.0, 0.0)),
        Spread(0.2, 0.2, 0.2, Survival(0.5, 3.0, 0.9)),
    ],
)
def test_evidence_that_can_hardly_be_gives_numbers_all_the_same(boxes: list[BoxEvidence], spread: Spread) -> None:
    forecast = update(boxes, spread)
    seen = next(seen for seen in boxes if seen.box == "b")
    for k in {1, seen.pipped_count + 1, seen.eggs}:
        got = forecast.kth("b", k, (0.001, 0.1, 0.5, 0.9, 0.999))
        assert np.all(np.isfinite(got))
        assert np.all(np.diff(got) >= 0.0)
    assert all(math.isfinite(x) for x in forecast.clutch_shift())
    assert 0.0 <= forecast.chance_only_late("b") <= 1.0
    told = window(forecast, "b", development_now=1.0, now_ms=NOW_MS, ahead=ExpectedRates(1 / 60, rate_sd_relative=0.1))
    assert told.p10_ms <= told.p50_ms <= told.p90_ms
    assert all(math.isfinite(cause.days) for cause in told.causes)


@pytest.mark.parametrize(
    ("make", "refusal", "words"),
    [
        (lambda: BoxEvidence("b", 0, 0.01), EventRefused, "0 eggs"),
        (lambda: BoxEvidence("b", 501, 0.01), EventRefused, "501 eggs"),
        (lambda: BoxEvidence("b", 3, 0.01, (PipInterval(0.9, 0.95, 4),)), EventRefused, "4 pipped out of 3"),
        (lambda: BoxEvidence("b", 3, 0.01, (PipInterval(0.96, 0.95, 1),)), EventRefused, "first look comes first"),
        (lambda: BoxEvidence("b", 3, 0.01, (PipInterval(0.0, 0.0, 1),)), EventRefused, "no egg pips at 0"),
        (lambda: BoxEvidence("b", 3, 0.01, (PipInterval(0.9, math.nan, 1),)), EventRefused, "first look"),
        (lambda: BoxEvidence("b", 3, 0.01, (PipInterval(0.9, 0.95, 0),)), EventRefused, "at least one"),
        (lambda: BoxEvidence("b", 3, -0.01), ModelOutOfRange, "sigma_bias"),
        (lambda: BoxEvidence("b", 3, 0.01, (), math.inf), ModelOutOfRange, "last look"),
        (lambda: Spread(scale_egg=0.0), ModelOutOfRange, "spreads"),
        (lambda: Spread(sigma_m=math.nan), ModelOutOfRange, "spreads"),
        (lambda: Survival(box_fails=1.0), ModelOutOfRange, "box_fails"),
        (lambda: update([]), EventRefused, "boxes with eggs"),
        (lambda: update([BoxEvidence("b", 3, 0.01)] * 2), EventRefused, "each of them once"),
        (lambda: one().first("x"), UnknownSubject, "no box x"),
        (lambda: one().chance_only_late("x"), UnknownSubject, "no box x"),
        (lambda: one().first("b", (0.0,)), ModelOutOfRange, "probabilities"),
        (lambda: one().first("b", (0.5, 0.0009)), ModelOutOfRange, "probabilities"),
        (lambda: one().first("b", (0.5, 0.9991)), ModelOutOfRange, "probabilities"),
        (lambda: one().first("b", (math.nan,)), ModelOutOfRange, "probabilities"),
        (lambda: one(3).kth("b", 4), EventRefused, "pip number 4 of 3"),
        (lambda: one(3).kth("b", 0), EventRefused, "pip number 0"),
        (lambda: ExpectedRates(0.0), ModelOutOfRange, "no date"),
        (lambda: ExpectedRates(math.nan), ModelOutOfRange, "no date"),
        (lambda: ExpectedRates(0.01, -0.1), ModelOutOfRange, "rate_sd_relative"),
        (lambda: ExpectedRates(0.01, days_ahead=(1.0,)), ModelOutOfRange, "length"),
        (lambda: ExpectedRates(0.01, days_before=(-1.0,)), ModelOutOfRange, "length"),
        (lambda: ExpectedRates(0.01, days_before=(1.0,), development_before=(0.1,)), ModelOutOfRange, "rise"),
        (lambda: ExpectedRates(0.01, days_before=(-1.0,), development_before=(0.1,)), ModelOutOfRange, "fall"),
        (lambda: ExpectedRates(0.01, days_ahead=(2.0, 1.0), development_ahead=(0.1, 0.2)), ModelOutOfRange, "rise"),
        (lambda: ExpectedRates(0.01, days_ahead=(1.0, 2.0), development_ahead=(0.1, 0.0)), ModelOutOfRange, "fall"),
        (lambda: dated(one(), math.nan), ModelOutOfRange, "not a number"),
    ],
)
def test_nonsense_is_refused_in_words(make: Any, refusal: type[MonitorError], words: str) -> None:
    with pytest.raises(refusal, match=words):
        make()


# Dates.

SIXTY_DAYS = ExpectedRates(1.0 / 60.0)


def dated(forecast: ClutchForecast, now: float, ahead: ExpectedRates = SIXTY_DAYS, **more: Any) -> Window:
    return window(forecast, "b", development_now=now, now_ms=NOW_MS, ahead=ahead, **more)


def days(told: Window) -> list[float]:
    return [(ms - NOW_MS) / DAY_MS for ms in (told.p10_ms, told.p50_ms, told.p90_ms)]


def test_with_a_certain_rate_the_window_is_development_over_rate() -> None:
    forecast = one(8, 0.9)
    told = dated(forecast, 0.9, probabilities=(0.25, 0.75))
    np.testing.assert_allclose(days(told), (forecast.first("b") - 0.9) * 60.0, atol=2e-3)
    expected = (forecast.first("b", (0.25, 0.75)) - 0.9) * 60.0
    np.testing.assert_allclose([(ms - NOW_MS) / DAY_MS for ms in told.times_ms], expected, atol=2e-3)
    assert told.probabilities == (0.25, 0.75)
    assert not told.overdue


def test_a_table_of_days_ahead_is_followed_and_then_left_at_the_plain_rate() -> None:
    forecast = one(8)
    # Five days at half the rate, then the rate again: two and a half days are lost.
    cold = ExpectedRates(1 / 60, days_ahead=(5.0, 10.0), development_ahead=(2.5 / 60, 7.5 / 60))
    np.testing.assert_allclose(days(dated(forecast, 0.5, cold)), np.add(days(dated(forecast, 0.5)), 2.5), atol=1e-6)
    assert cold.days_to(2.5 / 60) == pytest.approx(5.0)
    assert cold.days_to(8.5 / 60) == pytest.approx(11.0)
    assert cold.days_to(-1 / 60) == pytest.approx(-1.0)
    np.testing.assert_allclose(cold.gain([-3.0, 0.0, 5.0, 7.5, 12.0]), np.array([-3.0, 0.0, 2.5, 5.0, 9.5]) / 60)


@pytest.mark.parametrize("rate", [0.001, 0.005, 1 / 60, 0.04])
def test_what_lies_before_now_is_dated_by_what_was_measured_then_whatever_is_to_come(rate: float) -> None:
    rng = np.random.default_rng(7)
    edges = np.sort(rng.uniform(-80.0, -0.1, 60))
    gains = -np.cumsum(rng.uniform(0.001, 0.03, 60))[::-1]
    told = ExpectedRates(rate, days_before=tuple(edges.tolist()), development_before=tuple(gains.tolist()))
    asked = (0.001, 0.05, 0.1, 0.25, 0.5)
    window_then = dated(one(8), 1.15, told, probabilities=asked)
    found = [(ms - NOW_MS) / DAY_MS for ms in window_then.times_ms]
    expected = np.interp(one(8).first("b", asked) - 1.15, [*gains, 0.0], [*edges, 0.0])
    np.testing.assert_allclose(found, expected, atol=2e-3)
    assert min(found) >= edges[0]
    assert told.days_to(float(told.gain(-33.3))) == pytest.approx(-33.3)
    # Before all that is known the mean of it goes on.
    assert told.days_to(2.0 * float(gains[0])) == pytest.approx(2.0 * edges[0])


def test_days_without_warmth_are_waited_through() -> None:
    outage = ExpectedRates(1 / 60, days_ahead=(1.0, 4.0), development_ahead=(1 / 60, 1 / 60))
    np.testing.assert_allclose(days(dated(one(8), 0.5, outage)), np.add(days(dated(one(8), 0.5)), 3.0), atol=1e-6)


def test_an_uncertain_rate_agrees_with_simulation() -> None:
    rng = np.random.default_rng(5)
    first = drawn(rng, 400_000, 1, 8, 0.0074)[:, 0, 0]
    needed = first - 0.4
    simulated = needed * 60.0 * np.exp(-0.12 * rng.normal(size=400_000))
    np.testing.assert_allclose(
        days(dated(one(8), 0.4, ExpectedRates(1 / 60, 0.12))), np.quantile(simulated, (0.1, 0.5, 0.9)), atol=0.1
    )


def test_filled_gaps_widen_the_window_like_a_probe_that_is_less_sure() -> None:
    plain = days(dated(one(8, sigma_bias=0.01), 1.0))
    gaps = days(dated(one(8, sigma_bias=0.01), 1.0, ExpectedRates(1 / 60, past_sd_log=0.03)))
    worse_probe = days(dated(one(8, sigma_bias=math.hypot(0.01, 0.03)), 1.0))
    np.testing.assert_allclose(gaps, worse_probe, atol=0.02)
    assert gaps[2] - gaps[0] > plain[2] - plain[0] + 0.5
    early = days(dated(one(8, sigma_bias=0.01), 0.1, ExpectedRates(1 / 60, past_sd_log=0.03)))
    assert early[2] - early[0] < plain[2] - plain[0] + 0.1


def test_nobody_looked_so_the_window_lies_in_the_past_and_says_so() -> None:
    told = dated(one(8), 1.2)
    assert told.p90_ms < NOW_MS
    assert told.overdue
    np.testing.assert_allclose(days(told), (one(8).first("b") - 1.2) * 60.0, atol=2e-3)
    np.testing.assert_allclose(days(dated(one(8), 1.2, ExpectedRates(1 / 60, 0.3))), days(told), atol=0.3)
    partly = dated(one(8), 0.96)
    assert partly.p10_ms < NOW_MS < partly.p90_ms
    assert not partly.overdue
    assert not dated(one(8, 1.2), 1.2).overdue


def test_the_window_is_that_of_the_next_pip_unless_another_is_asked() -> None:
    forecast = update([BoxEvidence("b", 6, 0.01, (PipInterval(0.95, 0.97, 2),), 0.97)])
    np.testing.assert_allclose(days(dated(forecast, 0.97)), (forecast.next("b") - 0.97) * 60, atol=2e-3)
    np.testing.assert_allclose(days(dated(forecast, 0.97, k=6)), (forecast.last("b") - 0.97) * 60, atol=2e-3)
    np.testing.assert_allclose(days(dated(forecast, 0.97, k=1)), (forecast.first("b") - 0.97) * 60, atol=2e-3)


@pytest.mark.parametrize(
    ("cause", "spread", "sigma_bias", "ahead"),
    [
        (causes.PROBE, {}, 0.09, {}),
        (causes.AHEAD, {}, 0.01, {"rate_sd_relative": 0.25}),
        (causes.GAPS, {}, 0.01, {"past_sd_log": 0.25}),
        (causes.CURVE, {"sigma_m": 0.12}, 0.01, {}),
        (causes.EGGS, {"scale_egg": 0.12}, 0.01, {}),
        (causes.EGGS, {"sigma_m": 0.12, "curve_share": 0.1}, 0.01, {}),
        (causes.PLACE, {"scale_box": 0.08}, 0.01, {}),
    ],
)
def test_the_biggest_input_is_the_biggest_cause(
    cause: str, spread: dict[str, float], sigma_bias: float, ahead: dict[str, Any]
) -> None:
    rates = replace(ExpectedRates(1 / 60, rate_sd_relative=0.02, past_sd_log=0.01), **ahead)
    told = dated(one(6, sigma_bias=sigma_bias, **spread), 0.5, rates)
    assert told.causes[0].name == cause
    assert {c.name for c in told.causes} == {
        causes.PROBE,
        causes.AHEAD,
        causes.GAPS,
        causes.CURVE,
        causes.EGGS,
        causes.PLACE,
    }
    sizes = [c.days for c in told.causes]
    assert sizes == sorted(sizes, reverse=True)
    low, _, high = days(told)
    assert math.hypot(*sizes) == pytest.approx(0.5 * (high - low), rel=1e-6)


def test_what_does_not_vary_is_no_cause() -> None:
    told = dated(one(6, sigma_bias=0.0, sigma_m=0.0, scale_box=0.0), 0.5)
    assert [c.name for c in told.causes] == [causes.EGGS]


def test_a_siblings_pips_take_the_published_curve_out_of_the_causes() -> None:
    def share(forecast: ClutchForecast) -> float:
        told = dated(forecast, 0.94)
        return next(c.days for c in told.causes if c.name == causes.CURVE)

    before = siblings(BoxEvidence("a", 6, 0.0074), 0.94)
    after = siblings(BoxEvidence("a", 6, 0.0074, SIX_OUT), 0.94)
    assert share(after) < 0.75 * share(before)


def test_a_room_of_two_hundred_lots_is_forecast_in_a_moment() -> None:
    """By what is called, which is the same on a fast and on a slow machine: nothing is integrated step by step."""
    boxes = [
        BoxEvidence("a", 12, 0.01, (PipInterval(0.94, 0.96, 2), PipInterval(0.96, 0.97, 3)), 0.97),
        BoxEvidence("b", 12, 0.02, (), 0.96),
    ]
    ahead = ExpectedRates(1 / 60, 0.03, 0.01)
    calls = 0

    def count(_frame: object, event: str, _what: object) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        forecast = update(boxes)
        for box in "ab":
            window(forecast, box, development_now=0.97, now_ms=NOW_MS, ahead=ahead)
            forecast.chance_only_late(box)
    finally:
        sys.setprofile(None)
    # Measured: 4000, in 5 ms.
    assert calls < 12_000


# What the probes of one session have in common.


def of_session(session: str, *, common: float, own: float = 0.004) -> list[BoxEvidence]:
    """Box a has two of six out, box b is silent at development 1.01."""
    bias = math.hypot(own, common)
    return [
        BoxEvidence("a", 6, bias, (PipInterval(0.95, 0.97, 2),), 0.97, common, "s1"),
        BoxEvidence("b", 6, bias, (), 1.01, common, session),
    ]


def by_draws(common: float, own: float, draws: int = 300_000) -> tuple[Callable[[Array], Array], float]:
    """The same clutch by drawing the common error, the shared part and the boxes themselves; the eggs, given where
    their box lies, are independent. Gives the chance that b's first pip comes by a development, and that b lives."""
    rng = np.random.default_rng(11)
    spread = Spread()
    m = rng.normal(0.0, spread.sigma_m, draws)
    c = rng.normal(0.0, common, draws)
    a, b = (m - c - rng.normal(0.0, own, draws) - spread.scale_box * rng.standard_t(4, draws) for _ in range(2))
    out = {x: stats.t.cdf((math.log(x) - a) / spread.scale_egg, 4) for x in (0.95, 0.97)}
    seen_a = (out[0.97] - out[0.95]) ** 2 * (1.0 - out[0.97]) ** 4
    silent = (1.0 - stats.t.cdf((math.log(1.01) - b) / spread.scale_egg, 4)) ** 6

    def first_by(development: Array) -> Array:
        weight = seen_a * silent
        none = [(1.0 - stats.t.cdf((math.log(y) - b) / spread.scale_egg, 4)) ** 6 / silent for y in development]
        return np.array([1.0 - float(weight @ n) / weight.sum() for n in none])

    alive, failed = 0.98 * float(np.mean(seen_a * silent)), 0.02 * float(np.mean(seen_a))
    return first_by, alive / (alive + failed)


@pytest.mark.slow
@pytest.mark.parametrize("common", [0.01, 0.03])
def test_what_both_probes_have_in_common_moves_both_boxes_alike_as_drawn(common: float) -> None:
    forecast = update(of_session("s1", common=common))
    first_by, only_late = by_draws(common, 0.004)
    np.testing.assert_allclose(first_by(forecast.first("b", FIVE)), FIVE, atol=0.006)
    assert forecast.chance_only_late("b") == pytest.approx(only_late, abs=0.005)


def test_errors_of_one_session_tell_more_of_a_silent_sibling_than_those_of_two() -> None:
    one_session, two = (update(of_session(name, common=0.03)) for name in ("s1", "s2"))
    widths = [float(np.ptp(f.first("b", (0.1, 0.9)))) for f in (one_session, two)]
    assert widths[0] < 0.95 * widths[1]
    # A silent box is the worse sign, the less its probe may be to blame alone.
    assert one_session.chance_only_late("b") < two.chance_only_late("b")


def test_what_is_common_makes_a_clutch_of_which_nothing_was_seen_no_surer() -> None:
    """For each box alone nothing changes: its error is as large, whoever shares it."""
    boxes = [BoxEvidence(name, 6, 0.03, (), 0.0, 0.029, "s1") for name in "ab"]
    apart = [replace(box, session=box.box) for box in boxes]
    shared, alone = (update(which).first("b", FIVE) for which in (boxes, apart))
    np.testing.assert_allclose(shared, alone, atol=3e-4)


def test_the_common_part_is_told_as_the_probes_and_not_as_the_eggs() -> None:
    boxes = [BoxEvidence(name, 6, 0.03, (), 0.0, 0.029, "s1") for name in "ab"]
    apart = [replace(box, session=box.box) for box in boxes]
    told = [{c.name: c.days for c in dated(update(which), 0.5).causes} for which in (boxes, apart)]
    for cause in (causes.PROBE, causes.EGGS, causes.CURVE):
        assert told[0][cause] == pytest.approx(told[1][cause], rel=0.03), cause


def test_a_common_part_larger_than_the_whole_is_refused() -> None:
    with pytest.raises(ModelOutOfRange, match="sigma_common"):
        BoxEvidence("a", 6, 0.01, sigma_common=0.02)


@pytest.mark.parametrize("count", [1, 2, 7, 12, 150])
def test_one_of_those_that_live_is_out_as_any_number_at_least_gives(count: int) -> None:
    stay = np.linspace(0.0, 1.0, 101)[:, None]
    living = np.zeros((count + 1, 1))
    living[count] = 1.0
    wanted = student_t.at_least(1, [(count, 1.0 - stay)])
    np.testing.assert_allclose(model._out_of_living(1, stay.copy(), living), wanted, rtol=1e-12, atol=1e-14)
