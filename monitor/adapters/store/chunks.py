"""The compressed form of one probe's hour.

Columns of a chunk: measured time, value, received time, flag, whether the payload carried the time, and the name of
the test that set the flag. Values are kept exactly: as integers when all of them are decimal numbers of up to
six places (as probes send them), else as the bytes of the doubles.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from monitor.core.readings.thinning import kept
from monitor.core.terms.arrays import Flags, Times, Values
from monitor.values import dataclass

_MAGIC = b"W1"
# So many chunks are decoded at once, which bounds the memory that it takes beside the outcome.
_AT_ONCE = 512


@dataclass(frozen=True)
class Columns:
    """Readings of one probe, sorted by ``at``; all arrays have length n.

    ``at`` and ``received`` are int64 ms, ``value`` float64, ``flag`` uint8, ``timed`` bool, ``test`` a list of
    names (empty where no test objected).
    """

    at: Times
    value: Values
    received: Times
    flag: Flags
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
            tuple(chain.from_iterable(p.test for p in parts)),
        )

    def sorted_first_wins(self) -> Columns:
        """In order of time; of two readings with one time the earlier in the input stays."""
        if bool(np.all(self.at[1:] > self.at[:-1])):
            return self
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

    def thinned(self) -> Columns:
        """What stays of a probe that reports many times a second (:mod:`monitor.core.readings.thinning`)."""
        index = kept(self.at, self.value, self.usable)
        return self if index is None else self.take(index)

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


def _ints(values: Times) -> bytes:
    # Differences of differences, of few numbers mostly: in place, since making arrays takes longer than the arithmetic.
    first = values.astype("<i8")
    first[1:] -= values[:-1]
    second = first.copy()
    second[1:] -= first[:-1]
    return second.view("u1").reshape(-1, 8).T.tobytes()


def _unints(raw: Flags, n: int) -> Times:
    """Of bytes (m, 8 n), one row a chunk: integers (m, n)."""
    deltas = np.ascontiguousarray(raw.reshape(-1, 8, n).transpose(0, 2, 1)).view("<i8")[:, :, 0]
    return np.cumsum(np.cumsum(deltas, axis=1), axis=1)


def encode(columns: Columns) -> bytes:
    """Bytes of a chunk; :func:`decode` gives back exactly the same columns.

    Raises ValueError when a value is no finite number.
    """
    n = len(columns)
    if not np.isfinite(columns.value).all():
        raise ValueError("a reading's value is not finite")
    places = -1
    scaled = np.zeros(n, np.int64)
    with np.errstate(over="ignore"):
        for trial in range(7):
            big = np.round(columns.value * 10.0**trial)
            if (big / 10.0**trial == columns.value).all() and (np.abs(big) < 2**52).all():
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
    return decode_all([blob])


def decode_all(blobs: Sequence[bytes]) -> Columns:
    """Columns of several chunks, one after the other. Raises ValueError when the bytes of one are damaged.

    Chunks of one form (as many readings, as many places) are decoded together, which for a whole incubation of
    hours with few readings each is many times as fast as one by one.
    """
    forms: dict[bytes, list[int]] = {}
    bodies: list[bytes] = []
    for number, blob in enumerate(blobs):
        raw = _raw(blob)
        start = 4 + int.from_bytes(raw[:4], "little")
        forms.setdefault(raw[4:start], []).append(number)
        bodies.append(raw[start:])
    lengths = np.zeros(len(blobs), np.int64)
    heads = [(json.loads(head), members) for head, members in forms.items()]
    for head, members in heads:
        lengths[members] = int(head["n"])
    ends = np.cumsum(lengths)
    starts, total = ends - lengths, int(lengths.sum())
    at, received = np.empty(total, np.int64), np.empty(total, np.int64)
    value, flag, timed = np.empty(total), np.empty(total, np.uint8), np.empty(total, np.bool_)
    test: list[str] | None = None
    for head, members in heads:
        n, places = int(head["n"]), int(head["p"])
        for block in range(0, len(members) if n else 0, _AT_ONCE):
            some = members[block : block + _AT_ONCE]
            rows = np.frombuffer(b"".join(bodies[k] for k in some), np.uint8).reshape(len(some), -1)
            into = starts[some][:, None] + np.arange(n)
            at[into] = measured = _unints(rows[:, : 8 * n], n)
            body = rows[:, 8 * n : 16 * n]
            if places >= 0:
                value[into] = _unints(body, n) / 10.0**places
            else:
                value[into] = np.ascontiguousarray(body).view("<f8")
            received[into] = _unints(rows[:, 16 * n : 24 * n], n) + measured
            flag[into] = rows[:, 24 * n : 25 * n]
            timed[into] = np.unpackbits(rows[:, 25 * n :], axis=1, count=n).astype(bool)
        if "t" in head:
            test = test or [""] * total
            for k in members:
                for index, name in head["t"].items():
                    test[int(starts[k]) + int(index)] = name
    return Columns(at, value, received, flag, timed, tuple(test) if test else ("",) * total)


def _raw(blob: bytes) -> bytes:
    if blob[:2] != _MAGIC:
        raise ValueError("not a chunk of readings")
    try:
        return zlib.decompress(blob[2:])
    except zlib.error as error:
        raise ValueError(f"damaged chunk: {error}") from error
