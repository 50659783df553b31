"""What stands at the broker: said in its turn, seldom, once where it is refused, and taken away when it is over."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest

from monitor.adapters.mqtt.standing import FILE, LEAST_APART_S, UNDER_WAY, StandingMessages

ROOM, BOX = "shed/own/room", "shed/own/box/low"


class Broker:
    """Takes what is said, or refuses it; ``now_s`` is the clock of the messages."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 1000.0
        self.has: dict[str, bytes] = {}
        self.refuses: set[str] = set()
        self.said: list[str] = []
        self.began(folder)

    def began(self, folder: Path) -> None:
        self.own = StandingMessages(folder, lambda: self.now_s)
        self.own.line_made()

    def hear(self) -> list[str]:
        """All that is said now, one answer after the other."""
        before = len(self.said)
        while due := self.own.due():
            for topic, payload in due:
                self.said.append(topic)
                refused = topic in self.refuses
                if not refused:
                    self.has[topic] = payload
                self.own.settled(topic, refused=refused)
        return self.said[before:]


@pytest.fixture
def broker(tmp_path: Path) -> Broker:
    return Broker(tmp_path)


def test_only_what_changed_is_said_and_one_topic_only_so_often(broker: Broker) -> None:
    broker.own.stand({ROOM: b"1", BOX: b"1"})
    assert broker.hear() == [ROOM, BOX]
    broker.own.stand({ROOM: b"1", BOX: b"2"})
    assert broker.hear() == []
    broker.now_s += LEAST_APART_S - 0.1
    broker.own.stand({ROOM: b"1", BOX: b"3"})
    assert broker.hear() == []
    broker.now_s += 0.1
    assert broker.hear() == [BOX]
    assert broker.has == {ROOM: b"1", BOX: b"3"}


def test_after_a_connection_is_made_all_of_it_is_said_again_as_seldom(broker: Broker) -> None:
    broker.own.stand({ROOM: b"1", BOX: b"1"})
    broker.hear()
    for _ in range(5):
        broker.own.line_made()
        assert broker.hear() == []
    broker.now_s += LEAST_APART_S
    assert broker.hear() == [ROOM, BOX]


def test_one_is_under_way_until_the_broker_took_one_and_then_so_many_as_it_may_hold(broker: Broker) -> None:
    broker.own.stand({f"shed/own/box/{n}": b"1" for n in range(3 * UNDER_WAY)})
    first = broker.own.due()
    assert len(first) == 1
    assert broker.own.due() == []
    broker.own.settled(first[0][0], refused=False)
    assert len(broker.own.due()) == UNDER_WAY
    assert broker.own.due() == []


def test_topics_elsewhere_are_tried_alone_too(broker: Broker) -> None:
    broker.own.stand({ROOM: b"1", BOX: b"1", f"{BOX}er": b"1"})
    assert broker.own.due() == [(ROOM, b"1")]
    broker.own.settled(ROOM, refused=False)
    assert broker.own.due() == [(BOX, b"1")]
    assert broker.own.due() == []


def test_an_answer_of_an_earlier_connection_is_not_taken_for_one_of_this(broker: Broker) -> None:
    broker.own.stand({ROOM: b"1"})
    assert broker.own.due() == [(ROOM, b"1")]
    broker.own.line_made()
    broker.own.settled(ROOM, refused=False)
    broker.now_s += LEAST_APART_S
    assert broker.own.due() == [(ROOM, b"1")]


def test_what_is_refused_is_said_once_and_nothing_after_it(broker: Broker) -> None:
    broker.refuses = {BOX}
    broker.own.stand({ROOM: b"1", BOX: b"1", f"{BOX}er": b"1"})
    assert broker.hear() == [ROOM, BOX]
    broker.now_s += 100.0
    broker.own.line_made()
    broker.own.stand({ROOM: b"2", BOX: b"2"})
    assert broker.hear() == []


def test_what_is_over_is_taken_away_after_a_restart_too_and_then_forgotten(broker: Broker, tmp_path: Path) -> None:
    broker.own.stand({ROOM: b"1", BOX: b"1"})
    broker.hear()
    broker.began(tmp_path)
    broker.own.stand({ROOM: b"2"})
    assert broker.hear() == [ROOM, BOX]
    assert broker.has == {ROOM: b"2", BOX: b""}
    broker.own.stand({ROOM: b"2"})
    broker.began(tmp_path)
    broker.own.stand({ROOM: b"3"})
    assert broker.hear() == [ROOM]


def test_where_it_may_write_no_more_what_stood_there_is_given_up(broker: Broker, tmp_path: Path) -> None:
    broker.own.stand({"old/room": b"1", "old/box/low": b"1"})
    broker.hear()
    broker.began(tmp_path)
    broker.refuses = {"old/room", "old/box/low"}
    broker.own.stand({ROOM: b"1"})
    assert broker.hear() == [ROOM, "old/box/low"]
    broker.own.stand({ROOM: b"1"})
    assert BOX not in (tmp_path / FILE).read_text()
    assert "old" not in (tmp_path / FILE).read_text()


def test_a_box_that_comes_back_before_it_was_taken_away_stands_again(broker: Broker) -> None:
    broker.own.stand({ROOM: b"1", BOX: b"1"})
    broker.hear()
    broker.own.stand({ROOM: b"1"})
    broker.own.stand({ROOM: b"1", BOX: b"2"})
    broker.now_s += LEAST_APART_S
    assert broker.hear() == [BOX]
    assert broker.has[BOX] == b"2"


@pytest.mark.parametrize("bad", [b"", b"[1]", b'{"topics": 3}', b"\xff", b"[" * 100_000])
def test_a_broken_file_of_topics_stops_nothing(tmp_path: Path, bad: bytes, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / FILE).write_bytes(bad)
    broker = Broker(tmp_path)
    assert "cannot be read" in caplog.text
    broker.own.stand({ROOM: b"1"})
    assert broker.hear() == [ROOM]


def test_a_file_that_cannot_be_written_is_told_of_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    folder = tmp_path / "gone"
    broker = Broker(folder)
    with caplog.at_level(logging.WARNING):
        for payload in (b"1", b"2"):
            broker.own.stand({ROOM: payload})
    assert caplog.text.count("cannot be written") == 1
    assert broker.hear() == [ROOM]
