"""What a house's own finished clutches say of a species' days: a shift of its table, or a table where there is none.

A clutch in which pips were seen is interval data: between two looks so many eggs pipped, the rest had not by the last
one. The forecast's own model turns that into how much later than the table its typical egg pipped (the m of
``forecast.py``, log scale) with its uncertainty; eggs that did not pip count as not pipped by the last look, so leaving
them out cannot make the table too fast. Clutches are then laid together about the house's mean, and with it about what
its probes are off by, which is as true of the next clutch (``pooling.py``).

A species without a table gets one from own clutches alone: through two clearly different temperatures or more its own
straight line, if that tells the base temperature better than other reptiles do, otherwise a line from a base
temperature of 15.5 C, which holds near the temperatures that were kept.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.core.development.curves import PublishedRates, RateCurve
from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread, curve_share
from monitor.core.development.forecast import update
from monitor.core.development.history import History
from monitor.core.development.line import LineFit
from monitor.core.development.lots import DEVELOPED_SD, EARLIEST_PIP, INSIDE_TABLE, evidence_of, probes_of
from monitor.core.development.own_line import USUAL_BASE_C, groups_of, own_line
from monitor.core.development.pooling import Found, Pooled, Prior, ProbeShare, pooled
from monitor.core.development.species import GRADES, OWN_CLUTCHES, Profile, ProfileSpread, Row, grade_of
from monitor.core.development.survival import Survival
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.errors import EventRefused, ModelOutOfRange, SpeciesRefused
from monitor.values import dataclass

# The prior under which a clutch is asked alone; taken out again afterwards. Below the 0.2 that a spread may have, so
# that there is room for what the probes have in common.
WIDE: Final = 0.19
# A clutch so far off its table is taken for a wrong date, not for a slow clutch (log scale; judgement, no source);
# twice that where there is only a borrowed base temperature.
NONSENSE: Final = 0.25
# Standard uncertainty (log scale) beyond which a clutch says nothing: nobody had looked before it pipped.
VAGUE: Final = 0.1
MOST_FILLED: Final = 0.5
# So many own clutches stand for themselves, where the days that they moved had no source. Judgement, no source.
FOR_UNSOURCED: Final = 3
# Looks this far apart leave more open than few eggs do, in days.
MANY_DAYS: Final = 2.0
# A clutch that counts less than this beside the best is named, with what makes it so.
WEIGHED_DOWN: Final = 0.75
# Median error of one own clutch with that base temperature, by distance from its temperature (same source).
USUAL_ERRORS: Final = ((1.0, 1.9), (2.0, 4.8), (4.0, 7.5), (math.inf, 10.0))
# The table made with that base temperature reaches so far to both sides of what was kept; beyond, windows widen.
MARGIN_C: Final = 1.25
# What the borrowed base temperature may be wrong by at that distance (log scale).
BORROWED_SD: Final = 0.02
# Thermal constant from which the search for the own one starts; any would do.
PROVISIONAL_DEGREE_DAYS: Final = 800.0


@dataclass(frozen=True)
class OwnBox:
    """One box of a clutch. ``days`` since laying and ``development`` belong to the middle of its pips, ``mean_c`` to
    the time up to there; all 0 for a box without pips. ``evidence`` is development by the curve that was learned on;
    ``developed`` is how far the eggs were told to be when laid, which both hold and the days do not. ``filled_sd`` is
    the standard uncertainty (log scale) of what was filled in; ``probes`` names those behind it, "" for eggs that were
    moved.
    """

    evidence: BoxEvidence
    days: float
    development: float
    mean_c: float
    filled_share: float
    developed: float = 0.0
    filled_sd: float = 0.0
    probes: str = ""
    error_c: float = 0.0

    def days_per_development(self, scale: float) -> float:
        """Days of the whole development at the pace it had, by a curve times ``scale``."""
        return self.days / ((self.development - self.developed) * scale)


@dataclass(frozen=True)
class OwnClutch:
    """A clutch in which at least one pip was seen."""

    id: str
    boxes: tuple[OwnBox, ...]


@dataclass(frozen=True)
class ClutchSays:
    """``shift``: log of how much later than by the table its typical egg pipped; ``sd`` what looks, and probes that are
    not those of all, leave open. ``weight`` is its part in the mean beside the best one's (1); ``why`` what makes it
    count less.

    ``days``: its typical incubation at ``mean_c``; ``before_days`` and ``after_days``: how late the forecast would have
    been for it (early is negative) by the table as it was, and by all other clutches but this one (None: alone).
    """

    clutch: str
    eggs: int
    mean_c: float
    days: float
    shift: float
    sd: float
    before_days: float | None
    after_days: float | None
    weight: float = 1.0
    why: str = ""

    @property
    def weighed_down(self) -> bool:
        return self.weight < WEIGHED_DOWN


@dataclass(frozen=True)
class Learned:
    """``shift``, ``shift_sd``: mu, with what the house's probes are off by. ``between``: tau by the method of moments,
    ``between_fits`` all that fit (8 in 10; both None with one clutch), ``between_taken`` as it is taken. ``shared``:
    the new spread of what a clutch shares, tau and mu's uncertainty together; ``shared_before`` the table's. ``line``:
    base temperature and thermal constant of the own clutches; None with the reason in ``line_problem``. ``left_out``:
    clutch and why. ``probes``: whose error the mean has in it. ``profile`` is what would be applied.
    """

    base: Profile
    profile: Profile
    used: tuple[ClutchSays, ...]
    left_out: tuple[tuple[str, str], ...]
    shift: float
    shift_sd: float
    between: float | None
    between_fits: tuple[float, float] | None
    between_taken: float
    shared: float
    shared_before: float
    line: LineFit | None
    line_problem: str
    own_table: bool
    probes: tuple[ProbeShare, ...] = ()

    @property
    def factor(self) -> float:
        """The days of the table times this."""
        return math.exp(self.shift)

    @property
    def error_before_days(self) -> float | None:
        """Mean absolute error of the clutches by the table as it was."""
        return _mean_absolute([c.before_days for c in self.used])

    @property
    def error_after_days(self) -> float | None:
        """Mean absolute error of each clutch by the others; None with one clutch."""
        return _mean_absolute([c.after_days for c in self.used])

    @property
    def temperatures_c(self) -> tuple[float, float]:
        """Coldest and warmest mean temperature of the clutches used."""
        return min(c.mean_c for c in self.used), max(c.mean_c for c in self.used)


def _mean_absolute(errors: Iterable[float | None]) -> float | None:
    known = [abs(error) for error in errors if error is not None]
    return float(np.mean(known)) if known else None


# --- from the account -------------------------------------------------------------------------------------------


def own_box(lot: Lot, history: History, curve: RateCurve) -> OwnBox | None:
    """What a lot says, or None where nothing was measured or no egg could pip."""
    if not history.known or history.mean_c is None:
        return None
    evidence = evidence_of(lot, history, curve)
    if evidence is None:
        return None
    behind = probes_of(lot, history.error)
    if not lot.pips:
        return OwnBox(evidence, 0.0, 0.0, 0.0, history.filled_share, history.developed, probes=behind)
    counts = [pip.count for pip in lot.pips]
    middles = [pip.by_ms if pip.after_ms is None else (pip.after_ms + pip.by_ms) / 2 for pip in lot.pips]
    at_ms = round(float(np.average(middles, weights=counts)))
    before = (history.edge_ms[1:] <= at_ms) & ~np.isnan(history.temperature_c)
    if not before.any():
        return None
    return OwnBox(
        evidence,
        days=(at_ms - int(history.edge_ms[0])) / DAY_MS,
        development=history.development_at(at_ms),
        mean_c=float(np.average(history.temperature_c[before], weights=np.maximum(history.weight_s[before], 1e-9))),
        filled_share=history.filled_share,
        developed=history.developed,
        filled_sd=history.development_sd / max(history.development, 1e-3),
        probes=behind,
        error_c=history.error.total_c,
    )


def own_clutch(clutch: Clutch, boxes: Iterable[OwnBox | None]) -> OwnClutch | None:
    """The boxes of a clutch together; None while no pip was seen."""
    known = tuple(box for box in boxes if box is not None)
    return OwnClutch(clutch.id, known) if any(box.evidence.pipped for box in known) else None


def provisional_curve() -> PublishedRates:
    """The curve on which clutches of a species without a table are looked at: from the usual base temperature."""
    t = np.array([20.0, 40.0])
    return PublishedRates(t, PROVISIONAL_DEGREE_DAYS / (t - USUAL_BASE_C))


# --- learning ---------------------------------------------------------------------------------------------------


def learn(
    base: Profile,
    clutches: Sequence[OwnClutch],
    on: str,
    unit: DisplayUnit = "C",
    left_out: Sequence[tuple[str, str]] = (),
) -> Learned:
    """What the clutches say of the profile ``base``, on whose curve (or the provisional one) they were looked at.

    ``on`` is the day, for the new profile's account of itself (which is in C, as its table); ``unit`` that of the
    other texts; ``left_out`` what never came as far, with why. Raises SpeciesRefused for a species that rests in the
    egg, and EventRefused, with every clutch's reason, when none can be used.
    """
    if base.status == "rests":
        raise SpeciesRefused(f"{base.scientific_name}: {base.reason}", where=base.id, fix="nothing can be learned here")
    own_table = base.status != "table"
    curve = provisional_curve() if own_table else base.curve()
    scale = _scale(clutches) if own_table else 1.0
    # Where the clutch lies hangs little on how many of its eggs failed: a rule of fewer nodes is enough.
    survival = Survival(nodes=8)
    spread = Spread(scale_egg=max(base.spread.egg, 0.002), scale_box=base.spread.box, survival=survival)
    asked: list[_Asked] = []
    out = list(left_out)
    for clutch in clutches:
        try:
            asked.append(_ask(clutch, curve, spread, scale, own_table=own_table))
        except ModelOutOfRange as reason:
            out.append((clutch.id, reason.what))
    if not asked:
        why = "".join(f"\n  - {name}: {reason}" for name, reason in out)
        raise EventRefused(
            f"no clutch of {base.id} can be learned from{':' if why else ': no pip has been seen'}{why}",
            fix='tell what you see and when you looked before: warmtally record pipped CLUTCH --not-yet-at "WHEN"',
        )
    prior = _prior(base, own_table=own_table)
    mu = _together(asked, prior)
    line, problem = own_line(_points(asked), prior.between, unit)
    about_line = own_table and line is not None
    if line is not None and about_line:
        mu = _together([_about(one, line) for one in asked], prior)
    borrowed = BORROWED_SD if own_table and not about_line else 0.0
    shared = math.sqrt(mu.tau2 + mu.sd**2 + borrowed**2)
    used = tuple(
        replace(
            _told(one, [other for other in asked if other is not one], prior, unit, own_table=own_table),
            sd=math.sqrt(one.sd**2 + rest),
            weight=weight,
            why=_why(one, rest),
        )
        for one, weight, rest in zip(asked, mu.weights, mu.rests, strict=True)
    )
    found = Learned(
        base=base,
        profile=base,
        used=used,
        left_out=tuple(out),
        shift=mu.mean,
        shift_sd=mu.sd,
        between=mu.moments,
        between_fits=mu.fits,
        between_taken=math.sqrt(mu.tau2),
        shared=min(shared, 0.2),
        shared_before=base.spread.shared,
        line=line,
        line_problem=problem,
        own_table=own_table,
        probes=_shares(asked, mu),
    )
    rows = _own_rows(asked, found, scale) if own_table else _shifted_rows(base, found.factor, len(used))
    return replace(found, profile=_profile(found, rows, on))


@dataclass(frozen=True)
class _Asked:
    """A clutch asked alone, under no prior, its probes taken as right; points are (temperature in C, typical days,
    variance of their log, probes and all) of its boxes. ``probes``: part in it by probes, with what they were good to
    (C); ``bias``: that on log scale. ``doubts``: what makes up its variance, and how much."""

    id: str
    eggs: int
    mean_c: float
    days: float
    shift: float
    sd: float
    points: tuple[tuple[float, float, float], ...]
    probes: Mapping[str, tuple[float, float]]
    bias: float
    doubts: tuple[tuple[str, float], ...]


def _scale(clutches: Sequence[OwnClutch]) -> float:
    """Brings development by the provisional curve to about 1 at the pips, where the forecast's model looks."""
    found = [box.development for clutch in clutches for box in clutch.boxes if box.development > 0.0]
    return 1.0 / float(np.median(found)) if found else 1.0


def _scaled(seen: BoxEvidence, scale: float) -> BoxEvidence:
    pips = tuple(PipInterval(p.after * scale, p.by * scale, p.count) for p in seen.pipped)
    return replace(seen, pipped=pips, none_by=seen.none_by * scale)


def _alone(boxes: Sequence[BoxEvidence], spread: Spread) -> tuple[float, float]:
    """Shift and its standard uncertainty from these boxes only: the forecast's update with its prior taken out.

    What the boxes' probes have in common is in the shift that they tell, so its uncertainty counts.
    """
    found = update(boxes, replace(spread, sigma_m=WIDE))
    mean, sd = found.clutch_shift()
    prior, common2 = found.spread.sigma_m, found.spread.probe_share * found.spread.sigma_m**2
    precision = 1.0 / sd**2 - 1.0 / prior**2
    if precision <= 1.0 / prior**2:
        return mean, WIDE
    return mean / sd**2 / precision, min(math.sqrt(1.0 / precision + common2), WIDE)


def _ask(clutch: OwnClutch, curve: RateCurve, spread: Spread, scale: float, *, own_table: bool) -> _Asked:
    """Raises ModelOutOfRange with the reason why the clutch is no use."""
    pipped = [box for box in clutch.boxes if box.evidence.pipped]
    filled = max(box.filled_share for box in pipped)
    if filled > MOST_FILLED:
        raise ModelOutOfRange(f"{100 * filled:.0f} % of its time was not measured but filled in")
    developed = max(box.developed for box in pipped)
    if developed > 0.0 and own_table:
        raise ModelOutOfRange("its eggs were part-developed when laid, which says nothing without a table")
    if any(box.days <= 0.0 or box.development <= developed for box in pipped):
        raise ModelOutOfRange("it pipped before anything was measured; check its dates")
    if (early := scale * min(box.development for box in pipped)) < EARLIEST_PIP:
        raise ModelOutOfRange(f"it is told to have pipped at {100 * early:.0f} % of its development; check its dates")
    shift, by_looks = _alone([_right(_scaled(box.evidence, scale)) for box in clutch.boxes], spread)
    if by_looks > VAGUE:
        raise ModelOutOfRange(
            "when it pipped is too vague: tell the last look at which nothing had (record correct N --not-yet-at WHEN)"
        )
    if abs(shift) > NONSENSE * (2.0 if own_table else 1.0):
        off = math.expm1(shift)
        raise ModelOutOfRange(
            f"it pipped {abs(100 * off):.0f} % {'later' if off > 0 else 'earlier'} than "
            f"{'the other clutches' if own_table else 'the table'} would have it, more than clutches differ: check "
            "when it was laid, its probe and its species"
        )
    eggs = [box.evidence.pipped_count for box in pipped]
    mean_c = float(np.average([box.mean_c for box in pipped], weights=eggs))
    doubts = [
        (_looks_told(pipped, sum(eggs)), by_looks**2),
        (f"{100 * filled:.0f} % of its time was filled in, not measured", max(box.filled_sd for box in pipped) ** 2),
    ]
    if not own_table:
        # Outside the table the curve may be wrong by more, and that is no news of the clutch.
        beyond = float(np.mean(curve.rate_sd_relative(np.array([box.mean_c for box in pipped]))))
        doubts.append(("it was kept outside the table", max(beyond**2 - INSIDE_TABLE**2, 0.0)))
        doubts.append(("its eggs were part-developed when laid", (DEVELOPED_SD * developed) ** 2))
    points = []
    for box in pipped:
        own, own_sd = _alone([_scaled(box.evidence, scale)], spread)
        points.append((box.mean_c, box.days_per_development(scale) * math.exp(own), own_sd**2))
    days = float(np.average([box.days_per_development(scale) for box in pipped], weights=eggs)) * math.exp(shift)
    probes: dict[str, tuple[float, float]] = {}
    for i, box in enumerate(pipped):
        name = f"{box.probes} {box.error_c:.3f}" if box.probes else f"? {clutch.id} {i}"
        probes[name] = probes.get(name, (0.0, 0.0))[0] + 1.0 / len(pipped), box.error_c
    return _Asked(
        clutch.id,
        sum(eggs),
        mean_c,
        days,
        shift,
        math.sqrt(sum(variance for _, variance in doubts)),
        tuple(points),
        probes,
        math.sqrt(float(np.mean([box.evidence.sigma_bias**2 for box in pipped]))),
        tuple(doubts),
    )


def _right(seen: BoxEvidence) -> BoxEvidence:
    """The same, its probe taken as right."""
    return replace(seen, sigma_bias=0.0, sigma_common=0.0, session="")


def _looks_told(pipped: Sequence[OwnBox], eggs: int) -> str:
    """What leaves a clutch's moment open: looks far apart, or few eggs."""
    days = max(box.days / box.development * (pip.by - pip.after) for box in pipped for pip in box.evidence.pipped)
    if days > MANY_DAYS:
        return f"its looks lay {days:.0f} days apart"
    return f"only {eggs} egg{'s' if eggs > 1 else ''} pipped in {len(pipped)} box{'es' if len(pipped) > 1 else ''}"


def _why(one: _Asked, rest: float) -> str:
    """The largest part of what makes a clutch's word uncertain."""
    return max((*one.doubts, ("its probes are not those of the others", rest)), key=lambda doubt: doubt[1])[0]


def _shares(asked: Sequence[_Asked], mu: Pooled) -> tuple[ProbeShare, ...]:
    """The probes whose error the mean has in it, those of eggs that were moved left out."""
    error_c = {name: error_c for one in asked for name, (_, error_c) in one.probes.items()}
    return tuple(
        ProbeShare(name.rsplit(" ", 1)[0], round(share, 4), round(error_c[name], 4))
        for name, share in sorted(mu.shares.items())
        if not name.startswith("? ")
    )


def _prior(profile: Profile, *, own_table: bool) -> Prior:
    """The part of the profile's spread that belongs to curve and population, and the rest."""
    whole = profile.spread.shared**2
    share = curve_share(whole)
    # Without a table nothing is known of the house's mean.
    return Prior(1.0 if own_table else share * whole, (1.0 - share) * whole)


def _together(asked: Sequence[_Asked], prior: Prior) -> Pooled:
    return pooled(
        [Found(one.shift, one.sd, {n: part for n, (part, _) in one.probes.items()}, one.bias) for one in asked], prior
    )


def _told(one: _Asked, others: Sequence[_Asked], prior: Prior, unit: DisplayUnit, *, own_table: bool) -> ClutchSays:
    """The clutch with the errors that the forecasts for it would have had."""
    by_others = None
    if others:
        line = own_line(_points(others), prior.between, unit)[0] if own_table else None
        by_others = _together(others, prior).mean - one.shift if line is None else -_about(one, line).shift
    return ClutchSays(
        one.id,
        one.eggs,
        one.mean_c,
        one.days,
        one.shift,
        one.sd,
        None if own_table else one.days * math.expm1(-one.shift),
        None if by_others is None else one.days * math.expm1(by_others),
    )


def _about(one: _Asked, line: LineFit) -> _Asked:
    """The clutch's shift from a line instead of the curve it was asked on."""
    return replace(one, shift=math.log(one.days * (one.mean_c - line.base_c) / line.constant_degree_days))


def _points(asked: Sequence[_Asked]) -> list[tuple[float, float, float]]:
    return [point for one in asked for point in one.points]


# --- the new profile --------------------------------------------------------------------------------------------


def _shifted_rows(base: Profile, factor: float, clutches: int) -> list[Row]:
    """The rows times the factor, told as own ones; what has no source stays so until enough clutches stand for it."""
    return [
        replace(
            row,
            days=round(row.days * factor, 2),
            sd_days=round(row.sd_days * factor, 2) if row.sd_days is not None else None,
            paper=OWN_CLUTCHES if row.sourced or clutches >= FOR_UNSOURCED else row.paper,
            width=0.0,
            population=f"from {row.paper}" + (f", {row.population}" if row.population else ""),
        )
        for row in base.rows
    ]


def _own_rows(asked: Sequence[_Asked], found: Learned, scale: float) -> list[Row]:
    """A table for a species that has none: days of a line, at the temperatures that were kept or beside them."""
    eggs = sum(one.eggs for one in asked)
    if found.line is not None:
        at = [round(float(np.mean(g)), 2) for g in groups_of(t for one in asked for t, _, _ in one.points)]
        base_c, constant = found.line.base_c, found.line.constant_degree_days
        return [Row(t, round(constant / (t - base_c), 2), OWN_CLUTCHES, max(eggs // len(at), 1)) for t in at]
    low, high = found.temperatures_c
    constant = PROVISIONAL_DEGREE_DAYS / scale * found.factor
    ends = (round(low - MARGIN_C, 2), round(high + MARGIN_C, 2))
    return [Row(t, round(constant / (t - USUAL_BASE_C), 2), OWN_CLUTCHES, max(eggs // 2, 1)) for t in ends]


def _profile(found: Learned, rows: Sequence[Row], on: str) -> Profile:
    base, n = found.base, len(found.used)
    low, high = found.temperatures_c
    clutches = f"{n} own clutch{'es' if n > 1 else ''} ({', '.join(c.clutch for c in found.used)})"
    kept = f"kept at {low:.1f} C" if round(low, 1) == round(high, 1) else f"kept at {low:.1f} to {high:.1f} C"
    if not found.own_table:
        papers = ", ".join(sorted({row.paper for row in base.rows}))
        note = (
            f"Learned on {on} from {clutches}, {kept}: the days of the table ({papers}) times {found.factor:.4f}. "
            f"Far from these temperatures the table's own error is as it was."
        )
    elif found.line is not None:
        note = (
            f"Learned on {on} from {clutches} alone, {kept}: a straight line with base temperature "
            f"{found.line.base_c:.1f} C and thermal constant {found.line.constant_degree_days:.0f} degree-days."
        )
    else:
        errors = "; ".join(
            f"{error:g} % {f'within {reach:g} C' if math.isfinite(reach) else 'farther away'}"
            for reach, error in USUAL_ERRORS
        )
        note = (
            f"Learned on {on} from {clutches} alone, {kept}, with the base temperature that reptiles usually have, "
            f"{USUAL_BASE_C:g} C. Half of such forecasts err by more than: {errors} (Reptile Development Database, "
            "Noble et al. 2018, Scientific Data 5:180138)."
        )
    spread = ProfileSpread(
        shared=round(max(found.shared, 0.005), 4),
        egg=base.spread.egg,
        box=base.spread.box,
        source=(
            f"learned from {clutches} on {on}: uncertainty of their mean {100 * found.shift_sd:.1f} %, and what "
            f"clutches differ by, weighed with the starting value"
        ),
        probes=found.probes,
    )
    allowed = grade_of(rows)
    # A figure without a source is no more than one to begin with: own clutches may be worth more.
    alone = found.own_table or base.grade == "no source"
    grade = allowed if alone else min(base.grade, allowed, key=GRADES.index)
    notes = (*base.notes, note)
    # A paper on which nothing of the new profile rests goes.
    told = " ".join((*notes, base.limits_source, base.lethal, *(base.sex.papers if base.sex else ())))
    return replace(
        base,
        status="table",
        reason="",
        counts="pip",
        rows=tuple(sorted(rows, key=lambda row: row.temperature_c)),
        spread=spread,
        grade=grade,
        notes=notes,
        papers=tuple(paper for paper in base.papers if paper.key in told),
    )
