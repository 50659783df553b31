"""Calm real rooms through the whole service: every notice that comes, and whether it is true.

Two rooms in which nothing was wrong. A quiet one, six days, about every minute (UCI occupancy detection, Candanedo
and Feldheim 2016): its air stands for a box with a temperature and a humidity probe. And the calm weeks of a heated
one, every ten minutes (IEA EBC Annex 58 twin houses): held at 30 C for nine days, and again five days in September;
its air at 67 and 187 cm stands for two boxes with a clutch. All settings are the usual ones, but for the early
notice, which is asked for, and limits that leave each room as much as a keeper would. What is true of them is read
from the series itself (:func:`truly_uneven`), not from a run.
"""

from __future__ import annotations

import csv
import itertools
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings, Watch
from tests.bench import Figures
from tests.bench.real_input import SPECIES, rows, settings
from tests.bench.stepped import Stepped, stepped
from tests.peers import shared

MINUTE_MS = 60_000
# The early notice is off unless asked for; here it is asked for.
HEADING_S = 7200.0
# Calm spans, each with limits as far from its temperatures as those of eggs would be.
CALM = (
    ("2013-08-21T00:00:00+00:00", "2013-08-29T23:59:00+00:00", Limits(too_warm_c=33.0, too_cool_c=28.0)),
    ("2013-09-15T00:00:00+00:00", "2013-09-19T23:59:00+00:00", Limits(too_warm_c=28.0, too_cool_c=23.0)),
)
# Rounds of the minute room: as often as this, with all readings in between. Every sample is judged in either case; a
# notice comes up to so much later than with a round for each reading, and none is lost.
ROUND_MS = 5 * MINUTE_MS


def quiet_rows() -> list[tuple[int, float, float]]:
    """(time in ms, temperature in C, humidity in per cent) of the quiet room."""
    with shared("data", "room_every_minute.csv").open() as file:
        # The head of the file does not name its first column, the number of the row.
        return [
            (
                round(datetime.fromisoformat(date).replace(tzinfo=UTC).timestamp() * 1000),
                float(temperature_c),
                float(humidity_pct),
            )
            for _, date, temperature_c, humidity_pct, *_ in itertools.islice(csv.reader(file), 1, None)
        ]


def quiet_settings() -> Settings:
    """One box with both probes, and limits as far from the room's 19.0 to 23.2 C as those of eggs would be."""
    probe = Probe("t", "quiet/t", pointer="/value", time_pointer="/at", box="only")
    return Settings(
        room=Room(
            name="quiet room",
            zone="UTC",
            display_unit="C",
            stacks=("table",),
            boxes=(Box("only", "table", 75.0),),
            probes=(probe, replace(probe, id="h", topic="quiet/h", quantity="humidity", unit="%")),
            limits=Limits(too_warm_c=24.5, too_cool_c=18.0, too_dry_pct=15.0, too_damp_pct=60.0),
            watch=Watch(heading_s=HEADING_S),
        ),
        broker=Broker(),
    )


def truly_uneven(published: list[tuple[int, dict[str, float]]], limit_c: float = 1.0) -> bool:
    """Whether the boxes' means over some whole day differ by the limit or more, by a plain reading of the series."""
    at = np.array([a for a, _ in published])
    difference = np.array([v["upper-t"] - v["lower-t"] for _, v in published])
    return any(
        abs(float(difference[(at > end - 86_400_000) & (at <= end)].mean())) >= limit_c for end in at[143::6].tolist()
    )


def measure() -> Figures:
    """Every notice by name; a false one is in ``falls_short``."""
    figures: dict[str, float | str] = {}
    short: list[str] = []
    series = quiet_rows()
    with tempfile.TemporaryDirectory() as name, stepped(quiet_settings(), Path(name), series[0][0]) as run:
        due = series[0][0] + ROUND_MS
        for at_ms, temperature_c, humidity_pct in series:
            run.clock.at_ms = at_ms
            run.publish("quiet/t", at_ms, temperature_c)
            run.publish("quiet/h", at_ms, humidity_pct)
            if at_ms >= due:
                run.round(at_ms)
                due = at_ms + ROUND_MS
        figures |= dict(_told("quiet", run, set(), short))
        figures["quiet_days"] = round((series[-1][0] - series[0][0]) / 86_400_000, 1)
        figures["quiet_suspect_readings"] = _suspects(run)
        if figures["quiet_suspect_readings"]:
            short.append("quiet room: good readings were flagged")
    for i, (a, b, limits) in enumerate(CALM):
        calm = [(at, v) for at, v in rows() if _ms(a) <= at <= _ms(b)]
        given = settings(())
        given = replace(given, room=replace(given.room, limits=limits, watch=Watch(heading_s=HEADING_S)))
        with tempfile.TemporaryDirectory() as name, stepped(given, Path(name), calm[0][0]) as run:
            _set_eggs(run, calm[0][0])
            run.replay(((at, {f"eggroom/{p}": x for p, x in v.items()}) for at, v in calm), 10 * MINUTE_MS)
            label = f"heated_{i + 1}"
            true = {"stack-uneven", "siblings-apart", "calibration-due"} if truly_uneven(calm) else set()
            figures |= dict(_told(label, run, true, short))
            figures[f"{label}_days"] = round((calm[-1][0] - calm[0][0]) / 86_400_000, 1)
            figures[f"{label}_truly_uneven"] = bool(true)
            figures[f"{label}_suspect_readings"] = _suspects(run)
            if figures[f"{label}_suspect_readings"]:
                short.append(f"{label}: good readings were flagged")
    notes = [
        f"the minute room: a round every {ROUND_MS // MINUTE_MS} min of data; the heated one: a round for each row",
        "true: a stack uneven by 1 K or more in a day's mean, dates moved apart by it, probes never compared",
    ]
    return Figures(figures, short, notes)


def _ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def _set_eggs(run: Stepped, at_ms: int) -> None:
    told = {"clutch": "K01", "recorded_ms": at_ms, "at_ms": at_ms}
    run.app.parts.store.account.tell(KeeperEvent(EventKind.LAID, species=SPECIES, eggs=12, **told))  # type: ignore[arg-type]
    for box in ("lower", "upper"):
        run.app.parts.store.account.tell(KeeperEvent(EventKind.SET, box=box, eggs=6, **told))  # type: ignore[arg-type]


def _suspects(run: Stepped) -> int:
    loaded = run.app.parts.store.readings.load([p.id for p in run.app.parts.settings.room.probes], 0, 2**62)
    return sum(int((c.flag > 2).sum()) for c in loaded.values())


def _told(label: str, run: Stepped, true: set[str], short: list[str]) -> Iterator[tuple[str, float | str]]:
    yield f"{label}_notices", len(run.notices)
    for i, notice in enumerate(run.notices):
        at = datetime.fromtimestamp(notice.at_ms / 1000, UTC)
        text = f"{at:%m-%d %H:%M} [{notice.urgency}] {notice.title}: {notice.text.splitlines()[0]}"
        yield f"{label}_notice_{i + 1:02d}", text
        if notice.kind not in true:
            short.append(f"{label}: false notice: {notice.title}")
