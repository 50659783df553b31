"""The kinds of faults of the long campaign, each as it is drawn: what it does to the room, how long, and what it may
bring about that somebody is told of.

A fault is a generator: what it does first, then how many seconds it lasts, then how it ends. The crash points are
those that stand in the program: a new one is drawn with the others.
"""

from __future__ import annotations

import ast
import contextlib
import functools
import math
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from tests.bench.campaign_room import CampaignRoom
from tests.bench.process import Beat, message, until
from tests.peers import PROJECT

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
POINT_S: Final = 12.0
"""A crash point that is not come to within so long is left."""
NOTHING_LEFT: Final = 14
"""How a repair ends that can read nothing of a store, and says to restore a backup."""
DIGEST: Final = "after-fold-before-lease"
STRACE = shutil.which("strace")

Play = Callable[[CampaignRoom, random.Random], Iterator[float]]


class NotHere(Exception):
    """This fault cannot be made on this computer, or just now; the text says why."""


@dataclass(frozen=True)
class Kind:
    """``group``: of one group at most one happens at once, and one "alone" by itself. ``may``: the kinds of conditions
    that it may raise. ``often``: how often it is drawn, beside the others."""

    name: str
    group: str
    play: Play
    may: frozenset[str] = frozenset()
    often: float = 1.0

    @property
    def alone_with_files(self) -> bool:
        """Whether nobody else may have the store open meanwhile."""
        return self.group == "alone"


@functools.cache
def crash_points() -> tuple[str, ...]:
    """The names of all places in the service's program where it may be told to kill itself."""
    found = set()
    for path in sorted((PROJECT / "monitor").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "crash_point":
                name = node.args[0]
                if isinstance(name, ast.Constant):
                    found.add(str(name.value))
    return tuple(sorted(found))


# -- the service ------------------------------------------------------------------------------------------------


def killed(r: CampaignRoom, _: random.Random) -> Iterator[float]:
    r.kept.kill()
    yield 0.0


def killed_starting(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """At a random moment of its start: while it looks at its store, folds, sums up, connects."""
    started = r.kept.started
    r.kept.kill()
    until(lambda: r.kept.started > started, 10.0, 0.01)
    yield dice.uniform(0.05, 1.8)
    r.kept.kill()


def at_point(name: str) -> Play:
    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        nth = dice.randint(1, {"mid-batch": 60, "before-commit": 4, "after-commit-before-ack": 4}.get(name, 1))
        with _brought_about(name, r):
            if not r.kept.die_at(name, nth, POINT_S):
                raise NotHere(f"the service did not come to {name}")
        yield 0.0

    return play


def command(r: CampaignRoom, *words: str, crash_at: str = "") -> subprocess.CompletedProcess[str]:
    """A command of a keeper on the room's store."""
    place = ["--config", str(r.run.config), "--data", str(r.data)]
    environ = {**os.environ, "WARMTALLY_CRASH_AT": crash_at}
    line = [sys.executable, "-m", "monitor", *words, *place]
    return subprocess.run(line, cwd=PROJECT, env=environ, check=False, capture_output=True, text=True)


def _well(done: subprocess.CompletedProcess[str]) -> None:
    if done.returncode != 0 or "Traceback" in done.stderr:
        raise AssertionError(f"{done.args[3:6]} ended with {done.returncode}: {done.stderr[-800:]}")


def backup_killed(point: str) -> Play:
    """While all else goes on; afterwards a backup succeeds, and the newest good one can be verified."""

    def play(r: CampaignRoom, _: random.Random) -> Iterator[float]:
        place = str(r.folder / "backups")
        command(r, "backup", place)
        died = command(r, "backup", place, "--keep", "1", crash_at=point).returncode == -signal.SIGKILL
        until(lambda: command(r, "backup", place, "--keep", "2").returncode == 0, 20.0, 0.5)
        _well(command(r, "verify", place))
        if not died:
            raise NotHere(f"the backup did not come to {point}")
        yield 0.0

    return play


def mended(point: str) -> Play:
    """The service is stopped, its store backed up, and damaged where it is to be repaired; whoever restores or repairs
    it is killed, and does it again. The broker keeps what comes meanwhile."""

    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        place = str(r.folder / f"mending-{dice.randrange(10**6)}")
        r.kept.hold()
        try:
            _well(command(r, "backup", place))
            words = ["restore", place, "--aside"] if point.startswith("restore") else ["repair", "--from", place]
            if words[0] == "repair":
                # A page of the middle, so that the head can be read.
                with (r.data / "warmtally.db").open("r+b") as store:
                    store.seek(4096 * dice.randrange(1, max(2, (r.data / "warmtally.db").stat().st_size // 4096)))
                    store.write(dice.randbytes(64))
            died = command(r, *words, crash_at=point).returncode == -signal.SIGKILL
            again = command(r, *words)
            if words[0] == "repair" and again.returncode == NOTHING_LEFT:
                again = command(r, "restore", place, "--aside")
            _well(again)
            for old in (*r.data.glob("before-*"), *r.data.glob("damaged-*"), *r.data.glob("repair-*")):
                shutil.rmtree(old, ignore_errors=True)
        finally:
            r.kept.release()
        if not died:
            raise NotHere(f"{words[0]} did not come to {point}")
        yield 0.0

    return play


@contextlib.contextmanager
def _brought_about(name: str, r: CampaignRoom) -> Iterator[None]:
    """What makes the service come to a point to which it does not come by itself all the time."""
    if name == "after-answer-before-reply":
        with Beat(lambda n: r.publisher.publish("eggs/answer", str(n % 40 + 1)), 0.3):
            yield
    elif name == DIGEST:
        # Two notices that are over wait for a channel, and an hour goes by.
        r.sinks[0].then = "5"
        step = r.trouble.step
        until(lambda: r.trouble.step >= step + 3 or r.trouble.over, POINT_S, 0.1)
        r.clock_off(HOUR_MS)
        try:
            yield
        finally:
            r.clock_off(0)
            r.sinks[0].then = "."
    elif name in ("after-lease-before-send", "after-send-before-mark"):
        r.sinks[1].then = "5"
        until(lambda: len(r.sinks[1].arrivals) > len(r.sinks[1].taken), 4.0, 0.05)
        r.sinks[1].then = "."
        yield
    else:
        yield


def restarted(r: CampaignRoom, _: random.Random) -> Iterator[float]:
    r.kept.ask()
    yield 0.0


def frozen(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    r.kept.signal(signal.SIGSTOP)
    yield dice.uniform(0.3, 3.0)
    r.kept.signal(signal.SIGCONT)


def short_of(what: int, of: str, most: int) -> Play:
    """A limit on what a process may have: memory, handles."""

    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        with r.kept.limited(what, dice.randint(0, most), of):
            yield dice.uniform(0.5, 2.5)

    return play


# -- the broker and the line ------------------------------------------------------------------------------------


def broker_ends(*, kill: bool, lose: bool = False) -> Play:
    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        r.broker.stop(kill=kill)
        r.line.life += 1
        if kill:
            r.broker_kills.append((time.monotonic(), "without" if lose else "with"))
        if lose:
            (r.broker.folder / "mosquitto.db").unlink(missing_ok=True)
        yield dice.uniform(0.1, 2.0)
        r.broker.start()

    return play


def broker_frozen(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    process = r.broker.process
    if process is None:
        raise NotHere("the broker is away")
    process.send_signal(signal.SIGSTOP)
    yield dice.uniform(0.3, 3.0)
    process.send_signal(signal.SIGCONT)


def line_cut(r: CampaignRoom, _: random.Random) -> Iterator[float]:
    r.line.cut()
    yield 0.0


def line_held(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    r.line.passing.clear()
    yield dice.uniform(0.3, 3.0)
    r.line.passing.set()


def line_slow(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    r.line.slow_s = dice.uniform(0.05, 0.3)
    yield dice.uniform(0.5, 2.5)
    r.line.slow_s = 0.0


# -- the disk ---------------------------------------------------------------------------------------------------


def disk_full(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    if not r.disk:
        raise NotHere("a small disk cannot be made")
    ballast = r.data.parent / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(min(1 << 20, max(shutil.disk_usage(ballast.parent).free, 4096))))
    yield dice.uniform(0.5, 3.0)
    ballast.unlink()


def disk_read_only(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """As a card that has had enough: it can be read, and nothing can be written."""
    if not r.disk:
        raise NotHere("a small disk cannot be made")

    def mounted(how: str) -> bool:
        command = ["mount", "-o", f"remount,{how}", str(r.data.parent)]
        return subprocess.run(command, check=False, capture_output=True).returncode == 0

    r.kept.hold()
    made = until(lambda: mounted("ro"), 3.0, 0.05)
    r.kept.release()
    if not made:
        raise NotHere("the disk is in use")
    yield dice.uniform(0.5, 2.5)
    until(lambda: mounted("rw"), 10.0, 0.05)


def writes_refused(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """No file may grow: each write of the service fails."""
    with r.kept.limited(resource.RLIMIT_FSIZE, 0):
        yield dice.uniform(0.5, 2.5)


def injected(calls: str, what: str) -> Play:
    """The kernel's answers to the service's own calls (strace(1), inject): slow, or an error of the device."""

    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        pid = r.kept.signal(0)
        if STRACE is None or pid is None:
            raise NotHere("no strace" if STRACE is None else "the service is away")
        how = what.format(us=dice.randint(50_000, 400_000), when=f"{dice.randint(1, 5)}+{dice.randint(1, 4)}")
        command = [STRACE, "-f", "-qq", "-o", "/dev/null", "-p", str(pid), "-e", f"trace={calls}"]
        with subprocess.Popen([*command, "-e", f"inject={calls}:{how}"], stderr=subprocess.DEVNULL) as tracer:
            yield dice.uniform(0.8, 2.5)
            tracer.terminate()
            try:
                tracer.wait(5)
            except subprocess.TimeoutExpired:
                tracer.kill()

    return play


def store_locked(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """Another program writes and takes its time."""
    with contextlib.closing(sqlite3.connect(r.data / "warmtally.db", isolation_level=None, timeout=2.0)) as other:
        with contextlib.suppress(sqlite3.Error):
            other.execute("BEGIN IMMEDIATE")
        yield dice.uniform(0.3, 3.0)
        with contextlib.suppress(sqlite3.Error):
            other.execute("ROLLBACK")


def bytes_flipped(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """Some bytes of the store are no longer what they were. The service runs with it, or says why it does not; then
    the keeper puts the store of before back. What is acknowledged in between would be lost with it: the line is cut.
    """
    aside = r.folder / "aside"
    shutil.rmtree(aside, ignore_errors=True)
    r.line.passing.clear()
    r.kept.hold()
    shutil.copytree(r.data, aside)
    file = r.data / "warmtally.db"
    with file.open("r+b") as store:
        size = file.stat().st_size
        for _ in range(dice.randint(1, 20)):
            at = dice.randrange(size)
            store.seek(at)
            byte = store.read(1)[0]
            store.seek(at)
            store.write(bytes([byte ^ (1 << dice.randrange(8))]))
    r.kept.release()
    yield dice.uniform(1.0, 3.0)
    r.kept.hold()
    for path in r.data.iterdir():
        path.unlink()
    for path in aside.iterdir():
        shutil.copy2(path, r.data / path.name)
    r.line.cut()
    r.line.passing.set()
    r.kept.release()


# -- the clock --------------------------------------------------------------------------------------------------


def clock_set(*steps_ms: int) -> Play:
    """The clock is set wrong, and set right again."""

    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        r.clock_off(dice.choice(steps_ms))
        yield dice.uniform(0.5, 3.0)
        r.clock_off(0)

    return play


def begins_in_1970(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """The computer has no clock of its own, and the network tells it the time some seconds later."""
    r.clock_off(-r.now_ms() + dice.randint(5_000, 60_000))
    r.kept.kill()
    r.kept.wait_ready(20.0)
    yield dice.uniform(0.3, 2.0)
    r.clock_off(0)


# -- the probes -------------------------------------------------------------------------------------------------


def _wild(r: CampaignRoom) -> tuple[float, str]:
    r.extra += 1
    value = round(20.0 + 1e-5 * r.extra, 5)
    return value, f'{{"v": {value:.5f}}}'


def floods(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    for _ in range(dice.randint(200, 1500)):
        value, payload = _wild(r)
        r.publish("wild", payload, "wild", None, value)
    yield 0.0


def repeats(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    value, payload = _wild(r)
    for _ in range(dice.randint(20, 300)):
        r.publish("wild", payload, "wild", None, value)
    yield 0.0


def backwards(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    """A gateway hands over what it has kept, the newest first, and all of it twice."""
    newest, many = r.now_ms(), dice.randint(10, 200)
    readings = []
    for n in range(many):
        r.extra += 1
        readings.append((newest - n * 7_000 - r.extra, round(24.0 + 1e-5 * r.extra, 5)))
    for at, value in readings * 2:
        r.publish("backwards", message(at, value), "backwards", at, value)
    yield 0.0


def garbage(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
    for _ in range(dice.randint(5, 60)):
        size = math.floor(math.exp(dice.uniform(0.0, 11.0)))
        r.publisher.publish("eggs/wild", dice.randbytes(size))
        r.unreadable += 1
    yield 0.0


# -- the channels -----------------------------------------------------------------------------------------------


def receiver(sign: str) -> Play:
    def play(r: CampaignRoom, dice: random.Random) -> Iterator[float]:
        sink = dice.choice(r.sinks)
        sink.then = sign
        yield dice.uniform(1.0, 4.0)
        sink.then = "."

    return play


# -- all of them ------------------------------------------------------------------------------------------------

GARBAGE: Final = "a probe sends garbage"
UNREAD: Final = frozenset({"probe-unread"})
CLOCK: Final = frozenset({"clock-untrusted", "probe-clock", "probe-quiet", "room-quiet", "was-away"})
_STUCK: Final = CLOCK | {"notices-stuck"}
_STORE: Final = frozenset({"store-failing", "disk-low", "check-failed"})


def _kind_of(point: str) -> Kind:
    """The kill at a crash point, of the service or of the command that comes to it."""
    if point.startswith("backup-"):
        return Kind(f"killed {point}", "backup", backup_killed(point), often=0.4)
    if point.startswith(("restore-", "repair-")):
        return Kind(f"killed {point}", "alone", mended(point), _STORE, often=0.3)
    return Kind(f"killed {point}", "service", at_point(point), _STUCK if point == DIGEST else frozenset(), 0.6)


@functools.cache
def kinds() -> tuple[Kind, ...]:
    """Every kind of fault, the crash points as they stand in the program now."""
    found = [
        Kind("killed", "service", killed, often=2.0),
        Kind("killed while it starts", "service", killed_starting, often=3.0),
        *(_kind_of(name) for name in crash_points()),
        Kind("restarted", "service", restarted),
        Kind("frozen", "service", frozen),
        Kind("short of memory", "service", short_of(resource.RLIMIT_AS, "memory", 4_000_000), _STORE, 1.5),
        Kind("short of handles", "service", short_of(resource.RLIMIT_NOFILE, "handles", 2), _STORE),
        Kind("broker killed with its store", "broker", broker_ends(kill=True), often=2.0),
        Kind("broker killed without its store", "broker", broker_ends(kill=True, lose=True), often=2.0),
        Kind("broker restarted", "broker", broker_ends(kill=False)),
        Kind("broker frozen", "broker", broker_frozen),
        Kind("line cut", "line", line_cut),
        Kind("line held", "line", line_held),
        Kind("line slow", "line", line_slow),
        Kind("disk full", "disk", disk_full, _STORE, 1.5),
        Kind("disk read-only at the start", "alone", disk_read_only, _STORE, 0.7),
        Kind("writes refused", "service", writes_refused, _STORE),
        Kind("disk slow", "disk", injected("fdatasync,fsync", "delay_exit={us}"), _STORE),
        Kind("disk fails to write down", "disk", injected("fdatasync,fsync", "error=EIO:when={when}"), _STORE),
        Kind("disk fails to write", "disk", injected("pwrite64", "error=EIO:when={when}"), _STORE),
        Kind("store locked", "disk", store_locked, _STORE),
        Kind("bytes of the store flipped", "alone", bytes_flipped, _STORE, 0.7),
        Kind("clock forward", "clock", clock_set(10_000, HOUR_MS, DAY_MS), CLOCK),
        Kind("clock back", "clock", clock_set(-10_000, -HOUR_MS, -DAY_MS), CLOCK),
        Kind("begins in 1970", "alone", begins_in_1970, CLOCK, 0.7),
        Kind("a probe floods", "probe", floods, frozenset({"probe-too-often"})),
        Kind("a probe repeats itself", "probe", repeats, frozenset({"probe-too-often", "probe-stuck"})),
        Kind("a probe goes backwards", "probe", backwards),
        Kind(GARBAGE, "probe", garbage, UNREAD),
        Kind("a receiver hangs", "channel", receiver("t"), frozenset({"notices-stuck"})),
        Kind("a receiver accepts and drops", "channel", receiver("x"), frozenset({"notices-stuck"})),
        Kind("a receiver refuses", "channel", receiver("5"), frozenset({"notices-stuck"})),
        Kind("a receiver drips", "channel", receiver("d"), frozenset({"notices-stuck"})),
    ]
    return tuple(found)


def play(kind: Kind, r: CampaignRoom, dice: random.Random, after_s: float) -> None:
    """A fault from its beginning to its end. Raises NotHere."""
    time.sleep(after_s)
    with r.looking if kind.alone_with_files else contextlib.nullcontext():
        course = kind.play(r, dice)
        time.sleep(next(course))
        next(course, None)
