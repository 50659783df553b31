"""What the service costs with a whole day of fast probes behind it, which the first minutes after a start do not show.

The day is written into the store beforehand; then the real command follows the same probes at the same pace. The
hourly summing up falls into the time measured only by chance.
"""

from __future__ import annotations

import contextlib
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.core.terms.events import Flag
from tests.bench import Figures
from tests.bench.footprint import process_facts, service
from tests.bench.process import Beat, Publisher, now_ms
from tests.desk import probe, room_text
from tests.peers import mosquitto

DAY_S = 86_400
MOST_PCT = 3.0
PACES = {"8 probes at 1 a second": (8, 1.0), "1 probe at 6 a second": (1, 6.0), "1 probe at 20 a second": (1, 20.0)}


def _filled(folder: Path, names: list[str], rate_hz: float, days: float) -> None:
    """A day of readings that wander by some hundredths, up to this moment."""
    n = round(days * DAY_S * rate_hz)
    at = now_ms() - 2000 - (np.arange(n, dtype=np.int64)[::-1] * 1000 / rate_hz).astype(np.int64)
    value = np.round(28.0 + 0.3 * np.sin(np.arange(n) * 2 * np.pi / (DAY_S * rate_hz)), 2)
    whole = Columns(at, value, at, np.full(n, int(Flag.GOOD), np.uint8), np.zeros(n, bool), ("",) * n)
    with Store(folder / "data") as store:
        for name in names:
            store.folding.bulk(name, whole)


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
        with Publisher(broker.port) as publisher:

            def send(n: int) -> None:
                for k in range(probes):
                    publisher.publish(f"room/{k}", f"{28.0 + (n % 7) / 100:.2f}")

            with (
                service(folder / "room.toml", folder) as (process, start_s),
                Beat(send, 1.0 / rate_hz),
            ):
                yield process.pid, start_s


def measure(settle_s: float = 30.0, watched_s: float = 60.0, days: float = 1.0) -> Figures:
    """Each pace for itself: so long after the start, for so long, with so many days behind it."""
    figures: dict[str, float] = {}
    short: list[str] = []
    for name, (probes, rate_hz) in PACES.items():
        with _followed(probes, rate_hz, days) as (pid, start_s):
            time.sleep(settle_s)
            before, began = process_facts(pid), time.monotonic()
            time.sleep(watched_s)
            after = process_facts(pid)
            pct = 100 * (after["cpu_s"] - before["cpu_s"]) / (time.monotonic() - began)
        figures |= {
            f"{name}, cpu_pct": pct,
            f"{name}, resident_mb": after["resident_mb"],
            f"{name}, peak_mb": after["peak_mb"],
            f"{name}, start_s": start_s,
        }
        if pct > MOST_PCT:
            short.append(f"{name} take {pct:.1f} % of a core, more than {MOST_PCT:g}")
    return Figures(figures, short, [f"{days:g} days behind each, looked at for {watched_s:g} s after {settle_s:g} s"])
