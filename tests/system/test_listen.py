"""``warmtally listen`` as a keeper meets it: with a broker, before and after there is a configuration."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt.ear import MOST_BYTES, MOST_TOPICS, Ear, Overheard
from monitor.cli.listen import propose
from monitor.cli.main import main
from monitor.cli.probe_entries import MOST_OF_TOPIC, Candidate, name_of, unread
from monitor.config.room_file import check, load
from monitor.core.readings.decode import decode, guess
from monitor.core.terms.settings import Broker, Probe
from monitor.errors import BrokerRefused, BrokerUnreachable, SecretMissing, UsageError
from tests.peers import MOMENT_S, PROJECT, Mosquitto, free_port, mosquitto, wait_for


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


MESSAGES = [
    ("shed/left/temperature", "28.4"),
    ("shed/left/humidity", "91.5"),
    ("shed/right", '{"at": "2026-05-01T06:00:00Z", "warmth": {"temp_f": 82.4}, "battery": 87}'),
    ("shed/batch", '{"gathered": [{"ts": 1777615200, "temperature": 27.7}, {"ts": 1777615500, "temperature": 27.8}]}'),
    ("shed/lamp", "on"),
]


class Probes:
    """Publishes the messages over and over while a test listens."""

    def __init__(self, port: int, messages: Sequence[tuple[str, str]] = MESSAGES) -> None:
        self.port, self.messages = port, messages
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        while not self.ended.wait(0.2):
            for topic, payload in self.messages:
                client.publish(topic, payload, qos=1)
        client.disconnect()
        client.loop_stop()

    def __enter__(self) -> None:
        self.thread.start()

    def __exit__(self, *_: object) -> None:
        self.ended.set()
        self.thread.join()


def listen(*words: str) -> int:
    return main(["listen", "--seconds", "1", *words])


def at(port: int) -> tuple[str, ...]:
    return ("--host", "127.0.0.1", "--port", str(port))


ROOM = """
[room]
name = "Shed"
time_zone = "UTC"
[broker]
host = "127.0.0.1"
port = {port}
[[stacks]]
id = "left"
[[stacks.boxes]]
id = "CHANGE-ME"
height_cm = 100
{probes}
"""


@pytest.fixture(autouse=True)
def _no_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WARMTALLY_CONFIG", raising=False)


def test_what_arrives_is_shown_with_what_it_may_be(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    with Probes(broker.port):
        assert listen(*at(broker.port)) == 0
    out, err = capsys.readouterr()
    assert "shed/left/temperature  28.4\n    the number = 28.4: temperature in C?" in out
    assert "the number = 91.5: humidity in %?" in out
    assert "/warmth/temp_f = 82.4: temperature in F?" in out
    assert "/battery = 87: battery in %?" in out
    assert "/gathered/temperature = 27.7: temperature in C?" in out
    assert "shed/lamp  on\n    no number in it" in out
    assert out.count("shed/left/temperature  28.4") == 3
    assert "listening at 127.0.0.1" in err


def test_the_proposed_entries_make_a_configuration_that_reads_the_messages(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with Probes(broker.port):
        assert listen(*at(broker.port), "--json") == 0
    entries = json.loads(capsys.readouterr().out)["entries"]
    file = tmp_path / "room.toml"
    file.write_text(ROOM.format(port=broker.port, probes=entries))
    probes = load(file).room.all_probes
    values = {
        p.id: [r.value for r in decode([p], payload.encode(), 1_777_620_000_000).readings]
        for p in probes
        for topic, payload in MESSAGES
        if topic == p.topic
    }
    assert values == {
        "shed-batch-warmth": [27.7, 27.8],
        "shed-left-humidity": [91.5],
        "shed-left-warmth": [28.4],
        "shed-right-warmth": [28.0],
        "shed-right-battery": [87.0],
    }
    assert {p.interval_s for p in probes} == {1.0}
    assert [(b.battery_of, b.unit, b.low) for b in load(file).room.batteries] == [("shed-right-warmth", "%", 20.0)]


def test_a_battery_that_a_known_probe_tells_of_is_proposed_as_the_probes(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    known = '[[probes]]\nid = "good"\ntopic = "shed/right"\nbox = "CHANGE-ME"\npointer = "/temperature"\n'
    file = tmp_path / "room.toml"
    file.write_text(ROOM.format(port=broker.port, probes=known))
    with Probes(broker.port, [("shed/right", '{"temperature": 28.0, "vbat": 2.87, "batteryLow": 2}')]):
        assert listen("--config", str(file), "--json") == 0
        entries = json.loads(capsys.readouterr().out)["entries"]
        file.write_text(ROOM.format(port=broker.port, probes=known + entries))
        assert listen("--config", str(file)) == 0
    (battery,) = load(file).room.batteries
    assert (battery.battery_of, battery.unit, battery.low, battery.pointer) == ("good", "V", 2.4, "/vbat")
    out = capsys.readouterr().out
    assert f"{battery.id}: 2.87 V" in out
    assert "Every topic that was heard belongs to a probe" in out


def test_a_probe_of_the_configuration_shows_its_value_or_why_there_is_none(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    probes = """
[[probes]]
id = "good"
topic = "shed/right"
unit = "F"
box = "CHANGE-ME"
pointer = "/warmth/temp_f"
[[probes]]
id = "astray"
topic = "shed/right"
box = "CHANGE-ME"
pointer = "/warmth/temperature"
"""
    file = tmp_path / "room.toml"
    file.write_text(ROOM.format(port=broker.port, probes=probes))
    with Probes(broker.port, MESSAGES[2:3]):
        assert listen("--config", str(file)) == 0
    out, _ = capsys.readouterr()
    assert "good: 28 °C" in out
    assert "astray: cannot be read: nothing at '/warmth/temperature'" in out
    # The battery in the same message is nobody's yet.
    assert out.count("[[probes]]") == 1
    assert 'battery_of = "good"' in out


def test_as_json_it_is_one_object_that_names_everything(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    with Probes(broker.port):
        assert listen(*at(broker.port), "--json", "--topic", "shed/left/+") == 0
    told = json.loads(capsys.readouterr().out)
    assert [t["topic"] for t in told["topics"]] == ["shed/left/humidity", "shed/left/temperature"]
    warm = told["topics"][1]
    assert warm["messages"] >= 2
    assert 0.1 < warm["interval_s"] < 0.6
    assert warm["guesses"][0]["unit"] == "C"
    assert warm["claimed_by"] == []


def test_a_retained_message_is_called_old_news(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.publish("shed/left/temperature", "28.4", qos=1, retain=True).wait_for_publish(5)
    assert main(["listen", "--seconds", "0.3", *at(broker.port)]) == 0
    assert "shed/left/temperature  28.4  (retained: old news)" in capsys.readouterr().out
    client.disconnect()
    client.loop_stop()


def test_when_nothing_arrives_it_says_what_to_look_at(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", "--seconds", "0.2", *at(broker.port)]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert "Nothing arrived in 0.2 s" in err


def test_nobody_at_the_address_is_its_own_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    port = free_port()
    assert listen(*at(port)) == BrokerUnreachable.exit_code
    err = capsys.readouterr().err
    assert f"127.0.0.1:{port}: nobody answers" in err
    assert "what to do" in err


def test_a_refused_login_is_its_own_exit_code_and_the_right_one_is_taken_from_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "right").write_text("very secret\n")
    (tmp_path / "wrong").write_text("another\n")
    with mosquitto(tmp_path / "guarded", login=("keeper", "very secret")) as broker:
        assert listen(*at(broker.port)) == BrokerRefused.exit_code
        assert "--password-file" in capsys.readouterr().err
        login = (*at(broker.port), "--username", "keeper", "--password-file")
        assert listen(*login, str(tmp_path / "wrong")) == BrokerRefused.exit_code
        err = capsys.readouterr().err
        assert "'keeper'" in err
        assert "another" not in err
        assert main(["listen", "--seconds", "0.2", *login, str(tmp_path / "right")]) == 0
        assert listen(*login, str(tmp_path / "none")) == SecretMissing.exit_code


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--seconds", "0"], UsageError.exit_code),
        (["--config", "none.toml"], 3),
        (["--port", "1"], BrokerUnreachable.exit_code),
    ],
)
def test_words_that_do_not_fit_are_told(words: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", *words]) == code
    assert "what to do" in capsys.readouterr().err


def test_a_time_that_is_no_number_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["listen", "--seconds", "nan"])
    assert stopped.value.code == UsageError.exit_code
    assert "--seconds" in capsys.readouterr().err


def test_a_topic_that_is_no_filter_is_told(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    assert listen(*at(broker.port), "--topic", "a/#/b") == BrokerRefused.exit_code
    assert "not a topic filter" in capsys.readouterr().err


def test_it_never_touches_the_services_session(broker: Mosquitto) -> None:
    """Messages that wait for the service still wait after somebody listened."""
    service = Client(CallbackAPIVersion.VERSION2, client_id="warmtally", protocol=MQTTv5)
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 600
    got: list[bytes] = []
    service.on_message = lambda _c, _d, message: got.append(bytes(message.payload))
    service.connect("127.0.0.1", broker.port, clean_start=False, properties=properties)
    service.loop_start()
    _, mid = service.subscribe("shed/#", 1)
    assert mid
    time.sleep(0.2)
    service.disconnect()
    service.loop_stop()
    with Probes(broker.port, [("shed/a", "1")]):
        assert listen(*at(broker.port)) == 0
    service.connect("127.0.0.1", broker.port, clean_start=False, properties=properties)
    service.loop_start()
    wait_for(lambda: bool(got), "what was published meanwhile")
    service.disconnect()
    service.loop_stop()
    assert got.count(b"1") >= 2


def test_interrupted_it_still_shows_what_it_heard(broker: Mosquitto) -> None:
    import signal

    command = [sys.executable, "-m", "monitor.cli.main", "listen", "--seconds", "60", *at(broker.port)]
    with (
        Probes(broker.port),
        subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(PROJECT)},
            # Tests that run in the background may have been started with the keyboard's signal ignored.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - no threads here yet
        ) as process,
    ):
        assert process.stdout is not None
        assert "shed/" in process.stdout.readline()
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=MOMENT_S)
    assert process.returncode == 0
    assert "[[probes]]" in out


def test_proposed_ids_are_unique_and_hostile_topics_stay_quoted() -> None:
    heard = [
        Overheard('a/"]\n[broker]', 1, 0, b'{"temperature": 28, "b~/": {"temperature": 29}}'),
        Overheard("ä ö/temperature", 1, 0, b"28"),
        Overheard("////", 1, 0, b'{"temperature": 28}'),
        Overheard("\x1b[2J\u202e\x7f/\U000e0001" * 3000, 1, 0, b"28"),
        Overheard("temperature", 1, 0, b"28"),
    ]
    text = "\n".join(propose(heard, [Probe("a-broker-warmth", "a/broker")]))
    assert all(line.isprintable() for line in text.splitlines())
    entries = tomllib.loads(text)["probes"]
    assert tomllib.loads(text).keys() == {"probes"}
    ids = [e["id"] for e in entries]
    assert len(set(ids)) == len(ids) == 6
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", x) for x in ids)
    assert ids[:4] == ["a-broker-warmth-2", "a-broker-b-0-1-warmth", "warmth", "warmth-2"]
    assert entries[0]["topic"] == 'a/"]\n[broker]'
    assert entries[1]["pointer"] == "/b~0~1/temperature"
    assert entries[4]["topic"] == heard[3].topic


def test_a_topic_of_one_word_makes_an_entry_that_only_lacks_its_box(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with Probes(broker.port, [("temperature", "28.4"), ("humidity", "91"), ("upper", "27.9")]):
        assert listen(*at(broker.port), "--json") == 0
    entries = json.loads(capsys.readouterr().out)["entries"]
    file = tmp_path / "room.toml"
    room = ROOM.replace('id = "CHANGE-ME"', 'id = "top"')
    file.write_text(room.format(port=broker.port, probes=entries))
    assert {m.id for m in check(file) if m.level == "mistake"} == {"unknown-box"}
    file.write_text(room.format(port=broker.port, probes=entries.replace("CHANGE-ME", "top")))
    probes = load(file).room.probes
    assert [(p.id, p.topic) for p in probes] == [
        ("humidity", "humidity"), ("warmth", "temperature"), ("upper-warmth", "upper"),
    ]  # fmt: skip


def test_nothing_is_taken_in_silence(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    messages = [("a", '{"time": "2026-05-01T06:00:00", "temperature": 28.4}'), ("b", "28,4"), ("c", '{"t": 28')]
    with Probes(broker.port, messages):
        assert listen(*at(broker.port)) == 0
    out = capsys.readouterr().out
    assert "/temperature = 28.4: temperature in C?" in out
    assert "/time: the time '2026-05-01T06:00:00' has no zone: it needs Z or an offset" in out
    assert "so the time of arrival counts" in out
    assert "'28,4' has a decimal comma; numbers need a point" in out
    assert "not JSON: it breaks at" in out


@pytest.mark.parametrize("rest", ["", '[room]\nname = "Shed"\n', ROOM, ROOM + "[[probes]]\nid = 3\n[somewhere]\n"])
def test_it_asks_the_broker_of_a_file_that_is_not_whole_yet(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path, rest: str
) -> None:
    known = '[[probes]]\nid = "mine"\ntopic = "shed/left/temperature"\nbox = "CHANGE-ME"\n'
    text = (
        rest.format(port=broker.port, probes=known) if "{port}" in rest else f"[broker]\nport = {broker.port}\n{rest}"
    )
    file = tmp_path / "room.toml"
    file.write_text(text)
    with Probes(broker.port, MESSAGES[:2]):
        assert listen("--config", str(file)) == 0
    out, err = capsys.readouterr()
    assert ("mine: 28.4 °C" in out) == ("{port}" in rest)
    assert "humidity in %?" in out
    assert ("has mistakes (warmtally check)" in err) == (rest != ROOM)
    file.write_text(f'[broker]\nport = "x"\n{rest}')
    assert listen("--config", str(file)) == 3


def test_thousands_of_numbers_of_one_name_are_named_at_once_and_few_of_one_topic_are_looked_at() -> None:
    """Signs of which a name can hold none make all names the same; a message may hold thousands of numbers."""
    wide = json.dumps({chr(0x4E00 + n): 20.5 for n in range(400)}).encode()
    heard = [Overheard(f"shed/{chr(0x4E00 + n)}", 1, 0, wide, [0.0]) for n in range(40)]
    assert [len(found) for found in unread(heard, [])] == [MOST_OF_TOPIC] * 40
    # Those with a meaning go first, however far behind they stand.
    told = json.dumps({**{f"x{n}": 20.5 for n in range(400)}, "temperature": 28.4}).encode()
    (found,) = unread([Overheard("shed", 1, 0, told, [0.0])], [])
    assert found[0].guess.pointer == "/temperature"
    bare = guess("x", b"20.5")[0]
    taken: set[str] = set()
    names = [name_of(Candidate(h, bare), taken) for h in heard]
    assert names == ["shed-warmth", *(f"shed-warmth-{n}" for n in range(2, 41))]
    asked: list[object] = []

    class Asked(set[str]):
        def __contains__(self, name: object) -> bool:
            asked.append(name)
            return super().__contains__(name)

    many = Asked({"shed-warmth", *(f"shed-warmth-{n}" for n in range(2, 100_000))})
    assert name_of(Candidate(heard[0], bare), many) == "shed-warmth-100000"
    assert len(asked) < 60


def test_whatever_a_real_broker_keeps_is_shown_in_plain_lines_and_makes_a_file_that_can_be_read(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Names that are equal once they are plain, control signs, letters that run the other way, bytes, old data."""
    topics = ["r/!/é{}", "r/\u202e{}", "r/{}/" + "l" * 300, 'r/"{}"]/[broker]', "r/{}/\U000e0001"]
    payloads = [
        b"28.4",
        b"\x00\xff\xfe" * 300,
        b"\x1b]0;x\x07\x1b[2J28.4",
        "\u202e28.4".encode(),
        b'{"temperature": 1e999}',
        b"[" * 10_000,
        json.dumps({f"\x1b[2J{n}": 21.5 for n in range(300)}).encode(),
        b"x" * 1_000_000,
    ]
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    for n, payload in enumerate(payloads):
        for topic in topics:
            client.publish(topic.format(n), payload, qos=1, retain=True).wait_for_publish(MOMENT_S)
    client.disconnect()
    client.loop_stop()
    assert listen(*at(broker.port), "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert len(found["topics"]) == len(topics) * len(payloads)
    assert not found["left_out"]
    assert len(set(re.findall(r'(?m)^#?id = "(.*?)"', found["entries"]))) == found["entries"].count("[[probes]]") > 100
    assert listen(*at(broker.port)) == 0
    out, err = capsys.readouterr()
    assert all(line.isprintable() for line in (out + err).splitlines())
    assert "(retained: old news)" in out
    file = tmp_path / "room.toml"
    file.write_text(ROOM.format(port=broker.port, probes=found["entries"]), encoding="utf-8")
    # Of all these only the bare number is surely a temperature.
    assert sorted(p.topic for p in load(file).room.probes) == sorted(topic.format(0) for topic in topics)


def test_of_very_many_topics_and_bytes_no_more_is_kept_than_is_bounded() -> None:
    class Message:
        retain = False

        def __init__(self, topic: str, size: int) -> None:
            self.topic, self.payload = topic, b"x" * size

    for size, many in ((10, 3000), (300_000, 400)):
        ear = Ear(Broker(), "#", lambda known, retained: None)
        for n in range(many):
            ear._on_message(None, None, Message(f"a/{n}", size))
        assert ear.left_out
        assert len(ear.heard) <= MOST_TOPICS
        assert sum(len(h.last) for h in ear.heard.values()) <= MOST_BYTES
        ear._on_message(None, None, Message("a/0", 5))
        assert ear.heard["a/0"].last == b"xxxxx"
