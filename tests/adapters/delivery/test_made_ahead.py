"""What is done before a notice is there to be sent, and who is woken when it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.delivery import attempts, senders
from monitor.core.terms.settings import Channel
from tests.adapters.delivery.test_senders import hook, running
from tests.peers import MOMENT_S, wait_for
from tests.sinks import http_sink


def test_what_a_send_needs_is_made_ahead_and_used_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[object] = []

    def plugin(_: Channel) -> tuple[object, object]:
        made.append(object())
        return made[-1], made[-1]

    monkeypatch.setattr(attempts, "_plugin", plugin)
    spare = attempts.Spare(hook(1))
    spare.fill()
    spare.fill()
    assert len(made) == 1
    assert [spare.take()[0], spare.take()[0]] == made
    assert len(made) == 2


def test_an_address_that_cannot_be_read_ahead_is_found_wrong_when_it_is_sent_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(_: Channel) -> tuple[object, object]:
        raise OSError("http://secret@here")

    monkeypatch.setattr(attempts, "_plugin", broken)
    spare = attempts.Spare(hook(1))
    spare.fill()
    assert attempts._send(hook(1), "title", "text", "key", spare) == "failed (OSError)"


def test_while_nothing_is_to_be_sent_the_next_send_is_made_ready(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled: list[str] = []
    monkeypatch.setattr(attempts.Spare, "fill", lambda self: filled.append(self._channel.id))
    monkeypatch.setattr(senders, "_LOOK_EVERY_S", 0.05)
    with http_sink() as sink, running(tmp_path, hook(sink.port), hook(sink.port, "other")) as post:
        wait_for(lambda: {"hook", "other"} <= set(filled), "both to be made ready")
        post.raise_("a")
        assert post.delivery.drain(MOMENT_S)
        assert sorted(a.key for a in sink.taken) == ["a", "a"]


def test_who_wakes_a_channel_may_wait_for_it_but_not_for_one_that_hangs(tmp_path: Path) -> None:
    with (
        http_sink() as sink,
        http_sink("t") as hung,
        running(tmp_path, hook(sink.port), hook(hung.port, "hung")) as post,
    ):
        post.raise_("a")
        wait_for(lambda: len(hung.arrivals) == 1, "the hung channel")
        post.delivery.wake({"hook"}, MOMENT_S)
        assert sink.keys() == ["a"]
        # With so short a time this ends, or the suite would.
        post.delivery.wake({"hung"}, 0.05)
        post.delivery.wake({"no such channel"}, MOMENT_S)
        assert post.delivery.drain(0.1) is False
