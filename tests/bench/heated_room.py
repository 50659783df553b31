"""What a keeper of a real heated room would have been told: every notice with its text, and how many came each week.

The 41 days of ``real_input``, its probes taken in three ways: as what they are, air of the stack beside two boxes
without probes; as those of two boxes; and the same with a reading every five minutes, the one between on the line from
the reading before to the one after. Limits are the same in each. The room is steady in its first week and a half; then
its heating changes, and in the end it is unheated, so that most of what comes later is true.

No probe of this room was at fault: whoever accuses one is wrong. That those of boxes hang in the air is true.
"""

from __future__ import annotations

import itertools
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from monitor.core.notices.attention import MESSAGES_A_WEEK
from monitor.core.notices.fitting import TEXT_MOST, TITLE_MOST, after_first
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Probe, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench import Figures
from tests.bench.real_input import MINUTE_MS, SPECIES, settings, stream
from tests.bench.stepped import Stepped, stepped

Row = tuple[int, Mapping[str, float]]
HEIGHTS_CM = {"lower-t": 67.0, "upper-t": 187.0}
# Kinds that say of a probe what is true of none here.
ACCUSING = frozenset({
    "probe-clock", "probe-drifting", "probe-jumps", "probe-out", "probe-saturated", "probe-stuck", "probe-too-often",
    "probe-unit", "probe-unread", "probes-swapped",
})  # fmt: skip
# So long from the start on the room was held at 30 C by the heater that it had.
STEADY_DAYS = 9
MORNING_H = 8


def _as_air(given: Settings) -> Settings:
    def hung(probe: Probe) -> Probe:
        if probe.id not in HEIGHTS_CM:
            return probe
        return replace(probe, box=None, stack="rack", height_cm=HEIGHTS_CM[probe.id])

    return replace(given, room=replace(given.room, probes=tuple(hung(p) for p in given.room.probes)))


def _every_five_minutes(given: Settings) -> Settings:
    probes = (replace(p, interval_s=300.0, quiet_after_s=900.0) for p in given.room.probes)
    return replace(given, room=replace(given.room, probes=tuple(probes)))


def _between(rows: Iterable[Row]) -> list[Row]:
    """With a row in the middle of each ten minutes, on the line; none where the record has a gap."""
    found: list[Row] = []
    for (at_ms, values), (next_ms, then) in itertools.pairwise(rows):
        found.append((at_ms, values))
        if next_ms - at_ms == 10 * MINUTE_MS:
            middle = {name: round((values[name] + then[name]) / 2, 3) for name in values}
            found.append((at_ms + 5 * MINUTE_MS, middle))
    return found


def measure(days: int = 41) -> Figures:
    """The first so many days; a text that breaks the rule and a probe that is accused are in ``falls_short``."""
    rows = stream()
    rows = [row for row in rows if row[0] <= rows[0][0] + days * DAY_MS]
    given = settings(())
    ways: dict[str, tuple[Settings, Sequence[Row]]] = {
        "air": (_as_air(given), rows),
        "boxes": (given, rows),
        "boxes_5_min": (_every_five_minutes(given), _between(rows)),
    }
    figures: dict[str, float | str] = {"days": days}
    short: list[str] = []
    for label, (taken, published) in ways.items():
        with tempfile.TemporaryDirectory() as name, stepped(taken, Path(name), published[0][0]) as run:
            _set_eggs(run, published[0][0])
            notices = _played(run, published)
        figures |= _told(label, notices, published[0][0], days, short)
    notes = [
        "a round for each row; the daily line at 08:00 of the room's zone, here UTC",
        "by themselves: all that comes beside the daily line; reminders too, since here nobody answers",
    ]
    return Figures(figures, short, notes)


def _set_eggs(run: Stepped, at_ms: int) -> None:
    told = {"clutch": "K01", "recorded_ms": at_ms, "at_ms": at_ms}
    run.app.parts.store.account.tell(KeeperEvent(EventKind.LAID, species=SPECIES, eggs=12, **told))  # type: ignore[arg-type]
    for box in ("lower", "upper"):
        run.app.parts.store.account.tell(KeeperEvent(EventKind.SET, box=box, eggs=6, **told))  # type: ignore[arg-type]


def _played(run: Stepped, published: Iterable[Row]) -> list[Notice]:
    """The rows through the service, with a daily line each morning."""
    morning: int | None = None
    for row in published:
        due = (row[0] - MORNING_H * HOUR_MS) // DAY_MS
        if morning is not None and due > morning:
            run.app.parts.orders.put("daily")
        morning = due
        run.replay([(row[0], {f"eggroom/{p}": x for p, x in row[1].items()})], 10 * MINUTE_MS)
    return run.app.parts.store.ledger.notices(100_000)[::-1]


def _told(label: str, notices: list[Notice], start_ms: int, days: int, short: list[str]) -> dict[str, float | str]:
    alone = [n for n in notices if n.change != "daily" and not n.for_daily_line]
    written = [n for n in notices if n.for_daily_line]
    week = Counter((n.at_ms - start_ms) // (7 * DAY_MS) for n in alone)
    reminders = Counter((n.at_ms - start_ms) // (7 * DAY_MS) for n in alone if n.change == "still")
    figures: dict[str, float | str] = {
        f"{label}_by_themselves": len(alone),
        f"{label}_reminders": sum(n.change == "still" for n in alone),
        f"{label}_in_the_daily_line": len(written),
        f"{label}_daily_lines": sum(n.change == "daily" for n in notices),
        f"{label}_each_week": ", ".join(f"{week[w]} ({reminders[w]} reminders)" for w in range((days + 6) // 7)),
        f"{label}_by_kind": ", ".join(f"{kind} {n}" for kind, n in Counter(n.kind for n in alone).most_common()),
    }
    steady = [n for n in alone if n.at_ms < start_ms + STEADY_DAYS * DAY_MS]
    figures[f"{label}_steady_a_week"] = round(len(steady) / STEADY_DAYS * 7, 2)
    if len(steady) / STEADY_DAYS * 7 > MESSAGES_A_WEEK:
        short.append(f"{label}: more than {MESSAGES_A_WEEK:g} messages a week while the room was steady")
    for i, n in enumerate(notices, 1):
        at = datetime.fromtimestamp(n.at_ms / 1000, UTC)
        lined = " / ".join(n.text.splitlines())
        figures[f"{label}_{i:03d}"] = f"{at:%m-%d %H:%M} [{n.urgency}, {n.kind}, {n.change}] {n.title} / {lined}"
        if n.kind in ACCUSING:
            short.append(f"{label}: a probe that was right is accused: {n.title}")
        if len(n.title) > TITLE_MOST or after_first(n.text) > TEXT_MOST:
            short.append(f"{label}: too long: {n.title}")
    return figures
