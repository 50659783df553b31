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

import numpy as np
import numpy.typing as npt

from monitor.core.development.evidence import BoxEvidence, Spread
from monitor.core.maths import student_t
from monitor.core.terms.arrays import Values
from monitor.errors import EventRefused, ModelOutOfRange, UnknownSubject

Array = Values

TINY = 1e-300


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
class Posterior:
    """Where the eggs of one box lie: values of v with their weights (sum 1) and the expected m at each."""

    v: Array
    weight: Array
    shared: Array


@dataclass(frozen=True, eq=False)
class PipChance:
    """One pip of a box: chance (n,) that it comes by log development (n,), and the chance given each v (n, n_v)."""

    seen: BoxEvidence
    place: Posterior
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
        p = checked(probabilities)
        pips = self.pip(box, k)
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

    def _place(self, index: int, sigma_more: float = 0.0) -> Posterior:
        """Where the eggs of a box lie, given that it is alive and all that was seen."""
        seen, grid = self.boxes[index], self._grid
        shared = _weights(self._shared_log(without=index))
        kernel = grid.kernel(math.hypot(seen.sigma_bias, sigma_more), self.spread.scale_box)
        before = np.maximum(np.convolve(shared, kernel, "valid"), TINY)
        expected = np.convolve(shared * grid.m, kernel, "valid") / before
        weight = _weights(np.log(before) + self._likelihoods[index])
        kept = weight > 1e-9
        return Posterior(grid.v[kept], weight[kept] / np.sum(weight[kept]), expected[kept])

    def pip(self, box: str, k: int | None = None, sigma_more: float = 0.0) -> PipChance:
        """The distribution of pip number ``k`` (None: the next one), tabulated where it changes.

        ``sigma_more``: further standard uncertainty of the log of the box's measured development.
        """
        index = self._index(box)
        seen = self.boxes[index]
        number = self._next_of(box) if k is None else k
        if not 1 <= number <= seen.eggs:
            raise EventRefused(f"pip number {number} of {seen.eggs} eggs", where=f"box {box}")
        return _tabulate(seen, number, self._place(index, sigma_more), self.spread.scale_egg)


def _weights(log_weight: Array) -> Array:
    weight = np.exp(log_weight - np.max(log_weight))
    return np.asarray(weight / np.sum(weight), dtype=np.float64)


def checked(probabilities: npt.ArrayLike) -> Array:
    p = np.asarray(probabilities, dtype=np.float64)
    if not bool(np.all((p >= 0.001) & (p <= 0.999))):
        raise ModelOutOfRange("probabilities have to lie between 0.001 and 0.999", where="forecast")
    return p


def _tabulate(seen: BoxEvidence, k: int, place: Posterior, scale: float) -> PipChance:
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
    return PipChance(seen, place, log_development, np.maximum.accumulate(given_v @ place.weight), given_v)


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
