"""Heater weak: it has lost strength against the first days after it was last known to be good."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.climate.heater import FULL_DUTY, LEAST_LOSS, HeaterNow
from monitor.core.notices.conditions import holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import show_day, show_difference
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS

# With so little time left, or so little reserve, it needs a hand today.
SOON_DAYS: Final = 14.0
NEAR_FULL: Final = 0.9
# It counts as strong again from here on, so that one near the limit is not told to and fro.
WELL: Final = 0.94


def in_words(heater: HeaterNow, unit: DisplayUnit) -> str:
    """What is known of a heater, as a part of a sentence."""
    w = heater.wear
    if w is None:
        return f"nothing is known of its strength: {heater.untold}"
    said = (
        f"it warms the air by {show_difference(w.c_per_h, unit)} an hour at full power "
        f"({show_difference(w.first_c_per_h, unit)} at first, {100 * w.left:.0f} %), is on for {100 * w.duty:.0f} % of "
        f"the time (at first {100 * w.first_duty:.0f} %), for {100 * w.most_duty:.0f} % in the hardest hours of a day"
    )
    if w.most_duty >= FULL_DUTY and w.weak:
        said += "; it has no reserve left"
    elif w.full_in_days is not None and w.weak:
        said += f"; if that goes on, it has no reserve left in about {w.full_in_days:.0f} days"
    return said


def _more(heater: HeaterNow, snapshot: Snapshot) -> Iterable[str]:
    w, unit = heater.wear, snapshot.unit
    if w is None:
        return
    if w.most_duty >= FULL_DUTY:
        yield "It has no reserve left."
    elif w.full_in_days is not None:
        yield f"If that goes on, it has no reserve left in about {w.full_in_days:.0f} days."
    yield f"It has been so since about {show_day(w.since_day * DAY_MS, snapshot.zone)}."
    yield (
        f"It warms the air by {show_difference(w.c_per_h, unit)} an hour at full power, at first by "
        f"{show_difference(w.first_c_per_h, unit)}."
    )
    yield (
        f"It is on for {100 * w.duty:.0f} % of the time, at first {100 * w.first_duty:.0f} %, in the hardest hours "
        f"{100 * w.most_duty:.0f} %."
    )
    yield f"Seen by probe {heater.probe or '-'}. Was it moved or covered?"


def soon(heater: HeaterNow) -> bool:
    """Whether a weak heater is about to have no reserve."""
    w = heater.wear
    return w is not None and (w.most_duty >= NEAR_FULL or (w.full_in_days is not None and w.full_in_days <= SOON_DAYS))


def _look(snapshot: Snapshot) -> Iterable[Look]:
    if snapshot.room.watch.heater_since_ms is None:
        return
    for stack, heater in snapshot.heaters.items():
        w = heater.wear
        weak = w is not None and w.weak
        line = f"the heater of stack {stack}, by probe {heater.probe or '-'}: {in_words(heater, snapshot.unit)}"
        if w is not None and weak:
            line = f"the heater of stack {stack} gives {100 * w.left:.0f} % of what it gave at first"
        yield Look(
            stack,
            holds(snapshot.now_ms, True if w is not None and w.weak else False if w and w.left >= WELL else None),
            f"heater of stack {stack}",
            line,
            facts={"left": None if w is None else round(w.left, 3)},
            urgency="today" if weak and soon(heater) else None,
            more=tuple(_more(heater, snapshot)) if weak else (),
            name=stack,
            value="" if w is None else f"{100 * w.left:.0f} %",
            limit=f"{100 * (1 - LEAST_LOSS):.0f} %" if weak else "",
            worse=0.0 if w is None else -w.left,
        )


KIND = Kind(
    name="heater-weak",
    says="Heater weak",
    urgency="later",
    raises="(only with [watch] heater_since) for five days a heater has given 12 % or more less than at first, by the "
    "swing of the air that its thermostat keeps; today, when the trend leaves no reserve within two weeks",
    clears="it gives as much again, or heater_since is set anew",
    why="a heater that ages is on for longer, until it is on all the time and the room cools in the next cold night",
    first="Look at the heater, its fan, filter and plug; have a spare at hand.",
    otherwise="One cold night the room cannot be kept warm any more.",
    look=_look,
    cleared_says="Heater as strong as before",
    keys=("watch.heater_since",),
)
