"""From what a lot went through to when it will pip.

:func:`forecast_clutch` goes one way: first what each lot went through, what it may expect and what was seen of it is
gathered from its :class:`~monitor.core.development.history.History`; then all that was seen of the clutch goes into the
model of ``forecast.py`` together; then the model's answer is turned into dates, lot by lot.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import field, replace
from datetime import UTC, tzinfo
from typing import Final, Literal

import numpy as np

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.climate.exposure import Exposure, hourly_exposure
from monitor.core.development.curves import RateCurve
from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread, curve_share
from monitor.core.development.forecast import ClutchForecast, update
from monitor.core.development.history import History, log_slope
from monitor.core.development.plans import Plan
from monitor.core.development.pooling import left_c
from monitor.core.development.sex import SexNow, sex_now
from monitor.core.development.species import Grade, Profile
from monitor.core.development.survival import FAR_BELOW_C, Survival, after_strain, hot_hours
from monitor.core.development.window import ExpectedRates, Window, window
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.formats import show_day, show_range, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.errors import MonitorError
from monitor.values import dataclass

# The relative error of a curve inside its table, which the shared spread of a clutch has in it already
# (reference: leave-one-temperature-out errors of 3.5 to 4.6 % inside the tabulated range).
INSIDE_TABLE: Final = 0.04
# Standard uncertainty of how far eggs were when laid, as a part of what the keeper told. Judgement, no source: it comes
# from the stage of an opened egg or from relatives, and embryos of one stage differ.
DEVELOPED_SD: Final = 0.25
# Whatever was learned, eggs of one clutch share something (log scale).
LEAST_SHARED: Final = 0.01
# An egg that is seen pipped, or its hatchling out of it, pipped within so long before: common practice, no source. Only
# where no look before is told: then nobody would know more.
PIPPED_UNSEEN_MS: Final = 3 * DAY_MS
# No table is so wrong that eggs pip at this share of its days: then a date was mistyped, or the species is another.
# Judgement, no source.
EARLIEST_PIP: Final = 0.5
# No egg takes twice its time: what is still open then was forgotten. Judgement, no source.
LONG_OVER: Final = 2.0
# Of the living boxes this share has pipped by the date until which one waits.
WAIT_UNTIL: Final = 0.99


@dataclass(frozen=True)
class Past:
    """What a lot went through.

    ``degree_days`` above ``base_c``; ``mean_c`` over the time that is known. ``filled_how`` has the seconds that were
    filled, by the way in which. ``error`` is that of the probes behind it, ``compared`` whether each of them was.
    """

    development: float
    degree_days: float = 0.0
    base_c: float = 0.0
    mean_c: float | None = None
    filled_share: float = 0.0
    filled_how: Mapping[str, float] = field(default_factory=dict)
    error: ProbesError = field(default_factory=lambda: ProbesError(0.0))
    compared: bool = False


@dataclass(frozen=True)
class Ahead:
    """What a lot may expect: its temperature and its rate there.

    Both are means until development 1 (of a plan: its mean, and the rate it ends with). ``remaining_days`` is the time
    until then, ``days_per_c`` by how many days a whole incubation would be shorter one degree warmer. All three of
    ``rates``, ``remaining_days`` and ``days_per_c`` are None where eggs do not develop at such a temperature.
    """

    temperature_c: float
    rate_per_day: float
    rates: ExpectedRates | None = None
    remaining_days: float | None = None
    days_per_c: float | None = None

    @property
    def slope_per_c(self) -> float:
        """d ln r / dT at the temperature to come."""
        return (self.days_per_c or 0.0) * self.rate_per_day


@dataclass(frozen=True)
class Silence:
    """Of the eggs of a lot that lie still.

    ``chance``: that one of them at least lives and is only late; ``each``: that any one of them does.
    ``wait_until_ms``: by then 99 of 100 living boxes (of one that has pipped: 99 of 100 living eggs) would have pipped,
    by all that is known without the silence itself, so that it does not move while one waits. ``rest``: when one of
    them that lives is expected, where others have pipped, and ``rest_by_ms`` by when nine of ten of them would have
    been, without the silence; None before the first has.
    """

    chance: float
    each: float
    wait_until_ms: int
    rest: Window | None = None
    rest_by_ms: int | None = None


@dataclass(frozen=True)
class FirstPip:
    """``window`` answers "when", given all looks; ``open_window`` leaves the lot's own silent looks out, because a
    window that moves on while one waits could never be past. ``silence`` is None where no egg is left, or where the
    window alone was asked for."""

    window: Window
    open_window: Window
    silence: Silence | None = None


@dataclass(frozen=True)
class Heat:
    """How long eggs were at or above the highest temperature of their profile, by hourly means."""

    limit_c: float
    exposure: Exposure


@dataclass(frozen=True)
class LotNow:
    """A lot at this moment.

    ``past`` and ``ahead`` are None where nothing was measured, ``first_pip`` where there is no date; ``refused`` says
    why. ``still_open`` says of what should have come to an end long ago, or of which nothing is measured any more, that
    nobody told what happened; in the second case there is no date either. ``heat`` is None where the profile has no
    highest temperature.
    """

    lot: Lot
    clutch: Clutch
    counts: str = ""
    grade: Grade = "none"
    past: Past | None = None
    ahead: Ahead | None = None
    first_pip: FirstPip | None = None
    heat: Heat | None = None
    sex: SexNow | None = None
    no_sex: str = ""
    refused: str = ""
    notes: tuple[str, ...] = ()
    still_open: str = ""
    venomous: bool = False


def forecast_clutch(
    clutch: Clutch,
    lots: Sequence[Lot],
    histories: Mapping[str, History],
    profile: Profile,
    curve: RateCurve,
    now_ms: int,
    plan: Plan | None = None,
    unit: DisplayUnit = "C",
    zone: tzinfo = UTC,
    asked: Collection[str] | None = None,
) -> list[LotNow]:
    """Development and windows of all lots of a clutch together, so that what one box did tells of the other.

    ``unit`` and ``zone`` are those of the texts. ``asked``: of which lots the window is asked, and nothing of what
    lies still; None: all of all.
    """
    found = [
        _gathered(clutch, lot, histories[lot.id], profile, curve, plan, unit, sure=asked is None or lot.id in asked)
        for lot in lots
    ]
    found = [_told_if_open(x, histories[x.lot.id], zone) for x in found]
    # What the model refuses of one clutch must not keep the round from looking at everything else.
    try:
        pips = _first_pips(found, histories, profile, curve, now_ms, asked)
    except MonitorError as error:
        return [replace(x, refused=x.refused or error.what) for x in found]
    return [replace(x, first_pip=pips.get(x.lot.id)) for x in found]


def _told_if_open(found: LotNow, history: History, zone: tzinfo) -> LotNow:
    """With what is to be said of eggs that nobody has finished."""
    if not found.lot.open or not found.lot.eggs or found.past is None:
        return found
    if history.silent_since_ms is not None:
        since = show_day(history.silent_since_ms, zone)
        said = f"still open: no readings since {since}; finish it or say what happened"
        return replace(found, refused=found.refused or said, still_open=said)
    if history.development > LONG_OVER:
        said = "still open at more than twice its time; finish it or say what happened"
        return replace(found, still_open=said)
    return found


# -- what each lot tells by itself ------------------------------------------------------------------------------------


def _gathered(
    clutch: Clutch,
    lot: Lot,
    history: History,
    profile: Profile,
    curve: RateCurve,
    plan: Plan | None,
    unit: DisplayUnit,
    *,
    sure: bool = True,
) -> LotNow:
    """Everything about a lot that needs no sibling. Not ``sure``: no window of it is asked."""
    limit_c = profile.high_limit_c
    heat = None
    if limit_c is not None:
        heat = Heat(limit_c, hourly_exposure(history.temperature_c, history.weight_s, limit_c))
    base = LotNow(lot, clutch, profile.counts, profile.grade, heat=heat, notes=history.notes, venomous=profile.venomous)
    if not history.known:
        return replace(base, refused=f"no reading of box {lot.box} is there yet")
    past = Past(
        history.development,
        float(history.degree_days[-1]),
        curve.base_c,
        history.mean_c,
        history.filled_share,
        history.how,
        history.error,
        history.compared,
    )
    ahead = _ahead(history, curve, plan, unit, sure=sure)
    sexes, no_sex = sex_now(profile.sex, history.cumulative, history.temperature_c, history.error.total_c)
    refused = _odd_pip(lot, history)
    if ahead.rates is None:
        warm = show_temperature(ahead.temperature_c, unit)
        refused = f"at {warm} eggs of this species hardly develop: no date can be given"
    return replace(
        base,
        past=past,
        ahead=ahead,
        sex=sexes,
        no_sex=no_sex,
        refused=refused,
        notes=(*history.notes, *_cautions(history, profile, curve, ahead.temperature_c, unit)),
    )


def _ahead(history: History, curve: RateCurve, plan: Plan | None, unit: DisplayUnit, *, sure: bool = True) -> Ahead:
    """By the plan, or by what the box's last days say."""
    filled_sd = min(history.development_sd / max(history.development, 1e-3), 0.5)
    if plan is not None:
        temperature_c, planned = plan.rates(curve, history.now_ms, unit)
        rates = planned
    else:
        expected = history.ahead(curve, sure=sure)
        assert expected is not None
        temperature_c = expected.temperature_c
        if expected.rates is None:
            return Ahead(temperature_c, expected.rate_per_day)
        rates = expected.rates
    before, gained = history.behind()
    rates = replace(rates, past_sd_log=filled_sd, days_before=before, development_before=gained)
    left = max(1.0 - history.development, 0.0)
    days = rates.days_to(left)
    rate = left / days if plan is None and days > 0.0 else rates.rate_per_day
    return Ahead(
        temperature_c, rate, rates, remaining_days=days, days_per_c=(1.0 / rate) * log_slope(curve, temperature_c)
    )


def _cautions(history: History, profile: Profile, curve: RateCurve, expected_c: float, unit: DisplayUnit) -> list[str]:
    notes = [profile.caution] if profile.caution else []
    low, high = curve.low_c, curve.high_c
    outside = [t for t in (history.mean_c, expected_c) if t is not None and not low <= t <= high]
    if outside:
        told_of = f"{'its figures' if profile.caution else 'the published table'} ({show_range(low, high, unit)})"
        notes.append(f"{show_temperature(outside[0], unit)} lies outside {told_of}: the window is wider")
    if history.developed:
        more = DEVELOPED_SD * history.developed
        notes.append(
            f"told to be {100 * history.developed:.0f} % developed when laid; taken as good to ± {100 * more:.0f} % "
            "(a quarter of it, by judgement)"
        )
    return notes


def probes_of(lot: Lot, error: ProbesError) -> str:
    """The probes that measured all of a lot's way; "" for eggs that were moved, whose way was measured by several."""
    return error.probes if len({stay.box for stay in lot.path}) == 1 else ""


def evidence_of(
    lot: Lot,
    history: History,
    curve: RateCurve,
    expected_c: float | None = None,
    learned_c: float | None = None,
    box_fails: float | None = None,
) -> BoxEvidence | None:
    """What was seen of a lot, as measured development by this curve; None where nothing is left to wait for.

    ``expected_c`` stands in for the mean temperature where none was measured. ``learned_c``: what its probes may still
    be off by (C) where the table was learned with them. ``box_fails``: the chance that its box failed as a whole, None:
    as any.
    """
    eggs = lot.waiting + lot.pipped
    if eggs < 1:
        return None
    mean = history.mean_c if history.mean_c is not None else expected_c
    assert mean is not None
    pips = []
    for pip in lot.pips:
        by = max(history.development_at(pip.by_ms), 1e-6)
        # Nobody told of a look before: what is seen pipped or out then pipped not long ago.
        after_ms = pip.by_ms - PIPPED_UNSEEN_MS if pip.after_ms is None else pip.after_ms
        pips.append(PipInterval(min(history.development_at(after_ms), by), by, pip.count))
    looked = history.development_at(lot.looked_ms) if lot.looked_ms is not None else 0.0
    # What was before the laying no probe measured wrongly.
    per_c = abs(log_slope(curve, mean)) * (1.0 - history.developed)
    bias = min(per_c * (history.error.total_c if learned_c is None else learned_c), 0.3)
    return BoxEvidence(
        box=lot.id,
        eggs=eggs,
        sigma_bias=bias,
        pipped=tuple(pips),
        none_by=looked,
        sigma_common=min(per_c * history.error.common_c, bias),
        session=history.error.session,
        alive=_alive(lot, history),
        dead=lot.failed,
        box_fails=box_fails,
    )


def _odd_pip(lot: Lot, history: History) -> str:
    """Why eggs cannot have pipped when they are told to have; empty where they can, or where their way is not known.
    Such a pip tells nothing: neither of the other eggs nor of another box."""
    first_ms = min((pip.by_ms for pip in lot.pips), default=0)
    before = history.edge_ms[1:] <= first_ms
    unknown_s = float(history.weight_s[before & np.isnan(history.temperature_c)].sum())
    if not lot.pips or unknown_s > 0.05 * float(history.weight_s[before].sum()):
        return ""
    share = history.development_at(first_ms)
    if share >= EARLIEST_PIP:
        return ""
    return (
        f"it is told to have pipped at {100 * share:.0f} % of its development, too early for any egg: check that "
        f"entry's date, the day of laying and the species (warmtally clutch show {lot.clutch})"
    )


def _alive(lot: Lot, history: History) -> tuple[tuple[float, int], ...]:
    """Of the eggs that wait, how many were last seen alive at which development: each once, the newest look first."""
    found: list[tuple[float, int]] = []
    for seen in sorted(lot.alive, key=lambda s: -s.at_ms):
        more = min(seen.count, lot.waiting) - sum(n for _, n in found)
        if more > 0:
            found.append((max(history.development_at(seen.at_ms), 0.0), more))
    return tuple(found)


def _box_fails(history: History, profile: Profile) -> float:
    """The chance that the box failed as a whole, by what it went through."""
    hours, t = history.weight_s / 3600.0, history.temperature_c
    high, low = profile.high_limit_c, profile.low_limit_c
    known = ~np.isnan(t)
    hot = 0.0 if high is None else hot_hours(t[known] - high, hours[known])
    cold = 0.0 if low is None else float(hours[t <= low - FAR_BELOW_C].sum())
    unknown = history.unknown_s + sum(s for how, s in history.how.items() if how != "line")
    return after_strain(Survival(), hot, cold, unknown / 3600.0)


# -- what they tell together ------------------------------------------------------------------------------------------


def _first_pips(
    lots: Sequence[LotNow],
    histories: Mapping[str, History],
    profile: Profile,
    curve: RateCurve,
    now_ms: int,
    asked: Collection[str] | None = None,
) -> dict[str, FirstPip]:
    """First pips by lot, of those asked that still wait for something and have a rate to come.

    What a learned table has in it of its probes' error is taken from the box where one probe measured all, and
    otherwise from what the boxes share: between boxes behind different probes the difference stays as unsure as it is.
    """
    measured = [now for now in lots if now.ahead is not None]
    together = len({probes_of(now.lot, histories[now.lot.id].error) for now in measured}) == 1
    evidence = {}
    for now in lots:
        history = histories[now.lot.id]
        if now.ahead is not None and not _odd_pip(now.lot, history):
            learned_c = _left_c(now.lot, history, profile) if together else None
            fails = _box_fails(history, profile)
            seen = evidence_of(now.lot, history, curve, now.ahead.temperature_c, learned_c, fails)
            if seen is not None:
                evidence[now.lot.id] = seen
    if not evidence:
        return {}
    ahead_c = {now.lot.id: now.ahead.temperature_c for now in measured if now.ahead}
    spread = _spread(profile, curve, [histories[i] for i in evidence], [ahead_c[i] for i in evidence])
    if not together:
        known = [now for now in measured if now.lot.id in evidence]
        spread = _less(spread, [_known(now.lot, histories[now.lot.id], profile, curve) for now in known])
    everything = update(list(evidence.values()), spread)
    unseen = None
    if asked is None:
        bare = [seen.without_looks() for seen in evidence.values()]
        unseen = everything if bare == list(evidence.values()) else update(bare, spread)
    return {
        now.lot.id: _first_pip(now.lot, now.past.development, now.ahead.rates, everything, unseen, now_ms)
        for now in lots
        if (asked is None or now.lot.id in asked)
        and now.lot.id in evidence
        and (now.lot.open or now.lot.pips)
        and now.past
        and now.ahead
        and now.ahead.rates
        # Of eggs of which nothing is measured any more nobody knows how far they are.
        if not (now.lot.open and histories[now.lot.id].silent_since_ms is not None)
    }


def _left_c(lot: Lot, history: History, profile: Profile) -> float:
    """What the probes of a lot may still be off by, in C, about its table."""
    error, shares = history.error, profile.spread.probes
    return left_c(replace(error, probes=probes_of(lot, error)), shares) if shares else error.total_c


def _known(lot: Lot, history: History, profile: Profile, curve: RateCurve) -> float:
    """Variance (log scale) by which a lot's date is surer, since its table has its probes' error in it."""
    per_c = abs(log_slope(curve, history.mean_c or 0.0)) * (1.0 - history.developed)
    return per_c**2 * (history.error.total_c**2 - _left_c(lot, history, profile) ** 2)


def _less(spread: Spread, known: Sequence[float]) -> Spread:
    """The spread with so much less shared by the clutch, on average of its boxes; never nothing."""
    return replace(spread, sigma_m=math.sqrt(max(spread.sigma_m**2 - float(np.mean(known)), LEAST_SHARED**2)))


def _spread(profile: Profile, curve: RateCurve, histories: Sequence[History], ahead_c: Sequence[float] = ()) -> Spread:
    """The profile's spread, with the curve's own error where it is asked outside its table, and that of a start.

    The curve is asked for the past and, for as much of the development as is still to come, at ``ahead_c``: eggs that
    lie colder than the table now and will be warm for the rest have most of their time inside it. An error of the
    development when laid is shared by all boxes of a clutch, so a pip in one corrects it in all.
    """
    asked = []
    for i, history in enumerate(histories):
        t = history.temperature_c[~np.isnan(history.temperature_c)]
        past = float(np.mean(curve.rate_sd_relative(t))) if len(t) else INSIDE_TABLE
        left = max(1.0 - history.development, 0.0) if ahead_c else 0.0
        asked.append((1.0 - left) * past + (left * float(curve.rate_sd_relative(ahead_c[i])) if left > 0.0 else 0.0))
    relative = float(np.mean(asked))
    more = max(relative**2 - INSIDE_TABLE**2, 0.0)
    start = (DEVELOPED_SD * max(h.developed for h in histories)) ** 2
    shared = profile.spread.shared**2 + more + start
    return Spread(
        sigma_m=min(math.sqrt(shared), 0.2),
        scale_egg=max(profile.spread.egg, 0.002),
        scale_box=profile.spread.box,
        curve_share=max(curve_share(shared) - start / shared, 0.0),
        start_share=start / shared,
    )


def _first_pip(
    lot: Lot,
    development: float,
    rates: ExpectedRates,
    everything: ClutchForecast,
    unseen: ClutchForecast | None,
    now_ms: int,
) -> FirstPip:
    """``unseen``: by what is known without the silence of any box; None: of what lies still nothing is asked."""
    # What has ended stands at the development that it had then.
    at_ms = now_ms if lot.closed_ms is None else min(lot.closed_ms, now_ms)

    def pip(forecast: ClutchForecast, k: int | Literal["each"], probabilities: Sequence[float]) -> Window:
        return window(
            forecast, lot.id, development_now=development, now_ms=at_ms, ahead=rates, k=k, probabilities=probabilities
        )

    own = everything.evidence(lot.id)
    usual = (0.05, 0.1, 0.5, 0.9, 0.95)
    found = pip(everything, 1, (*usual, WAIT_UNTIL))
    at_last_ms = found.times_ms[-1]
    found = replace(found, probabilities=usual, times_ms=found.times_ms[:-1])
    open_window = found
    if own.pipped:
        # What was seen is known better than any rate says: the time between the two looks.
        seen = lot.pips[0]
        found = _clamped(found, seen.after_ms if seen.after_ms is not None else found.p10_ms, seen.by_ms)
    elif own.none_by > 0.0:
        open_window = pip(everything.without_looks(lot.id), 1, usual)
    if not own.rest or not lot.open or unseen is None:
        return FirstPip(found, open_window)
    last: int | Literal["each"] = "each" if own.pipped else 1
    still = None
    if unseen is not everything or own.pipped:
        still = pip(unseen, last, (WAIT_UNTIL,))
    silence = Silence(
        everything.chance_only_late(lot.id),
        everything.chance_each_lives(lot.id),
        at_last_ms if still is None else still.times_ms[0],
        pip(everything, "each", usual) if own.pipped else None,
        still.p90_ms if still is not None and own.pipped else None,
    )
    return FirstPip(found, open_window, silence)


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
