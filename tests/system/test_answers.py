"""A notice is answered from afar: the whole service, a real broker, a real receiver whose link is followed, kills."""

from __future__ import annotations

import http.client
import json
import re
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from monitor.adapters.store.answers import SECRET_FILE
from monitor.cli.main import main
from monitor.core.notices.notice import Notice, Route
from tests.bench.process import Publisher, Service, room, service, timed
from tests.bench.process import message as reading
from tests.browser import browser
from tests.peers import MOMENT_S, Mosquitto, free_port, mosquitto, wait_for
from tests.sinks import Sink, http_sink

PROBE = timed("warm", "upper")
TOPIC = "eggroom/answer"
LINK = re.compile(r"http://127\.0\.0\.1:\d+/a/([0-9A-Z-]+)")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path / "broker") as running:
        yield running


@pytest.fixture
def phone() -> Iterator[Sink]:
    with http_sink() as sink:
        yield sink


Made = Callable[..., Service]


@pytest.fixture
def made(tmp_path: Path, broker: Mosquitto, phone: Sink) -> Iterator[Made]:
    """A service of one box with a page, a topic, and a channel; an escalation follows after two seconds."""
    port = free_port()
    running: list[Service] = []

    def make(**answers: object) -> Service:
        tables = room(
            ["upper"],
            [PROBE],
            port=broker.port,
            watch={"repeat_now": "1 s"},
            limits={"too_warm_c": 31.0},
            answers={"listen": f"127.0.0.1:{port}", "address": f"http://127.0.0.1:{port}", "topic": TOPIC, **answers},
        )
        tables["channels"] = [
            {"id": "phone", "url": f"json://127.0.0.1:{phone.port}/phone"},
            {"id": "neighbour", "url": f"json://127.0.0.1:{phone.port}/neighbour", "after": "5 min"},
        ]
        one = Service(tmp_path / "service", tables)
        running.append(one)
        one.start()
        one.wait_up()
        return one

    yield make
    for one in running:
        one.kill()


def ask(url: str, method: str = "GET") -> tuple[int, str]:
    parts = urlsplit(url)
    assert parts.hostname is not None
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=MOMENT_S)
    try:
        connection.request(method, parts.path)
        response = connection.getresponse()
        return response.status, response.read().decode()
    finally:
        connection.close()


def warm(broker: Mosquitto, celsius: float = 32.0) -> None:
    """Beyond the limit, and not so far that harm begins: that is told by itself, and is answered by itself."""
    with Publisher(broker.port, f"probe-{time.monotonic_ns()}") as probe:
        probe.publish("eggs/warm", reading(time.time_ns() // 1_000_000, celsius))
        probe.wait_acknowledged()


def told(phone: Sink) -> str:
    """The text of the first notice of too warm that the phone got."""
    texts: list[str] = []

    def came() -> bool:
        texts[:] = [a.text for a in list(phone.arrivals) if "oo warm" in a.title]
        return bool(texts)

    wait_for(came, "the notice on the phone")
    return texts[0]


def too_warm(one: Service) -> list[Notice]:
    return [n for n in one.notices() if n.kind == "too-warm"]


def link_in(text: str) -> str:
    found = LINK.search(text)
    assert found is not None, text
    return found[0]


def test_a_link_is_read_followed_and_its_button_ends_repeats_and_further_steps(
    made: Made, broker: Mosquitto, phone: Sink, capsys: pytest.CaptureFixture[str]
) -> None:
    one = made()
    warm(broker)
    text = told(phone)
    lines = [line for line in text.splitlines() if line.startswith("Answer: ")]
    link = link_in(text)
    assert lines == [f"Answer: {link}, or send {link.rpartition('/')[2]} to {TOPIC}"]
    assert text.splitlines()[-1].startswith("notice ")
    # Told again, because nobody answered; fetching the link is no answer.
    wait_for(lambda: len(too_warm(one)) >= 2, "a repeat")
    for _ in range(3):
        assert ask(link)[0] == 200
    status, html = ask(link, "POST")
    assert (status, "Answered" in html) == (200, True)
    first = too_warm(one)[0]
    assert (first.answer_way, first.answer_channel) == ("link", "phone")
    assert ask(link, "POST")[0] == ask(link)[0] == 410
    count = len(too_warm(one))
    with one.store() as store:
        states = {(o.notice, o.channel): o.state for o in store.outbox.outgoing()}
        assert store.ledger.conditions()["too-warm", "upper"].acknowledged_ms == first.answered_ms
    assert {s for (_, channel), s in states.items() if channel == "neighbour"} == {"not-needed"}
    time.sleep(2.5)
    assert len(too_warm(one)) == count, "no repeat after the answer"
    assert not [a for a in phone.arrivals if a.path == "/neighbour"]

    options = ["--config", str(one.config), "--data", str(one.data)]
    assert main(["notices", *options]) == 0
    assert re.search(
        r"Too warm: box upper \S+ °C, limit \S+  answered \S+ \S+ by the link sent to phone", capsys.readouterr().out
    )
    assert main(["attention", *options]) == 0
    assert "by link (phone): 1" in capsys.readouterr().out
    assert main(["notices", "--json", *options]) == 0
    shown = [n for n in json.loads(capsys.readouterr().out)["notices"] if n["answered"]]
    assert [(n["answered_way"], n["answered_channel"]) for n in shown] == [("link", "phone")]
    # Neither a code nor the secret is in the log; the log's own notices carry no line.
    secret = (one.data / SECRET_FILE).read_text().strip()
    assert stat.S_IMODE((one.data / SECRET_FILE).stat().st_mode) == 0o600
    log = one.log()
    assert "notice" in log
    assert not re.search(rf"/a/|{link.rpartition('/')[2]}|{secret}|Answer: ", log)
    assert one.stop() == 0


def test_the_code_is_answered_by_the_broker_and_replied_to(made: Made, broker: Mosquitto, phone: Sink) -> None:
    one = made()
    warm(broker)
    code = link_in(told(phone)).rpartition("/")[2]
    with Publisher(broker.port, "hall-button") as button:
        replies: list[str] = []
        button._client.on_message = lambda _c, _d, m: replies.append(m.payload.decode())
        button._client.subscribe(f"{TOPIC}/reply", 1)
        time.sleep(0.3)
        button.publish(TOPIC, json.dumps({"token": code, "by": "neighbour"}))
        wait_for(lambda: bool(replies), "the reply")
    assert replies[0].startswith("Notice ")
    assert "is answered: Too warm: box upper " in replies[0]
    assert [n.answer for n in too_warm(one) if n.answered_ms] == ["neighbour, with the code sent to phone"]


def test_the_weekly_drill_proves_the_way_back(
    made: Made, broker: Mosquitto, phone: Sink, capsys: pytest.CaptureFixture[str]
) -> None:
    one = made()
    drill = Notice(
        "drill/Test room/today", time.time_ns() // 1_000_000, "drill", (), "drill", "later", "Test notice", "A test.",
        routes=(Route("phone"),),
    )  # fmt: skip
    with one.store() as store:
        store.ledger.commit((), (), [drill], {})
    wait_for(lambda: any("Test notice" in a.title for a in list(phone.arrivals)), "the drill on the phone")
    (text,) = [a.text for a in phone.arrivals if "Test notice" in a.title]
    assert "To prove the way back, answer this one, too. Answer: http://" in text
    status, html = ask(link_in(text), "POST")
    assert (status, "The way back works." in html) == (200, True)
    assert main(["notices", "--config", str(one.config), "--data", str(one.data)]) == 0
    assert re.search(r"Test notice  answered \S+ \S+ by the link sent to phone", capsys.readouterr().out)


def test_killed_at_any_time_a_link_answers_once_and_outlives_restarts(
    made: Made, broker: Mosquitto, phone: Sink
) -> None:
    one = made()
    warm(broker)
    link = link_in(told(phone))
    one.kill()
    with pytest.raises(OSError, match="refused"):
        ask(link, "POST")
    one.start()
    one.wait_up(times=2)
    statuses: list[int] = []

    def pressed() -> bool:
        try:
            statuses.append(ask(link, "POST")[0])
        except OSError:
            return False
        return True

    wait_for(pressed, "the page to be there again")
    one.kill()
    one.start()
    one.wait_up(times=3)
    wait_for(pressed, "the page to be there again")
    assert statuses == [200, 410]
    with one.store() as store:
        assert len(store.db.rows("SELECT * FROM answer")) == 1


def test_a_port_that_is_taken_stops_neither_watching_nor_telling(
    made: Made, broker: Mosquitto, phone: Sink, tmp_path: Path
) -> None:
    with http_sink() as other:
        one = made(listen=f"127.0.0.1:{other.port}", address=f"http://127.0.0.1:{other.port}")
        one.wait_log("the page cannot be served")
        warm(broker)
        assert "Answer: " in told(phone)


def test_without_the_part_there_is_no_page_no_line_and_no_secret(
    tmp_path: Path, broker: Mosquitto, phone: Sink
) -> None:
    tables = room(["upper"], [PROBE], port=broker.port, limits={"too_warm_c": 31.0}, channels={"phone": phone.port})
    with service(tmp_path / "service", tables) as one:
        one.start()
        one.wait_up()
        warm(broker)
        assert "Answer" not in told(phone)
        assert not (one.data / SECRET_FILE).exists()


def test_a_phone_reads_the_notice_and_presses_the_button(
    made: Made, broker: Mosquitto, phone: Sink, tmp_path: Path
) -> None:
    one = made()
    warm(broker)
    link = link_in(told(phone))
    with browser(tmp_path) as screen:
        assert "Too warm: box upper " in screen.open(link)
        assert "32.0 °C" in screen.text()
        assert "Answered" in screen.press("button")
    assert too_warm(one)[0].answer == "the link sent to phone"
