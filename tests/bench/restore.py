"""Backup, verify, restore and repair: kills at random, bits that flip by seed, and whether the same room comes back.

A room with a clutch in two boxes, notices and conditions. While readings pour in it is backed up, and the command is
killed (kill -9) at random; then it is restored elsewhere, and repaired, with kills as well. Each time what has the name
of a backup must be good, and the restored room must say the same conditions and windows. Then single bits of the store
are turned over, drawn by seed: which check finds them, and whether any that changes what would be read goes unfound.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from monitor.adapters import backups
from monitor.adapters.store import Store
from monitor.adapters.store.database import FILE_NAME
from monitor.adapters.store.salvage import mend
from monitor.adapters.store.seals import ROWS, WHOLE
from monitor.adapters.store.soundness import examined
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.conditions import Condition, Phase, Transition
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived
from monitor.errors import MonitorError
from tests.bench import Figures
from tests.desk import room_text
from tests.peers import MOMENT_S, PROJECT

T0 = 1_780_000_000_000 // (24 * HOUR_MS) * 24 * HOUR_MS
STEP_MS = 60_000
LASTS_S = 0.8
"""About as long as a command takes: it is killed before, or has ended."""
BOXES = ("upper", "lower")
Found = dict[str, float | int | str | bool | None]


def _room(folder: Path, days: int) -> int:
    """A room's file and its store after so many days; the moment of its last reading."""
    folder.mkdir()
    (folder / "room.toml").write_text(room_text(limits={"too_warm_c": 31.0, "too_cool_c": 25.0}))
    end = T0 + days * 24 * HOUR_MS
    told: dict[str, Any] = {"clutch": "K01", "recorded_ms": T0}
    with Store(folder / "data") as store:
        for box, base in zip(BOXES, (28.4, 27.6), strict=True):
            for start in range(T0, end, 24 * HOUR_MS):
                times = range(start, min(start + 24 * HOUR_MS, end), STEP_MS)
                rows = [Reading(f"{box}-warmth", t, base + t // STEP_MS % 7 / 16, t + 300) for t in times]
                store.journal.ingest(rows)
        store.account.tell(KeeperEvent(EventKind.LAID, at_ms=T0, species="elaphe-taeniura", eggs=12, **told))
        for box in BOXES:
            store.account.tell(KeeperEvent(EventKind.SET, at_ms=T0 + HOUR_MS, box=box, eggs=6, **told))
        for k in range(100):
            at = T0 + k * HOUR_MS // 10
            store.account.tell(KeeperEvent(EventKind.NOTE, at_ms=at, text=f"look {k}", **told))
        up = Condition("probe-quiet", "upper-warmth", Phase.RAISED, T0, T0, None, T0, told_ms=T0, told=1, facts={})
        for k in range(50):
            notice = Notice(f"probe-quiet/upper-warmth/raised/{k}", T0, "probe-quiet", ("upper-warmth",), "raised",
                            "today", "Quiet", "It is quiet.")  # fmt: skip
            raised = Transition("probe-quiet", "upper-warmth", "raised", T0 + k, T0, "quiet")
            store.ledger.commit((up,), (raised,), [notice], {})
        store.folding.fold(end)
        while store.folding.pack(end + 72 * HOUR_MS, 60.0):
            pass
        _derived(folder, store).hours.refresh(end)
        store.seal()
    return end


def _derived(folder: Path, store: Store) -> Derived:
    return Derived(store, load(folder / "room.toml", data_dir=folder / "data"), load_profile)


def _says(folder: Path, at_ms: int) -> list[object]:
    """What a room says at a moment: windows, development, conditions, entries, notices."""
    with Store(folder / "data", create=False) as store:
        derived = _derived(folder, store)
        derived.follow(at_ms)
        lots = [
            (x.lot.id, x.past and round(x.past.development, 9), x.first_pip and x.first_pip.window.p50_ms)
            for x in derived.lots(at_ms)
        ]
        conditions = sorted(repr(c) for c in store.ledger.conditions().values())
        return [lots, conditions, store.account.events(), [n.key for n in store.ledger.notices(1000)]]


class _Writer:
    """Readings of a third probe that come in meanwhile, each on the disk before it counts."""

    def __init__(self, folder: Path, end: int) -> None:
        self._ending, self.stored = threading.Event(), 0
        self._thread = threading.Thread(target=self._run, args=(folder, end), daemon=True)
        self._thread.start()

    def _run(self, folder: Path, end: int) -> None:
        with Store(folder / "data", create=False) as store:
            while not self._ending.wait(0.002):
                store.journal.ingest([Reading("third", end + self.stored, 20.0, end + self.stored)])
                self.stored += 1

    def stop(self) -> None:
        self._ending.set()
        self._thread.join(MOMENT_S)


def _command(*words: str | Path) -> subprocess.Popen[bytes]:
    environ = {k: v for k, v in os.environ.items() if not k.startswith("WARMTALLY_")}
    return subprocess.Popen(
        [sys.executable, "-m", "monitor", *map(str, words)],
        cwd=PROJECT, env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip


def _until_done(words: list[str | Path], kills: int, rng: random.Random, short: list[str]) -> tuple[float, int]:
    """Run a command, first killed so many times at random while it works; seconds of the whole run, and kills."""
    done = 0
    for _ in range(kills):
        began, process = time.monotonic(), _command(*words)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(rng.uniform(0.1, LASTS_S))
        if process.poll() is None:
            process.kill()
            done += 1
        process.communicate()
        if process.returncode == 0 and words[0] != "backup":
            # It was quicker than the kill, and is not run again.
            return time.monotonic() - began, done
    began = time.monotonic()
    process = _command(*words)
    _, said = process.communicate(timeout=10 * MOMENT_S)
    if process.returncode:
        short.append(f"{words[0]} ended with {process.returncode}: {said.decode()[-300:]}")
    return time.monotonic() - began, done


def measure(days: int = 30, kills: int = 8, flips: int = 300, seed: int = 1) -> Figures:
    """``days`` of two probes a minute; ``kills`` of each command; ``flips`` single bits, each in a copy of its own."""
    rng, short = random.Random(seed), list[str]()
    figures: Found = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        house, kept = folder / "house", folder / "backups"
        end = _room(house, days)
        says = _says(house, end)
        _back_up(house, kept, end, kills, rng, figures, short)
        _restore(house, kept, folder / "new", end, says, kills, rng, figures, short)
        _flip(folder, backups.good(kept)[0], flips, rng, figures, short)
        _repair(folder, backups.good(kept)[0], end, says, kills, rng, figures, short)
    return Figures(figures, short, [f"two probes once a minute for {days} days, seed {seed}"])


def _back_up(
    house: Path, kept: Path, end: int, kills: int, rng: random.Random, figures: Found, short: list[str]
) -> None:
    config: list[str | Path] = ["--config", house / "room.toml", "--data", house / "data"]
    with Store(house / "data") as store:
        store.readings.counts()
    writer = _Writer(house, end)
    words = ["backup", kept, "--keep", "2", *config]
    seconds, killed = _until_done(words, kills, rng, short)
    writer.stop()
    good = backups.good(kept)
    figures |= {"backup_s": round(seconds, 2), "backups killed": killed, "readings meanwhile": writer.stored}
    figures["store_mb"] = round((house / "data" / FILE_NAME).stat().st_size / 1e6, 2)
    figures["backup_mb"] = round(sum(p.stat().st_size for p in good[0].rglob("*") if p.is_file()) / 1e6, 2)
    bad = [p.name for p in kept.iterdir() if p.is_dir() and not p.name.endswith(".part") and backups.verified(p)]
    figures["named backups that are not good"] = len(bad)
    figures["halves left behind"] = len(list(kept.glob("*.part")))
    if bad:
        short.append(f"named as backups, and not good: {bad}")
    if figures["halves left behind"]:
        short.append("a half backup was left behind after a good one")


def _restore(
    house: Path, kept: Path, new: Path, end: int, says: list[object], kills: int, rng: random.Random, figures: Found,
    short: list[str],
) -> None:  # fmt: skip
    words: list[str | Path] = ["restore", kept, "--config", new / "room.toml", "--data", new / "data"]
    seconds, killed = _until_done(words, kills, rng, short)
    figures |= {"restore_s": round(seconds, 2), "restores killed": killed}
    figures["restored room says the same"] = same = _says(new, end) == says
    if not same:
        short.append("the restored room says something else")
    if (new / "room.toml").read_bytes() != (house / "room.toml").read_bytes():
        short.append("the room's file is another one")


def _content(path: Path) -> object:
    """All that would be read of a store; what cannot be read is another content than any."""
    connection = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    connection.text_factory = bytes
    try:
        tables = [*ROWS, *WHOLE, "kept", "part", "journal", "fact"]
        return [sorted(connection.execute(f"SELECT * FROM {table}"), key=repr) for table in tables]
    except (sqlite3.Error, UnicodeDecodeError) as error:
        return f"unreadable: {error}"
    finally:
        connection.close()


def _flip(folder: Path, backup: Path, flips: int, rng: random.Random, figures: Found, short: list[str]) -> None:
    """Single bits of a store, found by which check; and of a whole backup."""
    whole = (backup / "data" / FILE_NAME).read_bytes()
    data = folder / "flipped"
    data.mkdir()
    (data / FILE_NAME).write_bytes(whole)
    content = _content(data / FILE_NAME)
    by, harmless, passing = Counter[str](), 0, 0
    for _ in range(flips):
        at = rng.randrange(len(whole) * 8)
        raw = bytearray(whole)
        raw[at // 8] ^= 1 << at % 8
        (data / FILE_NAME).write_bytes(raw)
        found = {finding.by for finding in examined(data / FILE_NAME, still=True)}
        now = _content(data / FILE_NAME)
        if found:
            by["SQLite alone" if found == {"file"} else "SQLite and ours" if "file" in found else "ours alone"] += 1
        elif now == content:
            harmless += 1
        elif isinstance(now, list) and isinstance(content, list) and now[:-2] == content[:-2]:
            # The journal's hour and small facts have no sum of their own; in a backup they have.
            passing += 1
        else:
            short.append(f"bit {at} changes what is read, and nothing finds it")
    figures |= {f"bits found by {name}": n for name, n in sorted(by.items())}
    figures |= {"bits that change nothing": harmless, "bits of what passes through": passing}
    missed = 0
    files = [p for p in backup.rglob("*") if p.is_file()]
    for _ in range(max(flips // 10, 5)):
        path = rng.choices(files, [p.stat().st_size for p in files])[0]
        was = path.read_bytes()
        at = rng.randrange(len(was) * 8)
        turned = bytearray(was)
        turned[at // 8] ^= 1 << at % 8
        path.write_bytes(turned)
        missed += not backups.verified(backup)
        path.write_bytes(was)
    figures["bits of a backup that are not found"] = missed
    if missed:
        short.append("a bit of a backup changed unseen")


def _repair(
    folder: Path, backup: Path, end: int, says: list[object], kills: int, rng: random.Random, figures: Found,
    short: list[str],
) -> None:  # fmt: skip
    """Twenty bits turned over at once: repaired alone, and with the backup, killed at random."""
    ways: dict[str, list[str | Path]] = {"alone": [], "with a backup": ["--from", backup]}
    for name, more in ways.items():
        room = folder / f"repaired {name}"
        shutil.copytree(backup / "room", room)
        (room / "data").mkdir()
        for attempt in range(20):
            raw = bytearray((backup / "data" / FILE_NAME).read_bytes())
            for _ in range(20):
                # Not in the first page: without the list of tables nothing can be read, and a backup is restored.
                at = rng.randrange(4096 * 8, len(raw) * 8)
                raw[at // 8] ^= 1 << at % 8
            (room / "data" / FILE_NAME).write_bytes(raw)
            trial = folder / f"trial {name} {attempt}"
            shutil.copytree(room / "data", trial)
            with contextlib.suppress(MonitorError):
                if mend(trial, "1").aside is not None:
                    break
        words: list[str | Path] = ["repair", *more, "--config", room / "room.toml", "--data", room / "data"]
        seconds, killed = _until_done(words, kills // 2, rng, short)
        figures |= {f"repair {name}_s": round(seconds, 2), f"repairs {name} killed": killed}
        with Store(backup / "data") as store:
            want = sum(store.readings.counts().values())
        with Store(room / "data", create=False) as store:
            figures[f"readings missing, repaired {name}"] = want - sum(store.readings.counts().values())
        if examined(room / "data" / FILE_NAME):
            short.append(f"repaired {name}, it is still damaged")
    same = _says(folder / "repaired with a backup", end) == says
    figures["repaired with a backup, it says the same"] = same
    if not same or figures["readings missing, repaired with a backup"]:
        short.append("repaired with a backup, something is missing")
