"""From a page to paper: a picture loses its lower part and nothing else; what prints sees no other address."""

from __future__ import annotations

import struct
import zlib

import pytest

from monitor.cli.printing import first_rows

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png(rows: int, width: int = 3) -> bytes:
    """An RGB picture whose rows are told by the row above (filter 2), as browsers write them."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    data = zlib.compress(b"".join(b"\x02" + bytes([row + 1]) * 3 * width for row in range(rows)))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, rows, 8, 2, 0, 0, 0))
    parts = chunk(b"IDAT", data[:9]) + chunk(b"IDAT", data[9:])
    return SIGNATURE + head + chunk(b"pHYs", b"\0" * 9) + parts + chunk(b"IEND", b"")


@pytest.mark.parametrize("rows", [1, 4, 9])
def test_the_first_rows_of_a_picture_are_as_they_were(rows: int) -> None:
    cut = first_rows(png(9), rows)
    chunks: dict[bytes, bytes] = {}
    at = len(SIGNATURE)
    assert cut.startswith(SIGNATURE)
    while at < len(cut):
        size, name = struct.unpack(">I4s", cut[at : at + 8])
        body = cut[at + 8 : at + 8 + size]
        assert cut[at + 8 + size : at + 12 + size] == struct.pack(">I", zlib.crc32(name + body))
        chunks[name] = chunks.get(name, b"") + body
        at += 12 + size
    assert struct.unpack(">II", chunks[b"IHDR"][:8]) == (3, rows)
    assert zlib.decompress(chunks[b"IDAT"]) == b"".join(b"\x02" + bytes([row + 1]) * 9 for row in range(rows))
    assert b"pHYs" in chunks
    assert b"IEND" in chunks


def test_a_picture_that_is_short_enough_stays_whole() -> None:
    assert first_rows(png(4), 4) == first_rows(png(4), 99) == png(4)
