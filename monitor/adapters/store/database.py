"""The one file: opening it, its schema, transactions, and what its failures mean.

SQLite in WAL mode with ``synchronous=FULL``: a commit that returned is on the disk, which is what makes an
acknowledgement after it honest. Several processes may use the file at once (the service, and commands); each
thread has a :class:`Database` of its own. Only the service takes the lock file that keeps a second one out.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from hashlib import blake2b
from pathlib import Path
from typing import IO, Any

from monitor.errors import MonitorError, StoreCorrupt, StoreError, StoreFull, StoreLocked, StoreNewer, StoreVanished

FILE_NAME = "warmtally.db"
MARK_NAME = "store.mark"
"""Beside the store once there was one: an empty one is never begun in its place without a word."""
_BEGIN_ANEW = (
    "put the file back, mount its disk, or restore the last backup (warmtally restore); to begin anew delete {} as well"
)
REPAIR = "stop the service, then: warmtally repair, which sets aside what is damaged"
"""What to do where something in the store is damaged."""
# How long one writer waits for another. A fold of an hour takes milliseconds; half a minute means trouble.
BUSY_S = 30.0
CHECKPOINT_WAIT_MS = 1000
# A commit writes one page at least, and with it each of the system's (4 kB) on which it comes to lie: of SQLite's usual
# 4 kB two, of 2 kB one or two. Smaller ones save little more, and what is read by the hour takes longer.
PAGE_BYTES = 2048
# So much is written to the log before it goes into the file itself.
WAL_BYTES = 4_000_000
# What is old is dropped so many rows in one transaction, with a pause in which others may write, and so many
# transactions a day.
ROWS_A_STEP = 500
STEPS_A_DAY = 200
STEP_PAUSE_S = 0.01


def _schema() -> list[tuple[int, str]]:
    folder = Path(__file__).parent / "schema"
    steps = []
    for entry in folder.iterdir():
        if entry.name.endswith(".sql"):
            steps.append((int(entry.name.split("_", 1)[0]), entry.read_text("utf-8")))
    return sorted(steps)


def newest_version() -> int:
    """The version of the stores that this program makes."""
    return _schema()[-1][0]


def lay_out(connection: sqlite3.Connection, version: int) -> None:
    """Empty tables in an empty file, as a store of that version has them."""
    connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
    for number, script in _schema():
        if number <= version:
            for statement in _statements(script):
                connection.execute(statement)
    connection.execute(f"PRAGMA user_version={version}")


def rights_in(folder: Path) -> int:
    """Rights of a file that nobody else is to read: its owner's alone, or the group's too where its folder is open to
    the group and keeps all that is made in it in that group (set-group-ID): whoever keeps the room is in it."""
    return 0o660 if folder.stat().st_mode & 0o2020 == 0o2020 else 0o600


def _no_room(path: Path) -> bool:
    # Where SQLite cannot extend its shared memory it calls that an I/O error, whatever the cause.
    with contextlib.suppress(OSError):
        return shutil.disk_usage(path.parent).free < 65536
    return False


def translated(error: sqlite3.Error | UnicodeDecodeError, path: Path) -> MonitorError:
    """The failure of SQLite in words that name what, where and what to do."""
    text = str(error)
    if isinstance(error, UnicodeDecodeError):
        # SQLite says so in words that hold what it read: a name in its schema that is no text any more.
        return _damaged("it holds what is no text", path)
    # By its code, whatever its words are: those may name a table, a file or what a trigger says. The low byte is the
    # kind, the rest the place. Without a code it is none of SQLite's own.
    kind = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    if kind == sqlite3.SQLITE_FULL or (kind == sqlite3.SQLITE_IOERR and _no_room(path)):
        return StoreFull(
            "no room left on the disk; nothing acknowledged is lost, new readings wait at the broker",
            where=str(path),
            fix="free some space; the service goes on by itself",
        )
    if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL):
        return StoreLocked(
            f"the store is in use by another program ({text})",
            where=str(path),
            fix="wait, or stop the program that holds it open",
        )
    if kind in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return _damaged(text, path)
    return StoreError(f"the store cannot be used ({text})", where=str(path), fix="check the path and its permissions")


def _damaged(text: str, path: Path) -> StoreCorrupt:
    return StoreCorrupt(
        f"the store's file is damaged ({text})",
        where=str(path),
        fix="stop the service, then: warmtally repair, which sets aside what is damaged; or restore the last "
        "backup (warmtally restore --aside); readings that wait at the broker will still come in",
    )


class Database:
    """One connection to the store's file, for one thread."""

    def __init__(self, data_dir: str | Path, *, create: bool = True) -> None:
        self.dir = Path(data_dir)
        self.path = self.dir / FILE_NAME
        if create:
            try:
                self.dir.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StoreError(
                    f"the data directory cannot be made ({error.strerror})",
                    where=str(self.dir),
                    fix="give --data DIR, or data_dir under [store], that this user may write to",
                ) from error
        self._refuse_vanished()
        if not create and not self.path.exists():
            raise StoreError(
                "there is no store here yet",
                where=str(self.path),
                fix="start the service (warmtally run), import a logger's file, or give the right --data DIR",
            )
        if create:
            self._for_nobody_else()
        self._file = (0, 0)
        try:
            self.connection = sqlite3.connect(
                self.path, isolation_level=None, timeout=BUSY_S, check_same_thread=False, cached_statements=256
            )
        except sqlite3.Error as error:
            raise translated(error, self.path) from error
        try:
            with self.mapped():
                # First of all, so that a file of a newer version is not touched.
                self._refuse_newer()
                # Of a new store; one that is there keeps its own.
                self.connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
                self.connection.execute("PRAGMA journal_mode=WAL").fetchall()
                (page_bytes,) = self.connection.execute("PRAGMA page_size").fetchone()
                self.connection.execute(f"PRAGMA wal_autocheckpoint={WAL_BYTES // page_bytes}").fetchall()
                self.connection.execute("PRAGMA synchronous=FULL")
                self.connection.execute("PRAGMA foreign_keys=ON")
                self.connection.execute("PRAGMA journal_size_limit=33554432")
                self._migrate()
            found = self.path.stat()
            self._file = found.st_dev, found.st_ino
            self._leave_mark()
        except OSError as error:
            self.connection.close()
            raise StoreError(
                f"the store cannot be used ({error.strerror})", where=str(self.path), fix="check the disk"
            ) from error
        except BaseException:
            self.connection.close()
            raise

    def _refuse_vanished(self) -> None:
        try:
            there = self.path.stat().st_size > 0
        except OSError:
            there = False
        marks = [mark for mark in self._marks() if mark.exists()]
        if not there and marks:
            raise StoreVanished(
                "there was a store here, and it is gone or empty",
                where=str(self.path),
                fix=_BEGIN_ANEW.format(" and ".join(map(str, marks))),
            )

    def _marks(self) -> list[Path]:
        """Beside the store, and for a store on another disk in the folder that systemd gives the service."""
        marks, state = [self.dir / MARK_NAME], os.environ.get("STATE_DIRECTORY", "")
        if state and ":" not in state and not self.path.absolute().is_relative_to(state):
            of_path = blake2b(os.fsencode(self.path.absolute()), digest_size=6).hexdigest()
            marks.append(Path(state) / f"{of_path}.{MARK_NAME}")
        return marks

    def _leave_mark(self) -> None:
        for mark in self._marks():
            # A full or read-only disk is no reason not to look into a store that is there.
            with contextlib.suppress(OSError):
                mark.touch(0o600)

    def lost(self) -> str:
        """How the file under this connection came to be no longer the one that others find; empty when it is."""
        try:
            found = self.path.stat()
        except OSError:
            return "the store's file was moved away or deleted while it was in use"
        if found.st_size == 0:
            return "the store's file was emptied while it was in use"
        if (found.st_dev, found.st_ino) != self._file:
            return "another file was put in the place of the store while it was in use"
        return ""

    def replaced(self) -> bool:
        """Whether another store has been put in the place of this one."""
        with contextlib.suppress(OSError):
            return bool(self.lost()) and self.path.stat().st_size > 0
        return False

    def must_be_found(self) -> None:
        """Raises StoreVanished where what is written now would be lost with this connection."""
        lost = self.lost()
        if lost:
            fix = (
                "put the file back, or mount its disk: the service goes on by itself; nothing is acknowledged meanwhile"
            )
            raise StoreVanished(lost, where=str(self.path), fix=fix)

    def _for_nobody_else(self) -> None:
        """Nobody else reads the store. What SQLite lays beside the file gets the rights of the file."""
        rights = rights_in(self.dir)
        # Where the rights cannot be set (another's file, a file system without them) the store is still of use. A file
        # that is there must not be opened for this: closing it would end the locks that SQLite holds on it.
        with contextlib.suppress(OSError):
            with contextlib.suppress(FileExistsError):
                os.close(os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
                self.path.chmod(rights)
            for path in (self.path, *(self.path.with_name(FILE_NAME + end) for end in ("-wal", "-shm"))):
                with contextlib.suppress(FileNotFoundError):
                    mode = path.stat().st_mode
                    if mode & 0o077 & ~rights:
                        path.chmod(mode & (0o700 | rights))

    def _version(self) -> int:
        return int(self.connection.execute("PRAGMA user_version").fetchone()[0])

    def _refuse_newer(self) -> None:
        have, newest = self._version(), _schema()[-1][0]
        if have > newest:
            raise StoreNewer(
                f"the store has schema {have}, this version of Warmtally knows {newest}",
                where=str(self.path),
                fix="use the newer version again, or give another --data DIR; the file was not touched",
            )

    def _migrate(self) -> None:
        steps = _schema()
        if self._version() == steps[-1][0]:
            return
        with self.write() as connection:
            # Another process may have done it while this one waited for the lock.
            have = self._version()
            for number, script in steps:
                if number > have:
                    for statement in _statements(script):
                        connection.execute(statement)
                    connection.execute(f"PRAGMA user_version={number}")

    @contextlib.contextmanager
    def mapped(self) -> Iterator[None]:
        """Turn SQLite's errors into ours."""
        try:
            yield
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise translated(error, self.path) from error

    @contextlib.contextmanager
    def read(self) -> Iterator[None]:
        """Several reads of one and the same state: what another process commits meanwhile stays out of sight."""
        if self.connection.in_transaction:
            yield
            return
        with self.mapped():
            self.connection.execute("BEGIN")
            try:
                yield
            finally:
                self.connection.execute("ROLLBACK")

    @contextlib.contextmanager
    def write(self, *, lasting: bool = True) -> Iterator[sqlite3.Connection]:
        """One transaction: committed as a whole or not at all.

        ``lasting`` False: it need not be on the disk when it returns, so a cut of the power may take it back; the next
        commit that is, of whichever connection, makes it so.
        """
        with self.mapped():
            if not lasting:
                self.connection.execute("PRAGMA synchronous=NORMAL")
            try:
                self.connection.execute("BEGIN IMMEDIATE")
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                # On a full disk SQLite may have rolled back by itself already.
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise
            finally:
                if not lasting:
                    self.connection.execute("PRAGMA synchronous=FULL")

    def in_steps(self, step: Callable[[sqlite3.Connection], int]) -> int:
        """Carry out ``step`` again and again, each time in a transaction of its own, until it finds nothing to do.

        ``step`` deals with ROWS_A_STEP rows at the most and returns how many there were. Returns how many there were
        in all. After STEPS_A_DAY the rest is left for the next time.
        """
        total = 0
        for _ in range(STEPS_A_DAY):
            with self.write() as c:
                done = step(c)
            total += done
            if not done:
                break
            time.sleep(STEP_PAUSE_S)
        return total

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Read all rows at once: an open read would keep the write-ahead log from shrinking."""
        with self.mapped():
            return self.connection.execute(sql, values).fetchall()

    def fact(self, name: str) -> str | None:
        rows = self.rows("SELECT value FROM fact WHERE name=?", name)
        return str(rows[0][0]) if rows else None

    def number(self, name: str) -> int | None:
        """A fact that is a whole number; None where there is none, or where a bit of it has flipped and it is none
        any more: nothing so small may keep the service from starting."""
        try:
            return int(self.fact(name) or "")
        except ValueError:
            return None

    def set_fact(self, name: str, value: str) -> None:
        with self.write() as c:
            c.execute(
                "INSERT INTO fact VALUES (?,?) ON CONFLICT(name) DO UPDATE SET value=excluded.value", (name, value)
            )

    def checkpoint(self) -> None:
        """What was committed into the file itself. A long reader (a backup is being made) is not waited for: then the
        rest is left to the next time."""
        with self.mapped():
            self.connection.execute(f"PRAGMA busy_timeout={CHECKPOINT_WAIT_MS}")
            try:
                self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            finally:
                self.connection.execute(f"PRAGMA busy_timeout={BUSY_S * 1000:.0f}")

    def give_back(self) -> None:
        """The memory of pages that were read lately; the system still has them."""
        with contextlib.suppress(sqlite3.Error):
            self.connection.execute("PRAGMA shrink_memory")

    def check(self) -> list[str]:
        """SQLite's own integrity check; empty when whole."""
        found = [str(r[0]) for r in self.rows("PRAGMA integrity_check")]
        return [] if found == ["ok"] else found

    def close(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self.connection.close()


def _statements(script: str) -> Iterator[str]:
    pending = ""
    for line in script.splitlines():
        pending += line + "\n"
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""


class ServiceLock:
    """Keeps a second service away from the same store; released by the system when the process ends."""

    def __init__(self, data_dir: str | Path) -> None:
        self.path = Path(data_dir) / "service.lock"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[str] = self.path.open("a+")
        except OSError as error:
            raise StoreError(
                f"the data directory cannot be written ({error.strerror})",
                where=str(self.path.parent),
                fix="give --data DIR, or data_dir under [store], that this user may write to",
            ) from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            self._file.seek(0)
            holder = self._file.read().strip() or "unknown"
            self._file.close()
            raise StoreLocked(
                f"another Warmtally service (process {holder}) uses this store",
                where=str(self.path.parent),
                fix="stop the other one first, or give this one its own --data DIR",
            ) from error
        self._file.seek(0)
        self._file.truncate()
        self._file.write(str(os.getpid()))
        self._file.flush()

    @staticmethod
    def held(data_dir: str | Path) -> bool:
        """Whether a service has it. Looked up among the system's locks (proc(5)): trying to take it could keep a
        service that starts just now from it. Where that cannot be looked up it counts as held."""
        try:
            inode = (Path(data_dir) / "service.lock").stat().st_ino
            locks = Path("/proc/locks").read_text(encoding="ascii").splitlines()
        except FileNotFoundError:
            return False
        except (OSError, ValueError):
            return True
        return any(w[1:2] == ["FLOCK"] and w[-3].endswith(f":{inode}") for w in map(str.split, locks) if len(w) > 5)

    def release(self) -> None:
        self._file.close()
