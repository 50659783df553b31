"""``warmtally setup`` as a keeper meets it: a room from nothing, again later, and every way to stop in between."""

from __future__ import annotations

import io
import os
import pty
import random
import select
import signal
import stat
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt.ear import Overheard
from monitor.cli import setup
from monitor.cli.setup_probes import MOST_ASKED
from monitor.config.room_edit import MARK, RoomFile
from monitor.config.room_file import check, load
from monitor.core.terms.settings import Broker
from monitor.errors import ConfigError
from tests.desk import Answer, Desk
from tests.peers import MOMENT_S, PROJECT, Mosquitto, mosquitto
from tests.sinks import http_sink

Messages = Sequence[tuple[str, str]]
MESSAGES: Messages = [
    ("eggroom/left/upper", "28.4"),
    ("incubator/temperature", "81.6"),
    ("gate/one", '{"time": "2026-05-01T06:00:00", "air": {"temperature": 26.1, "humidity": 61}, "battery": 88}'),
    ("odd", "812"),
    ("lamp", "on"),
]
ROOM = ["Shed", "Europe/Vienna", "C"]
NOBODY = ["127.0.0.1", "1883", ""]
# Each message in the order of its topics: gate/one (air, humidity), incubator, eggroom; numbers nobody knows; battery.
PROBES = [
    "left-upper", "", "150", "", "",
    "air", "", "200", "", "",
    "no",
    "left-lower", "left", "24 in", "", "10 min",
    "",
    "y",
]  # fmt: skip
REST = ["", "elaphe-taeniura", "", "25", ""]


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WARMTALLY_CONFIG", raising=False)
    return Desk(tmp_path)


def hear(monkeypatch: pytest.MonkeyPatch, messages: Messages) -> None:
    """From now on these messages are what comes, once each."""

    class Ear:
        left_out = False

        def __init__(self, _broker: Broker, _topic: str, _show: object) -> None:
            self.heard = {topic: Overheard(topic, 1, 0, payload.encode(), [0.0]) for topic, payload in messages}

        def listen(self, _seconds: float) -> None:
            pass

    monkeypatch.setattr(setup, "Ear", Ear)


def told(desk: Desk, answers: Sequence[str], *words: str) -> Answer:
    """The command with those answers on standard input."""
    line = io.BytesIO("".join(f"{answer}\n" for answer in answers).encode("utf-8", "surrogateescape"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", SimpleNamespace(buffer=line, isatty=lambda: False))
        return desk(" ".join(["setup", "--seconds", "0.3", *words]))


def tables(desk: Desk) -> dict[str, Any]:
    return tomllib.loads((desk.folder / "room.toml").read_text("utf-8"))


# -- from nothing --------------------------------------------------------------------------------------------------


def publish(port: int, messages: Messages, login: tuple[str, str] | None = None) -> None:
    """What a broker keeps and tells at once to whoever asks."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
    if login:
        client.username_pw_set(*login)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1, retain=True).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()


def test_a_room_is_set_up_from_nothing_at_a_broker_with_a_login(desk: Desk, tmp_path: Path) -> None:
    login = ("warmtally", "very secret")
    with mosquitto(tmp_path / "broker", login=login) as broker, http_sink() as sink:
        publish(broker.port, MESSAGES, login)
        place = ["127.0.0.1", str(broker.port)]
        # The wrong password first: the broker is asked for again, and what was told of it stands in the brackets.
        answers = [*ROOM, *place, "warmtally", "wrong", "y", "", "", "", "very secret"]
        answers += [
            "air",
            "upper",
            "",
            "150",
            "",
            "200",
            "",
            "",
            "no",
            "upper",
            "",
            "",
            "lower",
            "",
            "1 m",
            "C",
            "",
            "5 min",
        ]
        answers += [
            "",
            "y",
            "spare",
            "right",
            "47 in",
            "",
            "elaphe taeniura",
            "31",
            "",
            f"json://127.0.0.1:{sink.port}/x",
            "",
            "y",
        ]
        said = told(desk, answers)
        assert said.code == 0, said.text
        assert "warmtally 'warmtally'" not in said.text
        assert "very secret" not in said.text
        assert [a.path for a in sink.arrivals] == ["/x"]
    assert "the time '2026-05-01T06:00:00' has no zone" in said.out
    assert "81.6 is hardly °C in a room for eggs; in °F it is 27.6 °C" in said.out
    assert "81.6 °C is hardly what a room for eggs is at; in °F" in said.out
    assert "hatching success" in said.out
    assert "phone: took it" in said.out
    assert "no mistakes; the service can start" in said.out
    settings = load(desk.folder / "room.toml")
    assert settings.broker.password == "very secret"
    assert [(b.id, b.stack, b.height_cm) for b in settings.room.boxes] == [
        ("upper", "left", 150.0), ("lower", "left", 100.0), ("spare", "right", 119.4),
    ]  # fmt: skip
    for name in ("broker.password", "phone.address"):
        assert stat.S_IMODE((desk.folder / name).stat().st_mode) == 0o600
    text = (desk.folder / "room.toml").read_text("utf-8")
    assert "very secret" not in text
    assert f":{sink.port}" not in text
    assert "hatching success 50.0 % at 22 C" in text


def test_what_is_told_is_what_the_file_says(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    hear(monkeypatch, MESSAGES)
    said = told(desk, [*ROOM, *NOBODY, *PROBES, *REST])
    assert said.code == 0, said.text
    room = load(desk.folder / "room.toml").room
    assert [(p.id, p.unit, p.box, p.stack, p.height_cm, p.interval_s, p.pointer) for p in room.probes] == [
        ("eggroom-left-upper-warmth", "C", "left-upper", None, None, 60.0, None),
        ("gate-one-air-warmth", "C", None, "left", 200.0, 60.0, "/air/temperature"),
        ("incubator-warmth", "F", "left-lower", None, None, 600.0, None),
    ]
    assert [(b.id, b.battery_of, b.unit) for b in room.batteries] == [("gate-one-battery", "gate-one-air-warmth", "%")]
    assert (room.name, room.zone, room.display_unit) == ("Shed", "Europe/Vienna", "C")
    assert (room.limits.too_warm_c, room.limits.too_cool_c) == (30.0, 25.0)
    assert [(b.id, b.height_cm) for b in room.boxes] == [("left-upper", 150.0), ("left-lower", 61.0)]
    assert sorted(x.name for x in desk.folder.iterdir()) == ["room.toml"]


def test_of_an_empty_broker_it_says_what_a_probe_has_to_send_and_a_room_without_probes_can_be_written(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear(monkeypatch, [])
    said = told(desk, [*ROOM, *NOBODY, "upper", "", "150", "", "", "", "", ""])
    assert said.code == 0, said.text
    assert "A probe has to publish its number" in said.out
    assert "mosquitto_pub -h 127.0.0.1" in said.out
    assert load(desk.folder / "room.toml").room.probes == ()
    hear(monkeypatch, MESSAGES[:1])
    assert told(desk, ["upper", "", "", "", "", "", "", ""]).code == 0
    assert [p.box for p in load(desk.folder / "room.toml").room.probes] == ["upper"]
    assert "probes = []" not in (desk.folder / "room.toml").read_text("utf-8")


def test_without_a_broker_it_goes_on_and_keeps_what_was_told_of_it(desk: Desk) -> None:
    said = told(desk, [*ROOM, "127.0.0.1", "1", "", "n", "upper", "", "150", "", "", "", "", ""])
    assert said.code == 0, said.text
    assert "nobody answers" in said.out
    assert tables(desk)["broker"] == {"host": "127.0.0.1", "port": 1}


# -- stopped, and told wrongly -------------------------------------------------------------------------------------


def whole(old: Any, new: Any) -> bool:
    """Whether all that was there still is."""
    if isinstance(old, dict):
        return isinstance(new, dict) and all(key in new and whole(value, new[key]) for key, value in old.items())
    if isinstance(old, list):
        return len(old) <= len(new) and all(map(whole, old, new))
    return bool(old == new)


def test_wherever_the_answers_end_the_file_is_whole_and_nothing_of_before_is_lost(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear(monkeypatch, MESSAGES)
    answers = [*ROOM, *NOBODY, *PROBES, *REST]
    before: dict[str, Any] = {}
    for heard in range(len(answers)):
        for file in desk.folder.iterdir():
            file.unlink()
        said = told(desk, answers[:heard])
        assert said.code == 2, said.text
        assert "the answers ended before all was asked" in said.err
        left = [x.name for x in desk.folder.iterdir()]
        assert left == (["room.toml"] if heard >= len(ROOM) else [])
        if left:
            now = tables(desk)
            assert whole(before, now)
            assert {m.id for m in check(desk.folder / "room.toml") if m.level == "mistake"} <= {"missing-part"}
            before = now
    # What was stopped last is gone on with.
    assert told(desk, ["", "", ""]).code == 0
    assert whole(before, tables(desk))


def test_answers_that_cannot_be_are_asked_for_again_and_change_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear(monkeypatch, MESSAGES[:2])
    answers = [
        *ROOM,
        *NOBODY,
        "upper",
        "",
        "150",
        "",
        "",
        "lower",
        "",
        "60",
        "F",
        "10 min",
        "",
        "elaphe-taeniura",
        "30",
        "25",
        "",
    ]
    odd = {
        0: ["\x1b[2J", "x" * 5000, "\udce9"],
        1: ["Europe/Viena", "nowhere", "\x00"],
        2: ["K", "x"],
        3: ["127.0.0.1:1883", "\x7f"],
        4: ["0", "99999", "x", "-1"],
        6: ["two words", "ä", "-x", "x" * 70],
        7: ["two words", "a/b"],
        8: ["", "high", "1e9", "99999", "nan"],
        9: ["x", "V", "°C"],
        10: ["soon", "-5", "0"],
        13: ["", "inf", "3 ft"],
        17: ["gecko", "elaphe-taeniura, gecko"],
        18: ["warm", "200", "86", "-40"],
        19: ["30", "31", "29.9", "nan"],
    }
    assert told(desk, answers).code == 0
    file = desk.folder / "room.toml"
    plain = file.read_text("utf-8")
    rng = random.Random(7)
    for _ in range(2):
        file.unlink()
        mixed = [
            x
            for i, right in enumerate(answers)
            for x in (*rng.sample(odd.get(i, []), min(3, len(odd.get(i, [])))), right)
        ]
        said = told(desk, mixed)
        assert said.code == 0, said.text
        assert file.read_text("utf-8") == plain
    file.unlink()
    assert told(desk, ["x" * 5000] * 30).code == 2


def test_a_unit_that_is_hardly_meant_is_taken_when_it_is_told_twice(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear(monkeypatch, [("a", "81.6"), ("scale", "812")])
    answers = ["1, 2", "upper", "", "150", "C", "C", "1 min", "upper", "", "g", "", "", "", "", "", ""]
    said = told(desk, [*ROOM, *NOBODY, *answers])
    assert "81.6 °C is hardly what a room for eggs is at; in °F it is 27.6 °C" in said.out
    # Where none fits Enter alone says none.
    assert "g for a scale" in said.out
    assert [p["unit"] for p in tables(desk)["probes"]] == ["C", "g"]


def test_a_limit_in_the_other_unit_is_asked_for_again(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    hear(monkeypatch, [])
    answers = ["upper", "", "59 in", "", "elaphe-taeniura", "30", "86", "77", ""]
    said = told(desk, ["Shed", "UTC", "F", *NOBODY, *answers])
    assert said.code == 0, said.text
    assert "30 °F is hardly a limit for eggs: is it in °C?" in said.out
    assert "elaphe-taeniura: at 71.6 to 86 °F" in said.out
    assert tables(desk)["limits"] == {"too_warm_f": 86, "too_cool_f": 77}


def test_a_hostile_broker_moves_no_cursor_and_makes_no_file_wrong(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    names = [
        '"]\n[broker]\nhost = "evil"',
        "\x1b]0;x\x07",
        "\u202e",
        "a" * 3000,
        "# no probe: ",
        "\\",
        "'''",
        "\U000e0001",
    ]
    messages = [(f"{n}/{name}/temperature", "28.4") for n in range(60) for name in names]
    messages += [("tree", '{"' + '":{"'.join(["temperature"] * 300) + '": 28' + "}" * 300)]
    messages += [("wide", "{" + ",".join(f'"temperature{n}": 28' for n in range(1000)) + "}")]
    hear(monkeypatch, messages)
    rng = random.Random(11)
    answers = [*ROOM, *NOBODY]
    for _ in range(MOST_ASKED):
        answers += (
            rng.choice((["no"], [""], ["upper", "C", "1 min"]))
            if "upper" in answers
            else ["upper", "", "1", "C", "1 min"]
        )
    said = told(desk, [*answers, "", "", "", "", ""])
    assert said.code == 0, said.text[-2000:]
    assert all(line.isprintable() for line in said.text.splitlines())
    assert len(said.text) < 100_000
    got = tables(desk)
    assert got["broker"] == {"host": "127.0.0.1", "port": 1883}
    assert {p["topic"] for p in got["probes"]} <= {topic for topic, _ in messages}
    assert len(got["probes"]) > 3
    # What was called no probe is not asked for again.
    refused = answers.count("no")
    assert (desk.folder / "room.toml").read_text("utf-8").count("\n# no probe: ") == refused > 3


# -- again ---------------------------------------------------------------------------------------------------------


def test_again_it_asks_for_what_is_new_and_touches_nothing_else(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    hear(monkeypatch, MESSAGES)
    assert told(desk, [*ROOM, *NOBODY, *PROBES, *REST]).code == 0
    file = desk.folder / "room.toml"
    mine = file.read_text("utf-8").replace("[limits]", "# mine, é\n[limits]\n# on_delay = '20 min'")
    file.write_text(mine, "utf-8")
    file.chmod(0o640)
    said = told(desk, ["", "", ""])
    assert said.code == 0, said.text
    assert file.read_text("utf-8") == mine
    assert sorted(x.name for x in desk.folder.iterdir()) == ["room.toml"]
    hear(monkeypatch, [*MESSAGES, ("eggroom/left/mid", "28.0")])
    said = told(desk, ["left-mid", "left", "100", "", "1 min", "", "", ""])
    assert said.code == 0, said.text
    assert "Its time zone" not in said.out
    new = file.read_text("utf-8")
    lines = iter(new.splitlines())
    assert all(line in lines for line in mine.splitlines()), "every line is there, in its order"
    assert (desk.folder / "room.toml.before-setup").read_text("utf-8") == mine
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    room = load(file).room
    assert [b.id for b in room.boxes] == ["left-upper", "left-lower", "left-mid"]
    assert len(room.probes) == 4


def test_it_adds_to_no_file_with_mistakes_and_takes_the_example_for_nobodys(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear(monkeypatch, MESSAGES[:1])
    for text in ("[room]\nname = 3\n", "x = [", "[rom]\n"):
        desk.write(text)
        assert told(desk, []).code == 3
        assert (desk.folder / "room.toml").read_text() == text
    example = (PROJECT / "config" / "room.toml").read_text("utf-8")
    desk.write(example)
    assert told(desk, [*ROOM, *NOBODY, "upper", "", "150", "", "", "", "", "", "", ""]).code == 0
    assert tables(desk)["room"]["name"] == "Shed"
    assert (desk.folder / "room.toml.before-setup").read_text("utf-8") == example


def test_places_where_no_file_can_be_are_told_before_anything_is_asked(desk: Desk) -> None:
    os.mkfifo(desk.folder / "pipe")
    (desk.folder / "file").touch()
    for name in ("pipe", "file/room.toml", "file/deeper/room.toml"):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "stdin", None)
            said = desk(f"setup --config {name}", where=False)
        assert said.code in (2, 3), said.text
        assert "room called" not in said.out
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", None)
        assert desk("setup").code == 2
    assert not (desk.folder / "room.toml").exists()


def test_of_the_example_that_was_installed_its_store_and_broker_stay(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert f'example="{MARK}"' in (PROJECT / "deploy" / "install").read_text("utf-8")
    hear(monkeypatch, MESSAGES[:1])
    example = (PROJECT / "config" / "room.toml").read_text("utf-8")
    login = 'host = "127.0.0.1"\nport = 1884\nusername = "warmtally"\npassword_file = "broker.password"'
    example = example.replace('host = "127.0.0.1"', login)
    desk.write(f'{MARK}\n{example}\n[store]\ndata_dir = "/nowhere"\n')
    (desk.folder / "broker.password").write_text("very secret\n")
    desk.folder.chmod(0o2770)
    answers = [*ROOM, "upper", "", "150", "", "", "", "", "", "", "json://127.0.0.1:9/x", "", "n"]
    said = told(desk, answers)
    assert said.code == 0, said.text
    got = tables(desk)
    assert got["store"] == {"data_dir": "/nowhere"}
    assert got["broker"]["port"] == 1884
    assert [b["id"] for s in got["stacks"] for b in s["boxes"]] == ["upper"]
    assert MARK not in (desk.folder / "room.toml").read_text("utf-8")
    # The service is of the group that this folder belongs to.
    assert stat.S_IMODE((desk.folder / "phone.address").stat().st_mode) & 0o677 == 0o640


@pytest.mark.parametrize("name", ["all-keys.toml", "room.toml", "inline", "crlf"])
def test_parts_are_added_where_they_are_taken_for_what_they_are(tmp_path: Path, name: str) -> None:
    """A box in every stack of every file, a probe in it, and every line of before still there in its order."""
    if name == "inline":
        text = 'probes = []  # none\n[room]\nname = "x"\ntime_zone = "UTC"\n[[stacks]]\nid = "a"\n[[stacks.boxes]]\n'
        text += 'id = "b"\n'
        text += 'height_cm = 1\n# of b\n\n# of c\n[[stacks]]\nid = "c"\nboxes = [ { id = "d", height_cm = 2 } ]'
    else:
        source = "all-keys.toml" if name == "crlf" else name
        text = (PROJECT / "config" / source).read_bytes().decode("utf-8")
        text = text.replace("\n", "\r\n") if name == "crlf" else text
    path = tmp_path / "room.toml"
    path.write_bytes(text.encode())
    file = RoomFile(path)
    for stack in tomllib.loads(text)["stacks"]:
        box = {"id": f"new-{stack['id']}", "height_cm": 5}
        block = f'[[stacks.boxes]]\nid = "{box["id"]}"\nheight_cm = 5'

        def change(made: dict[str, Any], stack: str = stack["id"], box: dict[str, Any] = box) -> None:
            next(s for s in made["stacks"] if s["id"] == stack)["boxes"].append(box)

        if name == "inline" and stack["id"] == "c":
            with pytest.raises(ConfigError, match="add it by hand"):
                file.add((block, change))
            continue
        probe = {"id": f"p-{stack['id']}", "topic": f"t/{stack['id']}", "box": box["id"]}
        said = "[[probes]]\n" + "\n".join(f'{key} = "{value}"' for key, value in probe.items())
        file.add((block, change), (said, lambda made, probe=probe: made.setdefault("probes", []).append(probe)))  # type: ignore[misc]
    new = path.read_bytes().decode("utf-8")
    lines = iter(new.splitlines())
    assert all(line in lines for line in text.splitlines() if not line.startswith("probes = []"))
    assert (new.count("\r\n") == new.count("\n")) == (name == "crlf")
    assert not [m for m in check(path) if m.level == "mistake" and not m.id.startswith("secret-")]


def test_nothing_is_written_over_what_somebody_else_wrote_nor_what_would_be_wrong(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    path.write_bytes((PROJECT / "config" / "room.toml").read_bytes())
    file = RoomFile(path)
    before = path.read_bytes()
    twice = {"id": "left-upper-warmth", "topic": "x", "box": "nowhere"}
    said = "[[probes]]\n" + "\n".join(f'{key} = "{value}"' for key, value in twice.items())
    with pytest.raises(ConfigError, match="would make the file wrong"):
        file.add((said, lambda made: made["probes"].append(twice)))
    assert path.read_bytes() == before
    path.write_bytes(before + b"# theirs\n")
    with pytest.raises(ConfigError, match="somebody else changed it"):
        file.remark("mine")
    assert path.read_bytes() == before + b"# theirs\n"
    assert [x.name for x in tmp_path.iterdir()] == ["room.toml"]
    assert file.keep_secret("a.password", "one") == "a.password"
    assert file.keep_secret("a.password", "two") == "a-2.password"
    assert (tmp_path / "a.password").read_text() == "one\n"


# -- at a terminal -------------------------------------------------------------------------------------------------


class Terminal:
    """A command in a terminal of its own, typed at."""

    def __init__(self, *words: str) -> None:
        self.ours, theirs = pty.openpty()
        # Whoever starts the tests in the background has them ignore an interrupt, and what they start inherits that.
        before = signal.signal(signal.SIGINT, signal.default_int_handler)
        environ = {**os.environ, "PYTHONPATH": str(PROJECT), "TERM": "xterm"}
        command = [sys.executable, "-m", "monitor", *words]
        self.process = subprocess.Popen(
            command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env=environ
        )
        signal.signal(signal.SIGINT, before)
        os.close(theirs)
        self.seen = ""

    def until(self, text: str) -> None:
        began = time.monotonic()
        while text not in self.seen:
            assert time.monotonic() < began + MOMENT_S, self.seen
            if select.select([self.ours], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.ours, 4096).decode("utf-8", "replace")
                except OSError:  # its end has gone
                    break
        assert text in self.seen, self.seen
        self.seen = self.seen[self.seen.index(text) + len(text) :]

    def types(self, text: str) -> None:
        os.write(self.ours, f"{text}\n".encode())


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker", login=("warmtally", "very secret")) as running:
        yield running


def test_at_a_terminal_a_password_is_not_shown_and_an_interrupt_loses_nothing(desk: Desk, broker: Mosquitto) -> None:
    publish(broker.port, MESSAGES[:1], ("warmtally", "very secret"))
    file = desk.folder / "room.toml"
    at = Terminal("setup", "--config", str(file), "--seconds", "60")
    try:
        for question, answer in (
            ("called", "Shed"), ("zone", "UTC"), ("C or F", ""), ("address", ""), ("port", str(broker.port)),
            ("Login", "warmtally"), ("password", "very secret"),
        ):  # fmt: skip
            at.until(question)
            at.until(": ")
            at.types(answer)
        at.until("listening at")
        at.until("1 messages")
        # The first ends the listening, the second the questions.
        at.process.send_signal(signal.SIGINT)
        at.until("In which box does it lie")
        assert "very secret" not in at.seen
        at.types("upper")
        at.until("In which stack")
        at.process.send_signal(signal.SIGINT)
        at.until("Stopped; what was told is in")
        assert at.process.wait(MOMENT_S) == 130
    finally:
        at.process.kill()
        os.close(at.ours)
    assert set(tables(desk)) == {"room", "broker"}
    assert load_password(desk) == "very secret"


def load_password(desk: Desk) -> str:
    return (desk.folder / str(tables(desk)["broker"]["password_file"])).read_text("utf-8").strip()
