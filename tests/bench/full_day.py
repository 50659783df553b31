"""What the service costs with a whole day of fast probes behind it, which the first minutes after a start do not show.

First a large room: 64 probes, a reading of each every ten seconds, 48 lots, weeks of readings behind it, with the page
and with shipping, by the real command against a real broker and a real database. It may take 100 MB and 1 % of a core.
Then a few probes that are faster than any egg room needs.

The past is written into the store and summed up beforehand; then the command follows the same probes at the same pace.
What is looked at begins once the past is shipped. The hourly summing up falls into the time measured only by chance.
All of it takes seven minutes on a busy computer, ``--part large`` alone two and a half.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.terms.events import Flag
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.bench.footprint import database, loaded, process_facts, service
from tests.bench.page_room import BOXES, EVERY_S, HOST, LargeRoom, middle_c
from tests.bench.process import Beat, Publisher, now_ms
from tests.desk import probe, room_text
from tests.peers import free_port, mosquitto

DAY_S = 86_400
LARGE: Final = "64 probes at 1 in 10 s, 48 lots, page, shipping"
LARGE_PCT: Final = 1.0
LARGE_MB: Final = 100.0
MOST_PCT = 3.0
PACES: Final = {
    "8 probes at 1 a second": (8, 1.0),
    "1 probe at 6 a second": (1, 6.0),
    "1 probe at 20 a second": (1, 20.0),
}
# What ``--part`` chooses; each takes two to three minutes.
PARTS: Final = dict(zip(("large", "8-at-1", "1-at-6", "1-at-20"), (LARGE, *PACES), strict=True))


def _filled(folder: Path, names: list[str], rate_hz: float, days: float) -> None:
    """A day of readings that wander by some hundredths, up to this moment."""
    n = round(days * DAY_S * rate_hz)
    at = now_ms() - 2000 - (np.arange(n, dtype=np.int64)[::-1] * 1000 / rate_hz).astype(np.int64)
    value = np.round(28.0 + 0.3 * np.sin(np.arange(n) * 2 * np.pi / (DAY_S * rate_hz)), 2)
    whole = Columns(at, value, at, np.full(n, int(Flag.GOOD), np.uint8), np.zeros(n, bool), ("",) * n)
    with Store(folder / "data") as store:
        for name in names:
            store.folding.bulk(name, whole)


def _summed_up(folder: Path) -> None:
    """As the service had done it hour by hour: a start that does it all at once is not what is looked at."""
    settings = load(folder / "room.toml", data_dir=folder / "data")
    with Store(settings.data_dir) as store:
        Derived(store, settings, load_profile).hours.refresh(now_ms())


@contextlib.contextmanager
def _followed(probes: int, rate_hz: float, days: float) -> Iterator[tuple[int, float]]:
    """The service's process with its day behind it, and how long its start took (s)."""
    with tempfile.TemporaryDirectory() as name, mosquitto(Path(name) / "broker") as broker:
        folder, boxes = Path(name), {f"box{n}": 30.0 + n for n in range(probes)}
        text = room_text(boxes, probes=[probe(f"p{n}", f"room/{n}", box=f"box{n}", interval=10) for n in range(probes)])
        (folder / "room.toml").write_text(
            text.replace('host = "127.0.0.1"', f'host = "127.0.0.1"\nport = {broker.port}')
        )
        _filled(folder, [f"p{n}" for n in range(probes)], rate_hz, days)
        _summed_up(folder)
        with Publisher(broker.port) as publisher:

            def send(n: int) -> None:
                for k in range(probes):
                    publisher.publish(f"room/{k}", f"{28.0 + (n % 7) / 100:.2f}")

            with (
                service(folder / "room.toml", folder) as (process, start_s),
                Beat(send, 1.0 / rate_hz),
            ):
                yield process.pid, start_s


@contextlib.contextmanager
def _large(days: int) -> Iterator[tuple[int, float]]:
    """The same of the large room."""
    with (
        tempfile.TemporaryDirectory() as name,
        mosquitto(Path(name) / "broker") as broker,
        database(Path(name) / "database") as port,
    ):
        room = LargeRoom(Path(name), broker.port, days)
        room.fill()
        room.sum_up()
        _shipped(room, port)
        with Publisher(broker.port) as publisher:

            def send(n: int) -> None:
                for k in range(BOXES):
                    publisher.publish(f"room/{k}", f"{middle_c(k) + (n % 7) / 100:.2f}")

            config = room.config(free_port(), port)
            with service(config, room.folder) as (process, start_s), Beat(send, EVERY_S):
                yield process.pid, start_s


def _shipped(room: LargeRoom, port: int) -> None:
    """As if its past had been sent to the database long ago."""
    with Store(room.folder / "data") as store:
        store.shipping.begin(f"http://{HOST}:{port} room/readings", room.now_ms)
        with store.db.write() as c:
            c.execute("DELETE FROM ship_hour")


def _looked_at(name: str, watched: tuple[int, float], settle_s: float, watched_s: float) -> dict[str, float]:
    """Its figures: so long after the start, for so long."""
    pid, start_s = watched
    time.sleep(settle_s)
    before, began = process_facts(pid), time.monotonic()
    time.sleep(watched_s)
    after = process_facts(pid)
    return {
        f"{name}, cpu_pct": 100 * (after["cpu_s"] - before["cpu_s"]) / (time.monotonic() - began),
        f"{name}, resident_mb": after["resident_mb"],
        f"{name}, peak_mb": after["peak_mb"],
        f"{name}, start_s": start_s,
    }


def measure(
    settle_s: float = 30.0, watched_s: float = 60.0, days: float = 1.0, large_days: int = 20, part: str = "all"
) -> Figures:
    """The large room with ``large_days`` behind it, then each pace for itself with ``days``; or one ``part`` of PARTS
    alone."""
    if part not in (*PARTS, "all"):
        pytest.fail(f"there is no part {part!r}; there are all, {', '.join(PARTS)}")
    chosen = PARTS.values() if part == "all" else [PARTS[part]]
    figures: dict[str, float] = {}
    short: list[str] = []
    for name in chosen:
        most_pct = LARGE_PCT if name == LARGE else MOST_PCT
        with _large(large_days) if name == LARGE else _followed(*PACES[name], days) as watched:
            figures |= _looked_at(name, watched, settle_s, watched_s)
            short += [f"the service has loaded {library}" for library in loaded(watched[0])]
        pct, peak_mb = figures[f"{name}, cpu_pct"], figures[f"{name}, peak_mb"]
        if pct > most_pct:
            short.append(f"{name} take {pct:.1f} % of a core, more than {most_pct:g}")
        if peak_mb > LARGE_MB:
            short.append(f"{name} take {peak_mb:.0f} MB, more than {LARGE_MB:g}")
    return Figures(
        figures,
        short,
        [
            f"{large_days} and {days:g} days behind them, looked at for {watched_s:g} s after {settle_s:g} s",
            f"processes that wanted to run to each core: {os.getloadavg()[0] / (os.cpu_count() or 1):.1f}",
            "time of the processor: on a busy computer the same work takes up to twice as much of it",
        ],
    )
