"""Piecewise cubics: means are exact to the last digits, however short the interval and wherever the breaks lie."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.maths.piecewise import PiecewiseCubic, hermite
from monitor.errors import ModelOutOfRange

BREAKS = [10.0, 12.5, 12.75, 20.0]
ROWS = [
    [0.0, 0.0, 0.0, 0.0],
    [0.25, 0.5, -0.125, 0.0625],
    [-1.5, 2.0, 0.0, 0.0],
    [0.5, -0.25, 0.375, -0.03125],
    [3.0, 0.0, 0.0, 0.0],
]
CURVE = PiecewiseCubic(BREAKS, ROWS)


def _exact_mean(a: float, b: float) -> float:
    """The same mean in rational arithmetic, piece by piece, with the power rule."""
    low, high = sorted((Fraction(a), Fraction(b)))
    edges = [Fraction(x) for x in BREAKS]
    if low == high:
        piece = sum(edge <= low for edge in edges)
        d = low - edges[max(piece - 1, 0)]
        return float(sum(Fraction(c) * d**p for p, c in enumerate(ROWS[piece])))
    total = Fraction(0)
    for piece, row in enumerate(ROWS):
        left = low if piece == 0 else max(low, edges[piece - 1])
        right = high if piece == len(edges) else min(high, edges[piece])
        if left < right:
            anchor = edges[max(piece - 1, 0)]
            for p, c in enumerate(row):
                total += Fraction(c) * ((right - anchor) ** (p + 1) - (left - anchor) ** (p + 1)) / (p + 1)
    return float(total / (high - low))


at = st.floats(5.0, 25.0)
step = st.floats(1e-13, 10.0)


@given(at, at)
def test_a_mean_over_any_interval_is_that_of_rational_arithmetic(a: float, b: float) -> None:
    assert float(CURVE.mean(a, b)) == pytest.approx(_exact_mean(a, b), rel=1e-12, abs=1e-13)


@given(st.sampled_from(BREAKS), st.floats(1e-14, 1e-3), st.floats(1e-14, 1e-3))
def test_a_tiny_interval_across_a_break_keeps_its_digits(edge: float, below: float, above: float) -> None:
    a, b = edge - below, edge + above
    assert float(CURVE.mean(a, b)) == pytest.approx(_exact_mean(a, b), rel=1e-12, abs=1e-13)


@given(at, at)
def test_the_direction_of_the_interval_does_not_matter(a: float, b: float) -> None:
    assert float(CURVE.mean(a, b)) == float(CURVE.mean(b, a))


@given(at, step)
def test_a_mean_is_the_difference_of_the_antiderivative_over_the_length(a: float, length: float) -> None:
    b = a + max(length, 1e-3)
    difference = (CURVE.cumulative(b) - CURVE.cumulative(a)) / (b - a)
    assert float(CURVE.mean(a, b)) == pytest.approx(float(difference), rel=1e-9, abs=1e-10)


def test_the_antiderivative_is_continuous_and_0_at_the_first_break() -> None:
    assert float(CURVE.cumulative(10.0)) == 0.0
    for edge in BREAKS:
        before, after = CURVE.cumulative([np.nextafter(edge, 0.0), edge])
        assert before == pytest.approx(after, abs=1e-12)


def test_a_point_on_a_break_belongs_to_the_right_hand_piece() -> None:
    assert float(CURVE.value(10.0)) == 0.25
    assert float(CURVE.value(np.nextafter(10.0, 0.0))) == 0.0
    assert float(CURVE.mean(12.5, 12.5)) == -1.5


def test_shapes_are_kept_and_broadcast() -> None:
    a, b = np.full((3, 1), 11.0), np.array([11.0, 14.0, 19.0, 30.0])
    assert CURVE.mean(a, b).shape == (3, 4)
    assert CURVE.value(np.full((2, 2), 15.0)).shape == (2, 2)
    assert CURVE.mean(11.0, 14.0).shape == ()


def test_a_long_array_gives_what_its_parts_give() -> None:
    a = 15.0 + 6.0 * np.sin(np.arange(20_000) / 7.0)
    whole = CURVE.mean(a[:-1], a[1:])
    one_by_one = [float(CURVE.mean(a[i], a[i + 1])) for i in (0, 8191, 8192, 16_384, 19_998)]
    assert whole[[0, 8191, 8192, 16_384, 19_998]].tolist() == one_by_one


@pytest.mark.parametrize(
    ("breaks", "rows"),
    [
        ([1.0, 1.0], [[0.0] * 4] * 3),
        ([2.0, 1.0], [[0.0] * 4] * 3),
        ([], [[0.0] * 4]),
        ([1.0], [[0.0] * 4]),
        ([1.0], [[0.0] * 4, [float("nan"), 0.0, 0.0, 0.0]]),
        ([float("nan"), 1.0], [[0.0] * 4] * 3),
    ],
)
def test_breaks_that_do_not_rise_and_pieces_that_do_not_fit_are_refused(
    breaks: list[float], rows: list[list[float]]
) -> None:
    with pytest.raises(ModelOutOfRange):
        PiecewiseCubic(breaks, rows)


@pytest.mark.parametrize(
    ("function", "slope"),
    [(lambda x: x**3 - 2.0 * x, lambda x: 3.0 * x**2 - 2.0), (lambda x: 4.0 + 0.0 * x, lambda x: 0.0 * x)],
)
def test_hermite_gives_back_a_cubic_from_its_values_and_slopes(
    function: Callable[[np.ndarray], np.ndarray], slope: Callable[[np.ndarray], np.ndarray]
) -> None:
    x = np.array([-1.0, 0.5, 2.0, 5.0])
    rows = hermite(x, function(x), slope(x))
    curve = PiecewiseCubic(x, np.vstack([np.zeros(4), rows, np.zeros(4)]))
    inside = np.linspace(-1.0, 4.99, 50)
    assert curve.value(inside) == pytest.approx(function(inside), abs=1e-12)
