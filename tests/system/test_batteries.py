"""Batteries on their whole way: from the broker to the store, the notice, the command, the file."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.cli.main import main
from monitor.config.room_file import load
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench.stepped import stepped
from tests.desk import probe, room_text

IN_JSON = {"time_pointer": "/at"}
ROOM = room_text(
    {"top": 140.0},
    probes=[
        probe("top-warmth", "shed/top", box="top", pointer="/value", **IN_JSON),
        probe("top-battery", "shed/top", unit="V", battery_of="top-warmth", low=2.4, pointer="/battery", **IN_JSON),
    ],
)
NOW = 1_800_000_000_000 // HOUR_MS * HOUR_MS


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "room.toml"
    path.write_text(ROOM)
    return path


def aged(folder: Path, days: int, per_day: float, level: float) -> None:
    """A battery's past, a reading each six hours, falling to a level."""
    at = np.arange(NOW - days * DAY_MS, NOW, 6 * HOUR_MS, dtype=np.int64)
    n = len(at)
    values = level + per_day * (NOW - at) / DAY_MS
    with Store(folder) as store:
        store.folding.bulk("top-battery", Columns(at, values, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n))


def test_a_battery_is_stored_told_and_shown_and_is_no_temperature(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    aged(tmp_path / "data", 30, 0.02, 2.42)
    settings = load(file)
    with stepped(settings, tmp_path, NOW) as run:
        for minute in range(8):
            at_ms = NOW + minute * 60_000
            # Not every message tells of the battery.
            more = {"battery": 2.38} if minute % 2 else {}
            told = json.dumps({"at": at_iso(at_ms), "value": 28.0, **more})
            run.publisher.publish("shed/top", told, qos=1)
            run.published += 1 + bool(more)
            run.round(at_ms)
        assert run.app.parts.intake.link().counts.quarantined == 0
        (notice,) = run.notices
        assert (notice.kind, notice.urgency, notice.subjects) == ("battery-low", "later", ("top-battery",))
        assert "2.38 V" in notice.text
        assert "falls by 0.02 V a day" in notice.text
        snapshot = run.app.parts.last.snapshot
        assert snapshot is not None
        assert [p.probe.id for p in snapshot.probes] == ["top-warmth"]
        assert set(snapshot.boxes[0].temperature_c.tolist()) == {28.0}
        counts = run.app.parts.store.readings.counts()
        assert (counts["top-warmth"], counts["top-battery"]) == (8, 124)
    monkeypatch.setattr("monitor.cli.probes.now_ms", lambda: NOW + 8 * 60_000)
    assert main(["probes", "--config", str(file)]) == 0
    out = capsys.readouterr().out
    assert "top-battery" in out
    assert "2.38 V LOW" in out
    assert main(["probes", "--config", str(file), "--json"]) == 0
    (battery,) = json.loads(capsys.readouterr().out)["batteries"]
    assert (battery["battery_of"], battery["unit"], battery["level"]) == ("top-warmth", "V", 2.38)
    assert main(["export", "--config", str(file), "--probe", "top-battery"]) == 0
    assert ",V" in capsys.readouterr().out


def at_iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()
