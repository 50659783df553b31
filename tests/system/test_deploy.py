"""What an administrator runs: the broker's set-up against a real broker, the unit, the scripts, the measurements."""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import shutil
import signal
import stat
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.cli.main import parser
from monitor.config.room_file import load
from tests.bench import Figures
from tests.bench.__main__ import NotMeasured, available, find, main, options, report, run
from tests.peers import MOMENT_S, PROJECT, answers, free_port, need, wait_for

DEPLOY = PROJECT / "deploy"
SCRIPTS = [
    *(DEPLOY / name for name in ("try", "test", "measure", "broker", "lock", "install", "remove", "warmtally")),
    PROJECT / ".ci" / "run",
]
SERVICE, PROBES = "service-word-1", "probes wörd-2"


def set_up(
    folder: Path, *arguments: str, environ: dict[str, str] | None = None, passwords: tuple[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run deploy/broker for a folder, the two passwords in files, and nobody at the keyboard."""
    command = [str(DEPLOY / "broker"), "--folder", str(folder)]
    if passwords is not None:
        for who, word in zip(("service", "probes"), passwords, strict=True):
            file = folder.parent / f"{who}.word"
            file.write_text(f"{word}\n", encoding="utf-8")
            command += [f"--{who}-password-file", str(file)]
    return subprocess.run(
        [*command, *arguments],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **(environ or {})},
    )


@dataclass
class Broker:
    """mosquitto on a folder that deploy/broker has filled."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            command = [need("mosquitto", "mosquitto"), "-c", str(self.folder / "mosquitto.conf")]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        wait_for(lambda: answers(self.port), "the broker to answer")

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.wait(MOMENT_S)
            self.process = None

    def save_now(self) -> None:
        """What the broker does by itself every autosave_interval, at once (mosquitto(8), SIGUSR1)."""
        assert self.process is not None
        (self.folder / "data" / "mosquitto.db").unlink(missing_ok=True)  # it may have done so by itself before
        self.process.send_signal(signal.SIGUSR1)
        wait_for((self.folder / "data" / "mosquitto.db").exists, "the broker's file")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    need("mosquitto", "mosquitto")
    port = free_port()
    done = set_up(tmp_path / "broker", "--port", str(port), passwords=(SERVICE, PROBES))
    assert done.returncode == 0, done.stderr
    running = Broker(tmp_path / "broker", port)
    running.start()
    yield running
    running.stop()


@dataclass
class Client:
    """A client with a session that lasts; what it was told, and what came."""

    port: int
    login: tuple[str, str] | None
    name: str
    came: list[str] = field(default_factory=list)
    answer: str = ""
    granted: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self.name, protocol=mqtt.MQTTv5)
        if self.login is not None:
            self.line.username_pw_set(*self.login)
        self._answered = threading.Event()
        self.line.on_connect = self._on_connect
        self.line.on_subscribe = lambda _c, _d, _m, codes, _p: self.granted.extend(str(c) for c in codes)
        self.line.on_message = lambda _c, _d, message: self.came.append(message.payload.decode())

    def _on_connect(self, _c: object, _d: object, _f: object, reason: object, _p: object) -> None:
        self.answer = str(reason)
        self._answered.set()

    def connect(self) -> str:
        """The broker's answer."""
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        lasting.SessionExpiryInterval = 3600
        self._answered.clear()
        self.line.connect("127.0.0.1", self.port, clean_start=False, properties=lasting)
        self.line.loop_start()
        assert self._answered.wait(MOMENT_S)
        return self.answer

    def subscribe(self, topic: str) -> str:
        self.granted.clear()
        self.line.subscribe(topic, qos=1)
        wait_for(lambda: bool(self.granted), "the answer to the subscription")
        return self.granted[0]

    def publish(self, topic: str, *texts: str) -> None:
        """All of them, and wait until the broker has all of them."""
        for sent in [self.line.publish(topic, text, qos=1) for text in texts]:
            sent.wait_for_publish(30)

    def close(self) -> None:
        self.line.disconnect()
        self.line.loop_stop()


@contextlib.contextmanager
def connected(port: int, login: tuple[str, str] | None, name: str) -> Iterator[Client]:
    client = Client(port, login, name)
    try:
        client.connect()
        yield client
    finally:
        client.close()


# -- the broker ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "login",
    [None, ("warmtally", "guess-guess"), ("probes", SERVICE), ("warmtally", PROBES), ("somebody", SERVICE)],
    ids=["none", "wrong password", "the other's password", "the other's name", "unknown name"],
)
def test_a_wrong_login_is_refused(broker: Broker, login: tuple[str, str] | None) -> None:
    with connected(broker.port, login, "stranger") as client:
        assert client.answer == "Not authorized"


def test_probes_may_report_and_the_service_may_read_and_nothing_else(broker: Broker) -> None:
    with (
        connected(broker.port, ("warmtally", SERVICE), "warmtally") as service,
        connected(broker.port, ("probes", PROBES), "probe") as probe,
    ):
        assert (service.answer, probe.answer) == ("Success", "Success")
        service.subscribe("#")
        probe.subscribe("#")
        probe.publish("elsewhere/left", "outside")
        service.publish("eggroom/left", "forged")
        service.publish("eggroom/answer/reply", "answered")
        probe.publish("eggroom/left/upper/temperature", "28.4")
        wait_for(lambda: "28.4" in service.came and "answered" in service.came, "the reading and the reply")
        assert sorted(service.came) == ["28.4", "answered"]
        assert probe.came == []


def test_nobody_speaks_in_the_name_of_another(broker: Broker) -> None:
    """Each login publishes on every topic of all; only what is its own arrives."""
    words = {
        "warmtally": SERVICE,
        "probes": PROBES,
        **{who: (broker.folder / f"{who}.password").read_text().strip() for who in ("keeper", "gateways")},
    }
    reports = {"left/upper", "answers", "gateways/attic", "warmtally2"}
    own = {
        "warmtally": {"answer/reply", "warmtally", "warmtally/room", "warmtally/box/left-upper", "warmtally/codes"},
        "keeper": {"answer"},
        "gateways": {"gateway", "gateway/attic", "gateway/attic/state", *reports},
        "probes": reports,
    }
    topics = sorted({*set().union(*own.values()), "answer/x", "answer/reply/x", "warmtally/x"})
    with connected(broker.port, ("warmtally", SERVICE), "warmtally") as service:
        service.subscribe("eggroom/#")
        for who, word in words.items():
            client = service if who == "warmtally" else Client(broker.port, (who, word), who)
            if client is not service:
                assert client.connect() == "Success"
            for topic in topics:
                # A broker may end the connection at what it refuses, so each goes without asking for an answer.
                client.line.publish(f"eggroom/{topic}", f"{who} {topic}", qos=0)
            if client is not service:
                client.line.publish("eggroom/" + sorted(own[who])[0], f"{who} done", qos=0)
                wait_for(lambda w=who: f"{w} done" in service.came, f"the last of {who}")  # type: ignore[misc]
                client.close()
        wait_for(lambda: "warmtally warmtally" in service.came, "the service's own")
        came = {text for text in service.came if not text.endswith(" done")}
        assert came == {f"{who} {topic}" for who, theirs in own.items() for topic in theirs}


def test_a_room_among_many_speaks_for_itself_alone(tmp_path: Path) -> None:
    """Each login of each room, and the overview's, publishes on every topic of both rooms, and tries to hear all."""
    port = free_port()
    folder = tmp_path / "house"
    done = set_up(folder, "--port", str(port), "--room", "attic", "--room", "cellar")
    assert done.returncode == 0, done.stderr
    running = Broker(folder, port)
    running.start()
    own = {
        "": {"warmtally", "warmtally/room", "warmtally/box/low", "warmtally/codes", "answer/reply"},
        "-probes": {"low"},
        "-keeper": {"answer"},
        "-gateways": {"low", "gateway/one"},
    }
    topics = sorted(f"{room}/{name}" for room in ("attic", "cellar") for name in set().union(*own.values()))
    may = {
        f"{room}{who}": {f"{room}/{x}" for x in theirs} for room in ("attic", "cellar") for who, theirs in own.items()
    }
    may["overview"] = {"attic/answer", "cellar/answer"}
    hears = {"attic": "attic/", "cellar": "cellar/", "overview": ""}
    try:
        ears = {}
        for who in hears:
            ears[who] = Client(port, (who, (folder / f"{who}.password").read_text().strip()), f"ear-{who}")
            assert ears[who].connect() == "Success"
            ears[who].subscribe("#" if who == "overview" else f"{who}/#")
        for who in may:
            speaker = Client(port, (who, (folder / f"{who}.password").read_text().strip()), f"mouth-{who}")
            assert speaker.connect() == "Success"
            for topic in topics:
                # A broker may end the connection at what it refuses, so each goes without asking for an answer.
                speaker.line.publish(topic, f"{who} {topic}", qos=0)
            speaker.line.publish(sorted(may[who])[0], f"{who} done", qos=0)
            room = sorted(may[who])[0].partition("/")[0]
            wait_for(lambda r=room, w=who: f"{w} done" in ears[r].came, f"the last of {who}")  # type: ignore[misc]
            speaker.close()
        allowed = {f"{who} {topic}" for who, theirs in may.items() for topic in theirs}
        for who, begin in hears.items():
            came = {text for text in ears[who].came if not text.endswith(" done")}
            of_state = {x for x in allowed if "/warmtally" in x.split()[1] or x.endswith("/answer/reply")}
            wanted = of_state if who == "overview" else {x for x in allowed if x.split()[1].startswith(begin)}
            wait_for(lambda w=who, x=wanted: x <= set(ears[w].came), "all of it")  # type: ignore[misc]
            came = {text for text in ears[who].came if not text.endswith(" done")}
            assert came == wanted
        for ear in ears.values():
            ear.close()
    finally:
        running.stop(signal.SIGTERM)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--room", "a b"], "cannot be a room"),
        (["--room", "overview"], "another login"),
        (["--room", "attic-probes"], "another login"),
        (["--room", "attic", "--room", "attic"], "twice"),
        (["--room", "attic", "--topic", "eggs"], "does not go with --topic"),
        (["--room"], "needs a value"),
    ],
)
def test_a_room_that_cannot_be_one_of_many_is_refused(tmp_path: Path, words: list[str], why: str) -> None:
    done = set_up(tmp_path / "house", *words)
    assert done.returncode == 1
    assert why in done.stderr
    assert not (tmp_path / "house" / "passwords").exists()


def test_a_room_that_is_added_leaves_the_passwords_of_the_others(tmp_path: Path) -> None:
    folder = tmp_path / "house"
    assert set_up(folder, "--room", "attic").returncode == 0
    first = {x.name: x.read_text() for x in folder.glob("*.password")}
    assert set_up(folder, "--room", "attic", "--room", "den").returncode == 0
    now = {x.name: x.read_text() for x in folder.glob("*.password")}
    assert first.items() <= now.items()
    assert now.keys() - first.keys() == {f"den{x}.password" for x in ("", "-probes", "-keeper", "-gateways")}
    told = [set_up(folder, "--room", "attic").stdout for _ in range(2)]
    assert "\n[[brokers]]\n" in told[0]
    # Nobody else can know under which id its readings wait, and it stays the same.
    (client,) = re.findall(r'client_id = "attic-([0-9a-f]{12})"', told[0])
    assert client in told[1]
    assert client not in now["attic.password"]


@pytest.mark.parametrize("mixed", [False, True], ids=["alike", "mixed with readings that do not wait"])
def test_readings_wait_for_the_service_and_outlive_a_killed_broker(broker: Broker, mixed: bool) -> None:
    login = ("warmtally", SERVICE)
    with connected(broker.port, login, "warmtally") as service:
        service.subscribe("eggroom/#")
    count = 1500  # more than the 1000 that a broker keeps when it is not told
    with connected(broker.port, ("probes", PROBES), "probe") as probe:
        for n in range(0, count, 100):
            if mixed:
                probe.line.publish("eggroom/left", "passing", qos=0)
            probe.publish("eggroom/left", *(str(i) for i in range(n, n + 100)))
    broker.save_now()
    broker.stop(signal.SIGKILL)
    broker.start()
    with (
        connected(broker.port, login, "warmtally") as service,
        connected(broker.port, ("probes", PROBES), "probe") as probe,
    ):
        probe.publish("eggroom/left", "fresh")
        wait_for(lambda: "fresh" in service.came, "what waited, and what is new")
        assert service.came == [*(str(n) for n in range(count)), "fresh"]


def test_what_is_printed_fits_into_room_toml(tmp_path: Path) -> None:
    need("mosquitto", "mosquitto")
    done = set_up(tmp_path / "broker", "--port", "18830", passwords=(SERVICE, PROBES))
    part = done.stdout[done.stdout.index("\n[broker]\n") + 1 :]
    example = (PROJECT / "config" / "room.toml").read_text(encoding="utf-8")
    head, rest = example.split("[broker]\n", 1)
    (tmp_path / "room.toml").write_text(head + part + rest[rest.index("\n[[stacks]]") :], encoding="utf-8")
    settings = load(tmp_path / "room.toml")
    assert (settings.broker.port, settings.broker.username) == (18830, "warmtally")
    assert settings.broker.password == SERVICE


def test_passwords_are_on_no_command_line_no_screen_and_in_no_file_for_others(tmp_path: Path) -> None:
    real = need("mosquitto_passwd", "mosquitto")
    spy = tmp_path / "spy"
    spy.mkdir()
    (spy / "mosquitto_passwd").write_text(f'#!/bin/sh\necho "$@" >> "{spy}/seen"\nexec {real} "$@"\n')
    (spy / "mosquitto_passwd").chmod(0o755)
    folder = tmp_path / "broker"
    done = set_up(folder, passwords=(SERVICE, PROBES), environ={"PATH": f"{spy}:{os.environ['PATH']}"})
    assert done.returncode == 0, done.stderr
    told = (spy / "seen").read_text() + done.stdout + done.stderr
    assert "passwords" in (spy / "seen").read_text()
    files = [p for p in folder.rglob("*") if p.is_file()]
    assert {p.name for p in files} == {
        *("mosquitto.conf", "rights.acl", "passwords"),
        *("broker.password", "keeper.password", "gateways.password"),
    }
    for word in (SERVICE, PROBES):
        assert word not in told
        holders = [p.name for p in files if word in p.read_text(encoding="utf-8")]
        assert holders == (["broker.password"] if word == SERVICE else [])
    assert {stat.S_IMODE(p.stat().st_mode) for p in files} == {0o600}


def test_set_up_again_keeps_the_passwords_until_new_ones_are_wanted(tmp_path: Path) -> None:
    need("mosquitto", "mosquitto")
    folder = tmp_path / "broker"
    assert set_up(folder, "--make-passwords").returncode == 0
    first = (folder / "passwords").read_text(), (folder / "broker.password").read_text()
    assert re.fullmatch(r"[A-Za-z2-9]{24}\n", first[1])
    assert (folder / "probes.password").read_text() != first[1]
    # One of before, which had fewer logins.
    old = "".join(line for line in first[0].splitlines(True) if not line.startswith("keeper:"))
    (folder / "passwords").write_text(old)
    assert set_up(folder).returncode == 0
    again = (folder / "passwords").read_text()
    assert again.startswith(old)
    assert again[len(old) :].startswith("keeper:$")
    (folder / "passwords").write_text(first[0])
    assert set_up(folder, "--topic", "room/eggs").returncode == 0
    assert ((folder / "passwords").read_text(), (folder / "broker.password").read_text()) == first
    assert "topic write room/eggs/#" in (folder / "rights.acl").read_text()
    assert set_up(folder, "--make-passwords").returncode == 0
    assert (folder / "broker.password").read_text() != first[1]


def test_on_a_new_computer_everybody_keeps_their_password(tmp_path: Path) -> None:
    """A room that was put back has its passwords beside it, and no broker has heard of them."""
    port, folder = free_port(), tmp_path / "broker"
    logins = {"broker": "warmtally", "probes": "probes", "keeper": "keeper", "gateways": "gateways"}
    assert set_up(folder, "--make-passwords", "--port", str(port)).returncode == 0
    first = {name: (folder / f"{name}.password").read_text() for name in logins}
    (folder / "passwords").unlink()
    done = set_up(folder, "--port", str(port))
    assert done.returncode == 0, done.stderr
    assert {name: (folder / f"{name}.password").read_text() for name in logins} == first
    broker = Broker(folder, port)
    broker.start()
    try:
        for name, login in logins.items():
            with connected(port, (login, first[name].strip()), f"of-{name}") as client:
                assert client.answer == "Success"
    finally:
        broker.stop()
    # A link may lead to what only root may read.
    (folder / "passwords").unlink()
    (folder / "keeper.password").unlink()
    (folder / "keeper.password").symlink_to(folder / "probes.password")
    assert set_up(folder, "--port", str(port)).returncode == 0
    assert (folder / "keeper.password").read_text() not in first.values()


def test_a_dry_run_shows_and_writes_nothing(tmp_path: Path) -> None:
    done = subprocess.run(
        [DEPLOY / "broker", "--dry-run", "--listen", "192.0.2.5"], capture_output=True, text=True, cwd=tmp_path
    )
    assert done.returncode == 0
    for line in ("listener 1883 127.0.0.1", "listener 1883 192.0.2.5", "max_queued_messages 600000", "user probes"):
        assert f"\n{line}\n" in done.stdout
    assert "@" not in done.stdout
    assert "unencrypted" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_without_being_asked_it_listens_to_this_computer_alone(tmp_path: Path) -> None:
    done = subprocess.run([DEPLOY / "broker", "--dry-run"], capture_output=True, text=True, cwd=tmp_path)
    assert re.findall(r"^listener .*", done.stdout, re.MULTILINE) == ["listener 1883 127.0.0.1"]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--port", "70000"], "no port"),
        (["--topic", "eggroom/#"], "no wildcards"),
        (["--listen", "192.0.2.5", "--cert", "/dev/null"], "go together"),
        (["--cert", "/dev/null", "--key", "/dev/null"], "without --listen"),
        (["--cert", "nowhere.pem", "--key", "nowhere.key", "--listen", "192.0.2.5"], "cannot read nowhere.pem"),
        (["--service-password-file", "/dev/null"], "go together"),
        (["--password", "word"], "means nothing"),
        (["--listen"], "needs a value"),
        ([], "no terminal to ask"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_to_do(tmp_path: Path, arguments: list[str], text: str) -> None:
    need("mosquitto", "mosquitto")
    done = set_up(tmp_path / "broker", *arguments)
    assert done.returncode == 1
    assert text in done.stderr
    assert "what to do:" in done.stderr
    assert not (tmp_path / "broker" / "mosquitto.conf").exists()


@pytest.mark.parametrize(
    ("word", "text"), [("short", "shorter than 8"), ("with:a:colon", "colon"), ("", "shorter than 8")]
)
def test_a_password_that_cannot_be_kept_is_refused(tmp_path: Path, word: str, text: str) -> None:
    need("mosquitto", "mosquitto")
    done = set_up(tmp_path / "broker", passwords=(SERVICE, word))
    assert done.returncode == 1
    assert text in done.stderr
    assert not (tmp_path / "broker" / "passwords").exists()


def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A self-signed certificate for 127.0.0.1, and its key."""
    cert, key = folder / f"{name}.pem", folder / f"{name}.key"
    words = ["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    words += [
        "-subj",
        "/CN=127.0.0.1",
        "-addext",
        "subjectAltName=IP:127.0.0.1",
        "-keyout",
        str(key),
        "-out",
        str(cert),
    ]
    subprocess.run([need("openssl", "openssl"), *words], check=True, capture_output=True)
    return cert, key


def test_the_network_gets_an_encrypted_line_when_there_is_a_certificate(tmp_path: Path) -> None:
    need("mosquitto", "mosquitto")
    cert, key = certificate(tmp_path, "room")
    folder = tmp_path / "broker"
    asked = ["--listen", "127.0.0.1", "--cert", str(cert), "--key", str(key), "--port", str(free_port())]
    done = set_up(folder, *asked, passwords=(SERVICE, PROBES))
    assert done.returncode == 0, done.stderr
    assert "unencrypted" not in done.stderr
    # The port is fixed, as it is registered; here another one serves, since 8883 may be taken.
    port = free_port()
    conf = folder / "mosquitto.conf"
    assert "listener 8883 127.0.0.1" in conf.read_text()
    conf.write_text(conf.read_text().replace("listener 8883 ", f"listener {port} "))
    running = Broker(folder, port)
    running.start()
    try:
        client = Client(port, ("probes", PROBES), "probe")
        client.line.tls_set(ca_certs=str(cert))
        assert client.connect() == "Success"
        client.close()
    finally:
        running.stop()


def test_a_certificate_that_does_not_fit_its_key_shows_before_anything_is_written(tmp_path: Path) -> None:
    need("mosquitto", "mosquitto")
    cert, _ = certificate(tmp_path, "one")
    _, key = certificate(tmp_path, "other")
    asked = ["--listen", "127.0.0.1", "--cert", str(cert), "--key", str(key)]
    done = set_up(tmp_path / "broker", *asked, passwords=(SERVICE, PROBES))
    assert done.returncode == 1
    assert "does not start with this configuration" in done.stderr
    assert not (tmp_path / "broker" / "mosquitto.conf").exists()


# -- the unit --------------------------------------------------------------------------------------------------------


def unit() -> dict[str, list[str]]:
    """Key -> its values, of deploy/warmtally.service."""
    found: dict[str, list[str]] = {}
    for line in (DEPLOY / "warmtally.service").read_text(encoding="utf-8").splitlines():
        if line[:1] not in ("#", "[", ""):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def systemd_analyze() -> str:
    found = shutil.which("systemd-analyze")
    if found is None:
        pytest.skip("systemd-analyze is not here: this computer runs without systemd")
    return found


def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path) -> None:
    """The program is not installed here; another stands in its place, or its absence would be the only fault."""
    text = (DEPLOY / "warmtally.service").read_text(encoding="utf-8")
    stand_in = tmp_path / "warmtally.service"
    stand_in.write_text(text.replace("/opt/warmtally/current/bin/warmtally", "/bin/true"), encoding="utf-8")
    done = subprocess.run([systemd_analyze(), "verify", "--man=no", stand_in], capture_output=True, text=True)
    ours = [line for line in done.stderr.splitlines() if "warmtally" in line]
    assert (done.returncode, ours) == (0, []), done.stderr


def test_the_unit_leaves_little_exposed() -> None:
    command = [systemd_analyze(), "security", "--offline=true", "--threshold=15", str(DEPLOY / "warmtally.service")]
    done = subprocess.run(command, capture_output=True, text=True)
    if "unrecognized option" in done.stderr:
        pytest.skip("this systemd-analyze cannot look at a unit that is not installed")
    assert done.returncode == 0, (done.stdout + done.stderr)[-500:]
    assert "Overall exposure level" in done.stdout


def test_the_unit_starts_the_service_with_words_that_the_command_knows() -> None:
    (start,) = unit()["ExecStart"]
    program, *words = start.split()
    arguments = parser().parse_args(words)
    assert program == "/opt/warmtally/current/bin/warmtally"
    assert f"program={program}" in (DEPLOY / "warmtally").read_text(encoding="utf-8")
    assert (arguments.verb, arguments.config) == ("run", "/etc/warmtally/room.toml")
    assert arguments.data == f"/var/lib/{unit()['StateDirectory'][0]}"


def test_every_command_in_the_units_head_exists() -> None:
    head = (DEPLOY / "warmtally.service").read_text(encoding="utf-8").partition("\n[Unit]")[0]
    shown = re.findall(r"^#   warmtally (.+)", head, re.MULTILINE)
    assert shown
    for words in shown:
        parser().parse_args(words.partition("#")[0].split())
    for path in re.findall(r"(?:deploy|config)/[a-z.]+", head):
        assert (PROJECT / path).exists(), path


def test_the_watchdog_is_slower_than_the_looks_that_feed_it() -> None:
    (watchdog,) = unit()["WatchdogSec"]
    settings = load(PROJECT / "config" / "room.toml", secrets=False)
    assert 4 * settings.tick_s <= float(watchdog)


# -- installing --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kernel", "release", "bits", "text"),
    [
        ("Darwin", "23.1.0", "64", "on macOS"),
        ("MINGW64_NT-10.0", "3.4", "64", "on MINGW64_NT-10.0"),
        ("Linux", "5.15.90.1-microsoft-standard-WSL2", "64", "Windows"),
        ("Linux", "6.1.0-rpi7-rpi-v8", "32", "32-bit"),
    ],
)
def test_where_it_cannot_be_installed_it_says_what_to_take_instead(
    tmp_path: Path, kernel: str, release: str, bits: str, text: str
) -> None:
    for name, script in (("uname", f'[ "$1" = -s ] && echo {kernel} || echo {release}'), ("getconf", f"echo {bits}")):
        (tmp_path / name).write_text(f"#!/bin/sh\n{script}\n")
        (tmp_path / name).chmod(0o755)
    environ = {**os.environ, "PATH": f"{tmp_path}:{os.environ['PATH']}"}
    done = subprocess.run([DEPLOY / "install", "--dry-run"], capture_output=True, text=True, env=environ)
    assert done.returncode == 1
    assert text in done.stderr
    assert "what to do: take a small computer" in done.stderr


@pytest.mark.parametrize(
    ("script", "arguments", "text"),
    [
        ("install", ["--watch", "long"], "no number of seconds"),
        ("install", ["--keeper"], "needs a value"),
        ("install", ["--keeper", "nobody-of-that-name"], "there is no user"),
        ("install", ["--no-broker", "--", "--listen", "192.0.2.5"], "but no --broker"),
        ("install", ["eggs"], "means nothing here"),
        ("remove", ["everything"], "means nothing here"),
    ],
)
def test_words_that_make_no_sense_change_nothing(script: str, arguments: list[str], text: str) -> None:
    # Were it taken all the same, it would only be shown.
    done = subprocess.run([DEPLOY / script, "--dry-run", *arguments], capture_output=True, text=True)
    assert done.returncode == 1
    assert text in done.stderr
    assert "what to do:" in done.stderr


# -- scripts and lock files --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda p: p.name)
def test_scripts_may_be_run_and_stop_at_the_first_fault(script: Path) -> None:
    text = script.read_text(encoding="utf-8")
    assert text.startswith("#!/usr/bin/env bash\n# ")
    assert "\nset -euo pipefail\n" in text
    assert script.stat().st_mode & 0o111 == 0o111
    subprocess.run(["bash", "-n", script], check=True)
    if shellcheck := shutil.which("shellcheck"):
        done = subprocess.run([shellcheck, script], capture_output=True, text=True)
        assert done.returncode == 0, done.stdout


def test_ci_runs_the_command_that_people_run() -> None:
    text = (PROJECT / ".ci" / "run").read_text(encoding="utf-8")
    assert "deploy/test" in text
    assert "CI=true" in text
    assert "deploy/test" in (PROJECT / "README.md").read_text(encoding="utf-8")


def test_every_program_that_a_test_needs_is_brought_along() -> None:
    """On a computer that has none of them, deploy/test must install all of them."""
    listed = re.search(r'^peers="(.*?)"$', (DEPLOY / "test").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert listed is not None
    brought = {line.split()[1] for line in listed[1].splitlines()}
    needed = {
        package
        for path in (PROJECT / "tests").rglob("*.py")
        if "tests.peers" in (text := path.read_text(encoding="utf-8"))
        for package in re.findall(r'\bneed\(\s*"[^"]+",\s*"([^"]+)"', text)
    }
    assert len(needed) > 2
    assert needed <= brought, f"not in deploy/test: {needed - brought}"


def test_ci_fails_when_no_test_was_run(tmp_path: Path) -> None:
    (tmp_path / ".ci").mkdir()
    (tmp_path / "deploy").mkdir()
    shutil.copy(PROJECT / ".ci" / "run", tmp_path / ".ci")
    for said, code, expected in [("nothing", 0, 1), ("3 passed in 1.0s", 0, 0), ("1 failed, 2 passed in 1.0s", 1, 1)]:
        (tmp_path / "deploy" / "test").write_text(f"echo {said}\necho all good\nexit {code}\n")
        done = subprocess.run(["bash", tmp_path / ".ci" / "run"], capture_output=True, text=True)
        assert done.returncode == expected, said
        assert expected == 1 or done.stdout.splitlines()[-1] == said


# -- measurements ----------------------------------------------------------------------------------------------------


def test_every_measurement_says_what_it_measures_and_can_be_called() -> None:
    names = available()
    assert "footprint" in names
    for name, text in names.items():
        assert text.endswith("."), name
        assert options(find(name), []) == {}


def test_an_unknown_measurement_is_answered_with_the_close_ones(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["footprnt"]) == 2
    assert "did you mean footprint?" in capsys.readouterr().err
    assert main(["--list"]) == 0
    assert "footprint" in capsys.readouterr().out


def test_a_measurement_takes_its_own_options_and_no_others() -> None:
    def measure(probes: int = 3, share: float = 0.5, name: str = "") -> Figures:
        return Figures({"probes": probes, "share": share, "name": name}, [])

    assert options(measure, ["--probes", "8", "--share", "0.25"]) == {"probes": 8, "share": 0.25}
    for words in (["--eggs", "3"], ["8"], ["--probes"], ["--probes", "many"]):
        with pytest.raises(NotMeasured):
            options(measure, words)


def test_figures_are_told_as_one_object_and_a_missing_value_falls_short() -> None:
    result = run(lambda: Figures({"a_s": 1.25, "b": math.nan, "c": 3}, ["too slow"]), {})
    assert json.loads(report("made-up", result, 0.1, as_json=True)) == {
        "a_s": 1.25,
        "b": None,
        "c": 3,
        "falls_short": ["too slow", "b has no value"],
    }
    text = report("made-up", result, 0.1, as_json=False)
    assert "a_s  1.25" in text
    assert "FALLS SHORT: too slow" in text
    assert run(lambda: Figures({}, []), {}).falls_short == ["it gave no figure"]


def test_a_measurement_without_its_peer_says_so_and_is_no_success() -> None:
    def measure() -> Figures:
        pytest.skip("no broker here")

    with pytest.raises(NotMeasured, match="no broker here"):
        run(measure, {})
