"""Density and quantile of Student's t with four degrees of freedom."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange


def density(t: npt.ArrayLike) -> Values:
    """Density at ``t`` (any shape)."""
    base = 1.0 + 0.25 * np.square(np.asarray(t, dtype=np.float64))
    # To the power of -2.5, many times as fast as the general power.
    value: Values = 0.375 / (np.square(base) * np.sqrt(base))
    return value


def quantile(probability: npt.ArrayLike) -> Values:
    """Value below which the share ``probability`` lies (any shape, each strictly between 0 and 1).

    Raises ModelOutOfRange at or outside 0 and 1.
    """
    p = np.asarray(probability, dtype=np.float64)
    if not bool(np.all((p > 0.0) & (p < 1.0))):
        raise ModelOutOfRange("a probability has to lie strictly between 0 and 1", where="Student's t")
    root = np.sqrt(4.0 * p * (1.0 - p))
    size = 2.0 * np.sqrt(np.maximum(np.cos(np.arccos(np.minimum(root, 1.0)) / 3.0) / root - 1.0, 0.0))
    return np.where(p >= 0.5, size, -size)
