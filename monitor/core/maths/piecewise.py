"""Functions of one variable made of cubics between breaks, with exact means over an interval.

What the rate curves and the degree-day rules are built on. The mean over an interval is taken piece by piece in
closed form, not as the difference of an antiderivative divided by the length, which would lose its digits where the
interval is short.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange

_BLOCK: Final = 4096


class PiecewiseCubic:
    """A cubic for each stretch between breaks, and one on either side of them.

    ``breaks``, shape (m,), strictly rising. ``coefficients``, shape (m + 1, 4): row 0 is left of the first break,
    row k right of break k - 1 (a point on a break belongs to the right-hand piece); column p belongs to the power p
    of the distance to the piece's anchor, which is its left break (the first break for row 0). Pieces need not join.
    """

    __slots__ = ("_anchors", "_breaks", "_coefficients", "_totals")

    def __init__(self, breaks: npt.ArrayLike, coefficients: npt.ArrayLike) -> None:
        self._breaks: Values = np.array(breaks, dtype=np.float64)
        rows = np.array(coefficients, dtype=np.float64)
        if self._breaks.ndim != 1 or not self._breaks.size or not np.all(np.diff(self._breaks) > 0.0):
            raise ModelOutOfRange("the breaks of a piecewise curve have to rise", where="rate curve")
        if rows.shape != (self._breaks.size + 1, 4) or not np.all(np.isfinite(rows)):
            raise ModelOutOfRange("a piecewise curve needs four finite numbers for each piece", where="rate curve")
        # Kept by power: taking one number for each reading four times is faster than taking rows of four.
        self._coefficients: Values = np.ascontiguousarray(rows.T)
        self._anchors: Values = np.concatenate([self._breaks[:1], self._breaks])
        whole = _integral(self._coefficients[:, 1:-1], np.diff(self._breaks))
        self._totals: Values = np.concatenate([[0.0, 0.0], np.cumsum(whole)])

    def value(self, x: npt.ArrayLike) -> Values:
        """The function at ``x``, any shape."""
        at = np.asarray(x, dtype=np.float64)
        piece = self._piece(at)
        return _value(self._of(piece), at - self._anchors[piece])

    def cumulative(self, x: npt.ArrayLike) -> Values:
        """Integral from the first break to ``x``; a piecewise quartic."""
        at = np.asarray(x, dtype=np.float64)
        piece = self._piece(at)
        result: Values = self._totals[piece] + _integral(self._of(piece), at - self._anchors[piece])
        return result

    def mean(self, a: npt.ArrayLike, b: npt.ArrayLike) -> Values:
        """Mean between ``a`` and ``b`` (broadcast against each other), in either order; the value where they agree.

        The mean of a cubic over an interval is closed, so an interval inside one piece takes no antiderivative. One
        that crosses breaks is the part before the first, the whole pieces, and the part after the last.
        """
        start, end = np.broadcast_arrays(np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64))
        one, other = start.ravel(), end.ravel()
        result = np.empty(one.size)
        # In blocks that stay in the processor's cache, and that need no memory of the system's: what took half of the
        # time for a season.
        for at in range(0, one.size, _BLOCK):
            block = slice(at, at + _BLOCK)
            result[block] = self._mean(np.minimum(one[block], other[block]), np.maximum(one[block], other[block]))
        return result.reshape(start.shape)

    def _mean(self, low: Values, high: Values) -> Values:
        """Means for ``low`` <= ``high``, shape (n,)."""
        first, last = self._piece(low), self._piece(high)
        result = self._mean_in_piece(first, low, high)
        crossing = np.flatnonzero(first != last)
        if crossing.size:
            low, high, first, last = low[crossing], high[crossing], first[crossing], last[crossing]
            leaves, enters = self._breaks[first], self._breaks[last - 1]
            total = (leaves - low) * self._mean_in_piece(first, low, leaves)
            total += self._totals[last] - self._totals[first + 1]
            total += (high - enters) * self._mean_in_piece(last, enters, high)
            result[crossing] = total / (high - low)
        return result

    def _piece(self, x: Values) -> npt.NDArray[np.intp]:
        return np.searchsorted(self._breaks, x, side="right")

    def _of(self, piece: npt.NDArray[np.intp]) -> list[Values]:
        return [power.take(piece) for power in self._coefficients]

    def _mean_in_piece(self, piece: npt.NDArray[np.intp], low: Values, high: Values) -> Values:
        """Mean of one piece between ``low`` and ``high``: its value in the middle, plus what its bend adds."""
        c = self._of(piece)
        half = 0.5 * (high - low)
        d = (low - self._anchors.take(piece)) + half
        result: Values = _value(c, d) + np.square(half) * (c[2] / 3.0 + d * c[3])
        return result


def _value(c: Sequence[Values] | Values, d: Values) -> Values:
    """Cubics, coefficients (4, ...) by power, at ``d``."""
    result: Values = c[0] + d * (c[1] + d * (c[2] + d * c[3]))
    return result


def _integral(c: Sequence[Values] | Values, d: Values) -> Values:
    """Integral of cubics, coefficients (4, ...) by power, from 0 to ``d``."""
    result: Values = d * (c[0] + d * (c[1] / 2.0 + d * (c[2] / 3.0 + d * c[3] / 4.0)))
    return result


def hermite(x: Values, y: Values, slopes: Values) -> Values:
    """Cubics through values and slopes at rising points, shape (m,); a row for each stretch, shape (m - 1, 4)."""
    h, delta = np.diff(x), np.diff(y) / np.diff(x)
    left, right = slopes[:-1], slopes[1:]
    c2 = (3.0 * delta - 2.0 * left - right) / h
    c3 = (left + right - 2.0 * delta) / np.square(h)
    return np.stack([y[:-1], left, c2, c3], axis=-1)
