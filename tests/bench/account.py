"""The account of every egg: random seasons told, right and wrong, beside a second bookkeeper who counts by himself.

Entries are drawn by seed: possible ones, impossible ones, ones that leave out what they should say, corrections. The
bookkeeper knows no more than how many eggs lie in each place, and says beforehand what must be refused. Each account
goes out to a file and into an empty store.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters import account_files
from monitor.adapters.store import Store
from monitor.core.terms.balance import balance_of
from monitor.core.terms.events import LOST, EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import EntryThere, EntryUndecided, EventRefused
from tests.bench import Figures

START: Final = round(datetime(2024, 5, 1, tzinfo=UTC).timestamp() * 1000)
BOXES: Final = ("upper", "middle", "lower")
OUT: Final = (EventKind.DEAD, EventKind.REMOVED, EventKind.HATCHED)


@dataclass
class Bookkeeper:
    """Eggs by place and fate, counted by hand."""

    not_set: int
    lots: dict[str, int] = field(default_factory=dict)
    fate: Counter[str] = field(default_factory=Counter)

    def in_box(self, box: str) -> list[str]:
        return [lot for lot, eggs in self.lots.items() if eggs and lot.partition("#")[0] == f"c/{box}"]

    def take(self, event: KeeperEvent, lots: dict[str, int]) -> None:
        """An entry that the account took. ``lots``: what it says lies in each lot now, for the names of new ones."""
        count = event.eggs
        assert count is not None
        if event.kind is EventKind.SET:
            self.not_set -= count
            self._put(event.box, count, lots)
        elif event.kind in (EventKind.MOVED, EventKind.SPLIT):
            self.lots[self._lot(event)] -= count
            self._put(event.to_box, count, lots)
        elif event.kind in OUT:
            if event.not_set:
                self.not_set -= count
            else:
                self.lots[self._lot(event)] -= count
            self.fate[event.how if event.kind is EventKind.DEAD else event.kind.value] += count

    def _lot(self, event: KeeperEvent) -> str:
        return event.box if "/" in event.box else self.in_box(event.box)[0]

    def _put(self, box: str, count: int, lots: dict[str, int]) -> None:
        (name,) = [
            x for x, eggs in lots.items() if x.partition("#")[0] == f"c/{box}" and eggs == self.lots.get(x, 0) + count
        ]
        self.lots[name] = self.lots.get(name, 0) + count

    def must_refuse(self, event: KeeperEvent) -> bool | None:
        """Whether an entry that leaves nothing out cannot have happened; None: this book cannot tell."""
        count = event.eggs
        if count is None or event.kind not in (EventKind.SET, EventKind.MOVED, *OUT):
            return None
        if event.kind is EventKind.SET:
            return not event.box or not 1 <= count <= self.not_set
        there = self.in_box(event.box)
        if event.not_set or not event.box or "/" in event.box or len(there) > 1:
            return None
        if event.kind is EventKind.MOVED and event.to_box == event.box:
            return True
        return not there or not 1 <= count <= self.lots[there[0]]


def _drawn(rng: np.random.Generator, at_ms: int) -> KeeperEvent:
    kinds = (
        EventKind.SET,
        EventKind.MOVED,
        EventKind.SPLIT,
        EventKind.PIPPED,
        EventKind.CANDLED,
        EventKind.LOOKED,
        *OUT,
    )
    kind = kinds[rng.integers(len(kinds))]
    box = BOXES[rng.integers(3)] if rng.random() < 0.9 else ""
    more: dict[str, object] = {}
    if kind not in (EventKind.CANDLED, EventKind.LOOKED) and rng.random() < 0.8:
        more["eggs"] = int(rng.integers(-1, 8))
    if kind in (EventKind.MOVED, EventKind.SPLIT):
        more["to_box"] = BOXES[rng.integers(3)]
    if kind is EventKind.DEAD:
        more |= {"how": list(LOST)[rng.integers(len(LOST))], "not_set": bool(rng.random() < 0.1)}
    if kind is EventKind.CANDLED:
        more["fertile"] = int(rng.integers(0, 8))
    return KeeperEvent(kind, "c", at_ms, at_ms, box=box, **more)  # type: ignore[arg-type]


@dataclass
class Found:
    """What all seasons came to."""

    counts: Counter[str] = field(default_factory=Counter)

    def season(self, rng: np.random.Generator, entries: int, store: Store) -> None:
        eggs, slugs, gone = int(rng.integers(1, 25)), int(rng.integers(0, 4)), int(rng.integers(0, 2))
        gone = min(gone, eggs)
        laid = KeeperEvent(EventKind.LAID, "c", START, START, eggs=eggs, slugs=slugs, gone=gone, species="x")
        store.account.tell(laid)
        book = Bookkeeper(eggs - gone, fate=Counter({"slug": slugs, "removed": gone}))
        at_ms = START
        for _ in range(entries):
            at_ms += int(rng.integers(1, 3 * 24)) * HOUR_MS
            self._one(rng, _drawn(rng, at_ms), store, book)
            clutch = store.account.clutches()["c"]
            balance = balance_of(clutch)
            counted = {lot.id: lot.eggs for lot in clutch.lots if lot.eggs and not lot.moved_on}
            by_book = {lot: count for lot, count in book.lots.items() if count}
            fate = Counter(dict(balance.lost)) + Counter({"hatched": balance.hatched, "removed": balance.removed})
            self.counts["unbalanced"] += balance.odd != 0
            self.counts["unlike the bookkeeper"] += (counted, balance.not_set, fate) != (
                by_book,
                book.not_set,
                +book.fate,
            )

    def _one(self, rng: np.random.Generator, event: KeeperEvent, store: Store, book: Bookkeeper) -> None:
        self.counts["told"] += 1
        for _ in range(4):
            wrong = book.must_refuse(event)
            before = len(store.account.events())
            try:
                told = store.account.tell(event)
            except EntryUndecided as asked:
                self.counts["asked"] += 1
                self.counts["left a trace though not taken"] += len(store.account.events()) != before
                if asked.asks == "box":
                    event = replace(event, box=asked.choices[rng.integers(len(asked.choices))])
                else:
                    event = replace(event, eggs=int(rng.integers(1, asked.most + 1)))
                continue
            except EventRefused as error:
                self.counts["refused"] += 1
                self.counts["refused though possible"] += wrong is False and not isinstance(error, EntryThere)
                self.counts["left a trace though not taken"] += len(store.account.events()) != before
                return
            self.counts["taken"] += 1
            self.counts["taken though impossible"] += wrong is True
            counts = told.kind in (EventKind.SET, EventKind.MOVED, EventKind.SPLIT, EventKind.PIPPED, *OUT)
            self.counts["taken without a number"] += counts and told.eggs is None
            if counts and told.kind is not EventKind.PIPPED:
                clutch = store.account.clutches()["c"]
                book.take(told, {x.id: x.eggs for x in clutch.lots if not x.moved_on})
            return


def measure(seasons: int = 150, entries: int = 40, seed: int = 1) -> Figures:
    """``seasons`` accounts of ``entries`` entries each."""
    rng = np.random.default_rng(seed)
    found = Found()
    spent = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for i in range(seasons):
            with Store(Path(folder, f"one{i}")) as store, Store(Path(folder, f"other{i}")) as other:
                found.season(rng, entries, store)
                signs = "aä, ;\"\n\r\u2028'={}[]|\t\x85"
                words = "".join(rng.choice(list(signs), int(rng.integers(1, 30))).tolist())
                note = KeeperEvent(EventKind.NOTE, "c", START + DAY_MS, START + DAY_MS, text=words)
                with contextlib.suppress(EventRefused):
                    store.account.tell(note)
                if rng.random() < 0.5:
                    _corrected(rng, store, found)
                events = store.account.events()
                file = Path(folder, "account")
                account_files.write_file(file, events, UTC, "jsonl" if i % 2 else "csv")
                began = time.process_time()
                rows, bad = account_files.read(file, UTC, START + 400 * DAY_MS)
                brought = other.account.bring(rows)
                again = other.account.bring(rows)
                spent += time.process_time() - began
                found.counts["rows"] += len(rows)
                same = other.account.events() == events and not bad and not brought.refused
                found.counts["came back otherwise"] += not (same and again.taken == 0)
    must_be_none = (
        "unbalanced",
        "unlike the bookkeeper",
        "taken though impossible",
        "refused though possible",
        "taken without a number",
        "left a trace though not taken",
        "came back otherwise",
    )
    figures: dict[str, float | int | str | bool | None] = {"seasons": seasons}
    figures |= {
        name.replace(" ", "_"): found.counts[name] for name in ("told", "taken", "refused", "asked", "corrected")
    }
    figures |= {name.replace(" ", "_"): found.counts[name] for name in must_be_none}
    figures["rows_in_a_cpu_s"] = round(2 * found.counts["rows"] / spent)
    short = [f"{found.counts[name]} {name}" for name in must_be_none if found.counts[name]]
    if min(found.counts[name] for name in ("taken", "refused", "asked")) < seasons / 3:
        short.append("too few entries were taken, refused or asked for: nothing was shown")
    return Figures(figures, short, [f"seed {seed}; what was drawn leaves out a number in one entry of five"])


def _corrected(rng: np.random.Generator, store: Store, found: Found) -> None:
    """Some entries put right or taken back; whatever comes of it, the account balances."""
    for old in store.account.events()[1:]:
        if rng.random() > 0.4:
            continue
        new = replace(old, id=0, corrects=old.id, withdrawn=bool(rng.random() < 0.5), recorded_ms=old.recorded_ms + 1)
        if not new.withdrawn and new.eggs:
            new = replace(new, eggs=int(rng.integers(1, 8)))
        try:
            store.account.tell(new)
        except EventRefused:
            continue
        found.counts["corrected"] += 1
        found.counts["unbalanced"] += balance_of(store.account.clutches()["c"]).odd != 0
