"""What commands cost a keeper: processor time of every verb on a small room, and the morning round.

The room has two stacks, four boxes, four probes and two clutches in them, with thirty days of readings as the service
keeps them. Each verb runs as a process of its own, as a keeper starts it; its time is what the system counts for the
whole process and those that it waited for (user and system). The morning round is: see what needs a hand, enter two
pips, see the sibling's window move, answer the notice. What is counted of it is the commands, the keys with the one
that ends each, and the seconds that the commands take, not those of the keeper.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.snapshot import Service
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.sinks import http_sink

LIMIT_S: Final = 0.5
STACKS: Final = {"left": {"left-upper": 27.8, "left-lower": 27.2}, "right": {"right-upper": 27.6, "right-lower": 27.1}}
BOXES: Final = {box: warm_c for boxes in STACKS.values() for box, warm_c in boxes.items()}
EVERY_MS: Final = 5 * MINUTE_MS
# So much of the newest is still in the journal, as between two foldings.
JOURNAL_MS: Final = 2 * HOUR_MS

# A verb as it is typed. "run" and "listen" last as long as one lets them, "rehearse" plays days to a service.
VERBS: Final = (
    "check", "boxes", "boxes --json", "notices", "notices 1", "forecast", "forecast K01", "forecast --json", "probes",
    "stack", "stack left", "unread", "clutch list", "clutch show K01", "species", "species natrix-natrix", "learn",
    "compare list", "explain", "explain too-warm", "attention", "texts", "texts too-warm", "drill",
    "export --probe left-upper-warmth --from {yesterday} --to {today}",
    "record looked K02 --box right-upper", "record note K02 --note checked", "answer 1",
    "shelve probe-quiet left-upper-warmth --for 6h", "boxes --plot", "course left-upper", "labels --out labels.svg",
    "weights", "tasks", "calendar", "season",
)  # fmt: skip
# The room is alone with its keeper: what needs a hand stands above the boxes.
MORNING: Final = (
    "boxes",
    "record pipped K01 --box left-upper --eggs 2",
    "answer {notice}",
)


@dataclass(frozen=True)
class Ran:
    """What a command came to, and its seconds: of the processor, and by the clock."""

    code: int
    out: str
    cpu_s: float
    wall_s: float


def room_file(folder: Path, receiver: int) -> Path:
    """A room's file as a keeper would have it after a season."""
    lines = [
        '[room]\nname = "Small room"\ntime_zone = "Europe/Vienna"\n',
        '[broker]\nhost = "127.0.0.1"\n',
        "[limits]\ntoo_warm_c = 31.0\ntoo_cool_c = 25.0\n",
        f'[[channels]]\nid = "hook"\nurl = "json://127.0.0.1:{receiver}/hook"\n',
    ]
    for stack, boxes in STACKS.items():
        lines.append(f'[[stacks]]\nid = "{stack}"\n')
        for place, box in enumerate(boxes):
            lines.append(f'[[stacks.boxes]]\nid = "{box}"\nheight_cm = {150 - 90 * place}\n')
    lines += [f'[[probes]]\nid = "{b}-warmth"\ntopic = "room/{b}"\nunit = "C"\nbox = "{b}"\n' for b in BOXES]
    path = folder / "room.toml"
    path.write_text("\n".join(lines))
    return path


def small_room(folder: Path, receiver: int, days: int, now_ms: int) -> Path:
    """The room as it is now: clutches about to pip, and a box that has become too warm, of which a notice was made."""
    config = room_file(folder, receiver)
    settings = load(config, data_dir=folder / "data")
    rng = np.random.default_rng(20_260_501)
    at = np.arange(now_ms - days * DAY_MS, now_ms, EVERY_MS, dtype=np.int64)
    with Store(settings.data_dir) as store:
        for box, warm_c in BOXES.items():
            values = warm_c + 0.3 * np.sin(2.0 * np.pi * (at % DAY_MS) / DAY_MS) + rng.normal(0.0, 0.03, len(at))
            if box == "left-upper":
                values += np.interp(at, [now_ms - 90 * MINUTE_MS, now_ms - HOUR_MS], [0.0, 4.2])
            _keep(store, f"{box}-warmth", at, values.round(2), now_ms)
    laid = datetime.fromtimestamp(now_ms / 1000, UTC) - timedelta(days=days)
    # In fewer days than its species takes they were part-developed when laid.
    share = min(max(1.0 - (days + 4.0) / 34.0, 0.0), 0.8)
    for clutch, stack in (("K01", "left"), ("K02", "right")):
        eggs = f"--species natrix-natrix --laid {laid:%Y-%m-%d} --eggs 12 --developed {100 * share:.0f}%"
        _must(f"clutch add {clutch} {eggs}", folder)
        for box in STACKS[stack]:
            _must(
                f'record set {clutch} --box {box} --eggs 6 --at "{laid + timedelta(hours=14):%Y-%m-%d %H:%M}"', folder
            )
    with Store(settings.data_dir) as store:
        _look(store, settings, now_ms)
    return config


def _keep(store: Store, probe: str, at: np.ndarray[tuple[int], np.dtype[np.int64]], values: np.ndarray[tuple[int], np.dtype[np.float64]], now_ms: int) -> None:  # fmt: skip  # noqa: E501
    """The older readings in chunks, the newest in the journal."""
    old = at < now_ms - JOURNAL_MS
    n = int(old.sum())
    store.folding.bulk(
        probe, Columns(at[old], values[old], at[old], np.full(n, Flag.GOOD, np.uint8), np.ones(n, bool), ("",) * n)
    )
    store.journal.ingest(
        [Reading(probe, int(t), float(v), int(t), Flag.GOOD) for t, v in zip(at[~old], values[~old], strict=True)]
    )


def _look(store: Store, settings: Settings, now_ms: int, every_ms: int = 10 * MINUTE_MS) -> None:
    """What the service does each hour and each round: sums of finished hours, conditions with their notices."""
    derived = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))
    derived.follow(now_ms)
    derived.hours.refresh(now_ms)
    for at_ms in range(now_ms - HOUR_MS, now_ms + 1, every_ms):
        outcome = evaluate(derived.snapshot(at_ms, Service(now_ms - DAY_MS)))
        store.ledger.commit(outcome.conditions, outcome.transitions, outcome.notices, {"hook": ("now", "today")})


def command(line: str, folder: Path) -> Ran:
    """Run one command on the room in a folder, as a process of its own."""
    words = [sys.executable, "-m", "monitor", *shlex.split(line)]
    environ = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "PYTHONDONTWRITEBYTECODE")}
    environ |= {"WARMTALLY_CONFIG": str(folder / "room.toml"), "PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    with (folder / "out").open("w+") as out:
        began = time.perf_counter()
        process = subprocess.Popen(words, stdout=out, stderr=subprocess.STDOUT, env=environ, cwd=folder)
        _, status, used = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        return Ran(process.returncode, out.read(), used.ru_utime + used.ru_stime, wall_s)


def _must(line: str, folder: Path) -> Ran:
    ran = command(line, folder)
    if ran.code != 0:
        raise AssertionError(f"warmtally {line}: exit code {ran.code}: {ran.out[-500:]}")
    return ran


def measure(days: int = 30, runs: int = 5, limit_s: float = LIMIT_S, only: str = "") -> Figures:
    """Each verb several times, in turn, so that what else the computer does falls on all alike; then the round."""
    figures: dict[str, float | int | None] = {}
    short: list[str] = []
    now_ms = time.time_ns() // 1_000_000
    with tempfile.TemporaryDirectory() as name, http_sink() as receiver:
        folder = Path(name)
        small_room(folder, receiver.port, days, now_ms)
        today = datetime.fromtimestamp(now_ms / 1000, UTC)
        lines = [v.format(today=f"{today:%Y-%m-%d}", yesterday=f"{today - timedelta(days=1):%Y-%m-%d}") for v in VERBS]
        lines = [line for line in lines if not only or line.split()[0] in only.split(",")]
        used: dict[str, list[Ran]] = {line: [] for line in lines}
        shutil.copytree(folder / "data", folder / "kept")
        for _ in range(runs):
            for line in lines:
                used[line].append(command(line, folder))
        for line, ran in used.items():
            key = line.replace("-", " ").replace(str(today.year), "").split("   ")[0]
            figures[f"{_name(key)}_cpu_s"] = round(statistics.median(r.cpu_s for r in ran), 3)
            failed = {r.code: r.out for r in ran if r.code not in (0, 1 if line == "check" else 0)}
            short += [f"warmtally {line} ended with {code}: {out[-200:].strip()}" for code, out in failed.items()]
        over = {k: v for k, v in figures.items() if v is not None and v > limit_s}
        short += [f"{k.removesuffix('_cpu_s')} takes {v:.2f} s of the processor, more than {limit_s:g}" for k, v in over.items()]  # fmt: skip  # noqa: E501
        if used:
            slowest = max(figures.values(), key=lambda v: v or 0.0)
            figures = {"slowest_verb_cpu_s": slowest, "verbs": len(used), "over_limit": len(over)} | figures
        shutil.rmtree(folder / "data")
        shutil.move(folder / "kept", folder / "data")
        figures |= _morning(folder, short)
    return Figures(
        figures,
        short,
        [f"median of {runs} runs, user and system time of the process and its children; {days} days of readings"],
    )


def _name(line: str) -> str:
    words = [w for w in line.split() if not w.isdigit()]
    return "_".join(words[:3]).replace("/", "_")


def _morning(folder: Path, short: list[str]) -> Mapping[str, float | int]:
    """The morning round; what one would look for in each answer must be there."""
    before = _window(folder)
    lines: list[str] = []
    ran: list[Ran] = []
    notice = _number(folder)
    for line in _round(notice):
        lines.append(line)
        ran.append(_must(line, folder))
    if "left-upper" not in ran[0].out:
        short.append("the first look does not say which box needs a hand")
    if f"answer {notice})" not in " ".join(ran[0].out.split()):
        short.append("the first look does not say which number answers it")
    if "before this: " not in ran[1].out:
        short.append("the entry does not say how the window of the sibling moved")
    if _window(folder) == before:
        short.append("the window of the sibling did not move")
    return {
        "morning_commands": len(lines),
        "morning_keys": sum(len(f"warmtally {line}") + 1 for line in lines),
        "morning_cpu_s": round(sum(r.cpu_s for r in ran), 2),
        "morning_s": round(sum(r.wall_s for r in ran), 2),
    }


def _round(notice: int) -> Sequence[str]:
    return [line.format(notice=notice) for line in MORNING]


def _window(folder: Path) -> object:
    return json.loads(_must("forecast K01/left-lower --json", folder).out)[0]["first_pip"]


def _number(folder: Path) -> int:
    """The notice of the box that is too warm."""
    told = json.loads(_must("notices --json", folder).out)["notices"]
    return int(next(n["id"] for n in told if n["kind"] == "too-warm"))
