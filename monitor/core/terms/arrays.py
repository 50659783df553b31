"""Types of the arrays that are handed about. Shapes are told where they matter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
"""Moments, ms UTC."""
Values = NDArray[np.float64]
Flags = NDArray[np.uint8]
"""Quality flags by number."""
Floats = Sequence[float] | Values
"""What becomes :data:`Values`."""
