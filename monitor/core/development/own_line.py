"""A base temperature and a thermal constant from boxes of one's own, and how sure they are."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.development.line import LineFit, fit_line
from monitor.core.terms.formats import show_difference, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange

# Temperatures count as clearly different from this distance on, in C.
DIFFERENT_C: Final = 0.5
# Base temperature where the own clutches cannot tell one: the median of 105 fits of 71 species is 14.9 C, its middle
# half 12.1 to 17.0 C (Reptile Development Database, Noble et al. 2018, Scientific Data 5:180138).
USUAL_BASE_C: Final = 15.5
# What that may be off by, as a standard deviation: from that middle half (4.9 C / 1.349). An own one that is known
# worse is no use.
USUAL_BASE_SD_C: Final = 3.6


def groups_of(temperature_c: Iterable[float]) -> list[list[float]]:
    """Temperatures in groups that lie clearly apart, rising."""
    groups: list[list[float]] = []
    for t in sorted(temperature_c):
        if groups and t - groups[-1][0] < DIFFERENT_C:
            groups[-1].append(t)
        else:
            groups.append([t])
    return groups


def own_line(
    points: Sequence[tuple[float, float, float]], between: float, unit: DisplayUnit
) -> tuple[LineFit | None, str]:
    """Base temperature and thermal constant from the boxes alone, or why there are none.

    ``points``: temperature (C), typical days and variance of their log of each box; ``between``: that of clutches.

    Their standard errors are those that the boxes' own uncertainty makes, and clutches differing (delta method, as in
    :class:`LineFit`), or what the scatter about the line says where that is more; two points have no scatter.
    """
    groups = groups_of(t for t, _, _ in points)
    if len(groups) < 2:
        return None, (
            f"a base temperature needs two temperatures {show_difference(2.0, unit, 0 if unit == 'C' else 1)} apart or "
            f"more; the boxes that pipped were at {show_temperature(float(np.mean(groups[0])), unit)}"
        )
    t, days, variance = (np.array(column) for column in zip(*points, strict=True))
    try:
        line = fit_line(t, days, 1.0 / variance)
    except ModelOutOfRange as error:
        return None, error.what
    if problem := line.problem(unit):
        return None, problem
    if len(groups) > 2 and line.r_squared < 0.5:
        return None, f"temperature explains only {100 * line.r_squared:.0f} % of how the boxes differ"
    rate_variance = (variance + between) / np.square(days)
    weight = 1.0 / rate_variance
    of_slope = 1.0 / float(weight @ np.square(t - np.average(t, weights=weight)))
    of_rate, slope, rate = 1.0 / float(weight.sum()), line.slope_per_day_c, line.mean_rate_per_day
    base_se = rate / slope * math.sqrt(of_rate / rate**2 + of_slope / slope**2)
    constant_se = math.sqrt(of_slope) / slope**2
    if math.isfinite(line.base_se_c):
        base_se, constant_se = max(base_se, line.base_se_c), max(constant_se, line.constant_se_degree_days)
    if base_se > USUAL_BASE_SD_C:
        return None, (
            f"{_and(groups, unit)} tell it only to ± {show_difference(base_se, unit)}, and reptiles differ by ± "
            f"{show_difference(USUAL_BASE_SD_C, unit)}: temperatures farther apart, or more clutches, tell more"
        )
    return replace(line, base_se_c=base_se, constant_se_degree_days=constant_se), ""


def _and(groups: Sequence[Sequence[float]], unit: DisplayUnit) -> str:
    shown = [show_temperature(float(np.mean(group)), unit) for group in groups]
    return f"{', '.join(shown[:-1])} and {shown[-1]}"
