"""From what a lot went through to when it will pip.

A :class:`History` is the lot's way so far, hour by hour, measured and filled. :func:`forecast_clutch` puts the
histories of a clutch's boxes and everything the keeper saw into the model of ``forecast.py`` and turns its answer
into dates by the temperature that is to be expected.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from monitor.core.climate.exposure import Exposure
from monitor.core.development.curves import RateCurve
from monitor.core.development.forecast import (
    BoxEvidence,
    ClutchForecast,
    ExpectedRates,
    PipInterval,
    Spread,
    Window,
    update,
    window,
)
from monitor.core.development.gaps import Filled, HourTable
from monitor.core.development.plans import LEAST_RATE, Plan
from monitor.core.development.sex import SexNow, sex_now
from monitor.core.development.species import Profile
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.formats import show_range, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import HOUR_MS
from monitor.errors import MonitorError

# The temperature to come is taken from so many last hours, whole days so that day and night weigh alike.
LOOK_BACK_H: Final = 72
# Least standard uncertainty of the temperature to come, in C: rooms are re-set, seasons turn. Judgement, no source.
LEAST_AHEAD_SD_C: Final = 0.2
SHORT_AHEAD_SD_C: Final = 0.5
MOST_AHEAD_SD_C: Final = 3.0
# The relative error of a curve inside its table, which the shared spread of a clutch has in it already
# (reference: leave-one-temperature-out errors of 3.5 to 4.6 % inside the tabulated range).
INSIDE_TABLE: Final = 0.04
# Standard uncertainty of how far eggs were when laid, as a part of what the keeper told. Judgement, no source: it comes
# from the stage of an opened egg or from relatives, and embryos of one stage differ.
DEVELOPED_SD: Final = 0.25


@dataclass(frozen=True)
class LotNow:
    """A lot at this moment.

    ``refused`` says why there is no forecast (then ``development`` may be None). ``window`` answers "when",
    given all looks; ``open_window`` leaves the lot's own silent looks out, because a window that moves on while
    one waits could never be past. ``remaining_days`` is the time to development 1 at the expected rate. Of
    ``uncertainty_c`` the part ``common_c`` is shared with all boxes whose probes are of the same ``session``.
    ``heat`` is how long the eggs were at or above ``heat_limit_c``, the highest temperature of their profile, by
    hourly means.
    """

    lot: Lot
    clutch: Clutch
    species: str
    counts: str = ""
    development: float | None = None
    degree_days: float | None = None
    base_c: float | None = None
    filled_share: float = 0.0
    filled_how: Mapping[str, float] = field(default_factory=dict)
    mean_c: float | None = None
    expected_c: float | None = None
    rate_per_day: float | None = None
    ahead: ExpectedRates | None = None
    window: Window | None = None
    open_window: Window | None = None
    remaining_days: float | None = None
    days_per_c: float | None = None
    uncertainty_c: float = 0.0
    compared: bool = False
    common_c: float = 0.0
    session: str = ""
    chance_only_late: float | None = None
    heat: Exposure | None = None
    heat_limit_c: float | None = None
    refused: str = ""
    notes: tuple[str, ...] = ()
    sex: SexNow | None = None
    no_sex: str = ""


@dataclass(frozen=True)
class History:
    """A lot's way, as arrays over its hours (the edges of a stay may be parts of hours).

    ``edge_ms`` has one more element than the rest: the moments between which the hours lie; ``cumulative`` and
    ``degree_days`` are sums from the beginning to each edge. ``temperature_c`` is the mean of each hour,
    NaN where nothing is known; ``weight_s`` how long each hour counts. ``developed`` is what the eggs had behind them
    when laid, with which ``cumulative`` begins. Of ``uncertainty_c`` the part ``common_c`` is shared with all boxes
    whose probes are of the same ``session``. ``box_c`` and ``box_s``, for eggs that were
    moved: the last hours of the box where they lie now, three days at least, and how long each was measured.
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
    uncertainty_c: float
    compared: bool
    now_ms: int
    notes: tuple[str, ...] = ()
    box_c: Values | None = None
    box_s: Values | None = None
    developed: float = 0.0
    common_c: float = 0.0
    session: str = ""

    @staticmethod
    def of(
        pieces: Sequence[tuple[HourTable, Filled, int]],
        *,
        now_ms: int,
        uncertainty_c: float,
        compared: bool,
        notes: tuple[str, ...] = (),
        box_c: Values | None = None,
        box_s: Values | None = None,
        developed: float = 0.0,
        common_c: float = 0.0,
        session: str = "",
    ) -> History:
        """From (hour table, filled, begin in ms) of each stay, in order."""
        edges: list[Times] = []
        development: list[Values] = []
        degree_days: list[Values] = []
        temperature: list[Values] = []
        weight: list[Values] = []
        how: dict[str, float] = {}
        unknown = variance = 0.0
        end = now_ms
        for table, filled, begin_ms in pieces:
            starts = (table.first_hour + np.arange(len(table))) * HOUR_MS
            starts[0] = begin_ms
            edges.append(starts)
            end = begin_ms + round(float(table.need_s.sum()) * 1000)
            development.append(filled.development)
            degree_days.append(filled.degree_days)
            temperature.append(filled.temperature_c)
            weight.append(table.need_s)
            for way, seconds in filled.how.items():
                how[way] = how.get(way, 0.0) + seconds
            unknown += float(np.sum(np.maximum(table.need_s - table.covered_s - filled.filled_s, 0.0)))
            variance += filled.development_sd**2
        if not pieces:
            empty = np.empty(0, np.float64)
            return History(
                np.array([now_ms]), np.full(1, developed), np.zeros(1), empty, empty, 0.0, 0.0, 0.0, {}, uncertainty_c,
                compared, now_ms, notes, developed=developed, common_c=common_c, session=session,
            )  # fmt: skip
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
            uncertainty_c=uncertainty_c,
            compared=compared,
            now_ms=now_ms,
            notes=notes,
            box_c=box_c,
            box_s=box_s,
            developed=developed,
            common_c=common_c,
            session=session,
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

    @property
    def mean_c(self) -> float | None:
        ok = ~np.isnan(self.temperature_c)
        total = float(self.weight_s[ok].sum())
        return float(self.temperature_c[ok] @ self.weight_s[ok]) / total if total > 0 else None

    @property
    def filled_share(self) -> float:
        total = float(self.weight_s.sum())
        return min((self.filled_s + self.unknown_s) / total, 1.0) if total > 0 else 0.0

    def ahead(self, curve: RateCurve) -> tuple[float, float, float] | None:
        """Expected temperature (C), its standard uncertainty, and expected rate per day.

        The mean of the last three days (the rate averaged over them, not the rate of
        the average). Its uncertainty is how much those days differ, and how far the box may wander until the
        end: daily means are taken as a random walk whose step is read off the box's own past, so the mean over
        the next H days departs from today's by sqrt(step variance x H / 3) (integral of a random walk).
        Eggs that were moved will be as warm as the box that they came to, not as the one that they left.
        """
        hourly_c, hourly_s = self.temperature_c, self.weight_s
        if self.box_c is not None and self.box_s is not None and not np.isnan(self.box_c).all():
            hourly_c, hourly_s = self.box_c, self.box_s
        ok = np.flatnonzero(~np.isnan(hourly_c))
        if not len(ok):
            return None
        t, w = hourly_c[ok[-LOOK_BACK_H:]], np.maximum(hourly_s[ok[-LOOK_BACK_H:]], 1.0)
        rate = float(curve.rate_per_day(t) @ w / w.sum())
        days = _daily_means(hourly_c[ok])
        last = days[-LOOK_BACK_H // 24 :]
        sd = max(float(np.std(last, ddof=1)), LEAST_AHEAD_SD_C) if len(last) > 1 else SHORT_AHEAD_SD_C
        remaining = max(1.0 - self.development, 0.0) / rate if rate > LEAST_RATE else 0.0
        sd = min(math.hypot(sd, math.sqrt(_step_variance(days) * remaining / 3.0)), MOST_AHEAD_SD_C)
        return float(t @ w / w.sum()), sd, rate


def _daily_means(hourly_c: Values) -> Values:
    """Means of whole days, counted back from the newest hour."""
    whole = len(hourly_c) // 24
    return hourly_c[len(hourly_c) - 24 * whole :].reshape(whole, 24).mean(axis=1) if whole else np.empty(0)


def _step_variance(days: Values) -> float:
    """Variance of a day's step of a random walk, C^2 per day: the structure function at the longest lag that the
    past can tell of, ten days at most."""
    lag = min(len(days) // 2, 10)
    return float(np.mean((days[lag:] - days[:-lag]) ** 2)) / lag if lag >= 2 else 0.0


def log_slope(curve: RateCurve, temperature_c: float) -> float:
    """d ln r / dT at a temperature, per C; 0 where the curve has no rate."""
    low, high = curve.rate_per_day(np.array([temperature_c - 0.25, temperature_c + 0.25]))
    return float(math.log(high / low) / 0.5) if low > 0 and high > 0 else 0.0


def forecast_clutch(
    clutch: Clutch,
    lots: Sequence[Lot],
    histories: Mapping[str, History],
    profile: Profile,
    curve: RateCurve,
    now_ms: int,
    plan: Plan | None = None,
    unit: DisplayUnit = "C",
) -> list[LotNow]:
    """Development and windows of all lots of a clutch together, so that what one box did tells of the other.

    ``unit`` is that of the texts.
    """
    plain = {lot.id: _plain(clutch, lot, histories[lot.id], profile, curve, plan, unit) for lot in lots}
    # What the model refuses of one clutch must not keep the round from looking at everything else.
    try:
        evidence = {
            lot.id: found
            for lot in lots
            if plain[lot.id].development is not None
            and (found := evidence_of(lot, histories[lot.id], curve, plain[lot.id].expected_c)) is not None
        }
        if not evidence:
            return list(plain.values())
        spread = _spread(profile, curve, [histories[i] for i in evidence])
        everything = update(list(evidence.values()), spread)
        result = []
        for lot in lots:
            now = plain[lot.id]
            if lot.id in evidence and now.ahead is not None and now.development is not None and lot.open:
                now = _windows(lot, now, everything, evidence, spread, now_ms)
            result.append(now)
    except MonitorError as error:
        return [replace(x, refused=x.refused or error.what) for x in plain.values()]
    return result


def _plain(
    clutch: Clutch,
    lot: Lot,
    history: History,
    profile: Profile,
    curve: RateCurve,
    plan: Plan | None,
    unit: DisplayUnit,
) -> LotNow:
    """Everything about a lot that needs no sibling."""
    base = LotNow(lot, clutch, clutch.species, counts=profile.counts, notes=history.notes)
    if not history.known:
        return replace(base, refused=f"no reading of box {lot.box} is there yet")
    past = min(history.development_sd / max(history.development, 1e-3), 0.5)
    rates: ExpectedRates | None = None
    if plan is not None:
        expected_c, rates = plan.rates(curve, history.now_ms, unit)
        rates = replace(rates, past_sd_log=past)
        rate = rates.rate_per_day
    else:
        ahead = history.ahead(curve)
        assert ahead is not None
        expected_c, sd_c, rate = ahead
        if rate >= LEAST_RATE:
            relative = min(abs(log_slope(curve, expected_c)) * sd_c, 0.5)
            rates = ExpectedRates(rate, rate_sd_relative=relative, past_sd_log=past)
    slope = log_slope(curve, expected_c)
    notes = list(history.notes)
    low, high = curve.low_c, curve.high_c
    outside = [t for t in (history.mean_c, expected_c) if t is not None and not low <= t <= high]
    if outside:
        notes.append(
            f"{show_temperature(outside[0], unit)} lies outside the published table ({show_range(low, high, unit)}): "
            "the window is wider"
        )
    if history.developed:
        more = DEVELOPED_SD * history.developed
        notes.append(
            f"told to be {100 * history.developed:.0f} % developed when laid; taken as good to ± {100 * more:.0f} % "
            "(a quarter of it, by judgement)"
        )
    sexes, no_sex = sex_now(profile.sex, history.cumulative, history.temperature_c, history.uncertainty_c)
    return replace(
        base,
        sex=sexes,
        no_sex=no_sex,
        development=history.development,
        degree_days=float(history.degree_days[-1]),
        base_c=curve.base_c,
        filled_share=history.filled_share,
        filled_how=history.how,
        mean_c=history.mean_c,
        expected_c=expected_c,
        rate_per_day=rate,
        ahead=rates,
        remaining_days=rates.days_to(max(1.0 - history.development, 0.0)) if rates else None,
        days_per_c=(1.0 / rate) * slope if rates else None,
        uncertainty_c=history.uncertainty_c,
        compared=history.compared,
        common_c=history.common_c,
        session=history.session,
        refused=""
        if rates
        else f"at {show_temperature(expected_c, unit)} eggs of this species do not develop: no date can be given",
        notes=tuple(notes),
    )


def evidence_of(lot: Lot, history: History, curve: RateCurve, expected_c: float | None = None) -> BoxEvidence | None:
    """What was seen of a lot, as measured development by this curve; None where nothing is left to wait for.

    ``expected_c`` stands in for the mean temperature where none was measured.
    """
    eggs = lot.waiting + lot.pipped
    if eggs < 1:
        return None
    mean = history.mean_c if history.mean_c is not None else expected_c
    assert mean is not None
    pips = []
    for pip in lot.pips:
        by = max(history.development_at(pip.by_ms), 1e-6)
        after = min(history.development_at(pip.after_ms), by) if pip.after_ms is not None else 0.0
        pips.append(PipInterval(after, by, pip.count))
    looked = history.development_at(lot.looked_ms) if lot.looked_ms is not None else 0.0
    # What was before the laying no probe measured wrongly.
    per_c = abs(log_slope(curve, mean)) * (1.0 - history.developed)
    bias = min(per_c * history.uncertainty_c, 0.3)
    return BoxEvidence(
        box=lot.id,
        eggs=eggs,
        sigma_bias=bias,
        pipped=tuple(pips),
        none_by=looked,
        sigma_common=min(per_c * history.common_c, bias),
        session=history.session,
    )


def _spread(profile: Profile, curve: RateCurve, histories: Sequence[History]) -> Spread:
    """The profile's spread, with the curve's own error where it is asked outside its table, and that of a start.

    An error of the development when laid is shared by all boxes of a clutch, so a pip in one corrects it in all.
    """
    t = np.concatenate([h.temperature_c for h in histories])
    t = t[~np.isnan(t)]
    relative = float(np.mean(curve.rate_sd_relative(t))) if len(t) else INSIDE_TABLE
    more = max(relative**2 - INSIDE_TABLE**2, 0.0)
    start = (DEVELOPED_SD * max(h.developed for h in histories)) ** 2
    shared = profile.spread.shared**2 + more + start
    return Spread(
        sigma_m=min(math.sqrt(shared), 0.2),
        scale_egg=max(profile.spread.egg, 0.002),
        scale_box=profile.spread.box,
        curve_share=Spread().curve_share * (1.0 - start / shared),
        start_share=start / shared,
    )


def _windows(
    lot: Lot,
    now: LotNow,
    everything: ClutchForecast,
    evidence: Mapping[str, BoxEvidence],
    spread: Spread,
    now_ms: int,
) -> LotNow:
    assert now.ahead is not None
    assert now.development is not None

    def first(forecast: ClutchForecast) -> Window:
        assert now.ahead is not None
        assert now.development is not None
        return window(
            forecast, lot.id, development_now=now.development, now_ms=now_ms, ahead=now.ahead, k=1,
            probabilities=(0.05, 0.1, 0.5, 0.9, 0.95),
        )  # fmt: skip

    own = evidence[lot.id]
    found = first(everything)
    if own.none_by > 0.0 and not own.pipped:
        blind = replace(own, none_by=0.0)
        unseen = first(update([blind if k == lot.id else e for k, e in evidence.items()], spread))
    else:
        unseen = found
    if own.pipped:
        # What was seen is known better than any rate says: the time between the two looks.
        seen = lot.pips[0]
        found = _clamped(found, seen.after_ms if seen.after_ms is not None else found.p10_ms, seen.by_ms)
    chance = everything.chance_only_late(lot.id) if own.rest else None
    return replace(now, window=found, open_window=unseen, chance_only_late=chance)


def _clamped(found: Window, after_ms: int, by_ms: int) -> Window:
    def inside(at_ms: int) -> int:
        return min(max(at_ms, min(after_ms, by_ms)), by_ms)

    return Window(
        inside(found.p10_ms),
        inside(found.p50_ms),
        inside(found.p90_ms),
        found.probabilities,
        tuple(inside(t) for t in found.times_ms),
        overdue=False,
        causes=found.causes,
    )
