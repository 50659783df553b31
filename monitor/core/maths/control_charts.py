"""Control charts: cumulative sums and moving averages, with the constants that were published for them."""

from __future__ import annotations

from typing import Literal

import numpy as np

from monitor.core.terms.arrays import Floats, Values
from monitor.values import dataclass


@dataclass(frozen=True)
class Cusum:
    """Upper and lower sums (length n). ``signal`` is the 0-based index of the first sum beyond h, on ``side``;
    ``count`` how many samples it had been positive by then: the shift began after sample signal - count."""

    high: Values
    low: Values
    signal: int | None
    side: Literal["high", "low", ""]
    count: int


def cusum(x: Floats, target: float, k: float = 0.5, h: float = 5.0, *, sigma: float = 1.0, head: float = 0.0) -> Cusum:
    """Tabular cumulative sums (Page 1954): C+ = max(0, x - target - k + C+ before), C- likewise below.

    ``k`` and ``h`` in units of ``sigma``; the sums are in those units too. ``head`` starts both sums ahead, h / 2 for
    a fast initial response (Lucas and Crosier 1982). With k = 0.5 and h = 5 a shift of one sigma is found in 10
    samples on average and a false alarm comes every 465 (independent normal samples; Brook and Evans 1972).
    """
    z = (np.asarray(x, np.float64) - target) / sigma
    high, low = np.zeros(len(z)), np.zeros(len(z))
    up = down = head
    signal, side, count = None, "", 0
    ups = downs = 0
    for i, value in enumerate(z.tolist()):
        up, down = max(0.0, value - k + up), max(0.0, -value - k + down)
        ups, downs = ups + 1 if up > 0.0 else 0, downs + 1 if down > 0.0 else 0
        high[i], low[i] = up, down
        if signal is None and (up > h or down > h):
            signal = i
            side, count = ("high", ups) if up > h else ("low", downs)
    return Cusum(high, low, signal, side, count)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Ewma:
    """Moving average and its control limits (length n each); ``signal`` is the first index outside of them."""

    z: Values
    low: Values
    high: Values
    signal: int | None


def ewma(
    x: Floats, target: float, sigma: float, weight: float = 0.2, width: float = 3.0, *, from_start: bool = True
) -> Ewma:
    """Exponentially weighted moving average (Roberts 1959): z = weight x + (1 - weight) z before, from the target.

    Limits: target +/- width sigma sqrt(weight / (2 - weight) (1 - (1 - weight)^2i)); the last factor, which
    narrows the first ones, only ``from_start``.
    """
    data = np.asarray(x, np.float64)
    z = np.empty(len(data))
    last = target
    for i, value in enumerate(data.tolist()):
        last = weight * value + (1.0 - weight) * last
        z[i] = last
    factor: Values = np.ones(len(data))
    if from_start:
        factor = np.asarray(1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(data) + 1)), np.float64)
    half = width * sigma * np.sqrt(weight / (2.0 - weight) * factor)
    outside = np.flatnonzero(np.abs(z - target) > half)
    return Ewma(z, target - half, target + half, int(outside[0]) if len(outside) else None)
