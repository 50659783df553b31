"""The store's file: schema steps, full and read-only disks, damage, and who may use it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.adapters.store import ServiceLock, Store, database
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreCorrupt, StoreError, StoreFull, StoreLocked, StoreNewer
from tests.peers import PROJECT

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS
TWO_STEPS = "CREATE TABLE added (x INTEGER);\nINSERT INTO added SELECT SUM(n) FROM batch;\n"


def batch(start: int, n: int = 100) -> list[Reading]:
    return [Reading("a", T0 + i * 1000, i / 7, T0 + i * 1000) for i in range(start, start + n)]


def held(store: Store) -> int:
    return len(store.readings.load(["a"], 0, 2**60)["a"])


# -- schema ----------------------------------------------------------------------------------------------------


def test_a_new_store_is_durable_and_whole(tmp_path: Path) -> None:
    with Store(tmp_path / "deep" / "down") as store:
        pragma = {
            name: store.db.rows(f"PRAGMA {name}")[0][0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "page_size")
        }
        assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "page_size": database.PAGE_BYTES}
        assert store.db.check() == []


def test_a_store_of_larger_pages_is_used_as_it_is(tmp_path: Path) -> None:
    """SQLite's own size, which stores of before have."""
    with contextlib.closing(sqlite3.connect(tmp_path / database.FILE_NAME)) as c:
        c.execute("PRAGMA page_size=4096")
        c.execute("CREATE TABLE before (x)")
        c.execute("DROP TABLE before")
    for number in range(2):
        with Store(tmp_path) as store:
            store.journal.ingest(batch(100 * number))
            assert store.db.rows("PRAGMA page_size") == [(4096,)]
            assert store.db.rows("PRAGMA wal_autocheckpoint") == [(database.WAL_BYTES // 4096,)]
            assert held(store) == 100 * (number + 1)
            assert store.db.check() == []


def test_the_steps_of_the_schema_are_numbered_without_a_gap() -> None:
    steps = database._schema()
    assert [number for number, _ in steps] == list(range(1, len(steps) + 1))


def test_an_older_store_is_brought_up_to_date_and_keeps_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path) as store:
        store.journal.ingest(batch(0))
    steps = database._schema()
    monkeypatch.setattr(database, "_schema", lambda: [*steps, (len(steps) + 1, TWO_STEPS)])
    with Store(tmp_path) as store:
        assert held(store) == 100
        assert store.db.rows("SELECT x FROM added") == [(100,)]
        assert store.db.rows("PRAGMA user_version") == [(len(steps) + 1,)]


def test_a_schema_step_that_fails_in_the_middle_leaves_the_older_store_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path) as store:
        store.journal.ingest(batch(0))
        before = list(store.db.connection.iterdump())
    steps = database._schema()
    monkeypatch.setattr(
        database, "_schema", lambda: [*steps, (len(steps) + 1, TWO_STEPS + "INSERT INTO nowhere VALUES (1);")]
    )
    with pytest.raises(StoreError, match="nowhere"):
        Store(tmp_path)
    monkeypatch.setattr(database, "_schema", lambda: steps)
    with Store(tmp_path) as store:
        assert list(store.db.connection.iterdump()) == before


def test_a_store_of_a_newer_version_is_refused_and_not_touched(tmp_path: Path) -> None:
    Store(tmp_path).close()
    path = tmp_path / database.FILE_NAME
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version=99")
    connection.close()
    before = (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
    with pytest.raises(StoreNewer, match="schema 99, this version of Warmtally knows"):
        Store(tmp_path)
    assert (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns) == before


@pytest.mark.slow
def test_two_that_open_a_new_store_at_once_make_one_store(tmp_path: Path) -> None:
    code = f"from monitor.adapters.store import Store\nStore({str(tmp_path)!r}).close()"
    openers = [subprocess.Popen([sys.executable, "-c", code], cwd=PROJECT, stderr=subprocess.PIPE) for _ in range(5)]
    assert [(o.wait(30), o.communicate()[1]) for o in openers] == [(0, b"")] * 5
    with Store(tmp_path) as store:
        assert store.db.check() == []


# -- disks -----------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of two megabytes."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can mount a small file system")
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", place], capture_output=True, text=True)
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here ({mounted.stderr.strip()})")
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


def test_on_a_full_disk_nothing_acknowledged_is_lost_and_it_goes_on_when_there_is_room(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"x" * 1_200_000)
    with Store(small_disk) as store:
        acknowledged, full = write_until_full(store)
        assert full.retry
        assert acknowledged > 1000
        assert held(store) == acknowledged
        refused = 0
        while refused < 3:
            # What a step of the journal left free may hold one more.
            try:
                store.journal.ingest(batch(acknowledged, 3000))
                acknowledged += 3000
            except StoreFull:
                refused += 1
            assert acknowledged < 1_000_000
        assert held(store) == acknowledged
        assert store.db.check() == []
        ballast.unlink()
        store.journal.ingest(batch(acknowledged))
        assert held(store) == acknowledged + 100
        store.folding.fold(2**60)
        assert held(store) == acknowledged + 100
    with Store(small_disk) as store:
        assert held(store) == acknowledged + 100
        assert store.db.check() == []


def test_a_fold_or_an_import_on_a_full_disk_loses_nothing(small_disk: Path) -> None:
    with Store(small_disk) as store:
        store.journal.ingest(batch(0, 6000))
        fill(small_disk)
        write_until_full(store)  # the write-ahead log may have some room of its own left
        before = list(store.db.connection.iterdump())
        with pytest.raises(StoreFull):
            store.folding.fold(2**60)
        assert list(store.db.connection.iterdump()) == before


def test_a_store_opened_on_a_full_disk_says_so_or_can_be_read(small_disk: Path) -> None:
    with Store(small_disk) as store:
        store.journal.ingest(batch(0))
    fill(small_disk)
    with contextlib.suppress(StoreFull), Store(small_disk) as store:
        assert held(store) == 100
    (small_disk / "fill").unlink()
    with Store(small_disk) as store:
        assert held(store) == 100


def test_a_new_store_on_a_full_disk_says_so(small_disk: Path) -> None:
    fill(small_disk)
    with pytest.raises(StoreFull):
        Store(small_disk)


def write_until_full(store: Store) -> tuple[int, StoreFull]:
    """Readings that were acknowledged before the disk was full."""
    acknowledged = 0
    while acknowledged < 1_000_000:
        try:
            store.journal.ingest(batch(acknowledged))
        except StoreFull as full:
            return acknowledged, full
        acknowledged += 100
    pytest.fail("the small disk never filled up")


def look_at_everything(folder: Path) -> None:
    with Store(folder) as store:
        held(store)
        assert store.db.check() == []


def fill(disk: Path) -> None:
    size = 65536
    with (disk / "fill").open("ab", buffering=0) as file:
        while size:
            try:
                file.write(b"x" * size)
            except OSError:
                size //= 2


def test_a_read_only_disk_is_named(small_disk: Path) -> None:
    Store(small_disk).close()
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(StoreError, match="check the path and its permissions"), Store(small_disk) as store:
        store.journal.ingest(batch(0))
    with pytest.raises(StoreError, match="cannot be written"):
        ServiceLock(small_disk)
    with pytest.raises(StoreError, match="cannot be made"):
        Store(small_disk / "new")
    subprocess.run(["mount", "-o", "remount,rw", small_disk], check=True)


def test_a_folder_that_this_user_may_not_write_to_is_named(tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write everywhere; the read-only disk stands for it")
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(StoreError, match="check the path and its permissions"):
            Store(tmp_path)
        with pytest.raises(StoreError, match="cannot be made"):
            Store(tmp_path / "new")
        with pytest.raises(StoreError, match="cannot be written"):
            ServiceLock(tmp_path)
    finally:
        tmp_path.chmod(0o700)


def test_a_place_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("")
    with pytest.raises(StoreError, match="cannot be made"):
        Store(tmp_path / "data")


def test_a_store_that_is_not_there_is_not_made_by_who_only_reads(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store here yet"):
        Store(tmp_path / "data", create=False)
    assert not (tmp_path / "data").exists()


# -- damage ----------------------------------------------------------------------------------------------------


def test_a_file_that_is_no_store_is_called_damaged_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / database.FILE_NAME
    path.write_bytes(b"This is not a database at all. " * 100)
    before = path.read_bytes()
    with pytest.raises(StoreCorrupt, match="warmtally repair"):
        Store(tmp_path)
    assert path.read_bytes() == before


def test_a_damaged_page_is_called_damage(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.journal.ingest(batch(0, 5000))
        store.db.checkpoint()
    path = tmp_path / database.FILE_NAME
    raw = bytearray(path.read_bytes())
    raw[8192:] = bytes(b ^ 0x5A for b in raw[8192:])
    path.write_bytes(raw)
    with pytest.raises(StoreCorrupt):
        look_at_everything(tmp_path)


@pytest.mark.parametrize("seed", range(4))
def test_whatever_bytes_of_the_schema_are_wrong_it_opens_or_is_called_ours(tmp_path: Path, seed: int) -> None:
    """Names in it that are no text any more must not end a program with a traceback."""
    dice = random.Random(seed)
    with Store(tmp_path) as store:
        store.db.checkpoint()
    path = tmp_path / database.FILE_NAME
    whole = path.read_bytes()
    statements = [m.start() for m in re.finditer(b"CREATE ", whole)]
    refused = 0
    for _ in range(60):
        raw, at = bytearray(whole), dice.choice(statements)
        # The statement, and before it its name.
        for k in (dice.randrange(8), -dice.randrange(1, 16)):
            raw[at + k] ^= dice.choice((0x80, 1 << dice.randrange(8)))
        for left in tmp_path.glob(f"{database.FILE_NAME}-*"):
            left.unlink()
        path.write_bytes(raw)
        try:
            with Store(tmp_path) as store:
                store.readings.last_at()
        except StoreError:
            refused += 1
    assert refused > 30


def test_a_failure_is_told_by_its_code_and_not_by_its_words(tmp_path: Path) -> None:
    """Words may name a table or be what somebody else wrote; a full disk would be waited for, for ever."""
    with Store(tmp_path) as store:
        for name in ("full", "locked", "busy", "corrupt", "malformed"):
            with pytest.raises(StoreError, match=f"no such table: {name}") as caught:
                store.db.rows(f"SELECT * FROM {name}")
            assert type(caught.value) is StoreError
            assert not caught.value.retry


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (sqlite3.SQLITE_FULL, StoreFull),
        (sqlite3.SQLITE_BUSY, StoreLocked),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, StoreLocked),
        (sqlite3.SQLITE_LOCKED_SHAREDCACHE, StoreLocked),
        (sqlite3.SQLITE_PROTOCOL, StoreLocked),
        (sqlite3.SQLITE_CORRUPT_INDEX, StoreCorrupt),
        (sqlite3.SQLITE_NOTADB, StoreCorrupt),
        (sqlite3.SQLITE_IOERR_WRITE, StoreError),
        (sqlite3.SQLITE_READONLY, StoreError),
        (None, StoreError),
    ],
)
def test_every_code_has_its_kind_whatever_the_words(tmp_path: Path, code: int | None, kind: type[StoreError]) -> None:
    error = sqlite3.OperationalError("was auch immer")
    if code is not None:
        error.sqlite_errorcode = code
    assert type(database.translated(error, tmp_path / "x")) is kind


# -- who may use it --------------------------------------------------------------------------------------------


def test_a_second_service_is_refused_and_told_who_holds_the_store(tmp_path: Path) -> None:
    first = ServiceLock(tmp_path)
    with pytest.raises(StoreLocked, match=f"process {os.getpid()}"):
        ServiceLock(tmp_path)
    first.release()
    ServiceLock(tmp_path).release()


def test_the_lock_of_a_service_that_was_killed_is_free(tmp_path: Path) -> None:
    code = (
        "import sys, time\nfrom monitor.adapters.store import ServiceLock\n"
        f"lock = ServiceLock({str(tmp_path)!r})\nprint('held', flush=True)\ntime.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], cwd=PROJECT, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(StoreLocked, match=f"process {holder.pid}"):
            ServiceLock(tmp_path)
        holder.kill()
        holder.wait(10)
    ServiceLock(tmp_path).release()


def test_a_store_that_another_program_holds_too_long_is_called_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    with Store(tmp_path) as one, Store(tmp_path) as two:
        with one.db.write(), pytest.raises(StoreLocked) as caught:
            two.journal.ingest(batch(0))
        assert caught.value.retry
        two.journal.ingest(batch(0))
        assert held(one) == 100


def test_a_transaction_that_is_broken_off_leaves_nothing_and_the_next_one_works(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        with contextlib.suppress(KeyboardInterrupt), store.db.write() as c:
            c.execute("INSERT INTO fact VALUES ('a', 'b')")
            raise KeyboardInterrupt
        assert store.db.fact("a") is None
        store.db.set_fact("a", "c")
        store.db.set_fact("a", "d")
        assert store.db.fact("a") == "d"


def test_reads_of_one_moment_do_not_see_what_is_written_meanwhile(tmp_path: Path) -> None:
    with Store(tmp_path) as one, Store(tmp_path) as two:
        with one.db.read():
            assert held(one) == 0
            two.journal.ingest(batch(0))
            assert held(one) == 0
        assert held(one) == 100


@pytest.mark.parametrize("before", [None, 0o644, 0o640])
def test_nobody_else_reads_the_store_and_what_lies_beside_it(tmp_path: Path, before: int | None) -> None:
    path = tmp_path / "warmtally.db"
    if before is not None:
        Store(tmp_path).close()
        path.chmod(before)
    with Store(tmp_path) as store:
        store.db.set_fact("a", "b")
        for end in ("", "-wal", "-shm"):
            assert path.with_name(path.name + end).stat().st_mode & 0o777 == 0o600, end


def test_in_a_folder_that_is_open_to_a_group_the_store_is_too_and_to_nobody_else(tmp_path: Path) -> None:
    path = tmp_path / "warmtally.db"
    tmp_path.chmod(0o2770)
    for _ in range(2):
        with Store(tmp_path) as store:
            store.db.set_fact("a", "b")
            for end in ("", "-wal", "-shm"):
                assert path.with_name(path.name + end).stat().st_mode & 0o777 == 0o660, end
    path.chmod(0o664)
    Store(tmp_path).close()
    assert path.stat().st_mode & 0o777 == 0o660
