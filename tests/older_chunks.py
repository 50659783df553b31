"""What was stored as it was written before: a row for each reading and packet, and chunks of an hour without a
checksum."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence

import numpy as np

from monitor.adapters.store import Columns, InboxMark, Store
from monitor.adapters.store.readings import columns_of_rows
from monitor.core.terms.arrays import Times
from monitor.core.terms.events import Reading
from monitor.core.terms.times import HOUR_MS


def _ints(values: Times) -> bytes:
    first = values.astype("<i8")
    first[1:] -= values[:-1]
    second = first.copy()
    second[1:] -= first[:-1]
    return second.view("u1").reshape(-1, 8).T.tobytes()


def encoded(columns: Columns) -> bytes:
    """As :func:`monitor.adapters.store.chunks.encode` was: integers of up to six places, else doubles."""
    n = len(columns)
    places, scaled = -1, np.zeros(n, np.int64)
    with np.errstate(over="ignore"):
        for trial in range(7):
            big = np.round(columns.value * 10.0**trial)
            if (big / 10.0**trial == columns.value).all() and (np.abs(big) < 2**52).all():
                places, scaled = trial, big.astype(np.int64)
                break
    tests = {str(i): t for i, t in enumerate(columns.test) if t}
    head = json.dumps({"n": n, "p": places, "t": tests} if tests else {"n": n, "p": places}).encode()
    raw = b"".join(
        (
            len(head).to_bytes(4, "little"),
            head,
            _ints(columns.at),
            _ints(scaled) if places >= 0 else columns.value.astype("<f8").tobytes(),
            _ints(columns.received - columns.at),
            columns.flag.tobytes(),
            np.packbits(columns.timed).tobytes(),
        )
    )
    return b"W1" + zlib.compress(raw, 6)


def ingest(store: Store, readings: Sequence[Reading], marks: Sequence[InboxMark] = ()) -> None:
    """As :meth:`monitor.adapters.store.Journal.ingest` did."""
    with store.db.write() as c:
        c.executemany(
            "INSERT INTO journal(probe, at, value, received, flag, timed, test) VALUES (?,?,?,?,?,?,?)",
            [
                (store.probes.given(r.probe), r.at_ms, r.value, r.received_ms, int(r.flag), int(r.timed), r.test)
                for r in readings
            ],
        )
        hours = {(store.probes.given(r.probe), r.at_ms // HOUR_MS) for r in readings}
        c.executemany("INSERT OR IGNORE INTO dirty VALUES (?,?)", sorted(hours))
        c.executemany("INSERT INTO inbox VALUES (?,?,?)", [(mid, k + 1, d) for k, (mid, d) in enumerate(marks)])


def put(store: Store, probe: int, columns: Columns, table: str = "hour_chunk") -> None:
    """Readings of a probe, by its number, in chunks of before; inside a transaction. ``table``: its name then, or
    today."""
    for hour in np.unique(columns.at // HOUR_MS).tolist():
        some = columns.take(np.flatnonzero(columns.at // HOUR_MS == hour))
        good = some.value[some.usable]
        ends = (float(good.min()), float(good.max()), float(good.sum())) if len(good) else (None, None, None)
        store.db.connection.execute(
            f"INSERT INTO {table} VALUES (?,?,?,?,?,?,?,?)",
            (probe, hour, len(some), len(good), *ends, encoded(some)),
        )


def fold(store: Store, until_ms: int, table: str) -> None:
    """The journal's readings before a moment into chunks of before."""
    with store.db.write() as c:
        sql = "SELECT seq, probe, at, value, received, flag, timed, test FROM journal WHERE at<? ORDER BY seq"
        rows = c.execute(sql, (until_ms,)).fetchall()
        for probe in sorted({row[1] for row in rows}):
            put(store, probe, columns_of_rows([r for r in rows if r[1] == probe]).sorted_first_wins(), table)
        c.execute("DELETE FROM journal WHERE at<?", (until_ms,))
