"""A lot's way so far, hour by hour, measured and filled, and what that way says of the days to come."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.curves import RateCurve
from monitor.core.development.gaps import MOST_OPEN_DAYS, Filled, HourTable, around, fill
from monitor.core.development.plans import LEAST_RATE
from monitor.core.development.to_come import AHEAD_DAYS, to_come
from monitor.core.development.window import ExpectedRates
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass

# The temperature now is taken from so many last hours, whole days so that day and night weigh alike.
LOOK_BACK_H: Final = 72
# Of so many last days the way is told by quarter days.
CLOSE_DAYS: Final = 21
# Most relative standard uncertainty of the rate to come: beyond, a log-normal factor means little.
MOST_RATE_SD: Final = 0.5


def measured(table: HourTable) -> NDArray[np.bool_]:
    """Hours of which a minute at least was measured; less says nothing of an hour."""
    return table.covered_s >= 60.0


@dataclass(frozen=True)
class StayTable:
    """A stay in one box, hour by hour as it was measured, from ``from_ms`` on; ``beside``: hourly means of neighbours,
    where a long gap needs them."""

    table: HourTable
    beside: tuple[HourTable, ...]
    from_ms: int

    @property
    def known(self) -> NDArray[np.bool_]:
        return measured(self.table)


@dataclass(frozen=True)
class Way:
    """All that was gathered of a lot's way, with nothing filled yet.

    ``before_c``: mean of the first box before the eggs came, only where nothing was measured since; ``last``: the last
    hours of the box where moved eggs lie now, three days at least. The rest as in :class:`History`.
    """

    stays: tuple[StayTable, ...]
    now_ms: int
    error: ProbesError
    compared: bool
    notes: tuple[str, ...] = ()
    before_c: float | None = None
    last: HourTable | None = None
    developed: float = 0.0

    def filled(self, curve: RateCurve) -> list[Filled]:
        """Each stay with its gaps filled.

        Where nothing is known of a whole stay the eggs did not stand still: the mean of all that is known of the others
        serves; and where nothing is known at all, as when they were set with the probe dead already, the box was about
        as warm as before, or else as its stack. After the newest reading so many days are filled and no more.
        """
        until = [self._filled_until(s) for s in self.stays]
        filled = [fill(s.table, curve, s.beside, until_hour=u) for s, u in zip(self.stays, until, strict=True)]
        middle_c = self._middle_c(filled)
        if middle_c is None:
            around_c = [around(s.table, s.beside) for s in self.stays]
            return [fill(s.table, curve, s.beside, a, u) for s, a, u in zip(self.stays, around_c, until, strict=True)]
        return [
            fill(s.table, curve, s.beside, middle_c, u) if np.isnan(f.temperature_c).all() else f
            for s, f, u in zip(self.stays, filled, until, strict=True)
        ]

    @property
    def silent_since_ms(self) -> int | None:
        """Since when nothing was measured, where that is so long ago that it is filled no more; None: it is not."""
        over = bool(self.stays) and self.now_ms > self._filled_until(self.stays[-1]) * HOUR_MS
        return self.measured_until_ms if over else None

    def _filled_until(self, stay: StayTable) -> int:
        """The hour, counted since 1970, up to which a stay is filled: so many days after something was measured of the
        eggs, or beside them."""
        ends = [t.first_hour + int(np.flatnonzero(k)[-1]) + 1 for t in stay.beside if (k := measured(t)).any()]
        return max([self.measured_until_ms // HOUR_MS, *ends]) + 24 * MOST_OPEN_DAYS

    @property
    def measured_until_ms(self) -> int:
        """The end of the last hour of which something was measured in a box of theirs; else when their way began."""
        ends = [
            (s.table.first_hour + int(np.flatnonzero(s.known)[-1]) + 1) * HOUR_MS for s in self.stays if s.known.any()
        ]
        begun_ms = self.stays[0].from_ms if self.stays else self.now_ms
        return min(max(ends, default=begun_ms), self.now_ms)

    def _middle_c(self, filled: Sequence[Filled]) -> float | None:
        integral_c_s = seconds = 0.0
        for stay, found in zip(self.stays, filled, strict=True):
            known = ~np.isnan(found.temperature_c)
            integral_c_s += float(found.temperature_c[known] @ stay.table.need_s[known])
            seconds += float(stay.table.need_s[known].sum())
        return integral_c_s / seconds if seconds > 0.0 else self.before_c


@dataclass(frozen=True)
class Prospect:
    """What a lot may expect: mean temperature until development 1 with its standard uncertainty (C), the rate per day
    now, and the way there; ``rates`` is None where eggs do not develop as warm as it is now."""

    temperature_c: float
    sd_c: float
    rate_per_day: float
    rates: ExpectedRates | None = None


@dataclass(frozen=True)
class History:
    """A lot's way, as arrays over its hours (the edges of a stay may be parts of hours).

    ``edge_ms`` has one more element than the rest: the moments between which the hours lie; ``cumulative`` and
    ``degree_days`` are sums from the beginning to each edge. ``temperature_c`` is the mean of each hour,
    NaN where nothing is known; ``weight_s`` how long each hour counts. ``developed`` is what the eggs had behind them
    when laid, with which ``cumulative`` begins. ``error`` is that of the probes behind it all, ``compared``
    whether each of them was. ``box_c`` and ``box_s``, for eggs that were moved: the last hours of the box where they
    lie now, three days at least, and how long each was measured. ``silent_since_ms``: since when nothing was measured,
    where that is so long ago that the time since is filled no more.
    """

    edge_ms: Times
    cumulative: Values
    degree_days: Values
    temperature_c: Values
    weight_s: Values
    filled_s: float
    unknown_s: float
    development_sd: float
    how: Mapping[str, float]
    error: ProbesError
    compared: bool
    now_ms: int
    notes: tuple[str, ...] = ()
    box_c: Values | None = None
    box_s: Values | None = None
    developed: float = 0.0
    silent_since_ms: int | None = None

    @staticmethod
    def of(way: Way, curve: RateCurve) -> History:
        """From what was gathered of a lot's way."""
        edges: list[Times] = []
        development: list[Values] = []
        degree_days: list[Values] = []
        temperature: list[Values] = []
        weight: list[Values] = []
        how: dict[str, float] = {}
        unknown = variance = 0.0
        end, developed = way.now_ms, way.developed
        for stay, filled in zip(way.stays, way.filled(curve), strict=True):
            table = stay.table
            begin_ms = max(stay.from_ms, table.first_hour * HOUR_MS)
            starts = (table.first_hour + np.arange(len(table))) * HOUR_MS
            starts[0] = begin_ms
            edges.append(starts)
            end = begin_ms + round(float(table.need_s.sum()) * 1000)
            development.append(filled.development)
            degree_days.append(filled.degree_days)
            temperature.append(filled.temperature_c)
            weight.append(table.need_s)
            for how_filled, seconds in filled.how.items():
                how[how_filled] = how.get(how_filled, 0.0) + seconds
            unknown += float(np.sum(np.maximum(table.need_s - table.covered_s - filled.filled_s, 0.0)))
            variance += filled.development_sd**2
        if not way.stays:
            empty = np.empty(0, np.float64)
            return History(
                np.array([end]), np.full(1, developed), np.zeros(1), empty, empty, 0.0, 0.0, 0.0, {}, way.error,
                way.compared, end, way.notes, developed=developed,
            )  # fmt: skip
        last = way.last
        return History(
            edge_ms=np.append(np.concatenate(edges), end),
            cumulative=developed + np.concatenate(([0.0], np.cumsum(np.concatenate(development)))),
            degree_days=np.concatenate(([0.0], np.cumsum(np.concatenate(degree_days)))),
            temperature_c=np.concatenate(temperature),
            weight_s=np.concatenate(weight),
            filled_s=sum(how.values()),
            unknown_s=unknown if unknown > 60.0 else 0.0,
            development_sd=math.sqrt(variance),
            how=how,
            error=way.error,
            compared=way.compared,
            now_ms=way.now_ms,
            notes=way.notes,
            box_c=None if last is None else np.where(measured(last), last.mean_c, np.nan),
            box_s=None if last is None else last.covered_s,
            developed=developed,
            silent_since_ms=way.silent_since_ms,
        )

    @property
    def development(self) -> float:
        return float(self.cumulative[-1])

    @property
    def known(self) -> bool:
        """Whether there is any temperature at all."""
        return bool(np.any(~np.isnan(self.temperature_c)))

    def development_at(self, at_ms: int) -> float:
        """Measured development at a moment: within an hour the rate is taken as constant."""
        return float(np.interp(at_ms, self.edge_ms, self.cumulative))

    def behind(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Days before now and what was gained by then, less what has been by now; both negative, from the beginning on,
        as :class:`ExpectedRates` takes them: by quarter days in the last weeks, by days before."""
        back = len(self.edge_ms) - 1 - np.arange(len(self.edge_ms))
        kept = (back % 24 == 0) | ((back % 6 == 0) & (back <= 24 * CLOSE_DAYS)) | (back == len(back) - 1)
        days, first = np.unique((self.edge_ms[kept] - self.now_ms) / DAY_MS, return_index=True)
        gains = (self.cumulative[kept] - self.cumulative[-1])[first]
        past = days < 0.0
        return tuple(days[past].tolist()), tuple(gains[past].tolist())

    @property
    def mean_c(self) -> float | None:
        ok = ~np.isnan(self.temperature_c)
        total = float(self.weight_s[ok].sum())
        return float(self.temperature_c[ok] @ self.weight_s[ok]) / total if total > 0 else None

    @property
    def filled_share(self) -> float:
        total = float(self.weight_s.sum())
        return min((self.filled_s + self.unknown_s) / total, 1.0) if total > 0 else 0.0

    def ahead(self, curve: RateCurve, *, sure: bool = True) -> Prospect | None:
        """What the place where the eggs lie has in store for them, by its own past (see ``to_come.py``).

        Hour by hour it is as in its last three days, warmer or cooler by as much as its daily means are expected to go
        on; the rate is the mean of the rates of those hours, not the rate of their mean. Its uncertainty is that of the
        mean temperature until development 1. Eggs that were moved will be as warm as the box that they came to, not
        as the one that they left. Not ``sure``: without how sure the rate is, where no window rests on it.
        """
        hourly_c, hourly_s = self.temperature_c, self.weight_s
        if self.box_c is not None and self.box_s is not None and not np.isnan(self.box_c).all():
            hourly_c, hourly_s = self.box_c, self.box_s
        ok = np.flatnonzero(~np.isnan(hourly_c))
        if not len(ok):
            return None
        t, w = hourly_c[ok[-LOOK_BACK_H:]], np.maximum(hourly_s[ok[-LOOK_BACK_H:]], 1.0)
        coming = to_come(_daily_means(hourly_c[ok]))

        def gains(more_c: float) -> Values:
            """Development gained by each of ``AHEAD_DAYS`` if it is so much warmer than expected."""
            rate = (curve.rate_per_day(t + (coming.drift_c + more_c)[:, None]) * w).sum(axis=1) / w.sum()
            return np.append(0.0, np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(AHEAD_DAYS)))

        rate = float(curve.rate_per_day(t + coming.drift_c[0]) @ w / w.sum())
        level_c, left, gain = float(t @ w / w.sum()), max(1.0 - self.development, 0.0), gains(0.0)
        if rate < LEAST_RATE:
            return Prospect(level_c, coming.sd_c(0.0), rate)
        rates = ExpectedRates(
            rate, days_ahead=tuple(AHEAD_DAYS[1:].tolist()), development_ahead=tuple(gain[1:].tolist())
        )
        days = max(rates.days_to(left), 1.0)
        sd_c = coming.sd_c(days)
        if not sure:
            return Prospect(level_c + coming.mean_drift_c(days), sd_c, rate, rates)
        cooler, warmer = (float(np.interp(days, AHEAD_DAYS, gains(more_c))) for more_c in (-sd_c, sd_c))
        relative = min(0.5 * math.log(warmer / cooler), MOST_RATE_SD) if cooler > 0.0 else MOST_RATE_SD
        return Prospect(level_c + coming.mean_drift_c(days), sd_c, rate, replace(rates, rate_sd_relative=relative))


def _daily_means(hourly_c: Values) -> Values:
    """Means of whole days, counted back from the newest hour."""
    whole = len(hourly_c) // 24
    return hourly_c[len(hourly_c) - 24 * whole :].reshape(whole, 24).mean(axis=1) if whole else np.empty(0)


def log_slope(curve: RateCurve, temperature_c: float) -> float:
    """d ln r / dT at a temperature, per C; 0 where the curve has no rate."""
    low, high = curve.rate_per_day(np.array([temperature_c - 0.25, temperature_c + 0.25]))
    return float(math.log(high / low) / 0.5) if low > 0 and high > 0 else 0.0
