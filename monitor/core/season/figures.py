"""The figures of a season: of each clutch and its eggs by box, of boxes, of stacks, of species, and what was told."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Final, Literal

import numpy as np

from monitor.core.climate.stacks import StackProfile
from monitor.core.development.curves import RateCurve
from monitor.core.development.history import History
from monitor.core.development.lots import PIPPED_UNSEEN_MS
from monitor.core.season.met import Matter
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.balance import Balance, balance_of, balance_of_all, ended_ms
from monitor.core.terms.events import Clutch, EventKind, Lot, PipSeen
from monitor.core.terms.settings import Box, Limits
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

# Of the development that was measured, at which shares it is asked what was told then.
ASKED_AT: Final = (0.25, 0.5, 0.75)
# Where two boxes of one clutch are compared: both are still whole by then, and all but there.
NEARLY: Final = 0.9


@dataclass(frozen=True, slots=True)
class WindowTold:
    """What the forecast said of a first pip when so much of the development was behind, with what was known then;
    ``refused``: why it gave no date."""

    share: float
    at_ms: int
    p10_ms: int | None = None
    p50_ms: int | None = None
    p90_ms: int | None = None
    refused: str = ""

    def came(self, seen: PipSeen | None) -> Literal["inside", "early", "late", ""]:
        """Whether the first pip may have come inside the window, or came before or after it; "" where one of the two is
        not known. What was seen lies between two looks; without the first, within the last days."""
        if seen is None or self.p10_ms is None or self.p90_ms is None:
            return ""
        after_ms = seen.by_ms - PIPPED_UNSEEN_MS if seen.after_ms is None else seen.after_ms
        if seen.by_ms < self.p10_ms:
            return "early"
        return "late" if after_ms > self.p90_ms else "inside"

    def off_days(self, seen: PipSeen | None) -> float | None:
        """Days by which the pip came later than the middle that was told (earlier: negative)."""
        return None if seen is None or self.p50_ms is None else (middle_ms(seen) - self.p50_ms) / DAY_MS


def middle_ms(seen: PipSeen) -> int:
    """The middle of the time in which a pip came; where no look before is told, when it was seen."""
    return seen.by_ms if seen.after_ms is None else (seen.after_ms + seen.by_ms) // 2


@dataclass(frozen=True)
class EggsInBox:
    """The eggs of a clutch in one box, as their account ends or as they are now.

    ``mean_c``, ``low_c``, ``high_c``: of the hours that are known (mean of all, coldest and warmest hour);
    ``degree_days`` above ``base_c``; ``development`` at its end. All None where nothing was measured, and ``refused``
    says why where the species has no curve.
    """

    lot: Lot
    told: tuple[WindowTold, ...] = ()
    development: float | None = None
    degree_days: float | None = None
    base_c: float | None = None
    mean_c: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    filled_share: float = 0.0
    refused: str = ""
    edge_ms: Times | None = None
    cumulative: Values | None = None

    @staticmethod
    def of(lot: Lot, history: History, base_c: float, told: Sequence[WindowTold]) -> EggsInBox:
        known = history.temperature_c[~np.isnan(history.temperature_c)]
        if not len(known):
            return EggsInBox(lot, refused=f"no reading of box {lot.box} is there")
        return EggsInBox(
            lot,
            tuple(told),
            history.development,
            float(history.degree_days[-1]),
            base_c,
            history.mean_c,
            float(known.min()),
            float(known.max()),
            history.filled_share,
            edge_ms=history.edge_ms,
            cumulative=history.cumulative,
        )

    @property
    def first_pip(self) -> PipSeen | None:
        return min(self.lot.pips, key=lambda p: p.by_ms, default=None)

    def passed_ms(self, share: float) -> int | None:
        """When the measured development passed a share; None: it has not."""
        return passed_ms(self.edge_ms, self.cumulative, share)


def passed_ms(edge_ms: Times | None, cumulative: Values | None, share: float) -> int | None:
    """When a development passed a share, from its sums at moments; None: it began beyond it, or has not come to it."""
    if edge_ms is None or cumulative is None or not float(cumulative[0]) < share <= float(cumulative[-1]):
        return None
    return round(float(np.interp(share, cumulative, edge_ms)))


@dataclass(frozen=True)
class ClutchSeason:
    """A clutch with its eggs by box and what was told of them."""

    clutch: Clutch
    eggs: tuple[EggsInBox, ...]
    matters: tuple[Matter, ...]

    @cached_property
    def balance(self) -> Balance:
        return balance_of(self.clutch)

    @cached_property
    def ended_ms(self) -> int | None:
        return ended_ms(self.clutch)

    @property
    def first_pip(self) -> PipSeen | None:
        return min((p for x in self.eggs if (p := x.first_pip) is not None), key=lambda p: p.by_ms, default=None)

    @property
    def days_to_pip(self) -> float | None:
        """From laid to the first pip."""
        seen = self.first_pip
        return None if seen is None else (middle_ms(seen) - self.clutch.laid_ms) / DAY_MS

    @property
    def days_to_hatched(self) -> float | None:
        """From laid until the last hatchling was out."""
        out = [e.at_ms for e in self.clutch.events if e.kind is EventKind.HATCHED]
        return (max(out) - self.clutch.laid_ms) / DAY_MS if out else None

    @property
    def mean_c(self) -> float | None:
        """Of its eggs, by how many lay in each box."""
        return self._by_eggs([x.mean_c for x in self.eggs])

    @property
    def degree_days(self) -> float | None:
        return self._by_eggs([x.degree_days for x in self.eggs])

    @property
    def range_c(self) -> tuple[float, float] | None:
        known = [(x.low_c, x.high_c) for x in self.eggs if x.low_c is not None and x.high_c is not None]
        return (min(low for low, _ in known), max(high for _, high in known)) if known else None

    def _by_eggs(self, values: Sequence[float | None]) -> float | None:
        known = [(v, x.lot.eggs_set) for v, x in zip(values, self.eggs, strict=True) if v is not None]
        weight = sum(n for _, n in known)
        return sum(v * n for v, n in known) / weight if weight else None

    @property
    def apart(self) -> Apart | None:
        """Its first and its last box, where two or more are known to have come far enough."""
        known = [(at, x) for x in self.eggs if (at := x.passed_ms(NEARLY)) is not None]
        if len({x.lot.box for _, x in known}) < 2:
            return None
        (early_ms, early), (late_ms, late) = (f(known, key=lambda k: k[0]) for f in (min, max))
        pips = early.first_pip, late.first_pip
        seen = (middle_ms(pips[1]) - middle_ms(pips[0])) / DAY_MS if pips[0] and pips[1] else None
        return Apart(self.clutch.id, early.lot, late.lot, (late_ms - early_ms) / DAY_MS, seen)


@dataclass(frozen=True, slots=True)
class Apart:
    """Two boxes of a clutch: by how many days they came to ``NEARLY`` of their development apart, as measured, and how
    many days apart their first pips were seen (None: not both were)."""

    clutch: str
    early: Lot
    late: Lot
    days: float
    seen_days: float | None


@dataclass(frozen=True)
class BoxSeason:
    """A box while eggs of the season lay in it, from ``from_ms`` to ``to_ms``.

    ``time_ms`` and ``temperature_c``: as it was measured; ``gaps``: spans without a reading that are too long to be
    joined. ``above_s``, ``below_s``: at or beyond its limits; ``near_s``: inside them, less than ``NEAR_C`` away; NaN
    where that is not known.
    ``events``: what happened in it, a word or two each.
    """

    box: Box
    limits: Limits
    from_ms: int
    to_ms: int
    time_ms: Times
    temperature_c: Values
    mean_c: float | None
    source: str
    gaps: tuple[tuple[int, int], ...]
    above_s: float
    below_s: float
    near_s: float
    events: tuple[tuple[int, str], ...]

    @property
    def gap_share(self) -> float:
        whole = self.to_ms - self.from_ms
        return sum(b - a for a, b in self.gaps) / whole if whole > 0 else 0.0

    @property
    def longest_gap_s(self) -> float:
        return max((b - a for a, b in self.gaps), default=0) / 1000.0


@dataclass(frozen=True, slots=True)
class StackCost:
    """Days of a whole incubation of a species at the mean of the coolest and of the warmest box of a stack."""

    species: str
    at_coolest: float
    at_warmest: float

    @property
    def days(self) -> float:
        return self.at_coolest - self.at_warmest

    @staticmethod
    def of(species: str, curve: RateCurve, profile: StackProfile) -> StackCost | None:
        """None where eggs of the species do not develop at one of the two."""
        means = [x.mean_c for x in profile.levels]
        slow, fast = (float(r) for r in curve.rate_per_day(np.array([min(means), max(means)])))
        return StackCost(species, 1.0 / slow, 1.0 / fast) if min(slow, fast) > 1e-4 else None


@dataclass(frozen=True)
class StackSeason:
    """A stack through the season: as a whole, and week by week (None: not two levels were measured together)."""

    stack: str
    whole: StackProfile | None
    weeks: tuple[tuple[int, StackProfile | None], ...]
    costs: tuple[StackCost, ...]
    apart: tuple[Apart, ...]


@dataclass(frozen=True, slots=True)
class SpeciesSeason:
    """What own clutches say of a species: by how much later than its table they pip (share, with its standard
    uncertainty; None for a species without a table), days that its forecasts are off by the table as it was and by the
    other clutches, whether what was learned is in use; ``refused``: why nothing could be learned."""

    species: str
    clutches: int = 0
    later: float | None = None
    later_sd: float | None = None
    before_days: float | None = None
    after_days: float | None = None
    in_use: bool = False
    refused: str = ""


@dataclass(frozen=True)
class Season:
    """All of it; ``from_ms`` to ``to_ms``: from the first laying to the end of the last clutch, or now. Of what was
    told, what is older than ``told_from_ms`` is not kept."""

    name: str
    room: str
    from_ms: int
    to_ms: int
    clutches: tuple[ClutchSeason, ...]
    boxes: tuple[BoxSeason, ...]
    stacks: tuple[StackSeason, ...]
    species: tuple[SpeciesSeason, ...]
    matters: tuple[Matter, ...]
    told_from_ms: int = 0

    @property
    def told_whole(self) -> bool:
        """Whether all that was told is still known."""
        return self.told_from_ms <= self.from_ms

    @cached_property
    def balance(self) -> Balance:
        return balance_of_all(x.clutch for x in self.clutches)

    @property
    def ongoing(self) -> tuple[ClutchSeason, ...]:
        """Clutches that have not ended."""
        return tuple(x for x in self.clutches if x.ended_ms is None)
