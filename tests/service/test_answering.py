"""What [page] and [answers] switch on: each way as far as it is configured, and trouble that stops nothing else."""

from __future__ import annotations

import socket
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.adapters.store.answers import SECRET_FILE
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Health
from monitor.core.terms.settings import Answers, Broker, PagePlace, Room, Settings
from monitor.page import server
from monitor.page.room import LatestRound
from monitor.service.answering import WaysBack
from tests.peers import free_port, wait_for

T0 = 1_780_000_000_000
NOTICE = Notice("k", T0, "too-warm", ("upper",), "raised", "now", "Too warm", "hot", id=3)


def ways(folder: Path, *, page: PagePlace | None = None, answers: Answers | None = None) -> WaysBack:
    room = Room("Shed", "UTC", "C", (), (), ())
    return WaysBack(
        Settings(room, Broker(), page=page, answers=answers, data_dir=str(folder)), lambda: T0, LatestRound()
    )


def test_without_the_parts_nothing_is_there(tmp_path: Path) -> None:
    off = ways(tmp_path)
    off.start()
    off.tend()
    off.stop()
    assert (off.topic, off.invite(NOTICE, "phone"), off.health()) == (None, "", None)
    assert list(tmp_path.iterdir()) == []


def test_a_topic_alone_has_no_page_and_a_page_alone_no_topic(tmp_path: Path) -> None:
    topic = ways(tmp_path, answers=Answers("eggroom/answer"))
    page = ways(tmp_path, page=PagePlace(("127.0.0.1", free_port()), "http://a"))
    unreachable = ways(tmp_path, page=PagePlace(("127.0.0.1", free_port())))
    assert topic.topic is not None
    assert page.topic is None
    # Nobody told how a telephone gets there.
    assert unreachable.invite(NOTICE, "phone") == ""
    assert topic.invite(NOTICE, "phone").startswith("Answer: send ")
    assert topic.invite(NOTICE, "phone").endswith(" to eggroom/answer")
    assert page.invite(NOTICE, "phone").startswith("Answer: http://a/a/")
    # The same secret, so the same code, however often the service starts.
    assert page.invite(NOTICE, "phone").rpartition("/")[2] in topic.invite(NOTICE, "phone")
    assert page.invite(replace(NOTICE, change="cleared"), "phone") == ""


def test_a_page_that_cannot_be_served_is_trouble_until_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "AGAIN_S", 0.05)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        page = ways(tmp_path, page=PagePlace(("127.0.0.1", taken.getsockname()[1]), "http://a"))
        page.start()
        wait_for(lambda: page.health() != Health(), "the trouble")
        told = page.health()
        assert told is not None
        assert told.failing_since_ms == T0
        assert "Address already in use" in told.why
    wait_for(lambda: page.health() == Health(), "the end of the trouble")
    page.stop()


def test_with_a_damaged_secret_notices_go_out_without_a_line_and_it_is_told(tmp_path: Path) -> None:
    (tmp_path / SECRET_FILE).write_text("half a sec")
    broken = ways(tmp_path, page=PagePlace(("127.0.0.1", free_port()), "http://a"), answers=Answers("eggroom/answer"))
    broken.start()
    assert broken.topic is None
    assert broken.invite(NOTICE, "phone") == ""
    told = broken.health()
    assert told is not None
    assert told.failing_since_ms == T0
    assert "damaged" in told.why
    assert "half" not in told.why
    broken.stop()
