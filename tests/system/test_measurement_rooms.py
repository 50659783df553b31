"""The measurement of many rooms, made shorter here: what it counts, and that it can find something."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.bench import rooms
from tests.bench.process import Service


@pytest.mark.slow
def test_the_overview_is_right_while_each_part_is_down_and_after_it_is_back() -> None:
    result = rooms.measure(rooms=3, probes=2, downs=1, kills=0, calm_s=0.5, tick_s=1.0)
    figures = result.figures
    assert figures["rooms taken down and back"] == 1
    assert figures["old temperatures shown as of now"] == 0
    # What memory there is, is measured on a computer with nothing else to do.
    assert [x for x in result.falls_short if " MB" not in x] == []


class Told(rooms.HouseOfRooms):
    """Rooms of which the overview says what a test wants."""

    says: dict[str, Any]

    def told(self) -> dict[str, Any]:
        return self.says


def test_an_overview_that_says_other_than_its_rooms_is_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    tables: dict[str, dict[str, str]] = {"room": {"name": "a"}}
    services = {name: Service(tmp_path / name, tables) for name in ("a", "b", "c")}
    house = Told(tmp_path, None, None, None, services, {}, 0, None, 1, {})  # type: ignore[arg-type]
    own = {"a": ({"low": 28.0}, {"too-warm"}), "b": ({"low": None}, set[str]()), "c": ({"low": 28.0}, set[str]())}
    monkeypatch.setattr(rooms, "own_word", lambda service: own[service.folder.name])

    def said(name: str, watch: str, value: float | None) -> dict[str, Any]:
        return {"room": name, "watch": watch, "boxes": [{"box": "low", "temperature_c": value}]}

    need = {"room": "a", "kind": "too-warm"}
    house.says = {
        "rooms": [said("a", "here", 28.04), said("b", "here", None), said("c", "down", None)],
        "needs": [need],
    }
    assert house.differences(["c"]) == []
    house.says = {"rooms": [said("a", "here", 27.0), said("b", "silent", None), said("c", "here", 28.0)], "needs": []}
    assert house.differences(["c"]) == [
        "a, low: told as 27.0, its own word is 28.0",
        "a: told of [], its own word is ['too-warm']",
        "b runs, and is told as silent",
        "c is down, and told as here",
    ]
    house.says = {"rooms": [], "needs": []}
    assert house.differences() == ["a is not told of", "b is not told of", "c is not told of"]
