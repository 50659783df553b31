"""What can still be read of a damaged store, into a new one that takes its place only when it is whole.

Nothing is deleted and nothing is written to what is damaged: it is copied, the copy is read row by row, and the old
file is moved aside, with every row that was not taken, when the new one has been examined. Killed at any moment, either
the old store stands there as it was, or none does (then the service refuses to start, and running this again goes on),
or the new one does.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import field
from itertools import pairwise
from pathlib import Path
from typing import Final, TextIO

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store import seals
from monitor.adapters.store.database import FILE_NAME, MARK_NAME, lay_out, newest_version, rights_in, translated
from monitor.adapters.store.salvaged_hours import (
    NOTHING_LEFT,
    GoneHours,
    as_chunk,
    noted,
    present,
    refilled,
    unread,
)
from monitor.adapters.store.soundness import (
    CHUNKS,
    DAMAGE,
    DERIVED,
    Finding,
    Progress,
    Row,
    chunk_fault,
    examined,
    is_damage,
    judge_of,
    reading_only,
)
from monitor.errors import StoreCorrupt, StoreError, StoreFull
from monitor.values import dataclass
from monitor.whole_file import to_disk

MENDING, MENDED = f"{FILE_NAME}.mending", f"{FILE_NAME}.mended"
"""The new store while it is made, and when it is whole and waits for its place."""
ASIDE: Final = "damaged-"
ROWS_ASIDE: Final = "rows.jsonl"
ENDS: Final = ("", "-wal", "-shm")
# So often a range that cannot be read is halved; what is left then is lost.
_MOST_TRIES: Final = 2000
_SPARE_BYTES: Final = 20_000_000
_LAST_KEY: Final = 2**31


@dataclass()
class Salvage:
    """What came of it. ``aside``: the folder with the old file and the rows that were not taken; None: all was whole.

    ``lost``: what is missing in the new store; ``refilled``: rows that a backup had of what was missing; ``rows``:
    table -> how many were kept.
    """

    aside: Path | None = None
    found: list[Finding] = field(default_factory=list)
    lost: list[Finding] = field(default_factory=list)
    refilled: int = 0
    rows: dict[str, int] = field(default_factory=dict)


def mend(
    data_dir: Path, stamp: str, backups: Sequence[Path] = (), progress: Progress | None = None, *, forced: bool = False
) -> Salvage:
    """Repair a store that nobody uses; ``stamp`` names the folder for what is set aside, ``backups`` are files of
    stores that may have what is missing, the newest first. ``forced``: a whole store is made anew as well.

    Raises StoreCorrupt where nothing can be read, StoreFull, StoreError where somebody wrote meanwhile. Then the store
    stands as it was.
    """
    path = data_dir / FILE_NAME
    if not path.exists() and (data_dir / MENDED).is_file():
        return _put_in_place(data_dir, _newest_aside(data_dir), Salvage())
    outcome = Salvage(found=examined(path, progress=progress))
    for left in (data_dir / MENDING, data_dir / MENDED):
        left.unlink(missing_ok=True)
    for half in data_dir.glob(f"{ASIDE}*"):
        # Of one that was killed before anything was moved: copies, and nothing else.
        if ((half / "work").exists() or (half / ROWS_ASIDE).exists()) and not (half / FILE_NAME).exists():
            shutil.rmtree(half, ignore_errors=True)
    if not outcome.found and not forced:
        return outcome
    before = _as_it_stands(path)
    _refuse_without_room(data_dir, sum(size for size, _ in before))
    outcome.aside = aside = data_dir / f"{ASIDE}{stamp}"
    aside.mkdir(mode=0o700)
    try:
        work = aside / "work"
        work.mkdir()
        for end in ENDS[:2]:
            if (data_dir / f"{FILE_NAME}{end}").exists():
                shutil.copyfile(data_dir / f"{FILE_NAME}{end}", work / f"{FILE_NAME}{end}")
        crash_point("repair-copied")
        fresh = data_dir / MENDING
        _made_anew(work / FILE_NAME, fresh, aside, backups, outcome)
        still_wrong = examined(fresh, still=True)
        if still_wrong:
            raise StoreCorrupt(
                f"what was salvaged is not whole ({still_wrong[0].what})", where=str(fresh), fix=_RESTORE
            )
        shutil.rmtree(work)
        if _as_it_stands(path) != before:
            raise StoreError("somebody wrote into the store meanwhile", where=str(path), fix="run it again")
        fresh.chmod(rights_in(data_dir))
        to_disk(fresh)
        to_disk(aside)
        fresh.replace(data_dir / MENDED)
    except BaseException as error:
        (data_dir / MENDING).unlink(missing_ok=True)
        shutil.rmtree(aside, ignore_errors=True)
        if isinstance(error, sqlite3.Error):
            raise translated(error, path) from error
        if isinstance(error, OSError):
            raise _of_system(error, data_dir) from error
        raise
    return _put_in_place(data_dir, aside, outcome)


_RESTORE: Final = "restore a backup: warmtally restore --aside; the damaged store is as it was"


def _of_system(error: OSError, data_dir: Path) -> StoreError:
    if error.errno in (28, 122):  # ENOSPC, EDQUOT
        return StoreFull("no room for the new store; nothing was changed", where=str(data_dir), fix="free some space")
    return StoreError(
        f"the system refuses a file ({error.strerror})", where=str(data_dir), fix="check folder and rights"
    )


def _as_it_stands(path: Path) -> list[tuple[int, int]]:
    """Size and time of the last change of the file and of its log."""
    return [
        (s.st_size, s.st_mtime_ns)
        for end in ENDS[:2]
        if (p := path.with_name(path.name + end)).exists()
        for s in [p.stat()]
    ]


def _refuse_without_room(data_dir: Path, size: int) -> None:
    free, needed = shutil.disk_usage(data_dir).free, 2 * size + _SPARE_BYTES
    if free < needed:
        what = f"{free / 1e6:.0f} MB are free and {needed / 1e6:.0f} are needed for a copy and a new store"
        raise StoreFull(f"{what}; nothing was changed", where=str(data_dir), fix="free some space")


def _newest_aside(data_dir: Path) -> Path:
    return max(data_dir.glob(f"{ASIDE}*"), default=data_dir / f"{ASIDE}before")


def _put_in_place(data_dir: Path, aside: Path, outcome: Salvage) -> Salvage:
    """The new store in the place of the old one, which goes aside with its log. May be killed anywhere, and done again.

    The old file goes first: without one the service does not start, and nothing can be written between the two.
    """
    outcome.aside = aside
    aside.mkdir(mode=0o700, exist_ok=True)
    (data_dir / MARK_NAME).touch(0o600)
    crash_point("repair-before-swap")
    for end in ENDS:
        with contextlib.suppress(FileNotFoundError):
            (data_dir / f"{FILE_NAME}{end}").replace(aside / f"{FILE_NAME}{end}")
        to_disk(data_dir)
        crash_point("repair-mid-swap")
    (data_dir / MENDED).replace(data_dir / FILE_NAME)
    to_disk(data_dir)
    shutil.rmtree(aside / "work", ignore_errors=True)
    return outcome


# -- row by row ------------------------------------------------------------------------------------------------------


def _made_anew(damaged: Path, fresh: Path, aside: Path, backups: Sequence[Path], outcome: Salvage) -> None:
    """A new store at ``fresh`` of what can be read of a copy; what is missing stands in ``outcome``."""
    with (
        contextlib.closing(sqlite3.connect(damaged, isolation_level=None)) as old,
        contextlib.closing(sqlite3.connect(fresh, isolation_level=None)) as new,
        (aside / ROWS_ASIDE).open("w", encoding="utf-8") as kept,
    ):
        old.text_factory = bytes
        try:
            old.execute("SELECT COUNT(*) FROM sqlite_master").fetchall()
        except DAMAGE as error:
            # Without the list of tables each of them would be tried in vain, again and again.
            where = str(damaged.parent.parent.parent)
            raise StoreCorrupt("the list of its tables cannot be read", where=where, fix=_RESTORE) from error
        lay_out(new, _version(old))
        tables = [str(r[0]) for r in new.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        # The probes first: readings are judged by their numbers.
        tables.sort(key=lambda name: (name != "probe", name))
        missing, gone = list[_Missing](), GoneHours()
        for table in tables:
            if table not in NOT_COPIED and not table.startswith("sqlite_"):
                missing += _Table(new, table).taken_from(old, kept, gone, outcome)
        for row in noted(old, gone):
            print(json.dumps({"table": "damaged_chunk", "row": row}), file=kept)
        if not any(outcome.rows.values()):
            raise StoreCorrupt("nothing can be read of it", where=str(damaged.parent.parent.parent), fix=_RESTORE)
        suspect = _suspect(outcome.found, tables)
        unread(old, new, gone, suspect="chunk" in suspect)
        gone.without(present(new))
        known = {(one.table, one.first) for one in missing}
        gaps = [gap for table in sorted(suspect - CHUNKS.keys()) for gap in _gaps(new, table)]
        missing += [gap for gap in gaps if (gap.table, gap.first) not in known]
        torn = _torn(old)
        for backup in backups:
            missing = _refilled(new, backup, missing, gone, suspect, outcome)
            torn = _sealed_again(new, backup, torn, outcome)
        names = {int(i): str(n) for i, n in new.execute("SELECT id, name FROM probe")}
        outcome.lost = [*gone.told(names), *(one.told() for one in missing)]
        for part, block, _ in torn:
            table, which = seals.told(part, block)
            outcome.lost.append(Finding("seal", table, f"{which}: one of them is not as it was written, and was kept"))
        _drop_dangling(new, kept, outcome)
        _count_on(old, new)
        new.execute("PRAGMA journal_mode=DELETE").fetchall()


def _version(old: sqlite3.Connection) -> int:
    with contextlib.suppress(*DAMAGE):
        found = int(old.execute("PRAGMA user_version").fetchone()[0])
        return found if 1 <= found <= newest_version() else newest_version()
    return newest_version()


NOT_COPIED: Final = DERIVED | {"damaged_chunk", "seal"}


@dataclass()
class _Missing:
    """Keys of a table, from first to last, of which nothing was taken.

    ``why``: what is wrong with a row that was set aside; empty: it could not be read.
    """

    table: str
    first: int
    last: int
    why: str = ""

    def told(self) -> Finding:
        """A line for the whole range."""
        if self.first > self.last:
            return Finding("file", self.table, self.why)
        several = f"{self.first} to {self.last}" if self.last > self.first else f"{self.first}"
        return Finding("file", self.table, f"{self.table} {several}: {self.why or 'cannot be read'}")


class _UnreadableError(Exception):
    """The old file cannot be read there. What goes wrong while the new one is written is another matter."""


def _read(old: sqlite3.Connection, sql: str, values: Row = ()) -> Iterator[Row]:
    """Rows of the old file, as far as they can be read; then _UnreadableError."""
    try:
        yield from old.execute(sql, values)
    except DAMAGE as error:
        if is_damage(error):
            raise _UnreadableError from error
        raise


class _Table:
    """One table of the new store, and how its rows are taken."""

    def __init__(self, new: sqlite3.Connection, table: str) -> None:
        self.new, self.table = new, table
        self.columns = new.execute(f"PRAGMA table_info('{table}')").fetchall()
        self.names = [str(c[1]) for c in self.columns]
        self._judge = judge_of(table, self.columns)
        self._texts = [str(c[2]) == "TEXT" for c in self.columns]
        keys = [str(c[1]) for c in self.columns if c[5]]
        whole = len(keys) == 1 and str(self.columns[self.names.index(keys[0])][2]) == "INTEGER"
        self.key: str | None = keys[0] if whole else None
        self._holes = ",".join("?" * len(self.columns))
        self._probes = {int(i): "" for (i,) in new.execute("SELECT id FROM probe")}

    def fault(self, row: Row) -> str:
        of = chunk_fault(as_chunk(self.names, row), self._probes) if self.table in CHUNKS else ""
        return of or self._judge(row)

    def put(self, row: Row) -> str:
        """Take a row as it was read (text as bytes); why not, or empty."""
        why = self.fault(row)
        if why:
            return why
        told = [v.decode() if text and v is not None else v for v, text in zip(row, self._texts, strict=True)]
        try:
            self.new.execute(f"INSERT INTO {self.table} VALUES ({self._holes})", told)  # noqa: S608 - a table's name
        except sqlite3.IntegrityError as error:
            return f"does not fit the others ({error})"
        return ""

    def taken_from(self, old: sqlite3.Connection, kept: TextIO, gone: GoneHours, outcome: Salvage) -> list[_Missing]:
        """Every row that can be read and is sound, in one transaction; what is missing then (readings: in ``gone``)."""
        missing: list[_Missing] = []
        count = 0

        def take(row: Row) -> None:
            nonlocal count
            why = self.put(row)
            if not why:
                count += 1
                return
            print(json.dumps({"table": self.table, "why": why, "row": _plain(self.names, row)}), file=kept)
            if self.table in CHUNKS:
                probe, hour, hours = as_chunk(self.names, row)[:3]
                gone.add(probe, hour, hours, why)
            else:
                missing.append(self._set_aside(row, why))

        self.new.execute("BEGIN")
        if self.key is None:
            lost = self._from_both_ends(old, take)
            missing += [_Missing(self.table, 1, 0, "a part of it cannot be read")] if lost else []
        else:
            lost_ranges = _Ranges(old, self.table, self.key).read(self.names, take)
            # Of readings it is told by their hours.
            missing += [_Missing(self.table, a, b) for a, b in lost_ranges if self.table not in CHUNKS]
        self.new.execute("COMMIT")
        outcome.rows[self.table] = count
        return missing

    def _set_aside(self, row: Row, why: str) -> _Missing:
        key = row[self.names.index(self.key)] if self.key is not None else None
        return _Missing(self.table, key, key, why) if isinstance(key, int) else _Missing(self.table, 1, 0, why)

    def _from_both_ends(self, old: sqlite3.Connection, take: Callable[[Row], None]) -> bool:
        """A table without a whole number to go by: from its beginning, and where that ends from its end. Whether
        something may be missing between."""
        seen: set[Row] = set()
        keys = [i for i, c in enumerate(self.columns) if c[5]]
        order = ",".join(f"{i + 1}" for i in keys)

        def once(row: Row) -> None:
            key = tuple(row[i] for i in keys)
            if key not in seen:
                seen.add(key)
                take(row)

        for way in ("ASC", "DESC"):
            ordered = ",".join(f"{k} {way}" for k in order.split(",")) if order else f"rowid {way}"
            try:
                for row in _read(old, f"SELECT * FROM {self.table} ORDER BY {ordered}"):  # noqa: S608 - only names
                    once(row)
            except _UnreadableError:
                continue
            return False
        return True


@dataclass()
class _Ranges:
    """Reads a table by whole numbers, around what cannot be read."""

    old: sqlite3.Connection
    table: str
    key: str
    tries: int = 0

    def read(self, names: list[str], take: Callable[[Row], None]) -> list[tuple[int, int]]:
        """Hand over every row that can be read, each once; the ranges of keys (first, last) that could not be."""
        self._at = names.index(self.key)
        self._lost: list[tuple[int, int]] = []
        self._between(0, _LAST_KEY, take)
        joined: list[tuple[int, int]] = []
        for first, last in self._lost:
            if joined and joined[-1][1] + 1 == first:
                joined[-1] = joined[-1][0], last
            else:
                joined.append((first, last))
        return joined

    def _rows(self, first: int, last: int, way: str) -> Iterator[Row]:
        return _read(
            self.old,
            f"SELECT * FROM {self.table} WHERE {self.key}>=? AND {self.key}<=? "  # noqa: S608 - only names
            f"ORDER BY {self.key} {way}",
            (first, last),
        )

    def _between(self, first: int, last: int, take: Callable[[Row], None]) -> None:
        self.tries += 1
        low, high = first - 1, last + 1
        held: list[Row] = []
        try:
            for row in self._rows(first, last, "ASC"):
                at = row[self._at]
                if not isinstance(at, int) or not low < at <= last:
                    break
                low = at
                take(row)
            else:
                return
        except _UnreadableError:
            pass
        whole = False
        try:
            for row in self._rows(low + 1, last, "DESC"):
                at = row[self._at]
                if not isinstance(at, int) or not low < at < high:
                    break
                high = at
                held.append(row)
            else:
                whole = True
        except _UnreadableError:
            pass
        if not whole and low + 1 < high:
            if self.tries < _MOST_TRIES and high - low > 2:
                middle = (low + high) // 2
                self._between(low + 1, middle, take)
                self._between(middle + 1, high - 1, take)
            else:
                self._lost.append((low + 1, high - 1))
        for row in reversed(held):
            take(row)


def _plain(names: list[str], row: Row) -> dict[str, object]:
    """A row for a text file: bytes that are no text in hexadecimal digits."""
    told: dict[str, object] = {}
    for name, value in zip(names, row, strict=True):
        if isinstance(value, bytes):
            try:
                told[name] = value.decode("utf-8")
                continue
            except UnicodeDecodeError:
                told[name] = {"hex": value.hex()}
                continue
        told[name] = value
    return told


# -- what else has to fit --------------------------------------------------------------------------------------------


def _suspect(found: list[Finding], tables: list[str]) -> set[str]:
    """Tables whose pages were damaged: rows of them may have gone without a trace."""
    named = {finding.table for finding in found if finding.by == "file"}
    return set(tables) - DERIVED if "" in named else named & set(tables) - DERIVED


def _gaps(new: sqlite3.Connection, table: str) -> list[_Missing]:
    """Numbers that nobody has of a table of which nothing is ever dropped."""
    if table != "event":
        return [_Missing(table, 1, 0, "its pages are damaged: rows may be missing that left no trace")]
    have = [0, *(int(r[0]) for r in new.execute("SELECT id FROM event ORDER BY id"))]
    return [_Missing(table, a + 1, b - 1, NOTHING_LEFT) for a, b in pairwise(have) if b > a + 1]


def _refilled(
    new: sqlite3.Connection,
    backup: Path,
    missing: list[_Missing],
    gone: GoneHours,
    suspect: set[str],
    outcome: Salvage,
) -> list[_Missing]:
    """What a backup has of what is missing goes into the new store; what is missing then.

    Of a ``suspect`` table all that the backup has and the new one has not: of what was dropped for its age it is
    dropped again, and a reading that is there twice counts once.
    """
    left: list[_Missing] = []
    with contextlib.closing(reading_only(backup, still=True)) as old:
        old.text_factory = bytes
        versions = {int(c.execute("PRAGMA user_version").fetchone()[0]) for c in (old, new)}
        if len(versions) > 1:
            return missing
        new.execute("BEGIN")
        for name in ["probe"] if "probe" in suspect else []:
            outcome.refilled += _all_of(_Table(new, name), old)
        outcome.refilled += refilled(new, old, gone, suspect=bool(suspect & CHUNKS.keys()))
        for one in missing:
            table = _Table(new, one.table)
            if table.key is None or one.first > one.last:
                left.append(one)
                continue
            sql = f"SELECT * FROM {one.table} WHERE {table.key}>=? AND {table.key}<=? ORDER BY {table.key}"  # noqa: S608
            at, first = table.names.index(table.key), one.first
            for row in old.execute(sql, (one.first, one.last)).fetchall():
                if table.fault(row):
                    continue
                outcome.refilled += not table.put(row)
                if row[at] > first:
                    left.append(_Missing(one.table, first, row[at] - 1, one.why))
                first = row[at] + 1
            if first <= one.last:
                left.append(_Missing(one.table, first, one.last, one.why))
        for name in sorted(suspect - CHUNKS.keys() - NOT_COPIED):
            outcome.refilled += _all_of(_Table(new, name), old)
        new.execute("COMMIT")
    return left


def _torn(old: sqlite3.Connection) -> list[tuple[str, int, bytes]]:
    """Seals of rows that can be read and are not as they were sealed."""
    with contextlib.suppress(*DAMAGE, ValueError):
        return [one for one in seals.broken(old) if one[0] in seals.ROWS]
    return []


def _sealed_again(
    new: sqlite3.Connection, backup: Path, torn: list[tuple[str, int, bytes]], outcome: Salvage
) -> list[tuple[str, int, bytes]]:
    """Rows of a broken seal out of a backup that has them as they were sealed; the seals that are broken then."""
    left: list[tuple[str, int, bytes]] = []
    with contextlib.closing(reading_only(backup, still=True)) as old:
        old.text_factory = bytes
        for part, block, kept in torn:
            if seals.sum_of(old, part, block) != kept:
                left.append((part, block, kept))
                continue
            key, span = seals.ROWS[part], (block * seals.BLOCK, (block + 1) * seals.BLOCK)
            where = f"FROM {part} WHERE {key}>=? AND {key}<?"
            new.execute("BEGIN")
            new.execute(f"DELETE {where}", span)
            table = _Table(new, part)
            outcome.refilled += sum(not table.put(row) for row in old.execute(f"SELECT * {where}", span))
            new.execute("COMMIT")
    return left


def _all_of(table: _Table, old: sqlite3.Connection) -> int:
    """Every row of a table that is not there yet; how many."""
    return sum(not table.put(row) for row in old.execute(f"SELECT * FROM {table.table}"))  # noqa: S608 - a table's name


def _drop_dangling(new: sqlite3.Connection, kept: TextIO, outcome: Salvage) -> None:
    """Rows that name another which is lost go aside as well, and what hangs on them."""
    while dangling := new.execute("PRAGMA foreign_key_check").fetchall():
        for table, number, other, _ in dangling:
            names = [str(c[1]) for c in new.execute(f"PRAGMA table_info('{table}')")]
            row = new.execute(f"SELECT * FROM {table} WHERE rowid=?", (number,)).fetchone()  # noqa: S608 - a table's name
            why = f"names a row of {other} that is lost"
            print(json.dumps({"table": table, "why": why, "row": _plain(names, row)}), file=kept)
            new.execute(f"DELETE FROM {table} WHERE rowid=?", (number,))  # noqa: S608 - a table's name
            outcome.lost.append(Finding("rows", str(table), f"{table} {number}: {why}"))


def _whole(number: object) -> int:
    return number if isinstance(number, int) and 0 <= number < 2**53 else 0


def _count_on(old: sqlite3.Connection, new: sqlite3.Connection) -> None:
    """Numbers that were given out once are not given out again: what others know a row by stays its own."""
    counted: dict[str, int] = {}
    with contextlib.suppress(*DAMAGE):
        for name, seq in old.execute("SELECT name, seq FROM sqlite_sequence"):
            if isinstance(name, bytes) and isinstance(seq, int) and 0 <= seq < 2**53:
                counted[name.decode("utf-8", "replace")] = seq
    with contextlib.suppress(*DAMAGE):
        # The newest of what waits may be among what could not be read.
        counted["journal"] = max(
            counted.get("journal", 0), _whole(old.execute("SELECT MAX(seq) FROM batch").fetchone()[0])
        )
    shipped = new.execute("SELECT MAX(seq) FROM shipped").fetchone()[0]
    counted["journal"] = max(counted.get("journal", 0), int(shipped or 0))
    tables = {str(r[0]) for r in new.execute("SELECT name FROM sqlite_master WHERE sql LIKE '%AUTOINCREMENT%'")}
    for table in tables & counted.keys():
        (top,) = new.execute(f"SELECT MAX(rowid) FROM {table}").fetchone()  # noqa: S608 - a table's name
        new.execute("DELETE FROM sqlite_sequence WHERE name=?", (table,))
        new.execute("INSERT INTO sqlite_sequence VALUES (?,?)", (table, max(counted[table], int(top or 0))))
