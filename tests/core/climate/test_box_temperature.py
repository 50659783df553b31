"""From probes to the temperature of a box."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from monitor.core.climate.box_temperature import BoxSeries, Series, box_series, probes_for
from monitor.core.terms.settings import Box, Probe, Room
from monitor.core.terms.times import HOUR_MS

MINUTE = 60_000


def series(name: str, minutes: list[float], values: list[float], interval_s: float = 60.0, **more: Any) -> Series:
    probe = Probe(name, f"t/{name}", interval_s=interval_s, **more)
    return Series(probe, np.array([round(m * MINUTE) for m in minutes], np.int64), np.array(values))


# -- the temperature of a box -------------------------------------------------------------------------------------


def test_a_box_with_one_probe_is_as_its_probe_says() -> None:
    own = series("a", [0, 1, 2], [28.0, 28.5, 29.0], standard_uncertainty=0.2)
    got = box_series([own])
    assert got.temperature_c.tolist() == [28.0, 28.5, 29.0]
    assert (got.uncertainty_c, got.max_gap_s, got.source) == (0.2, 7200.0, "its own probe")


def test_several_probes_are_averaged_between_their_readings() -> None:
    a, b = series("a", [0, 10, 20], [28.0, 29.0, 30.0]), series("b", [5, 15], [30.0, 32.0], standard_uncertainty=0.4)
    got = box_series([a, b])
    assert (got.time_ms / MINUTE).tolist() == [0, 5, 10, 15, 20]
    assert got.temperature_c == pytest.approx([28.0, 29.25, 30.0, 30.75, 30.0])
    assert got.uncertainty_c == pytest.approx(np.hypot(0.29, 0.4) / 2)
    assert got.source == "the mean of its 2 probes"


def test_as_heard_each_probe_counts_with_its_newest_reading_until_it_is_quiet() -> None:
    a = series("a", [0, 10, 20, 30, 40], [28.0, 29.0, 30.0, 30.0, 30.0])
    b = series("b", [5, 15], [30.0, 32.0], quiet_after_s=900.0)
    got = box_series([a, b], as_heard=True)
    assert (got.time_ms / MINUTE).tolist() == [0, 5, 10, 15, 20, 30, 40]
    assert got.temperature_c == pytest.approx([28.0, 29.0, 29.5, 30.5, 31.0, 30.0, 30.0])


@pytest.mark.parametrize("cut", range(1, 8))
def test_as_heard_nothing_that_comes_later_changes_what_was(cut: int) -> None:
    times = [0.0, 5, 10, 15, 20, 30, 40]
    a, b = times[::2], times[1::2]
    whole = box_series(
        [series("a", a, [28.0 + m / 10 for m in a]), series("b", b, [30.0 - m / 9 for m in b])], as_heard=True
    )
    known = set(times[:cut])
    a, b = [m for m in a if m in known], [m for m in b if m in known]
    part = box_series(
        [series("a", a, [28.0 + m / 10 for m in a]), series("b", b, [30.0 - m / 9 for m in b])], as_heard=True
    )
    assert part.temperature_c == pytest.approx(whole.temperature_c[:cut])


def test_a_probe_s_long_step_is_no_measurement_in_between() -> None:
    a, b = series("a", [0, 200], [20.0, 20.0]), series("b", [0, 60, 120, 200], [30.0, 30.0, 30.0, 30.0])
    assert box_series([a, b]).temperature_c == pytest.approx([25.0, 30.0, 30.0, 25.0])


def test_a_box_without_a_probe_is_interpolated_over_the_height_and_less_certain() -> None:
    low, high = series("low", [0, 10], [28.0, 28.0]), series("high", [0, 10], [30.0, 31.0])
    got = box_series([], [(150.0, high), (50.0, low)], 75.0)
    assert got.temperature_c == pytest.approx([28.5, 28.75])
    assert got.uncertainty_c == pytest.approx(np.hypot(0.29, 0.5))
    for height, expected in ((0.0, 28.0), (50.0, 28.0), (150.0, 30.0), (300.0, 30.0)):
        assert box_series([], [(150.0, high), (50.0, low)], height).temperature_c[0] == expected


def test_a_box_without_any_probe_knows_nothing() -> None:
    got = box_series([], [(50.0, series("x", [], []))], 75.0)
    assert (len(got.time_ms), got.source) == (0, "no probe")
    assert len(box_series([series("x", [], [])]).time_ms) == 0


def test_what_is_joined_does_not_hang_on_which_probe_has_readings_here() -> None:
    slow = series("slow", [], [], interval_s=7200.0)
    assert box_series([series("a", [0], [28.0]), slow]).max_gap_s == 21600.0
    assert box_series([slow, slow]).max_gap_s == 21600.0


# -- a part of a series ------------------------------------------------------------------------------------------


def a_series(minutes: list[float], values: list[float]) -> BoxSeries:
    return BoxSeries(
        np.array([round(m * MINUTE) for m in minutes], np.int64), np.array(values, np.float64), 7200.0, 0.0, ""
    )


@pytest.mark.parametrize(
    ("span", "minutes", "values"),
    [
        ((0, 30), [0, 10, 20, 30], [20, 21, 22, 23]),
        ((5, 25), [5, 10, 20, 25], [20.5, 21, 22, 22.5]),
        ((12, 17), [12, 17], [21.2, 21.7]),
        ((10, 10), [10], [21]),
        ((-20, 5), [0, 5], [20, 20.5]),
        ((25, 90), [25, 30], [22.5, 23]),
        ((-20, -10), [], []),
        ((40, 90), [], []),
        ((30, 90), [30], [23]),
    ],
)
def test_a_part_ends_where_it_was_cut_and_invents_nothing_beyond(
    span: tuple[float, float], minutes: list[float], values: list[float]
) -> None:
    got = a_series([0, 10, 20, 30], [20, 21, 22, 23]).clipped(*(round(m * MINUTE) for m in span))
    assert (got.time_ms / MINUTE).tolist() == minutes
    assert got.temperature_c == pytest.approx(values)


def test_a_cut_inside_a_gap_has_no_end_point() -> None:
    got = a_series([0, 200], [20.0, 22.0]).clipped(10 * MINUTE, 250 * MINUTE)
    assert (got.time_ms / MINUTE).tolist() == [200]
    assert len(a_series([], []).clipped(0, MINUTE).time_ms) == 0


def test_the_probes_of_a_box_and_those_around_it() -> None:
    room = Room(
        "r", "UTC", "C", ("left", "right"),
        (Box("a", "left", 50.0), Box("b", "left", 100.0), Box("c", "right", 100.0)),
        (
            Probe("pa", "t/pa", box="a"),
            Probe("ha", "t/ha", "humidity", "%", box="a"),
            Probe("air", "t/air", stack="left", height_cm=75.0),
            Probe("pc", "t/pc", box="c"),
            Probe("lost", "t/lost"),
        ),
    )  # fmt: skip
    own, around = probes_for(room, room.boxes[0])
    assert [p.id for p in own] == ["pa"]
    assert [(h, p.id) for h, p in around] == [(75.0, "air")]
    own, around = probes_for(room, room.boxes[1])
    assert (own, [(h, p.id) for h, p in around]) == ((), [(50.0, "pa"), (75.0, "air")])
    assert HOUR_MS == 60 * MINUTE
