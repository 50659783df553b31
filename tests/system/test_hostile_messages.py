"""Hostile messages on every topic of a running service: the reading behind them is stored, and nothing fails."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.bench.process import Publisher, message, now_ms, room, service, timed
from tests.peers import MOMENT_S, mosquitto, wait_for
from tests.system.test_outside_bytes import SHORT, shapes

MESSAGES = 400
NESTINGS = ((b"[", b"]"), (b'{"a":', b"}"), (b'[{"a":', b"}]"))


@pytest.mark.slow
def test_a_reading_behind_hostile_messages_is_stored_and_none_of_them_is_a_mistake_of_ours(tmp_path: Path) -> None:
    rng = random.Random(7)
    with mosquitto(tmp_path / "broker") as broker:
        probes: list[dict[str, object]] = [
            timed("p", "box"),
            {"id": "bare", "topic": "eggs/bare", "box": "box"},
            timed("list", "box") | {"list_pointer": "", "pointer": "/a", "time_pointer": "/t"},
        ]
        tables = room(("box",), probes, port=broker.port, answers={"topic": "eggs/answer"})
        tables["gateways"] = [{"id": "g", "topic": "eggs/g", "pointer": "/a"}]
        topics = ["eggs/p", "eggs/bare", "eggs/list", "eggs/answer", "eggs/g"]
        with service(tmp_path / "service", tables) as run, Publisher(broker.port) as publisher:
            run.start()
            run.wait_up()
            for topic in topics:
                for opening, closing in NESTINGS:
                    # About as deep as the interpreter goes.
                    for depth in rng.sample(range(900, 1010), 5):
                        publisher.publish(topic, opening * depth + b"1" + closing * depth)
            for _ in range(MESSAGES):
                drawn = shapes(rng, rng.choice((30, SHORT, 20 * SHORT)))
                publisher.publish(rng.choice(topics), rng.choice(drawn))
            at = now_ms()
            publisher.publish("eggs/p", message(at, 29.0))
            publisher.wait_acknowledged(2 * MOMENT_S)
            wait_for(lambda: at in run.readings("p")[0], "the reading behind them", MOMENT_S)
            assert "Traceback" not in run.log()
            assert "could not be handled" not in run.log()
            assert run.stop() == 0
