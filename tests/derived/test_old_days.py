"""Old days as rows of ten minutes, seen from above: what a season, a forecast and a course say after it."""

from __future__ import annotations

import shutil
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Columns
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.readings.corrections import Correction
from monitor.core.terms.times import DAY_MS
from monitor.derived.room import Derived
from tests.desk import Desk
from tests.season_room import DAYS, LAID, NOW, WARMTH_C, at_day, ms, season_desk

AGE = 1100
STEP_MS = 20_000
LATER_MS = ms(NOW) + (AGE + 2) * DAY_MS
BOX = "upper"


def fast(box: str, seed: int) -> Columns:
    """A box that is heard three times a minute: its warmth, noise, a short spike up and one down."""
    rng = np.random.default_rng(seed)
    at = np.arange(ms(LAID), ms(LAID) + DAYS * DAY_MS, STEP_MS) + rng.integers(-500, 500, DAYS * DAY_MS // STEP_MS)
    day = (at - ms(LAID)) / DAY_MS
    value = WARMTH_C[box] + 0.25 * np.sin(2 * np.pi * day) + rng.normal(0.0, 0.03, len(at))
    value[len(at) // 3], value[len(at) // 2] = 31.625, 24.5
    n = len(at)
    return Columns(at, value.round(3), at + 900, np.full(n, 2, np.uint8), np.ones(n, bool), ("",) * n)


@pytest.fixture
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """The invented season with one fast probe, summed up as the service does, and a reading of years later."""
    made = season_desk(tmp_path_factory.mktemp("old"))
    with made.store() as store:
        store.db.connection.execute("DELETE FROM chunk")
        for seed, box in enumerate(WARMTH_C):
            store.folding.bulk(f"{box}-warmth", fast(box, seed), lambda _: None)
            late = np.array([LATER_MS])
            one = Columns(late, np.array([28.0]), late, np.full(1, 2, np.uint8), np.ones(1, bool), ("",))
            store.folding.bulk(f"{box}-warmth", one, lambda _: None)
        while store.folding.pack(LATER_MS):
            pass
    return made


def asked(desk: Desk) -> dict[str, Any]:
    """What is said of the season years later."""
    first, last = (f"{at_day(d):%Y-%m-%d}" for d in (30, 32))
    return {
        "season": desk.took("season 2026 --json").json,
        "course": desk.took(f"course {BOX} --from {first} --to {last} --json").json,
        "forecast": desk.took("forecast --all --json").json,
        "export": desk.took(f"export --probe {BOX}-warmth --from {first} --to {last}").out,
    }


def windows(season: dict[str, Any]) -> list[datetime]:
    """What the forecast said of each lot, by what was known then."""
    told = [t for c in season["clutches"] for x in c["eggs"] for t in x["told"]]
    assert len(told) > 6
    return [datetime.fromisoformat(t[name]) for t in told for name in ("p10", "p50", "p90") if t[name]]


def sums(desk: Desk) -> list[tuple[Any, ...]]:
    with desk.store() as store:
        return store.db.rows("SELECT * FROM part ORDER BY box, model, hour")


def summed_up(desk: Desk) -> None:
    """As the service does once an hour."""
    path = desk.folder / "room.toml"
    settings = load(path, data_dir=str(desk.data))
    with desk.store() as store:
        derived = Derived(store, settings, load_profile)
        derived.hours.refresh(LATER_MS)


def thinned(desk: Desk) -> None:
    settings = load(desk.folder / "room.toml", data_dir=str(desk.data))
    with desk.store() as store:
        edges = Derived(store, settings, load_profile).hours.edges(LATER_MS)
        found = store.thinning.thin(LATER_MS, AGE, 600.0, edges)
        assert found.done
        assert found.days >= len(WARMTH_C) * (DAYS - 1)


def test_what_a_keeper_is_told_of_an_old_season_is_the_same_and_says_what_it_rests_on(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: LATER_MS * 1_000_000)
    summed_up(desk)
    stored, before = sums(desk), asked(desk)
    assert len(stored) > 3 * 60 * 24
    thinned(desk)
    summed_up(desk)
    assert sums(desk) == stored, "to the bit"
    after = asked(desk)
    for old, new in zip(before["season"]["boxes"], after["season"]["boxes"], strict=True):
        assert (new["lowest_c"], new["highest_c"]) == (old["lowest_c"], old["highest_c"])
        assert new["mean_c"] == pytest.approx(old["mean_c"], abs=2e-3)
        assert new["gaps"] == old["gaps"]
        assert new["measured_by"] == "its own probe, old readings as ten-minute means"
        assert old["measured_by"] == "its own probe"
    assert {b["lowest_c"] for b in after["season"]["boxes"]} == {24.5}
    old, new = before["course"], after["course"]
    assert (new["lowest_c"], new["highest_c"]) == (old["lowest_c"], old["highest_c"])
    assert new["measured_by"].endswith("old readings as ten-minute means")
    for was, now in zip(before["forecast"], after["forecast"], strict=True):
        assert any("kept as ten-minute means" in note for note in now["notes"])
        assert {**now, "notes": []} == {**was, "notes": []}, "to the bit"
    first = f"--from {at_day(30):%Y-%m-%d} --to {at_day(32):%Y-%m-%d}"
    assert "old readings as ten-minute means" in desk.took(f"course {BOX} {first}").out
    desk.took(f'season 2026 --html "{desk.folder}/season.html"')
    assert "old readings as ten-minute means" in (desk.folder / "season.html").read_text()
    for c, d in zip(before["season"]["clutches"], after["season"]["clutches"], strict=True):
        assert [{**x, "told": 0} for x in d["eggs"]] == [{**x, "told": 0} for x in c["eggs"]], "to the bit"
    # What was told at moments in between had parts of hours in it, which rest on the means.
    for was, now in zip(windows(before["season"]), windows(after["season"]), strict=True):
        assert abs((now - was).total_seconds()) < 60
    told, single = after["export"].splitlines(), before["export"].splitlines()
    assert len(told) < len(single) / 25
    head = told[0].split(",")
    assert sum(int(row.split(",")[head.index("readings")]) for row in told[1:]) == len(single) - 1


def test_a_correction_told_years_later_sums_old_days_up_anew_from_their_means(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: LATER_MS * 1_000_000)
    summed_up(desk)
    single = Desk(tmp_path / "single")
    shutil.copytree(desk.folder, single.folder)
    thinned(desk)
    for room in (single, desk):
        with room.store() as store:
            found = Correction(f"{BOX}-warmth", ms(at_day(10)), 0.31, 0.05, 0.02, "by hand", LATER_MS)
            store.corrections.tell([found])
        summed_up(room)
    by_single, by_means = (np.array([row[2:] for row in sums(room) if row[0] == BOX]) for room in (single, desk))
    assert len(by_single) > 60 * 24
    assert (by_single[:, 0] == by_means[:, 0]).all()
    # Development, degree-days, integral of temperature and covered seconds of each hour; at both ends of what was heard
    # a mean stands within its ten minutes.
    inner = slice(8, -8)
    assert by_means[inner, 4] == pytest.approx(by_single[inner, 4], abs=1.0)
    assert by_means[inner, 3] / 3600 == pytest.approx(by_single[inner, 3] / 3600, abs=0.02)
    whole = by_single[inner, 1].sum()
    assert by_means[inner, 1].sum() == pytest.approx(whole, abs=2e-5)
