"""Sex by temperature: how warm eggs were while their sex was open, and what share of females that is known to give.

In many reptiles the temperature of the eggs decides between female and male, and it does so in a part of development:
throughout much of its middle third in the turtles studied (Bull JJ, Vogt RC 1981, J. Exp. Zool. 218:435-440, abstract),
consistent with the middle third of incubation in others (Young JE et al. 2004, Can. J. Zool. 82:1251-1257, abstract),
0.25 to 0.55 in tuatara (Mitchell NJ et al. 2006, Front. Zool. 3:9). Where temperature changes, what counts is the share
of development at a temperature and not the hours (Georges A, Limpus C, Stoutjesdijk R 1994, J. Exp. Zool. 270:432-444),
so each hour weighs as much as it developed.

How sex follows from a constant temperature is the logistic curve of Girondot M 1999, Evol. Ecol. Res. 1:479-486 (from
memory, one of those reviewed in Abreu-Grobois FA et al. 2020, PeerJ 8:e8451): the share that the warmer sex has is
1 / (1 + exp((P - T) / S)), with the pivotal temperature P and the transitional range from 5 to 95 % equal to
2 ln(19) S. A species whose females come from cold and from hot eggs has two such turns.

Clutches differ: at their pivotal temperature, single clutches of sliders gave anything from all males to all females
(Wibbels T, Murdock C, meeting abstract). A share is one of many clutches, never of the eggs of one box.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass

By = Literal["temperature", "genes"]
Warm = Literal["females", "males"]
BYS: Final[tuple[By, ...]] = get_args(By)
WARMS: Final[tuple[Warm, ...]] = get_args(Warm)

MIDDLE_THIRD: Final = (1.0 / 3.0, 2.0 / 3.0)
# Standard deviation of pivotal temperatures between clutches and populations, where the profile gives none. Judgement,
# no source: published pivotal temperatures of one species usually lie within a degree.
PIVOTAL_SD_C: Final = 0.5
# 5 to 95 % of a logistic curve, in units of its scale.
RANGE_IN_SCALES: Final = 2.0 * math.log(19.0)
NOT_SAID: Final = "the profile names no source on what decides the sex of this species"


@dataclass(frozen=True, slots=True)
class Turn:
    """One change from one sex to the other: ``warm`` is what eggs above the pivotal temperature become.

    ``range_c`` is the transitional range from 5 to 95 %, ``pivotal_sd_c`` how far the pivotal temperature of a clutch
    may lie from it. None for ``range_c``: only the side is known, not the share.
    """

    pivotal_c: float
    warm: Warm
    range_c: float | None = None
    pivotal_sd_c: float = PIVOTAL_SD_C


@dataclass(frozen=True, slots=True)
class SexRule:
    """What decides the sex of a species; ``turns`` rise in temperature and change sides.

    ``sensitive``: the developments between which temperature decides. ``text`` says what is known in words, and why
    there is no share when ``turns`` is empty; ``papers`` are keys of the profile's papers.
    """

    by: By
    papers: tuple[str, ...]
    turns: tuple[Turn, ...] = ()
    sensitive: tuple[float, float] = MIDDLE_THIRD
    text: str = ""

    def problem(self) -> str:
        """What contradicts itself, as a sentence; empty when nothing does."""
        if self.by == "genes" and self.turns:
            return "sex that is decided by genes has no turns"
        if not self.turns and not self.text:
            return "without turns, text has to say what is known"
        if not 0.0 <= self.sensitive[0] < self.sensitive[1] <= 1.0:
            return "sensitive has to be two developments between 0 and 1, the first one smaller"
        for a, b in pairwise(self.turns):
            if a.pivotal_c >= b.pivotal_c or a.warm == b.warm:
                return "turns have to rise in temperature and to change sides each time"
        return ""

    @property
    def gives_share(self) -> bool:
        return bool(self.turns) and all(turn.range_c is not None for turn in self.turns)

    def females(self, temperature_c: npt.ArrayLike, off_c: float | Values = 0.0) -> Values:
        """Share of females at constant temperatures (any shape); ``off_c`` moves all pivotal temperatures.

        Raises ModelOutOfRange where the profile gives no transitional range.
        """
        if not self.gives_share:
            raise ModelOutOfRange("no transitional range is known, so there is no share of females", where="sex")
        t = np.asarray(temperature_c, dtype=np.float64)
        share = np.full(np.broadcast_shapes(t.shape, np.shape(off_c)), 1.0 if self.turns[0].warm == "males" else 0.0)
        for turn in self.turns:
            assert turn.range_c is not None
            x = np.clip((t - turn.pivotal_c - off_c) * RANGE_IN_SCALES / turn.range_c, -500.0, 500.0)
            share = share + (1.0 if turn.warm == "females" else -1.0) / (1.0 + np.exp(-x))
        return np.asarray(np.clip(share, 0.0, 1.0), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class SexNow:
    """How warm the eggs of a lot were while their sex was open, as far as that lies behind.

    ``behind``: share of the sensitive period that is over. ``temperature_c``: development-weighted mean in it, with
    the probe's standard uncertainty ``u_c``. ``females``: expected share, with its 10 to 90 % interval from the probe
    and from how clutches differ; None when only the side is known: ``more`` is the sex on this side of the nearest
    pivotal temperature. ``papers`` are keys of the profile's papers, ``text`` its own words.
    """

    behind: float
    temperature_c: float
    u_c: float
    females: float | None
    females_p10: float | None
    females_p90: float | None
    pivotal_c: float
    more: Warm
    papers: tuple[str, ...]
    text: str


def weighted_mean_c(
    cumulative: npt.ArrayLike, temperature_c: npt.ArrayLike, sensitive: tuple[float, float] = MIDDLE_THIRD
) -> tuple[float, float] | None:
    """Development-weighted mean temperature (C) in a part of development, and how much of that part is behind (0 to 1).

    ``cumulative``: development at the edges of the hours, shape (n + 1,), not falling; ``temperature_c``: mean of each
    hour, shape (n,), NaN where nothing is known (then the hour has no weight). An hour across the edge of the part
    counts with what of it lies inside. None before the part begins, or when nothing in it is known.
    Raises ModelOutOfRange for lengths that do not fit, a falling sum, or a part outside 0 to 1.
    """
    edges, t = np.asarray(cumulative, dtype=np.float64), np.asarray(temperature_c, dtype=np.float64)
    first, last = sensitive
    if edges.size != t.size + 1 or np.any(np.diff(edges) < 0.0) or not 0.0 <= first < last <= 1.0:
        raise ModelOutOfRange("development has one more value than there are hours and does not fall", where="sex")
    inside = np.diff(np.clip(edges, first, last))
    known = ~np.isnan(t) & (inside > 0.0)
    weight = float(inside[known].sum())
    if weight <= 0.0:
        return None
    behind = (float(np.clip(edges[-1], first, last)) - first) / (last - first)
    return float(inside[known] @ t[known]) / weight, behind


def sex_now(
    rule: SexRule | None, cumulative: npt.ArrayLike, temperature_c: npt.ArrayLike, u_c: float
) -> tuple[SexNow | None, str]:
    """What is known of a lot's sexes now, or None and the reason; arguments as in :func:`weighted_mean_c`.

    ``u_c``: standard uncertainty of the box's temperature, one error common to all hours. It and the spread of pivotal
    temperatures add in quadrature and pass through the curve (JCGM 101:2008, the propagation of distributions, here on
    an even grid of the normal distribution instead of draws). Sex depends on the one temperature error alone: the shift
    of the sensitive part by it is left out (0.5 C moves it by about two days).
    """
    if rule is None:
        return None, NOT_SAID
    if rule.by == "genes" or not rule.turns:
        return None, rule.text
    found = weighted_mean_c(cumulative, temperature_c, rule.sensitive)
    if found is None:
        first, last = (round(100.0 * x) for x in rule.sensitive)
        return None, f"temperature decides between {first} and {last} % of development, which has not begun"
    mean, behind = found
    turn = min(rule.turns, key=lambda x: abs(x.pivotal_c - mean))
    other: Warm = "males" if turn.warm == "females" else "females"
    more = turn.warm if mean > turn.pivotal_c else other
    expected = p10 = p90 = None
    if rule.gives_share:
        z = np.linspace(-4.0, 4.0, 401)
        weight = np.exp(-0.5 * z * z)
        share = rule.females(mean, math.hypot(u_c, turn.pivotal_sd_c) * z)
        expected, p10, p90 = _spread(share, weight / weight.sum())
    return SexNow(behind, mean, u_c, expected, p10, p90, turn.pivotal_c, more, rule.papers, rule.text), ""


def _spread(value: Values, weight: Values) -> tuple[float, float, float]:
    order = np.argsort(value)
    upto = np.cumsum(weight[order]) - 0.5 * weight[order]
    p10, p90 = np.interp([0.1, 0.9], upto, value[order])
    return float(weight @ value), float(p10), float(p90)
