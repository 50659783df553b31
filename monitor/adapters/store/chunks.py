"""The compressed form of a probe's readings: an hour of them, or a day.

A chunk stands in bytes as: ``W2``, the checksum (CRC-32) of all that follows, the number of readings, and its columns
one after the other (:mod:`monitor.adapters.store.packed`): measured times, values, times of arrival, flags, whether the
payload carried the time, and which test set the flag. Times are said by their differences or by the probe's beat: a
clock that ticks evenly, but whose every message is some milliseconds off.

Everything comes back bit for bit, times of arrival too: a probe's wrong clock holds from the arrival of one of its
readings on, so that one a millisecond earlier would be dated by another clock.

Chunks of before (``W1``, one an hour: :mod:`monitor.adapters.store.hour_chunks`) and days that became rows of ten
minutes (``W3``: :mod:`monitor.adapters.store.thin_chunks`) are read as well.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from monitor.adapters.store import hour_chunks, thin_chunks
from monitor.adapters.store.columns import Columns
from monitor.adapters.store.packed import PackedBytes, ints, names, put, values
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

MAGIC: Final = b"W2"
MOST_READINGS: Final = 4_000_000
"""Of one chunk: what claims to hold more is damaged, and is not given the memory for it."""


def encode(columns: Columns, total: float | None = None, head: bytes | None = None) -> bytes:
    """Bytes of a chunk; :func:`decode` gives back exactly the same columns.

    ``total`` and ``head``: as they stand beside it, which rows of ten minutes carry a sum of. Raises ValueError when a
    value is no finite number, or when there are too many readings.
    """
    if columns.spread is not None:
        return thin_chunks.encode(columns, total, head)
    n = len(columns)
    if not np.isfinite(columns.value).all():
        raise ValueError("a reading's value is not finite")
    if n > MOST_READINGS:
        raise ValueError(f"more than {MOST_READINGS} readings in one chunk")
    out = bytearray()
    put(out, n)
    if n:
        out += _times(columns.at)
        out += values(columns.value)
        lag = columns.received - columns.at
        # What was kept while a line was away is given back at once: then the arrival itself says less.
        out += min(b"\0" + ints(lag, 0, 1), b"\1" + ints(columns.received, 1), key=len)
        out += ints(columns.flag.astype(np.int64), 0)
        out += ints(columns.timed.astype(np.int64), 0)
        out += names(columns.test)
    return MAGIC + zlib.crc32(out).to_bytes(4, "little") + bytes(out)


def decode(blob: bytes) -> Columns:
    """Columns of a chunk. Raises ValueError on damaged bytes."""
    if blob[:2] == hour_chunks.MAGIC:
        return hour_chunks.decode_all([blob])
    if blob[:2] == thin_chunks.MAGIC:
        return thin_chunks.decode(blob)
    if blob[:2] != MAGIC:
        raise ValueError("not a chunk of readings")
    if zlib.crc32(blob[6:]) != int.from_bytes(blob[2:6], "little"):
        raise ValueError("damaged chunk: its checksum is another one")
    try:
        return _columns(PackedBytes(blob, 6))
    except (IndexError, OverflowError, TypeError, zlib.error) as error:
        raise ValueError(f"damaged chunk: {error}") from error


def decode_all(blobs: Sequence[bytes]) -> Columns:
    """Columns of several chunks, one after the other. Raises ValueError when the bytes of one are damaged."""
    parts: list[Columns] = []
    before: list[bytes] = []
    for blob in blobs:
        if blob[:2] == hour_chunks.MAGIC:
            before.append(blob)
            continue
        if before:
            parts.append(hour_chunks.decode_all(before))
            before = []
        parts.append(decode(blob))
    if before:
        parts.append(hour_chunks.decode_all(before))
    return Columns.joined(parts)


def check(blob: bytes) -> str:
    """What is wrong with the bytes of a chunk; empty when it is whole: its checksum is right and it can be read."""
    try:
        decode(blob)
    except ValueError as error:
        return str(error)
    return ""


# -- hours of a chunk -----------------------------------------------------------------------------------------


def hours_of(columns: Columns, hour: int, hours: int) -> bytes:
    """What the hours of a chunk come to, as bytes: of each how many readings there are, how many of them usable, and
    the sum of those. ``hour``: the first, since 1970."""
    of = columns.at // HOUR_MS - hour
    good = columns.usable
    table = np.zeros((hours, 3))
    table[:, 0] = np.bincount(of, columns.count, hours)
    table[:, 1] = np.bincount(of[good], columns.count[good], hours)
    edges = np.searchsorted(of[good], np.arange(hours + 1))
    usable = columns.value[good] * columns.count[good]
    table[:, 2] = [usable[a:b].sum() for a, b in itertools.pairwise(edges)]
    return put_hours(table)


def put_hours(table: Values) -> bytes:
    """Of each hour, shape (hours, 3): numbers of readings, of usable ones, and the sum of those, as bytes."""
    return zlib.compress(table[:, :2].astype("<u4").T.tobytes() + table[:, 2].astype("<f8").tobytes(), 6)


def read_hours(head: bytes, hours: int) -> tuple[Times, Times, Values]:
    """What :func:`hours_of` wrote: numbers of readings and of usable ones, and sums, shape (hours,). Raises ValueError
    on damaged bytes."""
    unpacking = zlib.decompressobj()
    try:
        raw = unpacking.decompress(head, 16 * hours + 1)
    except zlib.error as error:
        raise ValueError(f"damaged head of a chunk: {error}") from error
    if len(raw) != 16 * hours:
        raise ValueError("damaged head of a chunk")
    counts = np.frombuffer(raw, "<u4", 2 * hours).reshape(2, hours).astype(np.int64)
    return counts[0], counts[1], np.frombuffer(raw, "<f8", hours, 8 * hours)


def heads(
    rows: Iterable[tuple[int, int, int, int, float | None, bytes]], from_hour: int, to_hour: int
) -> list[tuple[int, int, int, float]]:
    """Of each hour in ``from_hour <= hour < to_hour`` of which chunks hold readings: the hour, how many there are, how
    many of them usable, the sum of those. ``rows``: first hour, hours, readings, usable ones, their sum, and the bytes
    of :func:`hours_of` of each chunk. Raises ValueError, which names the first hour of what is damaged."""
    found: list[tuple[int, int, int, float]] = []
    for hour, hours, n, good, total, head in rows:
        if hours == 1:
            found.append((hour, n, good, total or 0.0))
            continue
        try:
            columns = read_hours(head, hours)
        except ValueError as error:
            raise ValueError(f"hour {hour}: {error}") from error
        found += [
            (h, k, g, t)
            for h, k, g, t in zip(range(hour, hour + hours), *(c.tolist() for c in columns), strict=True)
            if k and from_hour <= h < to_hour
        ]
    return found


# -- columns --------------------------------------------------------------------------------------------------


def _times(at: Times) -> bytes:
    """Measured times: by their differences, or as beats of the probe and what each is off by."""
    plain = b"\0" + ints(at, 1, 2)
    steps = np.diff(at)
    beat = float(np.median(steps)) if len(at) > 2 else 0.0
    if beat < 1.0 or at[-1] - at[0] > 1 << 40:
        return plain
    since = (at - at[0]).astype(np.float64)
    number = np.cumsum(np.rint(steps / beat), dtype=np.float64)
    # The straight line through them: a beat is not a whole number of milliseconds.
    middle = number - number.mean()
    spread = float(middle @ middle)
    beat_us = round(1000.0 * float(middle @ since[1:]) / spread) if spread else 0
    if beat_us < 1:
        return plain
    numbers = np.rint(since * (1000.0 / beat_us)).astype(np.int64)
    out = bytearray(b"\1")
    put(out, beat_us)
    by_beats = bytes(out) + ints(numbers, 1) + ints(at - numbers * beat_us // 1000, 0, 1)
    return min(plain, by_beats, key=len)


def _columns(packed: PackedBytes) -> Columns:
    n = packed.number()
    if not n:
        return Columns.empty()
    if not 0 < n <= MOST_READINGS:
        raise ValueError("damaged chunk: the number of its readings")
    if packed.byte():
        beat_us, numbers = packed.number(), packed.ints(n)
        at = packed.ints(n) + numbers * beat_us // 1000
    else:
        at = packed.ints(n)
    value = packed.values(n)
    itself = packed.byte()
    received = packed.ints(n) if itself else at + packed.ints(n)
    flag, timed = packed.ints(n).astype(np.uint8), packed.ints(n).astype(np.bool_)
    test = packed.names(n)
    if not packed.ended():
        raise ValueError("damaged chunk: more bytes than readings")
    return Columns(at, value, received, flag, timed, test)
