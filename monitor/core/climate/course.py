"""Where a box is heading, from its own recent course: time constants, equilibrium, and the time to a limit.

The model is that of two first-order lags: something changed (a heater died or stuck, the power went, a door stands
open), since then the room's air goes towards another equilibrium with one time constant, and the box follows the air
with its own. What changed, when, and both time constants are estimated from the last hours of the box and, where there
is one, of an air probe beside it: least squares with prior knowledge (Gauss-Newton with Levenberg's damping), the
uncertainty from the curvature at the solution. What the data cannot tell stays as uncertain as the prior knowledge is.

The answer is a bundle of possible courses, drawn from that uncertainty in a fixed pattern (a Kronecker sequence
through the normal distribution), so that the same readings always give the same answer. When only a straight line can
be seen it is continued, flattening with a time constant that nobody knows, and the answer is wide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Times, Values
from monitor.values import dataclass

HORIZON_S: Final = 24 * 3600.0
"""Nothing is said of what lies further ahead: the outdoors of tomorrow is not in today's readings."""
SPANS_S: Final = (6 * 3600.0, 3 * 3600.0, 1.5 * 3600.0)
LOOK_BACK_S: Final = SPANS_S[0]
"""So much of the past is looked at."""
LINE_S: Final = 3600.0
BIN_S: Final = 300.0
LEAST_LINE: Final = 4
LEAST_FIT: Final = 8
"""So many means of five minutes are the least for a line, and for the two lags."""
AHEAD_STEP_S: Final = 300.0
DRAWS: Final = 64
STALE_S: Final = 3600.0
# A limit so near, or ahead within so long at the present rate, is worth an estimate.
NEAR_C: Final = 0.5
AHEAD_S: Final = 4 * 3600.0

# Standard deviation of a five-minute mean about the model, in C. Of a box: code and noise of a probe (1/16 C), and what
# the two lags leave out; of the air: the swing of a thermostat. Judgement, no source; tests/bench/time_to_limit.py
# measures what comes of it.
BOX_SD_C: Final = 0.04
AIR_SD_C: Final = 0.25
# Prior knowledge, as median and standard deviation on the log scale: time constant of a room, time constant of a box of
# damp substrate, how far from an incubating room its new equilibrium lies. Judgement, no source.
ROOM_TAU: Final = (2.5 * 3600.0, 0.7)
BOX_TAU: Final = (4.5 * 3600.0, 0.5)
DISTANCE: Final = (16.0, 0.5)
# How far a box may be behind its air at the start of what is looked at: in a steady room, and in one that moves
# already.
STEADY_LAG_C: Final = 0.05
MOVING_LAG_C: Final = 3.0
# How a steady room drifts with the outdoors and its thermostat's droop, C per hour.
DRIFT_C_PER_H: Final = 0.1
# What the model leaves out: the swing of the outdoors by day and night (amplitude, standard deviation), and a share
# by which all may go quicker or slower.
OUTDOORS_C: Final = 3.0
STRETCH: Final = 0.12
# Mean squared residual, in units of the standard deviations above, up to which a model counts as describing the
# readings.
FITS: Final = 3.0
# A fit takes so many steps at most; one that is so many times too bad after a third of them is given up. Judgement.
MOST_STEPS: Final = 30
HOPELESS: Final = 10.0
# Box or air has to have moved by so many standard deviations to be worth an extrapolation.
SHOWS: Final = 4.0
# Where in the span the change may have been, as starting points; and the cost by reading below which no other is tried.
ONSETS: Final = (0.5, 0.25, 0.1, 0.85)
PLAIN: Final = 0.3


@dataclass(frozen=True, slots=True)
class Eta:
    """How long until a limit is reached: 10, 50 and 90 % quantiles in seconds. ``high_s`` is inf for "perhaps
    never"."""

    low_s: float
    mid_s: float
    high_s: float


@dataclass(frozen=True)
class Course:
    """Possible courses of a box from ``at_ms`` on.

    ``ahead_c`` has shape (draws, steps), a step every ``AHEAD_STEP_S``, the first at ``at_ms``. ``way`` says what they
    were made from; ``rate_c_per_h`` is the middle rate of the next half hour.
    """

    at_ms: int
    way: Literal["two lags", "line"]
    ahead_c: Values
    tau_room_s: float | None = None
    tau_box_s: float | None = None

    @property
    def now_c(self) -> float:
        return float(np.median(self.ahead_c[:, 0]))

    @property
    def rate_c_per_h(self) -> float:
        steps = round(1800.0 / AHEAD_STEP_S)
        return float(np.median(self.ahead_c[:, steps] - self.ahead_c[:, 0])) / 0.5

    def crossings_s(self, limit_c: float) -> Values:
        """Seconds after ``at_ms`` at which each possible course reaches a limit from where it is now; inf: never."""
        side = 1.0 if limit_c >= self.now_c else -1.0
        beyond = side * (self.ahead_c - limit_c) >= 0.0
        first = np.argmax(beyond, axis=1)
        rows = np.arange(len(first))
        before = np.maximum(first - 1, 0)
        a, b = self.ahead_c[rows, before], self.ahead_c[rows, first]
        share = np.divide(limit_c - a, b - a, out=np.ones(len(first)), where=b != a)
        at = np.where(first == 0, 0.0, (before + np.clip(share, 0.0, 1.0)) * AHEAD_STEP_S)
        return np.where(beyond.any(axis=1), at, np.inf)

    def time_to(self, limit_c: float, now_ms: int | None = None) -> Eta | None:
        """Time from ``now_ms`` (else from the newest reading) to a limit; None: most likely not within 24 hours."""
        late_s = 0.0 if now_ms is None else (now_ms - self.at_ms) / 1000.0
        at = np.sort(self.crossings_s(limit_c))
        low, mid, high = (float(at[min(int(q * len(at)), len(at) - 1)]) for q in (0.1, 0.5, 0.9))
        if math.isinf(mid):
            return None
        return Eta(max(low - late_s, 0.0), max(mid - late_s, 0.0), max(high - late_s, 0.0))

    def chance(self, limit_c: float, within_s: float, now_ms: int) -> float:
        """Share of the possible courses that reach a limit within so many seconds from now."""
        return float(np.mean(self.crossings_s(limit_c) <= within_s + (now_ms - self.at_ms) / 1000.0))


def course(
    time_ms: Times,
    temperature_c: Values,
    now_ms: int,
    *,
    air_ms: Times | None = None,
    air_c: Values | None = None,
) -> Course | None:
    """Where a box is heading, from its readings up to ``now_ms`` (shape (n,), times increasing) and those of its air.

    Returns None when there are too few readings within the last hour, or none that is fresh.
    """
    box = _binned(time_ms, temperature_c, now_ms)
    if len(box[0]) < LEAST_LINE or box[0][-1] < -STALE_S:
        return None
    air = _binned(air_ms, air_c, now_ms) if air_ms is not None and air_c is not None else _NO_AIR
    found = _two_lags(box, air)
    if found is not None and _shows(found[0]):
        fit, start_s = found
        return _from_fit(fit, start_s, box, now_ms)
    return _from_line(box, now_ms)


def worth_knowing(
    time_ms: Times,
    temperature_c: Values,
    now_ms: int,
    low_c: float | None,
    high_c: float | None,
    air_c: Values | None = None,
) -> bool:
    """A quick look whether a limit is passed or near: beyond or within half a degree of it, ahead within four hours at
    the steepest rate of the last hour, or passed by the air, which the box follows."""
    recent = np.flatnonzero((time_ms >= now_ms - LINE_S * 1000) & (time_ms <= now_ms))
    if not len(recent):
        return False
    t, c = (time_ms[recent] - now_ms) / 1000.0, temperature_c[recent]
    here = float(c[-1])
    rates = [(here - float(c[k])) / max(float(t[-1] - t[k]), BIN_S) for k in (0, len(t) // 2)]
    for side, limit_c in ((-1.0, low_c), (1.0, high_c)):
        if limit_c is None:
            continue
        away = side * (limit_c - here)
        if away <= NEAR_C or max(side * r for r in rates) * AHEAD_S >= away:
            return True
        if air_c is not None and len(air_c) and side * (float(air_c[-1]) - limit_c) >= 0.0:
            return True
    return False


# --- the readings ----------------------------------------------------------------------------------------------------

_NO_AIR: Final = (np.empty(0), np.empty(0))


def _binned(time_ms: Times, value_c: Values, now_ms: int) -> tuple[Values, Values]:
    """Five-minute means of the last hours: seconds before now (negative, increasing), temperatures."""
    inside = (time_ms > now_ms - SPANS_S[0] * 1000) & (time_ms <= now_ms)
    t, c = (time_ms[inside] - now_ms) / 1000.0, value_c[inside]
    if not len(t):
        return _NO_AIR
    _, where = np.unique(np.floor(t / BIN_S), return_inverse=True)
    count = np.bincount(where)
    return np.bincount(where, t) / count, np.bincount(where, c) / count


# --- two lags --------------------------------------------------------------------------------------------------------

# Parameters: log tau of the room, log tau of the box, log of the distance to the new equilibrium, when it began (s),
# how far the box was behind its air then, temperature of the box then, of the air then, drift of both all the while
# (C per hour).
_ROOM, _BOX, _DISTANCE, _ONSET, _LAG, _BOX_C, _AIR_C, _DRIFT = range(8)
_PARAMETERS: Final = 8
# Below, a series stands for what would be a difference of nearly equal numbers.
_SMALL: Final = 1e-4


@dataclass(frozen=True)
class _Start:
    """Where a fit begins: towards warmer or cooler, since when. ``steady``: nothing moved before, and when it began is
    free."""

    sign: float
    onset_s: float
    steady: bool


@dataclass(frozen=True)
class _Fit:
    theta: Values
    covariance: Values
    cost: float
    sign: float
    good: bool


def _moved(theta: Values, sign: float, at_s: Values) -> tuple[Values, Values]:
    """Box and air, shape (k, n), of k parameter sets at n moments."""
    tau_room, tau_box = np.exp(theta[:, _ROOM, None]), np.exp(theta[:, _BOX, None])
    away = sign * np.exp(theta[:, _DISTANCE, None])
    after = np.maximum(at_s[None, :] - theta[:, _ONSET, None], 0.0)
    air = theta[:, _AIR_C, None] - away * np.expm1(-after / tau_room)
    slow, fast = np.maximum(tau_room, tau_box), np.minimum(tau_room, tau_box)
    x = after * (slow - fast) / (slow * fast)
    bend = np.where(x > 1e-9, -np.expm1(-x) / np.maximum(x, 1e-9), 1.0)
    of_slow = after / slow
    left = np.exp(-of_slow) * (1.0 + of_slow * bend)
    lag = theta[:, _LAG, None]
    box = theta[:, _BOX_C, None] + away * (1.0 - left) - lag * np.expm1(-after / tau_box)
    drift = theta[:, _DRIFT, None] * at_s / 3600.0
    return box + drift, air + drift


def _slopes(theta: Values, sign: Values, box_s: Values, air_s: Values) -> tuple[Values, Values]:
    """Box at ``box_s`` and air at ``air_s`` one after the other, of k parameter sets, shape (k, n), and by each
    parameter, shape (k, 8, n).

    The same as :func:`_moved`; the two lags are written by the slow and the fast one, so that nothing is lost where
    they are equal.
    """
    k, n = len(theta), len(box_s)
    tau_room, tau_box, away = np.exp(theta[:, :_ONSET, None]).transpose(1, 0, 2)
    away = away * sign[:, None]
    onset_s, lag, box_c, air_c, drift = theta[:, _ONSET:, None].transpose(1, 0, 2)
    value, slope = np.empty((k, n + len(air_s))), np.zeros((k, _PARAMETERS, n + len(air_s)))
    of_box, of_air = slope[:, :, :n], slope[:, :, n:]
    after = np.maximum(box_s - onset_s, 0.0)
    slow, fast = np.maximum(tau_room, tau_box), np.minimum(tau_room, tau_box)
    x = after * ((slow - fast) / (slow * fast))
    small = x < _SMALL
    safe, shrunk = np.where(small, 1.0, x), np.exp(-x)
    bend = np.where(small, 1.0 - x / 2 + x * x / 6, (1.0 - shrunk) / safe)
    left_slow, left_box = np.exp(-after / slow), np.exp(-after / tau_box)
    moved = 1.0 - left_slow * (1.0 + after / slow * bend)
    share = away * left_slow * after / (slow * fast)
    by_slow = -share * after * np.where(small, 0.5 - x / 6 + x * x / 24, (1.0 - bend) / safe)
    by_fast = -share * after * np.where(small, 0.5 - x / 3 + x * x / 8, (bend - shrunk) / safe)
    value[:, :n] = box_c + away * moved + lag * (1.0 - left_box) + drift / 3600.0 * box_s
    room_is_slow = tau_room >= tau_box
    of_box[:, _ROOM] = np.where(room_is_slow, by_slow, by_fast)
    of_box[:, _BOX] = np.where(room_is_slow, by_fast, by_slow) - lag * left_box * after / tau_box
    of_box[:, _DISTANCE] = away * moved
    of_box[:, _ONSET] = -np.where(after > 0.0, share * bend + lag * left_box / tau_box, 0.0)
    of_box[:, _LAG] = 1.0 - left_box
    of_box[:, _BOX_C] = 1.0
    of_box[:, _DRIFT] = box_s / 3600.0
    if len(air_s):
        after = np.maximum(air_s - onset_s, 0.0)
        left_room = away * np.exp(-after / tau_room)
        value[:, n:] = air_c + away - left_room + drift / 3600.0 * air_s
        of_air[:, _ROOM] = -left_room * after / tau_room
        of_air[:, _DISTANCE] = away - left_room
        of_air[:, _ONSET] = -np.where(after > 0.0, left_room / tau_room, 0.0)
        of_air[:, _AIR_C] = 1.0
        of_air[:, _DRIFT] = air_s / 3600.0
    return value, slope


def _two_lags(box: tuple[Values, Values], air: tuple[Values, Values]) -> tuple[_Fit, float] | None:
    """The best description of the last six hours, or of the last two; None when neither describes them."""
    if len(box[0]) < LEAST_FIT:
        return None
    for span_s in SPANS_S:
        b, a = ((t[t >= -span_s], c[t >= -span_s]) for t, c in (box, air))
        if len(b[0]) < LEAST_FIT:
            continue
        start_s = float(b[0][0])
        sign = _direction(b, a)
        first, *further = (_Start(sign, start_s * share, steady=True) for share in ONSETS)
        further += [_Start(towards, start_s, steady=False) for towards in (-1.0, 1.0)]
        good = [f for f in _fitted(b, a, [first]) if f.good]
        if not good or good[0].cost >= PLAIN * (len(b[0]) + len(a[0])):
            good += [f for f in _fitted(b, a, further) if f.good]
        if good:
            best = min(good, key=lambda f: f.cost)
            # A line that does as well leaves nothing to be seen of a bend.
            return (best, start_s) if best.cost + 6.0 < _line_cost(b) or len(a[0]) else None
    return None


def _shows(fit: _Fit) -> bool:
    """Whether there is anything to be seen yet: before, the answer would come from the priors and not from readings."""
    begin_s = min(float(fit.theta[_ONSET]), -BIN_S)
    box, air = _moved(fit.theta[None, :], fit.sign, np.array([begin_s, 0.0]))
    moved = max(abs(float(box[0, 1] - box[0, 0])) / BOX_SD_C, abs(float(air[0, 1] - air[0, 0])) / AIR_SD_C)
    return moved >= SHOWS


def _direction(box: tuple[Values, Values], air: tuple[Values, Values]) -> float:
    _, c = air if len(air[0]) >= LEAST_LINE else box
    return 1.0 if float(np.mean(c[-2:])) > float(np.median(c[: max(len(c) // 2, 1)])) else -1.0


def _line_cost(box: tuple[Values, Values]) -> float:
    t, c = box
    return float(np.sum(((c - np.polyval(np.polyfit(t, c, 1), t)) / BOX_SD_C) ** 2))


def _priors(
    box: tuple[Values, Values], air: tuple[Values, Values], onset_s: float, *, steady: bool
) -> tuple[Values, Values]:
    """What is known of the parameters beforehand: their middle and standard deviation, shape (8,)."""
    n_air = len(air[0])
    middle = np.array(
        [
            math.log(ROOM_TAU[0]),
            math.log(BOX_TAU[0]),
            math.log(DISTANCE[0]),
            onset_s,
            0.0,
            box[1][0],
            air[1][0] if n_air else 0.0,
            0.0,
        ]
    )
    sd = np.array(
        [
            ROOM_TAU[1],
            BOX_TAU[1],
            DISTANCE[1],
            SPANS_S[0] if steady else 1.0,
            STEADY_LAG_C if steady else MOVING_LAG_C,
            2.0,
            2.0 if n_air else 1e-6,
            DRIFT_C_PER_H,
        ]
    )
    return middle, sd


def _fitted(box: tuple[Values, Values], air: tuple[Values, Values], starts: Sequence[_Start]) -> list[_Fit]:
    """Least squares with priors from several starting points at once (Levenberg 1944, Marquardt 1963)."""
    middle, sd = np.stack([_priors(box, air, s.onset_s, steady=s.steady) for s in starts], axis=1)
    sign = np.array([s.sign for s in starts])
    n, n_air = len(box[0]), len(air[0])
    seen = np.concatenate([box[1], air[1]])
    scale = np.concatenate([np.full(n, BOX_SD_C), np.full(n_air, AIR_SD_C)])
    lowest, highest = middle - 6 * sd, middle + 6 * sd
    # When it began lies among the readings.
    lowest[:, _ONSET] = np.maximum(lowest[:, _ONSET], box[0][0])
    highest[:, _ONSET] = np.minimum(highest[:, _ONSET], -BIN_S)
    eye = np.eye(_PARAMETERS)

    def squares(theta: Values, which: NDArray[np.intp]) -> tuple[Values, Values, Values, Values]:
        """Residuals of the readings, cost, and the normal equations: (k, n), (k,), (k, 8, 8), (k, 8)."""
        model, slope = _slopes(theta, sign[which], box[0], air[0])
        r, slope = (model - seen) / scale, slope / scale
        off = (theta - middle[which]) / sd[which]
        normal = slope @ slope.transpose(0, 2, 1) + eye / sd[which][:, None, :] ** 2
        gradient = (slope @ r[:, :, None])[:, :, 0] + off / sd[which]
        return r, (r**2).sum(axis=1) + (off**2).sum(axis=1), normal, gradient

    theta, damping = np.minimum(np.maximum(middle, lowest), highest), np.full(len(starts), 1e-2)
    r, cost, normal, gradient = squares(theta, np.arange(len(starts)))
    going = np.arange(len(starts))
    for tries in range(MOST_STEPS):
        if tries >= MOST_STEPS // 3:
            going = going[cost[going] <= HOPELESS * FITS * len(seen)]
        # What stands at its bound and would leave it takes no part in the step, or clipping would spoil the others.
        at, down, up = theta[going], gradient[going] > 0.0, gradient[going] < 0.0
        free = ~((at <= lowest[going]) & down | (at >= highest[going]) & up)
        damped = normal[going] * (1.0 + eye * damping[going][:, None, None])
        damped = np.where(free[:, :, None] & free[:, None, :], damped, eye)
        step = np.linalg.solve(damped, np.where(free, gradient[going], 0.0)[:, :, None])[:, :, 0]
        promised = 2.0 * (step * gradient[going]).sum(axis=1) - np.einsum("ki,kij,kj->k", step, normal[going], step)
        worth = promised >= 1e-4 * (1.0 + cost[going])
        going, step = going[worth], step[worth]
        if not len(going):
            break
        trial = np.minimum(np.maximum(theta[going] - step, lowest[going]), highest[going])
        tried = squares(trial, going)
        better = tried[1] < cost[going]
        done = better & (cost[going] - tried[1] < 1e-3 * (1.0 + cost[going])) & (damping[going] <= 1e-3)
        taken = going[better]
        theta[taken] = trial[better]
        for kept, new in zip((r, cost, normal, gradient), tried, strict=True):
            kept[taken] = new[better]
        damping[going] = np.where(better, np.maximum(damping[going] / 5.0, 1e-6), damping[going] * 8.0)
        going = going[~done & (damping[going] <= 1e6)]
    recent = box[0] >= -SPANS_S[-1]
    fits = []
    for k in range(len(starts)):
        of_box, of_air = r[k, :n] ** 2, r[k, n:] ** 2
        worst = max(float(np.mean(of_box)), float(np.mean(of_box[recent])))
        air_worst = float(np.mean(of_air)) if n_air else 0.0
        covariance = np.asarray(np.linalg.inv(normal[k]) * max(1.0, worst, air_worst), np.float64)
        good = worst <= FITS and air_worst <= FITS
        fits.append(_Fit(theta[k], covariance, float(cost[k]), float(sign[k]), good))
    return fits


def _from_fit(fit: _Fit, start_s: float, box: tuple[Values, Values], now_ms: int) -> Course:
    """Possible courses from the solution and its covariance, brought to what the box says now."""
    values, vectors = np.linalg.eigh(fit.covariance)
    drawn = fit.theta + (normals(_PARAMETERS) * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    drawn[:, _ONSET] = np.clip(drawn[:, _ONSET], start_s, -BIN_S / 2)
    for k, (_, sd) in ((_ROOM, ROOM_TAU), (_BOX, BOX_TAU), (_DISTANCE, DISTANCE)):
        drawn[:, k] = np.clip(drawn[:, k], fit.theta[k] - 3 * sd, fit.theta[k] + 3 * sd)
    z = normals(_PARAMETERS + 3)[:, _PARAMETERS:]
    ahead = np.arange(0.0, HORIZON_S + 1.0, AHEAD_STEP_S)
    courses, _ = _moved(drawn, fit.sign, np.concatenate([box[0][-3:], ahead]))
    off = np.mean(box[1][-3:] - courses[:, :3], axis=1, keepdims=True)
    courses = courses[:, 3:] + off + _outdoors(drawn, z[:, 0], z[:, 1])
    # Quicker or slower than the model by some share, all the way.
    quicker = np.exp(STRETCH * z[:, 2, None]) * ahead
    courses = np.stack([np.interp(t, ahead, c) for t, c in zip(quicker, courses, strict=True)])
    tau_room_s, tau_box_s = np.exp(fit.theta[[_ROOM, _BOX]]).tolist()
    return Course(now_ms, "two lags", courses, tau_room_s, tau_box_s)


def _outdoors(drawn: Values, swing: Values, phase: Values) -> Values:
    """What the day outdoors adds to each possible course: a daily wave of unknown size and phase, behind both lags."""
    steps = round(HORIZON_S / AHEAD_STEP_S)
    keep_air, keep_box = np.exp(-AHEAD_STEP_S / np.exp(drawn[:, [_ROOM, _BOX]])).T
    turn = math.pi * phase
    after = np.arange(steps + 1)[:, None] * (2 * math.pi * AHEAD_STEP_S / 86400.0)
    waves = OUTDOORS_C * swing * (np.cos(turn + after) - np.cos(turn))
    air, box = np.zeros(DRAWS), np.zeros(DRAWS)
    added = np.zeros((DRAWS, steps + 1))
    for i in range(1, steps + 1):
        air = waves[i] + (air - waves[i]) * keep_air
        box = air + (box - air) * keep_box
        added[:, i] = box
    return added


# --- a straight line -------------------------------------------------------------------------------------------------


def _from_line(box: tuple[Values, Values], now_ms: int) -> Course | None:
    """The line of the last hour, flattening with an unknown time constant: e-folding in 3 h, a factor of 2 each way."""
    t, c = box
    recent = t >= -LINE_S
    if int(recent.sum()) < LEAST_LINE:
        return None
    t, c = t[recent], c[recent]
    slope, here = np.polyfit(t, c, 1)
    x = t - t.mean()
    left = c - (here + slope * t)
    sd_c = max(float(np.sqrt(np.mean(left**2))), BOX_SD_C)
    slope_sd = math.hypot(sd_c / math.sqrt(float(x @ x)), 0.3 * float(slope))
    z = normals(3)
    tau = (3 * 3600.0 * np.exp(0.7 * z[:, 0]))[:, None]
    rate = (slope + slope_sd * z[:, 1])[:, None]
    start = (here + sd_c / math.sqrt(len(t)) * z[:, 2])[:, None]
    ahead = np.arange(0.0, HORIZON_S + 1.0, AHEAD_STEP_S)[None, :]
    return Course(now_ms, "line", start - rate * tau * np.expm1(-ahead / tau))


@cache
def normals(dimensions: int) -> Values:
    """``DRAWS`` points of a standard normal distribution, spread evenly: a Kronecker sequence of square roots of primes
    through the inverse of the normal distribution."""
    primes = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31)[:dimensions]
    from statistics import NormalDist

    inverse = NormalDist().inv_cdf
    return np.array([[inverse((0.5 + (i + 1) * math.sqrt(p)) % 1.0) for p in primes] for i in range(DRAWS)])
