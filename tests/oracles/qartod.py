"""Tests of the open QARTOD scheme that no reading goes through here."""

from __future__ import annotations

import numpy as np

from monitor.core.terms.arrays import Flags, Values
from monitor.core.terms.events import Flag


def rate_of_change(time_s: Values, value: Values, limit_per_s: float) -> Flags:
    """QARTOD rate of change: suspect where a step is faster than the limit; the first is good."""
    flags = np.full(len(value), int(Flag.GOOD), np.uint8)
    if len(value) > 1:
        flags[1:][np.abs(np.diff(value)) / np.diff(time_s) > limit_per_s] = int(Flag.SUSPECT)
    return flags
