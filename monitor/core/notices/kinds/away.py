"""Was away: the service itself was gone for a while, and nobody watched.

What a limit was passed by meanwhile is told by the limit's own kind, from the readings that came late; here stands only
from when to when, and what is known of each box.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.notices.conditions import Sample, Where
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import AwayNow, BoxAway, Snapshot
from monitor.core.terms.formats import show_readings, show_span, show_temperature, show_time

# What waited at the broker has come by then: it is sent as soon as there is a line again.
SETTLED_MS: Final = 5 * 60_000
LINE_UP_MS: Final = 60_000
# Without any line to the broker it is told all the same.
AT_LAST_MS: Final = 15 * 60_000
OVER_MS: Final = 6 * 3_600_000


def _look(snapshot: Snapshot) -> Iterable[Look]:
    away, now_ms = snapshot.away, snapshot.now_ms
    if away is None:
        return
    last_ms = snapshot.judged_ms("was-away", snapshot.room.name)
    link_since = snapshot.service.link.since_ms or away.until_ms
    settled = now_ms - away.until_ms >= SETTLED_MS
    heard = snapshot.service.link.state == "up" and now_ms - link_since >= LINE_UP_MS
    samples: list[Sample] = []
    if last_ms is None or last_ms < away.from_ms:
        if (settled and heard) or now_ms - away.until_ms >= AT_LAST_MS:
            # An absence before this one is over; this one began when the last round was made.
            samples = [Sample(away.from_ms - 1, Where.BACK), Sample(away.from_ms, Where.BEYOND)]
    elif now_ms - away.until_ms >= OVER_MS:
        samples = [Sample(now_ms, Where.BACK)]
    yield Look(
        snapshot.room.name,
        samples,
        f"room {snapshot.room.name}",
        _line(away, snapshot),
        more=tuple(_more(away, snapshot)),
        name="",
        value=show_span((away.until_ms - away.from_ms) / 1000),
        facts={"from_ms": away.from_ms, "until_ms": away.until_ms},
    )


def _line(away: AwayNow, snapshot: Snapshot) -> str:
    zone, now_ms = snapshot.zone, snapshot.now_ms
    return (
        f"nobody watched room {snapshot.room.name} from {show_time(away.from_ms, zone, now_ms)} to "
        f"{show_time(away.until_ms, zone, now_ms)} ({show_span((away.until_ms - away.from_ms) / 1000)})"
    )


def _more(away: AwayNow, snapshot: Snapshot) -> Iterable[str]:
    if away.late:
        yield f"{show_readings(away.late)} of that time came late."
    if away.undated:
        yield f"{show_readings(away.undated)} waited at the broker, and when they were made is not known."
    if not away.late and not away.undated:
        yield "No reading of that time has come."
    yield from (f"{_box(box, snapshot)}." for box in away.boxes)
    yield "The service was not running."
    if away.broker_forgot:
        yield "The broker kept nothing for the service meanwhile."


def _box(box: BoxAway, snapshot: Snapshot) -> str:
    def at(value_c: float, at_ms: int) -> str:
        return f"{show_temperature(value_c, snapshot.unit)} at {show_time(at_ms, snapshot.zone, snapshot.now_ms)}"

    if box.lowest is not None and box.highest is not None:
        return f"Box {box.box}: lowest {at(*box.lowest)}, highest {at(*box.highest)}"
    if box.undated_c is not None:
        low, high = (show_temperature(c, snapshot.unit) for c in box.undated_c)
        return f"Box {box.box}: {low} to {high} at times that are not known"
    return f"Box {box.box}: nothing is known of that time"


KIND = Kind(
    name="was-away",
    says="Nobody watched",
    urgency="today",
    raises="the service starts and its last round was half an hour ago or more",
    clears="six hours have passed",
    why="what happened meanwhile was told to nobody, and may not be known at all",
    first="Look at the boxes; find out why the service was not running.",
    otherwise="It happens again, and the heat may fail with it.",
    look=_look,
    dated=True,
    tell_cleared=False,
)
