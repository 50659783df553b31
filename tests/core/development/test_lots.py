"""From what a lot went through to when it will pip: sane numbers, moves, looks, and refusals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.gaps import HourTable
from monitor.core.development.history import History, StayTable, Way, log_slope
from monitor.core.development.lots import INSIDE_TABLE, LotNow, _box_fails, forecast_clutch
from monitor.core.development.plans import Plan
from monitor.core.development.survival import Survival
from monitor.core.terms.events import Clutch, Lot, PipSeen, Stay
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.core.lots import ahead_of, first_pip_of, past_of, rates_of, window_of

LAID = round(datetime(2026, 5, 1, 10, tzinfo=UTC).timestamp() * 1000)
PROFILE = load_profile("elaphe-taeniura")
CURVE = PROFILE.curve()


def table(temperature_c: Sequence[float], from_ms: int = LAID) -> HourTable:
    """Whole hours from ``from_ms`` on (a full hour), all measured; NaN is not."""
    t = np.array(temperature_c, np.float64)
    known = ~np.isnan(t)
    rate = np.where(known, CURVE.rate_per_day(np.nan_to_num(t)), 0.0)
    sums = np.where(known, np.maximum(np.nan_to_num(t) - CURVE.base_c, 0.0), 0.0)
    need = np.full(len(t), 3600.0)
    return HourTable(from_ms // HOUR_MS, rate / 24, sums / 24, t, np.where(known, 3600.0, 0.0), need)


def a_history(temperature_c: Sequence[float], uncertainty_c: float = 0.29, **more: Any) -> History:
    stay = StayTable(table(temperature_c), (), LAID)
    now_ms = LAID + len(temperature_c) * HOUR_MS
    return History.of(Way((stay,), now_ms, ProbesError(uncertainty_c), compared=False, **more), CURVE)


def forecast(
    histories: dict[str, History], lots: Sequence[Lot], now_ms: int, plan: Plan | None = None
) -> dict[str, LotNow]:
    clutch = Clutch("K01", "elaphe-taeniura", LAID, False, sum(x.eggs_set for x in lots), tuple(lots))
    found = forecast_clutch(clutch, lots, histories, PROFILE, CURVE, now_ms, plan)
    return {x.lot.box: x for x in found}


def a_lot(box: str = "a", eggs: int = 6, **more: Any) -> Lot:
    return replace(Lot(f"K01/{box}", "K01", box, (Stay(box, LAID, None),), eggs), **more)


def at(days: float, temperature_c: float = 27.0, eggs: int = 6, **more: Any) -> LotNow:
    lot = a_lot(eggs=eggs, **more)
    hours = round(days * 24)
    return forecast({lot.id: a_history([temperature_c] * hours)}, [lot], LAID + hours * HOUR_MS)["a"]


# -- sane numbers --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("temperature_c", "days"), [(24.0, 86.0), (27.0, 66.3), (30.0, 53.9)])
def test_at_a_constant_published_temperature_the_printed_days_come_out(temperature_c: float, days: float) -> None:
    """Du & Ji 2008: 86.0 days at 24 C, 66.3 at 27 C, 53.9 at 30 C."""
    got = at(20.0, temperature_c)
    assert past_of(got).development == pytest.approx(20.0 / days, abs=1e-9)
    assert ahead_of(got).remaining_days == pytest.approx(days - 20.0, abs=1e-6)
    assert got.first_pip is not None
    first = (window_of(got).p50_ms - LAID) / DAY_MS
    assert days - 5.0 < first < days - 0.3, "the first of six comes before the typical egg"
    assert window_of(got).p10_ms < window_of(got).p50_ms < window_of(got).p90_ms
    single = at(20.0, temperature_c, eggs=1)
    assert single.first_pip is not None
    assert (window_of(single).p50_ms - LAID) / DAY_MS == pytest.approx(days, abs=0.5)


def test_half_of_the_time_is_half_of_the_development() -> None:
    got = at(66.3 / 2 // (1 / 24) / 24)
    assert past_of(got).development == pytest.approx(0.5, abs=0.001)


def test_more_eggs_pip_earlier_and_the_window_narrows_as_time_goes_on() -> None:
    middles = [window_of(x).p50_ms for x in (at(20.0, eggs=n) for n in (1, 2, 6, 20)) if x.first_pip is not None]
    assert middles == sorted(middles, reverse=True)
    assert len(set(middles)) == 4
    widths = [w.p90_ms - w.p10_ms for w in (window_of(at(d)) for d in (5.0, 30.0, 60.0)) if w is not None]
    assert widths == sorted(widths, reverse=True)


def test_a_probe_that_is_less_sure_widens_the_window_and_is_named() -> None:
    widths = []
    for u in (0.05, 0.29, 1.0):
        lot = a_lot()
        got = forecast({lot.id: a_history([27.0] * 480, u)}, [lot], LAID + 480 * HOUR_MS)["a"]
        assert got.first_pip is not None
        widths.append(window_of(got).p90_ms - window_of(got).p10_ms)
    assert widths == sorted(widths)
    assert widths[0] < widths[-1] * 0.8
    assert got.first_pip is not None
    assert window_of(got).causes[0].name == "probe's uncertainty"
    assert all(a.days >= b.days for a, b in pairwise(window_of(got).causes))


def test_filled_time_widens_the_window_and_its_share_is_told() -> None:
    lot = a_lot()
    whole = at(40.0)
    hours = [27.0] * 960
    hours[200:500] = [float("nan")] * 300
    got = forecast({lot.id: a_history(hours)}, [lot], LAID + 960 * HOUR_MS)["a"]
    assert past_of(got).filled_share == pytest.approx(300 / 960)
    assert past_of(got).development == pytest.approx(past_of(whole).development, rel=1e-6)
    assert got.first_pip is not None
    assert whole.first_pip is not None
    assert window_of(got).p90_ms - window_of(got).p10_ms > window_of(whole).p90_ms - window_of(whole).p10_ms
    assert "filled gaps" in {c.name for c in window_of(got).causes}


# -- what is to come -----------------------------------------------------------------------------------------------


def test_the_last_three_days_say_what_is_to_come() -> None:
    lot = a_lot()
    hours = [27.0] * 480 + [30.0] * 72
    got = forecast({lot.id: a_history(hours)}, [lot], LAID + 552 * HOUR_MS)["a"]
    assert ahead_of(got).temperature_c == pytest.approx(30.0)
    assert ahead_of(got).rate_per_day == pytest.approx(1 / 53.9)
    assert past_of(got).mean_c == pytest.approx((480 * 27 + 72 * 30) / 552)


def test_the_rate_is_averaged_and_not_the_temperature() -> None:
    swing = [27.0 + 5.0 * np.sin(2 * np.pi * h / 24) for h in range(240)]
    lot = a_lot()
    got = forecast({lot.id: a_history(swing)}, [lot], LAID + 240 * HOUR_MS)["a"]
    assert ahead_of(got).rate_per_day == pytest.approx(float(np.mean(CURVE.rate_per_day(np.array(swing[-72:])))))


def test_an_assumption_stands_in_place_of_the_last_days() -> None:
    lot = a_lot()
    history = a_history([27.0] * 480)
    got = forecast({lot.id: history}, [lot], LAID + 480 * HOUR_MS, Plan.constant(30.0))["a"]
    assert ahead_of(got).temperature_c == 30.0
    assert ahead_of(got).rate_per_day == pytest.approx(1 / 53.9)
    assert got.ahead is not None
    assert rates_of(got).rate_sd_relative == 0.0


def test_eggs_that_were_moved_are_as_warm_as_the_box_that_they_came_to() -> None:
    lot = a_lot()
    history = a_history([27.0] * 480, last=table([30.0] * 72))
    assert ahead_of(forecast({lot.id: history}, [lot], LAID + 480 * HOUR_MS)["a"]).temperature_c == 30.0
    silent = a_history([27.0] * 480, last=table([np.nan] * 72))
    assert ahead_of(forecast({lot.id: silent}, [lot], LAID + 480 * HOUR_MS)["a"]).temperature_c == 27.0


@pytest.mark.parametrize("temperature_c", [5.0, 10.0])
def test_where_eggs_do_not_develop_there_is_no_date_and_a_reason(temperature_c: float) -> None:
    got = at(20.0, temperature_c)
    assert (got.first_pip, ahead_of(got).remaining_days, ahead_of(got).rates) == (None, None, None)
    assert "hardly develop" in got.refused
    assert past_of(got).development == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("cold_c", [14.5, 16.0, 18.0, 22.0])
@pytest.mark.parametrize("warm_days", [20.0, 55.0, 70.0])
def test_after_a_cold_spell_nothing_is_dated_before_the_eggs_could_have_been_there(
    cold_c: float, warm_days: float
) -> None:
    lot = a_lot()
    hours = round(warm_days * 24)
    way = a_history([27.0] * hours + [cold_c] * 96)
    now = LAID + (hours + 96) * HOUR_MS
    got = forecast({lot.id: way}, [lot], now)["a"]
    window = window_of(got)
    assert LAID < window.p10_ms < window.p50_ms < window.p90_ms
    assert min(window.times_ms) > LAID + 40 * DAY_MS, "27 C brings none sooner"
    for celsius in (20.0, 24.0, 30.0):
        planned = forecast({lot.id: way}, [lot], now, Plan.constant(celsius))["a"]
        assert min(window_of(planned).times_ms) > LAID + 40 * DAY_MS


@pytest.mark.parametrize("day", [0.5, 3.0, 20.0, 32.0])
def test_a_pip_that_cannot_have_been_is_told_and_moves_nothing(day: float) -> None:
    pip = PipSeen(None, LAID + round(day * DAY_MS), 2)
    way, now = a_history([27.0] * 24 * 50), LAID + 50 * DAY_MS
    odd, plain, beside = a_lot("a", pips=(pip,)), a_lot("a"), a_lot("b")
    got = forecast({x.id: way for x in (odd, beside)}, [odd, beside], now)
    without = forecast({x.id: way for x in (beside,)}, [beside], now)
    assert got["a"].first_pip is None
    assert "too early for any egg" in got["a"].refused
    assert window_of(got["b"]) == window_of(without["b"])
    assert forecast({plain.id: way}, [plain], now)["a"].refused == ""


@pytest.mark.parametrize("day", [40.0, 60.0, 66.3, 90.0])
def test_a_pip_that_is_early_or_late_by_as_much_as_there_is_counts(day: float) -> None:
    lot = a_lot(pips=(PipSeen(LAID + round((day - 1) * DAY_MS), LAID + round(day * DAY_MS), 2),))
    got = forecast({lot.id: a_history([27.0] * 24 * 95)}, [lot], LAID + 95 * DAY_MS)["a"]
    assert got.refused == ""
    assert first_pip_of(got).window.p50_ms == pytest.approx(LAID + (day - 0.5) * DAY_MS, abs=DAY_MS)


def test_the_way_behind_is_that_of_the_history() -> None:
    rng = np.random.default_rng(3)
    way = a_history(list(24.0 + 5.0 * rng.random(24 * 50 + 7)))
    days, gains = way.behind()
    assert days[0] == pytest.approx((LAID - way.now_ms) / DAY_MS)
    assert all(a < b for a, b in pairwise(days))
    for day, gain in zip(days, gains, strict=True):
        at_ms = round(way.now_ms + day * DAY_MS)
        assert way.development + gain == pytest.approx(way.development_at(at_ms), abs=1e-9)
    empty = History.of(Way((), LAID, ProbesError(0.29), compared=False), CURVE)
    assert empty.behind() == ((), ())


def test_outside_the_published_table_a_note_says_so_and_the_window_is_wider() -> None:
    inside, outside = at(20.0, 31.0), at(20.0, 34.5)
    assert not inside.notes
    assert any("outside the published table (22 to 32 °C)" in note for note in outside.notes)
    assert inside.first_pip is not None
    assert outside.first_pip is not None
    assert window_of(outside).p90_ms - window_of(outside).p10_ms > window_of(inside).p90_ms - window_of(inside).p10_ms


# -- what was seen ---------------------------------------------------------------------------------------------------


def later(days: float) -> int:
    return LAID + round(days * DAY_MS)


def test_a_pip_in_one_box_moves_the_window_of_its_silent_sibling() -> None:
    hours = 60 * 24
    histories = {f"K01/{b}": a_history([27.0] * hours) for b in "ab"}
    silent = [a_lot("a"), a_lot("b")]
    before = window_of(forecast(histories, silent, later(60))["b"])
    early = [a_lot("a", pips=(PipSeen(later(58), later(59), 6),), looked_ms=later(59)), a_lot("b")]
    after = forecast(histories, early, later(60))
    moved = window_of(after["b"])
    assert before is not None
    assert moved is not None
    assert moved.p50_ms < before.p50_ms - DAY_MS
    seen = window_of(after["a"])
    assert seen is not None
    assert later(58) <= seen.p10_ms <= seen.p90_ms <= later(59)


def test_a_silent_look_moves_the_window_but_not_the_one_that_says_past() -> None:
    looked = at(70.0, looked_ms=later(70))
    blind = at(70.0)
    assert looked.first_pip is not None
    assert looked.first_pip is not None
    assert blind.first_pip is not None
    assert window_of(looked).p10_ms > window_of(blind).p10_ms
    assert first_pip_of(looked).open_window == window_of(blind)
    assert looked.first_pip is not None
    assert blind.first_pip is not None
    seen, unseen = (first_pip_of(x).silence for x in (looked, blind))
    assert seen is not None
    assert unseen is not None
    assert seen.chance < unseen.chance
    assert seen.wait_until_ms == unseen.wait_until_ms, "it does not move while one waits"


def test_waiting_makes_it_less_likely_that_a_silent_box_is_only_late() -> None:
    silent = [first_pip_of(at(d, looked_ms=later(d))).silence for d in (60.0, 68.0, 75.0, 90.0)]
    known = [s.chance for s in silent if s is not None]
    assert len(known) == 4
    assert known == sorted(known, reverse=True)
    assert known[0] > 0.95
    assert known[-1] < 0.5


@pytest.mark.parametrize(
    "more",
    [
        {"pips": (PipSeen(None, LAID + 60 * DAY_MS, 6),)},
        {"removed": 6, "closed_ms": LAID + 50 * DAY_MS},
        {"infertile": 6},
        {"lost": (("mould", 5),)},
        {"pips": (PipSeen(LAID, LAID + 1, 1),)},
        {"pips": (PipSeen(LAID + 60 * DAY_MS, LAID + 60 * DAY_MS + 1, 2),), "looked_ms": LAID + 61 * DAY_MS},
        {"looked_ms": LAID},
        {"eggs_set": 600},
    ],
)
def test_no_account_is_too_odd(more: dict[str, Any]) -> None:
    lots = [a_lot("a", **more), a_lot("b")]
    histories = {x.id: a_history([27.0] * 64 * 24) for x in lots}
    got = forecast(histories, lots, later(64))
    for lot in got.values():
        assert past_of(lot).development == pytest.approx(64 / 66.3)
        for w in (lot.first_pip.window, lot.first_pip.open_window) if lot.first_pip else ():
            assert w.p10_ms <= w.p50_ms <= w.p90_ms
    if more.get("eggs_set") == 600:
        assert "500" in got["a"].refused
        assert "\n" not in got["a"].refused


@pytest.mark.parametrize("days", [0.05, 1.0, 80.0, 200.0, 400.0])
def test_no_moment_is_too_early_or_too_late(days: float) -> None:
    got = at(days)
    assert got.first_pip is not None
    assert (ahead_of(got).remaining_days or 0.0) >= 0.0
    assert ahead_of(got).rates is not None
    window = window_of(got)
    assert window.p10_ms <= window.p50_ms <= window.p90_ms


# -- histories --------------------------------------------------------------------------------------------------------


def test_an_empty_history_is_a_history() -> None:
    got = History.of(Way((), LAID, ProbesError(0.3), compared=False), CURVE)
    assert (got.development, got.known, got.mean_c, got.filled_share) == (0.0, False, None, 0.0)
    assert got.development_at(LAID) == 0.0
    assert got.ahead(CURVE) is None


def test_edges_of_stays_in_parts_of_hours_are_kept() -> None:
    first, second = table([27.0, 27.0]), table([30.0, 30.0], LAID + HOUR_MS)
    # The first stay begins at 10:15 and ends at 11:20, the second goes on from there to 12:30.
    first = replace(first, need_s=np.array([2700.0, 1200.0]))
    second = replace(second, need_s=np.array([2400.0, 1800.0]))
    begin = LAID + 15 * 60_000
    stays = StayTable(first, (), begin), StayTable(second, (), LAID + 80 * 60_000)
    got = History.of(Way(stays, LAID + 150 * 60_000, ProbesError(0.3), compared=False), CURVE)
    assert ((got.edge_ms - LAID) / 60_000).tolist() == [15, 60, 80, 120, 150]
    assert got.weight_s.sum() == (150 - 15) * 60
    assert np.all(np.diff(got.cumulative) > 0)
    assert got.development_at(begin - 1) == 0.0
    assert got.development_at(LAID + 200 * 60_000) == got.development
    assert got.mean_c == pytest.approx((65 * 27 + 70 * 30) / 135)


def test_the_slope_of_the_curve_on_log_scale() -> None:
    assert log_slope(CURVE, 5.0) == 0.0
    expected = float(np.log(CURVE.rate_per_day(27.25) / CURVE.rate_per_day(26.75)) / 0.5)
    assert log_slope(CURVE, 27.0) == pytest.approx(expected)
    assert pytest.approx(float(CURVE.rate_sd_relative(np.array([27.0]))[0])) == INSIDE_TABLE


# -- what lies still -----------------------------------------------------------------------------------------------


def test_what_a_box_went_through_makes_it_likelier_to_have_failed_and_cool_nights_do_not() -> None:
    high, low = PROFILE.high_limit_c, PROFILE.low_limit_c
    assert high is not None
    assert low is not None

    def fails(hours: Sequence[float]) -> float:
        return _box_fails(a_history([27.0] * 500 + list(hours) + [27.0] * 500), PROFILE)

    calm = fails([])
    assert calm == pytest.approx(Survival().box_fails)
    assert fails(([low - 2.0] * 8 + [27.0] * 16) * 30) == pytest.approx(calm), "cool nights"
    assert calm < fails([low - 8.0] * 72) < 0.2
    hot = [fails([high + above] * 12) for above in (1.0, 4.0, 8.0, 12.0)]
    assert calm < hot[0] < hot[1] < hot[2] < hot[3]
    assert hot[0] < 0.01
    assert hot[3] > 0.9


def test_a_sibling_that_only_hatched_is_taken_to_have_pipped_not_long_before() -> None:
    """Telling less must not make it grimmer: without a look before, pips lie in the last days and not in all weeks."""
    hours = 70 * 24
    histories = {f"K01/{b}": a_history([27.0] * hours) for b in "ab"}
    silent = a_lot("b", looked_ms=later(70))
    chances = []
    for after in (later(64), None):
        early = a_lot("a", pips=(PipSeen(after, later(66), 6),), looked_ms=later(66))
        silence = first_pip_of(forecast(histories, [early, silent], later(70))["b"]).silence
        assert silence is not None
        chances.append(silence.chance)
    assert chances[1] > chances[0] - 0.05
