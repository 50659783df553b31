"""Bytes that nobody meant: what reads them from outside says what is wrong, in time, and never fails by itself.

Messages of probes, gateways and keepers, logger's files and accounts, configuration, species and texts, the command
line, the API. Each input is drawn by seed: one that is right with bytes changed, cut, repeated and put together, or
nothing but chance. Where atheris is installed, a fifth of each is led by what it reaches in the code (libFuzzer).
Any failure but one of the program's own is a finding, and so is whatever takes longer than a second of the processor.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import io
import itertools
import json
import logging
import math
import os
import random
import subprocess
import sys
import tempfile
import time
import traceback
import urllib.parse
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any, Final

from monitor.adapters import account_files, logger_files
from monitor.adapters.logger_files import FileShape
from monitor.config.library import load_profile
from monitor.config.room_file import check
from monitor.core.notices.answers import read_message
from monitor.core.notices.codes import read
from monitor.core.readings.decode import decode, guess, remarks
from monitor.core.readings.gateways import listen
from monitor.core.terms.settings import Gateway, Probe
from monitor.core.terms.texts import read_texts
from monitor.errors import MonitorError
from tests.bench import Figures
from tests.desk import Desk, room_text
from tests.peers import PROJECT

SHARES: Final = {"decode": 0.985, "files": 0.010, "configuration": 0.002, "commands": 0.001, "api": 0.002}
"""Of all inputs; decode is what anybody near the broker can send to."""
LED: Final = 0.2
MOST_S: Final = 1.0
NOW_MS: Final = 1_800_000_000_000
PIECES: Final[tuple[bytes, ...]] = (
    *(bytes([c]) for c in b"0179.,+-eE \t\r\n\0\"'\\/~:;[]{}()=#aZ_%T<>&?"),
    b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf0\x9f\x90\xa3", b"\xc2\xb0", b"\xe2\x80\xa8", b"\xff", b"\x80",
    b"\\ud800", b"\\u0000", b"NaN", b"Infinity", b"-1e999", b"1e308", b"0x10", b"9" * 40, b"-0.0", b"1_000", b"true",
    b"null", b'{"a":', b'{"v":28.4,"at":1800000000000}', b"[[[[", b"]]]]", b"2026-02-30T25:61:61Z", b"0001-01-01",
    b"9999-12-31T23:59:59+14:00", b"1969-12-31", b"[[boxes]]\n", b'id = "x"\n', b"=", b"\n\n", b";;;", b'""',
    b"--at", b"--json", b"../../x", b"%s%n{0}", b"${x}", b"'; DROP TABLE journal;--", b"K01/left-upper",
)  # fmt: skip

Read = Callable[[bytes], object]


# -- what is read -----------------------------------------------------------------------------------------------


def _probe(**keys: Any) -> Probe:
    return Probe("p", "t", **keys)


PROBES: Final = (
    [_probe()],
    [_probe(unit="F"), _probe(quantity="humidity", unit="%")],
    [_probe(pointer="/v"), _probe(pointer="/v", time_pointer="/at", time_form="ms")],
    [_probe(pointer="/a/0"), _probe(pointer=""), _probe(pointer="/v", time_pointer="/at")],
    [_probe(list_pointer="", pointer="/v", time_pointer="/at"), _probe(list_pointer="/a", time_pointer="/at")],
    [_probe(quantity="battery", unit="V", pointer="/a/0", time_pointer="/a/1", time_form="s"), _probe()],
)
GATEWAYS: Final = [Gateway("g", "t"), Gateway("h", "t", pointer="/a"), Gateway("i", "t", pointer="")]


def _decode() -> Iterator[Read]:
    turn = itertools.count()

    def one(data: bytes) -> None:
        n = next(turn)
        decoded = decode(PROBES[n % len(PROBES)], data, NOW_MS, clock_trusted=n % 7 > 0)
        for reading in decoded.readings:
            if not math.isfinite(reading.value) or reading.at_ms < 0:
                raise AssertionError(f"it gave {reading}")
        if n % 16 == 0:
            guess("room/probe", data)
            remarks("room/probe", data)
            listen(GATEWAYS, "t", data, NOW_MS)
            read(data.decode("utf-8", "replace"))
        if n % 16 == 8:
            read_message(data, numbers=True)

    yield one


@contextlib.contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def _files() -> Iterator[Read]:
    with _folder() as folder:
        path, turn = folder / "log.csv", itertools.count()

        def one(data: bytes) -> None:
            path.write_bytes(data)
            if next(turn) % 2:
                logger_files.read(path, FileShape("time", "value", "C"), NOW_MS)
            else:
                account_files.read(path, UTC, NOW_MS)

        yield one


def _configuration() -> Iterator[Read]:
    with _folder() as folder:
        room, own, turn = folder / "room.toml", folder / "own" / "own-own.toml", itertools.count()
        own.parent.mkdir()

        def one(data: bytes) -> None:
            which = next(turn) % 4
            if which == 0:
                own.write_bytes(data)
                load_profile("own-own", own.parent)
            elif which == 1:
                read_texts(
                    {"all.raised.title": data.decode("utf-8", "replace"), "too-warm.first": data.decode("latin1")}, ()
                )
            else:
                room.write_bytes(data)
                check(room)

        yield one


WAIT: Final = ("run", "listen", "setup", "drill", "rehearse", "compare", "rooms")
"""Verbs that talk to a broker, a channel or a person, and wait for them."""


def _commands() -> Iterator[Read]:
    from monitor.cli.main import VERBS

    verbs = [verb for verb in VERBS if verb not in WAIT]
    with _folder() as folder:
        desk = Desk(folder)
        desk.write(room_text())
        desk.store().close()
        place, home = ["--config", str(folder / "room.toml"), "--data", str(desk.data)], Path.cwd()
        (folder / "here").mkdir()
        os.chdir(folder / "here")

        def one(data: bytes) -> None:
            from monitor.cli.main import main

            # As a shell hands bytes over that are no UTF-8.
            words = [os.fsdecode(word).replace("\0", "") for word in data.split(b" ")]
            with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as said:
                try:
                    code = main([verbs[len(data) % len(verbs)] if data[:1] > b"M" else words[0], *words[1:], *place])
                except SystemExit as ended:
                    code = int(ended.code or 0)
            if code not in range(31) and code != 130:
                raise AssertionError(f"it ended with {code}: {said.getvalue()[:300]}")

        try:
            yield one
        finally:
            os.chdir(home)


def _api() -> Iterator[Read]:
    from tests.page.rooms import ShownRoom

    with _folder() as folder:
        shown = ShownRoom.small(folder, days=2)
        client = shown.client()

        def one(data: bytes) -> None:
            head, _, body = data.partition(b"\n")
            method, _, path = head.partition(b" ")
            address = "/api/" + urllib.parse.quote(path, safe="/?&=%:,+")
            answer = client.request(
                "POST" if method[:1] in b"Pp" and method else "GET",
                address[:4000],
                content=body,
                headers={"content-type": "application/json"},
            )
            if answer.status_code >= 500:
                raise AssertionError(f"{address[:100]} is answered with {answer.status_code}: {answer.text[:300]}")

        yield one


ROOM: Final = room_text().encode()
TARGETS: Final[dict[str, tuple[Callable[[], Iterator[Read]], tuple[bytes, ...]]]] = {
    "decode": (
        _decode,
        (
            b"28.4",
            b" -12,5 ",
            b'{"v": 28.4, "at": "2026-05-01T08:00:00Z"}',
            b'{"v": 28.4, "at": 1800000000000}',
            b'[{"v": 28.4, "at": "2026-05-01T08:00:00+02:00"}, {"v": "28.5", "at": "2026-05-01T08:01:00Z"}]',
            b'{"a": [3.1, 1800000000], "b": {"c": null}}',
            b'{"temperature": 82.1, "humidity": "80 %", "linkquality": 91}',
            b"online",
            b"K7Q2-WXYZ-12AB-34CD",
            b'{"token": "12", "by": "anna"}',
        ),
    ),
    "files": (
        _files,
        (
            b"time,value\n2026-05-01 10:00,28.4\n2026-05-01 10:01,28.5\n",
            b"time;value\r\n01.05.2026 10:00;28,4\r\n",
            b"\xff\xfet\0i\0m\0e\0,\0v\0a\0l\0u\0e\0\n\x001\0,\x002\0",
            b"kind,clutch,at,species,eggs\nlaid,K01,2026-05-01,elaphe-taeniura,6\nset,K01,2026-05-01 19:30,,\n",
            b'{"kind": "laid", "clutch": "K01", "at": "2026-05-01T08:00:00Z", "eggs": 6}\n',
        ),
    ),
    "configuration": (
        _configuration,
        (
            ROOM,
            ROOM + b'[[channels]]\nid = "bell"\nurl_file = "bell.address"\n[watch]\nroom_quiet_after = "20 min"\n',
            ROOM + b'[calendar]\ndaily_line_at = "08:00"\n[page]\nlisten = "127.0.0.1:8480"\n',
            (PROJECT / "config" / "species" / "elaphe-taeniura.toml").read_bytes(),
            b"{title}: {where} is at {value}, ${limit}",
        ),
    ),
    "commands": (
        _commands,
        (
            b"clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12",
            b"record set K01 --box upper --eggs 4 --at yesterday",
            b"forecast K01 --why --json",
            b"boxes --json",
            b"shelve probe-quiet upper-warmth --for 6h",
            b"notices --limit 10",
            b"course upper --days 2 --svg a.svg",
            b"Xexport upper-warmth --from 2026-05-01",
        ),
    ),
    "api": (
        _api,
        (
            b"GET boxes\n",
            b"GET boxes/left-upper/course?days=2\n",
            b"GET notices/1\n",
            b"GET season/2026\n",
            b'POST entries\n{"kind": "pipped", "clutch": "K01", "box": "left-upper", "eggs": 1}',
            b'POST shelve\n{"kind": "too-warm", "subject": "left-upper", "hours": 2}',
            b'POST notices/1/answer\n{"by": "anna"}',
        ),
    ),
}


# -- inputs -----------------------------------------------------------------------------------------------------


def drawn(seeds: Sequence[bytes], dice: random.Random) -> bytes:
    """One input: a right one that was changed some times, or nothing but chance."""
    pick, below = dice.choice, dice.randrange
    if below(20) == 0:
        return dice.randbytes(below(200))
    data = pick(seeds)
    for _ in range(1 + below(4)):
        at, what = below(len(data) + 1), below(7)
        if what == 0:
            data = data[:at] + pick(PIECES) + data[at:]
        elif what == 1:
            data = data[:at] + pick(PIECES) + data[at + 1 + below(4) :]
        elif what == 2:
            data = data[:at] + data[at + 1 + below(8) :]
        elif what == 3:
            data = data[:at] + bytes([below(256)]) + data[at + 1 :]
        elif what == 4:
            data = data[:at] + data[at : at + below(20)] * (1 + below(30)) + data[at:]
        elif what == 5:
            data = data[:at] + pick(seeds)[below(20) :]
        else:
            data = data[: at or 1]
    return data


class Looked:
    """Reads inputs one after the other, and keeps what went wrong with some of them."""

    def __init__(self, reads: Read) -> None:
        self._reads = reads
        self.inputs = 0
        self.refused = 0
        self.longest_s = 0.0
        self.wrong: dict[str, str] = {}
        self.often: Counter[str] = Counter()

    def __call__(self, data: bytes) -> None:
        began = time.process_time()
        try:
            self._reads(data)
        except MonitorError:
            self.refused += 1
        except Exception as error:
            last = traceback.extract_tb(error.__traceback__)[-1]
            self._note(f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno}: {error}"[:400], data)
        took_s = time.process_time() - began
        self.inputs += 1
        if took_s > self.longest_s:
            self.longest_s = took_s
            if took_s > MOST_S:
                self._note(f"took {took_s:.1f} s", data)

    def _note(self, what: str, data: bytes) -> None:
        self.often[what.partition(": ")[0]] += 1
        if len(self.wrong) < 8:
            self.wrong.setdefault(what.partition(": ")[0], f"{what} for {data[:300]!r}")

    def told(self) -> dict[str, Any]:
        return {
            "inputs": self.inputs,
            "refused": self.refused,
            "longest_s": self.longest_s,
            "wrong": [f"{self.often[key]} times {text}" for key, text in self.wrong.items()],
        }


def _led(looked: Looked, seeds: Iterable[bytes], runs: int, seed: int, told: Path) -> None:
    """Inputs led by what they reach: libFuzzer ends the process with the last of them."""
    atheris = importlib.import_module("atheris")
    with tempfile.TemporaryDirectory() as corpus:
        for n, data in enumerate(seeds):
            (Path(corpus) / str(n)).write_bytes(data)

        def one(data: bytes) -> None:
            looked(data)
            if looked.inputs % 1000 == 0 or looked.inputs >= runs:
                told.write_text(json.dumps(looked.told()))

        words = [sys.argv[0], f"-runs={runs}", f"-seed={seed}", "-max_len=2000", "-timeout=60", "-verbosity=0", corpus]
        atheris.Setup(words, one, enable_python_coverage=True)
        atheris.Fuzz()


def one_target(name: str, inputs: int, seed: int, how: str, told: Path) -> None:
    """All inputs of one kind, in this process; what came of it into a file."""
    logging.disable(logging.CRITICAL)
    makes, seeds = TARGETS[name]
    for reads in makes():
        looked = Looked(reads)
        if how == "led":
            _led(looked, seeds, inputs, seed, told)
        dice = random.Random(f"{seed} {name}")
        for _ in range(inputs):
            looked(drawn(seeds, dice))
        told.write_text(json.dumps(looked.told()))


def _child(name: str, inputs: int, seed: int, how: str) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told"
        code = (
            "import sys\n"
            + ("import atheris\nwith atheris.instrument_imports(include=['monitor']):\n    " if how == "led" else "")
            + "import tests.bench.fuzz as fuzz\n"
            + "import pathlib\n"
            + f"fuzz.one_target({name!r}, {inputs}, {seed}, {how!r}, pathlib.Path({str(told)!r}))\n"
        )
        done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=False)
        if not told.exists():
            return {"inputs": 0, "refused": 0, "longest_s": 0.0, "wrong": [f"it ended: {done.stderr[-800:]}"]}
        found: dict[str, Any] = json.loads(told.read_text())
        return found


def measure(inputs: int = 100_000, seed: int = 1, only: str = "") -> Figures:
    """So many inputs in all; ``only``: what is read, of which the names hold this."""
    led = importlib.util.find_spec("atheris") is not None
    figures: dict[str, float | int] = {"inputs": 0}
    short: list[str] = []
    for name, share in SHARES.items():
        if only not in name:
            continue
        wanted = max(20, round(inputs * share))
        parts = {"drawn": wanted - round(wanted * LED) if led else wanted, "led": round(wanted * LED) if led else 0}
        for how, n in parts.items():
            if not n:
                continue
            found = _child(name, n, seed, how)
            figures["inputs"] += found["inputs"]
            figures[f"{name}, {how}: inputs"] = found["inputs"]
            figures[f"{name}, {how}: refused"] = found["refused"]
            figures[f"{name}, {how}: longest_s"] = found["longest_s"]
            short += [f"{name}, {how}: {text}" for text in found["wrong"]]
            if found["inputs"] < 0.98 * n:
                short.append(f"{name}, {how}: only {found['inputs']} of {n} inputs")
            print(f"{time.strftime('%H:%M:%S')} {name}, {how}: {found['inputs']}", file=sys.stderr, flush=True)
    notes = [f"seed {seed}; {'a fifth led by coverage (atheris)' if led else 'atheris is not installed: all drawn'}"]
    return Figures(figures, short, notes)
