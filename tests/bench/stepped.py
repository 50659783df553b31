"""The real service on a clock of its own, fed through a real broker in lock-step.

A series is published row by row; the service's clock is set to the row's time once all of the row is stored, and then
one round is made, and others at drawn moments before the next row where that is asked for. So a season passes in
seconds, and twice the same way.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.core.notices.notice import Notice
from monitor.core.terms.settings import Settings
from monitor.service import watchers
from monitor.service.start import RoomService
from tests.peers import Mosquitto, wait_for


@dataclass
class Clock:
    """A clock that stands until it is set."""

    at_ms: int = 0

    def __call__(self) -> int:
        return self.at_ms


@dataclass
class Stepped:
    """The service, the clock and the publisher of one run."""

    app: RoomService
    clock: Clock
    publisher: mqtt.Client
    published: int = 0
    notices: list[Notice] = field(default_factory=list)

    def publish(self, topic: str, at_ms: int, value: float) -> None:
        """One reading that carries its own time."""
        at = datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()
        self.publisher.publish(topic, json.dumps({"at": at, "value": value}), qos=1)
        self.published += 1

    def step(self, at_ms: int, values: Mapping[str, float]) -> list[Notice]:
        """Publish (topic -> value) as measured at a moment, wait until stored, and make a round then."""
        self.clock.at_ms = at_ms
        for topic, value in values.items():
            self.publish(topic, at_ms, value)
        return self.round(at_ms)

    def round(self, at_ms: int) -> list[Notice]:
        """Set the clock and make a round; the notices it made."""
        wait_for(lambda: self.app.parts.intake.link().counts.stored >= self.published, "the readings to be stored")
        self.clock.at_ms = at_ms
        made = list(self.app.round().notices)
        self.notices += made
        return made

    def between(self, until_ms: int, dice: random.Random, most: int = 3) -> list[Notice]:
        """Rounds at up to so many drawn moments after the last one and before ``until_ms``; the notices they made."""
        span = range(self.clock.at_ms + 1, until_ms)
        moments = sorted(dice.sample(span, min(dice.randrange(most + 1), len(span))))
        return [notice for at_ms in moments for notice in self.round(at_ms)]

    def replay(
        self, rows: Iterable[tuple[int, Mapping[str, float]]], every_ms: int, dice: random.Random | None = None
    ) -> None:
        """A whole series; between rows that are far apart the rounds go on every ``every_ms``, and with ``dice`` also
        at drawn moments between any two."""
        last: int | None = None
        for at_ms, values in rows:
            if last is not None and dice is not None:
                self.between(min(at_ms, last + every_ms), dice)
            while last is not None and at_ms - last > every_ms:
                last += every_ms
                if last < at_ms:
                    self.round(last)
            self.step(at_ms, values)
            last = at_ms


@contextmanager
def stepped(
    settings: Settings,
    folder: Path,
    start_ms: int,
    watch: Callable[[Clock, int | None], watchers.JudgedClock] | None = None,
) -> Iterator[Stepped]:
    """The service with a mosquitto of its own, in a folder. ``watch``: what watches its clock, else it is right."""
    broker = Mosquitto(folder / "broker")
    broker.start()
    clock = Clock(start_ms)
    own = replace(
        settings,
        broker=replace(settings.broker, host="127.0.0.1", port=broker.port),
        data_dir=str(folder / "data"),
        commit_every_s=0.0,
    )
    publisher = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="publisher", protocol=mqtt.MQTTv5)
    try:
        app = RoomService(own, now_ms=clock, clock=None if watch is None else partial(watch, clock))
        try:
            publisher.connect("127.0.0.1", broker.port)
            publisher.loop_start()
            wait_for(lambda: app.parts.intake.link().state == "up", "the service to subscribe")
            yield Stepped(app, clock, publisher)
        finally:
            app.stop()
    finally:
        publisher.disconnect()
        publisher.loop_stop()
        broker.stop()
