"""Columns of numbers as bytes that take little room, and back.

A column of integers is said by whichever of some ways takes the fewest bytes: what it differs by from the number
before, or from that difference. What is left is cut into planes of bytes and deflated, unless it is too short for that;
a column that says nothing new takes three bytes.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Times, Values

_WIDTHS: Final = (0, 1, 2, 4, 8)
_LEVEL, _WINDOW, _MEMORY = 6, -15, 9
_AS_IT_IS: Final = 8
_MOST_NAMES: Final = 1 << 20


def put(out: bytearray, number: int) -> None:
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


def ints(values: Times, *orders: int) -> bytes:
    """The shortest of the ways with so many differences taken. Shape (n,), n > 0."""
    return min((_of_order(values, order) for order in orders), key=len)


def _of_order(values: Times, order: int) -> bytes:
    out, rest = bytearray(1), values
    for _ in range(order):
        put(out, int(rest[0]) if len(rest) else 0)
        rest = np.diff(rest)
    least = int(rest.min()) if len(rest) else 0
    put(out, least)
    # Without a sign: the widest difference of all would not fit with one.
    offsets = (rest - least).view(np.uint64)
    most = int(offsets.max()) if len(rest) else 0
    code = next(k for k, width in enumerate(_WIDTHS) if most < 1 << 8 * width)
    out[0] = code | order << 4
    if code:
        body, deflated = _planes(offsets, _WIDTHS[code])
        out[0] |= 0 if deflated else _AS_IT_IS
        put(out, len(body))
        out += body
    return bytes(out)


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
    put(out, least)
    put(out, step)
    return bytes(out) + ints((scaled - least) // step, 0, 1)


def values(value: Values) -> bytes:
    """Finite doubles, bit for bit: as integers of so many decimal places, else as they are. Shape (n,), n > 0."""
    out = bytearray()
    places, scaled = _scaled(value)
    put(out, places)
    return bytes(out) + (_doubles(value) if scaled is None else _steps(scaled))


def _doubles(value: Values) -> bytes:
    body, deflated = _planes(value.view(np.uint64), 8)
    out = bytearray([0 if deflated else _AS_IT_IS])
    put(out, len(body))
    return bytes(out) + body


def names(test: Sequence[str]) -> bytes:
    """Of each reading the place of its test in a list of names; almost always none has any."""
    names = sorted(set(test) - {""})
    out = bytearray()
    text = json.dumps(names).encode() if names else b""
    put(out, len(text))
    if not names:
        return bytes(out)
    places = {name: k for k, name in enumerate(["", *names])}
    return bytes(out) + text + ints(np.array([places[name] for name in test], np.int64), 0)


class PackedBytes:
    """Takes what was packed from its bytes, front to back. Raises ValueError, IndexError or OverflowError on damaged
    ones."""

    def __init__(self, blob: bytes, start: int) -> None:
        self._blob = blob
        self._at = start

    def byte(self) -> int:
        self._at += 1
        return self._blob[self._at - 1]

    def number(self) -> int:
        found, shift = 0, 0
        while (byte := self.byte()) > 127:
            found |= (byte & 127) << shift
            shift += 7
            if shift > 70:
                raise ValueError("damaged: a number without an end")
        found |= byte << shift
        return -((found + 1) >> 1) if found & 1 else found >> 1

    def block(self, most: int) -> bytes:
        length = self.number()
        if length > most:
            raise ValueError("damaged: the length of a column")
        return self.raw(length)

    def planes(self, width: int, n: int, *, deflated: bool) -> Times:
        """Integers without a sign, of so many bytes each, shape (n,)."""
        raw, whole = self.block(len(self._blob)), True
        if deflated:
            unpacking = zlib.decompressobj(_WINDOW)
            # One byte more than there may be: what is longer than it says is found, and nothing is unpacked beyond.
            raw = unpacking.decompress(raw, width * n + 1)
            whole = unpacking.eof
        if len(raw) != width * n or not whole:
            raise ValueError("damaged: a column of another length")
        planes: Times = np.frombuffer(raw, np.uint8).reshape(width, n).T.copy().view(f"<u{width}")[:, 0]
        return planes

    def ints(self, n: int) -> Times:
        form = self.byte()
        order, code = form >> 4, form & 7
        if order > 2 or code >= len(_WIDTHS):
            raise ValueError("damaged: the form of a column")
        firsts = [self.number() for _ in range(order)]
        least = np.int64(self.number())
        length = max(n - order, 0)
        if code:
            rest = (
                self.planes(_WIDTHS[code], length, deflated=not form & _AS_IT_IS).astype(np.uint64).view(np.int64)
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

    def values(self, n: int) -> Values:
        places = self.number()
        if not -1 <= places <= 6:
            raise ValueError("damaged: the places of its values")
        if places < 0:
            return self.planes(8, n, deflated=not self.byte() & _AS_IT_IS).view("<f8").astype(np.float64)
        least, step = self.number(), self.number()
        scaled: Values = (least + self.ints(n) * step) / 10.0**places
        return scaled

    def names(self, n: int) -> tuple[str, ...]:
        text = self.block(_MOST_NAMES)
        if not text:
            return ("",) * n
        names = ["", *map(str, json.loads(text))]
        return tuple(names[k] for k in self.ints(n).tolist())

    def raw(self, length: int) -> bytes:
        """So many bytes as they are."""
        if not 0 <= length <= len(self._blob) - self._at:
            raise ValueError("damaged: bytes are missing")
        self._at += length
        return self._blob[self._at - length : self._at]

    def ended(self) -> bool:
        return self._at == len(self._blob)
