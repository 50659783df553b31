"""Whether a store is as it was written: what SQLite's own check sees, and what it cannot see.

SQLite knows its pages and their order, but carries no sum of what stands in them: of bits that flip by themselves it
finds the few that break a page. The rest is found by the sums that chunks of readings carry, by what each column may
hold, and in a backup by the sums of whole files. Nothing here writes, nor brings a store to this version.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import sqlite3
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from monitor.adapters.store import batches, chunks, thin_chunks
from monitor.adapters.store.database import BUSY_S, FILE_NAME, lay_out, newest_version, translated
from monitor.adapters.store.seals import broken, told
from monitor.core.terms.events import KeeperEvent
from monitor.core.terms.times import HOUR_MS
from monitor.errors import StoreError, StoreNewer
from monitor.values import dataclass

By = Literal["file", "rows", "readings", "seal", "sum"]
"""Which check found it: SQLite's own, what a column may hold, the sums of chunks, the seals of rows, the sums of a
backup's files."""

Row = tuple[Any, ...]
Progress = Callable[[int], None]

LATEST_MS: Final = 2**43
"""The year 2248: a moment beyond it was never written."""
MOST_FINDINGS: Final = 200
"""So many are named; the rest says nothing that these do not say."""
ROWS_AT_ONCE: Final = 500
DERIVED: Final = frozenset({"part", "span", "dirty", "single_day"})
"""What can be made again from the readings."""
DAMAGE: Final = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What reading a damaged file may raise; SQLite's own words may hold what stands in it."""
_FLAGS: Final = frozenset({1, 2, 3, 4, 9})
BATCHES: Final = frozenset({"batch", "mark"})
"""Tables whose rows carry a sum as chunks do: readings that are not folded yet, and packets."""
_OF_ENTRIES: Final = frozenset(field.name for field in dataclasses.fields(KeeperEvent))
_JSON: Final = {"event": ("body",), "condition": ("body",), "notice": ("subjects",)}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is damaged: in which table, what of it, and found by which check.

    ``probe`` and ``from_ms`` to ``to_ms`` (exclusive): whose readings, where it is readings.
    """

    by: By
    table: str
    what: str
    probe: str = ""
    from_ms: int | None = None
    to_ms: int | None = None


def reading_only(path: Path, *, still: bool = False) -> sqlite3.Connection:
    """A connection that can change nothing. ``still``: of a file that nobody writes to, beside which nothing is laid.

    Raises StoreError where there is none.
    """
    if not path.is_file():
        raise StoreError("there is no store here", where=str(path), fix="give the folder of a store or of a backup")
    quoted = "".join(f"%{ord(sign):02x}" if sign in "?#%" else sign for sign in str(path.absolute()))
    try:
        connection = sqlite3.connect(
            f"file:{quoted}?mode=ro{'&immutable=1' if still else ''}", uri=True, isolation_level=None, timeout=BUSY_S
        )
        connection.execute("PRAGMA query_only=ON")
    except sqlite3.Error as error:
        raise translated(error, path) from error
    return connection


def examined(path: Path, *, still: bool = False, progress: Progress | None = None) -> list[Finding]:
    """Everything that is damaged in a store's file; empty when it is whole. Others may go on using it meanwhile.

    ``progress`` is told how many chunks were looked at (:func:`how_much`). Raises StoreNewer for a store of a newer
    version, and StoreError where it cannot even be opened for another reason than damage.
    """
    with contextlib.closing(reading_only(path, still=still)) as connection:
        connection.text_factory = bytes
        try:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            newest = newest_version()
            if version > newest and connection.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0]:
                if not _of_a_newer(connection):
                    return [Finding("rows", "", f"the file's version ({version}) is none that was ever written")]
                raise StoreNewer(
                    f"the store has schema {version}, this version of Warmtally knows {newest}",
                    where=str(path),
                    fix="take the version of Warmtally that wrote it, or a newer one",
                )
            found = _of_file(connection)
        except DAMAGE as error:
            if isinstance(error, UnicodeDecodeError) or is_damage(error):
                return [Finding("file", "", f"SQLite cannot read it ({error})")]
            raise translated(error, path) from error
        found += _of_schema(connection, version)
        for table in _tables(connection):
            found += _of_rows(connection, table)
        found += _of_readings(connection, progress)
        found += _of_seals(connection)
    return found[:MOST_FINDINGS]


def how_much(path: Path, *, still: bool = False) -> int:
    """How many chunks of readings there are to look at, for a bar; 0 where that cannot be told."""
    with (
        contextlib.suppress(sqlite3.Error, StoreError),
        contextlib.closing(reading_only(path, still=still)) as connection,
    ):
        return int(connection.execute("SELECT COUNT(*) FROM kept").fetchone()[0])
    return 0


def is_damage(error: Exception) -> bool:
    """Whether the file is to blame, and not the disk's room or another who uses it."""
    kind = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
    return kind in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR, sqlite3.SQLITE_IOERR)


# -- the file as a whole ---------------------------------------------------------------------------------------------


def _of_file(connection: sqlite3.Connection) -> list[Finding]:
    """SQLite's check of the whole file, and again by table, to name what it found."""
    told = [_text(r[0]) for r in connection.execute("PRAGMA integrity_check(20)")]
    dangling = connection.execute("PRAGMA foreign_key_check").fetchall()
    found = [
        Finding("rows", _text(table), f"row {row} names a row of {_text(other)} that is not there")
        for table, row, other, _ in dangling
    ]
    if told == ["ok"]:
        return found
    named = []
    for table in _tables(connection):
        with contextlib.suppress(*DAMAGE):
            of_table = [_text(r[0]) for r in connection.execute(f"PRAGMA integrity_check('{table}')")]
            named += [Finding("file", table, text) for text in of_table[:3] if text != "ok"]
    return found + (named or [Finding("file", "", text) for text in told[:3]])


def _of_a_newer(connection: sqlite3.Connection) -> bool:
    """Whether a newer program made this file: then it has another shape than this one's newest."""
    return _shape(connection) != _shape_of(newest_version())


def _of_schema(connection: sqlite3.Connection, version: int) -> list[Finding]:
    """Whether the tables are those of the store's version, to the letter."""
    try:
        found, wanted = _shape(connection), _shape_of(version)
    except DAMAGE as error:
        return [Finding("file", "", f"its tables cannot be listed ({error})")]
    wrong = sorted({name for _, name, _ in found ^ wanted})
    return [Finding("rows", "", f"its tables are not those of its version {version} ({', '.join(wrong[:3])})")] * bool(
        wrong
    )


def _shape(connection: sqlite3.Connection) -> set[tuple[str, str, str]]:
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    return {(_text(a), _text(b), _text(c)) for a, b, c in rows if not _text(b).startswith("sqlite_")}


def _shape_of(version: int) -> set[tuple[str, str, str]]:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as fresh:
        lay_out(fresh, version)
        return _shape(fresh)


def _tables(connection: sqlite3.Connection) -> list[str]:
    try:
        rows = connection.execute("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name").fetchall()
    except DAMAGE:
        return []
    named = [_text(r[0]) for r in rows]
    # Names are put into statements: those of our own, and no others that damage may have made of them.
    return [name for name in named if name.isidentifier() and not name.startswith("sqlite_")]


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


# -- what a row may hold ---------------------------------------------------------------------------------------------


def _of_rows(connection: sqlite3.Connection, table: str) -> Iterator[Finding]:
    """What no program of ours would have written into a table: another kind of value, text that is none."""
    try:
        columns = connection.execute(f"PRAGMA table_info('{table}')").fetchall()
        judge = judge_of(table, columns)
        if table in CHUNKS:
            return
        for row in connection.execute(f"SELECT * FROM {table}"):  # noqa: S608 - a table's name
            why = judge(row)
            if why:
                yield Finding("rows", table, f"{_named(table, columns, row)}: {why}")
    except DAMAGE as error:
        yield Finding("file", table, f"it cannot be read to its end ({error})")


def _named(table: str, columns: list[Row], row: Row) -> str:
    """A row by its key."""
    key = [_shown(value) for (_, _, _, _, _, is_key), value in zip(columns, row, strict=True) if is_key]
    return f"{table} {' '.join(key)}".strip()


def _shown(value: object) -> str:
    return (_text(value) if isinstance(value, bytes | str) else repr(value))[:40]


def judge_of(table: str, columns: list[Row]) -> Callable[[Row], str]:
    """What is wrong with a row of a table (``columns``: as PRAGMA table_info tells them), in words; empty: nothing.

    The row is as read with text as bytes.
    """
    kinds = [(_text(name), _text(kind), bool(needed) or bool(key)) for _, name, kind, needed, _, key in columns]
    in_json = _JSON.get(table, ())

    def judge(row: Row) -> str:
        for (name, kind, needed), value in zip(kinds, row, strict=True):
            why = _unfit(kind, needed, value)
            if not why and name in in_json:
                why = _unread(table, value)
            if not why and name in ("at", "received", "recorded") and not 0 <= value < LATEST_MS:
                why = "is no moment"
            if why:
                return f"{name} {why}"
        named = {name: value for (name, _, _), value in zip(kinds, row, strict=True)}
        if table == "journal" and (named["flag"] not in _FLAGS or named["timed"] not in (0, 1)):
            return "flag or timed is none that there is"
        return batches.check(named["blob"]) if table in BATCHES else ""

    return judge


def _unfit(kind: str, needed: bool, value: object) -> str:
    if value is None:
        return "is missing" if needed else ""
    if kind == "TEXT":
        if not isinstance(value, bytes):
            return "is no text"
        try:
            value.decode("utf-8")
        except UnicodeDecodeError:
            return "is no text"
        return ""
    if kind == "INTEGER":
        return "" if isinstance(value, int) else "is no whole number"
    if kind == "REAL":
        return "" if isinstance(value, int | float) and math.isfinite(value) else "is no number"
    return "" if isinstance(value, bytes) else "are no bytes"


def _unread(table: str, value: bytes) -> str:
    """What is wrong with JSON; of an entry also where it has a name that none has, for nobody could read it."""
    try:
        told = json.loads(value)
    except ValueError:
        return "is no JSON"
    if table == "event" and not (isinstance(told, dict) and told.keys() <= _OF_ENTRIES):
        return "is no entry"
    return ""


def _of_seals(connection: sqlite3.Connection) -> Iterator[Finding]:
    """Rows that are not as they were sealed."""
    if "seal" not in _tables(connection):
        return
    try:
        # Of one moment: whoever writes a row takes its seal away.
        connection.execute("BEGIN")
        for part, block, _ in broken(connection):
            table, which = told(part, block)
            yield Finding("seal", table, f"{which}: one of them is not as it was written")
    except (*DAMAGE, ValueError) as error:
        yield Finding("file", "seal", f"the seals cannot be read ({error})")
    finally:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")


# -- readings --------------------------------------------------------------------------------------------------------

CHUNKS: Final = {
    "chunk": "probe, hour, hours, n, n_good, total, head, blob",
    "hour_chunk": "probe, hour, 1, n, n_good, total, NULL, blob",
}
"""The tables that hold readings, and what to ask of them: a chunk is looked at as such a row, whichever it is from."""


def _of_readings(connection: sqlite3.Connection, progress: Progress | None) -> Iterator[Finding]:
    """Every chunk of readings: its own sum, and whether it holds what its row says."""
    looked = 0
    try:
        names = {int(i): _text(n) for i, n in connection.execute("SELECT id, name FROM probe")}
    except (*DAMAGE, ValueError, TypeError):
        names = {}
    there = set(_tables(connection))
    for table, asked in CHUNKS.items():
        if table not in there:
            continue
        try:
            for row in connection.execute(f"SELECT {asked} FROM {table}"):  # noqa: S608 - names of our own
                why = chunk_fault(row, names)
                if why:
                    yield of_hours(row[0], row[1], row[2], names, why)
                looked += 1
                if progress is not None and not looked % ROWS_AT_ONCE:
                    progress(looked)
        except DAMAGE as error:
            yield Finding("file", table, f"the readings cannot be read to their end ({error})")
    if "damaged_chunk" in there:
        with contextlib.suppress(*DAMAGE):
            for row in connection.execute("SELECT probe, hour, hours, why FROM damaged_chunk"):
                yield of_hours(row[0], row[1], row[2], names, f"{_text(row[3])}, set aside by the service")


def of_hours(probe: object, hour: object, hours: object, names: dict[int, str], why: str) -> Finding:
    """What is wrong with some hours of a probe."""
    name = names.get(probe, "") if isinstance(probe, int) else ""
    if not (isinstance(hour, int) and isinstance(hours, int) and 0 <= hour * HOUR_MS < LATEST_MS and hours > 0):
        return Finding("readings", "chunk", why, name)
    return Finding("readings", "chunk", why, name, hour * HOUR_MS, (hour + hours) * HOUR_MS)


def chunk_fault(row: Row, names: Collection[int]) -> str:
    """What is wrong with a chunk (probe, hour, hours, n, n_good, total, head, blob); empty: nothing.

    Its bytes carry a sum of their own; the row must say of them what they hold.
    """
    probe, hour, hours, n, n_good, total, head, blob = row
    if not isinstance(probe, int) or probe not in names:
        return f"of a probe that is not known ({_shown(probe)})"
    if not isinstance(hour, int) or not isinstance(blob, bytes) or not isinstance(hours, int) or not 0 < hours < 100:
        return "its row is no row of readings"
    try:
        columns = chunks.decode(blob)
        heads = None if head is None else chunks.read_hours(head, hours)
    except (ValueError, KeyError, TypeError, IndexError, OverflowError, MemoryError) as error:
        return f"damaged ({error})"
    of = columns.at // HOUR_MS - hour
    if not len(columns) or columns.readings != n or bool((of < 0).any()) or bool((of >= hours).any()):
        return "it holds other readings than its row says"
    good, said = columns.good
    # Of rows of ten minutes the sums are those of the readings that they were made of, and sealed with them.
    rounded = 1e-6 * good if columns.spread is not None else 1e-9
    if columns.spread is not None and not thin_chunks.fits(blob, total, head):
        return "its row says other sums than were written with its readings"
    if n_good != good or not _alike(total, said, rounded) or (hours > 1) != (heads is not None):
        return "its row says other sums than its readings have"
    if heads is not None:
        table = zip(heads, chunks.read_hours(chunks.hours_of(columns, hour, hours), hours), strict=True)
        if not all(np.allclose(a, b, rtol=1e-12, atol=rounded) for a, b in table):
            return "its head says other sums than its readings have"
    return ""


def _alike(a: object, b: float | None, off: float) -> bool:
    if a is None or b is None:
        return a is b
    return isinstance(a, int | float) and math.isclose(a, b, rel_tol=1e-12, abs_tol=off)


def store_file(folder: Path) -> Path:
    """The file of a store's folder, or of a backup's."""
    inside = folder / "data" / FILE_NAME
    return inside if inside.is_file() else folder / FILE_NAME
