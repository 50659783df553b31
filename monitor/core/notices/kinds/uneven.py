"""Stack uneven and siblings apart: boxes that are not equally warm."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from monitor.core.climate.stacks import StackProfile
from monitor.core.development.lots import LotNow
from monitor.core.development.remedies import DRIES, PROBES_ALONE, Siblings, advise, fanned, in_short, siblings_in
from monitor.core.development.siblings import apart, measured_a_day
from monitor.core.notices.conditions import Phase, Rule, Where, above
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import name_eggs, show_difference, show_temperature, show_within_difference
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import HOUR_MS

# Half an hour of ticks: the profile itself is a mean over hours, so the delay only bridges a restart.
_DELAY_S = 1800.0
# A mean is judged when it rests on so much of its span: in part of a day the heating's night or noon is all there is.
# Judgement, no source.
_LEAST_SHARE = 0.75
# A stack is even again so far below its limit, in C, so that a mean that sways about it is told once. Judgement, no
# source.
DEADBAND_C = 0.2
# Boxes of one clutch must come together by so much again before the condition clears, in days.
_APART_DEADBAND_DAYS = 0.25
# A heater that fails, a cold night or an open lid part them for hours, and what is to come is read from those hours
# too; nothing here is urgent. Judgement, no source.
_APART_FOR_S = 86_400.0
ALONE: Final = "The probes alone could explain it."
WITHIN: Final = "It is within the uncertainty of the probes."


def doubt(beyond_probes: bool, compared: bool) -> str:
    """What may be said of a difference, given the probes behind it."""
    if compared:
        return "the probes were compared side by side" + (
            "" if beyond_probes else ", yet it is within their uncertainty"
        )
    if beyond_probes:
        return "more than the probes' stated uncertainty; they were never compared side by side"
    return "the probes alone could explain it; to find out, put them side by side in one box: warmtally compare"


def describe(profile: StackProfile, unit: DisplayUnit, *, advised: bool = False) -> str:
    """A stack's profile in one sentence. ``advised``: that its probes are to be compared is told elsewhere."""
    said = doubt(profile.beyond_probes, profile.compared)
    if advised:
        said = said.partition("; to find out")[0]
    levels = ", ".join(
        f"{level.name} ({level.height_cm:.0f} cm) {show_temperature(level.mean_c, unit)}" for level in profile.levels
    )
    return (
        f"stack {profile.stack}: {profile.warmest} is {show_difference(profile.difference_c, unit)} "
        f"± {show_difference(2 * profile.difference_sd_c, unit)} warmer than {profile.coolest}, {_span(profile)}; "
        f"{levels}; {said}"
    )


def _hours(profile: StackProfile) -> tuple[int, int]:
    """Hours in which all levels were measured, and of how many; the first and last of them are parts of hours."""
    whole = max(round((profile.to_ms - profile.from_ms) / HOUR_MS), 1)
    return min(profile.hours, whole), whole


def _span(profile: StackProfile) -> str:
    """What the mean rests on, in words."""
    measured, whole = _hours(profile)
    return f"averaged over {measured} h" + (f" of the last {whole} h" if measured < whole else "")


def _whole(snapshot: Snapshot, profile: StackProfile) -> bool:
    """Whether the mean holds every box of the stack that has a probe, from end to end: else it may be uneven by what is
    not in it, and is not even again."""
    from_ms = snapshot.now_ms - snapshot.room.watch.uneven_over_s * 1000
    boxes = {b.id for b in snapshot.room.boxes if b.stack == profile.stack}
    ids = [p.probe.id for p in snapshot.probes if p.probe.box in boxes and p.probe.quantity == "temperature"]
    return all(
        snapshot.believes(name, "advice")
        and not any(s.to_ms is not None and s.to_ms >= from_ms for s in snapshot.belief.spans(name, "advice"))
        for name in ids
    )


def _believed(snapshot: Snapshot, *lots: LotNow) -> bool:
    """Whether the boxes of lots are measured by probes that are believed now."""
    boxes = {x.lot.box for x in lots}
    return all(snapshot.believes(p.probe.id, "advice") for p in snapshot.probes if p.probe.box in boxes)


def _look_stacks(snapshot: Snapshot) -> Iterable[Look]:
    watch = snapshot.room.watch
    seen = {p.stack: p for p in snapshot.stacks}
    for stack in snapshot.room.stacks:
        profile = seen.get(stack)
        samples = []
        if profile is not None and _hours(profile)[0] * 3600.0 >= watch.uneven_over_s * _LEAST_SHARE:
            deadband_c = min(DEADBAND_C, watch.uneven_c / 2.0)
            samples = [above(snapshot.now_ms, profile.difference_c, watch.uneven_c, deadband_c)]
            if not _whole(snapshot, profile):
                suspect = {f"box {p.probe.box}" for p in snapshot.probes if not snapshot.believes(p.probe.id, "advice")}
                samples = [s for s in samples if s.where is Where.BEYOND and not suspect & set(profile.names)]
        look = Look(
            stack,
            samples,
            f"stack {stack}",
            f"stack {stack}: how even it is, is not known",
            Rule(_DELAY_S, _DELAY_S),
            {"difference_c": profile.difference_c if profile else None},
        )
        yield look if profile is None else _of_profile(look, profile, snapshot, advise=_to_tell(look, snapshot))


def _to_tell(look: Look, snapshot: Snapshot) -> bool:
    """Whether there may be anything to tell of a stack; advice is not worked out for nobody."""
    condition = snapshot.condition("stack-uneven", look.subject)
    calm = condition is None or (condition.phase is Phase.CLEAR and condition.over_ms is None)
    return not calm or any(s.where is Where.BEYOND for s in look.samples)


def _of_profile(look: Look, profile: StackProfile, snapshot: Snapshot, *, advise: bool) -> Look:
    unit = snapshot.unit
    limit = show_difference(snapshot.room.watch.uneven_c, unit)
    apart_by = show_within_difference(profile.difference_c, 2 * profile.difference_sd_c, unit)
    levels = ", ".join(
        f"{level.name} ({level.height_cm:.0f} cm) {show_temperature(level.mean_c, unit)}" for level in profile.levels
    )
    doubtful, told = _by_probes(profile.beyond_probes, profile.compared)
    return replace(
        look,
        line=f"stack {profile.stack}: {profile.warmest} is {apart_by} warmer than {profile.coolest}, limit {limit}",
        doubt=doubtful,
        more=(
            *(_advised(mended(snapshot, profile), doubtful) if advise else ()),
            told,
            f"{_span(profile)[:1].upper()}{_span(profile)[1:]}: {levels}.",
        ),
        value=show_difference(profile.difference_c, unit),
        limit=limit,
        worse=profile.difference_c,
    )


def _by_probes(beyond_probes: bool, compared: bool) -> tuple[str, str]:
    """What is doubtful of a difference, given the probes behind it, and what else is to be said of them."""
    if compared:
        return "" if beyond_probes else WITHIN, "The probes were compared side by side."
    return "" if beyond_probes else ALONE, "The probes were never compared side by side."


def _advised(sentences: Sequence[str], doubtful: str) -> list[str]:
    """The advice; that there is none, since the probes alone could explain it, is said once."""
    return [] if doubtful == ALONE and any(PROBES_ALONE in x for x in sentences) else list(sentences)


def pairs(snapshot: Snapshot) -> Iterable[tuple[LotNow, LotNow]]:
    """Earliest and latest eggs of each clutch that lies in several boxes and has a date to expect."""
    return siblings_in(snapshot.lots)


def advice(snapshot: Snapshot, early: LotNow, late: LotNow) -> Siblings:
    """What would bring two lots together, in the room as it is."""
    boxes = {b.box.id: b for b in snapshot.boxes}
    stacks = {b.id: b.stack for b in snapshot.room.boxes}
    stack = stacks.get(early.lot.box)
    profile = None
    if stack is not None and stack == stacks.get(late.lot.box):
        profile = next((p for p in snapshot.stacks if p.stack == stack), None)
    limits = boxes[late.lot.box].limits.too_warm_c if late.lot.box in boxes else None
    highs = [x for x in (limits, late.heat.limit_c if late.heat else None) if x is not None]
    taken = [b.height_cm for b in snapshot.room.boxes if b.stack == stack]
    return advise(early, late, profile, min(highs, default=None), taken, snapshot.unit)


def mended(snapshot: Snapshot, profile: StackProfile) -> tuple[str, ...]:
    """What would mend a stack, in short sentences: for the siblings in it furthest apart, else for its boxes."""
    boxes = {b.id for b in snapshot.room.boxes if b.stack == profile.stack}
    inside = [x for x in snapshot.lots if x.lot.box in boxes]
    advised = [advice(snapshot, early, late) for early, late in siblings_in(inside)]
    if advised:
        return in_short(max(advised, key=lambda x: x.apart_days), snapshot.now_ms, snapshot.zone)
    odd = profile.odd
    if odd is not None:
        return (f"{odd.level.name[:1].upper()}{odd.level.name[1:]} stands out from the others: look at its probe.",)
    stirred = fanned(profile, inside)
    if not stirred:
        return ()
    to = show_temperature(sum(x.to_c for x in stirred) / len(stirred), snapshot.unit)
    return f"What would mend it: a fan, which would bring the boxes to about {to}.", f"{DRIES.capitalize()}."


def _look_siblings(snapshot: Snapshot) -> Iterable[Look]:
    limit = snapshot.room.watch.apart_days
    for early, late in pairs(snapshot):
        days, sd = apart(early, late)
        past = [x.past for x in (early, late) if x.past is not None]
        means = [show_temperature(x.mean_c, snapshot.unit, 2) for x in past if x.mean_c is not None]
        doubtful, told = _by_probes(days > 2 * sd, all(x.compared for x in past))
        advised = in_short(advice(snapshot, early, late), snapshot.now_ms, snapshot.zone)
        # What is filled for a suspect probe moves no box and raises nothing.
        known = _believed(snapshot, early, late) and all(measured_a_day(x, snapshot.now_ms) for x in (early, late))
        sample = above(snapshot.now_ms, days, limit, _APART_DEADBAND_DAYS)
        # Nor does a difference that the probes alone could explain: that they are to be compared is told elsewhere.
        if sample.where is Where.BEYOND and days <= 2 * sd:
            sample = replace(sample, where=Where.BETWEEN)
        yield Look(
            early.clutch.id,
            [sample] if known else [],
            f"clutch {early.clutch.id}",
            f"{name_eggs(early.lot.id)} is expected {days:.1f} ± {2 * sd:.1f} days before {name_eggs(late.lot.id)}, "
            f"limit {limit:.1f} days",
            Rule(_APART_FOR_S, _DELAY_S),
            {"days": days, "sd_days": sd},
            doubt=doubtful,
            more=(
                *_advised(advised, doubtful),
                *([f"On average so far {means[0]} against {means[1]}."] if len(means) == 2 else []),
                told,
            ),
            value=f"{days:.1f} days",
            limit=f"{limit:.1f} days",
            worse=days,
        )


KINDS = (
    Kind(
        name="stack-uneven",
        says="Stack uneven",
        urgency="later",
        raises="warmest and coolest level of a stack differ by the limit or more, averaged over a day (unless set) of "
        "which three quarters at least were measured",
        clears="the difference falls below the limit by more than its deadband",
        why="warm air rises; boxes of one clutch on different shelves then hatch days apart",
        first="Look at the fan and the air's way; then: warmtally stack.",
        otherwise="The boxes hatch days apart.",
        look=_look_stacks,
        cleared_says="Stack even again",
        keys=("watch.uneven_c", "watch.uneven_over"),
    ),
    Kind(
        name="siblings-apart",
        says="Siblings apart",
        urgency="later",
        raises="boxes of one clutch are expected to hatch further apart than the limit (two days unless set), and by "
        "more than the probes alone could explain, for a day",
        clears="they come together again, or one of them has hatched",
        why="when one box has pipped and the other lies still, the keeper must know whether to wait",
        first="Nothing urgent: note it, and see: warmtally stack.",
        otherwise="The cooler box hatches so much later, which alone does no harm.",
        look=_look_siblings,
        tell_cleared=False,
        keys=("watch.apart_days",),
    ),
)
