"""Many rooms at a real broker: what is heard of each, who is believed, and answers that come through."""

from __future__ import annotations

import json
import random
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt import rooms, rooms_answers
from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.core.rooms.overview import SILENT_MS, OverviewNow
from monitor.core.terms.settings import Answers, Broker, OverviewSettings, RoomsAt
from monitor.telling.as_json import utc
from tests.bench.stepped import Clock
from tests.peers import MOMENT_S, Mosquitto, mosquitto, wait_for
from tests.shed import START, Shed, shed

MINUTE = 60_000


class Speaker:
    """Somebody who publishes what they like."""

    def __init__(self, port: int) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=mqtt.MQTTv5)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def say(self, topic: str, payload: str | bytes, *, retain: bool = True) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(MOMENT_S)

    def room(self, name: str, at_ms: int = START, *, status: str = "here", **more: Any) -> None:
        told = {"v": 1, "as_of": utc(at_ms), "room": name.title(), "unit": "C", "needs": [], "answers": "number"} | more
        self.say(f"{name}/warmtally", status)
        self.say(f"{name}/warmtally/room", json.dumps(told))

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def seen(port: int, now: Clock, folder: Path | None = None, expected: tuple[str, ...] = ()) -> Iterator[RoomsSeen]:
    at = RoomsAt("house", Broker(port=port), expected=expected)
    found = RoomsSeen(OverviewSettings("All", "UTC", (at,), data_dir=str(folder or "")), now, keep=folder is not None)
    found.open()
    try:
        wait_for(lambda: found.settled, "what stands there")
        yield found
    finally:
        found.close()


def watched(now: OverviewNow) -> dict[str, str]:
    return {room.id: room.watch for room in now.rooms}


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rooms, "SETTLED_S", 0.2)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as found:
        yield found


@pytest.fixture
def speaker(broker: Mosquitto) -> Iterator[Speaker]:
    found = Speaker(broker.port)
    yield found
    found.close()


def test_rooms_that_are_down_silent_or_of_a_newer_version_are_plainly_so(broker: Mosquitto, speaker: Speaker) -> None:
    clock = Clock(START + SILENT_MS)
    speaker.room("attic", clock())
    speaker.room("barn", clock(), status="gone")
    speaker.room("cellar", START - 1000)
    speaker.room("den", clock(), v=2)
    speaker.say("eaves/warmtally", "here")
    speaker.say("fold/warmtally/room", b"\xff\x00")
    speaker.room("gable", clock())
    speaker.say("gable/warmtally/line", "0")
    with seen(broker.port, clock, expected=("hall",)) as found:
        now = found.look()
    assert watched(now) == {
        "attic": "here",
        "barn": "down",
        "cellar": "silent",
        "den": "unclear",
        "eaves": "silent",
        "fold": "unclear",
        "gable": "down",
        "hall": "silent",
    }
    told = {x.room.id for x in now.hands}
    assert told == set(watched(now)) - {"attic"}
    den, gable = now.room("den"), now.room("gable")
    assert den is not None
    assert den.heard.newer
    assert gable is not None
    assert gable.heard.gone == "line"


def test_a_broker_that_is_away_and_comes_back_without_its_store_forgets_no_room(broker: Mosquitto) -> None:
    clock, speaker = Clock(START), Speaker(broker.port)
    speaker.room("attic")
    speaker.close()
    with seen(broker.port, clock) as found:
        assert watched(found.look()) == {"attic": "here"}
        broker.stop(kill=True)
        wait_for(lambda: watched(found.look()) == {"attic": "cut-off"}, "the loss to be seen")
        assert "lost" in found.troubles["house"] or "nobody answers" in found.troubles["house"]
        for kept in broker.folder.glob("*.db*"):
            kept.unlink()
        broker.start()
        wait_for(
            lambda: found.settled and watched(found.look()) == {"attic": "silent"}, "a room of which nothing stands"
        )
        again = Speaker(broker.port)
        again.room("attic")
        wait_for(lambda: watched(found.look()) == {"attic": "here"}, "its next word")
        again.say("attic/warmtally/room", b"")
        again.say("attic/warmtally", b"")
        wait_for(lambda: watched(found.look()) == {}, "a room that took all of it away itself")
        again.close()


def test_who_speaks_is_told_by_the_topic_alone(broker: Mosquitto, speaker: Speaker) -> None:
    speaker.room("attic", room="Cellar")
    speaker.room("sp ace")
    speaker.room("x" * 65)
    speaker.say("attic/warmtally/box/low", json.dumps({"v": 1, "as_of": utc(START), "box": "top", "temperature_c": 5}))
    speaker.say("attic/warmtally/box/" + "b" * 65, "{}")
    with seen(broker.port, Clock(START)) as found:
        now = found.look()
    (room,) = now.rooms
    assert (room.id, room.name, [b.box for b in room.heard.boxes]) == ("attic", "Cellar", ["low"])
    assert now.left_out == 5


def test_what_is_kept_is_bounded_whatever_comes(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rooms, "MOST_ROOMS", 10)
    monkeypatch.setattr(rooms, "MOST_BOXES", 5)
    monkeypatch.setattr(rooms, "MOST_BOXES_IN_ALL", 20)
    monkeypatch.setattr(rooms, "MOST_BYTES", 200_000)
    speaker, draw = Speaker(broker.port), random.Random(7)
    with seen(broker.port, Clock(START)) as found:
        for n in range(300):
            room = f"r{draw.randrange(40)}"
            part = draw.choice(["", "/room", *[f"/box/b{draw.randrange(20)}"] * 5, "/codes", "/line"])
            size = draw.choice([0, 10, 10, 70_000])
            speaker.say(f"{room}/warmtally{part}", draw.randbytes(size), retain=n % 3 == 0)
        speaker.say("r0/warmtally", "end")
        line = found.lines["house"]
        wait_for(lambda: bool(line.left_out), "something to be left out")
        kept = [k.payload for r in line._rooms.values() for k in r.kept.values()]
        assert line._bytes == sum(map(len, kept)) <= 200_000
        assert len(line._rooms) <= 10
        boxes = [sum(p.startswith("/box/") for p in r.kept) for r in line._rooms.values()]
        assert max(boxes) <= 5
        assert 0 < sum(boxes) == line._boxes <= 20
        assert found.look().left_out
        assert found.alive()
    speaker.close()


def test_a_login_that_may_read_nothing_is_said(tmp_path: Path) -> None:
    rights = tmp_path / "rights"
    rights.write_text("user other\ntopic read #\n")
    with mosquitto(tmp_path / "broker", login=("overview", "word-of-24"), extra=f"acl_file {rights}") as broker:
        for word in ("word-of-24", "wrong"):
            login = replace(Broker(port=broker.port), username="overview", password=word)
            found = RoomsSeen(OverviewSettings("All", "UTC", (RoomsAt("house", login),)), Clock(START), keep=False)
            found.open()
            try:
                if word == "wrong":
                    wait_for(lambda f=found: "refuses" in f.troubles.get("house", ""), "the refusal")  # type: ignore[misc]
                assert found.look().rooms == ()
            finally:
                found.close()


BRIDGE = """
connection house
address 127.0.0.1:{port}
bridge_protocol_version mqttv311
restart_timeout 1 2
topic # out 1 attic/warmtally/ attic/warmtally/
topic attic/warmtally out 1
topic attic/answer in 1
topic attic/answer/reply out 1
notification_topic attic/warmtally/line
"""


def test_a_room_behind_a_bridge_is_seen_answered_and_down_when_its_line_is(broker: Mosquitto, tmp_path: Path) -> None:
    clock = Clock(START)
    with mosquitto(tmp_path / "edge", extra=BRIDGE.format(port=broker.port)) as edge, seen(broker.port, clock) as found:
        own, took = Speaker(edge.port), []
        own.client.on_message = lambda _c, _d, m: took.append(m.payload)
        own.client.subscribe("attic/answer", 1)
        own.room("attic", needs=[{"kind": "too-warm", "urgency": "now", "notice": 7, "state": "open"}])
        wait_for(lambda: watched(found.look()) == {"attic": "here"}, "the room over the bridge")
        found.answers.give("house/attic", 7, "anna")
        wait_for(lambda: len(took) > 0, "the answer over the bridge")
        own.say("attic/answer/reply", "Notice 7 is answered: Too warm.", retain=False)
        wait_for(lambda: found.answers.all()[0].outcome == "answered", "the reply over the bridge")
        # The room dies with its broker, and the will that it left there with both.
        own.client.loop_stop()
        edge.stop(kill=True)
        wait_for(lambda: watched(found.look()) == {"attic": "down"}, "the end of the line")
        room = found.look().room("attic")
        assert room is not None
        assert (room.heard.gone, room.since_ms) == ("line", START)
        # The broker is back with what stood there, and the room is not: hours later that is old.
        clock.at_ms += 180 * MINUTE
        edge.start()
        wait_for(lambda: watched(found.look()) in ({"attic": "silent"}, {"attic": "down"}), "what is handed on late")
        again = Speaker(edge.port)
        again.room("attic", clock())
        wait_for(lambda: watched(found.look()) == {"attic": "here"}, "its next word")
        again.close()


# -- answers, to a real service


def answering(place: Shed, **how: Any) -> None:
    own = replace(place.given.broker, status_topic="shed/warmtally", state=True)
    place.given = replace(place.given, broker=own, answers=Answers("shed/answer", **how))


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shed]:
    monkeypatch.setattr("monitor.adapters.mqtt.standing.LEAST_APART_S", 0.0)
    with shed(tmp_path) as made:
        yield made


def open_need(found: RoomsSeen) -> int:
    hands = [x for x in found.look().hands if x.need is not None and x.code]
    return 0 if not hands or hands[0].need is None else hands[0].need.notice or 0


@pytest.mark.parametrize("how", [{"overview": True}, {"bare_numbers": True}], ids=["by code", "by number"])
def test_a_notice_is_answered_from_the_overview_once_and_the_room_says_what_came_of_it(
    place: Shed, tmp_path: Path, how: dict[str, bool]
) -> None:
    answering(place, **how)
    with place.service(0) as app, seen(place.given.broker.port, place.clock, tmp_path / "seen") as found:
        place.run(app, range(1, 20), low=32.0)
        wait_for(lambda: open_need(found) > 0, "what needs a hand, with its code")
        number = open_need(found)
        found.answers.give("house/shed", number, "anna")
        wait_for(lambda: [x.outcome for x in found.answers.all()] == ["answered"], "the room's word")
        (given,) = found.answers.all()
        assert given.words.startswith(f"Notice {number} is answered: Too warm")
        place.tell(app, 20, [])
        wait_for(lambda: any(x.need and x.need.answered_by for x in found.look().hands), "who has seen it")
        (need,) = [x.need for x in found.look().hands if x.need and x.need.kind == "too-warm"]
        assert (need.state, need.notice) == ("answered", None)
        assert need.answered_by.startswith("anna, with ")
        assert app.parts.store.ledger.notice(number).answered_ms is not None


def test_an_answer_to_a_room_that_is_down_waits_over_restarts_and_comes_through(place: Shed, tmp_path: Path) -> None:
    answering(place, overview=True)
    folder, port = tmp_path / "seen", place.given.broker.port
    with place.service(0) as app:
        place.run(app, range(1, 20), low=32.0)
        with seen(port, place.clock) as found:
            wait_for(lambda: open_need(found) > 0, "what needs a hand, with its code")
            number = open_need(found)
    with seen(port, place.clock, folder) as found:
        assert watched(found.look()) == {"shed": "down"}
        found.answers.give("house/shed", number, "anna")
        wait_for(lambda: found.answers.all()[0].sent == 1, "the answer to be sent")
    with place.service(21) as app, seen(port, place.clock, folder) as found:
        place.tell(app, 22, [])
        wait_for(lambda: [x.outcome for x in found.answers.all()] == ["answered"], "what came of it")
        assert app.parts.store.ledger.notice(number).answer.startswith("anna")
    assert json.loads((folder / rooms_answers.FILE).read_text())["answers"][0]["outcome"] == "answered"


def test_an_answer_of_a_moment_without_a_broker_is_sent_when_it_is_back(place: Shed, tmp_path: Path) -> None:
    answering(place, bare_numbers=True)
    speaker = Speaker(place.given.broker.port)
    need = {"urgency": "now", "kind": "too-warm", "subjects": ["low"], "state": "open", "notice": 7, "told": 7}
    took: list[str] = []
    speaker.client.on_message = lambda _c, _d, m: took.append(m.payload.decode())
    speaker.client.subscribe("attic/answer", 1)
    speaker.room("attic", place.clock(), needs=[need])
    with seen(place.given.broker.port, place.clock, tmp_path / "seen") as found:
        for _ in range(3):
            found.answers.give("house/attic", 7, "b\x1bob")
        wait_for(lambda: len(took) == 1, "the answer")
        assert json.loads(took[0]) == {"token": "7", "by": "b ob"}
        place.clock.at_ms += rooms_answers.AGAIN_MS + 1
        wait_for(lambda: len(took) == 2, "the same again, since nobody says what came of it")
        speaker.say("attic/answer/reply", "Nothing was answered: \x1b[31mno", retain=False)
        wait_for(lambda: found.answers.all()[0].outcome == "refused", "the refusal")
        assert found.answers.all()[0].words == "Nothing was answered: [31mno"
    speaker.close()


def test_what_cannot_be_read_of_before_or_written_ends_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    for damaged in (
        b"{",
        b'{"answers": [{"key": 1}]}',
        b'{"answers": [{"key": "a/b", "notice": "7", "by": "", "asked_ms": 1}]}',
    ):
        (tmp_path / rooms_answers.FILE).write_bytes(damaged)
        assert rooms_answers.AnswersOnTheirWay(tmp_path, {}, Clock(START)).all() == []
    assert caplog.text.count("cannot be read") == 3
    full = rooms_answers.AnswersOnTheirWay(tmp_path / "not there", {}, Clock(START))
    with pytest.raises(OSError, match="not there"):
        full.give("house/attic", 7, "anna")
    assert full.all() == []


def test_answers_are_bounded_in_number(tmp_path: Path) -> None:
    book = rooms_answers.AnswersOnTheirWay(None, {}, Clock(START))
    for n in range(rooms_answers.MOST):
        book.give("house/attic", n + 1, "anna")
    with pytest.raises(ValueError, match="too many"):
        book.give("house/attic", 9999, "anna")
    assert not list(tmp_path.iterdir())
    assert threading.active_count() < 50
