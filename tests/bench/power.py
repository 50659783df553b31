"""The power goes in mid-write: what is on the disk then, and whether everything acknowledged is in it.

The real service runs under strace(1) with a real broker while readings pour in; each write to its store, each flush and
each acknowledgement is written down in its order. Then the power is cut at drawn moments: what was flushed is there; of
what was written since, nothing, all, or any part is, down to half a page. The store is opened as it would be then. What
is taken for granted: that a flush is one (a card may lie), and that a file which was flushed can be found.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal, NamedTuple

from monitor.adapters.store import Store
from monitor.adapters.store.database import FILE_NAME
from monitor.errors import MonitorError
from tests.bench import Figures
from tests.bench.process import Beat, Publisher, Service, message, now_ms, room, timed
from tests.bench.watched_line import Packets, published
from tests.peers import MOMENT_S, mosquitto, need

CALLS: Final = "openat,write,pwrite64,ftruncate,fsync,fdatasync,sendto,recvfrom"
SECTOR: Final = 512
FILES: Final = (FILE_NAME, f"{FILE_NAME}-wal")
"""What must last; SQLite's shared memory beside them is made anew."""
_LINE: Final = re.compile(r"^(\d+) +(.*)$")
_CALL: Final = re.compile(r"^(\w+)\((\d+)<([^>]*)>(?:\(deleted\))?(.*)\) += (-?\d+)")
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


class Step(NamedTuple):
    """One thing that happened to the store, or an acknowledgement. ``what``: a write at ``at``, a cut to ``at`` bytes,
    a flush of a file; or the reading ``data`` was acknowledged."""

    what: Literal["write", "cut", "flush", "acknowledged"]
    file: str = ""
    at: int = 0
    data: bytes = b""


def steps_of(trace: Path, data: Path) -> list[Step]:
    """What strace wrote down, in its order: a flush when it was done, an acknowledgement when it was begun."""
    names = {str(data / name): name for name in FILES}
    found: list[Step] = []
    begun: dict[str, str] = {}
    under_way: dict[int, bytes] = {}
    streams: dict[tuple[str, str], Packets] = {}

    def hears(kind: int, flags: int, body: bytes) -> None:
        if kind == 3 and flags & 0x06:
            identifier, _, payload = published(body, 5)
            under_way[identifier] = payload

    def says(kind: int, _: int, body: bytes) -> None:
        if kind == 4 and (payload := under_way.pop(int.from_bytes(body[:2]), None)) is not None:
            found.append(Step("acknowledged", data=payload))

    def bytes_of(rest: str) -> bytes:
        text = _TEXT.search(rest)
        return _unhex(text[1]) if text else b""

    with trace.open(encoding="ascii", errors="replace") as lines:
        for line in lines:
            if (parts := _LINE.match(line.rstrip("\n"))) is None:
                continue
            thread, told = parts[1], parts[2]
            if told.endswith("<unfinished ...>"):
                begun[thread] = told.removesuffix("<unfinished ...>")
                if told.startswith("sendto(") and (head := re.match(r"sendto\(\d+<([^>]*)>", told)):
                    streams.setdefault((_plain(head[1]), "says"), Packets(says)).take(bytes_of(told))
                continue
            again = told.startswith("<... ")
            if again:
                told = begun.pop(thread, "") + told.partition("resumed>")[2]
            call = _CALL.match(told)
            if call is None or int(call[5]) < 0:
                continue
            name, path, rest, done = call[1], _plain(call[3]), call[4], int(call[5])
            if name == "sendto" and not again:
                streams.setdefault((path, "says"), Packets(says)).take(bytes_of(rest)[:done])
            elif name == "recvfrom":
                streams.setdefault((path, "hears"), Packets(hears)).take(bytes_of(rest)[:done])
            elif path in names:
                found += _store_step(name, names[path], rest, bytes_of(rest)[:done])
    return found


def _unhex(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


def _plain(path: str) -> str:
    """A path as it is, which strace may have written in hexadecimal like all else."""
    return _unhex(path).decode(errors="replace") if path.startswith("\\x") else path


def _store_step(name: str, file: str, rest: str, data: bytes) -> Iterator[Step]:
    if name == "pwrite64":
        yield Step("write", file, int(rest.rpartition(", ")[2]), data)
    elif name == "ftruncate":
        yield Step("cut", file, int(rest.rpartition(", ")[2]))
    elif name in ("fsync", "fdatasync"):
        yield Step("flush", file)


@dataclass
class Disk:
    """What is on the disk for sure, and what was written since, by file."""

    sure: dict[str, bytearray] = field(default_factory=dict)
    since: dict[str, list[Step]] = field(default_factory=dict)
    acknowledged: list[bytes] = field(default_factory=list)

    def take(self, step: Step) -> None:
        if step.what == "acknowledged":
            self.acknowledged.append(step.data)
        elif step.what == "flush":
            image = self.sure.setdefault(step.file, bytearray())
            for one in self.since.pop(step.file, []):
                _apply(image, one)
        else:
            self.since.setdefault(step.file, []).append(step)

    def left(self, dice: random.Random, how: str) -> dict[str, bytes]:
        """The files after the power went: ``how`` is "nothing", "all" or "some" of what was written since."""
        files = {}
        for name in self.sure.keys() | self.since.keys():
            image = bytearray(self.sure.get(name, b""))
            for step in self.since.get(name, []):
                if how == "all" or (how == "some" and dice.random() < 0.5):
                    torn = how == "some" and step.what == "write" and dice.random() < 0.3
                    cut = dice.randrange(0, len(step.data) + 1, SECTOR) if torn else len(step.data)
                    _apply(image, step._replace(data=step.data[:cut]))
            files[name] = bytes(image)
        return files


def _apply(image: bytearray, step: Step) -> None:
    if step.what == "cut":
        del image[step.at :]
        image.extend(bytes(step.at - len(image)))
    else:
        image.extend(bytes(max(0, step.at - len(image))))
        image[step.at : step.at + len(step.data)] = step.data


def recorded(folder: Path, seconds: float, every_s: float) -> list[Step]:
    """The real service for a while, looked at from below."""
    strace, trace = need("strace", "strace"), folder / "trace"
    with mosquitto(folder / "broker") as broker, Publisher(broker.port) as publisher:
        probes = [timed("numbered", "counted", interval=10, quiet_after=60)]
        run = Service(folder / "service", room(("counted",), probes, port=broker.port))
        start_ms = now_ms() - 36 * 3_600_000
        under = [strace, "-f", "-qq", "-y", "-xx", "-s", "1000000", "--seccomp-bpf", "-e", "signal=none", "-A"]
        under += ["-e", f"trace={CALLS}", "-o", str(trace)]
        run.start(under=under)
        run.wait_up()
        # Spread over hours, so that they are folded and the log is written into the store when it is started anew.
        with Beat(
            lambda n: publisher.publish("eggs/numbered", message(start_ms + n * 60_000, 27.0 + n / 1e4)), every_s
        ):
            time.sleep(seconds)
        publisher.wait_acknowledged()
        time.sleep(1.0)
        _ask_to_end(run)
        run.start(under=under)
        run.wait_up(times=2)
        time.sleep(1.0)
        _ask_to_end(run)
        return steps_of(trace, run.data)


def _ask_to_end(run: Service) -> None:
    """SIGTERM to the service itself: strace takes none on its behalf."""
    assert run.process is not None
    children = Path(f"/proc/{run.process.pid}/task/{run.process.pid}/children").read_text().split()
    for child in children:
        os.kill(int(child), signal.SIGTERM)
    run.process.wait(MOMENT_S)
    run.process = None


def looked_at(files: dict[str, bytes], acknowledged: Sequence[bytes]) -> tuple[int, str]:
    """How many of the acknowledged readings are not in the store as it is found, and what is wrong with it."""
    with tempfile.TemporaryDirectory() as name:
        for file, content in files.items():
            (Path(name) / file).write_bytes(content)
        try:
            with Store(name) as store:
                damage = store.db.check()
                columns = store.readings.load(["numbered"], 0, 2**61)["numbered"]
        except MonitorError as error:
            return len(acknowledged), str(error)
        there = set(zip(columns.at.tolist(), columns.value.tolist(), strict=True))
        wanted = [(told["at"], told["v"]) for told in map(json.loads, acknowledged)]
        return sum(one not in there for one in wanted), "; ".join(damage)


def cut_at(steps: Sequence[Step], cuts: int, seed: int) -> tuple[dict[str, float], list[str]]:
    """The power goes at so many drawn moments, a third of them right around a flush or an acknowledgement."""
    dice = random.Random(seed)
    near = [k for k, s in enumerate(steps) if s.what in ("flush", "acknowledged")]
    close = [dice.choice(near) + dice.randint(0, 1) for _ in range(cuts // 3 if near else 0)]
    moments = sorted([*close, *(dice.randrange(len(steps) + 1) for _ in range(cuts - len(close)))])
    figures = dict.fromkeys(("acknowledged", "lost", "damaged stores", "cuts with something not flushed"), 0.0)
    short: list[str] = []
    disk, done = Disk(), 0
    for moment in moments:
        for step in steps[done:moment]:
            disk.take(step)
        done = max(done, moment)
        for how in ("nothing", "all", "some"):
            lost, wrong = looked_at(disk.left(dice, how), disk.acknowledged)
            figures["acknowledged"] += len(disk.acknowledged)
            figures["lost"] += lost
            figures["damaged stores"] += bool(wrong)
            if lost or wrong:
                short.append(f"after step {moment} of {len(steps)}, with {how} of the rest: {lost} lost; {wrong}"[:300])
        figures["cuts with something not flushed"] += bool(disk.since)
    return figures, short


def measure(cuts: int = 300, seconds: float = 20.0, every_s: float = 0.05, seed: int = 1) -> Figures:
    """So many cuts of the power, each with nothing, all and some of what was not flushed."""
    with tempfile.TemporaryDirectory() as name:
        steps = recorded(Path(name), seconds, every_s)
    figures, short = cut_at(steps, cuts, seed)
    counts = {
        f"steps: {what}": sum(s.what == what for s in steps) for what in ("write", "cut", "flush", "acknowledged")
    }
    if not counts["steps: acknowledged"]:
        short.append("no acknowledgement was seen: nothing was measured")
    return Figures({"cuts": 3 * cuts, **figures, **counts}, short[:20], [f"seed {seed}, {seconds:g} s of messages"])
