"""Seven real sea-turtle nests, forecast with a profile from published laboratory points only.

The nests: Girondot & Kaska 2014, J. Therm. Biol. 45:96-102; a reading every 90 minutes from laying to the last
one, which is taken as the end (probably emergence rather than hatching). Each nest goes through the whole way a
keeper's box goes: import of a logger's file, a clutch, and forecasts asked for at shares of its duration.
"""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Probe, Room, Settings
from monitor.derived.room import Derived
from tests.bench import Figures
from tests.core.lots import window_of
from tests.peers import shared

START_MS = round(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
DAY_MS = 86_400_000
SPECIES = "caretta-caretta"


def nests() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Nest -> (minutes since the start, temperature in C)."""
    found: dict[str, list[tuple[float, float]]] = {}
    with shared("data", "loggerhead_nests.csv").open() as file:
        for row in csv.DictReader(file):
            found.setdefault(row["nest"], []).append((float(row["minutes_since_start"]), float(row["temperature_c"])))
    return {n: (np.array(r)[:, 0], np.array(r)[:, 1]) for n, r in found.items()}


def settings(folder: Path) -> Settings:
    """One box with one probe, good to half a degree, read every 90 minutes."""
    return Settings(
        room=Room(
            name="nest",
            zone="UTC",
            display_unit="C",
            stacks=("sand",),
            boxes=(Box("nest", "sand", 0.0),),
            probes=(Probe("nest-t", "nest/t", interval_s=5400.0, quiet_after_s=16200.0, box="nest"),),
        ),
        broker=Broker(),
        data_dir=str(folder),
    )


def forecasts(minutes: np.ndarray, temperature_c: np.ndarray, shares: Sequence[float]) -> list[dict[str, float]]:
    """Forecasts of one nest: for each share the error of the middle (days, late is positive), the half-width of
    the 10-90 window, and whether the end lies inside it."""
    at = START_MS + np.round(minutes * 60_000).astype(np.int64)
    end_ms = int(at[-1])
    with tempfile.TemporaryDirectory() as folder, Store(folder) as store:
        n = len(at)
        columns = Columns(at, temperature_c, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
        store.folding.bulk("nest-t", columns)
        told = {"clutch": "N", "recorded_ms": START_MS}
        store.account.tell(KeeperEvent(EventKind.LAID, at_ms=START_MS, species=SPECIES, eggs=1, **told))  # type: ignore[arg-type]
        store.account.tell(KeeperEvent(EventKind.SET, at_ms=START_MS, box="nest", eggs=1, **told))  # type: ignore[arg-type]
        result = []
        for share in shares:
            derived = Derived(store, settings(Path(folder)), load_profile)
            now = START_MS + round(share * (end_ms - START_MS))
            window = window_of(derived.lots(now)[0])
            assert window is not None
            result.append(
                {
                    "error_days": (window.p50_ms - end_ms) / DAY_MS,
                    "half_width_days": (window.p90_ms - window.p10_ms) / 2 / DAY_MS,
                    "inside": float(window.p10_ms <= end_ms <= window.p90_ms),
                }
            )
        return result


SHARES = (0.25, 0.5, 0.75, 0.95)
# Days that the middle may be off by on average at these shares; and, from three quarters on, about what all of them are
# off by: the last reading is probably the emergence, which loggerheads wait some days for (four; from memory, Godfrey &
# Mrosovsky 1997, Chelonian Conserv. Biol. 2:581), and no forecast of a pip can know.
MOST_DAYS = (4.5, 3.5, 2.3, 2.1)
MOST_ABOUT_DAYS = 1.8
LEAST_INSIDE = 5


def measure() -> Figures:
    """Errors, widths and coverage at 25, 50, 75 and 95 % of each nest."""
    figures: dict[str, float] = {}
    short: list[str] = []
    rows = {name: forecasts(*series, SHARES) for name, series in nests().items()}
    for i, share in enumerate(SHARES):
        at = f"at_{round(100 * share)}_pct"
        errors = [rows[n][i]["error_days"] for n in rows]
        figures[f"{at}_mean_absolute_error_days"] = float(np.mean(np.abs(errors)))
        figures[f"{at}_mean_error_days"] = float(np.mean(errors))
        figures[f"{at}_mean_absolute_error_about_their_mean_days"] = float(
            np.mean(np.abs(np.array(errors) - np.mean(errors)))
        )
        figures[f"{at}_ends_inside_10_90"] = float(sum(rows[n][i]["inside"] for n in rows))
        figures[f"{at}_mean_half_width_days"] = float(np.mean([rows[n][i]["half_width_days"] for n in rows]))
        for name in rows:
            figures[f"{at}_{name}_error_days"] = rows[name][i]["error_days"]
        if (off := figures[f"{at}_mean_absolute_error_days"]) > MOST_DAYS[i]:
            short.append(f"{at} the middle is {off:.1f} d off on average, more than {MOST_DAYS[i]:g}")
        about = figures[f"{at}_mean_absolute_error_about_their_mean_days"]
        if share >= 0.75 and about > MOST_ABOUT_DAYS:
            short.append(f"{at} the middle is {about:.1f} d off about the mean error, more than {MOST_ABOUT_DAYS:g}")
        if (inside := figures[f"{at}_ends_inside_10_90"]) < LEAST_INSIDE:
            short.append(f"{at} {inside:.0f} of {len(rows)} ends lie inside the window, fewer than {LEAST_INSIDE}")
    figures["nests"] = len(rows)
    return Figures(figures, short)
