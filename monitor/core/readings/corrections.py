"""What is known to be wrong with a probe, as dated events: which correction holds when, and what it is worth."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.settings import Probe
from monitor.values import dataclass

How = Literal["side by side", "ice point", "by hand"]


@dataclass(frozen=True, slots=True)
class Correction:
    """What is to be added to a probe's readings from a moment on.

    ``uncertainty_c`` is the probe's own standard uncertainty, ``common_c`` the one that it shares with every probe of
    the same ``session``. ``to_ms``: until then the probe lay away from its box, and what it said between belongs to
    no box. A probe's first correction also holds before it was found, since the error was there before; unless
    ``only_after``.
    """

    probe: str
    from_ms: int
    offset_c: float
    uncertainty_c: float
    common_c: float
    how: How
    recorded_ms: int
    session: str = ""
    to_ms: int | None = None
    only_after: bool = False
    id: int = 0
    withdrawn: bool = False

    @property
    def total_c(self) -> float:
        return math.hypot(self.uncertainty_c, self.common_c)


class StandingCorrections:
    """All corrections that stand. Of two that begin at one moment, the one told later holds."""

    def __init__(self, corrections: Iterable[Correction] = ()) -> None:
        self._of: dict[str, tuple[Correction, ...]] = {}
        for c in sorted((c for c in corrections if not c.withdrawn), key=lambda c: (c.from_ms, c.id)):
            self._of[c.probe] = (*self._of.get(c.probe, ()), c)

    def of(self, probe: str) -> tuple[Correction, ...]:
        """In the order in which they begin."""
        return self._of.get(probe, ())

    def holding(self, probe: str, at_ms: int) -> Correction | None:
        """The newest one that has begun; before the first, the first itself, unless it is for afterwards only."""
        known = self.of(probe)
        begun = [c for c in known if c.from_ms <= at_ms]
        if begun:
            return begun[-1]
        return known[0] if known and not known[0].only_after else None

    def offset_c(self, probe: str, at_ms: Times) -> Values:
        """What to add to readings at these moments."""
        known = self.of(probe)
        if not known:
            return np.zeros(len(at_ms))
        before = 0.0 if known[0].only_after else known[0].offset_c
        steps = np.array([before, *(c.offset_c for c in known)])
        return steps[np.searchsorted(np.array([c.from_ms for c in known], np.int64), at_ms, "right")]

    def away(self, probe: str, at_ms: Times) -> NDArray[np.bool_]:
        """Whether the probe lay elsewhere, to be compared, at these moments."""
        mask = np.zeros(len(at_ms), bool)
        for c in self.of(probe):
            if c.to_ms is not None:
                mask |= (at_ms >= c.from_ms) & (at_ms <= c.to_ms)
        return mask

    def digest(self, probe: str) -> tuple[tuple[int, float, int | None, bool], ...]:
        """What a probe's corrected readings depend on."""
        return tuple((c.from_ms, c.offset_c, c.to_ms, c.only_after) for c in self.of(probe))

    def effective(self, probe: Probe, at_ms: int) -> Probe:
        """The probe with what is known of it at a moment; the configuration's own correction lies beneath."""
        c = self.holding(probe.id, at_ms)
        if c is None:
            return probe
        return replace(
            probe,
            correction=probe.correction + c.offset_c,
            standard_uncertainty=c.total_c,
            common_c=c.common_c,
            session=c.session,
            compared=c.how == "side by side" or probe.compared,
        )
