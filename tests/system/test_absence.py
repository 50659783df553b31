"""The service was away: what it says of that when it is back, with a real broker that kept what came meanwhile."""

from __future__ import annotations

from pathlib import Path

from monitor.adapters.store import Store
from tests.peers import wait_for
from tests.shed import MINUTE, START, shed, told


def test_from_when_to_when_nobody_watched_and_what_each_box_went_through_is_told_once(tmp_path: Path) -> None:
    with shed(tmp_path) as room:
        with room.service(0) as app:
            room.run(app, range(10))
        for minute in range(10, 130):
            room.say(minute, 28.0 + (2.0 if minute == 60 else 0.0), 28.5 - (1.0 if minute == 90 else 0.0))
        with room.service(130) as app:
            wait_for(lambda: app.parts.intake.link().counts.stored == 240, "what waited at the broker")
            room.run(app, range(131, 140))
        (notice,) = room.notices
        assert (notice.kind, notice.urgency, notice.subjects) == ("was-away", "today", ("shed",))
        assert notice.at_ms == START + 135 * MINUTE
        assert "Nobody watched room shed from 06:09 to 08:1" in notice.text
        assert "240 readings of that time came late" in notice.whole
        assert "Box low: lowest 28.0 °C at 06:10, highest 30.0 °C at 07:00" in notice.whole
        assert "Box top: lowest 27.5 °C at 07:30, highest 28.5 °C at 06:10" in notice.whole
        # A restart, and a second absence that is short, say nothing more.
        with room.service(145) as app:
            room.run(app, range(146, 156))
        assert len(room.notices) == 1
        # A second absence within the six hours is told as well.
        with room.service(240) as app:
            room.run(app, range(241, 250))
        assert told(room.notices) == [("was-away", "raised", "shed")] * 2


def test_a_limit_that_was_passed_meanwhile_is_told_by_the_limit_and_not_twice(tmp_path: Path) -> None:
    with shed(tmp_path) as room:
        with room.service(0) as app:
            room.run(app, range(10))
        for minute in range(10, 130):
            room.say(minute, 24.0 if 30 <= minute < 90 else 28.0)
        with room.service(130) as app:
            wait_for(lambda: app.parts.intake.link().counts.stored == 240, "what waited at the broker")
            room.run(app, range(131, 150))
    assert sorted(told(room.notices)) == [("too-cool", "cleared", "low"), ("was-away", "raised", "shed")]
    limit, away = sorted(room.notices, key=lambda n: n.kind)
    assert "Too cool from Thu 06:30 to Thu 07:30" in limit.text
    assert "over before it was told" in limit.text
    assert "too cool" not in away.text


def test_readings_without_a_time_of_their_own_are_told_without_one(tmp_path: Path) -> None:
    with shed(tmp_path, timed=False) as room:
        with room.service(0) as app:
            room.run(app, range(10))
        for minute in range(10, 130):
            room.say(minute, 27.0 + (minute % 10) / 10)
        with room.service(130) as app:
            wait_for(lambda: app.parts.intake.link().counts.stored == 240, "what waited at the broker")
            room.run(app, range(131, 140))
    (notice,) = room.notices
    assert "readings waited at the broker, and when they were made is not known" in notice.whole
    assert "Box low: 27.0 °C to 27.9 °C at times that are not known" in notice.whole


def test_nothing_came_meanwhile_and_the_process_dies_before_it_could_tell(tmp_path: Path) -> None:
    with shed(tmp_path) as room:
        with room.service(0) as app:
            room.run(app, range(10))
        with room.service(130) as app:
            room.run(app, range(131, 133))
        with room.service(133) as app:
            room.run(app, range(134, 145))
    (notice,) = room.notices
    assert "from 06:09 to 08:1" in notice.text
    assert "No reading of that time has come" in notice.whole
    assert "Box low: nothing is known of that time" in notice.whole


def test_a_new_store_and_an_older_one_that_never_noted_its_rounds_were_not_away(tmp_path: Path) -> None:
    with shed(tmp_path) as room:
        with room.service(0) as app:
            room.run(app, range(10))
        with Store(tmp_path / "data") as store, store.db.write() as c:
            c.execute("DELETE FROM fact WHERE name IN ('watched_until_ms', 'was_away')")
        with room.service(600) as app:
            room.run(app, range(601, 612))
    assert room.notices == []
