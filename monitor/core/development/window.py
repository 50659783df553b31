"""From the chance of a pip by development to a window in time, and why it is not narrower."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache, cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from monitor.core.development.evidence import Spread
from monitor.core.development.forecast import ClutchForecast, PipChance, checked
from monitor.core.maths.quadrature import hermite
from monitor.core.terms.arrays import Values
from monitor.core.terms.times import DAY_MS
from monitor.errors import ModelOutOfRange
from monitor.values import dataclass

FAR_DEVELOPMENT = 100.0

EGGS = "eggs and clutches differ"
CURVE = "published curve"
PROBE = "probe's uncertainty"
PLACE = "what no probe sees in the box"
GAPS = "filled gaps"
START = "how far the eggs were when laid"
AHEAD = "temperature still to come"


@dataclass(frozen=True)
class ExpectedRates:
    """Development still to come in one box, and how sure that is; and that of the days before, as it was measured.

    ``rate_per_day``: expected development per day, above 0; it also serves after the table, and before now where
    nothing is told of that. ``days_ahead`` and ``development_ahead``: optional table of expected gain from now on, both
    rising, first row after day 0 (day 0 has gain 0). ``days_before`` and ``development_before``: the same of what lies
    behind, both negative and rising, the first row where it began; before that, their mean rate serves.
    ``rate_sd_relative``: relative standard uncertainty of the whole future rate, one factor common to all days
    (log-normal). ``past_sd_log``: standard uncertainty of the log of the accumulated development that is not in the
    box's sigma_bias: gaps that were filled.
    """

    rate_per_day: float
    rate_sd_relative: float = 0.0
    past_sd_log: float = 0.0
    days_ahead: tuple[float, ...] = ()
    development_ahead: tuple[float, ...] = ()
    days_before: tuple[float, ...] = ()
    development_before: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not 1e-6 <= self.rate_per_day <= 1.0:
            what = f"at an expected rate of {self.rate_per_day} per day no date can be given"
            raise ModelOutOfRange(what, where="forecast", fix="look at the box's temperature and the profile's range")
        if not all(math.isfinite(x) and 0.0 <= x <= 1.0 for x in (self.rate_sd_relative, self.past_sd_log)):
            raise ModelOutOfRange("rate_sd_relative and past_sd_log lie between 0 and 1", where="forecast")
        of_ahead, of_before = (self.days_ahead, self.development_ahead), (self.days_before, self.development_before)
        if any(len(days) != len(gains) for days, gains in (of_ahead, of_before)):
            raise ModelOutOfRange("days and development of a table differ in length", where="forecast")
        days, gains = self._rows
        if not all(a < b for a, b in pairwise(days)) or not all(a <= b < math.inf for a, b in pairwise(gains)):
            raise ModelOutOfRange("days ahead have to rise and development must not fall", where="forecast")

    def gain(self, days: npt.ArrayLike) -> Values:
        """Expected development gained ``days`` from now (any shape); negative before now."""
        table_days, table_gain = self._table
        return np.asarray(np.interp(np.asarray(days, dtype=np.float64), table_days, table_gain), dtype=np.float64)

    def days_to(self, gain: float) -> float:
        """Days from now until ``gain`` is expected; negative for what has been gained already."""
        table_days, table_gain = self._table
        return float(np.interp(gain, table_gain, table_days))

    @cached_property
    def _table(self) -> tuple[Values, Values]:
        """Days and gains from far back to far ahead, beyond the given rows at one rate."""
        days, gains = self._rows
        back = gains[0] / days[0] if gains[0] < 0.0 else self.rate_per_day
        return (
            np.array([days[0] - FAR_DEVELOPMENT / back, *days, days[-1] + FAR_DEVELOPMENT / self.rate_per_day]),
            np.array([gains[0] - FAR_DEVELOPMENT, *gains, gains[-1] + FAR_DEVELOPMENT]),
        )

    @property
    def _rows(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Days and gains of both tables, with now between them."""
        return (*self.days_before, 0.0, *self.days_ahead), (*self.development_before, 0.0, *self.development_ahead)


@dataclass(frozen=True)
class Cause:
    """One reason of the window's width, with its share of the 10 to 90 % half-width in days."""

    name: str
    days: float


@dataclass(frozen=True)
class Window:
    """When a pip is to be expected. ``times_ms`` belongs to ``probabilities``, one by one.

    ``overdue``: the 90 % time has passed, so somebody should look. After a look that found nothing the window
    lies ahead again, however late the box is: how worrying that is, ``chance_only_late`` says. ``causes``:
    largest first; see ``window``.
    """

    p10_ms: int
    p50_ms: int
    p90_ms: int
    probabilities: tuple[float, ...]
    times_ms: tuple[int, ...]
    overdue: bool
    causes: tuple[Cause, ...]


def window(
    forecast: ClutchForecast,
    box: str,
    *,
    development_now: float,
    now_ms: int,
    ahead: ExpectedRates,
    probabilities: Sequence[float] = (0.1, 0.5, 0.9),
    k: int | Literal["each"] | None = None,
) -> Window:
    """When pip number ``k`` of the box is to be expected (None: the next one, the first while none is out; "each": any
    one of the eggs that lie still, if it lives).

    ``development_now``: measured development of the box at ``now_ms``. The chance that the pip comes within t
    days is the chance of the needed development, averaged over the uncertain factor of the future rate
    (Gauss-Hermite, 15 nodes). What pipped unseen since the last look lies before now and is told so, by what was
    measured then. Filled gaps act like the probe's error, in the proportion that the past has in the whole.

    Causes: the variance of the pip, given all that was seen, is split into the eggs' own (within v) and that
    of v, which is shared between m and b by their covariance with the expected pip; m between clutch, published
    curve, state when laid and what the probes have in common by their shares; b between probe, gaps and place by
    their variances before anything was seen; the temperature to come adds (rate_sd_relative x development still
    needed)^2. A cause's days are the half-width times the square root of its share: their squares add up to the
    half-width's square.

    Raises UnknownSubject, EventRefused (all have pipped, or no pip of that number) and ModelOutOfRange.
    """
    if not (math.isfinite(development_now) and development_now >= 0.0):
        raise ModelOutOfRange(f"development {development_now} is not a number >= 0", where=f"box {box}")
    asked = tuple(float(p) for p in checked(probabilities))
    sigma_gaps = ahead.past_sd_log * min(development_now, 1.0)
    pip = forecast.each(box, sigma_gaps) if k == "each" else forecast.pip(box, k, sigma_gaps)
    development = np.exp(pip.log_development)
    p10, p50, p90, *times = _days_by((0.1, 0.5, 0.9, *asked), development, pip.chance, development_now, ahead)
    p10_ms, p50_ms, p90_ms, *times_ms = (now_ms + round(days * DAY_MS) for days in (p10, p50, p90, *times))
    parts = _variances(forecast.spread, pip, sigma_gaps)
    typical = math.exp(float(np.interp(0.5, pip.chance, pip.log_development)))
    needed = np.square(np.maximum(development - development_now, 0.0) / typical)
    parts[AHEAD] = ahead.rate_sd_relative**2 * float(0.5 * (needed[1:] + needed[:-1]) @ np.diff(pip.chance))
    total = sum(parts.values())
    causes = [Cause(name, 0.5 * (p90 - p10) * math.sqrt(part / total)) for name, part in parts.items() if part > 0.0]
    causes.sort(key=lambda cause: -cause.days)
    return Window(p10_ms, p50_ms, p90_ms, asked, tuple(times_ms), p90_ms < now_ms, tuple(causes))


_gauss_hermite = cache(hermite)


def _days_by(
    probabilities: Sequence[float], development: Values, chance: Values, development_now: float, ahead: ExpectedRates
) -> list[float]:
    """Days from now by which the pip has come with each probability, by bisection."""
    nodes, weights = _gauss_hermite(15 if ahead.rate_sd_relative > 0.0 else 1)
    factors = np.exp(ahead.rate_sd_relative * nodes)
    least, most = float(development[0]) - development_now, float(development[-1]) - development_now
    p, places = np.unique(probabilities, return_inverse=True)
    early = np.full_like(p, ahead.days_to(least / float(factors[-1]) if least > 0.0 else least))
    late = np.full_like(p, ahead.days_to(most / float(factors[0]) if most > 0.0 else most))
    for _ in range(48):
        middle = 0.5 * (early + late)
        gain = ahead.gain(middle)[:, None]
        reached = development_now + np.where(gain > 0.0, gain * factors, gain)
        short = np.interp(reached, development, chance) @ weights < p
        early, late = np.where(short, middle, early), np.where(short, late, middle)
    return [float(days) for days in (0.5 * (early + late))[places]]


def _variances(spread: Spread, pip: PipChance, sigma_gaps: float) -> dict[str, float]:
    """Variance of the log development at the pip by cause, without the temperature to come; see ``window``."""
    seen, place, y = pip.seen, pip.place, pip.log_development
    # The trapezoid rule as weights: integral of what stays, and twice that of it times the way from the start.
    width = np.concatenate([[0.0], np.diff(y), [0.0]])
    weight = 0.5 * (width[1:] + width[:-1])
    area, square = np.stack([weight, 2.0 * weight * (y - y[0])]) @ (1.0 - pip.given_v)
    mean = y[0] + area
    within = float(place.weight @ np.maximum(square - np.square(mean - y[0]), 0.0))
    off = place.weight * (mean - place.weight @ mean)
    between = float(off @ mean)
    by_shared, by_box = (max(float(off @ x), 0.0) for x in (place.shared, place.v - place.shared))
    shared_share = by_shared / (by_shared + by_box) if by_shared + by_box > 0.0 else 0.0
    shared = between * shared_share
    box = between - shared
    # The variance of t with four degrees of freedom is 2.
    before = {PROBE: seen.sigma_bias**2, GAPS: sigma_gaps**2, PLACE: 2.0 * spread.scale_box**2}
    whole = sum(before.values())
    parts = {name: box * part / whole if whole > 0.0 else 0.0 for name, part in before.items()}
    parts[EGGS] = within + shared * (1.0 - spread.curve_share - spread.start_share - spread.probe_share)
    parts[CURVE], parts[START] = shared * spread.curve_share, shared * spread.start_share
    parts[PROBE] += shared * spread.probe_share
    return parts
