"""The heaviest room that a page may have to show, drawn by seed: 64 boxes in which everything is long and late."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Final, get_args

import numpy as np

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition, KindName, Phase
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.page.room import LatestRound
from tests.bench.commands import _keep
from tests.page.rooms import HOUR_S, NOW_MS, SPECIES, ShownRoom

BOXES: Final = 64
DAYS: Final = 30
SIGNS: Final = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
"""Of which names in a room's file may be."""
EVERYWHERE: Final = 8
"""So many kinds of what is wrong are true of every box at once, each other kind of one."""


def heaviest(folder: Path, seed: int) -> ShownRoom:
    """64 boxes in one to eight stacks, names of 60 signs, eggs in each that are late or have begun to pip, each box
    beyond its limit or without a reading of now, and notices of every kind."""
    rnd = random.Random(seed)
    names = [_name(rnd) for _ in range(BOXES)]
    stacks = [_name(rnd) for _ in range(rnd.randint(1, 8))]
    boxes = [Box(name, stacks[n % len(stacks)], float(rnd.randint(-20, 300))) for n, name in enumerate(names)]
    probes = tuple(Probe(f"{b.id[:58]}-t", f"room/{n}", interval_s=HOUR_S, quiet_after_s=3 * HOUR_S, box=b.id) for n, b in enumerate(boxes))  # fmt: skip  # noqa: E501
    room = Room(_name(rnd), "Europe/Vienna", rnd.choice(("C", "F")), tuple(stacks), tuple(boxes), probes, Limits(31.0, 25.0))  # fmt: skip  # noqa: E501
    settings = Settings(room, Broker(), (Channel("hook", "json://127.0.0.1:9/hook"),), data_dir=str(folder / "data"))
    shown = ShownRoom(settings, LatestRound(), NOW_MS + rnd.randint(0, 23) * HOUR_MS)
    with Store(settings.data_dir) as store:
        store.make_all()
        _read(store, shown, rnd)
        _eggs(store, shown, rnd)
        _wrong(store, shown, rnd)
    shown.round()
    return shown


def _name(rnd: random.Random) -> str:
    return "".join(rnd.choice(SIGNS[:-12]) + "".join(rnd.choices(SIGNS, k=59)))


def _read(store: Store, shown: ShownRoom, rnd: random.Random) -> None:
    """Readings of a month, too warm at their end; of some no new ones."""
    draw = np.random.default_rng(rnd.randint(0, 2**31))
    for probe in shown.settings.room.probes:
        until_ms = shown.clock_ms - rnd.choice((0, 0, 2, 30)) * HOUR_MS
        at = np.arange(shown.clock_ms - DAYS * DAY_MS, until_ms, HOUR_MS, dtype=np.int64)
        values = rnd.uniform(27.0, 29.0) + draw.normal(0.0, 0.1, len(at)) + np.interp(at, [at[-5], at[-1]], [0.0, 4.2])
        _keep(store, probe.id, at, values.round(2), shown.clock_ms)


def _eggs(store: Store, shown: ShownRoom, rnd: random.Random) -> None:
    """A clutch for each box, that lies there and in the next; most are past their window."""
    boxes = shown.settings.room.boxes
    for n in range(BOXES):
        laid_ms = shown.clock_ms - DAYS * DAY_MS + HOUR_MS
        clutch = _name(rnd)
        far = rnd.choice((0.6, 0.8, 0.8))
        store.account.tell(
            KeeperEvent(EventKind.LAID, clutch, laid_ms, laid_ms, species=SPECIES, eggs=24, developed=far)
        )
        for box in (boxes[n].id, boxes[(n + 1) % BOXES].id):
            store.account.tell(KeeperEvent(EventKind.SET, clutch, laid_ms, laid_ms, box=box, eggs=12))
            if far > 0.7 and rnd.random() < 0.5:
                for day in (3, 2, 1):
                    at_ms = shown.clock_ms - day * DAY_MS
                    store.account.tell(KeeperEvent(EventKind.PIPPED, clutch, at_ms, at_ms, box=box, eggs=2))


def _wrong(store: Store, shown: ShownRoom, rnd: random.Random) -> None:
    """Every kind of notice, of all boxes or of one."""
    at_ms, names = shown.clock_ms - HOUR_MS, tuple(b.id for b in shown.settings.room.boxes)
    kinds = list(get_args(KindName))
    rnd.shuffle(kinds)
    for n, kind in enumerate(kinds):
        subjects = names if n < EVERYWHERE else (rnd.choice(names),)
        conditions = [Condition(kind, s, Phase.RAISED, at_ms, at_ms, told_ms=at_ms, told=1) for s in subjects]
        urgency = rnd.choice(("now", "today", "later"))
        text = f"Look at {names[0]} before noon, and then at all that stand above it.\n" + 8 * f"{names[n]}: 31.4 °C.\n"
        title = f"{kind}: {names[n]} and {len(subjects)} more"
        told = Notice(f"{kind}/{at_ms}", at_ms, kind, subjects, "raised", urgency, title, text)  # type: ignore[arg-type]
        store.ledger.commit(conditions, (), (told,), {"hook": ("now", "today")})
