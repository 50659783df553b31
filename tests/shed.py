"""A shed with two boxes: a real broker, a service that is there or not, probes that keep what they measure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.core.notices.notice import Notice
from monitor.core.terms.settings import Box, Broker, Limits, Probe, Room, Settings, Watch
from monitor.service.start import RoomService
from tests.bench.stepped import Clock
from tests.peers import MOMENT_S, Mosquitto, mosquitto, wait_for

MINUTE = 60_000
START = int(datetime(2027, 5, 20, 6, tzinfo=UTC).timestamp() * 1000)
TIMED = {"pointer": "/value", "time_pointer": "/at"}


def settings(folder: Path, port: int, timed: bool = True) -> Settings:
    form = TIMED if timed else {}
    room = Room(
        "shed",
        "UTC",
        "C",
        ("west",),
        (Box("low", "west", 40.0), Box("top", "west", 140.0)),
        tuple(Probe(f"{b}-t", f"shed/{b}", box=b, standard_uncertainty=0.1, **form) for b in ("low", "top")),  # type: ignore[arg-type]
        Limits(too_warm_c=31.0, too_cool_c=25.5),
        Watch(repeat_now_s=0.0, repeat_today_s=0.0),
    )
    return Settings(room, Broker(port=port), data_dir=str(folder / "data"), commit_every_s=0.0)


def reading(minute: float, value: float) -> dict[str, object]:
    """One reading with its time, as the probes write it."""
    return {"at": datetime.fromtimestamp((START + minute * MINUTE) / 1000, UTC).isoformat(), "value": value}


class Shed:
    """Two boxes that report each minute; a service that is there, or not."""

    def __init__(self, folder: Path, broker: Mosquitto, *, timed: bool = True) -> None:
        self.clock = Clock(START)
        self.given = settings(folder, broker.port, timed)
        self.timed = timed
        self.notices: list[Notice] = []
        self.expected = 0
        self.publisher = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="shed", protocol=mqtt.MQTTv5)
        self.publisher.connect("127.0.0.1", broker.port)
        self.publisher.loop_start()

    @contextmanager
    def service(self, minute: float) -> Iterator[RoomService]:
        self.clock.at_ms = START + round(minute * MINUTE)
        app = RoomService(self.given, now_ms=self.clock)
        try:
            wait_for(lambda: app.parts.intake.link().state == "up", "the service to subscribe")
            yield app
        finally:
            app.stop()

    def say(self, minute: float, low: float = 28.0, top: float = 28.5) -> None:
        for box, value in (("low", low), ("top", top)):
            payload = json.dumps(reading(minute, value)) if self.timed else str(value)
            self.publisher.publish(f"shed/{box}", payload, qos=1).wait_for_publish(MOMENT_S)

    def tell(
        self, app: RoomService, minute: float, messages: Iterable[tuple[str, object]], *, with_round: bool = True
    ) -> None:
        """Messages (box, JSON) that come at a minute, all of them stored before its round."""
        self.clock.at_ms = START + round(minute * MINUTE)
        for box, content in messages:
            self.publisher.publish(f"shed/{box}", json.dumps(content), qos=1)
            self.expected += len(content["gathered"]) if isinstance(content, dict) and "gathered" in content else 1
        wait_for(lambda: app.parts.intake.link().counts.stored >= self.expected, "the readings to be stored")
        if with_round:
            self.notices += app.round().notices

    def run(self, app: RoomService, minutes: range, low: float = 28.0) -> None:
        """Readings and a round for each minute."""
        for minute in minutes:
            self.clock.at_ms = START + minute * MINUTE
            before = app.parts.intake.link().counts.stored
            self.say(minute, low)
            wait_for(lambda b=before: app.parts.intake.link().counts.stored >= b + 2, "the readings to be stored")  # type: ignore[misc]
            self.notices += app.round().notices

    def close(self) -> None:
        self.publisher.disconnect()
        self.publisher.loop_stop()


@contextmanager
def shed(folder: Path, *, timed: bool = True) -> Iterator[Shed]:
    with mosquitto(folder / "broker") as broker:
        made = Shed(folder, broker, timed=timed)
        try:
            yield made
        finally:
            made.close()


def told(notices: list[Notice]) -> list[tuple[str, str, str]]:
    return [(n.kind, n.change, " ".join(n.subjects)) for n in notices]
