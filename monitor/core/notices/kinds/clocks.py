"""Probe's clock: what a probe or its gateway sends carries times that are wrong by a constant."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from monitor.core.notices.conditions import Rule, holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.service import CLOCK
from monitor.core.notices.snapshot import Snapshot, clock_off
from monitor.core.terms.times import HOUR_MS

RULE = Rule(on_delay_s=300.0)
LEFT_OUT: Final = "Where its time is left out, the time of arrival counts."


def _look(snapshot: Snapshot) -> Iterable[Look]:
    doubtful = snapshot.raised("clock-untrusted", CLOCK) is not None or snapshot.behind_s is not None
    for probe in snapshot.probes:
        if probe.heard is None:
            continue
        # What was received in the future came while this computer's clock was ahead.
        timed = probe.heard.timed & (probe.heard.flag <= 2) & (probe.heard.received_ms <= snapshot.now_ms)
        received_ms = probe.heard.received_ms[timed]
        fresh = bool(len(received_ms)) and snapshot.now_ms - int(np.max(received_ms)) < HOUR_MS
        line, off = f"{probe.place}: its clock is right", ""
        if probe.clock is not None:
            off = clock_off(probe.clock.behind_ms / 1000)
            line = f"{probe.place}: the times of its readings are {off} when they arrive"
        # While this computer's clock is in doubt, and told as that, it says nothing of another one.
        known = fresh and snapshot.service.clock.trusted and not doubtful
        state = probe.clock is not None if known else None
        name = probe.probe.id
        yield Look(
            name,
            holds(snapshot.now_ms, state),
            f"probe {name}",
            line,
            RULE,
            more=("Until that is mended they count as so much later or earlier.", LEFT_OUT) if off else (),
            value=off,
            worse=0.0 if probe.clock is None else abs(probe.clock.behind_ms),
        )


KIND = Kind(
    name="probe-clock",
    says="Probe's clock wrong",
    urgency="today",
    raises="all messages of a probe within 25 minutes, four at least, carry times that are more than ten minutes "
    "old, all by as much; or they carry times that are still to come",
    clears="its times are right",
    why="development is a sum over time; meanwhile its readings count for when they came, but what it kept during an "
    "outage cannot be dated well",
    first="Set the probe's clock, or leave its time out of the room's file.",
    otherwise="When its error changes, some readings are dated wrongly.",
    look=_look,
    groups=True,
    tell_cleared=False,
)
