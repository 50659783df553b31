"""When the first pip of a lot is expected: its sentences, and the same as JSON."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from monitor.core.development.lots import FirstPip, LotNow
from monitor.core.development.plans import Plan
from monitor.core.development.sex import SexNow
from monitor.core.development.siblings import looked_since, verdict, waits_until
from monitor.core.development.species import RESTS_ON
from monitor.core.development.window import Window
from monitor.core.terms.balance import became_of_lot
from monitor.core.terms.formats import name_eggs, show_day, show_difference, show_eggs, show_temperature, show_time
from monitor.core.terms.times import DAY_MS
from monitor.telling.as_json import rounded, utc

if TYPE_CHECKING:
    from monitor.telling.at_hand import Reader
    from monitor.telling.forms_eggs import LotJson, SexOfLotJson, SilenceJson

# So much of the time filled in makes a date less sure by more than one can leave out. Judgement, no source.
MUCH_FILLED: Final = 0.05
CAUTION: Final = (
    "A window is an estimate. No egg is opened on its word: wait, look, candle, and ask an experienced keeper or a "
    "reptile veterinarian."
)


def heading(lot: LotNow, reader: Reader, at_ms: int) -> str:
    """Which eggs, how many, of what, and as known when."""
    return (
        f"{name_eggs(lot.lot.id)}: {show_eggs(lot.lot.eggs)} of {lot.clutch.species}, {show_time(at_ms, reader.zone)}"
    )


def expected_lines(
    lot: LotNow,
    reader: Reader,
    at_ms: int,
    *,
    plan: Plan | None = None,
    told: bool = False,
    why: bool = False,
    drawn: Callable[[Window], str] | None = None,
) -> list[str]:
    """What is expected of a lot. ``told``: what becomes of eggs that lie still is told elsewhere; ``why``: with all
    that it rests on; ``drawn``: what stands as a line under the window."""
    unit, past, ahead = reader.unit, lot.past, lot.ahead
    lines = []
    if (why or plan is not None) and past is not None and past.mean_c is not None and ahead is not None:
        to_come = f"assumed ({plan.label})" if plan else "expected from now on"
        lines.append(
            f"  mean so far {show_temperature(past.mean_c, unit, 2)}, {to_come} "
            f"{show_temperature(ahead.temperature_c, unit, 2)}, "
            f"probe ± {show_difference(2 * past.error.total_c, unit, 2)}"
        )
    if past is not None and past.filled_share > (0.0005 if why else MUCH_FILLED):
        ways = ", ".join(f"{way} {seconds / 3600:.1f} h" for way, seconds in past.filled_how.items())
        lines.append(f"  filled in, not measured: {100 * past.filled_share:.1f} % of the time ({ways or 'unknown'})")
    if lot.still_open:
        lines.append(f"  {lot.still_open}")
    if lot.refused:
        lines += [] if lot.refused == lot.still_open else [f"  no date: {lot.refused}"]
    elif nothing := nothing_left(lot):
        lines.append(f"  {nothing}")
    if lot.first_pip is not None:
        lines += _pip_lines(lot, lot.first_pip, at_ms, reader, told=told, why=why, drawn=drawn)
    if why and lot.sex is not None:
        lines += _sex_lines(lot.sex, reader)
    if why:
        lines += [f"  note: {note}" for note in lot.notes]
    elif lot.grade in RESTS_ON:
        lines.append(f"  {RESTS_ON[lot.grade]}")
    return lines


def rest_is_late(lot: LotNow, at_ms: int) -> bool:
    """Whether eggs lie still beside others that pipped, for longer than nine of ten that live would have."""
    silence = lot.first_pip.silence if lot.first_pip is not None else None
    return silence is not None and silence.rest_by_ms is not None and at_ms >= silence.rest_by_ms


def nothing_left(lot: LotNow) -> str:
    """Why nothing is waited for; empty where something is."""
    what = lot.lot
    if not what.open:
        return f"nothing of it lies there any more: {became_of_lot(what)}"
    return "" if what.waiting or what.pipped else f"no date: no egg is waited for ({became_of_lot(what)})"


def _pip_lines(
    lot: LotNow,
    pip: FirstPip,
    at_ms: int,
    reader: Reader,
    *,
    told: bool,
    why: bool,
    drawn: Callable[[Window], str] | None,
) -> list[str]:
    """When the first pip was seen, or is expected; and of what lies still beside it, when that is. ``told``: until when
    to wait is told elsewhere."""
    w, zone, lines = pip.window, reader.zone, []
    if lot.lot.pips:
        seen = lot.lot.pips[0]
        look = f"none at {show_time(seen.after_ms, zone)}" if seen.after_ms is not None else "no look before was told"
        lines.append(f"  first pip: {show_eggs(seen.count)} seen at {show_time(seen.by_ms, zone)}, {look}")
        lines.append(f"    most likely {between(w, reader)} (8 in 10)")
    else:
        # Nobody waits for an egg by a date that rests on its being alive, when that is in doubt.
        lives = ", if it lives" if pip.silence is not None and at_ms > pip.silence.wait_until_ms else ""
        lines.append(f"  first pip {between(w, reader)} (8 in 10{lives}), middle {moment_of(w.p50_ms, w, reader)}")
        lines += [drawn(w)] if drawn is not None else []
    causes = [f"{c.name} ± {c.days:.1f} d" for c in w.causes if c.days >= 0.05]
    lines += ["  uncertain because: " + "; ".join(causes)] if causes and why else []
    silence = pip.silence
    if silence is None or not (lot.lot.pips or at_ms >= pip.open_window.p10_ms):
        return lines
    until = show_day(silence.wait_until_ms, zone)
    if silence.rest is None and told:
        return lines
    if silence.rest is None:
        lines.append(f"  wait until {until}: by then 99 of 100 living boxes would have pipped")
        return lines
    rest = between(silence.rest, reader)
    lines.append(f"  the other {show_eggs(lot.lot.waiting)}: {rest} (8 in 10 of those that live); wait until {until}")
    waits = waits_until(silence.wait_until_ms, at_ms, zone)
    if silence.rest_by_ms is not None and at_ms >= silence.rest_by_ms:
        known = {"looked": looked_since(lot.lot, silence), "none_alive": lot.lot.none_alive_ms is not None}
        said = verdict(silence.each, waits=waits, **known)
        lines.append(f"    each of them, late or failed: {said}")
    return lines


def moment_of(at_ms: int, w: Window, reader: Reader) -> str:
    """By the day where the width is days, else by the minute."""
    return (show_day if w.p90_ms - w.p10_ms >= 2 * DAY_MS else show_time)(at_ms, reader.zone)


def between(w: Window, reader: Reader) -> str:
    """From when to when."""
    return f"between {moment_of(w.p10_ms, w, reader)} and {moment_of(w.p90_ms, w, reader)}"


def _sex_lines(sex: SexNow, reader: Reader) -> list[str]:
    """Only for species whose sex is decided by temperature, once that has begun."""
    side = "above" if sex.temperature_c > sex.pivotal_c else "below"
    lines = [
        f"  sex: mean {show_temperature(sex.temperature_c, reader.unit, 2)} in the part of development that decides it"
    ]
    lines.append(
        f"    ({100 * sex.behind:.0f} % of it over), "
        f"{show_difference(abs(sex.temperature_c - sex.pivotal_c), reader.unit)} {side} the pivotal temperature of "
        f"{show_temperature(sex.pivotal_c, reader.unit)}: more {sex.more}"
    )
    if sex.females is not None and sex.females_p10 is not None and sex.females_p90 is not None:
        lines.append(
            f"    about {100 * sex.females:.0f} % females (8 in 10: {100 * sex.females_p10:.0f} to "
            f"{100 * sex.females_p90:.0f} %), over many clutches; a single one may be far off"
        )
    return lines


# -- for other programs -----------------------------------------------------------------------------------------------


def lot_json(lot: LotNow, at_ms: int) -> LotJson:
    """What is known of a lot, and when its first pip is expected."""
    past, ahead, pip = lot.past, lot.ahead, lot.first_pip
    w = pip.window if pip else None
    return {
        "lot": lot.lot.id,
        "clutch": lot.clutch.id,
        "box": lot.lot.box,
        "species": lot.clutch.species,
        "counts": lot.counts,
        "confidence": lot.grade,
        "at": utc(at_ms),
        "eggs": lot.lot.eggs,
        "waiting": lot.lot.waiting,
        "pipped": lot.lot.pipped,
        "open": lot.lot.open,
        "development": rounded(past.development, 6) if past else None,
        "degree_days": rounded(past.degree_days, 4) if past else None,
        "base_c": rounded(past.base_c, 3) if past else None,
        "filled_share": rounded(past.filled_share, 6) if past else 0.0,
        "filled": {way: round(seconds / 3600.0, 2) for way, seconds in past.filled_how.items()} if past else {},
        "mean_c": rounded(past.mean_c, 3) if past else None,
        "heat": None
        if lot.heat is None
        else {
            "limit_c": lot.heat.limit_c,
            "total_h": round(lot.heat.exposure.total_s / 3600, 2),
            "longest_h": round(lot.heat.exposure.longest_s / 3600, 2),
        },
        "expected_c": rounded(ahead.temperature_c, 3) if ahead else None,
        "rate_per_day": rounded(ahead.rate_per_day, 6) if ahead else None,
        "first_pip": None if w is None else quantiles_json(w),
        "overdue": None if w is None else w.overdue,
        **_silence_json(pip, at_ms),
        "causes": [] if w is None else [{"cause": c.name, "days": round(c.days, 3)} for c in w.causes],
        "sex": None if lot.sex is None else sex_of_lot_json(lot.sex),
        "no_sex": None if lot.sex is not None else lot.no_sex or lot.refused or None,
        "refused": lot.refused or None,
        "still_open": lot.still_open or None,
        "notes": list(lot.notes),
    }


def quantiles_json(w: Window) -> dict[str, str]:
    """The times of a window by their probability in per cent: p10, p50, p90 and what else was asked for."""
    told = {"p10": utc(w.p10_ms), "p50": utc(w.p50_ms), "p90": utc(w.p90_ms)}
    return told | {f"p{round(100 * p):02d}": utc(t) for p, t in zip(w.probabilities, w.times_ms, strict=True)}


def _silence_json(pip: FirstPip | None, at_ms: int) -> SilenceJson:
    """Of what lies still: nothing before the window opens."""
    silence = None if pip is None or at_ms < pip.open_window.p10_ms else pip.silence
    return {
        "chance_only_late": None if silence is None else rounded(silence.chance, 4),
        "chance_each_lives": None if silence is None else rounded(silence.each, 4),
        "wait_until": None if silence is None else utc(silence.wait_until_ms),
        "rest": None
        if silence is None or silence.rest is None
        else {"p10": utc(silence.rest.p10_ms), "p50": utc(silence.rest.p50_ms), "p90": utc(silence.rest.p90_ms)},
    }


def sex_of_lot_json(sex: SexNow) -> SexOfLotJson:
    """What the warmth so far came to, of a species whose sex it decides."""
    return {
        "behind": round(sex.behind, 4),
        "temperature_c": round(sex.temperature_c, 3),
        "uncertainty_c": round(sex.u_c, 3),
        "pivotal_c": sex.pivotal_c,
        "more": sex.more,
        "females": rounded(sex.females, 4),
        "females_p10": rounded(sex.females_p10, 4),
        "females_p90": rounded(sex.females_p90, 4),
        "papers": list(sex.papers),
        "text": sex.text or None,
    }
