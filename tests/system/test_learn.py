"""``warmtally learn`` as a keeper meets it: from readings and looks in the store to a profile that serves."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.cli.main import main
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.development.lots import LotNow
from monitor.core.development.window import PROBE
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from monitor.telling.learned import base_profile
from tests.core.lots import past_of, window_of

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("learn")

SPECIES = "elaphe-carinata"
CURVE = load_profile(SPECIES).curve()
START_MS = round(datetime(2025, 3, 1, tzinfo=UTC).timestamp() * 1000)
LATER = 1.06
ROOM = """
[room]
name = "Shed"
time_zone = "UTC"
[broker]
host = "127.0.0.1"
{profiles}
[[stacks]]
id = "rack"
[[stacks.boxes]]
id = "a"
height_cm = 50
[[stacks.boxes]]
id = "b"
height_cm = 90
[[probes]]
id = "a-t"
topic = "shed/a"
unit = "C"
box = "a"
[[probes]]
id = "b-t"
topic = "shed/b"
unit = "C"
box = "b"
"""


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with 255 days of two boxes at 28.0 and 29.0 C, made once."""
    data = tmp_path_factory.mktemp("readings") / "data"
    with Store(data, create=True) as store:
        at = START_MS + np.arange(0, 255 * 24, dtype=np.int64) * HOUR_MS
        n = len(at)
        for probe, t in (("a-t", 28.0), ("b-t", 29.0)):
            value = t + 0.3 * np.sin(2 * math.pi * np.arange(n) / 24)
            columns = Columns(at, value, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
            store.folding.bulk(probe, columns)
    return data


@pytest.fixture
def folder(readings: Path, tmp_path: Path) -> Path:
    """A room with those readings, in which nothing has been laid yet."""
    (tmp_path / "species").mkdir()
    (tmp_path / "room.toml").write_text(ROOM.format(profiles='[profiles]\ndir = "species"'))
    shutil.copytree(readings, tmp_path / "data")
    return tmp_path


def told(store: Store, kind: EventKind, clutch: str, at_ms: float, **more: object) -> None:
    at = round(at_ms)
    store.account.tell(KeeperEvent(kind, clutch, at_ms=at, recorded_ms=at, **more))  # type: ignore[arg-type]


def finished(folder: Path, name: str, day: float, box: str, later: float = LATER, species: str = SPECIES) -> None:
    """A clutch that pipped so much later than the table says, seen by a look a day; one of its eight eggs never did."""
    t = 28.0 if box == "a" else 29.0
    laid = START_MS + day * DAY_MS
    middle = later / float(CURVE.rate_per_day(t))
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, name, laid, species=species, eggs=8)
        told(store, EventKind.SET, name, laid + HOUR_MS, box=box, eggs=8)
        for offset, eggs in ((-1.0, 2), (0.0, 3), (1.0, 2)):
            by = laid + (math.floor(middle + offset) + 1) * DAY_MS
            told(store, EventKind.PIPPED, name, by, box=box, eggs=eggs, not_yet_at_ms=round(by - DAY_MS))
        told(store, EventKind.HATCHED, name, by + DAY_MS, box=box, eggs=7)
        told(store, EventKind.CANDLED, name, by + 3 * DAY_MS, box=box)


def run(folder: Path, *words: str) -> int:
    return main(["learn", *words, "--config", str(folder / "room.toml"), "--data", str(folder / "data")])


def read(folder: Path, capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, object]]:
    capsys.readouterr()
    assert run(folder, "--json", *words) == 0
    found: list[dict[str, object]] = json.loads(capsys.readouterr().out)
    return found


def lot_of(folder: Path, clutch: str, now_ms: float) -> LotNow:
    """As a command started anew sees it."""
    settings = load(folder / "room.toml", data_dir=str(folder / "data"))
    with Store(folder / "data") as store:
        derived = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))
        return next(lot for lot in derived.lots(round(now_ms)) if lot.clutch.id == clutch)


def test_three_clutches_shift_the_table_and_the_forecast(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, day, box in (("K01", 0, "a"), ("K02", 10, "b"), ("K03", 20, "a")):
        finished(folder, name, day, box)
    laid = START_MS + 200 * DAY_MS
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, "K04", laid, species=SPECIES, eggs=8)
        told(store, EventKind.SET, "K04", laid + HOUR_MS, box="a", eggs=8)
    (found,) = read(folder, capsys)
    assert [c["clutch"] for c in found["clutches"]] == ["K01", "K02", "K03"]  # type: ignore[attr-defined]
    for clutch in found["clutches"]:  # type: ignore[attr-defined]
        assert clutch["shift_log"] == pytest.approx(math.log(LATER), abs=0.012)
    assert 1.02 < found["factor"] < LATER  # type: ignore[operator]
    assert found["error_by_others_days"] < found["error_before_days"]  # type: ignore[operator]
    assert found["applied"] is None
    assert list((folder / "species").iterdir()) == []

    now = laid + 30 * DAY_MS
    before = lot_of(folder, "K04", now)
    assert run(folder, "--species", SPECIES, "--apply") == 0
    after = lot_of(folder, "K04", now)
    assert before.first_pip is not None
    assert after.first_pip is not None
    assert before.past is not None
    assert past_of(after).development == pytest.approx(past_of(before).development / found["factor"], rel=1e-3)  # type: ignore[operator]
    days = 1.0 / float(CURVE.rate_per_day(28.0))
    moved = (window_of(after).p50_ms - window_of(before).p50_ms) / DAY_MS
    assert moved == pytest.approx(days * (found["factor"] - 1.0), abs=0.3)  # type: ignore[operator]
    assert window_of(after).p90_ms - window_of(after).p10_ms < window_of(before).p90_ms - window_of(before).p10_ms


def test_a_running_service_takes_a_learned_profile_up_at_its_next_round_and_lets_go_of_it_again(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    finished(folder, "K01", 0, "a")
    finished(folder, "K02", 10, "b")
    laid = START_MS + 200 * DAY_MS
    now = round(laid + 30 * DAY_MS)
    own = folder / "species" / f"{SPECIES}.toml"
    settings = load(folder / "room.toml", data_dir=str(folder / "data"))
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, "K04", laid, species=SPECIES, eggs=8)
        told(store, EventKind.SET, "K04", laid + HOUR_MS, box="a", eggs=8)
        derived = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))

        def running() -> LotNow:
            """A round: follow, sum up, and look at every lot; and what a service started anew would say."""
            derived.follow(now)
            derived.hours.refresh(now)
            (found,) = (lot for lot in derived.lots(now) if lot.clutch.id == "K04")
            anew = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))
            (fresh,) = (lot for lot in anew.lots(now) if lot.clutch.id == "K04")
            assert past_of(found).development == pytest.approx(past_of(fresh).development, rel=1e-9)
            assert (window_of(found), found.refused) == (window_of(fresh), fresh.refused)
            return found

        before = running()
        assert run(folder, "--species", SPECIES, "--apply") == 0
        after = running()
        assert window_of(after) != window_of(before)
        assert past_of(after).development < past_of(before).development

        learned = own.read_text()
        own.write_text(learned + "days = [")
        # What has a mistake serves on as it was, and the log says so; a service started anew would refuse it.
        derived.follow(now)
        (still,) = (lot for lot in derived.lots(now) if lot.clutch.id == "K04")
        assert window_of(still) == window_of(after)
        assert "has a mistake now and serves on as it was" in caplog.text
        own.write_text(learned)
        assert window_of(running()) == window_of(after)
        assert run(folder, "--species", SPECIES, "--undo") == 0
        assert window_of(running()) == window_of(before)
        own.write_text('scientific_name = "Elaphe carinata"\nstatus = "no-table"\nreason = "no table is believed"\n')
        derived.follow(now)
        (refused,) = (lot for lot in derived.lots(now) if lot.clutch.id == "K04")
        assert refused.first_pip is None
        assert "no table is believed" in refused.refused


def test_learning_again_starts_from_the_published_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    finished(folder, "K01", 0, "a")
    (first,) = read(folder, capsys, "--species", SPECIES, "--apply")
    (second,) = read(folder, capsys, "--species", SPECIES, "--apply")
    assert second["factor"] == first["factor"]
    assert second["rows"] == first["rows"]


def test_what_was_applied_can_be_taken_back_step_by_step(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = folder / "species" / f"{SPECIES}.toml"
    finished(folder, "K01", 0, "a")
    assert run(folder, "--species", SPECIES, "--apply") == 0
    first = own.read_text()
    assert tomllib.loads(first)["spread"]["shared"] < 0.042
    finished(folder, "K02", 10, "b")
    assert run(folder, "--species", SPECIES, "--apply") == 0
    assert own.read_text() != first
    assert (folder / "species" / f"{SPECIES}.toml.1").read_text() == first
    assert run(folder, "--species", SPECIES, "--undo") == 0
    assert own.read_text() == first
    assert run(folder, "--species", SPECIES, "--undo") == 0
    assert not own.exists()
    assert load_profile(SPECIES, folder / "species") == load_profile(SPECIES)
    assert run(folder, "--species", SPECIES, "--undo") == 6
    assert "no learned profile" in capsys.readouterr().err


def test_a_profile_written_by_hand_is_learned_on_and_never_lost(folder: Path) -> None:
    shipped = Path(__file__).parents[2] / "config" / "species" / f"{SPECIES}.toml"
    own = folder / "species" / f"{SPECIES}.toml"
    by_hand = shipped.read_text().replace("days = 74.03", "days = 75.03")
    own.write_text(by_hand)
    finished(folder, "K01", 0, "a")
    assert run(folder, "--species", SPECIES, "--apply") == 0
    assert base_profile(SPECIES, folder / "species").rows[0].days == 75.03
    assert run(folder, "--species", SPECIES, "--apply") == 0
    assert base_profile(SPECIES, folder / "species").rows[0].days == 75.03
    assert run(folder, "--species", SPECIES, "--undo") == 0
    assert run(folder, "--species", SPECIES, "--undo") == 0
    assert own.read_text() == by_hand
    assert run(folder, "--species", SPECIES, "--undo") == 6
    assert own.read_text() == by_hand


def test_a_species_without_a_table_gets_one_from_one_clutch(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "species" / "inventa-exempli.toml").write_text(
        'scientific_name = "Inventa exempli"\nstatus = "no-table"\nreason = "nothing is known"\n'
    )
    finished(folder, "P01", 0, "a", species="inventa-exempli")
    laid = START_MS + 200 * DAY_MS
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, "P02", laid, species="inventa-exempli", eggs=8)
        told(store, EventKind.SET, "P02", laid + HOUR_MS, box="b", eggs=8)
    now = laid + 20 * DAY_MS
    assert lot_of(folder, "P02", now).first_pip is None
    assert run(folder) == 0
    text = capsys.readouterr().out
    assert "taken instead: the usual 15.5 °C" in text
    assert "one clutch cannot be checked against others" in text
    assert run(folder, "--species", "inventa-exempli", "--apply") == 0
    window = window_of(lot_of(folder, "P02", now))
    assert window is not None
    # A degree warmer than the clutch that was learned from; the typical egg, while the window is of the first of eight.
    days = LATER / float(CURVE.rate_per_day(28.0)) * (28.0 - 15.5) / (29.0 - 15.5)
    assert (window.p50_ms - laid) / DAY_MS == pytest.approx(days, rel=0.05)


def test_what_cannot_be_learned_is_told_with_its_reason(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(folder) == 0
    assert "no pip has been recorded yet" in capsys.readouterr().out
    finished(folder, "K01", 0, "a", later=1.5)
    assert run(folder) == 0
    assert "K01: it pipped" in capsys.readouterr().out
    (found,) = read(folder, capsys)
    assert "check when it was laid" in str(found["refused"])
    assert run(folder, "--species", SPECIES, "--apply") == 5
    assert list((folder / "species").iterdir()) == []


def test_no_folder_has_to_be_made_for_what_is_learned(folder: Path) -> None:
    (folder / "room.toml").write_text(ROOM.format(profiles=""))
    finished(folder, "K01", 0, "a")
    laid = START_MS + 200 * DAY_MS
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, "K04", laid, species=SPECIES, eggs=8)
        told(store, EventKind.SET, "K04", laid + HOUR_MS, box="a", eggs=8)
    before = window_of(lot_of(folder, "K04", laid + 30 * DAY_MS))
    assert run(folder) == 0
    assert not (folder / "data" / "species").exists()
    assert run(folder, "--species", SPECIES, "--apply") == 0
    assert (folder / "data" / "species" / f"{SPECIES}.toml").is_file()
    assert window_of(lot_of(folder, "K04", laid + 30 * DAY_MS)).p50_ms > before.p50_ms
    assert run(folder, "--species", SPECIES, "--undo") == 0
    assert window_of(lot_of(folder, "K04", laid + 30 * DAY_MS)) == before


def test_after_six_clutches_behind_one_probe_its_error_is_out_of_the_window_and_of_no_other(folder: Path) -> None:
    """The probe is good to 0.29 C, which no further clutch can tell from how this house's eggs are; another's stays."""
    for i in range(6):
        finished(folder, f"K0{i + 1}", 20 * i, "a", later=LATER + (0.02, -0.02, 0.01, -0.01, 0.015, -0.015)[i])
    laid = START_MS + 200 * DAY_MS
    with Store(folder / "data") as store:
        for name, box in (("K07", "a"), ("K08", "b")):
            told(store, EventKind.LAID, name, laid, species=SPECIES, eggs=8)
            told(store, EventKind.SET, name, laid + HOUR_MS, box=box, eggs=8)

    def widths() -> list[float]:
        found = [window_of(lot_of(folder, name, laid + 35 * DAY_MS)) for name in ("K07", "K08")]
        return [(one.p90_ms - one.p10_ms) / DAY_MS for one in found]

    def probes() -> list[float]:
        causes = [window_of(lot_of(folder, name, laid + 35 * DAY_MS)).causes for name in ("K07", "K08")]
        return [next(cause.days for cause in those if cause.name == PROBE) for those in causes]

    before, of_probes = widths(), probes()
    assert run(folder, "--species", SPECIES, "--apply") == 0
    after, of_probes_after = widths(), probes()
    assert after[0] < 0.76 * before[0]
    assert after[1] > after[0]
    # A probe may have moved by 0.1 C since; the other one is as unsure as ever.
    assert of_probes_after[0] < 0.5 * of_probes[0]
    assert of_probes_after[1] > of_probes[1]


def test_clutches_that_say_little_or_nothing_are_named_with_why(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    finished(folder, "K01", 0, "a")
    finished(folder, "K02", 10, "b")
    laid = START_MS + 20 * DAY_MS
    middle = LATER / float(CURVE.rate_per_day(28.0))
    with Store(folder / "data") as store:
        told(store, EventKind.LAID, "K03", laid, species=SPECIES, eggs=8)
        told(store, EventKind.SET, "K03", laid + HOUR_MS, box="a", eggs=8)
        by = laid + (middle + 5.0) * DAY_MS
        told(store, EventKind.PIPPED, "K03", by, box="a", eggs=7, not_yet_at_ms=round(by - 10 * DAY_MS))
        told(store, EventKind.HATCHED, "K03", by + DAY_MS, box="a", eggs=7)
        for name in ("K04", "K05"):
            told(store, EventKind.LAID, name, laid + 150 * DAY_MS, species=SPECIES, eggs=8)
            told(store, EventKind.SET, name, laid + 150 * DAY_MS + HOUR_MS, box="b", eggs=8)
    assert run(folder) == 0
    text = capsys.readouterr().out
    assert "times as much as the surest: its looks lay 10 days apart" in text
    assert "left out: K04, K05: nothing has pipped yet" in text
    thin = ("cannot be told from 3: anything from nothing to", "differ less than looks and eggs alone")
    assert any(x in text for x in thin)
    assert "0.0 %" not in text
    (found,) = read(folder, capsys)
    assert [c["weighed_down_because"] is None for c in found["clutches"]] == [True, True, False]  # type: ignore[attr-defined]
    assert {row["clutch"] for row in found["left_out"]} == {"K04", "K05"}  # type: ignore[attr-defined]


def test_undo_needs_a_species_and_goes_alone(folder: Path) -> None:
    assert run(folder, "--undo") == 2
    assert run(folder, "--undo", "--apply", "--species", SPECIES) == 2
