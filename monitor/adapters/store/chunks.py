"""The compressed form of one probe's hour.

Columns of a chunk: measured time, value, received time, flag, whether the payload carried the time, and the name of
the test that set the flag. Values are kept exactly: as integers when all of them are decimal numbers of up to
six places (as probes send them), else as the bytes of the doubles.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_MAGIC = b"W1"


@dataclass(frozen=True)
class Columns:
    """Readings of one probe, sorted by ``at``; all arrays have length n.

    ``at`` and ``received`` are int64 ms, ``value`` float64, ``flag`` uint8, ``timed`` bool, ``test`` a list of
    names (empty where no test objected).
    """

    at: NDArray[np.int64]
    value: NDArray[np.float64]
    received: NDArray[np.int64]
    flag: NDArray[np.uint8]
    timed: NDArray[np.bool_]
    test: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.at)

    @staticmethod
    def empty() -> Columns:
        return Columns(
            np.empty(0, np.int64),
            np.empty(0, np.float64),
            np.empty(0, np.int64),
            np.empty(0, np.uint8),
            np.empty(0, np.bool_),
            (),
        )

    @staticmethod
    def joined(parts: list[Columns]) -> Columns:
        parts = [p for p in parts if len(p)]
        if not parts:
            return Columns.empty()
        if len(parts) == 1:
            return parts[0]
        return Columns(
            np.concatenate([p.at for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.received for p in parts]),
            np.concatenate([p.flag for p in parts]),
            np.concatenate([p.timed for p in parts]),
            tuple(t for p in parts for t in p.test),
        )

    def sorted_first_wins(self) -> Columns:
        """In order of time; of two readings with one time the earlier in the input stays."""
        order = np.argsort(self.at, kind="stable")
        at = self.at[order]
        keep = np.ones(len(at), bool)
        keep[1:] = at[1:] != at[:-1]
        return self.take(order[keep])

    def take(self, index: NDArray[np.intp]) -> Columns:
        return Columns(
            self.at[index],
            self.value[index],
            self.received[index],
            self.flag[index],
            self.timed[index],
            tuple(self.test[i] for i in index) if any(self.test) else ("",) * len(index),
        )

    def part(self, start: int, end: int) -> Columns:
        """Readings number ``start`` to ``end`` (exclusive), without copying the arrays."""
        return Columns(
            self.at[start:end],
            self.value[start:end],
            self.received[start:end],
            self.flag[start:end],
            self.timed[start:end],
            self.test[start:end],
        )

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Flags 1 and 2: may add development."""
        result: NDArray[np.bool_] = self.flag <= 2
        return result


def _ints(values: NDArray[np.int64]) -> bytes:
    first = np.diff(values, prepend=np.int64(0))
    return np.diff(first, prepend=np.int64(0)).astype("<i8").view("u1").reshape(-1, 8).T.tobytes()


def _unints(raw: bytes, n: int) -> NDArray[np.int64]:
    deltas = np.frombuffer(raw, "u1").reshape(8, n).T.copy().view("<i8").ravel()
    return np.cumsum(np.cumsum(deltas))


def encode(columns: Columns) -> bytes:
    """Bytes of a chunk; :func:`decode` gives back exactly the same columns.

    Raises ValueError when a value is no finite number.
    """
    n = len(columns)
    if not np.isfinite(columns.value).all():
        raise ValueError("a reading's value is not finite")
    places = -1
    scaled = np.zeros(n, np.int64)
    for trial in range(7):
        with np.errstate(over="ignore"):
            big = np.round(columns.value * 10.0**trial)
        if np.all(np.abs(big) < 2**52) and np.array_equal(big / 10.0**trial, columns.value):
            places, scaled = trial, big.astype(np.int64)
            break
    body = _ints(scaled) if places >= 0 else columns.value.astype("<f8").tobytes()
    tests = {str(i): t for i, t in enumerate(columns.test) if t}
    head = json.dumps({"n": n, "p": places, "t": tests} if tests else {"n": n, "p": places}).encode()
    raw = b"".join(
        (
            len(head).to_bytes(4, "little"),
            head,
            _ints(columns.at),
            body,
            _ints(columns.received - columns.at),
            columns.flag.tobytes(),
            np.packbits(columns.timed).tobytes(),
        )
    )
    return _MAGIC + zlib.compress(raw, 6)


def decode(blob: bytes) -> Columns:
    """Columns of a chunk. Raises ValueError on damaged bytes."""
    if blob[:2] != _MAGIC:
        raise ValueError("not a chunk of readings")
    try:
        raw = zlib.decompress(blob[2:])
    except zlib.error as error:
        raise ValueError(f"damaged chunk: {error}") from error
    size = int.from_bytes(raw[:4], "little")
    head = json.loads(raw[4 : 4 + size])
    n, places = int(head["n"]), int(head["p"])
    pos = 4 + size

    def cut(length: int) -> bytes:
        nonlocal pos
        piece = raw[pos : pos + length]
        pos += length
        return piece

    at = _unints(cut(8 * n), n)
    body = cut(8 * n)
    value = _unints(body, n) / 10.0**places if places >= 0 else np.frombuffer(body, "<f8").copy()
    received = _unints(cut(8 * n), n) + at
    flag = np.frombuffer(cut(n), np.uint8).copy()
    timed = np.unpackbits(np.frombuffer(cut((n + 7) // 8), np.uint8), count=n).astype(bool)
    names = head.get("t", {})
    test = tuple(names.get(str(i), "") for i in range(n)) if names else ("",) * n
    return Columns(at, value, received, flag, timed, test)
