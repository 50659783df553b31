"""A new probe: its entry is made and looked over, written where that may be, and hostile words do no harm."""

from __future__ import annotations

import tomllib
from html import unescape
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.unread import Quarantined
from monitor.config.room_file import load
from tests.page.rooms import ShownRoom

GOOD = {
    "id": "left-air",
    "topic": "eggroom/left/air",
    "pointer": "/temperature",
    "place": "air left",
    "height_cm": "180",
    "unit": "F",
    "interval": "30 s",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def shown(folder: Path) -> ShownRoom:
    return ShownRoom.small(folder, days=2)


def test_an_entry_is_shown_as_it_is_pasted(shown: ShownRoom, folder: Path) -> None:
    page = unescape(shown.client().get("/probes/new", params=GOOD).text)
    text = page.split('<pre class="entry">')[1].split("</pre>")[0]
    assert tomllib.loads(text) == {
        "probes": [
            {"id": "left-air", "topic": "eggroom/left/air", "unit": "F", "pointer": "/temperature", "interval": "30 s",
             "stack": "left", "height_cm": 180.0}
        ]
    }  # fmt: skip
    file = folder / "room.toml"
    before = file.read_text("utf-8")
    file.write_text(f"{before}\n{text}", "utf-8")
    assert [p.id for p in load(file).room.all_probes][-1] == "left-air"


def test_it_is_written_after_a_look_over_and_a_copy_is_kept(shown: ShownRoom, folder: Path) -> None:
    before = (folder / "room.toml").read_text("utf-8")
    answer = shown.client().post("/probes/new", data=GOOD)
    assert answer.status_code == 200
    assert "started anew" in answer.text
    now = load(folder / "room.toml")
    probe = next(p for p in now.room.all_probes if p.id == "left-air")
    assert (probe.topic, probe.unit, probe.stack, probe.height_cm, probe.interval_s) == (
        "eggroom/left/air", "F", "left", 180.0, 30.0,
    )  # fmt: skip
    assert before in {p.read_text("utf-8") for p in folder.glob("room.toml.before-*")}
    # Told twice, by a page that does not know it yet, it is refused and nothing is written.
    written = (folder / "room.toml").read_text("utf-8")
    assert "started anew" not in shown.client().post("/probes/new", data=GOOD).text.split("<h1>")[1].split("<pre")[0]
    assert (folder / "room.toml").read_text("utf-8") == written


def test_without_the_key_of_the_page_nothing_is_written(shown: ShownRoom, folder: Path) -> None:
    before = (folder / "room.toml").read_text("utf-8")
    assert shown.client().post("/probes/new", data={**GOOD, "form_key": "x"}).status_code == 403
    assert shown.client().get("/probes/new", params=GOOD).status_code == 200
    assert (folder / "room.toml").read_text("utf-8") == before


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"id": ""}, "id"),
        ({"id": "left-upper-warmth"}, "a probe of that name is there already"),
        ({"id": "a b\n[x]"}, "id"),
        ({"topic": "a/#"}, "topic"),
        ({"topic": "#" + "x" * 3000}, "topic"),
        ({"pointer": "temperature"}, "pointer"),
        ({"place": "box attic"}, "choose a box"),
        ({"place": ""}, "choose a box"),
        ({"height_cm": "high"}, "height_cm"),
        ({"height_cm": ""}, "height_cm"),
        ({"unit": "R"}, "unit"),
        ({"interval": "often"}, "interval"),
        ({"topic": '"]\n[room]\nname = "x'}, ""),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_never_written(
    shown: ShownRoom, folder: Path, change: dict[str, str], says: str
) -> None:
    before = (folder / "room.toml").read_text("utf-8")
    answer = shown.client().post("/probes/new", data=GOOD | change)
    assert answer.status_code == 200
    if says:
        assert 'class="wrong' in answer.text
        assert says in answer.text
        assert (folder / "room.toml").read_text("utf-8") == before
    else:
        # A text is written as one, whatever is in it.
        found = tomllib.loads((folder / "room.toml").read_text("utf-8"))
        assert found["room"]["name"] == "Small room"


def test_kept_messages_that_nobody_reads_lead_to_their_entry(shown: ShownRoom) -> None:
    with Store(shown.settings.data_dir) as store, store.db.write():
        store.unread.keep([
            Quarantined(shown.clock_ms, "new/<b>one</b>", b'{"temperature": 28.5, "x": "<i>"}', "nobody's"),
        ])  # fmt: skip
    page = shown.client().get("/probes/new").text
    assert "<b>one" not in page
    assert "/probes/new?topic=new/%3Cb%3Eone%3C/b%3E&amp;pointer=/temperature" in page
    assert "28.5 C" in page
    assert 'href="/probes/new"' in shown.client().get("/probes").text
