"""How well windows held: what was told on the way against what was seen, counted by clutches, with how much it says."""

from __future__ import annotations

from collections.abc import Iterable
from math import comb
from typing import Final, Literal

from monitor.core.maths.robust import median
from monitor.core.season.figures import ClutchSeason, WindowTold
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

# Windows are told to hold 8 of 10.
OUTSIDE: Final = 0.2
# So unlikely a run of misses, and so many clutches at least, before it is called one.
UNLIKELY: Final = 0.05
LEAST_CLUTCHES: Final = 3
# From so many on windows may be called as good as they were told to be. Judgement, no source: of 20 as good ones 13 to
# 18 hold in nine of ten rooms, of fewer nothing that a keeper would notice could be told from them.
ENOUGH: Final = 20

Says = Literal["none", "few", "fewer", "more", "as-told"]


def told_first(clutch: ClutchSeason, share: float) -> WindowTold | None:
    """What was told at a share of the development of those eggs of a clutch that pipped first, where what came of it is
    known. One for each clutch: its boxes share what makes it late."""
    for x in clutch.eggs:
        told = next((t for t in x.told if t.share == share), None)
        if told is not None and told.came(x.first_pip) and x.first_pip == clutch.first_pip:
            return told
    return None


def chance_of(missed: int, of: int) -> float:
    """How likely so many misses or more are, of windows that hold 8 of 10 (binomial)."""
    return sum(comb(of, i) * OUTSIDE**i * (1.0 - OUTSIDE) ** (of - i) for i in range(missed, of + 1))


@dataclass(frozen=True, slots=True)
class Held:
    """Of the windows that were told at one share of the development: of how many it is known, what came of them, and
    how wide they were (days, median; None where there were none)."""

    share: float
    of: int
    inside: int
    early: int
    late: int
    wide_days: float | None

    @classmethod
    def count(cls, clutches: Iterable[ClutchSeason], share: float) -> Held:
        came: list[str] = []
        widths: list[float] = []
        for c in clutches:
            told = told_first(c, share)
            if told is not None and (wide := wide_days(told)) is not None:
                came.append(told.came(c.first_pip))
                widths.append(wide)
        inside, early, late = (came.count(word) for word in ("inside", "early", "late"))
        return cls(share, len(came), inside, early, late, median(widths) if widths else None)

    @property
    def says(self) -> Says:
        """What the count says of windows: nothing, too little, or whether they held as often as they were told to."""
        missed = self.of - self.inside
        if not self.of:
            return "none"
        if self.of >= LEAST_CLUTCHES and chance_of(missed, self.of) < UNLIKELY:
            return "fewer"
        if self.of < ENOUGH:
            return "few"
        return "more" if 1.0 - chance_of(missed + 1, self.of) < UNLIKELY else "as-told"


def wide_days(told: WindowTold) -> float | None:
    """How wide a window was; None where no date was told."""
    return None if told.p10_ms is None or told.p90_ms is None else (told.p90_ms - told.p10_ms) / DAY_MS
