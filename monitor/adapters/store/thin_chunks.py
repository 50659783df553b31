"""The compressed form of days whose readings became rows of ten minutes (:mod:`monitor.core.readings.ten_minutes`).

A chunk of them stands in bytes as: ``W3``, the checksum (CRC-32) of all that follows, the row's total and the checksum
of its head, which stay those of the single readings, the number of rows, and its columns. A row of one reading comes
back bit for bit, a mean as the same sum over the same count; of means, times of arrival and of the lowest and highest
are told to the second.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.adapters.store.columns import Columns
from monitor.adapters.store.packed import PackedBytes, ints, names, put, values
from monitor.core.readings.ten_minutes import PLACES, TEN_MS, TenMinuteSpread, ten_minutes
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

MAGIC: Final = b"W3"
MOST_ROWS: Final = 1_000_000
_TOLD: Final = struct.Struct("<dI")
_START: Final = 6 + _TOLD.size


def thinned(columns: Columns, single: Sequence[int] = ()) -> Columns:
    """Single readings as rows of ten minutes; what is rows already stays as it is. Sorted by time.

    ``single``: hours since 1970 whose readings stay rows of one each.
    """
    if not len(columns) or columns.spread is not None:
        return columns
    if single and (stays := np.isin(columns.at // HOUR_MS, single)).any():
        parts = [columns.take(np.flatnonzero(stays)), columns.take(np.flatnonzero(~stays))]
        whole = replace(parts[0], spread=TenMinuteSpread.single(parts[0].value))
        return Columns.joined([whole, thinned(parts[1])]).sorted_first_wins()
    kinds = {kind: k for k, kind in enumerate(sorted(set(columns.test)))}
    kind = 2 * np.array([kinds[test] for test in columns.test], np.int64) + columns.timed
    rows = ten_minutes(columns.at, columns.value, columns.received, columns.flag, kind)
    of = columns.take(rows.last)
    many, s = rows.spread.several, rows.spread
    received = np.where(many, of.received // 1000 * 1000, of.received)
    spread = TenMinuteSpread(
        s.count, s.lowest, s.highest, s.lowest_after_ms // 1000 * 1000, s.highest_after_ms // 1000 * 1000
    )
    return Columns(rows.at, rows.mean, received, of.flag, of.timed, of.test, spread)


def with_more(rows: Columns, new: Columns) -> Columns:
    """Rows of ten minutes with readings that came since, ``new`` with each time once.

    Of ten minutes of which there is a mean nothing more is taken: nobody can know whether it is in that mean already.
    """
    rest = new.take(np.flatnonzero(~rows.known(new.at)))
    if rows.spread is None or not len(rest):
        return rows
    beside = ~rows.spread.several & np.isin(rows.at // TEN_MS, rest.at // TEN_MS)
    again = replace(Columns.joined([rows.take(np.flatnonzero(beside)), rest]), spread=None)
    stays = rows.take(np.flatnonzero(~beside))
    return Columns.joined([stays, thinned(again.sorted_first_wins())]).sorted_first_wins()


def encode(rows: Columns, total: float | None, head: bytes | None) -> bytes:
    """Bytes of a chunk of rows; ``total`` and ``head``: as they stand beside it. Raises ValueError where there are too
    many, or a value is no finite number."""
    spread, n = rows.spread, len(rows)
    if spread is None or not n or n > MOST_ROWS or not np.isfinite(rows.value).all():
        raise ValueError("no rows of ten minutes")
    out = bytearray(_told(total, head))
    put(out, n)
    many, slot = spread.several, rows.at // TEN_MS
    out += min(b"\0" + ints(rows.at, 1, 2), b"\1" + ints(slot, 1) + ints(rows.at - slot * TEN_MS, 0, 1), key=len)
    out += ints(spread.count, 0) + values(spread.lowest) + ints(rows.flag.astype(np.int64), 0)
    out += ints(rows.timed.astype(np.int64), 0) + names(rows.test)
    out += ints(rows.received - np.where(many, slot * TEN_MS, rows.at), 0, 1)
    if many.any():
        means, some = rows.value[many], spread.take(many)
        base, off = _offsets(means, some.count)
        same = np.array_equal(_means(off, base, some), means)
        out += b"\1" if same else b"\0"
        if same:
            put(out, base)
        out += values(off if same else means) + values(some.highest)
        out += ints(some.lowest_after_ms // 1000, 0) + ints(some.highest_after_ms // 1000, 0)
    return MAGIC + zlib.crc32(out).to_bytes(4, "little") + bytes(out)


def decode(blob: bytes) -> Columns:
    """Rows of a chunk. Raises ValueError on damaged bytes."""
    if zlib.crc32(blob[6:]) != int.from_bytes(blob[2:6], "little"):
        raise ValueError("damaged chunk: its checksum is another one")
    try:
        return _rows(PackedBytes(blob, _START))
    except (IndexError, OverflowError, TypeError, zlib.error) as error:
        raise ValueError(f"damaged chunk: {error}") from error


def fits(blob: bytes, total: object, head: bytes | None) -> bool:
    """Whether a chunk's total and head are those that were written with it, to the bit."""
    return isinstance(total, float | None) and blob[6:_START] == _told(total, head)


def _told(total: float | None, head: bytes | None) -> bytes:
    return _TOLD.pack(0.0 if total is None else total, zlib.crc32(head or b""))


def _offsets(means: Values, count: Times) -> tuple[int, Values]:
    """A whole number beside which the means lie, and the sums of what readings are off from it: as decimal values add
    up to decimal values, they take little room."""
    base = int(np.clip(np.rint(np.median(means)), -1e9, 1e9))
    off: Values = means * count - float(base) * count
    with np.errstate(over="ignore"):
        # Of values beyond all measure they are not used.
        return base, off.round(PLACES)


def _means(off: Values, base: int, spread: TenMinuteSpread) -> Values:
    with np.errstate(over="ignore"):
        sums = np.round(off + float(base) * spread.count, PLACES)
    result: Values = np.clip(sums / spread.count, spread.lowest, spread.highest)
    return result


def _rows(packed: PackedBytes) -> Columns:
    n = packed.number()
    if not 0 < n <= MOST_ROWS:
        raise ValueError("damaged chunk: the number of its rows")
    at = packed.ints(n) * TEN_MS + packed.ints(n) if packed.byte() else packed.ints(n)
    count, lowest = packed.ints(n), packed.values(n)
    flag, timed = packed.ints(n).astype(np.uint8), packed.ints(n).astype(np.bool_)
    test = packed.names(n)
    many = count > 1
    received = packed.ints(n) + np.where(many, at // TEN_MS * TEN_MS, at)
    value, highest = lowest.copy(), lowest.copy()
    low_ms, high_ms = np.zeros(n, np.int64), np.zeros(n, np.int64)
    k = int(many.sum())
    if k:
        base = packed.number() if packed.byte() else None
        off, highest[many] = packed.values(k), packed.values(k)
        low_ms[many], high_ms[many] = packed.ints(k) * 1000, packed.ints(k) * 1000
        some = TenMinuteSpread(count[many], lowest[many], highest[many], low_ms[many], high_ms[many])
        value[many] = off if base is None else _means(off, base, some)
    if not packed.ended() or not (count > 0).all():
        raise ValueError("damaged chunk: more bytes than rows")
    return Columns(at, value, received, flag, timed, test, TenMinuteSpread(count, lowest, highest, low_ms, high_ms))
