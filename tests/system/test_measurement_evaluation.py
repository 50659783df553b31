"""The measurement of a whole evaluation, on a small room; and that boxes shared by lots are summed up alike."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.config.library import load_profile
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from tests.bench import evaluation
from tests.core.lots import past_of


def test_a_small_room_is_measured_and_agrees_with_plain_numpy() -> None:
    found = evaluation.measure(lots=8, boxes=8, days=3, interval_s=3600.0)
    assert found.falls_short == []
    assert found.figures["readings"] == 8 * (3 * 24 + 1)
    for way in ("from_scratch", "first_round", "next_round"):
        ratio = found.figures[f"{way}_to_integrals_ratio"]
        assert isinstance(ratio, float)
        assert ratio > 0.0


def test_lots_that_share_a_box_are_summed_up_as_each_alone(tmp_path: Path) -> None:
    """Nothing is in the store yet: whole hours of a box are computed once, whenever the eggs came to it."""
    now = evaluation.START_MS + 9 * DAY_MS + 1_234_567
    with Store(tmp_path / "data", create=True) as store:
        room = evaluation.settings(tmp_path, 1, 1800.0)
        evaluation.fill(store, 0, 1, 10, 1800.0)
        for number, hours in enumerate((0.0, 37.3, 5.5, 100.0)):
            at = evaluation.START_MS + round(hours * HOUR_MS)
            told = {"clutch": f"K{number}", "recorded_ms": at, "eggs": 5}
            store.account.tell(KeeperEvent(EventKind.LAID, at_ms=at, species=evaluation.SPECIES[0], **told))  # type: ignore[arg-type]
            store.account.tell(KeeperEvent(EventKind.SET, at_ms=at, box="box0", **told))  # type: ignore[arg-type]
        together = {x.clutch.id: past_of(x).development for x in Derived(store, room, load_profile).lots(now)}
        alone = {
            name: past_of(Derived(store, room, load_profile).lots(now, clutch=name)[0]).development
            for name in sorted(together)
        }
        assert together == pytest.approx(alone, rel=1e-12)
        Derived(store, room, load_profile).hours.refresh(now)
        summed = {x.clutch.id: past_of(x).development for x in Derived(store, room, load_profile).lots(now)}
        assert summed == pytest.approx(alone, rel=1e-9)
        assert len(set(alone.values())) == 4
