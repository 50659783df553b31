"""Types of the arrays that are handed about. Shapes are told where they matter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
"""Moments, ms UTC."""
Values = NDArray[np.float64]
Flags = NDArray[np.uint8]
"""Quality flags by number."""
Floats = Sequence[float] | Values
"""What becomes :data:`Values`."""

T = TypeVar("T", np.int64, np.float64)


def distinct(values: NDArray[T]) -> NDArray[T]:
    """The different values, rising; none of them NaN. (``np.unique`` does it too, and loads all of ``numpy.ma``, which
    takes a command as long as everything else it does.)"""
    rising = np.sort(values, axis=None)
    return rising[np.concatenate(([True], rising[1:] != rising[:-1]))] if len(rising) else rising
