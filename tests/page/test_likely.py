"""What is likely to be entered of a box: by what lies in it, and how far that is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.development.lots import LotNow
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.events import PipSeen
from monitor.core.terms.times import DAY_MS
from monitor.page.likely import likely_entries
from monitor.page.texts import saying
from tests.page.rooms import ShownRoom

SAY = saying("en")


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    """Its eggs are about to pip."""
    found = ShownRoom.small(tmp_path_factory.mktemp("room")).latest.snapshot
    assert found is not None
    return found


def box(snapshot: Snapshot) -> BoxNow:
    return next(b for b in snapshot.boxes if b.box.id == "left-upper")


def with_lot(snapshot: Snapshot, **changes: object) -> Snapshot:
    """With the eggs in the box changed."""
    lots = tuple(
        replace(x, lot=replace(x.lot, **changes)) if x.lot.box == "left-upper" else x  # type: ignore[arg-type]
        for x in snapshot.lots
    )
    return replace(snapshot, lots=lots)


def kinds(snapshot: Snapshot) -> list[str]:
    return [x.kind.value for x in likely_entries(box(snapshot), snapshot, SAY)]


def test_before_the_window_and_after_the_first_pip(snapshot: Snapshot) -> None:
    assert kinds(snapshot) == ["looked", "pipped", "dead"]
    pips = (PipSeen(None, snapshot.now_ms, 2),)
    assert kinds(with_lot(snapshot, pips=pips)) == ["looked", "pipped", "hatched"]
    everyone = (PipSeen(None, snapshot.now_ms, 6),)
    assert kinds(with_lot(snapshot, pips=everyone)) == ["hatched", "dead"]


def test_long_before_the_window_eggs_are_candled_and_boxes_weighed(snapshot: Snapshot) -> None:
    def early(x: LotNow) -> LotNow:
        assert x.past is not None
        assert x.first_pip is not None
        window = replace(x.first_pip.window, p10_ms=snapshot.now_ms + 20 * DAY_MS)
        return replace(x, past=replace(x.past, development=0.4), first_pip=replace(x.first_pip, window=window))

    young = replace(snapshot, lots=tuple(early(x) for x in snapshot.lots))
    assert kinds(young) == ["looked", "candled", "weighed"]


def test_into_an_empty_box_eggs_are_set(snapshot: Snapshot) -> None:
    assert kinds(replace(snapshot, lots=())) == ["set", "weighed"]


def test_of_eggs_without_a_date_pips_are_likely_when_nothing_says_they_are_young(snapshot: Snapshot) -> None:
    undated = tuple(replace(x, first_pip=None, past=None) for x in snapshot.lots)
    assert kinds(replace(snapshot, lots=undated)) == ["looked", "pipped", "dead"]


def test_only_a_look_is_told_at_once(snapshot: Snapshot) -> None:
    found = likely_entries(box(snapshot), snapshot, SAY)
    assert [(x.tells, x.href) for x in found] == [
        (True, "/box/left-upper/enter/looked"),
        (False, "/box/left-upper/enter/pipped"),
        (False, "/box/left-upper/enter/dead"),
    ]
    assert found[0].waits == "looked in left-upper"
