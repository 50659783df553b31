"""A bit that flips in a small fact of the store keeps no service from starting, and loses no reading."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from monitor.adapters.store.database import FILE_NAME
from monitor.adapters.store.journal import EVERY_PLACE, SESSION
from monitor.core.terms.settings import BackupPlan, Broker, Settings
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.service.safekeeping import AWAITED, FOUND, LAST
from monitor.service.start import RoomService
from monitor.service.unwatched import AWAY, WATCHED
from monitor.service.upkeep import Upkeep
from tests.peers import free_port
from tests.service.test_round import ROOM, START_MS

NAMED = {AWAITED, FOUND, LAST, WATCHED, AWAY, SESSION}


def lived(given: Settings, now_ms: int) -> None:
    """A service is started, makes two rounds and stops."""
    clock = [now_ms]
    service = RoomService(given, now_ms=lambda: clock[0])
    try:
        for _ in range(2):
            clock[0] += MINUTE_MS
            service.round()
        service.parts.store.journal.inbox()
        Upkeep(service.parts.store, service.parts.derived, given).hourly(clock[0])
    finally:
        service.stop()


@pytest.mark.parametrize("seed", range(6))
def test_no_flipped_bit_of_a_fact_keeps_a_service_from_starting(tmp_path: Path, seed: int) -> None:
    dice = random.Random(seed)
    data = tmp_path / "data"
    given = Settings(ROOM, Broker(port=free_port()), (), data_dir=str(data), backup=BackupPlan(str(tmp_path / "b")))
    lived(given, START_MS)
    lived(given, START_MS + 3 * HOUR_MS)
    with closing(sqlite3.connect(data / FILE_NAME)) as db, db:
        for name in NAMED:
            db.execute("INSERT OR IGNORE INTO fact VALUES (?,?)", (name, "17"))
        facts = dict(db.execute("SELECT name, value FROM fact").fetchall())
        assert facts.keys() >= NAMED
        for name, value in facts.items():
            raw = bytearray(str(value).encode())
            if raw:
                raw[dice.randrange(len(raw))] ^= 1 << dice.choice((0, 3, 6))
            db.execute("UPDATE fact SET value=? WHERE name=?", (raw.decode("latin-1"), name))
    lived(given, START_MS + 6 * HOUR_MS)


def test_marks_of_packets_count_no_more_where_it_cannot_be_read_from_when_they_do(tmp_path: Path) -> None:
    """A message taken for one of before would be lost: rather it is stored a second time."""
    given = Settings(ROOM, Broker(port=free_port()), (), data_dir=str(tmp_path / "data"))
    service = RoomService(given, now_ms=lambda: START_MS)
    try:
        journal = service.parts.store.journal
        assert journal.session_from() == 0
        journal.db.set_fact(SESSION, "1x")
        assert journal.session_from() == EVERY_PLACE
        assert journal.inbox() == {}
    finally:
        service.stop()
