"""The compressed form of a probe's readings: an hour of them, or a day.

A chunk stands in bytes as: ``W2``, the checksum (CRC-32) of all that follows, the number of readings and of decimal
places (-1: values are doubles), and its columns one after the other: the numbers of the probe's own beats, measured
times, values, times of arrival, flags, whether the payload carried the time, and which test set the flag. A column of
integers is said by whichever way takes the fewest bytes: what it differs by from the reading before, from that
difference, or from the probe's beat (a clock that ticks evenly but whose every message is some milliseconds off). What
is left is cut into planes of bytes and deflated; a column that says nothing new takes three bytes.

Everything comes back bit for bit, times of arrival too: a probe's wrong clock holds from the arrival of one of its
readings on, so that one a millisecond earlier would be dated by another clock.

Chunks of before (``W1``, one an hour) are read as well (:mod:`monitor.adapters.store.hour_chunks`).
"""

from __future__ import annotations

import itertools
import json
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.store import hour_chunks
from monitor.adapters.store.columns import Columns
from monitor.core.terms.arrays import Times, Values
from monitor.core.terms.times import HOUR_MS

MAGIC: Final = b"W2"
MOST_READINGS: Final = 4_000_000
"""Of one chunk: what claims to hold more is damaged, and is not given the memory for it."""
_WIDTHS: Final = (0, 1, 2, 4, 8)
_LEVEL, _WINDOW, _MEMORY = 6, -15, 9
_AS_IT_IS: Final = 8
_MOST_NAMES: Final = 1 << 20


def encode(columns: Columns) -> bytes:
    """Bytes of a chunk; :func:`decode` gives back exactly the same columns.

    Raises ValueError when a value is no finite number, or when there are too many readings.
    """
    n = len(columns)
    if not np.isfinite(columns.value).all():
        raise ValueError("a reading's value is not finite")
    if n > MOST_READINGS:
        raise ValueError(f"more than {MOST_READINGS} readings in one chunk")
    out = bytearray()
    _put(out, n)
    if n:
        places, scaled = _scaled(columns.value)
        _put(out, places)
        out += _times(columns.at)
        out += _doubles(columns.value) if scaled is None else _steps(scaled)
        lag = columns.received - columns.at
        # What was kept while a line was away is given back at once: then the arrival itself says less.
        out += min(b"\0" + _ints(lag, 0, 1), b"\1" + _ints(columns.received, 1), key=len)
        out += _ints(columns.flag.astype(np.int64), 0)
        out += _ints(columns.timed.astype(np.int64), 0)
        out += _names(columns.test)
    return MAGIC + zlib.crc32(out).to_bytes(4, "little") + bytes(out)


def decode(blob: bytes) -> Columns:
    """Columns of a chunk. Raises ValueError on damaged bytes."""
    if blob[:2] == hour_chunks.MAGIC:
        return hour_chunks.decode_all([blob])
    if blob[:2] != MAGIC:
        raise ValueError("not a chunk of readings")
    if zlib.crc32(blob[6:]) != int.from_bytes(blob[2:6], "little"):
        raise ValueError("damaged chunk: its checksum is another one")
    try:
        return _Reader(blob).columns()
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
    table[:, 0] = np.bincount(of, minlength=hours)
    table[:, 1] = np.bincount(of[good], minlength=hours)
    edges = np.searchsorted(of[good], np.arange(hours + 1))
    usable = columns.value[good]
    table[:, 2] = [usable[a:b].sum() for a, b in itertools.pairwise(edges)]
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


# -- columns --------------------------------------------------------------------------------------------------


def _put(out: bytearray, number: int) -> None:
    """An integer, by its size: seven bits a byte, the sign in the lowest bit of all."""
    rest = number << 1 if number >= 0 else (-number << 1) - 1
    while rest > 127:
        out.append(rest & 127 | 128)
        rest >>= 7
    out.append(rest)


def _planes(offsets: NDArray[np.uint64], width: int) -> tuple[bytes, bool]:
    """Planes of bytes, and whether they are deflated: a few of them would only grow by it."""
    raw = offsets.astype(f"<u{width}").view("u1").reshape(-1, width).T.tobytes()
    packing = zlib.compressobj(_LEVEL, zlib.DEFLATED, _WINDOW, _MEMORY)
    body = packing.compress(raw) + packing.flush()
    return (body, True) if len(body) < len(raw) else (raw, False)


def _ints(values: Times, *orders: int) -> bytes:
    """The shortest of the ways with so many differences taken. Shape (n,), n > 0."""
    return min((_of_order(values, order) for order in orders), key=len)


def _of_order(values: Times, order: int) -> bytes:
    out, rest = bytearray(1), values
    for _ in range(order):
        _put(out, int(rest[0]) if len(rest) else 0)
        rest = np.diff(rest)
    least = int(rest.min()) if len(rest) else 0
    _put(out, least)
    # Without a sign: the widest difference of all would not fit with one.
    offsets = (rest - least).view(np.uint64)
    most = int(offsets.max()) if len(rest) else 0
    code = next(k for k, width in enumerate(_WIDTHS) if most < 1 << 8 * width)
    out[0] = code | order << 4
    if code:
        body, deflated = _planes(offsets, _WIDTHS[code])
        out[0] |= 0 if deflated else _AS_IT_IS
        _put(out, len(body))
        out += body
    return bytes(out)


def _times(at: Times) -> bytes:
    """Measured times: by their differences, or as beats of the probe and what each is off by."""
    plain = b"\0" + _ints(at, 1, 2)
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
    _put(out, beat_us)
    by_beats = bytes(out) + _ints(numbers, 1) + _ints(at - numbers * beat_us // 1000, 0, 1)
    return min(plain, by_beats, key=len)


def _scaled(value: Values) -> tuple[int, Times | None]:
    """Decimal places of the values and the integers that they are by them; -1 and None: they are no such numbers."""
    bits = value.view(np.int64)
    with np.errstate(over="ignore", invalid="ignore"):
        for places in range(7):
            big = np.round(value * 10.0**places)
            if not (np.abs(big) < 2**52).all():
                break
            whole = big.astype(np.int64)
            # By their bits: a zero may have a sign.
            if ((whole / 10.0**places).view(np.int64) == bits).all():
                return places, whole
    return -1, None


def _steps(scaled: Times) -> bytes:
    """Integers as multiples of the step of the probe's converter (a sixteenth of a degree, say)."""
    least = int(scaled.min())
    step = int(np.gcd.reduce(scaled - least)) or 1
    out = bytearray()
    _put(out, least)
    _put(out, step)
    return bytes(out) + _ints((scaled - least) // step, 0, 1)


def _doubles(value: Values) -> bytes:
    body, deflated = _planes(value.view(np.uint64), 8)
    out = bytearray([0 if deflated else _AS_IT_IS])
    _put(out, len(body))
    return bytes(out) + body


def _names(test: Sequence[str]) -> bytes:
    """Of each reading the place of its test in a list of names; almost always none has any."""
    names = sorted(set(test) - {""})
    out = bytearray()
    text = json.dumps(names).encode() if names else b""
    _put(out, len(text))
    if not names:
        return bytes(out)
    places = {name: k for k, name in enumerate(["", *names])}
    return bytes(out) + text + _ints(np.array([places[name] for name in test], np.int64), 0)


class _Reader:
    """Takes a chunk's columns from its bytes, front to back."""

    def __init__(self, blob: bytes) -> None:
        self._blob = blob
        self._at = 6

    def columns(self) -> Columns:
        n = self._number()
        if not n:
            return Columns.empty()
        if not 0 < n <= MOST_READINGS:
            raise ValueError("damaged chunk: the number of its readings")
        places = self._number()
        if not -1 <= places <= 6:
            raise ValueError("damaged chunk: the places of its values")
        at = self._times(n)
        if places < 0:
            value = self._planes(8, n, deflated=not self._byte() & _AS_IT_IS).view("<f8").astype(np.float64)
        else:
            least, step = self._number(), self._number()
            value = (least + self._ints(n) * step) / 10.0**places
        itself = self._byte()
        received = self._ints(n) if itself else at + self._ints(n)
        flag = self._ints(n).astype(np.uint8)
        timed = self._ints(n).astype(np.bool_)
        test = self._names(n)
        if self._at != len(self._blob):
            raise ValueError("damaged chunk: more bytes than readings")
        return Columns(at, value, received, flag, timed, test)

    def _byte(self) -> int:
        self._at += 1
        return self._blob[self._at - 1]

    def _number(self) -> int:
        found, shift = 0, 0
        while (byte := self._byte()) > 127:
            found |= (byte & 127) << shift
            shift += 7
            if shift > 70:
                raise ValueError("damaged chunk: a number without an end")
        found |= byte << shift
        return -((found + 1) >> 1) if found & 1 else found >> 1

    def _bytes(self, most: int) -> bytes:
        length = self._number()
        if not 0 <= length <= min(most, len(self._blob) - self._at):
            raise ValueError("damaged chunk: the length of a column")
        self._at += length
        return self._blob[self._at - length : self._at]

    def _planes(self, width: int, n: int, *, deflated: bool) -> Times:
        """Integers without a sign, of so many bytes each, shape (n,)."""
        raw, whole = self._bytes(len(self._blob)), True
        if deflated:
            unpacking = zlib.decompressobj(_WINDOW)
            # One byte more than there may be: what is longer than it says is found, and nothing is unpacked beyond.
            raw = unpacking.decompress(raw, width * n + 1)
            whole = unpacking.eof
        if len(raw) != width * n or not whole:
            raise ValueError("damaged chunk: a column of another length")
        planes: Times = np.frombuffer(raw, np.uint8).reshape(width, n).T.copy().view(f"<u{width}")[:, 0]
        return planes

    def _ints(self, n: int) -> Times:
        form = self._byte()
        order, code = form >> 4, form & 7
        if order > 2 or code >= len(_WIDTHS):
            raise ValueError("damaged chunk: the form of a column")
        firsts = [self._number() for _ in range(order)]
        least = np.int64(self._number())
        length = max(n - order, 0)
        if code:
            rest = (
                self._planes(_WIDTHS[code], length, deflated=not form & _AS_IT_IS).astype(np.uint64).view(np.int64)
                + least
            )
        else:
            rest = np.full(length, least, np.int64)
        for first in reversed(firsts):
            whole = np.empty(len(rest) + 1, np.int64)
            whole[0] = first
            whole[1:] = rest
            rest = np.cumsum(whole)
        return rest[:n]

    def _times(self, n: int) -> Times:
        if not self._byte():
            return self._ints(n)
        beat_us = self._number()
        numbers = self._ints(n)
        return self._ints(n) + numbers * beat_us // 1000

    def _names(self, n: int) -> tuple[str, ...]:
        text = self._bytes(_MOST_NAMES)
        if not text:
            return ("",) * n
        names = ["", *map(str, json.loads(text))]
        return tuple(names[k] for k in self._ints(n).tolist())
