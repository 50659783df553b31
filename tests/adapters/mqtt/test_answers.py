"""Answers by a message: against a real broker, beside readings, replayed, wrong, retained, and with the power cut."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from monitor.adapters.mqtt.answers import WRONG_A_MINUTE, AnswerTopic
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.notices.codes import make
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice, Route
from monitor.core.readings.arrivals import Arrival
from monitor.core.terms.settings import Answers, Broker, Probe, Room, Settings
from tests.adapters.mqtt.test_intake import LOGS_ALL, parts
from tests.peers import MOMENT_S, PROJECT, Mosquitto, mosquitto, wait_for

TOPIC = "eggroom/answer"
SECRET = bytes(range(32))


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def tell(folder: Path, subject: str = "upper") -> Notice:
    at = now_ms()
    notice = Notice(
        f"k/{subject}/{at}", at, "too-warm", (subject,), "raised", "now", f"Too warm: {subject}", "hot",
        routes=(Route("phone"),),
    )  # fmt: skip
    with Store(folder / "data") as store:
        (made,) = store.ledger.commit(
            [Condition("too-warm", subject, Phase.RAISED, at, at, None, at)], [], [notice], {}
        )
    return made


def code(notice: Notice) -> str:
    return make(SECRET, notice.id, "phone", notice.at_ms)


def settings(folder: Path, port: int, *, bare_numbers: bool = False) -> Settings:
    return Settings(
        Room("Test room", "UTC", "C", (), (), (Probe("warm", "room/warm", interval_s=30.0),)),
        Broker(port=port, keepalive_s=4),
        answers=Answers(topic=TOPIC, bare_numbers=bare_numbers),
        data_dir=str(folder / "data"),
        # Only what is urgent is stored soon.
        commit_every_s=60.0,
        file="room.toml",
    )


def intake(folder: Path, port: int, *, bare_numbers: bool = False) -> Intake:
    wanted = settings(folder, port, bare_numbers=bare_numbers)
    assert wanted.answers is not None
    return Intake(wanted, now_ms=now_ms, answering=AnswerTopic(wanted.answers, SECRET, zone_of("UTC")))


def up(own: Intake) -> Intake:
    own.start()
    wait_for(lambda: own.link().state == "up", "the link to be up")
    return own


@dataclass
class Keeper:
    """Publishes and hears what is replied."""

    port: int
    replies: list[str] = field(default_factory=list)
    retained: int = 0

    def __post_init__(self) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, client_id="", protocol=MQTTv5)
        self.client.max_inflight_messages_set(1000)
        self.client.max_queued_messages_set(0)
        heard = []
        self.client.on_subscribe = lambda *_: heard.append(1)
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        self.client.subscribe(f"{TOPIC}/reply", 1)
        wait_for(lambda: bool(heard), "the subscription")

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.replies.append(message.payload.decode())
        self.retained += message.retain

    def send(self, *payloads: str | bytes, topic: str = TOPIC, retain: bool = False) -> None:
        for info in [self.client.publish(topic, payload, qos=1, retain=retain) for payload in payloads]:
            info.wait_for_publish(MOMENT_S)

    def hears(self, count: int) -> list[str]:
        wait_for(lambda: len(self.replies) >= count, f"{count} replies, heard {self.replies}")
        return self.replies

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker", extra=LOGS_ALL) as running:
        yield running


@pytest.fixture
def keeper(broker: Mosquitto) -> Iterator[Keeper]:
    own = Keeper(broker.port)
    yield own
    own.close()


@pytest.fixture
def running(tmp_path: Path, broker: Mosquitto) -> Iterator[Intake]:
    own = up(intake(tmp_path, broker.port))
    yield own
    assert own.stop()


def answered(folder: Path, number: int = 1) -> Notice:
    with Store(folder / "data") as store:
        return store.ledger.notice(number)


# -- in good times ----------------------------------------------------------------------------------------------


def test_a_code_alone_answers_at_once_and_is_replied_to(tmp_path: Path, keeper: Keeper, running: Intake) -> None:
    notice = tell(tmp_path)
    keeper.send(code(notice).lower())
    assert keeper.hears(1)[0].startswith("Notice 1 is answered: Too warm: upper.")
    found = answered(tmp_path)
    assert (found.answer, found.answer_way, found.answer_channel) == ("the code sent to phone", "message", "phone")
    with Store(tmp_path / "data") as store:
        assert store.ledger.conditions()["too-warm", "upper"].acknowledged_ms == found.answered_ms


def test_a_name_comes_with_json_and_a_second_answer_is_told_it(tmp_path: Path, keeper: Keeper, running: Intake) -> None:
    notice = tell(tmp_path)
    keeper.send(json.dumps({"token": code(notice), "by": "neighbour"}))
    keeper.hears(1)
    keeper.send(json.dumps({"token": code(notice), "by": "Ben"}))
    assert "answered already, at" in keeper.hears(2)[1]
    assert keeper.replies[1].endswith("by neighbour, with the code sent to phone.")
    assert answered(tmp_path).answer == "neighbour, with the code sent to phone"


def test_replies_are_not_retained(tmp_path: Path, broker: Mosquitto, keeper: Keeper, running: Intake) -> None:
    tell(tmp_path)
    keeper.send("nonsense")
    keeper.hears(1)
    late = Keeper(broker.port)
    try:
        keeper.send("more nonsense")
        assert len(late.hears(1)) == 1
        assert late.retained == 0
    finally:
        late.close()


def test_readings_around_an_answer_are_stored_and_acknowledged_with_it(
    tmp_path: Path, broker: Mosquitto, keeper: Keeper, running: Intake
) -> None:
    notice = tell(tmp_path)
    for n in range(20):
        keeper.send(f"{28 + n / 100:.2f}", topic="room/warm")
        if n == 10:
            keeper.send(code(notice))
    keeper.hears(1)
    # What is on its way when it stops is for the next one.
    wait_for(lambda: running.link().counts.received == 21)
    parts(running, broker)
    with Store(tmp_path / "data") as store:
        assert [r.value for _, r in store.journal.since(0)] == [round(28 + n / 100, 2) for n in range(20)]
        assert store.unread.messages() == []
    # All was acknowledged: the next one gets nothing of it again.
    again = up(intake(tmp_path, broker.port))
    try:
        keeper.send("29.0", topic="room/warm")
        wait_for(lambda: again.link().counts.received >= 1)
        assert again.link().counts.received == 1
    finally:
        assert again.stop()


def test_the_number_alone_answers_only_where_that_is_allowed(tmp_path: Path, broker: Mosquitto, keeper: Keeper) -> None:
    tell(tmp_path)
    strict = up(intake(tmp_path, broker.port))
    keeper.send("1")
    assert "number alone is not taken here" in keeper.hears(1)[0]
    assert answered(tmp_path).answered_ms is None
    assert strict.stop()
    lenient = up(intake(tmp_path, broker.port, bare_numbers=True))
    keeper.send("77", "1")
    assert keeper.hears(3)[1:] == [
        "Nothing was answered: this is not the code of a notice of this room.",
        keeper.replies[2],
    ]
    assert answered(tmp_path).answer == "a message with its number"
    assert lenient.stop()


# -- what is none -----------------------------------------------------------------------------------------------


def test_bad_messages_are_replied_to_and_keep_nothing_back(
    tmp_path: Path, keeper: Keeper, running: Intake, caplog: pytest.LogCaptureFixture
) -> None:
    notice = tell(tmp_path)
    forged = code(notice)[:-1] + ("0" if code(notice)[-1] != "0" else "2")
    bad: list[str | bytes] = [
        b"",
        b"\xff\xfe",
        "{",
        '{"token": 5}',
        "x" * 300_000,
        forged,
        make(bytes(32), 1, "phone", 0),
    ]
    keeper.send(*bad)
    keeper.send(code(notice))
    replies = keeper.hears(len(bad) + 1)
    assert all(r.startswith("Nothing was answered: ") for r in replies[:-1])
    assert replies[-1].startswith("Notice 1 is answered")
    assert running.alive()
    assert caplog.text.count("answers nothing") == len(bad)
    assert code(notice) not in caplog.text
    assert forged not in caplog.text


def test_of_many_guesses_few_are_looked_at_and_readings_do_not_suffer(
    tmp_path: Path, keeper: Keeper, running: Intake
) -> None:
    notice = tell(tmp_path)
    keeper.send(*[f"{code(notice)[:-4]}{n:04d}" for n in range(500)])
    keeper.send("28.5", topic="room/warm")
    keeper.send(*["nonsense"] * 500)
    wait_for(lambda: running.link().counts.received == 1001, "all to come")
    wait_for(lambda: len(keeper.replies) > WRONG_A_MINUTE, "the replies")
    assert running.stop()
    kinds = Counter(r.partition(":")[2][:12] for r in keeper.replies)
    assert kinds == {" this is not": WRONG_A_MINUTE, " too many wr": 1}
    with Store(tmp_path / "data") as store:
        assert [r.value for _, r in store.journal.since(0)] == [28.5]


@pytest.mark.parametrize("guess", ["forged", "nonsense", "other"])
def test_no_number_of_wrong_messages_keeps_a_right_one_out(
    tmp_path: Path, keeper: Keeper, running: Intake, guess: str
) -> None:
    notice = tell(tmp_path)
    wrong = {"forged": code(notice)[:-4] + "{:04d}", "nonsense": "no code {}", "other": '{{"token": "1-{}"}}'}[guess]
    keeper.send(*[wrong.format(n) for n in range(WRONG_A_MINUTE + 170)], code(notice))
    wait_for(
        lambda: any("is answered" in reply for reply in keeper.replies), f"the answer, heard {keeper.replies[-2:]}"
    )
    assert answered(tmp_path).answered_ms is not None
    assert len(keeper.replies) == WRONG_A_MINUTE + 2


def test_a_retained_message_answers_nothing(tmp_path: Path) -> None:
    notice = tell(tmp_path)
    topic = AnswerTopic(Answers(topic=TOPIC), SECRET, zone_of("UTC"))
    with Store(tmp_path / "data") as store:
        assert topic.take(store, Arrival(TOPIC, code(notice).encode(), now_ms(), 1, retained=True)) is None
    assert answered(tmp_path).answered_ms is None


@pytest.mark.parametrize("protocol", ["MQTT 5", "MQTT 3.1.1"])
def test_what_was_retained_before_the_service_came_answers_nothing(
    tmp_path: Path, broker: Mosquitto, keeper: Keeper, protocol: str
) -> None:
    first, second = tell(tmp_path), tell(tmp_path, "lower")
    keeper.send(code(first), retain=True)
    own = intake(tmp_path, broker.port)
    own._line._state = replace(own._line._state, protocol=protocol)  # type: ignore[arg-type]
    up(own)
    keeper.send(code(second))
    assert keeper.hears(1)[0].startswith("Notice 2 is answered")
    assert own.stop()
    assert answered(tmp_path, 1).answered_ms is None
    assert own.link().protocol == protocol


# -- away, killed, replayed -------------------------------------------------------------------------------------


def test_an_answer_that_waited_at_the_broker_counts_when_the_service_is_back(
    tmp_path: Path, broker: Mosquitto, keeper: Keeper, running: Intake
) -> None:
    notice = tell(tmp_path)
    assert running.stop()
    keeper.send(code(notice))
    back = up(intake(tmp_path, broker.port))
    assert keeper.hears(1)[0].startswith("Notice 1 is answered")
    assert back.stop()


SERVICE = """
import sys, threading
from pathlib import Path
from tests.adapters.mqtt.test_answers import intake
own = intake(Path(sys.argv[1]), int(sys.argv[2]))
own.start()
threading.Event().wait()
"""


@pytest.mark.parametrize(
    ("place", "committed"),
    [("after-answer-before-reply", True), ("after-commit-before-ack", True), ("before-commit", False)],
)
def test_killed_around_its_commit_it_answers_once_and_the_reply_is_the_same(
    tmp_path: Path, broker: Mosquitto, keeper: Keeper, place: str, committed: bool
) -> None:
    notice = tell(tmp_path)
    command = [sys.executable, "-c", SERVICE, str(tmp_path), str(broker.port)]
    environ = {"PYTHONPATH": str(PROJECT), "PATH": ""}
    # A first life makes the session at the broker.
    assert up(intake(tmp_path, broker.port)).stop()
    keeper.send("28.5", topic="room/warm")
    keeper.send(json.dumps({"token": code(notice), "by": "neighbour"}))
    with subprocess.Popen(command, cwd=PROJECT, env=environ | {"WARMTALLY_CRASH_AT": place}) as dying:
        assert dying.wait(MOMENT_S) == -signal.SIGKILL
    assert (answered(tmp_path).answered_ms is not None) is committed
    with subprocess.Popen(command, cwd=PROJECT, env=environ) as last:
        said = "Notice 1 is answered: Too warm: upper."
        wait_for(lambda: any(r.startswith(said) for r in keeper.replies), f"the reply in {keeper.replies}")
        last.terminate()
    with Store(tmp_path / "data") as store:
        assert len(store.db.rows("SELECT * FROM answer")) == 1
        assert store.ledger.notice(1).answer == "neighbour, with the code sent to phone"
        assert [t.change for t in store.ledger.history()] == ["acknowledged"]
        assert [r.value for _, r in store.journal.since(0)] == [28.5]
    assert not any("answered already" in r for r in keeper.replies)
