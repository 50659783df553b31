"""An invented season for tests: two stacks, three clutches, seventy days of readings, and what was told meanwhile.

The left stack is a degree warmer at the top, the right one even; one box is silent for a day, another too warm for five
hours. The first clutch lies in two boxes of the left stack, the second in the right one, and loses eggs to mould; the
third is nothing but slugs.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.adapters.store import Columns
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Urgency
from tests.desk import Desk, part, probe

LAID: Final = datetime(2026, 5, 1, 7, tzinfo=UTC)
NOW: Final = datetime(2026, 7, 12, 9, tzinfo=UTC)
STACKS: Final = {"left": {"upper": 150.0, "lower": 60.0}, "right": {"top": 120.0, "bottom": 40.0}}
WARMTH_C: Final = {"upper": 28.4, "lower": 27.2, "top": 27.9, "bottom": 27.8}
STEP_MIN: Final = 10
DAYS: Final = 72
ADDRESS: Final = "http://eggroom.local:8480"
# Box, from day, to day: nothing is heard, or it is so much warmer.
SILENT: Final = ("lower", 30.0, 31.0)
HOT: Final = ("top", 40.0, 40.3, 4.0)


def ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


def at_day(days: float) -> datetime:
    return LAID + timedelta(days=days)


def room_file(*, answers: bool, unit: str = "C") -> str:
    parts = [part("[room]", name="Invented room", time_zone="Europe/Vienna", display_unit=unit)]
    parts.append(part("[broker]", host="127.0.0.1"))
    for stack, boxes in STACKS.items():
        parts.append(part("[[stacks]]", id=stack))
        parts += [part("[[stacks.boxes]]", id=box, height_cm=height_cm) for box, height_cm in boxes.items()]
    parts += [
        probe(f"{box}-warmth", f"room/{box}", box=box, uncertainty_c=0.15) for boxes in STACKS.values() for box in boxes
    ]
    parts.append(part("[limits]", too_warm_c=31.0, too_cool_c=25.0))
    if answers:
        parts.append(part("[answers]", listen="0.0.0.0:8480", address=ADDRESS))
    return "\n".join(parts)


def readings(box: str) -> Columns:
    """Seventy-two days of a box: its warmth with a day's swing, less what is silent, more while it is hot."""
    minutes = np.arange(0, DAYS * 24 * 60, STEP_MIN)
    day = minutes / 1440.0
    celsius = WARMTH_C[box] + 0.25 * np.sin(2 * np.pi * day) + 0.15 * np.sin(2 * np.pi * day / 11.0)
    if box == HOT[0]:
        celsius = np.where((day >= HOT[1]) & (day < HOT[2]), celsius + HOT[3], celsius)
    keep = np.ones(len(day), bool)
    if box == SILENT[0]:
        keep = (day < SILENT[1]) | (day >= SILENT[2])
    at = ms(LAID) + minutes[keep].astype(np.int64) * 60_000
    n = len(at)
    return Columns(at, celsius[keep].round(2), at + 1000, np.full(n, 2, np.uint8), np.ones(n, bool), ("",) * n)


def season_desk(folder: Path, *, answers: bool = False) -> Desk:
    """The room with all of its season; what is asked of it is to be asked at ``NOW``."""
    desk = Desk(folder)
    desk.write(room_file(answers=answers))
    with desk.store() as store:
        for box in WARMTH_C:
            store.folding.bulk(f"{box}-warmth", readings(box), lambda _: None)
        _account(store.account.tell)
        _tell(store.ledger.commit)
        for number, notice in [(n.id, n) for n in store.ledger.notices()]:
            if notice.kind == "too-warm":
                store.ledger.answer(number, notice.at_ms + 25 * 60_000, "Ada")
    return desk


def _account(tell: Callable[[KeeperEvent], object]) -> None:
    """The keeper's entries: clutch, what, day after laying, box, eggs, and more."""
    species = {"species": "elaphe-taeniura"}
    entries: list[tuple[str, EventKind, float, str, int | None, dict[str, Any]]] = [
        ("K01", EventKind.LAID, 0, "", 12, {**species, "slugs": 1}),
        ("K02", EventKind.LAID, 0, "", 9, species),
        ("K03", EventKind.LAID, 0, "", 0, {**species, "slugs": 4}),
        ("K01", EventKind.SET, 0.1, "upper", 6, {}),
        ("K01", EventKind.SET, 0.1, "lower", 6, {}),
        ("K02", EventKind.SET, 0.1, "top", 9, {}),
        ("K01", EventKind.CANDLED, 20, "upper", None, {"alive": 6}),
        ("K02", EventKind.DEAD, 25, "top", 3, {"how": "mould"}),
        ("K01", EventKind.LOOKED, 57.5, "upper", None, {}),
        ("K01", EventKind.PIPPED, 58.5, "upper", 2, {"not_yet_at_ms": ms(at_day(57.5))}),
        ("K01", EventKind.HATCHED, 61, "upper", 5, {}),
        ("K01", EventKind.DEAD, 63, "upper", 1, {"how": "in-shell"}),
        ("K02", EventKind.PIPPED, 61, "top", 3, {"not_yet_at_ms": ms(at_day(60))}),
        ("K02", EventKind.HATCHED, 63.5, "top", 6, {}),
        ("K01", EventKind.LOOKED, 62.5, "lower", None, {}),
        ("K01", EventKind.PIPPED, 63.5, "lower", 1, {"not_yet_at_ms": ms(at_day(62.5))}),
        ("K01", EventKind.HATCHED, 66, "lower", 6, {}),
    ]
    for clutch, kind, days, box, eggs, more in entries:
        at_ms = ms(at_day(days))
        tell(KeeperEvent(kind, clutch, at_ms, at_ms, box=box, eggs=eggs, **more))


def _tell(commit: object) -> None:
    """What the service would have told: a quiet probe that came back by itself, a warm box, and reminders of it."""
    spells: list[tuple[str, str, Urgency, str, float, float]] = [
        ("probe-quiet", "lower-warmth", "today", "Probe quiet: lower-warmth", 30.02, 31.0),
        ("too-warm", "top", "now", "Too warm: box top 31.9 °C, limit 31.0", 40.02, 40.35),
        ("box-heading", "top", "today", "Box top is heading for its limit", 40.0, 40.05),
        ("gateway-gone", "hub", "today", "Gateway gone: hub", 50.0, 50.5),
    ]
    for kind, subject, urgency, title, begun, over in spells:
        begun_ms, over_ms = ms(at_day(begun)), ms(at_day(over))
        notice = Notice(f"{kind}/{begun_ms}", begun_ms, kind, (subject,), "raised", urgency, title, title)
        raised = Transition(kind, subject, "raised", begun_ms, begun_ms, "invented")
        cleared = Transition(kind, subject, "cleared", over_ms, over_ms, "invented")
        commit([Condition(kind, subject)], [raised], [notice], {})  # type: ignore[operator]
        if urgency == "now":
            again = Notice(f"{kind}/still", begun_ms + 20 * 60_000, kind, (subject,), "still", urgency, title, title)
            commit([], [], [again], {})  # type: ignore[operator]
        commit([Condition(kind, subject)], [cleared], [], {})  # type: ignore[operator]
