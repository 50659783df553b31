"""Corrections and their uncertainty: published examples, sessions good and bad, and which correction holds when."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.core.readings.calibration import Track, step_of, type_a
from monitor.core.readings.correction_line import FoundAt, correction_line, over_temperature
from monitor.core.readings.ice_point import ice_point
from monitor.core.readings.side_by_side import side_by_side, swap_test

MINUTE = 60_000
START = 1_780_000_000_000
STEP = 0.0625


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8])
def test_type_a_covers_the_mean_of_readings_that_follow_each_other(r: float) -> None:
    """Of a first-order process the mean scatters by as much as is stated, within what 400 repeats can tell."""
    rng = np.random.default_rng(7)
    n, repeats = 240, 400
    noise = rng.standard_normal((repeats, n + 100))
    x = np.zeros_like(noise)
    for i in range(1, n + 100):
        x[:, i] = r * x[:, i - 1] + noise[:, i]
    means = x[:, 100:].mean(axis=1)
    stated = np.sqrt(np.mean([type_a(row).u ** 2 for row in x[:, 100:]]))
    assert stated == pytest.approx(float(means.std()), rel=0.15)
    if r >= 0.5:
        naive = np.sqrt(np.mean([type_a(row, independent=True).u ** 2 for row in x[:, 100:]]))
        assert naive < 0.65 * means.std()


def test_one_reading_has_no_type_a_and_one_temperature_no_line() -> None:
    with pytest.raises(ValueError, match="two readings"):
        type_a([28.0])
    with pytest.raises(ValueError, match="three points"):
        correction_line([28.0, 28.0, 28.0], [0.1, 0.1, 0.1], 20.0)


def sessions(rng: np.random.Generator, slope: float, own: float, *temperatures_c: float) -> list[FoundAt]:
    """What sessions find of a probe whose correction is 0.1 C at 28 C and goes by ``slope`` with each degree."""
    return [FoundAt(t, 0.1 + slope * (t - 28.0) + rng.normal(0.0, own), own, 0.02) for t in temperatures_c]


def test_sessions_at_several_temperatures_tell_how_a_correction_goes_with_it_as_surely_as_it_says() -> None:
    rng = np.random.default_rng(4)
    lines = [over_temperature(sessions(rng, 0.01, 0.05, 0.0, 24.0, 28.0)) for _ in range(500)]
    off = np.array([(line.y2 - 0.01) / line.u_y2 for line in lines if line is not None])
    assert len(off) == 500
    # Not more than the usual share lies beyond two standard uncertainties, although three sessions have one residual.
    assert np.mean(np.abs(off) > 2.0) < 0.07
    assert off.std() == pytest.approx(1.0, abs=0.2)


def test_sessions_that_fit_a_line_by_chance_are_no_surer_than_they_said() -> None:
    line = over_temperature(sessions(np.random.default_rng(1), 0.01, 0.0, 0.0, 24.0, 28.0))
    found = [FoundAt(t, 0.01 * t, 0.05, 0.2) for t in (0.0, 24.0, 28.0)]
    sure, fitted = line, over_temperature(found)
    assert sure is not None
    assert fitted is not None
    assert sure.u_y2 == pytest.approx(0.0, abs=1e-9)
    assert (fitted.y2, fitted.t0) == pytest.approx((0.01, 28.0))
    # Least squares with a known uncertainty of each point: 0.05 / sqrt(Sxx).
    assert fitted.u_y2 == pytest.approx(0.05 / math.sqrt(np.var([0.0, 24.0, 28.0]) * 3))
    assert fitted.at(28.0)[1] > 0.2


@pytest.mark.parametrize("temperatures_c", [(0.0, 28.0), (28.0, 28.5, 30.9)])
def test_two_sessions_or_temperatures_too_near_tell_no_line(temperatures_c: tuple[float, ...]) -> None:
    assert over_temperature(sessions(np.random.default_rng(1), 0.01, 0.05, *temperatures_c)) is None


def test_the_step_of_a_digital_probe_is_read_off_its_codes() -> None:
    assert step_of(np.array([28.0, 28.0625, 28.125, 28.0625])) == pytest.approx(STEP)
    assert step_of(np.full(5, 28.0)) is None


# -- side by side ---------------------------------------------------------------------------------------------


def track(
    offset: float = 0.0,
    *,
    minutes: int = 60,
    seed: int = 1,
    slope_per_h: float = 0.0,
    settles: float = 0.0,
    every: int = 1,
    base: float = 28.0,
    shift_ms: int = 0,
    step: float = STEP,
) -> Track:
    at = START + np.arange(0, minutes, every, dtype=np.int64) * MINUTE + shift_ms
    hours = (at - START) / 3.6e6
    noise = np.random.default_rng(seed).normal(0.0, 0.03, len(at))
    value = base + offset + slope_per_h * hours + settles * np.exp(-hours / 0.2) + noise
    return Track(at, np.round(value / step) * step)


def test_probes_side_by_side_are_brought_to_their_mean() -> None:
    offsets = {"a": 0.3, "b": -0.2, "c": 0.05}
    session = side_by_side({n: track(o, seed=i, shift_ms=7000 * i) for i, (n, o) in enumerate(offsets.items())})
    assert session.steady
    mean = sum(offsets.values()) / 3
    for found in session.found:
        assert found.correction_c == pytest.approx(mean - offsets[found.probe], abs=0.03)
        assert 0.03 < found.uncertainty_c < 0.05
        # Three probes of +/- 0.5 C: their mean is off by 0.29 / sqrt(3).
        assert found.common_c == pytest.approx(0.29 / math.sqrt(3), abs=1e-3)
        assert found.resolution_c == pytest.approx(STEP / math.sqrt(12), abs=1e-6)
    assert sum(f.correction_c for f in session.found) == pytest.approx(0.0, abs=1e-9)
    assert session.at_c == pytest.approx(28.05, abs=0.03)


def test_against_a_reference_its_uncertainty_is_what_all_have_in_common() -> None:
    session = side_by_side({"ref": track(0.0), "a": track(0.4, seed=2)}, "ref", reference_uncertainty_c=0.1)
    by = {f.probe: f for f in session.found}
    assert by["a"].correction_c == pytest.approx(-0.4, abs=0.03)
    assert by["a"].common_c == by["ref"].common_c == 0.1
    assert by["ref"].correction_c == by["ref"].uncertainty_c == 0.0
    assert by["a"].total_c == pytest.approx(math.hypot(by["a"].uncertainty_c, 0.1))


def test_what_is_still_settling_is_left_out_by_itself() -> None:
    session = side_by_side({"a": track(0.1, minutes=150, settles=4.0), "b": track(minutes=150, seed=3, settles=-1.0)})
    assert session.steady
    assert session.from_ms > START + 20 * MINUTE
    by = {f.probe: f.correction_c for f in session.found}
    assert by["b"] - by["a"] == pytest.approx(0.1, abs=0.04)


@pytest.mark.parametrize(
    ("tracks", "what"),
    [
        ({"a": track()}, "with itself"),
        ({"a": track(minutes=8), "b": track(minutes=8)}, "pairs"),
        ({"a": track(minutes=20), "b": track(minutes=20)}, "too short"),
        ({"a": track(slope_per_h=2.0), "b": track(slope_per_h=2.0)}, "moves by"),
        ({"a": track(minutes=40, settles=3.0), "b": track(minutes=40)}, "not steady"),
        ({"a": track(), "b": track(4.0), "c": track(0.1)}, "b is [+](3.9|4.0) °C away"),
        ({"a": track(), "b": track(base=28.0, shift_ms=86_400_000)}, "same time"),
        ({"a": track(), "b": Track(np.empty(0, np.int64), np.empty(0))}, "too few readings of b"),
    ],
)
def test_a_bad_session_is_refused_with_its_reason_and_what_to_do(tracks: dict[str, Track], what: str) -> None:
    session = side_by_side(tracks)
    assert not session.steady
    assert not session.found
    assert session.fix
    with pytest.raises(AssertionError, match=what):
        raise AssertionError(session.refused)


def test_probes_that_were_in_their_boxes_before_or_after_are_not_taken_for_probes_together() -> None:
    """Half a degree of gradient would become a correction: the worst that a comparison can do."""

    def day(offset: float, place: float, seed: int) -> Track:
        apart_, together = track(offset + place, minutes=60, seed=seed), track(offset, minutes=60, seed=seed + 9)
        at = np.concatenate([apart_.time_ms, together.time_ms + 60 * MINUTE, apart_.time_ms + 120 * MINUTE])
        return Track(at, np.concatenate([apart_.temperature_c, together.temperature_c, apart_.temperature_c]))

    tracks = {"a": day(0.2, 0.5, 1), "b": day(0.0, 0.0, 2)}
    session = side_by_side(tracks)
    assert "not together all the time" in session.refused
    assert "--from and --to" in session.fix
    inside = {n: t.between(START + 60 * MINUTE, START + 120 * MINUTE - 1) for n, t in tracks.items()}
    by = {f.probe: f.correction_c for f in side_by_side(inside).found}
    assert by["b"] - by["a"] == pytest.approx(0.2, abs=0.04)


def test_slow_probes_need_ten_pairs_however_long_that_takes() -> None:
    slow = {"a": track(minutes=90, every=10), "b": track(minutes=90, every=10, seed=2)}
    assert "pairs" in side_by_side(slow).refused
    slow = {"a": track(minutes=110, every=10), "b": track(minutes=110, every=10, seed=2)}
    assert side_by_side(slow).steady


def test_the_time_to_go_counts_down_once_it_is_steady() -> None:
    def to_go(minutes: int) -> float | None:
        return side_by_side({"a": track(minutes=minutes), "b": track(minutes=minutes, seed=2)}, ends_now=True).to_go_s

    first, second, last = to_go(12), to_go(24), to_go(31)
    assert first is not None
    assert second is not None
    assert first > second > 0
    assert last == 0.0


def test_the_stated_uncertainty_of_a_difference_is_kept_by_what_comes_out() -> None:
    """300 sessions of two probes whose spots differ by 0.03 C and that are quantised at any phase: the spread of
    what is found is not more than what is stated."""
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for i in range(300):
        true = float(rng.uniform(-0.5, 0.5))
        spots = rng.normal(0.0, 0.03, 2)
        base = 28.0 + float(rng.uniform(0, STEP))
        session = side_by_side(
            {"a": track(true + spots[0], minutes=31, seed=10 * i, base=base),
             "b": track(spots[1], minutes=31, seed=10 * i + 1, base=base)}
        )  # fmt: skip
        a, b = session.found
        errors.append(b.correction_c - a.correction_c - true)
        stated.append(math.hypot(a.uncertainty_c, b.uncertainty_c))
    assert np.std(errors) <= np.mean(stated)
    assert np.std(errors) >= 0.6 * np.mean(stated)


# -- ice and swap ---------------------------------------------------------------------------------------------


def test_in_melting_ice_the_offset_is_what_the_probe_says() -> None:
    session = ice_point(track(0.25, minutes=30, base=0.0))
    (found,) = session.found
    assert found.correction_c == pytest.approx(-0.25, abs=0.02)
    assert found.uncertainty_c == pytest.approx(math.hypot(0.1, STEP / math.sqrt(12)), abs=0.005)


def test_the_way_down_to_the_ice_is_left_out_by_itself() -> None:
    fell = np.concatenate([np.linspace(20.0, 0.25, 15), np.full(25, 0.25)])
    said = Track(START + np.arange(40, dtype=np.int64) * MINUTE, np.round(fell / STEP) * STEP)
    (found,) = ice_point(said).found
    assert found.correction_c == pytest.approx(-0.25, abs=0.01)


@pytest.mark.parametrize(
    ("bad", "what"),
    [
        (track(base=8.0, minutes=30), "not melting ice"),
        (track(base=1.0, minutes=30, slope_per_h=-6.0), "not steady"),
        (track(base=0.0, minutes=5), "readings"),
    ],
)
def test_what_is_no_ice_bath_is_refused(bad: Track, what: str) -> None:
    session = ice_point(bad)
    assert what in session.refused
    assert session.fix
    assert not session.found


def test_a_swap_tells_the_room_from_the_probes() -> None:
    """Upper place 0.6 C warmer; probe A says 0.4 C too much."""
    warm, cool, a, b = 28.6, 28.0, 0.4, 0.0
    swap = swap_test(
        (track(a, base=warm, seed=1), track(b, base=cool, seed=2)),
        (track(a, base=cool, seed=3), track(b, base=warm, seed=4)),
    )
    assert swap.gradient_c == pytest.approx(0.6, abs=0.03)
    assert swap.probes_c == pytest.approx(0.4, abs=0.03)
    assert swap.gradient_real
    assert swap.probes_differ
    assert 0.02 < swap.uncertainty_c < 0.06


def test_probes_alone_are_told_as_such_by_a_swap() -> None:
    swap = swap_test((track(0.5), track(0.0, seed=2)), (track(0.5, seed=3), track(0.0, seed=4)))
    assert not swap.gradient_real
    assert swap.probes_differ


def test_a_swap_of_a_few_readings_is_refused() -> None:
    short = track(minutes=5)
    with pytest.raises(ValueError, match="10 are needed"):
        swap_test((short, short), (track(), track()))
