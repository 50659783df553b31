"""Each stack's heater from the store: which probe is asked, what is looked at once, and what a keeper is shown."""

from __future__ import annotations

import contextlib
import io
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Store
from monitor.cli.main import main
from monitor.core.readings.belief import Belief
from monitor.core.readings.corrections import StandingCorrections
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Box, Probe, Room, Watch
from monitor.core.terms.times import DAY_MS
from monitor.derived.heaters import NO_AIR, Heaters
from monitor.simulation.room import Act, Action, Heater, SimBox, SimProbe, SimRoom, SimSetting
from tests.desk import probe, room_text

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("heaters")

DAY0 = 20_600
DAYS = 30
NOW = (DAY0 + DAYS) * DAY_MS + 7_200_000
PROBE = Probe("air", "t/air", stack="left", height_cm=100.0)
ROOM = Room(
    "sim",
    "UTC",
    "C",
    ("left", "right"),
    (Box("a", "left", 60.0), Box("b", "right", 60.0)),
    (Probe("a-t", "t/a", box="a"), PROBE, Probe("b-t", "t/b", box="b")),
)
CONFIG = room_text(
    {"a": 60.0},
    name="sim",
    probes=[probe("a-t", "t/a", box="a"), probe("air", "t/air", stack="left", height_cm=100)],
)


BELIEVED = Belief()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty days, every three minutes; the heater loses a per cent of its power each day from the ninth on."""
    made = tmp_path_factory.mktemp("heaters")
    setting = SimSetting(
        boxes=(SimBox("a", 60.0),),
        probes=(SimProbe("air", height_cm=100.0), SimProbe("a-t", box="a")),
        heater=Heater(lift_c=36.0),
    )
    recorded = SimRoom(setting, [Action(9 * 86_400.0, Act.HEATER_FADES, "", 0.01)], seed=2).record(
        DAYS * 86_400.0, 180.0
    )
    at = (DAY0 * DAY_MS + recorded.at_s * 1000).astype(np.int64)
    with Store(made / "data", create=True) as store:
        for probe, values in recorded.values.items():
            told = [Reading(probe, int(t), float(v), int(t), Flag.GOOD) for t, v in zip(at, values, strict=True)]
            store.journal.ingest(told)
        store.folding.fold(NOW)
    return made


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    with Store(folder / "data") as opened:
        yield opened


def test_the_air_probe_of_a_stack_tells_of_its_heater_and_a_stack_without_one_says_so(store: Store) -> None:
    found = Heaters(ROOM).now(store.readings, StandingCorrections(), BELIEVED, NOW)
    assert found["right"].untold == NO_AIR
    left = found["left"]
    assert left.probe == "air"
    assert left.wear is not None
    assert left.wear.weak
    assert left.wear.days == DAYS
    assert left.wear.left == pytest.approx(0.81, abs=0.04)


def test_since_when_it_is_good_begins_a_new_reference_and_days_are_looked_at_once(store: Store) -> None:
    served = replace(ROOM, watch=Watch(heater_since_ms=(DAY0 + 19) * DAY_MS + 43_200_000))
    heaters = Heaters(served)
    found = heaters.now(store.readings, StandingCorrections(), BELIEVED, NOW)["left"].wear
    assert found is not None
    assert found.days == DAYS - 20
    assert found.left > 0.9
    assert heaters.now(store.readings, StandingCorrections(), BELIEVED, NOW + 60_000)["left"].wear is found


def shown(folder: Path, since: str, words: str) -> str:
    (folder / "room.toml").write_text(f"{CONFIG}[watch]\nheater_since = {since}\n")
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main([*words.split(), "--config", str(folder / "room.toml"), "--data", str(folder / "data")]) == 0
    return out.getvalue()


def test_a_keeper_is_shown_the_heaters_strength(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: NOW * 1_000_000)
    day = np.datetime64(DAY0 - 1, "D")
    told = shown(folder, str(day), "stack")
    assert "heater: it warms the air by " in told
    assert "at full power" in told
    (found,) = json.loads(shown(folder, str(day), "stack --json"))
    assert found["heater"]["weak"]
    assert found["heater"]["per_day"]["middle"] == pytest.approx(-0.01, abs=0.003)
