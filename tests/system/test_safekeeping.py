"""Backups and the look through the store by the calendar: what goes wrong is known, and what is mended is over."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.adapters import backups
from monitor.adapters.store import Store
from monitor.core.terms.settings import Settings
from monitor.errors import StoreVanished
from monitor.service.calendar import CalendarJobs
from monitor.service.safekeeping import BACKUP, OF_SAFEKEEPING, OVERDUE, VERIFY, Safekeeping, refuse_to_begin_anew
from tests.desk import Desk, part, room_text
from tests.peers import MOMENT_S, wait_for

NOW = 1_750_000_000_000


class Clock:
    now_ms = NOW

    def __call__(self) -> int:
        return self.now_ms


@pytest.fixture
def room(tmp_path: Path) -> Settings:
    from monitor.config.room_file import load

    desk = Desk(tmp_path / "house")
    desk.folder.mkdir()
    desk.write(room_text() + part("[backup]", folder=str(tmp_path / "backups"), keep=2))
    with Store(desk.data):
        pass
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2025-05-01 --eggs 12")
    return load(desk.folder / "room.toml", data_dir=desk.data)


@contextmanager
def kept(room: Settings, clock: Clock) -> Iterator[Safekeeping]:
    made = Safekeeping(room, clock)
    made.start()
    try:
        yield made
    finally:
        made.stop(MOMENT_S)


def looked(of: Safekeeping) -> tuple[int | None, str, tuple[str, ...]]:
    backup, damage = of.look()
    assert backup is not None
    assert damage is not None
    return backup.newest_ms, backup.why, damage.found


def folder(room: Settings) -> Path:
    assert room.backup is not None
    return Path(room.backup.folder)


def test_a_backup_is_made_when_it_is_asked_for_and_a_restart_knows_of_it(room: Settings) -> None:
    with kept(room, Clock()) as safe:
        assert looked(safe) == (None, "", ())
        safe.order(BACKUP)
        wait_for(lambda: looked(safe)[0] is not None, "a backup", 3 * MOMENT_S)
        newest = looked(safe)[0]
    assert len(backups.good(folder(room))) == 1
    with kept(room, Clock()) as safe:
        assert looked(safe) == (newest, "", ())


def test_a_backup_that_fails_is_known_with_the_reason_and_a_good_one_ends_it(room: Settings) -> None:
    folder(room).write_text("a file, no folder")
    with kept(room, Clock()) as safe:
        safe.order(BACKUP)
        wait_for(lambda: bool(looked(safe)[1]), "the failure", 3 * MOMENT_S)
        assert "nothing can be written there" in looked(safe)[1]
    with kept(room, Clock()) as safe:
        assert looked(safe)[1], "a restart forgets it not"
        folder(room).unlink()
        safe.order(OVERDUE)
        wait_for(lambda: not looked(safe)[1], "the good one", 3 * MOMENT_S)


def test_a_backup_disk_that_is_not_mounted_gets_none_in_its_mount_point(room: Settings, tmp_path: Path) -> None:
    with kept(room, Clock()) as safe:
        safe.order(BACKUP)
        wait_for(lambda: looked(safe)[0] is not None, "a backup", 3 * MOMENT_S)
        folder(room).rename(tmp_path / "unmounted")
        folder(room).mkdir()
        safe.order(BACKUP)
        wait_for(lambda: "is its disk mounted?" in looked(safe)[1], "the failure", 3 * MOMENT_S)
        assert list(folder(room).iterdir()) == []


def test_on_a_new_computer_backups_are_made_as_before(room: Settings, tmp_path: Path) -> None:
    """The store that was put back remembers those of the old computer, which are not on this one's disk."""
    with kept(room, Clock()) as safe:
        safe.order(BACKUP)
        wait_for(lambda: looked(safe)[0] is not None, "a backup", 3 * MOMENT_S)
    stick = tmp_path / "stick"
    desk = Desk(tmp_path / "house")
    desk.does(f'backup "{stick}"')
    shutil.rmtree(desk.folder)
    shutil.rmtree(folder(room))
    folder(room).mkdir()
    desk.does(f'restore "{stick}"')
    with kept(room, Clock()) as safe:
        assert looked(safe) == (None, "", ())
        safe.order(BACKUP)
        wait_for(lambda: looked(safe)[0] is not None or bool(looked(safe)[1]), "a backup", 3 * MOMENT_S)
        assert looked(safe)[1] == ""
    assert len(backups.good(folder(room))) == 1


def test_damage_is_found_by_the_calendar_and_is_over_once_it_is_mended(room: Settings) -> None:
    with Store(room.data_dir) as store, store.db.write() as c:
        (body,) = c.execute("SELECT body FROM event").fetchone()
        c.execute("UPDATE event SET body='{'")
    with kept(room, Clock()) as safe:
        safe.order(VERIFY)
        wait_for(lambda: bool(looked(safe)[2]), "the damage", 3 * MOMENT_S)
        assert "event 1: body is no JSON" in looked(safe)[2][0]
    with Store(room.data_dir) as store, store.db.write() as c:
        c.execute("UPDATE event SET body=?", (body,))
    with kept(room, Clock()) as safe:
        assert looked(safe)[2]
        safe.order(OVERDUE)
        wait_for(lambda: not looked(safe)[2], "to be whole", 3 * MOMENT_S)


def test_the_calendar_asks_for_what_it_is_there_for(room: Settings) -> None:
    orders: list[str] = []
    jobs = CalendarJobs(room.calendar, "UTC", orders.append, room.backup)
    jobs.start(NOW)
    try:
        scheduled = {job.id: str(job.trigger) for job in jobs._scheduler.get_jobs()}  # type: ignore[attr-defined]
    finally:
        jobs.stop()
    assert OVERDUE in orders
    assert scheduled.keys() >= OF_SAFEKEEPING - {OVERDUE}
    assert "hour='3', minute='30'" in scheduled[BACKUP]
    assert "day_of_week='wed', hour='2', minute='30'" in scheduled[VERIFY]


def test_where_backups_tell_of_a_store_none_is_begun_in_its_place(room: Settings) -> None:
    refuse_to_begin_anew(room)
    with kept(room, Clock()) as safe:
        safe.order(BACKUP)
        wait_for(lambda: looked(safe)[0] is not None, "a backup", 3 * MOMENT_S)
    shutil.rmtree(room.data_dir)
    Path(room.data_dir).mkdir()
    with pytest.raises(StoreVanished, match="of which there are backups") as told:
        refuse_to_begin_anew(room)
    assert "warmtally restore" in told.value.fix
