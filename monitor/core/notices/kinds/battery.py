"""Battery low: a probe will soon be silent, and it is known beforehand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.core.notices.conditions import Sample, below
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.readings.batteries import DEADBAND, say
from monitor.core.terms.formats import show_time

AFTERWARDS: Final = "See that the probe reports afterwards and lies where it lay."


def _look(snapshot: Snapshot) -> Iterable[Look]:
    for battery in snapshot.batteries:
        name, of = battery.battery.id, battery.battery.battery_of
        last_ms = snapshot.judged_ms("battery-low", name)
        samples: list[Sample] = []
        look = Look(name, samples, f"battery of probe {of}", f"battery of probe {of}: nothing heard of it", name=of)
        if battery.level is not None and battery.at_ms is not None:
            if last_ms is None or battery.at_ms > last_ms:
                band = DEADBAND[battery.battery.unit]
                samples = [below(battery.at_ms, battery.level, battery.low, band)]
            outlook = say(battery)
            look = replace(
                look,
                line=f"battery of probe {of}: {battery.shown(battery.level)} at "
                f"{show_time(battery.at_ms, snapshot.zone, snapshot.now_ms)}, limit {battery.shown(battery.low)}",
                more=(
                    *([f"It {outlook}"] if outlook.startswith("falls") else [outlook] if outlook else []),
                    AFTERWARDS,
                ),
                value=battery.shown(battery.level),
                limit=battery.shown(battery.low),
                worse=battery.low - battery.level,
            )
        yield replace(look, samples=samples, facts={"level": battery.level})


KIND = Kind(
    name="battery-low",
    says="Battery low",
    urgency="later",
    raises="the level of a probe's battery (the median of its newest five readings) at or below its low level",
    clears="its level is above that by 5 %, or 0.1 V",
    why="a probe whose battery dies leaves its box unwatched, mostly at night when it is cool",
    first="Renew or charge the battery by day.",
    otherwise="The probe falls silent within days or weeks.",
    look=_look,
    tell_cleared=False,
)
