"""Seals: a sum over each 256 rows of what was told, entered and summed up, against bits that flip by themselves.

SQLite carries no sum of what stands in its pages, and a chunk of readings one of its own bytes alone. What the keeper
entered, what was told and the sums of hours are sealed once an hour; a row that is written takes the seal of its 256
away (triggers of the schema; :class:`~monitor.adapters.store.parts.Parts` for the sums of hours). So what is older than
an hour is found when it changes by itself. What only passes through (the journal, marks of packets) has none.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from hashlib import blake2b
from typing import Any, Final

from monitor.adapters.store.database import Database

BLOCK: Final = 256
MOST_AT_ONCE: Final = 400
"""So many are made in one hour, which takes a fraction of a second; the rest is left to the next."""
ROWS: Final = {
    "probe": "id",
    "event": "id",
    "correction": "id",
    "disbelief": "id",
    "wrong_clock": "id",
    "notice": "id",
    "answer": "notice",
    "outbox": "id",
    "history": "id",
}
"""Tables by whole numbers, each with its key."""
WHOLE: Final = ("condition",)
"""Tables that are sealed as one."""
SUMS: Final = "part"


def name_of_sums(box: str, model: str) -> str:
    """The seals of the sums of a box by one model."""
    return f"{SUMS}\x1f{box}\x1f{model}"


def seal(db: Database) -> int:
    """Seal what is not sealed. Returns how many seals were made."""
    made = 0
    with db.write() as c:
        sealed = {(str(part), int(block)) for part, block in c.execute("SELECT part, block FROM seal")}
        for part, block in _blocks(c):
            if (part, block) not in sealed:
                c.execute("INSERT INTO seal VALUES (?,?,?)", (part, block, sum_of(c, part, block)))
                made += 1
                if made >= MOST_AT_ONCE:
                    break
    return made


def broken(c: sqlite3.Connection) -> Iterator[tuple[str, int, bytes]]:
    """Seals (part, block, sum) of rows that are not as they were sealed, as they stand at one moment."""
    for part, block, kept in c.execute("SELECT part, block, sum FROM seal").fetchall():
        name = part.decode("utf-8", "replace") if isinstance(part, bytes) else str(part)
        known = name in ROWS or name in WHOLE or name.startswith(f"{SUMS}\x1f")
        if not known or not isinstance(block, int) or _sum_or_none(c, name, block) != kept:
            yield name, block if isinstance(block, int) else -1, bytes(kept) if isinstance(kept, bytes) else b""


def _sum_or_none(c: sqlite3.Connection, part: str, block: int) -> bytes | None:
    """The sum over the rows of a block; None where they cannot be read: the others are looked at all the same."""
    try:
        return sum_of(c, part, block)
    except (sqlite3.DatabaseError, ValueError):
        return None


def told(part: str, block: int) -> tuple[str, str]:
    """A table, and in words which of its rows a seal is of."""
    if part in ROWS:
        return part, f"{part} {max(block * BLOCK, 1)} to {(block + 1) * BLOCK - 1}"
    table, *of = part.split("\x1f")
    return table, f"the sums of hours of box {of[0]}" if len(of) == 2 else f"the table {table}"


def sum_of(c: sqlite3.Connection, part: str, block: int) -> bytes:
    """The sum over the rows of a block, in order."""
    first = block * BLOCK
    if part in ROWS:
        key = ROWS[part]
        sql = f"SELECT * FROM {part} WHERE {key}>=? AND {key}<? ORDER BY {key}"  # noqa: S608 - names of our own
        rows: Iterable[tuple[Any, ...]] = c.execute(sql, (first, first + BLOCK))
    elif part in WHOLE:
        rows = c.execute(f"SELECT * FROM {part} ORDER BY kind, subject")  # noqa: S608 - names of our own
    else:
        box, model = part.split("\x1f")[1:3]
        sql = "SELECT * FROM part WHERE box=? AND model=? AND hour>=? AND hour<? ORDER BY hour"
        rows = c.execute(sql, (box, model, first, first + BLOCK))
    digest = blake2b(digest_size=16)
    for row in rows:
        # Text as bytes, whichever way the connection reads it.
        digest.update(repr(tuple(v.encode() if isinstance(v, str) else v for v in row)).encode())
    return digest.digest()


def _blocks(c: sqlite3.Connection) -> Iterator[tuple[str, int]]:
    """Every block of which there is a row."""
    for table, key in ROWS.items():
        for (block,) in c.execute(f"SELECT DISTINCT {key}/{BLOCK} FROM {table}").fetchall():  # noqa: S608
            yield table, int(block)
    yield from ((table, 0) for table in WHOLE)
    for box, model, block in c.execute(f"SELECT DISTINCT box, model, hour/{BLOCK} FROM part").fetchall():  # noqa: S608
        yield name_of_sums(box, model), int(block)
