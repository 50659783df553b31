"""The state of the room at a real broker: what displays read there, when, and what becomes of it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, cast, get_type_hints

import jsonschema
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt import standing
from monitor.adapters.store import Store
from monitor.core.notices.notice import Notice
from monitor.core.rooms.said import LARGEST_STATE, read_codes, read_room
from monitor.core.terms.settings import Box
from monitor.service.start import RoomService
from monitor.telling.forms_state import BoxState, CodesState, EggsState, NeedState, RoomState
from monitor.telling.hand import Needed, needed
from monitor.telling.room_state import box_state, codes_state, room_state
from tests.page.rooms import ShownRoom
from tests.peers import MOMENT_S, PROJECT, Mosquitto, mosquitto, wait_for
from tests.shed import Shed, shed

SCHEMA = json.loads((PROJECT / "monitor/adapters/mqtt/state_schema.json").read_text(encoding="utf-8"))
TOPIC = "shed/own"
RIGHTS = "topic read shed/#\n" + "".join(f"topic write shed/{x}\n" for x in ("low", "top", "own", "own/end"))


def strictly(schema: Any) -> Any:
    """The schema with no place for a key that it does not name; a table of codes says what its keys are."""
    if isinstance(schema, list):
        return [strictly(x) for x in schema]
    if not isinstance(schema, dict):
        return schema
    open_to = {"additionalProperties", "propertyNames"} & schema.keys()
    closed = {"additionalProperties": False} if schema.get("type") == "object" and not open_to else {}
    return {key: strictly(value) for key, value in schema.items()} | closed


def valid(told: Any) -> None:
    jsonschema.Draft202012Validator(strictly(SCHEMA)).validate(told)


class Display:
    """Another device that shows the room."""

    def __init__(self, port: int) -> None:
        self.came: list[tuple[str, bytes, bool]] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=mqtt.MQTTv5)
        self.client.on_message = lambda _c, _d, m: self.came.append((m.topic, bytes(m.payload), m.retain))
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self.client.subscribe(f"{TOPIC}/#", 1)
        assert subscribed.wait(MOMENT_S)

    def shows(self) -> dict[str, Any]:
        """What stands, by the part of the topic below the service's own."""
        last = {topic.removeprefix(f"{TOPIC}/"): payload for topic, payload, _ in self.came if topic != TOPIC}
        found = {name: json.loads(payload) for name, payload in last.items() if payload}
        for told in found.values():
            valid(told)
        return found

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standing, "LEAST_APART_S", 0.0)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Shed]:
    with shed(tmp_path) as made:
        made.given = replace(made.given, broker=replace(made.given.broker, status_topic=TOPIC, state=True))
        yield made


def displayed(place: Shed) -> dict[str, Any]:
    """What a display that is switched on now is shown, all of it retained."""
    display = Display(place.given.broker.port)
    display.client.publish(f"{TOPIC}/end", "", qos=1)
    wait_for(lambda: any(topic == f"{TOPIC}/end" for topic, _, _ in display.came), "what stands, and then this")
    display.came = [x for x in display.came if x[2]]
    display.close()
    return display.shows()


def test_a_display_sees_the_room_and_each_box_and_what_changes(place: Shed) -> None:
    display = Display(place.given.broker.port)
    with place.service(0) as app:
        place.run(app, range(1, 3))
        wait_for(lambda: set(display.shows()) == {"room", "box/low", "box/top"}, "the room and its boxes")
        wait_for(lambda: display.shows()["box/low"]["as_of"] == "2027-05-20T06:02:00Z", "the second round")
        shown = display.shows()
        assert shown["room"]["boxes"] == ["low", "top"]
        assert shown["box/low"]["temperature_c"] == 28.0
        assert shown["box/low"]["shown"] == "28.0 °C"
        place.run(app, range(3, 22), low=32.0)
        wait_for(lambda: display.shows()["box/low"]["conditions"] == ["too-warm"], "the condition")
        wait_for(lambda: bool(display.shows()["room"]["needs"]), "what needs a hand")
        need = display.shows()["room"]["needs"][0]
        assert (need["urgency"], need["kind"], need["subjects"]) == ("now", "too-warm", ["low"])
        assert need["first"]
    wait_for(lambda: display.came[-1][:2] == (TOPIC, b"gone"), "gone")
    display.close()


def test_what_does_not_change_is_said_again_after_a_while_so_that_its_age_is_known(place: Shed) -> None:
    with place.service(0) as app:
        place.run(app, range(1, 2))
        wait_for(lambda: set(displayed(place)) == {"room", "box/low", "box/top"}, "the first round")
        display = Display(place.given.broker.port)
        wait_for(lambda: len(display.shows()) == 3, "what stands")
        before = len(display.came)
        for minute in (2, 3, 4):
            place.tell(app, minute, [])
        place.tell(app, 6.5, [])
        wait_for(lambda: display.shows()["box/top"]["as_of"] == "2027-05-20T06:06:30Z", "the state of now")
        wait_for(lambda: len(display.came) == before + 3, "each once")
        display.close()


def test_a_probe_that_falls_silent_has_no_temperature_any_more_and_the_last_has_its_time(place: Shed) -> None:
    with place.service(0) as app:
        place.run(app, range(1, 3))
        place.tell(app, 60, [])
        wait_for(lambda: displayed(place).get("box/low", {}).get("shown") == "no reading", "no reading")
        box = displayed(place)["box/low"]
        assert (box["temperature_c"], box["last_c"], box["last_at"]) == (None, 28.0, "2027-05-20T06:02:00Z")


def test_a_box_that_is_not_in_the_file_any_more_is_taken_away(place: Shed) -> None:
    with place.service(0) as app:
        place.run(app, range(1, 2))
        wait_for(lambda: len(displayed(place)) == 3, "the room and its boxes")
    room = place.given.room
    place.given = replace(place.given, room=replace(room, boxes=(Box("low", "west", 40.0),), probes=room.probes[:1]))
    with place.service(2) as app:
        place.tell(app, 3, [])
        wait_for(lambda: set(displayed(place)) == {"room", "box/low"}, "the box to be gone")
    place.given = replace(place.given, broker=replace(place.given.broker, state=False))
    with place.service(4) as app:
        place.tell(app, 5, [])
        wait_for(lambda: displayed(place) == {}, "all of it to be gone")


def test_a_broker_that_lost_what_stood_there_is_told_again(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker", extra="") as broker:
        place = Shed(tmp_path, broker)
        place.given = replace(place.given, broker=replace(place.given.broker, status_topic=TOPIC, state=True))
        with place.service(0) as app:
            place.run(app, range(1, 2))
            wait_for(lambda: len(displayed(place)) == 3, "the room and its boxes")
            broker.stop(kill=True)
            for kept in broker.folder.glob("*.db*"):
                kept.unlink()
            # Rounds go on without a broker.
            place.tell(app, 2, [])
            broker.start()
            wait_for(lambda: app.parts.intake.link().state == "up", "the line to be back")
            wait_for(lambda: len(displayed(place)) == 3, "all of it to stand again")
        place.close()


@pytest.mark.parametrize(
    ("rights", "stands", "refused"),
    [("", set(), f"{TOPIC}/room"), (f"topic readwrite {TOPIC}/room\n", {"room"}, f"{TOPIC}/box/low")],
    ids=["nothing of it", "the room alone"],
)
def test_where_the_broker_refuses_it_that_is_said_once_and_readings_come_all_the_same(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, rights: str, stands: set[str], refused: str
) -> None:
    file = tmp_path / "rights"
    file.write_text(RIGHTS + rights)
    with mosquitto(tmp_path / "broker", extra=f"acl_file {file}") as broker:
        place = Shed(tmp_path, broker)
        place.given = replace(place.given, broker=replace(place.given.broker, status_topic=TOPIC, state=True))
        with place.service(0) as app:
            place.run(app, range(1, 2))
            wait_for(lambda: f"does not take what warmtally says on {refused}" in caplog.text, "the warning")
            wait_for(lambda: app.parts.intake.link().state == "up", "the line to be back")
            place.run(app, range(2, 6))
            assert set(displayed(place)) == stands
        assert caplog.text.count("does not take") == 1
        place.close()


def test_a_broker_that_does_not_answer_holds_up_no_round(place: Shed, tmp_path: Path) -> None:
    """The service starts without one; what is to stand is handed over and left."""
    silent = replace(place.given.broker, port=Mosquitto(tmp_path).port)
    place.given = replace(place.given, broker=silent)
    app = RoomService(place.given, now_ms=place.clock)
    try:
        for minute in range(3):
            place.clock.at_ms += minute
            app.round()
        written = json.loads((Path(place.given.data_dir) / standing.FILE).read_text())
        assert written == {"topics": [f"{TOPIC}/box/low", f"{TOPIC}/box/top", f"{TOPIC}/room"]}
    finally:
        app.stop()


# -- the form ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shown_room(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


def test_what_is_told_of_eggs_and_needs_is_as_the_schema_says(shown_room: ShownRoom) -> None:
    snapshot = shown_room.latest.snapshot
    assert snapshot is not None
    with Store(shown_room.settings.data_dir) as store:
        conditions = list(store.ledger.conditions().values())
        room = room_state(snapshot, needed(conditions, store.ledger.notices()), shown_room.settings)
    valid(room)
    assert room["needs"]
    boxes = [box_state(box, snapshot, conditions) for box in snapshot.boxes]
    for box in boxes:
        valid(box)
        assert len(json.dumps(box)) < 4096
    eggs = [x for box in boxes for x in box["eggs"]]
    assert len(eggs) == 4
    assert all(x["first_pip"] is not None and x["development_pct"] for x in eggs)


def test_no_message_is_longer_than_the_schema_says_whatever_the_names(shown_room: ShownRoom) -> None:
    snapshot = shown_room.latest.snapshot
    assert snapshot is not None
    name, snake = "W" * 62, "\U0001f40d"
    notice = Notice("k", 1, name, (name,), "raised", "now", snake * 500, snake * 900, 999_999_999)
    told = replace(notice, answer=snake * 500, answered_ms=1)
    need = Needed(name, (f"{name}/{name}#99",) * 5000, "now", 1, "answered", notice, told)
    boxes = tuple(replace(snapshot.boxes[0], box=Box(f"{name[:58]}{n:04d}", name, 1.0)) for n in range(1000))
    large = replace(snapshot, boxes=boxes, room=replace(snapshot.room, name=snake * 255))
    room = room_state(large, [need] * 100, shown_room.settings)
    valid(room)
    assert 40_000 < len(json.dumps(room, ensure_ascii=False, separators=(",", ":")).encode()) <= LARGEST_STATE
    assert (room["boxes_in_all"], room["needs_in_all"], room["needs"][0]["subjects_in_all"]) == (1000, 100, 5000)
    codes = codes_state(
        [replace(need, notice=replace(notice, id=10**8 + n)) for n in range(100)], b"s" * 32, snapshot.now_ms
    )
    valid(codes)
    assert len(codes["codes"]) == 20
    # What is said here is read there.
    assert len(read_room(json.dumps(room, ensure_ascii=False, separators=(",", ":")).encode()).needs) == 20
    assert len(read_codes(json.dumps(codes).encode())) == 20


@pytest.mark.parametrize(
    ("name", "form"),
    [("room", RoomState), ("box", BoxState), ("eggs", EggsState), ("need", NeedState), ("codes", CodesState)],
)
def test_the_schema_names_each_key_with_what_it_means(name: str, form: object) -> None:
    part = cast(dict[str, Any], SCHEMA["$defs"][name])
    keys = list(get_type_hints(form))
    assert sorted(part["properties"]) == sorted(part["required"]) == sorted(keys)
    assert all(told["description"] for told in part["properties"].values())


def test_what_is_no_state_is_refused_by_the_schema() -> None:
    with pytest.raises(jsonschema.ValidationError):
        valid({"v": 1, "as_of": "yesterday"})
