"""A real room with labelled trouble, in Fahrenheit, through the whole service: when each is told, and what else.

An office's air, hourly, with nine silences (Numenta Anomaly Benchmark, ambient_temperature_system_failure), as one
probe that speaks Fahrenheit. Limits as a keeper of that room would set them: 62 and 80 F, for two hours. The labels
say when the air conditioning was out of order; they are other people's judgement of the series, and much of it is no
matter of limits.
"""

from __future__ import annotations

import csv
import tempfile
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings
from tests.bench import Figures
from tests.bench.stepped import stepped
from tests.peers import shared

HOUR_MS = 3_600_000
WINDOWS = (("2013-12-15T07:00", "2013-12-30T09:00"), ("2014-03-29T15:00", "2014-04-20T22:00"))
# Silences of more than two hours, counted in the series by itself.
QUIET_AFTER_S = 7200.0
LATEST_HOURS = 15 * 24.0


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def rows() -> list[tuple[int, float]]:
    """(time in ms, degrees Fahrenheit)."""
    with shared("data", "ambient_temperature_system_failure.csv").open() as file:
        return [(ms(row["timestamp"]), float(row["value"])) for row in csv.DictReader(file)]


def settings() -> Settings:
    probe = Probe(
        "air",
        "office/air",
        unit="F",
        pointer="/value",
        time_pointer="/at",
        interval_s=3600.0,
        box="office",
        quiet_after_s=QUIET_AFTER_S,
    )
    limits = Limits(
        too_warm_c=(80 - 32) / 1.8,
        too_cool_c=(62 - 32) / 1.8,
        deadband_c=1 / 1.8,
        on_delay_s=7200.0,
        off_delay_s=7200.0,
        max_gap_s=10800.0,
    )
    room = Room("office", "UTC", "F", ("office",), (Box("office", "office", 100.0),), (probe,), limits)
    return Settings(room=room, broker=Broker())


def measure() -> Figures:
    """Hours from the start of each window to the first notice in it; every notice outside of them; silences told."""
    series = rows()
    short: list[str] = []
    figures: dict[str, float | int | str] = {"rows": len(series)}
    with tempfile.TemporaryDirectory() as name, stepped(settings(), Path(name), series[0][0]) as run:
        run.replay(((at, {"office/air": f}) for at, f in series), HOUR_MS)
        told = [n for n in run.notices if n.change == "raised"]
        flagged = run.app.parts.store.readings.load(["air"], 0, 2**62)["air"].flag
    figures["readings_suspect"] = int((flagged > 2).sum())
    windows = [(ms(a), ms(b)) for a, b in WINDOWS]
    for i, (a, b) in enumerate(windows):
        inside = [n for n in told if a <= n.at_ms <= b and n.kind != "room-quiet"]
        figures[f"window_{i + 1}_notices"] = len(inside)
        hours = (inside[0].at_ms - a) / HOUR_MS if inside else None
        if hours is not None:
            figures[f"window_{i + 1}_first_after_h"] = hours
        if hours is None or hours > LATEST_HOURS:
            short.append(f"window {i + 1}: nothing was told within {LATEST_HOURS / 24:.0f} days of its start")
    gaps = sum(b - a > QUIET_AFTER_S * 1000 for (a, _), (b, _) in pairwise(series))
    figures["silences"] = gaps
    figures["silences_told"] = sum(n.kind == "room-quiet" for n in told)
    if figures["silences_told"] != gaps:
        short.append(f"{figures['silences_told']} silences told, there are {gaps}")
    outside = [n for n in told if n.kind != "room-quiet" and not any(a <= n.at_ms <= b for a, b in windows)]
    figures["notices_outside"] = len(outside)
    for n in [n for n in told if n.kind != "room-quiet"]:
        at = datetime.fromtimestamp(n.at_ms / 1000, UTC)
        where = "outside" if n in outside else "inside"
        line = f"[{n.urgency}] {n.title}: {n.text.splitlines()[0]}"
        figures[f"{where}_{at:%Y-%m-%d_%H:%M}_{n.kind}"] = line
        if n.kind not in ("too-warm", "too-cool", "heading", "harm-near", "harm-reached"):
            short.append(f"unexpected: {n.title} on {at:%Y-%m-%d}")
    # What lies beyond the limits for two hours must be told, wherever it lies: by the plain series.
    figures["spells_beyond_limits"] = spells(series)
    told_limits = sum(n.kind in ("too-warm", "too-cool") for n in told)
    if told_limits != figures["spells_beyond_limits"]:
        short.append(f"{told_limits} spells told, {figures['spells_beyond_limits']} are there")
    notes = [
        "a spell: two hours at or beyond 62 or 80 F, ended by two hours back by more than 1 F; no gap over three hours"
    ]
    return Figures(figures, short, notes)


def spells(series: list[tuple[int, float]]) -> int:
    """Times that the temperature was beyond a limit for two hours, by a plain reading of the series."""
    count = 0
    for sign, limit in ((1.0, 80.0), (-1.0, 62.0)):
        up, beyond, back, last = False, None, None, None
        for at, f in series:
            if last is not None and at - last > 3 * HOUR_MS:
                beyond = back = None
            last = at
            past, returned = sign * (f - limit) >= 0.0, sign * (limit - f) > 1.0
            beyond = (beyond or at) if past else None
            back = (back or at) if returned else None
            if not up and beyond is not None and at - beyond >= 2 * HOUR_MS:
                up, count = True, count + 1
            elif up and back is not None and at - back >= 2 * HOUR_MS:
                up = False
    return count
