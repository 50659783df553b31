"""When a box pips, how sure that is, and why it is not surer.

The model, on log scale: measured development at the pip of egg j in box b = m + e_j - b.

* m ~ N(0, sigma_m): shared by the clutch (population, clutch, published curve);
* e_j ~ scale_egg * t4: belongs to the egg;
* b ~ N(0, sigma_bias) + scale_box * t4: belongs to the box (its probe's error, and what no probe sees); what the
  probes of all boxes have in common, from one session of comparison, moves all boxes alike and is taken to m;
* an egg lives to pip with a chance q that its clutch shares, and a box may fail as a whole (``survival``): what has
  failed never pips.

t4 is Student's t with four degrees of freedom. With normal tails the computed chance that a silent box is
alive would fall to nothing within a day of its sibling's last pip, and boxes that hatch well days later are
common. The typical egg ends at development 1; the first of several comes before 1.

What has been seen (how many pipped between two looks, that none had pipped by a look, how many were alive at one)
updates m, q and b by quadrature: given m and q the boxes are independent, so it is one grid in m, one in q and one per
box in v = m - b, joined by direct sums of positive terms. Nothing is sampled and nothing is kept between calls.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import field, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from numpy.typing import NDArray

from monitor.core.development.evidence import BoxEvidence, Spread
from monitor.core.development.survival import fails_after
from monitor.core.maths import student_t
from monitor.core.terms.arrays import Values, distinct
from monitor.errors import EventRefused, ModelOutOfRange, UnknownSubject
from monitor.values import dataclass

Array = Values

TINY = 1e-300
LEAST_LOG, MOST_LOG = -600.0, 600.0
_ROWS_AT_ONCE: Final = 32
_MOST_AT_ONCE: Final = 1 << 16


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
    # What is told of so many eggs is a polynomial in q of that degree: no more nodes than it asks for.
    eggs = sum(seen.eggs + seen.dead for seen in boxes)
    survival = replace(spread.survival, nodes=min(spread.survival.nodes, eggs // 2 + 2))
    shares, log_shares = survival.shares()
    likelihoods = tuple(_likelihood(seen, spread, grid.v, shares) for seen in boxes)
    kernels = tuple(grid.kernel(seen.sigma_bias, spread.scale_box) for seen in boxes)
    given = tuple(itertools.starmap(_given_shared, zip(likelihoods, kernels, strict=True)))
    return ClutchForecast(tuple(boxes), spread, grid, shares, log_shares, likelihoods, kernels, given)


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
    curve, start = left * spread.curve_share, left * spread.start_share
    own = []
    for seen in boxes:
        variance = seen.sigma_bias**2 - seen.sigma_common**2 + (seen.sigma_common - common) ** 2
        own.append(replace(seen, sigma_bias=math.sqrt(max(variance, 0.0)), sigma_common=0.0, session=""))
    return own, replace(spread, sigma_m=sigma_m, probe_share=1.0 - left, curve_share=curve, start_share=start)


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


def _over_v(of_m: Array, kernel: Array) -> Array:
    """What is spread over m, shape (n_q, n_m), as it is spread over v, shape (n_q, n_v)."""
    return np.stack([np.convolve(row, kernel, "valid") for row in of_m])


def _over_m(of_v: Array, kernel: Array) -> Array:
    """The mean over v of what hangs on it, shape (n_q, n_v), given each m, shape (n_q, n_m)."""
    return np.stack([np.correlate(kernel, row, "valid")[::-1] for row in of_v])


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """Log chances of what was seen in a box, over q and v, shape (n_q, n_v).

    ``pips``: of the eggs that pipped, of those seen dead, and that the box has not failed as a whole; ``groups``: of
    the eggs that lie still, how many were last seen alive at one time, and by v the chances that one which lives lies
    still, and one which fails; ``whole``: that the box has failed as a whole.
    """

    pips: Array
    groups: tuple[tuple[int, Array, Array], ...]
    shares: Array
    whole: Array

    @property
    def still(self) -> Array:
        """That the rest lie still, alive or not, over q and v."""
        total = self.pips.copy()
        for n, lives, fails in self.groups:
            q = self.shares[:, None]
            total += n * np.log(np.maximum(q * lives + (1.0 - q) * fails, TINY))
        return total

    @property
    def none_lives(self) -> Array:
        """That they lie still because all have failed, one by one, over q and v."""
        total = self.pips.copy()
        for n, _, fails in self.groups:
            total += n * np.log(np.maximum((1.0 - self.shares[:, None]) * fails, TINY))
        return total

    @property
    def some_lives(self) -> Array:
        """That one of the rest lives at least, given that they lie still, over q and v."""
        return np.maximum(-np.expm1(np.minimum(self.none_lives - self.still, 0.0)), TINY)

    def living(self, weight: Array, at: NDArray[np.int64]) -> Array:
        """How many of the rest live, shape (rest + 1, n_at). ``weight``: of q and of v at ``at``, shape (n_q, n_at)."""
        rest = sum(n for n, _, _ in self.groups)
        found = np.zeros((1 + rest, len(at)))
        # All shares at once where that is little memory.
        at_once = max(_MOST_AT_ONCE // found.size, 1)
        for first in range(0, len(self.shares), at_once):
            q, counts = self.shares[first : first + at_once, None], weight[None, first : first + at_once]
            for n, lives, fails in self.groups:
                terms = _binomial(n, q * lives[at], (1.0 - q) * fails[at])
                joined = np.zeros((len(counts) + n, *terms.shape[1:]))
                for j, row in enumerate(counts):
                    joined[j : j + n + 1] += row * terms
                counts = joined
            found += counts.sum(axis=1)
        return found


def _binomial(n: int, one: Array, other: Array) -> Array:
    """Chance of how many of n are ``one``, where one and the other are as likely as their sizes, shape (n + 1, ...)."""
    one, other = np.maximum(one, TINY), np.maximum(other, TINY)
    log_one, log_other, log_both = np.log(one), np.log(other), n * np.log(one + other)
    terms = np.empty((n + 1, *one.shape))
    for j in range(n + 1):
        log_ways = math.lgamma(n + 1) - math.lgamma(j + 1) - math.lgamma(n - j + 1)
        terms[j] = log_ways + j * log_one + (n - j) * log_other - log_both
    return np.asarray(np.exp(terms, out=terms), dtype=np.float64)


def _likelihood(seen: BoxEvidence, spread: Spread, v: Array, shares: Array) -> _Likelihood:
    scale, fails = spread.scale_egg, spread.survival.box_fails if seen.box_fails is None else seen.box_fails
    by_v = np.full_like(v, math.log1p(-fails))
    for after, by, count in seen.log_pipped:
        by_v += count * np.log(np.maximum(student_t.between((after - v) / scale, (by - v) / scale), TINY))
    with np.errstate(divide="ignore"):
        by_share = seen.pipped_count * np.log(shares) + (seen.dead * np.log1p(-shares) if seen.dead else 0.0)
    lives = student_t.beyond((seen.log_looked - v) / scale)
    groups = tuple((n, lives, fails_after(at, v, scale)) for at, n in seen.log_alive)
    whole = np.full((len(shares), len(v)), -math.inf)
    if fails > 0.0 and not seen.pipped:
        # The box fails at one time for all, at any part of the typical way alike: later than the last at which any was
        # alive; and each egg that was had neither failed by itself nor pipped by then.
        last = max((at for at, _ in seen.log_alive), default=-math.inf)
        whole[:] = math.log(fails) + np.log(np.maximum(-np.expm1(np.minimum(last - v, 0.0)), TINY))
        q = shares[:, None]
        for (at, n), (_, _, fails_later) in zip(seen.log_alive, groups, strict=True):
            if math.isfinite(at):
                by_then = q * student_t.beyond((at - v) / scale) + (1.0 - q) * fails_later
                whole += n * np.log(np.maximum(by_then, TINY))
    return _Likelihood(np.maximum(by_share, LEAST_LOG)[:, None] + by_v, groups, shares, whole)


def _given_shared(likelihood: _Likelihood, kernel: Array) -> tuple[Array, Array]:
    """Log chance, over q and the grid of m, shape (n_q, n_m), of what was seen: none lives; and in all."""

    def over_m(log_chance: Array) -> Array:
        top = float(np.max(log_chance))
        given = np.maximum(_over_m(np.exp(log_chance - top), kernel), TINY)
        return np.asarray(np.log(given) + top, dtype=np.float64)

    none = np.logaddexp(likelihood.none_lives, likelihood.whole)
    return over_m(none), over_m(np.logaddexp(likelihood.still, likelihood.whole))


@dataclass(frozen=True, eq=False)
class Posterior:
    """Where the eggs of one box lie: values of v with their weights (sum 1) and the expected m at each; ``living``: how
    many of the rest live there, shape (rest + 1, n_v), each column of sum 1."""

    v: Array
    weight: Array
    shared: Array
    living: Array


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

    Pips that are still to come are told for a box in which so many eggs live; ``chance_only_late`` says how likely it
    is that one does. Probabilities lie between 0.001 and 0.999. Raises UnknownSubject for a box that is not in the
    clutch.
    """

    boxes: tuple[BoxEvidence, ...]
    spread: Spread
    _grid: _Grid
    _shares: Array
    _log_shares: Array
    _likelihoods: tuple[_Likelihood, ...]
    _kernels: tuple[Array, ...]
    _given: tuple[tuple[Array, Array], ...]
    # Made once of what stands above, and asked for several times.
    _places: dict[tuple[int, int, float], Posterior] = field(default_factory=dict)

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
        """Chance that at least one of the eggs that lie still in the box lives and is only late; 1 where none does."""
        index = self._index(box)
        if not self.boxes[index].rest:
            return 1.0
        others = self._shared_log(without=index)
        none, total = (others + given for given in self._given[index])
        top = float(np.max(total))
        failed = float(np.sum(np.exp(none - top)) / np.sum(np.exp(total - top)))
        return min(max(1.0 - failed, 0.0), 1.0)

    def chance_each_lives(self, box: str) -> float:
        """Chance that one egg of those that lie still in the box lives, any of them; 1 where none lies still."""
        index = self._index(box)
        rest = self.boxes[index].rest
        if not rest:
            return 1.0
        place = self._place(index, 1)
        mean = float(np.arange(rest + 1) @ place.living @ place.weight)
        return self.chance_only_late(box) * mean / rest

    def evidence(self, box: str) -> BoxEvidence:
        return self.boxes[self._index(box)]

    def without_looks(self, box: str) -> ClutchForecast:
        """The same clutch, had nobody looked at what lies still in the box since the last pip."""
        seen = self.evidence(box)
        return update([x.without_looks() if x is seen else x for x in self.boxes], self.spread)

    def clutch_shift(self) -> tuple[float, float]:
        """Mean and standard deviation of m, given all that was seen; with what the probes have in common."""
        m, weight = self._grid.m, _weights(self._shared_log()).sum(axis=0)
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
        """Log weight over q and the grid of m, shape (n_q, n_m): prior and boxes, but for one."""
        m, sigma = self._grid.m, self.spread.sigma_m
        before = -0.5 * np.square(m / sigma) if sigma > 0.0 else np.zeros_like(m)
        total: Array = self._log_shares[:, None] + before
        for index, (_, given) in enumerate(self._given):
            if index != without:
                total = total + given
        return total

    def _place(self, index: int, living: int, sigma_more: float = 0.0) -> Posterior:
        """Where the eggs of a box lie, given all that was seen, and that so many at least of the rest live."""
        asked = index, living, sigma_more
        if asked not in self._places:
            self._places[asked] = self._placed(*asked)
        return self._places[asked]

    def _placed(self, index: int, living: int, sigma_more: float) -> Posterior:
        seen, grid, likelihood = self.boxes[index], self._grid, self._likelihoods[index]
        shared = _weights(self._shared_log(without=index))
        kernel = self._kernels[index]
        if sigma_more > 0.0:
            kernel = grid.kernel(math.hypot(seen.sigma_bias, sigma_more), self.spread.scale_box)
        before = np.maximum(_over_v(shared, kernel), TINY)
        # Where a box is very late it is far likelier that none lives: that must not hide where one would lie.
        still = np.log(before) + likelihood.still
        asked = still + np.log(likelihood.some_lives) if living else still
        by_share = _weights(asked)
        at = np.flatnonzero(by_share.sum(axis=0) > 1e-9)
        top = float(np.max(asked))
        counts = likelihood.living(np.exp(np.minimum(still[:, at] - top, MOST_LOG)), at)
        counts[:living] = 0.0
        if not counts.any():
            # That so many live is beyond what a number can say: then as few as that.
            counts[living] = by_share[:, at].sum(axis=0)
        weight = counts.sum(axis=0)
        kept = weight > 1e-9 * float(weight.sum())
        at, weight, counts = at[kept], weight[kept], counts[:, kept]
        by_share = by_share[:, at]
        expected = (by_share * (_over_v(shared * grid.m, kernel) / before)[:, at]).sum(axis=0) / by_share.sum(axis=0)
        return Posterior(grid.v[at], weight / weight.sum(), expected, counts / weight)

    def pip(self, box: str, k: int | None = None, sigma_more: float = 0.0) -> PipChance:
        """The distribution of pip number ``k`` (None: the next one), tabulated where it changes; of one still to come
        given that so many eggs live.

        ``sigma_more``: further standard uncertainty of the log of the box's measured development.
        """
        index = self._index(box)
        seen = self.boxes[index]
        number = self._next_of(box) if k is None else k
        if not 1 <= number <= seen.eggs:
            raise EventRefused(f"pip number {number} of {seen.eggs} eggs", where=f"box {box}")
        place = self._place(index, max(number - seen.pipped_count, 0), sigma_more)
        return _tabulate(seen, number, place, self.spread.scale_egg)

    def each(self, box: str, sigma_more: float = 0.0) -> PipChance:
        """The same of any one egg of those that lie still, given that it lives."""
        index = self._index(box)
        seen = self.boxes[index]
        self._next_of(box)
        place = self._place(index, 1, sigma_more)
        lives = np.arange(seen.rest + 1) @ place.living
        one = np.zeros((2, len(place.v)))
        one[1] = 1.0
        weight = place.weight * lives
        place = Posterior(place.v, weight / weight.sum(), place.shared, one)
        return _tabulate(seen, seen.pipped_count + 1, place, self.spread.scale_egg)


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

    def given(y: Array) -> Array:
        table = np.empty((len(y), len(place.v)))
        # Some rows at a time, which stay in the processor's cache: twice as fast.
        for row in range(0, len(y), _ROWS_AT_ONCE):
            some = slice(row, row + _ROWS_AT_ONCE)
            table[some] = _chance_by(seen, k, y[some], place, scale)
        return table

    def steps_to(side: float, beyond: Callable[[Array], NDArray[np.bool_]]) -> int:
        """How many of the reaches are not far enough on a side: as many as are asked for before the first that is."""
        for first in (0, 6, 12):
            far = np.flatnonzero(beyond(given(centre + side * reach[first : first + 6]) @ place.weight))
            if len(far):
                return first + int(far[0])
        return len(reach) - 1

    low, high = _bounds(seen, k)
    centre = max(float(place.weight @ place.v), low)
    reach = np.minimum(6.0 * scale * 1.5 ** np.arange(17.0), 6.0)
    if not math.isfinite(low):
        low = centre - float(reach[steps_to(-1.0, lambda chance: chance <= 1e-5)])
    if not math.isfinite(high):
        high = centre + float(reach[steps_to(1.0, lambda chance: chance >= 1.0 - 1e-5)])
    # Denser near the lower end: just after a look at which nothing had pipped, the chance starts with a bend.
    coarse = low + (high - low) * np.square(np.linspace(0.0, 1.0, 33))
    at_coarse = given(coarse)
    rough = np.maximum.accumulate(at_coarse @ place.weight)
    levels = 1.0 / (1.0 + np.exp(-np.linspace(-7.0, 7.0, 141)))
    log_development = distinct(np.concatenate([coarse, np.interp(levels, rough, coarse)]))
    row = np.minimum(coarse.searchsorted(log_development), len(coarse) - 1)
    known = coarse[row] == log_development
    given_v = np.empty((len(log_development), len(place.v)))
    given_v[known], given_v[~known] = at_coarse[row[known]], given(log_development[~known])
    return PipChance(seen, place, log_development, np.maximum.accumulate(given_v @ place.weight), given_v)


def _bounds(seen: BoxEvidence, k: int) -> tuple[float, float]:
    """Log developments between which pip number ``k`` has to lie."""
    if k > seen.pipped_count:
        return seen.log_looked, math.inf
    afters = sorted(after for after, _, count in seen.log_pipped for _ in range(count))
    bys = sorted(by for _, by, count in seen.log_pipped for _ in range(count))
    return afters[k - 1], bys[k - 1]


def _chance_by(seen: BoxEvidence, k: int, y: Array, place: Posterior, scale: float) -> Array:
    """Chance (n_y, n_v) that pip number ``k`` comes by log development ``y``, given ``v`` and what was seen.

    Given v the eggs are independent: those that pipped lie within their intervals, the rest that lives after the last
    look; the number out by y is a sum of binomials, averaged over how many live.
    """
    v = place.v
    to_y = (y[:, None] - v[None, :]) / scale
    if k > seen.pipped_count:
        stay = student_t.beyond(to_y)
        if math.isfinite(seen.log_looked):
            stay /= student_t.beyond((seen.log_looked - v) / scale)[None, :]
            np.minimum(stay, 1.0, out=stay)
        return _out_of_living(k - seen.pipped_count, stay, place.living)
    groups: list[tuple[int, Array]] = []
    for after, by, count in seen.log_pipped:
        start, end = (after - v) / scale, (by - v) / scale
        upto = np.clip(to_y, start[None, :], end[None, :])
        groups.append((count, student_t.between(start[None, :], upto) / student_t.between(start, end)[None, :]))
    return student_t.at_least(k, groups)


def _out_of_living(k: int, stay: Array, living: Array) -> Array:
    """Chance (n_y, n_v) that ``k`` are out at least, where each that lives stays with chance ``stay``, averaged over
    how many live, shape (n + 1, n_v)."""
    counts = np.flatnonzero((living > 1e-12).any(axis=1))
    if k == 1:
        # The mean of stay^n by Horner's rule, from the largest count that matters to the least.
        none: Array = living[counts[-1]] * stay
        for n in range(int(counts[-1]) - 1, 0, -1):
            none += living[n]
            none *= stay
        return np.subtract(1.0, none, out=none)
    out = 1.0 - stay
    return np.asarray(sum(living[n] * student_t.at_least(k, [(int(n), out)]) for n in counts), dtype=np.float64)
