"""Battery low: a probe will soon be silent, and it is known beforehand."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.notices.conditions import Sample, below
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.readings.batteries import DEADBAND, say
from monitor.core.terms.formats import show_time


def _look(snapshot: Snapshot) -> Iterable[Look]:
    for battery in snapshot.batteries:
        name, of = battery.battery.id, battery.battery.battery_of
        last_ms = snapshot.judged_ms("battery-low", name)
        samples: list[Sample] = []
        line = f"battery of probe {of}: nothing heard of it"
        if battery.level is not None and battery.at_ms is not None:
            if last_ms is None or battery.at_ms > last_ms:
                band = DEADBAND[battery.battery.unit]
                samples = [below(battery.at_ms, battery.level, battery.low, band)]
            line = (
                f"battery of probe {of}: {battery.shown(battery.level)} at "
                f"{show_time(battery.at_ms, snapshot.zone, snapshot.now_ms)}, low at {battery.shown(battery.low)}"
            )
            outlook = say(battery)
            line += f"; {outlook}" if outlook else ""
        yield Look(name, samples, f"battery of probe {of}", line, facts={"level": battery.level})


KIND = Kind(
    name="battery-low",
    says="Battery low",
    urgency="diary",
    raises="the level of a probe's battery (the median of its newest five readings) at or below its low level",
    clears="its level is above that by 5 %, or 0.1 V",
    why="a probe whose battery dies leaves its box unwatched, mostly at night when it is cool",
    first="Renew or charge the battery by day; see that the probe reports afterwards and lies where it lay.",
    otherwise="The probe falls silent within days or weeks.",
    look=_look,
    tell_cleared=False,
)
