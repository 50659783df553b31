"""What the document says that a probe has to send is what is read, by the entries that stand beside it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.adapters.mqtt.ear import Overheard
from monitor.cli.probe_entries import keys_of, unread
from monitor.config.room_file import load
from monitor.core.readings.decode import decode, remarks
from tests.desk import room_text
from tests.peers import PROJECT

RECIPE = re.compile(
    r"^<!-- recipe: (?P<name>[^\n]+) -->\n```text\n(?P<sent>.*?)^```\n\n```toml\n(?P<entries>.*?)^```", re.DOTALL | re.M
)
DOCUMENT = (PROJECT / "config" / "README.md").read_text(encoding="utf-8")
RECIPES = {m["name"]: m for m in RECIPE.finditer(DOCUMENT)}
BOXES = {"left-upper": 150.0, "left-lower": 60.0}
# Noon of the day that the examples are of: what has a time of its own is older.
RECEIVED_MS = 1_777_636_800_000


def test_every_recipe_is_read() -> None:
    assert len(RECIPES) == DOCUMENT.count("<!-- recipe:") == 5


@pytest.mark.parametrize("name", RECIPES)
def test_each_payload_of_a_recipe_is_read_by_its_entries(name: str, tmp_path: Path) -> None:
    recipe = RECIPES[name]
    path = tmp_path / "room.toml"
    path.write_text(room_text(BOXES, probes=[recipe["entries"]]), encoding="utf-8")
    room = load(path).room
    messages = [line.split(" ", 1) for line in recipe["sent"].splitlines()]
    silent = {p.id for p in room.all_probes}
    for topic, payload in messages:
        reading = [p for p in room.all_probes if p.topic == topic]
        got = decode(reading, payload.encode(), RECEIVED_MS)
        assert got.refused == ()
        assert remarks(topic, payload.encode()) == []
        for r in got.readings:
            probe = next(p for p in reading if p.id == r.probe)
            silent.discard(r.probe)
            assert r.timed == (probe.time_pointer is not None)
            assert (15.0 < r.value < 45.0) if probe.quantity == "temperature" else (50.0 < r.value <= 100.0)
            assert not r.timed or 0 < RECEIVED_MS - r.at_ms < 86_400_000
        assert len(got.readings) == (2 if "readings" in payload else len(reading))
    assert silent == set()


@pytest.mark.parametrize("name", RECIPES)
def test_what_is_proposed_for_a_recipe_is_what_the_document_says(name: str, tmp_path: Path) -> None:
    recipe = RECIPES[name]
    path = tmp_path / "room.toml"
    path.write_text(room_text(BOXES, probes=[recipe["entries"]]), encoding="utf-8")
    heard = [Overheard(t, 1, 0, p.encode()) for t, p in (line.split(" ", 1) for line in recipe["sent"].splitlines())]
    said = [keys_of(c, "") for of_topic in unread(heard, []) for c in of_topic if c.guess.quantity is not None]
    names = ("topic", "unit", "list_pointer", "pointer", "time_pointer")
    proposed = {(*(keys[n] for n in names), keys["time_form"] or "iso") for keys in said}
    probes = load(path).room.all_probes
    assert proposed == {tuple(getattr(p, n) for n in (*names, "time_form")) for p in probes}
