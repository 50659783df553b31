"""What to do otherwise next season, each with its reason: by rules on what is known, and quiet where that is thin.

All borders here are judgement, no source, unless they say otherwise. Nothing here is medical advice, and nothing
touches an egg: losses are named, and an experienced keeper or a veterinarian is asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from monitor.core.season.figures import BoxSeason, Season
from monitor.core.season.held import LEAST_CLUTCHES, UNLIKELY, chance_of, told_first
from monitor.core.season.met import Matter
from monitor.core.terms.events import LOST, EventKind
from monitor.core.terms.formats import (
    in_words,
    show_difference,
    show_span,
    show_temperature,
    show_within_difference,
)
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

# Within so much of a limit a box is near it.
NEAR_C: Final = 0.5
# A share of the time near a limit, or without readings, from which on it is worth a change.
NEAR_SHARE: Final = 0.1
GAP_SHARE: Final = 0.02
LONG_GAP_S: Final = 12 * 3600.0
BEYOND_S: Final = 2 * 3600.0
# One kind of loss is many from so many eggs on, and so much of those laid.
MANY_LOST, MANY_LOST_SHARE = 3, 0.2
# So many matters for now or today at least that nobody answered, and half of all of them.
LEAST_UNANSWERED: Final = 3
# A look before the pip is good for nothing when it is so much older.
LOOK_AGE_MS: Final = 2 * DAY_MS
HALF_WAY: Final = 0.5
# No eggs of a breeder lie longer; a clutch that is still open then was forgotten.
LONGEST_MS: Final = 400 * DAY_MS


@dataclass(frozen=True, slots=True)
class Advised:
    """What to do, and why: both in plain words."""

    what: str
    why: str


def next_season(season: Season, unit: DisplayUnit) -> tuple[Advised, ...]:
    """What the season says of the next one, what weighs most first."""
    return (
        *_beyond_limits(season, unit),
        *_losses(season),
        *_unanswered(season),
        *_silent(season),
        *_uneven(season, unit),
        *_near_limits(season, unit),
        *_windows(season),
        *_looks(season),
        *_accounts(season),
    )


def _beyond_limits(season: Season, unit: DisplayUnit) -> Iterator[Advised]:
    for side in ("above", "below"):
        found = []
        for x in season.boxes:
            seconds = x.above_s if side == "above" else x.below_s
            limit_c = x.limits.too_warm_c if side == "above" else x.limits.too_cool_c
            if limit_c is not None and seconds >= BEYOND_S:
                found.append((x.box.id, seconds, limit_c))
        if not found:
            continue
        names = ", ".join(name for name, _, _ in found)
        each = ", ".join(f"{name} {show_span(s)} (limit {show_temperature(c, unit)})" for name, s, c in found)
        yield Advised(
            f"Find out what took box{'es' if len(found) > 1 else ''} {names} {side} the limit before eggs lie there "
            "again: heater, thermostat, door, sun, another place in the stack.",
            f"At the limit or {side} while eggs lay there: {each}.",
        )


def _near_limits(season: Season, unit: DisplayUnit) -> Iterator[Advised]:
    for x in season.boxes:
        whole_s = (x.to_ms - x.from_ms) / 1000.0
        if whole_s <= 0.0 or x.near_s < NEAR_SHARE * whole_s or max(x.above_s, x.below_s) >= BEYOND_S:
            continue
        yield Advised(
            f"Give box {x.box.id} more room to its limits: another height, or another set point.",
            f"{100 * x.near_s / whole_s:.0f} % of the time it was less than {show_difference(NEAR_C, unit)} inside "
            "one: a small fault would have taken it beyond.",
        )


def _losses(season: Season) -> Iterator[Advised]:
    balance = season.balance
    for how, count in balance.lost:
        if how == "other" or count < MANY_LOST or count < MANY_LOST_SHARE * balance.laid:
            continue
        boxes = {x.lot.box: dict(x.lot.lost).get(how, 0) for c in season.clutches for x in c.eggs}
        inside = {box for box, n in boxes.items() if n}
        where = f", all that lay in a box in {next(iter(inside))}" if len(inside) == 1 and len(boxes) > 1 else ""
        yield Advised(_ASK[how], f"{count} of {balance.laid} eggs: {LOST[how]}{where}.")


_ASK: Final = {
    "slug": "Ask an experienced keeper or a reptile veterinarian about the pairs whose eggs were infertile, before "
    "they are paired again.",
    "mould": "Note what substrate the eggs lay in and how damp it was, and ask an experienced keeper or a reptile "
    "veterinarian what to change before the next clutch is set.",
    "dried-out": "Weigh each box when it is set and then weekly (warmtally record weighed): what it loses is water, "
    "and is seen before the eggs show it.",
    "in-egg": "Ask a reptile veterinarian about the eggs that died, with the temperatures of their boxes from this "
    "report.",
    "in-shell": "Ask a reptile veterinarian about the young that died in the shell, with the temperatures and the "
    "dampness of their boxes from this report.",
}


def _unanswered(season: Season) -> Iterator[Advised]:
    asked = [m for m in season.matters if m.urgency != "later"]
    alone = [m for m in asked if not m.answered]
    if len(alone) < LEAST_UNANSWERED or 2 * len(alone) < len(asked):
        return
    now = [m for m in alone if m.urgency == "now"]
    yield Advised(
        "See that somebody is reached and answers: a second channel, and a second person after twenty minutes "
        "(channels.after). What is never answered because it needs no hand could be quieter (warmtally attention).",
        f"{len(alone)} of {len(asked)} notices that asked for a hand were answered by nobody"
        + (f", {len(now)} of them for now, such as: {_longest(now).title}." if now else "."),
    )


def _longest(matters: list[Matter]) -> Matter:
    return max(matters, key=lambda m: m.lasted_s or 0.0)


def _silent(season: Season) -> Iterator[Advised]:
    forgotten = bool(_forgotten(season))
    for whole in season.boxes:
        # Where nobody said that the eggs are gone, nobody knows how long the probe was to be heard.
        inner = tuple(gap for gap in whole.gaps if not (forgotten and gap[1] == whole.to_ms))
        x = replace(whole, gaps=inner)
        if x.mean_c is None:
            yield Advised(f"Lay a probe into box {x.box.id}.", "Eggs lay in it, and nothing was measured there.")
        elif "own" not in x.source and "mean of its" not in x.source:
            yield Advised(
                f"Lay a probe into box {x.box.id}.",
                f"Its temperature came from {x.source}, which is good to half a degree at best.",
            )
        elif x.gap_share >= GAP_SHARE or x.longest_gap_s >= LONG_GAP_S:
            yield Advised(
                f"Mend how the probe of box {x.box.id} is heard: its battery, its reach, its cable.",
                _gaps(x),
            )


def _gaps(x: BoxSeason) -> str:
    gaps = "once" if len(x.gaps) == 1 else f"{len(x.gaps)} times"
    return (
        f"It was not heard {gaps}, {100 * x.gap_share:.1f} % of the time, {show_span(x.longest_gap_s)} at the longest: "
        "what is filled in makes windows wider."
    )


def _uneven(season: Season, unit: DisplayUnit) -> Iterator[Advised]:
    never = [s for s in season.stacks if s.whole is not None and not s.whole.compared]
    if never:
        names = " and of ".join(f"stack {s.stack}" for s in never)
        yield Advised(
            f"Compare the probes of {names} before the first clutch is set (warmtally compare).",
            f"They were never compared, and {in_words('half a degree', 0.5, unit)} between two probes is days of "
            "hatch date: what is said here of the differences between boxes is no surer than that.",
        )
    for stack in season.stacks:
        whole = stack.whole
        if whole is None:
            continue
        twice = 2.0 * whole.difference_sd_c
        differ = show_within_difference(whole.difference_c, twice, unit)
        days = max((abs(c.days) for c in stack.costs), default=0.0)
        if whole.beyond_probes and days >= 1.0:
            yield Advised(
                f"Even out stack {stack.stack}: stir its air, set clutches at one height, or let boxes change places "
                f"half way (warmtally stack {stack.stack} says what each would gain).",
                f"{whole.warmest} was {differ} warmer than {whole.coolest} on average over the season, which the "
                f"probes alone do not explain: {days:.1f} days of a whole incubation.",
            )


def _windows(season: Season) -> Iterator[Advised]:
    """One window for each clutch: its boxes share what makes it late."""
    told = [
        (c.clutch.id, found.came(c.first_pip))
        for c in season.clutches
        if (found := told_first(c, HALF_WAY)) is not None
    ]
    missed = [name for name, came in told if came != "inside"]
    n, k = len(told), len(missed)
    if n < LEAST_CLUTCHES or chance_of(k, n) >= UNLIKELY:
        return
    sides = {came for _, came in told if came != "inside"}
    side = f", all {next(iter(sides))}" if len(sides) == 1 else ""
    yield Advised(
        "Let the table learn from your own clutches (warmtally learn; --apply takes it), and check the lay dates and "
        "the species' profile.",
        f"Of {n} windows told half way, {k} did not hold the first pip{side} ({', '.join(missed)}); 2 in 10 would be "
        "ordinary.",
    )


def _looks(season: Season) -> Iterator[Advised]:
    pipped = [c for c in season.clutches if c.first_pip is not None]
    blind = [
        c.clutch.id
        for c in pipped
        if (seen := c.first_pip) is not None and (seen.after_ms is None or seen.by_ms - seen.after_ms > LOOK_AGE_MS)
    ]
    if blind:
        yield Advised(
            "Tell of looks that found nothing, once the window has opened (warmtally record looked).",
            f"Of {_clutches(len(blind))} with pips ({', '.join(blind)}) no look within two days before the first one "
            "is known, so nobody knows the day; the forecast and what is learned are vaguer by that.",
        )


def _accounts(season: Season) -> Iterator[Advised]:
    odd = [c.clutch.id for c in season.clutches if c.balance.odd]
    if odd:
        yield Advised(
            f"Put the account right: warmtally clutch show {odd[0]}.",
            f"Eggs of {', '.join(odd)} are not accounted for.",
        )
    forgotten = _forgotten(season)
    if forgotten:
        yield Advised(
            f"Say what became of {', '.join(forgotten)}: warmtally record finished {forgotten[0]}.",
            "Nobody finished it, and no eggs lie that long; its figures go on until then.",
        )
    candled = any(e.kind is EventKind.CANDLED for c in season.clutches for e in c.clutch.events)
    if not candled and season.balance.laid and season.balance.dead >= MANY_LOST:
        yield Advised(
            "Candle, without turning the egg, and tell what was seen (warmtally record candled).",
            f"{season.balance.dead} eggs were lost, and of none is it known when it was last seen alive.",
        )


def _forgotten(season: Season) -> list[str]:
    """Clutches that nobody finished, though no eggs lie that long."""
    return [c.clutch.id for c in season.ongoing if season.to_ms - c.clutch.laid_ms >= LONGEST_MS]


def _clutches(count: int) -> str:
    return "1 clutch" if count == 1 else f"{count} clutches"
