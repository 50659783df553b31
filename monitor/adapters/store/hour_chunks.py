"""Chunks of before: one for each probe and hour, without a checksum of their own. Read, and written no more.

They stand in stores that are not converted yet (:mod:`monitor.adapters.store.folding`).
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np

from monitor.adapters.store.columns import Columns
from monitor.core.terms.arrays import Flags, Times

MAGIC: Final = b"W1"
# So many chunks are decoded at once, which bounds the memory that it takes beside the outcome.
_AT_ONCE: Final = 512
_MOST_BYTES: Final = 256 * 2**20


def _unints(raw: Flags, n: int) -> Times:
    """Of bytes (m, 8 n), one row a chunk: integers (m, n)."""
    deltas = np.ascontiguousarray(raw.reshape(-1, 8, n).transpose(0, 2, 1)).view("<i8")[:, :, 0]
    return np.cumsum(np.cumsum(deltas, axis=1), axis=1)


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
    if blob[:2] != MAGIC:
        raise ValueError("not a chunk of readings")
    try:
        unpacking = zlib.decompressobj()
        raw = unpacking.decompress(blob[2:], _MOST_BYTES)
    except zlib.error as error:
        raise ValueError(f"damaged chunk: {error}") from error
    if not unpacking.eof:
        raise ValueError("damaged chunk: it ends too early or is too large")
    return raw
