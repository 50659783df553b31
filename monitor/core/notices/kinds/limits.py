"""Too warm and too cool: a box's temperature against its limits, and where it is heading.

Urgency follows the time left to harm. Harm is taken to begin at the limit of the profile of the eggs inside, where that
lies beyond the limit that is told, and else two degrees beyond the limit. Neither is a temperature that kills at once:
those of a profile are where fewer than half of the eggs hatch when kept so, and the two degrees are judgement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np

from monitor.core.climate.course import Eta
from monitor.core.notices.after_silence import BREAKER
from monitor.core.notices.conditions import Condition, Phase, Rule, Where, above, below
from monitor.core.notices.doubts import Doubt, Judged, blind_too, judged
from monitor.core.notices.kinds import Facts, Kind, Look
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.readings.gusts import opening
from monitor.core.readings.late_readings import LONGEST_S, Late, unjudged
from monitor.core.terms.arrays import Values
from monitor.core.terms.formats import (
    in_words,
    name_eggs,
    show_difference,
    show_since,
    show_span,
    show_temperature,
    show_time,
    show_within,
)
from monitor.core.terms.settings import DisplayUnit, Urgency

# Harm is taken to begin so far beyond the limit, unless the profile of the eggs says more: at least so far beyond.
TO_HARM_C: Final = 2.0
LEAST_TO_HARM_C: Final = 0.5
SLOW_S: Final = 12 * 3600.0
BACK_WITHIN_S: Final = 2 * 3600.0
SURE: Final = 0.9
# A box that is beyond its limit again within six hours is held at it, and is back when it has been so for as long.
SETTLES_S: Final = 3 * 3600.0
LEAST_DOSE_S: Final = 600.0


def _look(snapshot: Snapshot, warm: bool) -> Iterable[Look]:
    for box in snapshot.boxes:
        limit = box.limits.too_warm_c if warm else box.limits.too_cool_c
        if limit is None:
            continue
        judge = above if warm else below
        condition = snapshot.condition("too-warm" if warm else "too-cool", box.box.id)
        last = condition.last_ms if condition else None
        gap_s = _gap_s(box, snapshot)
        rest = _unjudged(box, condition, snapshot)
        arriving = _waits(box, rest, snapshot)
        again_ms = None if arriving or condition is None else _again_from(box, rest, condition, gap_s)
        since = last if again_ms is None else again_ms - 1
        first = 0 if since is None else int(np.searchsorted(box.time_ms, since, "right"))
        now_c = box.now_c
        beyond = now_c is not None and (now_c >= limit if warm else now_c <= limit)
        up = condition is not None and condition.up
        several = len(snapshot.room.probes_in(box.box.id)) > 1
        seen = judged(box, snapshot, warm=warm) if beyond or up or several else Judged(box.temperature_c)
        values = seen.temperature_c
        new = slice(first + _idle(values[first:], limit, box.limits.deadband_c, condition, warm=warm), None)
        if several and seen.now_c is not None:
            now_c = seen.now_c
            beyond = now_c >= limit if warm else now_c <= limit
        samples = [
            judge(t, v, limit, box.limits.deadband_c)
            for t, v in zip(box.time_ms[new].tolist(), values[new].tolist(), strict=True)
        ]
        if condition is not None and up and (condition.since_ms or 0) < (seen.doubted_ms or 0):
            # What was said of a box by a probe that lay in it is not taken back by one that lies in the air, or that
            # is not believed; unless it is beyond the other limit now, since a box is never both.
            other = box.limits.too_cool_c if warm else box.limits.too_warm_c
            samples = [
                replace(s, where=Where.BETWEEN)
                if s.where is Where.BACK and (other is None or (v > other if warm else v < other))
                else s
                for s, v in zip(samples, values[new].tolist(), strict=True)
            ]
        look = Look(
            box.box.id,
            # What came late is judged when all of it is here, so that what is over is told as over.
            [] if arriving else samples,
            f"box {box.box.id}",
            rule=Rule(box.limits.on_delay_s, box.limits.off_delay_s, gap_s, SETTLES_S),
            facts={**_late_fact(box), "value_c": now_c, "limit_c": limit, "uncertainty_c": box.uncertainty_c},
            again_from_ms=again_ms,
        )
        # Of most boxes there is nothing to tell, and what is ahead of them need not be worked out.
        calm = condition is None or (condition.phase is Phase.CLEAR and condition.over_ms is None)
        if calm and not any(s.where is Where.BEYOND for s in samples):
            yield look
            continue
        look = replace(look, urgency=_urgency(box, limit, snapshot.now_ms, warm))
        yield look if now_c is None else _worded(look, box, now_c, limit, seen.doubt, snapshot, warm)


def _idle(values: Values, limit_c: float, deadband_c: float, condition: Condition | None, *, warm: bool) -> int:
    """How many of the first readings change nothing and need not be judged: after a start that may be a day of all
    boxes. The newest one is judged in any case."""
    side = 1.0 if warm else -1.0
    past_c = side * (values - limit_c)
    if condition is None or condition.phase is Phase.CLEAR:
        matters = past_c >= 0.0
    elif condition.phase is Phase.RAISED:
        # A little more than is back: how far it is from the limit is rounded here otherwise than there.
        matters = past_c < 1e-6 - deadband_c
    else:
        return 0
    return int(np.argmax(matters)) if matters.any() else max(len(values) - 1, 0)


def _worded(
    look: Look, box: BoxNow, now_c: float, limit_c: float, doubt: Doubt, snapshot: Snapshot, warm: bool
) -> Look:
    """A look with what is said of its box, which is at ``now_c``. ``doubt``: what is doubtful of that."""
    unit, side = snapshot.unit, 1.0 if warm else -1.0
    limit, value = show_temperature(limit_c, unit), show_temperature(now_c, unit)
    cause, door = "", dict[str, str | float | int | None]()
    more: list[str] = []
    now = value
    if side * (now_c - limit_c) >= 0.0:
        cause, door = _door(box, snapshot)
        more = [blind_too(box, snapshot, warm=warm), *ahead(box, limit_c, snapshot, warm)]
    else:
        cause, value = _was(box, limit_c, snapshot, warm) or ("", value)
    if not warm and side * (now_c - limit_c) >= 0.0:
        more.append(BREAKER)
    if warm:
        more.append(_dose(box, snapshot))
    # A plus and minus of two standard uncertainties: about 95 % (GUM 6.2).
    return replace(
        look,
        line=f"box {box.box.id}: {show_within(now_c, 2 * box.uncertainty_c, unit)} at "
        f"{show_time(box.at_ms or 0, snapshot.zone, snapshot.now_ms)}, limit {limit}",
        doubt=doubt.text,
        first=doubt.first if side * (now_c - limit_c) >= 0.0 else "",
        cause=cause,
        more=tuple(filter(None, [*more, *inside(box)])),
        value=value,
        now=now,
        limit=limit,
        worse=side * (now_c - limit_c),
        facts={**look.facts, **door},
    )


def inside(box: BoxNow) -> Iterable[str]:
    """Where a box stands, what it holds, and where its limits come from."""
    names = ", ".join(name_eggs(x) for x in box.occupied_by)
    yield f"In it: eggs of {names}." if names else "No eggs are recorded in it."
    yield f"It stands in stack {box.box.stack} at {box.box.height_cm:.0f} cm."
    yield f"Its limits are those {box.limits_from}."


def _was(box: BoxNow, limit_c: float, snapshot: Snapshot, warm: bool) -> tuple[str, str] | None:
    """How far a box was beyond its limit in the spell that is ending or over, in words and as a value; None: it was
    not."""
    found = _spell(box, limit_c, warm)
    if found is None or box.now_c is None:
        return None
    at_ms, most_c = found
    shown = show_temperature(most_c, snapshot.unit)
    at = show_since(at_ms, snapshot.zone, snapshot.now_ms)
    text = f"{'Highest' if warm else 'Lowest'} was {shown} at {at}."
    band = box.limits.deadband_c
    safely = box.now_c < limit_c - band if warm else box.now_c > limit_c + band
    return text if safely else f"Not yet safely back. {text}", f"was {shown}"


def _spell(box: BoxNow, limit_c: float, warm: bool) -> tuple[int, float] | None:
    """When a box was furthest beyond a limit in its last spell beyond it, and how warm it was (C)."""
    side = 1.0 if warm else -1.0
    past_c = side * (box.temperature_c - limit_c)
    beyond = np.flatnonzero(past_c >= 0.0)
    if not len(beyond):
        return None
    back = np.flatnonzero(past_c[: beyond[-1]] < -box.limits.deadband_c)
    begin = int(back[-1]) + 1 if len(back) else 0
    k = begin + int(np.argmax(past_c[begin:]))
    return int(box.time_ms[k]), float(box.temperature_c[k])


def _late_fact(box: BoxNow) -> Facts:
    return {} if box.late is None else {"late_ms": box.late.newest_ms}


def _unjudged(box: BoxNow, condition: Condition | None, snapshot: Snapshot) -> Late | None:
    """What came of a box's own probes and is not judged yet; looked at only where some of the last day came late."""
    told = [p.heard for p in snapshot.probes_in(box.box.id) if p.heard is not None]
    if box.late is None or not told:
        return None
    good = [t.flag <= 2 for t in told]
    late_ms = condition.facts.get("late_ms") if condition is not None else None
    return unjudged(
        np.concatenate([t.time_ms[g] for t, g in zip(told, good, strict=True)]),
        np.concatenate([t.received_ms[g] for t, g in zip(told, good, strict=True)]),
        snapshot.now_ms,
        condition.last_ms if condition is not None else None,
        late_ms if isinstance(late_ms, int) else None,
    )


def _gap_s(box: BoxNow, snapshot: Snapshot) -> float:
    """How far apart two readings may be for a delay to run on: as far as its probes may be silent, at least.

    Else a probe of which every second message is lost could be beyond a limit for ever, and told neither as that nor as
    quiet.
    """
    inside = snapshot.room.probes_in(box.box.id)
    return max([box.limits.max_gap_s, *(p.quiet_after_s for p in inside)])


def _waits(box: BoxNow, rest: Late | None, snapshot: Snapshot) -> bool:
    """Whether more of what came late may be on the way, and nothing has waited for it for too long.

    Counted from the arrival, or from the end of an absence that is told: a start alone puts nothing off, or a service
    that is started anew each ten minutes would never judge.
    """
    if box.late is None or not box.late.arriving(snapshot.now_ms):
        return False
    if rest is None:
        return True
    away = snapshot.service.away
    began_ms = rest.began_ms if away is None else max(rest.began_ms, away[1])
    return snapshot.now_ms - began_ms < LONGEST_S * 1000


def _again_from(box: BoxNow, rest: Late | None, condition: Condition, gap_s: float) -> int | None:
    """From when a box is judged once more, because readings came that are older than what was judged; None: not.

    From a delay and a gap before the earliest of them, since its delay may have begun with one that was there; and
    never from before the last change, which was told.
    """
    if rest is None or condition.up or condition.last_ms is None or rest.first_ms > condition.last_ms:
        return None
    reach_ms = round((box.limits.on_delay_s + gap_s) * 1000)
    return max(rest.first_ms - reach_ms, (condition.changed_ms or 0) + 1)


def harm(box: BoxNow, limit_c: float, warm: bool, unit: DisplayUnit = "C") -> tuple[float, str]:
    """The temperature at which harm is taken to begin, and what it is in words."""
    of_profile = box.profile_high_c if warm else box.profile_low_c
    side = 1.0 if warm else -1.0
    if of_profile is not None and side * (of_profile - limit_c) >= LEAST_TO_HARM_C:
        return of_profile, f"the {'highest' if warm else 'lowest'} temperature of its profile"
    return limit_c + side * TO_HARM_C, f"{in_words('two degrees', TO_HARM_C, unit)} beyond the limit"


def _urgency(box: BoxNow, limit_c: float, now_ms: int, warm: bool) -> Urgency | None:
    """Less than the kind's only where the course says so with a chance of nine in ten.

    Too cool: "today" when harm is further away than twelve hours, since a night may pass before. Too warm: "today" when
    the box is on its way back below the limit within two hours by itself.
    """
    if box.course is None or box.now_c is None:
        return None
    at_harm, _ = harm(box, limit_c, warm)
    if (box.now_c >= at_harm) if warm else (box.now_c <= at_harm):
        return None
    if warm:
        back = box.course.chance(limit_c - box.limits.deadband_c, BACK_WITHIN_S, now_ms)
        return "today" if box.now_c > limit_c - box.limits.deadband_c and back >= SURE else None
    return "today" if box.course.chance(at_harm, SLOW_S, now_ms) <= 1.0 - SURE else None


def ahead(box: BoxNow, limit_c: float, snapshot: Snapshot, warm: bool) -> tuple[str, ...]:
    """How long until harm begins, and where it is taken to begin, in sentences; none where it has not and the course is
    not known."""
    if box.now_c is None:
        return ()
    at_harm, called = harm(box, limit_c, warm, snapshot.unit)
    shown = f"{show_temperature(at_harm, snapshot.unit)}, where harm begins"
    taken = f"Harm is taken to begin at {called}."
    if (box.now_c >= at_harm) if warm else (box.now_c <= at_harm):
        return f"It has reached {shown}.", taken
    if box.course is None:
        return ()
    eta = box.course.time_to(at_harm, snapshot.now_ms)
    if eta is None:
        if box.course.way != "two lags":
            return ()
        return f"As it goes it does not reach {shown}, within a day.", taken
    return f"{show_eta(eta).capitalize()} until it reaches {shown}.", taken


def _door(box: BoxNow, snapshot: Snapshot) -> tuple[str, dict[str, str | float | int | None]]:
    """A sudden move of the air in the last hours, in words and as facts: it may be all there is to it."""
    for probe in snapshot.air_probes(box.box.stack):
        if probe.heard is None:
            continue
        good = probe.heard.flag <= 2
        found = opening((probe.heard.time_ms[good], probe.heard.value[good]), snapshot.now_ms)
        if found is not None:
            moved = show_difference(abs(found.moved_c), snapshot.unit)
            text = (
                f"The air of its stack {'rose' if found.moved_c > 0 else 'fell'} {moved} at about "
                f"{show_time(found.at_ms, snapshot.zone, snapshot.now_ms)} (door, window or heater)"
                f"{' and is coming back' if found.back else ''}."
            )
            return text, {"air_moved_c": round(found.moved_c, 2), "air_moved_ms": found.at_ms}
    return "", {}


def _dose(box: BoxNow, snapshot: Snapshot) -> str:
    """How long it has been beyond what the profile of its eggs bears, if it has."""
    heat = box.heat
    if heat is None or box.profile_high_c is None or heat.total_s < LEAST_DOSE_S:
        return ""
    return (
        f"{show_span(heat.total_s)} of the last day it was at or above "
        f"{show_temperature(box.profile_high_c, snapshot.unit)}, the highest of its profile."
    )


def show_eta(eta: Eta) -> str:
    """About how long, with the span in which it lies 8 times in 10."""
    late = "a day or more" if math.isinf(eta.high_s) else show_span(eta.high_s)
    return f"about {show_span(eta.mid_s)} ({show_span(eta.low_s)} to {late}, 8 in 10)"


KINDS = (
    Kind(
        name="too-warm",
        says="Too warm",
        urgency="now",
        raises="a box at or above its upper limit for the on-delay",
        clears="below the limit by more than the deadband for the off-delay; for three hours where it came again "
        "within six hours",
        why="heat kills faster than cold; a heater that sticks does not stop by itself; it waits until today only "
        "when the box will most likely be back below the limit within two hours",
        first="Go now: heater off at the plug, lid up a little, no sudden cold.",
        otherwise="Embryos die within hours.",
        look=partial(_look, warm=True),
        groups=True,
        at_once=True,
        cleared_says="No longer too warm",
        shows=("value_c", "limit_c", "uncertainty_c"),
        keys=("limits.too_warm_c", "limits.deadband_c", "limits.on_delay", "limits.off_delay", "limits.max_gap"),
    ),
    Kind(
        name="too-cool",
        says="Too cool",
        urgency="now",
        raises="a box at or below its lower limit for the on-delay",
        clears="above the limit by more than the deadband for the off-delay; for three hours where it came again "
        "within six hours",
        why="a heater or its breaker may have failed; development slows or stops; it waits until today only when "
        "harm is most likely more than twelve hours away",
        first="Keep the room shut; look at heater, breaker, residual-current device.",
        otherwise="Development slows, and long cold kills.",
        look=partial(_look, warm=False),
        groups=True,
        at_once=True,
        cleared_says="No longer too cool",
        shows=("value_c", "limit_c", "uncertainty_c"),
        keys=("limits.too_cool_c", "limits.deadband_c", "limits.on_delay", "limits.off_delay", "limits.max_gap"),
    ),
)
