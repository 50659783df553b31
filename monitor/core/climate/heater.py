"""A heater that grows weaker, read off the swing of the air that its thermostat keeps.

While a thermostat switches, the air rises and falls between two turning points. By Newton's law of cooling it gains
S p - N an hour, with S what the heater gives at full power (C per hour), N what the room loses, and p the heater's
warmth from 0 to 1, which follows the switch with a lag. The heater is on for a share D = N / S of the time. A colder
season raises N and D; only a weaker heater lowers S. So S is what is watched, and D tells how much of it is in use.

S, D and the switch are not seen, but the swing's period, its height and the share of time in which the air rises are:
:func:`wave` says what they are for D and a lag, and is turned round. The lag is taken as a sixth of the shortest
period, that at D = 1/2. In simulated rooms with differentials of 0.3 to 1 C and heaters of 1 to 20 minutes S then
hangs little on D from 0.2 to 0.8, while nothing but the outdoors changes, and what is left is allowed for
(:func:`needs`; figures: tests/bench/heater_wear.py).

Where no regular swing is seen nothing is said: a heater that is controlled steadily, a probe in a box (which smooths
the swing away), readings that come too seldom. How long a room takes to be warm again after a cool spell is no measure
either: in a real heated room a quarter of such ways back came with the heater off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.core.maths.control_charts import cusum
from monitor.core.maths.robust import theil_sen
from monitor.core.terms.arrays import Times, Values, distinct
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass

# A turning point counts when the air has turned by this much, or by two and a half steps of the probe's code.
LEAST_TURN_C: Final = 0.15
TURN_STEPS: Final = 2.5
# Swings are summed up in quarters of a day: so many at least, as regular as this (median absolute deviation of period
# and height over their median), and with so many readings in each. Judgement; a thermostat's are regular to a tenth.
QUARTER_H: Final = 6
LEAST_SWINGS: Final = 3
IRREGULAR: Final = 0.25
LEAST_READINGS: Final = 5.0
# At wider steps a swing of about ten minutes would be taken for another one, of an hour (aliasing).
MOST_INTERVAL_S: Final = 360.0
LAG_OF_PERIOD: Final = 1.0 / 6.0

# The first days make the reference; then a decline is told that has lasted, and is larger than what the model may be
# wrong by when D is another one. Judgement, proven by tests/bench/heater_wear.py.
REFERENCE_DAYS: Final = 7
LEAST_REFERENCE: Final = 5
LASTS_DAYS: Final = 5
LAST: Final = range(1, LASTS_DAYS + 1)
LEAST_LOSS: Final = 0.12
LOSS_PER_REGIME: Final = 0.4
LEAST_SD: Final = 0.02
TREND_DAYS: Final = 28
# Beyond this share of time there is no reserve; and from here on an hour without a swing is one in which it is on.
FULL_DUTY: Final = 0.95
OFTEN_ON: Final = 0.6


@dataclass(frozen=True, slots=True)
class Quarter:
    """The swings of six hours: how many, mean period (h), share of the time in which the air rises, mean height (C)."""

    from_ms: int
    swings: int
    period_h: float
    rising: float
    height_c: float


@dataclass(frozen=True, slots=True)
class Day:
    """One day of a probe (``day``: days since 1970, UTC). ``why``: why no swing is seen, empty where one is."""

    day: int
    quarters: tuple[Quarter, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class Wear:
    """A heater against itself.

    ``c_per_h`` is S over the last days and ``first_c_per_h`` that of the reference; ``left`` their ratio. ``duty`` is
    the share of time on over the last days, ``most_duty`` that of their most demanding quarter. ``per_day`` is the
    trend (share of the reference each day, Theil-Sen over four weeks, with its 95 % interval); ``weak`` whether the
    loss is told, ``since_day`` from when on (the last day at the reference). ``full_in_days``: when the trend, if it
    goes on, leaves no reserve in the most demanding quarter; None where none is to be seen.
    """

    c_per_h: float
    first_c_per_h: float
    left: float
    duty: float
    most_duty: float
    first_duty: float
    per_day: float
    per_day_low: float
    per_day_high: float
    weak: bool
    since_day: int
    full_in_days: float | None
    days: int


def wave(duty: Values, period: float, lag: float) -> tuple[Values, Values]:
    """What a switched heater makes of the air, in its steady swing: share of time rising, and height for S = 1.

    ``duty`` between 0 and 1 (any shape); ``period`` and ``lag`` in hours. On for D P: the heater's warmth goes to 1
    with the lag's e-folding, then to 0; the air's rate is S (p - D), so it turns where p = D. Integrated in closed
    form.
    """
    if lag <= 1e-9:
        return duty, duty * (1.0 - duty) * period
    on, off = duty * period, (1.0 - duty) * period
    most = np.expm1(-on / lag) / math.expm1(-period / lag)
    least = most * np.exp(-off / lag)
    low_at = lag * np.log((1.0 - least) / (1.0 - duty))
    high_after = lag * np.log(most / duty)
    rising = (on - low_at + high_after) / period
    height = (1.0 - duty) * (on - low_at) - lag * (1.0 - least) * (np.exp(-low_at / lag) - np.exp(-on / lag))
    height += -lag * most * np.expm1(-high_after / lag) - duty * high_after
    return rising, height


_DUTY: Final = np.linspace(0.01, 0.99, 99)


def duty_and_strength(quarter: Quarter, lag_h: float) -> tuple[float, float]:
    """D and S (C per hour) of a quarter's swings, for a lag in hours."""
    rising, height = wave(_DUTY, quarter.period_h, lag_h)
    duty = float(np.interp(quarter.rising, rising, _DUTY))
    return duty, quarter.height_c / float(np.interp(duty, _DUTY, height))


def lag_of(quarters: Sequence[Quarter]) -> float:
    """The lag in hours: a sixth of the period that the swing has, or would have, at D = 1/2.

    Without a lag the period goes with 1 / (D (1 - D)); D itself depends on the lag, so it is found in a few rounds.
    """
    lag = 0.0
    for _ in range(6):
        half = [q.period_h * 4.0 * d * (1.0 - d) for q in quarters for d, _ in (duty_and_strength(q, lag),)]
        lag = (lag + LAG_OF_PERIOD * float(np.median(half))) / 2.0
    return lag


# -- a day ------------------------------------------------------------------------------------------------------------


def day_of(day: int, time_ms: Times, temperature_c: Values) -> Day:
    """What a day of an air probe's readings (times increasing) says of the heater."""
    inside = (time_ms >= day * DAY_MS) & (time_ms < (day + 1) * DAY_MS)
    at, value = time_ms[inside], temperature_c[inside]
    if len(at) < 100 or at[-1] - at[0] < 12 * HOUR_MS:
        every = float(np.median(np.diff(at))) / 60_000 if len(at) > 2 else math.inf
        seldom = len(at) > 2 and every * 60.0 > MOST_INTERVAL_S
        return Day(day, why=_seldom(every) if seldom else "too few readings")
    every_s = float(np.median(np.diff(at))) / 1000.0
    if every_s > MOST_INTERVAL_S:
        return Day(day, why=_seldom(every_s / 60.0))
    found, why = [], NO_SWING
    for quarter in range(24 // QUARTER_H):
        from_ms = day * DAY_MS + quarter * QUARTER_H * HOUR_MS
        part = (at >= from_ms) & (at < from_ms + QUARTER_H * HOUR_MS)
        swings = _swings(at[part], value[part], every_s)
        if len(swings) < LEAST_SWINGS:
            continue
        period, height = swings[:, 0], swings[:, 2]
        if max(_spread(period), _spread(height)) > IRREGULAR:
            continue
        if float(np.median(period)) * 3600.0 < LEAST_READINGS * every_s:
            why = f"readings come too seldom for a swing of {60 * float(np.median(period)):.0f} min"
            continue
        usual = np.abs(period / np.median(period) - 1.0) < 0.5
        kept = swings[usual]
        found.append(
            Quarter(
                from_ms,
                len(kept),
                float(kept[:, 0].mean()),
                float(kept[:, 1].sum() / kept[:, 0].sum()),
                float(kept[:, 2].mean()),
            )
        )
    return Day(day, tuple(found), "" if found else why)


NO_SWING: Final = "no regular swing of a thermostat is seen: it is controlled steadily, or the probe is too slow"


def _seldom(every_min: float) -> str:
    return f"readings come too seldom, every {every_min:.0f} min: every minute is good, every five do"


def _spread(values: Values) -> float:
    middle = float(np.median(values))
    return float(np.median(np.abs(values - middle))) / middle if middle > 0.0 else math.inf


def _swings(at: Times, value: Values, every_s: float) -> Values:
    """From trough to trough, shape (n, 3): period and time rising in hours, height in C."""
    if len(at) < 2 * LEAST_READINGS:
        return np.empty((0, 3))
    codes = distinct(np.round(value, 6))
    step = float(np.diff(codes).min()) if len(codes) > 1 else 0.0
    turns = _turns(value, max(LEAST_TURN_C, TURN_STEPS * step))
    rows = []
    for i, j, k in zip(turns[:-2], turns[1:-1], turns[2:], strict=True):
        # A swing over a gap has no known turning points.
        if value[j] > value[i] and float(np.diff(at[i : k + 1]).max()) <= 3000.0 * every_s:
            hours = (at[[i, j, k]] - at[i]) / HOUR_MS
            rows.append((hours[2], hours[1], float(value[j]) - (float(value[i]) + float(value[k])) / 2.0))
    return np.array(rows).reshape(-1, 3)


def _turns(value: Values, by_c: float) -> list[int]:
    """Indices of the turning points, low and high in turn: those from which the air went back by ``by_c``."""
    turns: list[int] = []
    high = low = way = 0
    for i, v in enumerate(value.tolist()):
        if v > value[high]:
            high = i
        if v < value[low]:
            low = i
        if way >= 0 and value[high] - v >= by_c:
            turns.append(high)
            way, low = -1, i
        elif way <= 0 and v - value[low] >= by_c:
            turns.append(low)
            way, high = 1, i
    # Where it began nothing had turned.
    return turns[1:]


# -- many days --------------------------------------------------------------------------------------------------------


def _hour(quarter: Quarter) -> int:
    return quarter.from_ms % DAY_MS // HOUR_MS


def needs(duty: float, log_left: float, first_duty: float) -> float:
    """The loss that is told, as minus the logarithm of the ratio: 12 %, and more in another season.

    In another season the whole heater would be on for E = D S / S at first, instead of D at first. Where E is nearer to
    0 or 1 the model reads S too low: more is asked for, by four tenths of how much ln E (1 - E) is less. A heater that
    fades while all else stays has the same E all along.
    """
    season = min(max(duty * math.exp(log_left), 0.01), 0.99)
    regime = math.log(first_duty * (1.0 - first_duty)) - math.log(season * (1.0 - season))
    return -math.log(1.0 - LEAST_LOSS) + LOSS_PER_REGIME * max(regime, 0.0)


def wear(days: Sequence[Day], since_day: int | None = None) -> Wear | str:
    """The heater since it was last known to be good (``since_day``, else the first day), or why nothing is known.

    S of each quarter over that of the same quarter in the reference: nights with nights, since what the model makes
    of them wrongly is then in both, and since the hardest hours are the first that no longer swing. The logarithm of a
    day's median goes through a cumulative sum (Page 1954; k = 0.5, h = 5, sigma robust, two per cent at least). The
    loss is told when that signals, five days lasted, and their median is beyond what :func:`needs` asks for.
    """
    wanted = [d for d in days if since_day is None or d.day >= since_day]
    seen = [d for d in wanted if d.quarters and not d.why]
    if len(seen) < LEAST_REFERENCE:
        reasons = [d.why for d in wanted if d.why]
        return max(set(reasons), key=reasons.count) if reasons else "too few days yet"
    first = [d for d in seen if d.day < seen[0].day + REFERENCE_DAYS]
    if len(first) < LEAST_REFERENCE:
        return "too few days with a swing to begin with"
    if seen[-1].day < wanted[-1].day - 2:
        return wanted[-1].why or "no swing is seen now"
    lag = lag_of([q for d in first for q in d.quarters])
    by_day = [{_hour(q): duty_and_strength(q, lag) for q in d.quarters} for d in seen]
    n = len(first)
    usual = {
        hour: tuple(float(x) for x in np.median([d[hour] for d in by_day[:n] if hour in d], axis=0))
        for hour in range(0, 24, QUARTER_H)
        if sum(hour in d for d in by_day[:n]) >= LEAST_REFERENCE - 2
    }
    compared = [i for i, d in enumerate(by_day) if usual.keys() & d.keys()]
    if len(compared) < LEAST_REFERENCE or compared[-1] < len(seen) - 2:
        return "it swings at other hours of the day than at first"
    seen, by_day = [seen[i] for i in compared], [by_day[i] for i in compared]
    n = sum(d.day < first[0].day + REFERENCE_DAYS for d in seen)
    both = [usual.keys() & d.keys() for d in by_day]
    log = np.array(
        [float(np.median([math.log(d[h][1] / usual[h][1]) for h in hs])) for d, hs in zip(by_day, both, strict=True)]
    )
    duty = np.array([float(np.median([x[0] for x in d.values()])) for d in by_day])
    reference = float(np.median([x[1] for x in usual.values()]))
    first_duty = float(np.median([usual[h][0] for hs in both[-LASTS_DAYS:] for h in hs]))
    sigma = max(1.4826 * float(np.median(np.abs(log[:n] - np.median(log[:n])))), LEAST_SD)
    low = cusum(log[n:], 0.0, sigma=sigma).low
    last = log[-LASTS_DAYS:]
    now, now_duty = float(np.median(last)), float(np.median([by_day[-i][h][0] for i in LAST for h in both[-i]]))
    least = needs(now_duty, now, first_duty)
    lasted = len(log) >= n + LASTS_DAYS and bool((last < -least / 2.0).all())
    weak = lasted and float(low[-1]) > 5.0 and now < -least
    idle = np.flatnonzero(low <= 0.0)
    since = seen[n + int(idle[-1])].day if len(idle) else seen[n - 1].day
    recent = [i for i, d in enumerate(seen) if d.day > seen[-1].day - TREND_DAYS]
    line = theil_sen([float(seen[i].day) for i in recent], [math.exp(float(log[i])) for i in recent])
    left = math.exp(now)
    most = float(np.median([max(x[0] for x in d.values()) for d in by_day[-LASTS_DAYS:]]))
    if now_duty >= OFTEN_ON and any(sum(h in d for d in by_day[-LASTS_DAYS:]) <= 1 for h in usual):
        # Hours that used to swing do no more: it is on all through them.
        most = 1.0
    full = None
    if line.high < 0.0 and line.slope < 0.0:
        full = max(left * (1.0 - most / FULL_DUTY), 0.0) / -line.slope
    return Wear(
        left * reference,
        reference,
        left,
        float(np.median(duty[-LASTS_DAYS:])),
        most,
        float(np.median(duty[:n])),
        line.slope,
        line.low,
        line.high,
        weak,
        since,
        full,
        len(seen),
    )


@dataclass(frozen=True, slots=True)
class HeaterNow:
    """A stack's heater at this moment, by one air probe: its wear, or why nothing is known of it (``untold``)."""

    stack: str
    probe: str = ""
    wear: Wear | None = None
    untold: str = ""
