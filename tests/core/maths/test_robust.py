"""The median of a few values, and those of rows: the same as numpy's to the bit."""

from __future__ import annotations

import math
import warnings

import hypothesis.extra.numpy as drawn
import hypothesis.strategies as st
import numpy as np
from hypothesis import given

from monitor.core.maths.robust import median, row_medians
from monitor.core.terms.arrays import Times, Values

SIZES = st.integers(1, 40)


@given(drawn.arrays(np.float64, SIZES, elements=st.floats(-1e6, 1e6)))
def test_of_temperatures_it_is_numpys(values: Values) -> None:
    assert median(values) == float(np.median(values))


@given(drawn.arrays(np.int64, SIZES, elements=st.integers(-(2**50), 2**50)))
def test_of_times_it_is_numpys(values: Times) -> None:
    assert median(values) == float(np.median(values))


def test_with_one_that_is_not_known_it_is_not_known() -> None:
    assert math.isnan(median(np.array([1.0, np.nan, 2.0])))


@given(drawn.arrays(np.float64, st.tuples(SIZES, SIZES), elements=st.floats(-1e6, 1e6) | st.just(np.nan)))
def test_of_rows_it_is_numpys_of_what_is_known(table: Values) -> None:
    with warnings.catch_warnings():
        # A row of which nothing is known.
        warnings.simplefilter("ignore", RuntimeWarning)
        expected = np.nanmedian(table, axis=1)
    assert np.array_equal(row_medians(table), expected, equal_nan=True)
