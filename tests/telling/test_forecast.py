"""What is expected of eggs: pages say the sentences of the command, without what is drawn between them."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.config.room_file import load
from monitor.core.development.siblings import stories
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.forecast import expected_lines, heading
from monitor.telling.late_box import story_lines, story_of, while_still
from monitor.telling.what_if import together_lines
from tests.season_room import at_day, ms, season_desk

# Upper has pipped, lower lies still; and a day on which both still wait.
LATE, EARLY = ms(at_day(60.0)), ms(at_day(40.0))


@pytest.mark.slow
@pytest.mark.parametrize("why", [False, True])
def test_what_a_page_says_is_what_the_command_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, why: bool) -> None:
    desk = season_desk(tmp_path)
    settings = load(desk.folder / "room.toml", data_dir=desk.data)
    late_ones = 0
    for at_ms in (EARLY, LATE):
        monkeypatch.setattr(time, "time_ns", lambda at_ms=at_ms: at_ms * 1_000_000)
        said = desk.does(f"forecast{' --why' if why else ''}")
        with Store(desk.data) as store:
            room = RoomAtHand(settings, store)
            lots = [x for x in room.derived.lots(at_ms) if x.lot.open]
            told = stories(room.derived.lots(at_ms), at_ms, room.zone)
            for lot in lots:
                story = story_of(lot, told)
                lines = [heading(lot, room, at_ms), *expected_lines(lot, room, at_ms, told=story is not None, why=why)]
                if story is not None:
                    late_ones += 1
                    lines += [*story_lines(story, room, at_ms, why=why), *while_still()]
                assert len(lines) > 1
                assert [line for line in lines if line not in said] == []
                assert not any("====" in line or "[#" in line for line in lines), "nothing is drawn"
            for clutch in {x.clutch.id for x in lots}:
                together = together_lines([x for x in lots if x.clutch.id == clutch], at_ms)
                assert [line for line in together if line not in said] == []
    assert late_ones == 1
