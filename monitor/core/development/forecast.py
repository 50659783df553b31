"""When a box pips, how sure that is, and why it is not surer.

The model, on log scale: measured development at the pip of egg j in box b = m + e_j - b.

* m ~ N(0, sigma_m): shared by the clutch (population, clutch, published curve);
* e_j ~ scale_egg * t4: belongs to the egg;
* b ~ N(0, sigma_bias) + scale_box * t4: belongs to the box (its probe's error, and what no probe sees); what the
  probes of all boxes have in common, from one session of comparison, moves all boxes alike and is taken to m;
* a box fails as a whole with chance ``failed_share`` and then never pips.

t4 is Student's t with four degrees of freedom. With normal tails the computed chance that a silent box is
alive would fall to nothing within a day of its sibling's last pip, and boxes that hatch well days later are
common. The typical egg ends at development 1; the first of several comes before 1.

What has been seen (how many pipped between two looks, that none had pipped by a look) updates m and b by
quadrature: given m the boxes are independent, so it is one grid in m and one per box in v = m - b, joined by
direct sums of positive terms. Nothing is sampled and nothing is kept between calls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from monitor.core.maths import student_t
from monitor.core.terms.arrays import Values
from monitor.core.terms.times import DAY_MS
from monitor.errors import EventRefused, ModelOutOfRange, UnknownSubject

Array = Values

# Evidence outside these developments is counted as if it lay on the border: the tails say nothing there.
LEAST_DEVELOPMENT, MOST_DEVELOPMENT = 0.05, 20.0
# No look and no integral is sharper than this (log scale); a pip told to the minute is widened to it.
SHARPEST = 2e-4
MOST_EGGS = 500
FAR_DEVELOPMENT = 100.0
TINY = 1e-300

EGGS = "eggs and clutches differ"
CURVE = "published curve"
PROBE = "probe's uncertainty"
PLACE = "what no probe sees in the box"
GAPS = "filled gaps"
START = "how far the eggs were when laid"
AHEAD = "temperature still to come"


@dataclass(frozen=True)
class Spread:
    """How far eggs, boxes and clutches lie apart, log scale (0.02 is 2 % of the incubation time).

    Starting values, to be refitted from finished clutches: eggs within one clutch and treatment scatter with a
    coefficient of variation of 3 to 4 %, clutches of one study and temperature with 2.2 to 2.8 % (measured on compiled
    constant-temperature studies, reptiles: Noble et al. 2018, Sci. Data 5:180138, citation from memory). The part
    ``curve_share`` of the variance sigma_m^2 comes from the published curve and the population it was measured on:
    1 - (0.025 / 0.042)^2; ``start_share`` is that of how far the eggs were when laid, ``probe_share`` that of what
    the boxes' probes have in common; the rest is the clutch.
    """

    sigma_m: float = 0.042
    scale_egg: float = 0.02
    scale_box: float = 0.02
    failed_share: float = 0.02
    curve_share: float = 0.65
    start_share: float = 0.0
    probe_share: float = 0.0

    def __post_init__(self) -> None:
        sizes = (self.sigma_m, self.scale_egg, self.scale_box)
        if not all(0.0 <= size <= 0.2 for size in sizes) or self.scale_egg < 0.002:
            raise ModelOutOfRange(f"spreads {sizes} are not within 0 to 0.2, the egg's above 0.002", where="forecast")
        shares = (self.curve_share, self.start_share, self.probe_share)
        if not (0.0 <= self.failed_share < 1.0 and min(shares) >= 0.0 and sum(shares) <= 1.0 + 1e-12):
            raise ModelOutOfRange("failed_share (below 1) and the shares lie between 0 and 1", where="forecast")


@dataclass(frozen=True)
class PipInterval:
    """``count`` eggs pipped between two looks; ``after`` (0: no look) and ``by`` are measured development then."""

    after: float
    by: float
    count: int


@dataclass(frozen=True)
class BoxEvidence:
    """What has been seen in one box.

    ``eggs``: fertile eggs still counted, those that pipped included (1 when the number is not known).
    ``sigma_bias``: standard uncertainty of the log of measured development from the box's probe; ``sigma_common`` the
    part of it that is shared with every box whose probe is of the same ``session`` of comparison ("": of none).
    ``none_by``: measured development at the last look at the eggs that have not pipped; 0 when nobody looked.
    Who counts pips has looked at the rest, so the latest ``by`` counts as such a look.
    """

    box: str
    eggs: int
    sigma_bias: float
    pipped: tuple[PipInterval, ...] = ()
    none_by: float = 0.0
    sigma_common: float = 0.0
    session: str = ""

    def __post_init__(self) -> None:
        where, counts = f"box {self.box}", "correct the number of eggs"
        if not 1 <= self.eggs <= MOST_EGGS:
            raise EventRefused(f"{self.eggs} eggs: a forecast needs 1 to {MOST_EGGS}", where=where, fix=counts)
        if not (math.isfinite(self.sigma_bias) and 0.0 <= self.sigma_bias <= 0.3):
            raise ModelOutOfRange(f"sigma_bias {self.sigma_bias} is not between 0 and 0.3", where=where)
        if not 0.0 <= self.sigma_common <= self.sigma_bias:
            raise ModelOutOfRange(f"sigma_common {self.sigma_common} is not between 0 and sigma_bias", where=where)
        if not (math.isfinite(self.none_by) and self.none_by >= 0.0):
            raise ModelOutOfRange(f"development {self.none_by} at the last look is not a number >= 0", where=where)
        for seen in self.pipped:
            told = f"{seen.count} pipped after development {seen.after} and by {seen.by}"
            if not (0.0 <= seen.after <= seen.by < math.inf and seen.by > 0.0):
                raise EventRefused(
                    f"{told}: the first look comes first, and no egg pips at 0", where=where, fix="correct the times"
                )
            if seen.count < 1:
                raise EventRefused(f"{told}: at least one has to", where=where, fix=counts)
        if self.pipped_count > self.eggs:
            raise EventRefused(f"{self.pipped_count} pipped out of {self.eggs} eggs", where=where, fix=counts)

    @property
    def pipped_count(self) -> int:
        return sum(seen.count for seen in self.pipped)

    @property
    def rest(self) -> int:
        """Eggs that have not pipped."""
        return self.eggs - self.pipped_count

    @property
    def log_looked(self) -> float:
        """Log of measured development at the last look at the rest; minus infinity when nobody looked."""
        return _log(max([self.none_by, *(seen.by for seen in self.pipped)]))

    @property
    def log_pipped(self) -> tuple[tuple[float, float, int], ...]:
        """(after, by, count) on log scale, none narrower than the sharpest look."""
        return tuple(
            (min(_log(seen.after), _log(seen.by) - SHARPEST), _log(seen.by), seen.count) for seen in self.pipped
        )


def _log(development: float) -> float:
    if development <= 0.0:
        return -math.inf
    return math.log(min(max(development, LEAST_DEVELOPMENT), MOST_DEVELOPMENT))


def update(boxes: Sequence[BoxEvidence], spread: Spread | None = None) -> ClutchForecast:
    """What the boxes of one clutch say together.

    ``boxes``: every box (lot) of the clutch, the silent ones too; sigma_bias of different boxes is independent, but
    for what their probes have in common. Raises EventRefused without boxes or when a box comes twice.
    """
    spread = spread or Spread()
    if not boxes or len({seen.box for seen in boxes}) != len(boxes):
        names = ", ".join(seen.box for seen in boxes)
        raise EventRefused(f"a forecast needs boxes with eggs, each of them once; got: {names}", where="forecast")
    boxes, spread = _parted(boxes, spread)
    most = max(seen.eggs for seen in boxes)
    # A sum over an even grid is as good as exact for a smooth peak wider than the step; n eggs make a peak with
    # standard deviation 1.2 scale_egg / sqrt(n) (7/5 / n: the information of Student's t with 4 degrees of freedom).
    step = spread.scale_egg / max(5.0, 1.5 * math.sqrt(most))
    reach_m = math.ceil(8.0 * spread.sigma_m / step)
    bias = max(seen.sigma_bias for seen in boxes)
    reach_v = 6.0 * (spread.sigma_m + bias) + 15.0 * spread.scale_box
    beside = 15.0 * spread.scale_egg
    low = math.floor(min([-reach_v, *(by - beside for seen in boxes for _, by, _ in seen.log_pipped)]) / step)
    high = math.ceil(max([reach_v, *(seen.log_looked + beside for seen in boxes)]) / step)
    grid = _Grid(step, reach_m, low, high)
    likelihoods = tuple(_likelihood(seen, spread, grid.v) for seen in boxes)
    given_m = tuple(
        _given_shared(seen, likelihood, grid.kernel(seen.sigma_bias, spread.scale_box), spread)
        for seen, likelihood in zip(boxes, likelihoods, strict=True)
    )
    return ClutchForecast(tuple(boxes), spread, grid, likelihoods, given_m)


def _parted(boxes: Sequence[BoxEvidence], spread: Spread) -> tuple[Sequence[BoxEvidence], Spread]:
    """What the probes of all boxes have in common, taken from the boxes to m: it parts no two of them.

    The common error is one number of C; where boxes lie on different slopes of the curve it moves them by different
    parts, of which the mean goes to m and the rest stays in the box, as if independent. Boxes of several sessions
    keep all of it: their differences are then taken as less sure than they may be.
    """
    if len(boxes) < 2 or not boxes[0].session or len({seen.session for seen in boxes}) > 1:
        return boxes, spread
    common = sum(seen.sigma_common for seen in boxes) / len(boxes)
    sigma_m = min(math.hypot(spread.sigma_m, common), 0.2)
    if sigma_m <= spread.sigma_m:
        return boxes, spread
    left = (spread.sigma_m / sigma_m) ** 2
    shares = {"curve_share": left * spread.curve_share, "start_share": left * spread.start_share}
    own = []
    for seen in boxes:
        variance = seen.sigma_bias**2 - seen.sigma_common**2 + (seen.sigma_common - common) ** 2
        own.append(replace(seen, sigma_bias=math.sqrt(max(variance, 0.0)), sigma_common=0.0, session=""))
    return own, replace(spread, sigma_m=sigma_m, probe_share=1.0 - left, **shares)


@dataclass(frozen=True)
class _Grid:
    """Multiples of one step: m in -reach_m..reach_m, v = m - b in low..high."""

    step: float
    reach_m: int
    low: int
    high: int

    @property
    def m(self) -> Array:
        return np.arange(-self.reach_m, self.reach_m + 1, dtype=np.float64) * self.step

    @property
    def v(self) -> Array:
        return np.arange(self.low, self.high + 1, dtype=np.float64) * self.step

    def kernel(self, sigma: float, scale: float) -> Array:
        """Chance of each step of -b, from the lowest to the highest v - m."""
        return student_t.cells(self.low - self.reach_m, self.high + self.reach_m, self.step, sigma=sigma, scale=scale)


def _likelihood(seen: BoxEvidence, spread: Spread, v: Array) -> Array:
    """Log chance of what was seen, given that the box is alive and its eggs scatter about ``v``."""
    total = np.zeros_like(v)
    for after, by, count in seen.log_pipped:
        chance = student_t.between((after - v) / spread.scale_egg, (by - v) / spread.scale_egg)
        total += count * np.log(np.maximum(chance, TINY))
    if math.isfinite(seen.log_looked):
        total += seen.rest * np.log(np.maximum(student_t.beyond((seen.log_looked - v) / spread.scale_egg), TINY))
    return total


def _given_shared(seen: BoxEvidence, likelihood: Array, kernel: Array, spread: Spread) -> Array:
    """Log chance, over the grid of m, of what was seen in the box; column 0 alive, column 1 alive or failed."""
    top = float(np.max(likelihood))
    alive = np.log(np.maximum(np.correlate(kernel, np.exp(likelihood - top), "valid")[::-1], TINY)) + top
    alive += math.log1p(-spread.failed_share)
    may_have_failed = not seen.pipped and spread.failed_share > 0.0
    either = np.logaddexp(alive, math.log(spread.failed_share)) if may_have_failed else alive
    return np.stack([alive, either], axis=1)


@dataclass(frozen=True, eq=False)
class _Place:
    """Where the eggs of one box lie: values of v with their weights (sum 1) and the expected m at each."""

    v: Array
    weight: Array
    shared: Array


@dataclass(frozen=True, eq=False)
class _Pips:
    """One pip of a box: chance (n,) that it comes by log development (n,), and the chance given each v (n, n_v)."""

    log_development: Array
    chance: Array
    given_v: Array


@dataclass(frozen=True, eq=False)
class ClutchForecast:
    """Made by ``update``. Quantiles are measured development of the box asked, given all that was seen.

    Pips that are still to come are told for a box that is alive; ``chance_only_late`` says how likely that is.
    Probabilities lie between 0.001 and 0.999. Raises UnknownSubject for a box that is not in the clutch.
    """

    boxes: tuple[BoxEvidence, ...]
    spread: Spread
    _grid: _Grid
    _likelihoods: tuple[Array, ...]
    _given_m: tuple[Array, ...]

    def first(self, box: str, probabilities: npt.ArrayLike = (0.1, 0.5, 0.9)) -> Array:
        """First pip of the box; within what was seen of it when it has pipped already."""
        return self.kth(box, 1, probabilities)

    def next(self, box: str, probabilities: npt.ArrayLike = (0.1, 0.5, 0.9)) -> Array:
        """First pip among the eggs that have not pipped. Raises EventRefused when all have."""
        return self.kth(box, self._next_of(box), probabilities)

    def last(self, box: str, probabilities: npt.ArrayLike = (0.1, 0.5, 0.9)) -> Array:
        """Last pip of the box, every egg taken as able to pip."""
        return self.kth(box, self.boxes[self._index(box)].eggs, probabilities)

    def kth(self, box: str, k: int, probabilities: npt.ArrayLike = (0.1, 0.5, 0.9)) -> Array:
        """Pip number ``k`` of the box, counted from 1 and with those that were seen. Shape of ``probabilities``."""
        p = _checked(probabilities)
        pips = self._pips(box, k)
        return np.exp(np.interp(p, pips.chance, pips.log_development))

    def chance_only_late(self, box: str) -> float:
        """Chance that the box has not failed: it is alive and only late. 1 for a box that has pipped.

        Knows nothing but the counts: eggs that were candled alive, or smell, say more.
        """
        index = self._index(box)
        if self.boxes[index].pipped:
            return 1.0
        others = self._shared_log(without=index)
        alive = others + self._given_m[index][:, 0]
        either = others + self._given_m[index][:, 1]
        top = float(np.max(either))
        return min(1.0, float(np.sum(np.exp(alive - top)) / np.sum(np.exp(either - top))))

    def evidence(self, box: str) -> BoxEvidence:
        return self.boxes[self._index(box)]

    def without_looks(self, box: str) -> ClutchForecast:
        """The same clutch, had nobody looked at the box and found nothing."""
        seen = self.evidence(box)
        return update([replace(x, none_by=0.0) if x is seen else x for x in self.boxes], self.spread)

    def clutch_shift(self) -> tuple[float, float]:
        """Mean and standard deviation of m, given all that was seen; with what the probes have in common."""
        m, weight = self._grid.m, _weights(self._shared_log())
        mean = float(weight @ m)
        return mean, math.sqrt(float(weight @ np.square(m - mean)))

    def _index(self, box: str) -> int:
        names = [seen.box for seen in self.boxes]
        if box not in names:
            raise UnknownSubject(f"no box {box} in this clutch", where="forecast")
        return names.index(box)

    def _next_of(self, box: str) -> int:
        seen = self.boxes[self._index(box)]
        if seen.rest == 0:
            raise EventRefused(f"all {seen.eggs} eggs have pipped: none is still to come", where=f"box {box}")
        return seen.pipped_count + 1

    def _shared_log(self, without: int | None = None) -> Array:
        """Log weight over the grid of m: prior and boxes, but for one."""
        m = self._grid.m
        sigma = self.spread.sigma_m
        before = -0.5 * np.square(m / sigma) if sigma > 0.0 else np.zeros_like(m)
        told = [given[:, 1] for index, given in enumerate(self._given_m) if index != without]
        return np.asarray(np.sum([before, *told], axis=0), dtype=np.float64)

    def _place(self, index: int, sigma_more: float = 0.0) -> _Place:
        """Where the eggs of a box lie, given that it is alive and all that was seen."""
        seen, grid = self.boxes[index], self._grid
        shared = _weights(self._shared_log(without=index))
        kernel = grid.kernel(math.hypot(seen.sigma_bias, sigma_more), self.spread.scale_box)
        before = np.maximum(np.convolve(shared, kernel, "valid"), TINY)
        expected = np.convolve(shared * grid.m, kernel, "valid") / before
        weight = _weights(np.log(before) + self._likelihoods[index])
        kept = weight > 1e-9
        return _Place(grid.v[kept], weight[kept] / np.sum(weight[kept]), expected[kept])

    def _pips(self, box: str, k: int, place: _Place | None = None) -> _Pips:
        """The distribution of pip number ``k``, tabulated where it changes."""
        index = self._index(box)
        seen = self.boxes[index]
        if not 1 <= k <= seen.eggs:
            raise EventRefused(f"pip number {k} of {seen.eggs} eggs", where=f"box {box}")
        return _tabulate(seen, k, place or self._place(index), self.spread.scale_egg)


def _weights(log_weight: Array) -> Array:
    weight = np.exp(log_weight - np.max(log_weight))
    return np.asarray(weight / np.sum(weight), dtype=np.float64)


def _checked(probabilities: npt.ArrayLike) -> Array:
    p = np.asarray(probabilities, dtype=np.float64)
    if not bool(np.all((p >= 0.001) & (p <= 0.999))):
        raise ModelOutOfRange("probabilities have to lie between 0.001 and 0.999", where="forecast")
    return p


def _tabulate(seen: BoxEvidence, k: int, place: _Place, scale: float) -> _Pips:
    """Two passes: a coarse one over the whole reach finds where the chance changes, the second sits there."""

    def chance(y: Array) -> Array:
        return np.asarray(_chance_by(seen, k, y, place.v, scale) @ place.weight, dtype=np.float64)

    low, high = _bounds(seen, k)
    centre = max(float(place.weight @ place.v), low)
    reach = np.minimum(6.0 * scale * 1.5 ** np.arange(17.0), 6.0)
    if not math.isfinite(low):
        low = centre - float(reach[min(int(np.count_nonzero(chance(centre - reach) > 1e-5)), 16)])
    if not math.isfinite(high):
        high = centre + float(reach[min(int(np.count_nonzero(chance(centre + reach) < 1.0 - 1e-5)), 16)])
    # Denser near the lower end: just after a look at which nothing had pipped, the chance starts with a bend.
    coarse = low + (high - low) * np.square(np.linspace(0.0, 1.0, 33))
    rough = np.maximum.accumulate(chance(coarse))
    levels = 1.0 / (1.0 + np.exp(-np.linspace(-7.0, 7.0, 141)))
    log_development = np.unique(np.concatenate([coarse, np.interp(levels, rough, coarse)]))
    given_v = _chance_by(seen, k, log_development, place.v, scale)
    return _Pips(log_development, np.maximum.accumulate(given_v @ place.weight), given_v)


def _bounds(seen: BoxEvidence, k: int) -> tuple[float, float]:
    """Log developments between which pip number ``k`` has to lie."""
    if k > seen.pipped_count:
        return seen.log_looked, math.inf
    afters = sorted(after for after, _, count in seen.log_pipped for _ in range(count))
    bys = sorted(by for _, by, count in seen.log_pipped for _ in range(count))
    return afters[k - 1], bys[k - 1]


def _chance_by(seen: BoxEvidence, k: int, y: Array, v: Array, scale: float) -> Array:
    """Chance (n_y, n_v) that pip number ``k`` comes by log development ``y``, given ``v`` and what was seen.

    Given v the eggs are independent: those that pipped lie within their intervals, the rest after the last
    look; the number out by y is a sum of binomials.
    """
    to_y = (y[:, None] - v[None, :]) / scale
    if k > seen.pipped_count:
        stay = student_t.beyond(to_y)
        stay /= student_t.beyond((seen.log_looked - v) / scale)[None, :]
        if k == seen.pipped_count + 1:
            return student_t.at_least_one(seen.rest, stay)
        return student_t.at_least(k - seen.pipped_count, [(seen.rest, 1.0 - stay)])
    groups: list[tuple[int, Array]] = []
    for after, by, count in seen.log_pipped:
        start, end = (after - v) / scale, (by - v) / scale
        upto = np.clip(to_y, start[None, :], end[None, :])
        groups.append((count, student_t.between(start[None, :], upto) / student_t.between(start, end)[None, :]))
    return student_t.at_least(k, groups)


@dataclass(frozen=True)
class ExpectedRates:
    """Development still to come in one box, and how sure that is.

    ``rate_per_day``: expected development per day, above 0; it also serves before now and after the table.
    ``days_ahead`` and ``development_ahead``: optional table of expected gain from now on, both rising, first
    row after day 0 (day 0 has gain 0). ``rate_sd_relative``: relative standard uncertainty of the whole future
    rate, one factor common to all days (log-normal). ``past_sd_log``: standard uncertainty of the log of the
    accumulated development that is not in the box's sigma_bias: gaps that were filled.
    """

    rate_per_day: float
    rate_sd_relative: float = 0.0
    past_sd_log: float = 0.0
    days_ahead: tuple[float, ...] = ()
    development_ahead: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not 1e-6 <= self.rate_per_day <= 1.0:
            what = f"at an expected rate of {self.rate_per_day} per day no date can be given"
            raise ModelOutOfRange(what, where="forecast", fix="look at the box's temperature and the profile's range")
        if not all(math.isfinite(x) and 0.0 <= x <= 1.0 for x in (self.rate_sd_relative, self.past_sd_log)):
            raise ModelOutOfRange("rate_sd_relative and past_sd_log lie between 0 and 1", where="forecast")
        if len(self.days_ahead) != len(self.development_ahead):
            raise ModelOutOfRange("days_ahead and development_ahead differ in length", where="forecast")
        days, gains = (0.0, *self.days_ahead), (0.0, *self.development_ahead)
        if not all(a < b for a, b in pairwise(days)) or not all(a <= b < math.inf for a, b in pairwise(gains)):
            raise ModelOutOfRange("days ahead have to rise and development must not fall", where="forecast")

    def gain(self, days: npt.ArrayLike) -> Array:
        """Expected development gained ``days`` from now (any shape); negative before now."""
        table_days, table_gain = self._table
        return np.asarray(np.interp(np.asarray(days, dtype=np.float64), table_days, table_gain), dtype=np.float64)

    def days_to(self, gain: float) -> float:
        """Days from now until ``gain`` is expected; negative for what has been gained already."""
        table_days, table_gain = self._table
        return float(np.interp(gain, table_gain, table_days))

    @cached_property
    def _table(self) -> tuple[Array, Array]:
        """Days and gains from far back to far ahead, beyond the given rows at ``rate_per_day``."""
        days, gains = [0.0, *self.days_ahead], [0.0, *self.development_ahead]
        far = FAR_DEVELOPMENT / self.rate_per_day
        return np.array([-far, *days, days[-1] + far]), np.array(
            [-FAR_DEVELOPMENT, *gains, gains[-1] + FAR_DEVELOPMENT]
        )


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
    k: int | None = None,
) -> Window:
    """When pip number ``k`` of the box is to be expected (None: the next one, the first while none is out).

    ``development_now``: measured development of the box at ``now_ms``. The chance that the pip comes within t
    days is the chance of the needed development, averaged over the uncertain factor of the future rate
    (Gauss-Hermite, 15 nodes). What pipped unseen since the last look lies before now and is told so, by the
    rate of today. Filled gaps act like the probe's error, in the proportion that the past has in the whole.

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
    asked = tuple(float(p) for p in _checked(probabilities))
    index = forecast._index(box)
    number = forecast._next_of(box) if k is None else k
    sigma_gaps = ahead.past_sd_log * min(development_now, 1.0)
    place = forecast._place(index, sigma_gaps)
    pips = forecast._pips(box, number, place)
    development = np.exp(pips.log_development)
    p10, p50, p90, *times = _days_by((0.1, 0.5, 0.9, *asked), development, pips.chance, development_now, ahead)
    p10_ms, p50_ms, p90_ms, *times_ms = (now_ms + round(days * DAY_MS) for days in (p10, p50, p90, *times))
    parts = _variances(forecast, index, place, pips, sigma_gaps)
    typical = math.exp(float(np.interp(0.5, pips.chance, pips.log_development)))
    needed = np.square(np.maximum(development - development_now, 0.0) / typical)
    parts[AHEAD] = ahead.rate_sd_relative**2 * float(0.5 * (needed[1:] + needed[:-1]) @ np.diff(pips.chance))
    total = sum(parts.values())
    causes = [Cause(name, 0.5 * (p90 - p10) * math.sqrt(part / total)) for name, part in parts.items() if part > 0.0]
    causes.sort(key=lambda cause: -cause.days)
    return Window(p10_ms, p50_ms, p90_ms, asked, tuple(times_ms), p90_ms < now_ms, tuple(causes))


@cache
def _gauss_hermite(n: int) -> tuple[Array, Array]:
    nodes, weights = np.polynomial.hermite_e.hermegauss(n)
    return nodes, weights / np.sum(weights)


def _days_by(
    probabilities: Sequence[float], development: Array, chance: Array, development_now: float, ahead: ExpectedRates
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


def _variances(forecast: ClutchForecast, index: int, place: _Place, pips: _Pips, sigma_gaps: float) -> dict[str, float]:
    """Variance of the log development at the pip by cause, without the temperature to come; see ``window``."""
    spread, seen = forecast.spread, forecast.boxes[index]
    y = pips.log_development
    # The trapezoid rule as weights: integral of what stays, and twice that of it times the way from the start.
    width = np.concatenate([[0.0], np.diff(y), [0.0]])
    weight = 0.5 * (width[1:] + width[:-1])
    area, square = np.stack([weight, 2.0 * weight * (y - y[0])]) @ (1.0 - pips.given_v)
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
