"""``warmtally rooms``: what it shows of many rooms, and what it says when it cannot."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.mqtt import rooms
from monitor.cli import rooms as command
from monitor.cli.main import main
from monitor.cli.room import now_ms
from monitor.config.overview_file import load_overview
from monitor.core.rooms.overview import overview
from monitor.core.terms.settings import Answers
from monitor.errors import ConfigError, SecretMissing
from monitor.telling.as_json import utc
from monitor.telling.rooms import RoomsWords, overview_json
from tests.adapters.mqtt.test_rooms import Speaker, open_need, seen
from tests.core.rooms.test_overview import NEED, NOW, box, heard, said
from tests.peers import MOMENT_S, PROJECT, Mosquitto, answers, free_port, mosquitto, wait_for
from tests.shed import shed

FILE = """
name = "All rooms"
time_zone = "Europe/Vienna"

[[brokers]]
id = "house"
port = {port}
expected = ["attic"]

[page]
listen = "127.0.0.1:8481"
"""


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rooms, "SETTLED_S", 0.2)
    monkeypatch.delenv("WARMTALLY_ROOMS", raising=False)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as found:
        yield found


def words_of(*those: Any) -> RoomsWords:
    from datetime import UTC

    return RoomsWords(overview(those, NOW), UTC, "C")


def test_a_down_room_and_its_old_temperature_are_told_as_old() -> None:
    words = words_of(heard(gone="service", gone_ms=NOW - 60_000, said=said(NOW - 120_000, NEED)))
    (room,) = words.now.rooms
    first, second = words.now.hands
    assert "down since" in words.what(first)
    assert "nobody watches; last word" in words.what(first)
    assert words.state(second).startswith("as it last said, answer with: warmtally rooms answer attic 12")
    told = words.temperature(room, box())
    assert told.startswith("no reading (was 28.0 °C, ")
    assert overview_json(words.now, {})["rooms"][0]["boxes"][0]["temperature_c"] is None


def test_all_rooms_are_shown_what_needs_a_hand_first(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    now = now_ms()
    speaker = Speaker(broker.port)
    need = {
        "urgency": "now",
        "kind": "too-warm",
        "subjects": ["low"],
        "title": "Too warm: box low 32.0 °C",
        "notice": 3,
    }
    speaker.room("cellar", now, needs=[need | {"state": "open", "since": utc(now)}])
    eggs = {
        "lot": "K01/low",
        "waiting": 6,
        "eggs": 6,
        "first_pip": {k: utc(now + 86_400_000) for k in ("p10", "p50", "p90")},
    }
    told = {"v": 1, "as_of": utc(now), "temperature_c": 32.0, "temperature_at": utc(now), "eggs": [eggs]}
    speaker.say("cellar/warmtally/box/low", json.dumps(told))
    file = tmp_path / "rooms.toml"
    file.write_text(FILE.format(port=broker.port))
    assert main(["rooms", "--file", str(file)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("2 rooms, 1 of them watched now")
    lines = out.splitlines()
    assert [x.split()[:2] for x in lines if x.startswith("now")] == [["now", "attic:"], ["now", "cellar:"]]
    assert "answer with: warmtally rooms answer cellar 3" in out.replace("\n      ", " ")
    assert "low 32.0 °C" in out
    assert "K01 in low" in out
    assert main(["rooms", "--broker", f"127.0.0.1:{broker.port}", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(x["room"], x["watch"]) for x in told["rooms"]] == [("cellar", "here")]
    assert told["needs"][0]["may_answer"]
    speaker.close()


def test_a_notice_is_answered_from_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.adapters.mqtt.standing.LEAST_APART_S", 0.0)
    with shed(tmp_path) as place:
        own = replace(place.given.broker, status_topic="shed/warmtally", state=True)
        place.given = replace(place.given, broker=own, answers=Answers("shed/answer", overview=True))
        monkeypatch.setattr(command, "now_ms", place.clock)
        with place.service(0) as app:
            place.run(app, range(1, 20), low=32.0)
            with seen(own.port, place.clock) as found:
                wait_for(lambda: open_need(found) > 0, "the code of what needs a hand")
                number = str(open_need(found))
            words = ["--broker", f"127.0.0.1:{own.port}"]
            assert main(["rooms", "answer", "shed", number, "--by", "anna", *words]) == 0
            assert capsys.readouterr().out.startswith(f"Notice {number} is answered: Too warm")
            place.tell(app, 21, [])
            assert main(["rooms", "answer", "shed", "999", *words]) == 6
            assert "waits for no answer" in capsys.readouterr().err
            assert main(["rooms", "answer", "nowhere", "1", *words]) == 6


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (["--broker", "a b"], 2, "is no broker"),
        (["--broker", "x:99999"], 2, "is no broker"),
        (["--broker", "x", "--file", "y"], 2, "both there"),
        (["--broker", "x", "--rooms", "attic/warmtally"], 2, "does not say where"),
        (["--broker", "x", "--zone", "Moon/Far"], 2, "no time zone"),
        (["--broker", "x", "--seconds", "0"], 2, "--seconds"),
        (["--broker", "x", "--password-file", "nowhere"], 22, "cannot be read"),
        (["--username", "x"], 2, "belongs to a broker"),
        (["--file", "nowhere.toml"], 3, "no file of an overview"),
        (["serve", "--broker", "x"], 3, "has no page"),
    ],
)
def test_what_does_not_fit_is_said(words: list[str], code: int, why: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rooms", *words]) == code
    assert why in capsys.readouterr().err


def test_where_no_broker_answers_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rooms", "--broker", f"127.0.0.1:{free_port()}", "--seconds", "1"]) == 20
    assert "no broker is heard" in capsys.readouterr().err


def test_the_page_is_served_until_stopped_and_says_what_it_hears(broker: Mosquitto, tmp_path: Path) -> None:
    port, file = free_port(), tmp_path / "rooms.toml"
    file.write_text(FILE.format(port=broker.port).replace("8481", str(port)))
    with (tmp_path / "log").open("wb") as log:
        words = [sys.executable, "-m", "monitor", "rooms", "serve", "--file", str(file)]
        served = subprocess.Popen(words, cwd=PROJECT, stdout=log, stderr=log)
    try:
        wait_for(lambda: answers(port), "the page")

        def told() -> Any:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/rooms", timeout=MOMENT_S) as answer:
                return json.load(answer)

        wait_for(lambda: [x["watch"] for x in told()["rooms"]] == ["silent"], "a room that is expected and never spoke")
        broker.stop()
        wait_for(lambda: [x["watch"] for x in told()["rooms"]] == ["cut-off"], "the broker's end")
        assert "house" in told()["troubles"]
    finally:
        served.terminate()
        assert served.wait(MOMENT_S) == 0, (tmp_path / "log").read_text()


# -- the file


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (("time_zone", "tim_zone"), "time_zone"),
        (('"Europe/Vienna"', '"Vienna"'), "time_zone"),
        (('id = "house"', 'id = "a b"'), "brokers[0].id"),
        (('[[brokers]]\nid = "house"', '[brokers]\nid = "house"'), "brokers"),
        (("port = 1883", "port = 99999"), "brokers[0].port"),
        (("port = 1883", 'rooms = "attic/warmtally"'), "brokers[0].rooms"),
        (("port = 1883", 'answers = "#"'), "brokers[0].answers"),
        (("port = 1883", 'password = "x"'), "brokers[0].password"),
        (("port = 1883", 'ca_file = "nowhere"'), "brokers[0]"),
        (("127.0.0.1:8481", "nowhere"), "page.listen"),
        (("[page]", "[pages]"), "overview.pages"),
    ],
)
def test_each_mistake_of_the_file_is_named(tmp_path: Path, change: tuple[str, str], what: str) -> None:
    file = tmp_path / "rooms.toml"
    text = FILE.format(port=1883)
    assert change[0] in text
    file.write_text(text.replace(*change))
    with pytest.raises(ConfigError, match=what.replace("[", r"\[")) as found:
        load_overview(file)
    assert str(file) in str(found.value)


def test_a_whole_file_is_read_and_a_missing_secret_is_said(tmp_path: Path) -> None:
    file = tmp_path / "rooms.toml"
    file.write_text(FILE.format(port=1883))
    found = load_overview(file)
    assert (found.name, found.brokers[0].expected, found.brokers[0].broker.port) == ("All rooms", ("attic",), 1883)
    assert found.page is not None
    assert found.data_dir == str(tmp_path / "rooms-data")
    file.write_text(file.read_text().replace("port = 1883", 'username = "o"\npassword_file = "nowhere"'))
    with pytest.raises(SecretMissing, match="password_file"):
        load_overview(file)


def test_the_example_is_whole_but_for_its_secret(tmp_path: Path) -> None:
    text = (PROJECT / "config" / "rooms.toml").read_text(encoding="utf-8")
    with pytest.raises(SecretMissing) as found:
        load_overview(PROJECT / "config" / "rooms.toml")
    assert len(str(found.value).splitlines()) == 1
    # What is switched off there is what holds without it.
    file = tmp_path / "rooms.toml"
    (tmp_path / "overview.password").write_text("word")
    file.write_text(text)
    usual = load_overview(file)
    file.write_text(re.sub(r"^#(?! )", "", text, flags=re.M))
    assert load_overview(file) == usual
