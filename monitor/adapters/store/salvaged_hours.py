"""Readings of a damaged store: which hours of which probe are gone, and what a backup has of them."""

from __future__ import annotations

import contextlib
import sqlite3
from collections import defaultdict
from dataclasses import field
from itertools import pairwise
from typing import Final

import numpy as np

from monitor.adapters.store import chunks
from monitor.adapters.store.folding import insert
from monitor.adapters.store.soundness import CHUNKS, DAMAGE, Finding, Row, chunk_fault, of_hours
from monitor.values import dataclass

DAY_HOURS: Final = 24
NOTHING_LEFT: Final = "nothing is left of it, if there was anything"


@dataclass()
class GoneHours:
    """Hours of probes (by number) of which no reading is left, each with the reason."""

    why: dict[int, dict[int, str]] = field(default_factory=lambda: defaultdict(dict))
    unnamed: list[str] = field(default_factory=list)

    def add(self, probe: object, hour: object, hours: object, why: str) -> None:
        """Of a chunk, as its row says where it lies; where that is damaged as well it is told without."""
        if isinstance(probe, int) and isinstance(hour, int) and isinstance(hours, int) and 0 < hours <= DAY_HOURS:
            for each in range(hour, hour + hours):
                self.why[probe].setdefault(each, why)
        else:
            self.unnamed.append(why)

    def told(self, names: dict[int, str]) -> list[Finding]:
        """A line for hours that follow each other for one reason."""
        found = [Finding("readings", "chunk", why) for why in self.unnamed]
        for probe, hours in self.why.items():
            run: list[int] = []
            for hour in [*sorted(hours), -1]:
                if run and (hour != run[-1] + 1 or hours[hour] != hours[run[0]]):
                    found.append(of_hours(probe, run[0], len(run), names, hours[run[0]]))
                    run = []
                run.append(hour)
        return found

    def without(self, present: dict[int, set[int]]) -> None:
        """Hours of which there are readings all the same are not gone."""
        for probe, hours in self.why.items():
            for hour in hours.keys() & present.get(probe, set()):
                del hours[hour]


def present(new: sqlite3.Connection) -> dict[int, set[int]]:
    """Probe -> hours that chunks cover."""
    found: dict[int, set[int]] = defaultdict(set)
    for probe, hour, hours in new.execute("SELECT probe, hour, hours FROM kept"):
        found[probe].update(range(hour, hour + hours))
    return found


def unread(old: sqlite3.Connection, new: sqlite3.Connection, gone: GoneHours, *, suspect: bool) -> None:
    """Chunks that the old file's own list of them has and the new one has not; where that list cannot be read either
    and the table's pages are damaged (``suspect``), the hours between others."""
    have = {int(r[0]) for r in new.execute("SELECT id FROM chunk")}
    places: dict[int, list[tuple[int, int]]] = defaultdict(list)
    try:
        # All of it stands in the index, whose pages are others than the table's.
        for number, probe, hour in old.execute("SELECT id, probe, hour FROM chunk INDEXED BY chunk_place"):
            places[probe].append((hour, number))
    except DAMAGE:
        places.clear()
    for probe, listed in places.items():
        listed.sort()
        after = [hour for hour, _ in listed[1:]] + [2**31]
        for (hour, number), following in zip(listed, after, strict=True):
            if number not in have:
                day = hour % DAY_HOURS == 0 and following >= hour + DAY_HOURS
                gone.add(probe, hour, DAY_HOURS if day else 1, "the file is damaged there")
    if not places and suspect:
        for probe, hours in present(new).items():
            for a, b in pairwise(sorted(hours)):
                for hour in range(a + 1, b):
                    gone.add(probe, hour, 1, NOTHING_LEFT)


def refilled(new: sqlite3.Connection, old: sqlite3.Connection, gone: GoneHours, *, suspect: bool) -> int:
    """Readings of hours that are gone, out of a backup; of a ``suspect`` table all hours of which there is nothing.
    Returns how many chunks were taken from it."""
    there, taken = present(new), 0
    known = {int(r[0]) for r in new.execute("SELECT id FROM probe")}
    asked = " UNION ALL ".join(f"SELECT {columns} FROM {table}" for table, columns in CHUNKS.items())  # noqa: S608
    for row in old.execute(asked):
        if chunk_fault(row, known):
            continue
        probe, first, hours = row[:3]
        lost = gone.why.get(probe, {})
        wanted = {h for h in range(first, first + hours) if h not in there[probe] and (suspect or h in lost)}
        if len(wanted) == hours:
            _put(new, row)
        elif wanted:
            columns = chunks.decode(row[7])
            for hour in sorted(wanted):
                some = columns.take(np.flatnonzero(columns.at // 3_600_000 == hour))
                if len(some):
                    insert(new, probe, hour, 1, some)
        there[probe] |= wanted
        taken += bool(wanted)
    gone.without(there)
    return taken


def _put(new: sqlite3.Connection, row: Row) -> None:
    new.execute("INSERT INTO chunk(probe, hour, hours, n, n_good, total, head, blob) VALUES (?,?,?,?,?,?,?,?)", row)


def as_chunk(names: list[str], row: Row) -> Row:
    """A row of one of the tables of readings, as :func:`~monitor.adapters.store.soundness.chunk_fault` has it."""
    of = dict(zip(names, row, strict=True))
    hours = of.get("hours", 1)
    return of["probe"], of["hour"], hours, of["n"], of["n_good"], of["total"], of.get("head"), of["blob"]


def noted(old: sqlite3.Connection, gone: GoneHours) -> list[dict[str, object]]:
    """What the service set aside by itself, to be kept with the rest."""
    rows: list[dict[str, object]] = []
    with contextlib.suppress(*DAMAGE):
        for probe, hour, hours, n, why, blob in old.execute(
            "SELECT probe, hour, hours, n, why, blob FROM damaged_chunk"
        ):
            text = why.decode("utf-8", "replace") if isinstance(why, bytes) else str(why)
            gone.add(probe, hour, hours, text)
            rows.append({"probe": probe, "hour": hour, "hours": hours, "n": n, "why": text, "blob": blob.hex()})
    return rows
