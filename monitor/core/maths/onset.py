"""Since when a series has left its course: at once or little by little, in noise that is not independent.

The generalized likelihood ratio for a change at an unknown moment (Willsky and Jones 1976, IEEE Trans. Autom. Control
21: 108-112): for every moment at which it may have begun, the size of a step and of a ramp by generalized least squares
(Aitken 1935), with its standard error; the most likely one is kept. What the series may do by itself stands in the
covariance, so a course that it has anyhow explains itself.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from monitor.core.terms.arrays import Values
from monitor.values import dataclass

# A first value of any size: variance of the constant, in squares of the series' unit.
_ANY_LEVEL: Final = 25.0


@dataclass(frozen=True, slots=True)
class Onset:
    """The most likely change. ``index``: the last value before it; ``change`` up to the last value, in the unit of the
    series; ``score`` in standard errors, with the sign of the change; ``per_day``: None for a step. ``against_step``:
    how much better the best ramp explains the series than the best step, twice the logarithm of the likelihoods."""

    index: int
    change: float
    score: float
    per_day: float | None
    against_step: float


def onset(y: Values, day: Values, covariance: Values, first: int, last: int) -> Onset:
    """Of a change after one of the values ``first`` to ``last`` (indices). y (n), day (n, increasing), covariance
    (n x n) of the series without a change, about a constant that may be anything."""
    at = np.arange(first, last + 1)
    since = day[:, None] - day[None, at]
    shapes = np.hstack([np.maximum(since, 0.0), (since > 0.0).astype(np.float64)])
    solved = np.linalg.solve(covariance + _ANY_LEVEL, np.column_stack([y, shapes]))
    power = np.sum(shapes * solved[:, 1:], axis=0)
    size = shapes.T @ solved[:, 0] / power
    score = size * np.sqrt(power)
    n = len(at)
    ramp, step = int(np.argmax(np.abs(score[:n]))), n + int(np.argmax(np.abs(score[n:])))
    better = float(score[ramp] ** 2 - score[step] ** 2)
    k = ramp if better > 0.0 else step
    return Onset(
        index=int(at[k % n]),
        change=float(size[k] * shapes[-1, k]),
        score=float(score[k]),
        per_day=float(size[k]) if k < n else None,
        against_step=better,
    )
