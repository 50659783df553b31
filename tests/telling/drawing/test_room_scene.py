"""What the picture of the room shows is what the round knows: ages, trends, profiles, windows, and who is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.core.climate.stacks import Level, StackProfile
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.events import PipSeen
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.page.texts import saying
from monitor.simulation.scenes import AT, HOURS, NOW, Names, Scene
from monitor.telling.drawing.room_scene import RoomScene, room_scene, shown_lots, trend_c
from monitor.telling.drawing.room_words import SceneWords, table_room

SAY = saying("en")


def snapshot(**more: object) -> Snapshot:
    return replace(Scene().snapshot(), **more)  # type: ignore[arg-type]


def with_eggs() -> Snapshot:
    """The room of the notices in which four clutches lie in two boxes, the last of them half out in the lower one."""
    return next(s for s in Scene().all() if len(s.lots) == 8)


def test_boxes_stand_from_the_uppermost_down_by_stack() -> None:
    scene = room_scene(Scene(Names(("a", "b", "c"))).snapshot())
    assert [b.id for b in scene.boxes] == ["c", "b", "a"]
    assert [b.height_cm for b in scene.boxes] == [80.0, 60.0, 40.0]
    assert scene.boxes[0].half_c == pytest.approx(0.58)


def test_what_is_older_than_due_has_its_age_and_what_is_too_old_is_not_of_now() -> None:
    here = snapshot()
    first = here.boxes[0]
    late = replace(first, time_ms=AT - 12 * MINUTE_MS)
    silent = replace(first, time_ms=AT - 3 * HOUR_MS)
    days = replace(first, time_ms=AT - 30 * HOUR_MS)
    months = replace(first, time_ms=AT - 40 * DAY_MS)
    never = replace(first, time_ms=AT[:0], temperature_c=first.temperature_c[:0])

    def shown(box: object) -> tuple[float | None, str, str]:
        x = room_scene(replace(here, boxes=(box,))).boxes[0]  # type: ignore[arg-type]
        return None if x.now_c is None else round(x.now_c, 1), x.age, x.last

    assert shown(first) == (28.0, "", "03:40")
    assert shown(late) == (28.0, "12 min ago", "03:28")
    assert shown(silent) == (None, "", "00:40")
    assert shown(days) == (None, "", "Wed 21:40")
    assert shown(months) == (None, "", "3 May")
    assert shown(never) == (None, "", "")
    unread = room_scene(replace(here, boxes=(never,)))
    assert SceneWords(unread, SAY).now(unread.boxes[0]) == "no reading"
    quiet = room_scene(replace(here, boxes=(silent,)))
    assert SceneWords(quiet, SAY).now(quiet.boxes[0]) == "no reading, last 00:40: 28.0 °C"


def test_the_trend_is_that_of_the_last_hours_and_a_swing_is_none() -> None:
    flat = np.full(len(AT), 28.0)
    assert trend_c(AT, flat, NOW) == 0.0
    assert trend_c(AT, flat + 0.1 * HOURS, NOW) == pytest.approx(0.3, abs=0.01)
    assert trend_c(AT, flat - 0.2 * HOURS, NOW) == pytest.approx(-0.6, abs=0.01)
    assert trend_c(AT, flat + 0.1 * np.sin(20 * HOURS), NOW) == 0.0
    # What was before the last three hours counts for nothing, and a few readings are not enough.
    assert trend_c(AT, np.where(HOURS < -3.1, 20.0, 28.0), NOW) == 0.0
    assert trend_c(AT[-4:], flat[-4:], NOW) is None
    assert trend_c(AT - DAY_MS, flat, NOW) is None
    assert trend_c(AT[:0], flat[:0], NOW) is None


def test_the_mean_of_the_day_is_that_of_the_stacks_profile() -> None:
    levels = (Level("box lower", 40.0, 27.4, 0.1, True), Level("box upper", 60.0, 28.3, 0.1, True))
    profile = StackProfile("left", levels, 0.9, 0.2, 4.5, "box upper", "box lower", NOW - DAY_MS, NOW, 24)
    scene = room_scene(snapshot(stacks=(profile,)))
    assert [b.day_c for b in scene.boxes] == [28.3, 27.4]
    assert SceneWords(scene, SAY).difference(scene.stacks[0]) == (
        "upper 0.9 ± 0.4 °C warmer than lower, last day",
        "0.9 ± 0.4 °C apart, last day",
    )
    bare = room_scene(snapshot())
    assert SceneWords(bare, SAY).difference(bare.stacks[0]) == ("",)


def _of(scene: RoomScene, lot: str) -> object:
    return next(x for x in scene.eggs if x.lot == lot)


def test_eggs_are_expected_late_or_pipping_by_what_the_round_says() -> None:
    scene = room_scene(with_eggs())
    states = {x.lot: x.state for x in scene.eggs}
    assert states["K01a/lower"] == "expected"
    assert states["K01b/lower"] == "expected"
    assert states["K01c/lower"] == "late"
    assert states["K01d/lower"] == "pipping"
    late = next(x for x in scene.eggs if x.lot == "K01c/lower")
    assert late.missed == late.window
    told = SceneWords(scene, SAY)
    assert told.headline(late) == "was due 13 to 17 May"
    pipping = next(x for x in scene.eggs if x.lot == "K01d/lower")
    assert told.headline(pipping) == "2 pipped, 3 still"
    assert pipping.pips == ((NOW - 3 * DAY_MS, 2),)


def test_what_is_done_stays_while_its_clutch_lies_somewhere_and_a_few_days_more() -> None:
    lots = with_eggs().lots
    done = next(x for x in lots if x.lot.id == "K01d/lower")
    out = replace(done, lot=replace(done.lot, closed_ms=NOW - 20 * DAY_MS, hatched=5))
    others = [x for x in lots if x.clutch.id != "K01d"]
    sibling = next(x for x in lots if x.lot.id == "K01d/upper")

    def ids(*more: object) -> set[str]:
        return {x.lot.id for x in shown_lots([*others, *more], NOW)}  # type: ignore[list-item]

    assert "K01d/lower" in ids(out, sibling)
    assert "K01d/lower" not in ids(out)
    fresh = replace(out, lot=replace(out.lot, closed_ms=NOW - DAY_MS))
    assert "K01d/lower" in ids(fresh)
    assert "K01d/lower" not in ids(replace(fresh, lot=replace(fresh.lot, moved_on=True)))
    failed = replace(fresh, lot=replace(fresh.lot, pips=(), hatched=0))
    assert "K01d/lower" not in ids(failed)


def test_eggs_whose_box_the_file_does_not_have_are_in_the_table() -> None:
    here = with_eggs()
    lot = here.lots[0]
    lost = replace(lot, lot=replace(lot.lot, box="attic"))
    rows = table_room(room_scene(replace(here, lots=(lost, *here.lots[1:]))), SAY)
    assert (rows[-1].box, rows[-1].href) == ("attic", "")
    assert rows[-1].now == "box attic is not in the room's file"


def test_the_table_says_what_the_picture_shows_a_row_for_each_box() -> None:
    rows = table_room(room_scene(with_eggs()), SAY)
    assert [r.box for r in rows] == ["upper", "lower"]
    assert [len(r.eggs) for r in rows] == [4, 4]
    assert (rows[0].href, rows[0].height, rows[0].now) == ("/box/upper", "60 cm", "28.0 ± 0.6 °C")
    assert (rows[0].trend, rows[0].limits) == ("steady", "25 to 31 °C")
    pipped = next(x for x in rows[1].eggs if "pipped" in x.expected)
    assert (pipped.clutch, pipped.eggs, pipped.developed) == ("K01d", "3 eggs", "60.0 %")
    assert "2 pipped 9 Jun" in pipped.note
    assert "wait until 14 Jun" in pipped.note
    assert [r.eggs for r in table_room(room_scene(snapshot()), SAY)] == [(), ()]


def test_a_lot_without_a_date_says_why() -> None:
    here = with_eggs()
    lot = replace(here.lots[0], first_pip=None, refused="no reading of box lower is there yet")
    scene = room_scene(replace(here, lots=(lot,)))
    assert scene.eggs[0].state == "no date"
    assert SceneWords(scene, SAY).headline(scene.eggs[0]) == "no date"
    assert table_room(scene, SAY)[-1].eggs[0].note == "no reading of box lower is there yet"


def test_pips_of_a_lot_that_nobody_finished_are_counted() -> None:
    here = with_eggs()
    lot = here.lots[0]
    all_out = replace(lot, lot=replace(lot.lot, eggs_set=6, pips=(PipSeen(None, NOW - DAY_MS, 6),)))
    scene = room_scene(replace(here, lots=(all_out,)))
    assert scene.eggs[0].state == "done"
    assert SceneWords(scene, SAY).headline(scene.eggs[0]) == "6 pipped"
