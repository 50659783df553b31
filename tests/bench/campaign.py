"""The long campaign: faults by draw, one to three at once, and what is lost, doubled, missing or not told after them.

Rooms, one after the other, of some dozens of faults each: the real command under what stands in for the service
manager, a real broker, two receivers of notices, a store on a small disk of its own. Every fault is drawn by seed:
kills at each named crash point and at random moments, the broker, the line, the disk, the clock, the probes, the
receivers, memory. Some rooms begin in a night in which the clocks change. After each draw the service must be back by
itself; at the end of a room each acknowledged reading must be stored once and each notice told.
"""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import subprocess
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from tests.bench import Figures
from tests.bench.campaign_faults import CLOCK, GARBAGE, UNREAD, Kind, NotHere, kinds, play
from tests.bench.campaign_room import CampaignRoom, campaign_room
from tests.bench.process import now_ms
from tests.peers import MOMENT_S, PROJECT

A_ROOM: Final = 40
"""So many faults a room."""
AT_ONCE: Final = ((1, 0.4), (2, 0.35), (3, 0.25))
BACK_S: Final = 3 * MOMENT_S
"""Who is not back by then is not back by itself."""
NIGHTS: Final = {
    "night in which clocks go forward": ("2027-03-28T01:59:35+01:00", "03:00"),
    "night in which clocks go back": ("2026-10-25T02:59:35+02:00", "02:00"),
}
"""When the room's clock begins, 25 s before the change, and when its daily line is due: at the change itself."""
APART: Final = ("unshare", "-m") if os.geteuid() == 0 and shutil.which("unshare") else ()
"""The small disk of a room is seen by that room alone, and gone with it however it ends."""
ZONE: Final = "Europe/Vienna"
SHORTAGE: Final = re.compile(
    r"^([\w.]*MemoryError|RuntimeError: can't start new thread|OSError: \[Errno (24|12)\])", re.MULTILINE
)
"""How a traceback ends that says that a process may have no more."""
A_NIGHT: Final = 0.25
"""How likely a room begins in such a night."""


@dataclass
class Found:
    """What a room or all of them came to. ``longest_s``: kind -> the longest until the service was back."""

    drawn: Counter[str] = field(default_factory=Counter)
    longest_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    sums: Counter[str] = field(default_factory=Counter)
    short: list[str] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    raised: Counter[str] = field(default_factory=Counter)

    def add(self, other: Found) -> None:
        for name in ("drawn", "sums", "left_out", "raised"):
            getattr(self, name).update(getattr(other, name))
        self.short += other.short
        for kind, seconds in other.longest_s.items():
            self.longest_s[kind] = max(self.longest_s[kind], seconds)

    def as_json(self) -> str:
        return json.dumps(vars(self))

    @classmethod
    def of_json(cls, text: str) -> Found:
        told = json.loads(text)
        counters = {name: Counter(told[name]) for name in ("drawn", "sums", "left_out", "raised")}
        return cls(**counters, short=told["short"], longest_s=defaultdict(float, told["longest_s"]))


def draw(dice: random.Random, most: int) -> list[Kind]:
    """Faults that happen at once: of one group at most one, and those of the group "alone" by themselves."""
    many = min(most, dice.choices([n for n, _ in AT_ONCE], [w for _, w in AT_ONCE])[0])
    every = kinds()
    first = dice.choices(every, [k.often for k in every])[0]
    chosen = [first]
    while len(chosen) < many and first.group != "alone":
        kind = dice.choices(every, [k.often for k in every])[0]
        if kind.group not in {"alone", *(k.group for k in chosen)}:
            chosen.append(kind)
    return chosen


def one_room(number: int, seed: int, faults: int) -> Found:
    """The faults of one room, and its account."""
    dice = random.Random(f"{seed}/{number}")
    found = Found()
    night = dice.choice(sorted(NIGHTS)) if dice.random() < A_NIGHT else None
    off_ms, zone = 0, None
    if night is not None:
        begins, due = NIGHTS[night]
        off_ms, zone = round(datetime.fromisoformat(begins).timestamp() * 1000) - now_ms(), (ZONE, due)
        found.drawn[night] += 1
        faults -= 1
    with campaign_room(boxes=max(2, faults // 3), off_ms=off_ms, zone=zone) as r:
        seen = 0
        may: frozenset[str] = frozenset()
        with r.sending():
            while (left := faults - sum(found.drawn.values()) + (night is not None)) > 0:
                chosen = draw(dice, left)
                seen, may = _episode(r, chosen, dice, found, seen, may)
            if night is not None:
                _until_after(r, night)
        figures, short = r.account()
        lines = figures.pop("daily lines")
        if not r.clock_sets and lines != (night is not None):
            short.append(f"{lines:.0f} daily lines")
        found.sums.update({name: value for name, value in figures.items() if name != "development"})
        found.sums.update(silent=r.kept.silent, rooms=1, troubles=sum(r.trouble.wanted.values()))
        short += _traces(r)
        found.short += [f"room {number} of seed {seed}: {text}" for text in short]
        if short:
            _keep_log(r, number, seed)
    return found


def _episode(
    r: CampaignRoom, chosen: Sequence[Kind], dice: random.Random, found: Found, seen: int, before: frozenset[str]
) -> tuple[int, frozenset[str]]:
    """Some faults at once, and that the service is back after them; how many changes were seen, what may come late."""
    names = " + ".join(kind.name for kind in chosen)
    if "CAMPAIGN_LOGS" in os.environ:
        with r.run.log_file.open("a") as log:
            log.write(f"==== {names}\n")
    trouble: list[str] = []
    left: list[str] = []

    def one(kind: Kind, own: random.Random, after_s: float) -> None:
        try:
            play(kind, r, own, after_s)
        except NotHere as reason:
            left.append(f"{kind.name}: {reason}")
        except Exception as error:
            trouble.append(f"{kind.name}: {type(error).__name__}: {error}")

    threads = [
        threading.Thread(target=one, args=(kind, random.Random(dice.random()), dice.uniform(0.0, 1.0) if n else 0.0))
        for n, kind in enumerate(chosen)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found.left_out.update(left)
    found.drawn.update(k.name for k in chosen if not any(text.startswith(f"{k.name}:") for text in left))
    if trouble:
        found.short.append(f"the measurement itself failed: {'; '.join(trouble)}")
    seconds = r.recovered(BACK_S)
    if seconds is None or r.kept.final is not None:
        codes = dict(r.kept.codes)
        found.short.append(f"not back by itself after {names} (exit codes {codes}): {r.run.log()[-800:]}")
        r.kept.kill()
        r.kept.release()
        r.recovered(BACK_S)
    else:
        for kind in chosen:
            found.longest_s[kind.name] = max(found.longest_s[kind.name], seconds)
    return _unexpected(r, chosen, found, seen, before)


def _unexpected(
    r: CampaignRoom, chosen: Sequence[Kind], found: Found, seen: int, before: frozenset[str]
) -> tuple[int, frozenset[str]]:
    """Conditions that were raised and that none of these faults, nor those just before, may raise."""
    may = frozenset().union(*(kind.may for kind in chosen))
    if r.clock_sets:
        # A service that was started by a wrong clock mistrusts the right one, as long as it must.
        may |= CLOCK
    # What nobody can read is told once nothing else has come of the probe for a while, whatever happens by then.
    may |= UNREAD if found.drawn[GARBAGE] else frozenset()
    history = r.history()
    if history is None:
        return seen, before | may
    # A store that was put back knows less than was seen.
    for t in history[min(seen, len(history)) :]:
        if t.change == "raised":
            found.raised[t.kind] += 1
            if t.kind not in may | before and (t.kind, t.change) not in r.trouble.wanted:
                names = " + ".join(kind.name for kind in chosen)
                found.short.append(f"unexpected: {t.kind} {t.subject} after {names}")
                found.sums["unexpected"] += 1
    return len(history), may


def _until_after(r: CampaignRoom, night: str) -> None:
    """On until the clocks have changed and the daily line had its time."""
    begins = datetime.fromisoformat(NIGHTS[night][0])
    while (r.now_ms() / 1000.0) - begins.timestamp() < 40.0:
        time.sleep(0.2)


def _traces(r: CampaignRoom) -> list[str]:
    """Mistakes of ours, as the log shows them; but for those of a process that had no memory or no handles left."""
    found = r.run.log().split("Traceback (most recent call last):")[1:]
    return [f"a traceback: {text[:1500]}" for text in found if not SHORTAGE.search(text[:6000])][:3]


def _keep_log(r: CampaignRoom, number: int, seed: int) -> None:
    if (place := os.environ.get("CAMPAIGN_LOGS")) is not None:
        with open(f"{place}/room-{seed}-{number}.log", "w", encoding="utf-8") as file:  # noqa: PTH123
            file.write(r.run.log())


# -- all rooms --------------------------------------------------------------------------------------------------


def _rooms(faults: int) -> Iterator[tuple[int, int]]:
    """Each room's number and its faults."""
    for number in range(-(-faults // A_ROOM)):
        yield number, min(A_ROOM, faults - number * A_ROOM)


def _lane(work: Iterator[tuple[int, int]], lock: threading.Lock, seed: int, whole: Found) -> None:
    """Rooms one after the other, each in a process of its own."""
    while True:
        with lock:
            room = next(work, None)
        if room is None:
            return
        command = [*APART, sys.executable, "-m", "tests.bench.campaign", str(room[0]), str(seed), str(room[1])]
        done = subprocess.run(command, cwd=PROJECT, capture_output=True, text=True, check=False)
        with lock:
            before = len(whole.short)
            if done.returncode == 0:
                whole.add(Found.of_json(done.stdout.splitlines()[-1]))
            else:
                whole.short.append(f"room {room[0]} of seed {seed} could not be measured: {done.stderr[-1500:]}")
            print(
                f"{time.strftime('%H:%M:%S')} room {room[0]}, {sum(whole.drawn.values())} faults so far",
                *(f"  {text}" for text in whole.short[before:]),
                sep="\n",
                file=sys.stderr,
                flush=True,
            )


def measure(faults: int = 1000, seed: int = 1, lanes: int = 2) -> Figures:
    """So many faults, in so many rooms at the same time."""
    whole, lock, work = Found(), threading.Lock(), _rooms(faults)
    began = time.monotonic()
    threads = [threading.Thread(target=_lane, args=(work, lock, seed, whole)) for _ in range(lanes)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    made = sum(whole.drawn.values())
    figures: dict[str, float | int | str | bool | None] = {"faults": made}
    figures |= dict(whole.sums)
    figures["unexpected"] = whole.sums["unexpected"]
    figures["longest_recovery_s"] = max(whole.longest_s.values(), default=0.0)
    for name, n in sorted(whole.drawn.items()):
        longest = f", back after {whole.longest_s[name]:.1f} s at most" if name in whole.longest_s else ""
        figures[f"kind: {name}"] = f"{n}{longest}"
    figures |= {f"raised: {kind}": n for kind, n in sorted(whole.raised.items())}
    short = whole.short
    if made < faults:
        short.append(f"only {made} faults of {faults} could be made")
    notes = [f"left out {n} times: {text}" for text, n in sorted(whole.left_out.items())]
    notes.append(f"seed {seed}, {lanes} rooms at a time, {(time.monotonic() - began) / 60:.0f} min")
    return Figures(figures, short, notes)


if __name__ == "__main__":
    print(one_room(*map(int, sys.argv[1:4])).as_json())
