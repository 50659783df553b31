"""What commands do with a room's file that has mistakes: the account is kept with what is right in it."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config import room_file
from monitor.config.mistakes import Findings
from monitor.config.room_file import check
from monitor.config.shape import Contents, read_file
from tests.desk import Desk, part, probe, room_text

WRONG_PROBE = probe("odd", "room/odd", box="uper", unit="Celsius")
WRONG_CHANNEL = part("[[channels]]", id="bell", url="no address")


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.write(room_text())
    made.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    made.does("record set K01 --box upper --eggs 12 --at 2026-05-02")
    return made


def test_a_mistake_in_a_probe_or_a_channel_keeps_no_hatch_from_being_recorded(desk: Desk) -> None:
    desk.write(room_text() + WRONG_PROBE + WRONG_CHANNEL)
    for line in (
        "record hatched K01 --box upper --eggs 3 --at 2026-07-01",
        "clutch show K01",
        "clutch list",
        "notices",
        "attention",
        "species",
    ):
        answer = desk(line)
        assert answer.code == 0, answer.err
        told = answer.err.splitlines()
        assert told[0] == "warmtally: with these mistakes the service does not start; done with the rest:"
        assert any("probes[2].unit" in x and 'use "C"' in x for x in told)
        assert any("channels[0].url" in x for x in told)
        assert len(told) == 1 + sum(m.level == "mistake" for m in check(desk.folder / "room.toml"))
    # What would show less than is known as if it were all does not.
    for line in ("boxes", "forecast K01", "stack", "probes", "check"):
        assert desk(line).code == 3, line
    assert "3 hatched" in desk("clutch show K01").out


def test_many_mistakes_are_told_in_a_few_lines(desk: Desk) -> None:
    desk.write(room_text() + WRONG_PROBE * 300)
    told = desk("clutch list").err.splitlines()
    assert len(told) == 7
    assert told[-1].startswith("  and ")


def test_with_a_mistake_in_the_room_or_the_store_nothing_is_entered(desk: Desk) -> None:
    before = desk.events()
    for text in (room_text(zone="Europe/Viena"), room_text() + "[stor]\n", room_text() + "x = ["):
        desk.write(text)
        assert desk("record hatched K01 --box upper --eggs 3 --at 2026-07-01").code == 3
    assert desk.events() == before


def test_check_calls_advice_advice(desk: Desk) -> None:
    said = desk.does("check").splitlines()
    assert len(said) > 2
    assert all(": advice: " in line for line in said[:-1])
    assert said[-1].endswith("no mistakes; the service can start")


def test_check_reads_the_rooms_file_once(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    found: list[Path] = []

    def counted(path: Path, findings: Findings) -> Contents | None:
        found.append(path)
        return read_file(path, findings)

    monkeypatch.setattr(room_file, "read_file", counted)
    assert "no mistakes" in desk.does("check")
    assert found == [desk.folder / "room.toml"]
