"""A probe that reports many times a second: all of it is kept, and little of it is of use."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.notices.conditions import Rule, holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot

TOO_OFTEN_PER_MIN: Final = 120.0
WELL_PER_MIN: Final = 60.0
# A device that catches up with what it kept does not go on for so long.
RULE: Final = Rule(on_delay_s=600.0)
KEPT: Final = "Of each ten seconds only the first, last, lowest and highest reading are judged."


def _look(snapshot: Snapshot) -> Iterable[Look]:
    for probe in snapshot.probes:
        pace, state = probe.pace_per_min, None
        line = f"{probe.place}: how often it reports is not known"
        if pace is not None:
            state = True if pace > TOO_OFTEN_PER_MIN else False if pace <= WELL_PER_MIN else None
            line = f"{probe.place} reports about {pace:.0f} times a minute, limit {TOO_OFTEN_PER_MIN:.0f}"
        name = probe.probe.id
        yield Look(
            name,
            holds(snapshot.now_ms, state),
            f"probe {name}",
            line,
            RULE,
            {"pace_per_min": pace},
            more=("Once a minute is plenty.", KEPT),
            value="" if pace is None else f"{pace:.0f} /min",
            limit=f"{TOO_OFTEN_PER_MIN:.0f} /min",
            worse=pace or 0.0,
        )


KIND = Kind(
    name="probe-too-often",
    says="Probe reports too often",
    urgency="later",
    raises="for ten minutes a probe has reported more than twice a second",
    clears="it reports once a second or less often",
    why="nothing in an egg room changes within a second, while all of it is stored and the disk fills up",
    first="Set its sender to once a minute; see whether it is in a loop.",
    otherwise="Few of its readings are judged, and the disk fills up.",
    look=_look,
    tell_cleared=False,
)
