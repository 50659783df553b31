"""The compressed form of a probe's hour."""

from __future__ import annotations

import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.store.chunks import check, decode, decode_all, encode
from monitor.adapters.store.columns import Columns
from tests import older_chunks

VALUES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-4000, 12500).map(lambda i: i / 100),
    st.integers(-(10**8), 10**8).map(lambda i: i / 10**6),
    st.sampled_from([0.0, -0.0, 0.1 + 0.2, 1e308, -1e-308, 5e-324, 2.0**52, 2.0**53 + 2, 85.0, -127.0]),
)
READING = st.tuples(
    st.integers(-(2**50), 2**50),
    VALUES,
    st.integers(-(2**50), 2**50),
    st.sampled_from([1, 2, 3, 4, 9]),
    st.booleans(),
    st.sampled_from(["", "", "", "gross", "stuck", "größer als möglich"]),
)


def columns(rows: list[tuple[int, float, int, int, bool, str]]) -> Columns:
    at, value, received, flag, timed, test = zip(*rows, strict=True) if rows else ((),) * 6
    return Columns(
        np.array(at, np.int64),
        np.array(value, np.float64),
        np.array(received, np.int64),
        np.array(flag, np.uint8),
        np.array(timed, bool),
        tuple(test),
    )


def same(a: Columns, b: Columns) -> bool:
    return (
        a.at.tolist() == b.at.tolist()
        and a.value.tobytes() == b.value.tobytes()
        and a.received.tolist() == b.received.tolist()
        and a.flag.tolist() == b.flag.tolist()
        and a.timed.tolist() == b.timed.tolist()
        and a.test == b.test
    )


@given(st.lists(READING, max_size=60))
def test_what_goes_in_comes_out_exactly(rows: list[tuple[int, float, int, int, bool, str]]) -> None:
    before = columns(rows)
    after = decode(encode(before))
    assert same(before, after)
    assert [str(a.dtype) for a in (after.at, after.value, after.flag)] == ["int64", "float64", "uint8"]


@given(st.lists(st.lists(READING, max_size=4), max_size=12))
def test_many_at_once_come_out_as_one_by_one(hours: list[list[tuple[int, float, int, int, bool, str]]]) -> None:
    blobs = [encode(columns(rows)) for rows in hours]
    assert same(decode_all(blobs), Columns.joined([decode(blob) for blob in blobs]))


def test_more_chunks_than_are_decoded_together_keep_their_order() -> None:
    hours = [columns([(1000 * k + i, k / 10, 1000 * k, 1, True, "") for i in range(3)]) for k in range(1200)]
    assert same(decode_all([encode(h) for h in hours]), Columns.joined(hours))


@given(
    st.integers(0, 2**32), st.integers(1, 900), st.sampled_from([1, 7, 1000, 9999, 10_000, 60_003]), st.integers(0, 400)
)
def test_a_probes_day_comes_out_exactly_whatever_its_beat_and_jitter_are(
    seed: int, n: int, beat: int, jit: int
) -> None:
    rng = np.random.default_rng(seed)
    beats = np.cumsum(rng.choice([1, 1, 1, 1, 1, 1, 1, 1, 2, 500], n))
    at = 1_780_000_000_000 + beats * beat + np.arange(n) // 7 + rng.integers(-jit, jit + 1, n)
    value = np.round(28 + np.cumsum(rng.normal(0, 0.02, n)) * 16) / 16
    whole = Columns(
        at,
        value,
        np.maximum.accumulate(at + rng.integers(20, 120, n)) if seed % 2 else np.full(n, int(at.max()) + 5),
        rng.choice(np.array([1, 1, 1, 4], np.uint8), n),
        rng.random(n) < 0.9,
        tuple(rng.choice(["", "", "stuck"], n).tolist()),
    )
    assert same(decode(encode(whole)), whole)


def test_chunks_of_before_are_read_among_those_of_today() -> None:
    hours = [columns([(1000 * k + i, k / 10, 1000 * k, 1, True, "") for i in range(3)]) for k in range(12)]
    blobs = [older_chunks.encoded(h) if k % 3 else encode(h) for k, h in enumerate(hours)]
    assert same(decode_all(blobs), Columns.joined(hours))


@pytest.mark.parametrize("places", range(40))
def test_a_chunk_that_lies_about_itself_is_refused_with_its_checksum_right(places: int) -> None:
    """Whoever makes a checksum fit gets neither another's memory nor a traceback."""
    rng = np.random.default_rng(places)
    n = 50
    at = np.arange(n) * 10_000 + rng.integers(-40, 40, n)
    body = bytearray(encode(Columns(at, at / 7, at + 5, np.ones(n, np.uint8), np.ones(n, bool), ("x",) * n))[6:])
    for _ in range(200):
        lying = body.copy()
        lying[rng.integers(0, min(len(lying), places + 4))] = rng.integers(0, 256)
        del lying[rng.integers(1, len(lying) + 200) :]
        found = b"W2" + zlib.crc32(lying).to_bytes(4, "little") + bytes(lying)
        if not check(found):
            assert len(decode(found)) <= n


def test_what_unpacks_to_more_than_it_says_is_not_unpacked() -> None:
    packed = zlib.compressobj(9, zlib.DEFLATED, -15)
    bomb = packed.compress(bytes(200_000_000)) + packed.flush()
    one = encode(columns([(0, 1 / 3, 5, 1, True, "")]))
    body = one[6:]
    start = body.index(encode(columns([(0, 1 / 3, 5, 1, True, "")]))[6:][5:8])
    tracemalloc.start()
    for at in range(start, start + 12):
        lying = body[:at] + b"\xff\xff\xff\x01" + bomb
        assert check(b"W2" + zlib.crc32(lying).to_bytes(4, "little") + lying)
    for claimed in (b"\xfe\xff\xff\xff\x7f", b"\xfe\xff\xff\xff\xff\xff\xff\x7f", b"\x01"):
        lying = claimed + body[1:]
        assert check(b"W2" + zlib.crc32(lying).to_bytes(4, "little") + lying)
    assert tracemalloc.get_traced_memory()[1] < 20_000_000
    tracemalloc.stop()


def test_check_says_what_is_wrong_and_nothing_of_what_is_whole() -> None:
    blob = encode(columns([(k * 1000, k / 8, k, 1, True, "") for k in range(30)]))
    assert check(blob) == ""
    assert "checksum" in check(blob[:-1] + bytes([blob[-1] ^ 1]))
    assert check(b"") == check(bytes(20)) == "not a chunk of readings"


@given(st.lists(READING, min_size=1, max_size=20), st.data())
def test_damaged_bytes_are_refused_and_never_read_as_something_else(
    rows: list[tuple[int, float, int, int, bool, str]], data: st.DataObject
) -> None:
    blob = bytearray(encode(columns(rows)))
    where = data.draw(st.integers(0, len(blob) - 1))
    if data.draw(st.booleans()):
        del blob[where:]
    else:
        blob[where] ^= data.draw(st.integers(1, 255))
    try:
        after = decode(bytes(blob))
    except ValueError:
        return
    # The compression's head has bits that mean nothing; then at least the content is whole.
    assert same(after, columns(rows))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        encode(columns([(0, 1.0, 0, 1, True, ""), (1, value, 1, 1, True, "")]))


def test_a_day_of_an_ordinary_probe_takes_little_more_than_what_is_new_in_it() -> None:
    """Jitter of 401 and arrivals of 100 even milliseconds are 1.08 and 0.83 bytes by themselves (Shannon 1948)."""
    rng = np.random.default_rng(7)
    n = 8640
    at = np.arange(n) * 10_000 + rng.integers(-200, 201, n)
    value = np.round((28 + 0.3 * np.sin(np.arange(n) * 2 * np.pi / n) + rng.normal(0, 0.02, n)) * 16) / 16
    day = Columns(at, value, at + rng.integers(20, 120, n), np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
    assert len(encode(day)) / n < 2.4


def test_an_hour_of_an_ordinary_probe_takes_few_bytes() -> None:
    rng = np.random.default_rng(7)
    n = 360
    at = np.arange(n) * 10_000 + rng.integers(-40, 40, n)
    value = np.round(28 + np.cumsum(rng.normal(0, 0.01, n)), 2)
    hour = Columns(at, value, at + 25, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
    size = len(encode(hour))
    assert size / n < 5, f"{size / n:.2f} bytes a reading"


def test_of_two_readings_with_one_time_the_first_stays_and_order_is_by_time() -> None:
    rows = [(5, 1.0, 0, 1, True, "a"), (3, 2.0, 0, 2, False, ""), (5, 3.0, 0, 3, True, "b"), (4, 4.0, 0, 4, True, "c")]
    got = columns(rows).sorted_first_wins()
    assert got.at.tolist() == [3, 4, 5]
    assert got.value.tolist() == [2.0, 4.0, 1.0]
    assert got.test == ("", "c", "a")
    assert got.usable.tolist() == [True, False, True]


def test_parts_and_joins_keep_all_columns_together() -> None:
    rows = [(i, i / 3, i + 1, 1 + i % 4, i % 2 == 0, "x" * (i % 3)) for i in range(10)]
    whole = columns(rows)
    assert same(Columns.joined([whole.part(0, 4), Columns.empty(), whole.part(4, 10)]), whole)
    assert same(whole.take(np.arange(10)), whole)
    assert len(Columns.joined([])) == 0
