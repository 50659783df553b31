"""Whatever reads bytes from outside is linear in their length, or refuses them by their length: no message, file or
word from one device holds up the others.

The shapes are drawn by seed: runs of one piece between two others, which is how patterns and parsers are made to try
the same letters again and again.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC
from functools import partial
from pathlib import Path

import pytest

from monitor.adapters import logger_files
from monitor.adapters.logger_files import FileShape
from monitor.cli.room import parse_temperature, parse_time
from monitor.config.library import load_profile
from monitor.config.room_file import check
from monitor.core.notices.answers import read_message
from monitor.core.notices.codes import read
from monitor.core.readings.decode import decode, guess
from monitor.core.readings.gateways import listen
from monitor.core.terms.settings import Gateway, Probe
from monitor.core.terms.texts import read_texts
from monitor.errors import MonitorError
from tests.desk import room_text

SHAPES = 60
NOW_MS = 1_800_000_000_000
TIMES = 8
SHORT = 1024
"""Bytes; eight times as many are still read, and quickly enough for a test that fails."""
RUNS = b'0179. \t\n"[{\\aB'
"""What patterns try again most."""
GROWS = 3.0 * TIMES
"""Linear is 8 for eight times the length, quadratic 64."""
PIECES: tuple[bytes, ...] = (
    *(bytes([c]) for c in b"0179.,+-eE \t\r\n\0\"'\\/~:;[]{}()=#aZ_%T"),
    b"\xe9\x90", b"\xc3\xa9", b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf0\x9f\x90\xa3",
    b"\\ud800", b"\\u0000", b'"a":', b'{"a":', b"[[", b"]]", b'[{"a":1},', b'"a":1,', b"1,", b"1.5\n", b'",', b'""',
    b"00", b"1e9", b"-1", b"null,", b"\\\\", b"/a", b"a.", b"a = 1\n", b"[a]\n", b"{title}", b"2026-05-01 10:00,1\n",
    b"2026-05-01T00:00:00Z", b"  ", b". ", b"aB", b"online", b"\xc2\xb0", b"\xe2\x80\xa8",
)  # fmt: skip


def _ends(rng: random.Random) -> bytes:
    return b"".join(rng.choice(PIECES) for _ in range(rng.choice((0, 0, 1, 2, 3))))


def shapes(rng: random.Random, length: int) -> tuple[bytes, bytes]:
    """One shape in a length and in eight times that length."""
    before, after = _ends(rng), _ends(rng)
    piece = b"".join(rng.choice(PIECES) for _ in range(rng.choice((1, 1, 2, 3))))
    if rng.random() < 0.5:
        piece = bytes([rng.choice(RUNS)])
    turned = piece[::-1].translate(bytes.maketrans(b"[]{}", b"][}{")) if rng.random() < 0.2 else b""
    return tuple(  # type: ignore[return-value]
        before + piece * (n // len(piece + turned)) + turned * (n // len(piece + turned)) + after
        for n in (length, TIMES * length)
    )


def _probe(**keys: object) -> Probe:
    return Probe("p", "t", **keys)  # type: ignore[arg-type]


PROBES = (
    [_probe()],
    [_probe(pointer="/a"), _probe(pointer="")],
    [
        _probe(list_pointer="", pointer="/a", time_pointer="/b"),
        _probe(list_pointer="/a", time_pointer="", time_form="s"),
    ],
    [_probe(quantity="battery", unit="V", pointer="/a/0", time_pointer="/a/1", time_form="ms"), _probe()],
)
GATEWAYS = [Gateway("g", "t"), Gateway("h", "t", pointer="/a"), Gateway("i", "t", pointer="")]


def _decode(probes: list[Probe], data: bytes, _: Path) -> None:
    decode(probes, data, NOW_MS)


def _csv(data: bytes, folder: Path) -> None:
    path = folder / "log.csv"
    path.write_bytes(b"time,value\n" + data)
    logger_files.read(path, FileShape("time", "value", "C"), NOW_MS)


def _room_file(data: bytes, folder: Path) -> None:
    path = folder / "room.toml"
    path.write_bytes(room_text().encode() + b"\n[texts]\n" + data)
    check(path)


def _profile(data: bytes, folder: Path) -> None:
    (folder / "own").mkdir(exist_ok=True)
    (folder / "own" / "own-own.toml").write_bytes(data)
    load_profile("own-own", folder / "own")


def _words(data: bytes, folder: Path) -> None:
    text = data.decode("utf-8", "replace")
    for of in (lambda: parse_temperature(text, "C"), lambda: parse_time(text, UTC), lambda: read(text)):
        with suppress(MonitorError):
            of()


Reads = Callable[[bytes, Path], object]
READERS: dict[str, tuple[Reads, int]] = {
    **{f"decode-{k}": (partial(_decode, p), SHORT) for k, p in enumerate(PROBES)},
    "guess": (lambda b, _: guess("room/probe", b), SHORT),
    "gateway": (lambda b, _: listen(GATEWAYS, "t", b, NOW_MS), SHORT),
    "answer": (lambda b, _: read_message(b, numbers=True), SHORT),
    "logger file": (_csv, SHORT),
    "room file": (_room_file, 1024),
    "profile": (_profile, 1024),
    "words": (_words, 64),
    "texts": (lambda b, _: read_texts({"all.raised.title": b.decode("utf-8", "replace")}, ()), 1024),
}


def spent_s(reads: Reads, data: bytes, folder: Path) -> float:
    """Processor time of one reading, the least of some; anything but a failure of ours is a mistake."""
    least = float("inf")
    for _ in range(3):
        began = time.process_time()
        with suppress(MonitorError):
            reads(data, folder)
        least = min(least, time.process_time() - began)
        if not 1e-3 < least < 0.5:
            break
    return least


def yardstick_s() -> float:
    """What this computer takes to walk a while over letters. What takes less cannot be compared, and need
    not be: trying at every letter of the shorter texts again takes more."""
    letters = "x" * 16384
    return 10 * min(spent_s(lambda *_: sum(c == "y" for c in letters), b"", Path()) for _ in range(3))


@pytest.mark.slow
@pytest.mark.parametrize("name", READERS)
def test_the_work_grows_no_faster_than_the_length(name: str, tmp_path: Path) -> None:
    reads, length = READERS[name]
    rng = random.Random(name)
    least_s = yardstick_s()
    for _ in range(SHAPES):
        short, long = shapes(rng, length)
        brief_s, taken_s = spent_s(reads, short, tmp_path), spent_s(reads, long, tmp_path)
        if taken_s > least_s and taken_s > GROWS * brief_s:
            # Once more, since another program may have been in the way.
            brief_s, taken_s = spent_s(reads, short, tmp_path), spent_s(reads, long, tmp_path)
            assert taken_s <= GROWS * brief_s, (name, long[:60], len(short), len(long), brief_s, taken_s)


@pytest.mark.slow
@pytest.mark.parametrize("name", READERS)
def test_no_depth_of_nesting_is_too_deep(name: str, tmp_path: Path) -> None:
    """Just below and beyond what the interpreter's stack holds, and at every place in between that is drawn."""
    reads, _ = READERS[name]
    rng = random.Random(name)
    most = sys.getrecursionlimit()
    came = set()
    for _ in range(60):
        depth = rng.choice((rng.randrange(most // 4, most + 50), rng.randrange(most, 20 * most)))
        for opening, closing in ((b"[", b"]"), (b'{"a":', b"}"), (b'[{"a":', b"}]"), (b"{a=", b"}")):
            try:
                reads(rng.choice((b"", b"x = ")) + opening * depth + b"1" + closing * depth, tmp_path)
            except Exception as error:
                came.add(type(error))
    assert all(issubclass(each, MonitorError) for each in came), came
