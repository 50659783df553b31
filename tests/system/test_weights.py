"""Weights on their whole way: a scale from the broker to the store and the table, and weighings by hand."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.bench.stepped import stepped
from tests.desk import Desk, probe, room_text

BOXES = {"top": 140.0, "middle": 100.0, "low": 60.0}
ROOM = room_text(
    BOXES,
    probes=[
        probe("top-warmth", "shed/top", box="top", pointer="/value"),
        probe("top-scale", "shed/top", unit="g", box="top", pointer="/grams"),
    ],
)
NOW = 1_800_000_000_000 // DAY_MS * DAY_MS
SET_MS = NOW - 22 * DAY_MS


def tell(folder: Path, *events: tuple[EventKind, int, dict[str, object]]) -> None:
    with Store(folder) as store:
        for kind, at_ms, more in events:
            store.account.tell(KeeperEvent(kind, **{"clutch": "", "at_ms": at_ms, "recorded_ms": at_ms, **more}))  # type: ignore[arg-type]


def eggs_in_each_box(folder: Path) -> None:
    tell(
        folder,
        (EventKind.LAID, SET_MS - HOUR_MS, {"clutch": "K01", "eggs": 9, "species": "elaphe-taeniura"}),
        *((EventKind.SET, SET_MS + i, {"clutch": "K01", "box": box, "eggs": 3}) for i, box in enumerate(BOXES)),
    )


def on_the_scale(folder: Path, grams_a_week: float) -> None:
    """A reading each ten minutes since the eggs were set; of each day an hour with the box off."""
    at = np.arange(SET_MS, NOW, 600_000, dtype=np.int64)
    values = np.round(1020.0 - grams_a_week * (at - SET_MS) / (7 * DAY_MS), 1)
    values[(at // HOUR_MS) % 24 == 9] = 0.0
    n = len(at)
    with Store(folder) as store:
        store.folding.bulk("top-scale", Columns(at, values, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n))


def test_a_scale_weighs_its_box_and_is_no_temperature(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.write(ROOM)
    eggs_in_each_box(desk.data)
    on_the_scale(desk.data, 14.0)
    with stepped(load(tmp_path / "room.toml"), tmp_path, NOW) as run:
        # 999.0 is what some thermometers say for "no probe", and what a box may weigh.
        for minute, grams in enumerate((999.0, 85.0, 999.0, -7.0)):
            run.publisher.publish("shed/top", json.dumps({"value": 28.0, "grams": grams}), qos=1)
            run.published += 2
            run.round(NOW + minute * 60_000)
        snapshot = run.app.parts.last.snapshot
        assert snapshot is not None
        assert [p.probe.id for p in snapshot.probes] == ["top-warmth"]
        assert set(snapshot.boxes[0].temperature_c.tolist()) == {28.0}
        stored = run.app.parts.store.readings.load(["top-scale"], NOW - DAY_MS, NOW + HOUR_MS)["top-scale"]
        assert stored.test[-4:] == ("", "", "", "gross-range")
        (water,) = snapshot.waters
        assert (water.box, water.last and water.last.scale) == ("top", "top-scale")
        assert water.week is not None
        assert abs(water.week.per_week_g - 14.0) < 0.5
        assert run.notices == []


def test_the_table_says_what_to_give_back_and_what_is_unlike(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    desk = Desk(tmp_path)
    desk.write(ROOM)
    monkeypatch.setattr("monitor.cli.weights.now_ms", lambda: NOW)
    eggs_in_each_box(desk.data)
    assert "warmtally record weighed" in desk.does("weights")
    assert desk("weights cellar").code != 0
    on_the_scale(desk.data, 31.0)
    for box, loss in (("middle", 10.0), ("low", 12.0)):
        weights = [
            (EventKind.WEIGHED, SET_MS + HOUR_MS + 7 * w * DAY_MS, {"box": box, "grams": 800.0 - w * loss})
            for w in range(4)
        ]
        tell(desk.data, *weights)
    tell(desk.data, (EventKind.WATERED, SET_MS + 22 * DAY_MS - HOUR_MS, {"box": "low", "grams": 30.0}))
    told = desk.does("weights")
    assert max(map(len, told.splitlines())) <= 100
    assert "scale top-scale of box top: nothing heard" not in told
    found = {row["box"]: row for row in desk.took("weights --json").json}
    assert [found[box]["loss_g_week"] for box in ("middle", "low")] == [10.0, 12.0]
    assert abs(found["top"]["loss_g_week"] - 31.0) < 0.5
    assert (found["middle"]["give_back_ml"], found["low"]["give_back_ml"], found["low"]["weight_g"]) == (30, 6, 794.0)
    assert found["top"]["usual_loss_g_week"] == 11.0
    one = desk.does("weights low")
    assert one.count("by hand") == 4
    assert "watered" in one
    assert "give back 6 ml" in one


def test_what_a_scale_says_days_late_counts_without_a_restart(tmp_path: Path) -> None:
    """Its gateway was away for three days and then sends them: the service says what it would say when started anew."""
    desk = Desk(tmp_path)
    desk.write(ROOM)
    eggs_in_each_box(desk.data)
    settings = load(tmp_path / "room.toml")
    with Store(desk.data) as store:
        weights = Derived(store, settings, load_profile).weights

        def hear(from_ms: int, to_ms: int) -> None:
            times = range(from_ms, to_ms, HOUR_MS // 2)
            store.journal.ingest(
                [Reading("top-scale", at_ms, 1000.0 - (at_ms - SET_MS) / DAY_MS, NOW) for at_ms in times]
            )

        hear(NOW - 9 * DAY_MS, NOW - 4 * DAY_MS)
        hear(NOW - DAY_MS, NOW)
        assert len(weights.now(NOW)[0].weighings) == 6
        hear(NOW - 4 * DAY_MS, NOW - DAY_MS)
        assert len(weights.now(NOW + HOUR_MS)[0].weighings) == 9
        store.folding.fold(NOW + HOUR_MS)
        assert len(weights.now(NOW + 2 * HOUR_MS)[0].weighings) == 9


def test_no_file_of_a_logger_goes_into_a_scale(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.write(ROOM)
    (tmp_path / "logger.csv").write_text("time,value\n2026-05-01 00:00,27.5\n2026-05-01 01:00,27.6\n")
    for more in ("", " --any-probe"):
        refused = desk(
            f"import {tmp_path}/logger.csv --probe top-scale --unit C --time-column time --value-column value{more}"
        )
        assert refused.code != 0
        assert "scale" in refused.err
