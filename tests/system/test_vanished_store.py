"""The store's file is taken away under the running service: that is told, no reading is acknowledged into nothing, and
nothing is lost once the file is back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.bench.process import Publisher, message, now_ms, room, service, timed
from tests.peers import MOMENT_S, mosquitto, wait_for
from tests.sinks import http_sink


def moved(path: Path) -> Callable[[], object]:
    away = path.with_name("elsewhere.db")
    path.rename(away)
    return lambda: away.rename(path)


def folder_moved(path: Path) -> Callable[[], object]:
    away = path.parent.with_name("unmounted")
    path.parent.rename(away)
    return lambda: away.rename(path.parent)


@pytest.mark.slow
@pytest.mark.parametrize("how", [moved, folder_moved])
def test_a_store_that_is_taken_away_is_told_and_goes_on_when_it_is_back(
    tmp_path: Path, how: Callable[[Path], Callable[[], object]]
) -> None:
    with http_sink() as sink, mosquitto(tmp_path / "broker") as broker:
        tables = room(("box",), [timed("p", "box")], port=broker.port, channels={"hook": sink.port})
        with service(tmp_path / "service", tables) as run, Publisher(broker.port) as publisher:
            run.start()
            run.wait_up()
            at = now_ms()
            publisher.publish("eggs/p", message(at - 2000, 29.0))
            wait_for(lambda: run.stored_raw() == 1, "the first reading")
            back = how(run.data / "warmtally.db")
            publisher.publish("eggs/p", message(at - 1000, 29.1))
            wait_for(lambda: any("not written" in a.title for a in sink.arrivals), "the notice", 2 * MOMENT_S)
            assert not (run.data / "warmtally.db").exists()
            back()
            wait_for(lambda: run.stored_raw() == 2, "the reading that waited", 3 * MOMENT_S)
            assert run.came("store-failing cleared", 2 * MOMENT_S)
            assert run.stop() == 0


@pytest.mark.slow
def test_a_store_that_is_gone_before_the_start_is_not_begun_anew(tmp_path: Path) -> None:
    with mosquitto(tmp_path / "broker") as broker:
        tables = room(("box",), [timed("p", "box")], port=broker.port)
        with service(tmp_path / "service", tables) as run:
            run.start()
            run.wait_up()
            run.kill()
            path = run.data / "warmtally.db"
            path.write_bytes(b"")
            assert run.start().wait(MOMENT_S) == 15
            assert "there was a store here" in run.log()
            assert path.stat().st_size == 0
