"""Many rooms on one computer with one broker and one database: the overview while any of them is down, and after.

Real services, with the paces of a room's file, at a mosquitto that ``deploy/broker --room`` has set up, shipping to
influxdb; the overview's page is a process of its own and is asked as a program asks it. What it says of a room is held
to what that room says of itself by its own store. Each part is taken down and brought back, one at a time; some rooms
are killed (their will waits a minute, so that a restart says nothing), the others are stopped.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from monitor.adapters.history import RoomHistory
from monitor.cli.main import main
from monitor.core.terms.settings import HistoryAt
from tests.bench import Figures
from tests.bench.footprint import process_facts
from tests.bench.process import Beat, Publisher, Service, now_ms, room, until
from tests.peers import MOMENT_S, PROJECT, answers, free_port, need, wait_for
from tests.v2front import BUCKET, ORG, TOKEN, Front, Influx, influx_with_front

CALM_C: Final = 28.0
WARM_C: Final = 32.0
NEAR_C: Final = 0.06
EVERY_S: Final = 5.0
LIMIT_S: Final = 180.0
"""Later than that the overview is wrong: a will waits a minute, a round a quarter of one, a message ten seconds."""
LIMIT_MB: Final = 90.0


@dataclass
class HouseBroker:
    """mosquitto as ``deploy/broker --room`` sets it up."""

    folder: Path
    names: Sequence[str]
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def set_up(self) -> None:
        need("mosquitto", "mosquitto")
        command = [str(PROJECT / "deploy" / "broker"), "--folder", str(self.folder), "--port", str(self.port)]
        command += [word for name in self.names for word in ("--room", name)]
        subprocess.run(command, check=True, capture_output=True, stdin=subprocess.DEVNULL)

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            words = [need("mosquitto", "mosquitto"), "-c", str(self.folder / "mosquitto.conf")]
            self.process = subprocess.Popen(words, stdout=log, stderr=log)
        wait_for(lambda: answers(self.port), "the broker to answer")

    def stop(self, *, kill: bool = False) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL if kill else signal.SIGTERM)
            self.process.wait(MOMENT_S)
            self.process = None

    def word(self, login: str) -> str:
        return (self.folder / f"{login}.password").read_text().strip()


@dataclass
class HouseOfRooms:
    """The rooms by name with their probes, the broker, the database, and the overview's page."""

    folder: Path
    broker: HouseBroker
    influx: Influx
    front: Front
    services: dict[str, Service]
    gateways: dict[str, Publisher]
    page_port: int
    page: subprocess.Popen[bytes]
    probes: int
    values: dict[str, float]
    """What the lowest box of each room is at; those above it are each half a degree warmer."""
    wrong: list[str] = field(default_factory=list)

    def publish(self, name: str) -> None:
        for k in range(self.probes):
            self.gateways[name].publish(f"{name}/p{k}", str(self.values[name] + 0.5 * k))

    def publish_all(self, _: int = 0) -> None:
        for name in self.services:
            self.publish(name)

    def told(self) -> dict[str, Any]:
        """What the overview says now."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page_port}/api/rooms", timeout=MOMENT_S) as answer:
            found: dict[str, Any] = json.load(answer)
        # Whatever is down, no temperature of such a room is one of now.
        for told in found["rooms"]:
            if told["watch"] != "here" and any(b["temperature_c"] is not None for b in told["boxes"]):
                self.wrong.append(f"{told['room']} is {told['watch']} and has a temperature of now")
        return found

    def differences(self, down: Sequence[str] = ()) -> list[str]:
        """Where the overview says other than the rooms that are not down say of themselves."""
        told = self.told()
        by_name = {x["room"]: x for x in told["rooms"]}
        found = [f"{name} is not told of" for name in self.services if name not in by_name]
        for name, said in by_name.items():
            if name in down:
                if said["watch"] != "down":
                    found.append(f"{name} is down, and told as {said['watch']}")
                continue
            if said["watch"] != "here":
                found.append(f"{name} runs, and is told as {said['watch']}")
                continue
            boxes, kinds = own_word(self.services[name])
            shown = {b["box"]: b["temperature_c"] for b in said["boxes"]}
            for box, value in boxes.items():
                at = shown.get(box)
                if at != value and (at is None or value is None or abs(at - value) > NEAR_C):
                    found.append(f"{name}, {box}: told as {at}, its own word is {value}")
            needs = {x["kind"] for x in told["needs"] if x["room"] == name and x["kind"]}
            if needs != kinds:
                found.append(f"{name}: told of {sorted(needs)}, its own word is {sorted(kinds)}")
        return found

    def right(self, down: Sequence[str] = (), limit_s: float = LIMIT_S) -> tuple[float, list[str]]:
        """How long it takes until the overview is right, and what was wrong to the end."""
        began, last = time.monotonic(), [""]

        def now() -> bool:
            last[:] = self.differences(down)
            return not last

        until(now, limit_s, 0.25)
        return time.monotonic() - began, last


def own_word(service: Service) -> tuple[dict[str, float | None], set[str]]:
    """What a room says of itself by its commands: box -> temperature of now, and the kinds of what is true."""
    where = ["--json", "--config", str(service.config), "--data", str(service.data)]
    told = []
    for verb in ("boxes", "notices"):
        out = io.StringIO()
        with contextlib.redirect_stdout(out):
            assert main([verb, *where]) == 0
        told.append(json.loads(out.getvalue()))
    return {b["box"]: b["temperature_c"] for b in told[0]}, {c["kind"] for c in told[1]["conditions"]}


def tables_of(name: str, probes: int, broker: HouseBroker, front: Front, folder: Path, tick_s: float) -> dict[str, Any]:
    """A small room at the house's broker."""
    (folder / "token").write_text(TOKEN)
    boxes = [f"box{k}" for k in range(probes)]
    tables: dict[str, Any] = room(
        boxes,
        [{"id": f"{name}-probe{k}", "topic": f"{name}/p{k}", "box": box} for k, box in enumerate(boxes)],
        port=broker.port,
        limits={"too_warm_c": WARM_C - 0.5, "too_cool_c": 15.0},
        watch={"room_quiet_after": "15 min"},
        broker={
            "client_id": f"{name}-of-the-house",
            "username": name,
            "password_file": str(broker.folder / f"{name}.password"),
            "status_topic": f"{name}/warmtally",
            "state": True,
        },
        answers={"topic": f"{name}/answer", "overview": True},
        shipping={"url": front.url, "org": ORG, "bucket": BUCKET, "token_file": str(folder / "token")},
    )
    tables["room"] = {**tables["room"], "name": name.title()}
    tables["pace"] = {"tick_s": tick_s}
    return tables


@contextlib.contextmanager
def house_of_rooms(folder: Path, rooms: int, probes: int, tick_s: float = 15.0) -> Iterator[HouseOfRooms]:
    """All of it, started; each room has been heard once."""
    names = [f"room{n}" for n in range(rooms)]
    broker = HouseBroker(folder / "broker", names)
    broker.set_up()
    broker.start()
    page_port = free_port()
    file = folder / "rooms.toml"
    file.write_text(
        f'name = "House"\ntime_zone = "UTC"\n[[brokers]]\nid = "house"\nport = {broker.port}\nusername = "overview"\n'
        f'password_file = "{broker.folder}/overview.password"\nexpected = {json.dumps(names)}\n'
        f'[page]\nlisten = "127.0.0.1:{page_port}"\n'
    )
    with contextlib.ExitStack() as stack:
        stack.callback(broker.stop)
        influx, front = stack.enter_context(influx_with_front(folder / "influx"))
        services = {}
        for name in names:
            (folder / name).mkdir()
            services[name] = Service(folder / name, tables_of(name, probes, broker, front, folder / name, tick_s))
            stack.callback(services[name].kill)
            services[name].start()
        with (folder / "page.log").open("wb") as log:
            words = [sys.executable, "-m", "monitor", "rooms", "serve", "--file", str(file)]
            page = subprocess.Popen(words, cwd=PROJECT, stdout=log, stderr=log)
        stack.callback(page.wait, MOMENT_S)
        stack.callback(page.terminate)
        gateways = {
            name: stack.enter_context(
                Publisher(broker.port, f"{name}-probes", (f"{name}-probes", broker.word(f"{name}-probes")))
            )
            for name in names
        }
        values = dict.fromkeys(names, CALM_C)
        house = HouseOfRooms(folder, broker, influx, front, services, gateways, page_port, page, probes, values)
        for service in services.values():
            service.wait_up()
        wait_for(lambda: answers(page_port), "the overview's page")
        yield house


def measure(
    rooms: int = 10,
    probes: int = 3,
    downs: int = 10,
    kills: int = 3,
    calm_s: float = 60.0,
    tick_s: float = 15.0,
    seed: int = 1,
) -> Figures:
    """``downs``: so many of the rooms are taken down, ``kills`` of them killed, the others stopped; ``calm_s``: so long
    memory and processor are looked at; ``tick_s``: between two rounds of a room, which no file sets."""
    folder = Path(tempfile.mkdtemp(prefix="warmtally-rooms-"))
    figures: dict[str, float | int | str | bool | None] = {"rooms": rooms, "probes of each": probes}
    short: list[str] = []
    try:
        with house_of_rooms(folder, rooms, probes, tick_s) as house, Beat(house.publish_all, EVERY_S):
            seconds, wrong = house.right()
            short += [f"at the start: {x}" for x in wrong]
            figures["right after the start, s"] = round(seconds, 1)
            _changes(house, figures, short)
            _calm(house, calm_s, figures, short)
            _each_down(house, random.Random(seed), downs, kills, figures, short)
            _broker_down(house, figures, short)
            _database_down(house, figures, short)
        figures["old temperatures shown as of now"] = len(house.wrong)
        short += house.wrong[:5]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    notes = [
        f"{rooms} services, mosquitto, influxdb and the overview's page on one computer, each a process of its own",
        f"{probes} probes of each room report every {EVERY_S:.0f} s; a round every {tick_s:g} s",
        "right: which rooms are watched, each temperature of now and each condition, as the rooms' own commands say",
    ]
    return Figures(figures, short, notes)


Sink = dict[str, float | int | str | bool | None]


def _changes(house: HouseOfRooms, figures: Sink, short: list[str]) -> None:
    """Every room becomes too warm at once: how soon the overview shows its temperature, and what needs a hand."""
    began = time.monotonic()
    shown: dict[str, float] = {}
    told: dict[str, float] = {}
    for name in house.services:
        house.values[name] = WARM_C
        house.publish(name)

    def all_seen() -> bool:
        found, at = house.told(), time.monotonic() - began
        for said in found["rooms"]:
            lowest = next((b["temperature_c"] for b in said["boxes"] if b["box"] == "box0"), None)
            if lowest is not None and abs(lowest - WARM_C) < NEAR_C:
                shown.setdefault(said["room"], at)
        for need_ in found["needs"]:
            if need_["kind"] == "too-warm":
                told.setdefault(need_["room"], at)
        return len(shown) == len(told) == len(house.services)

    until(all_seen, LIMIT_S, 0.2)
    for what, seen in (("a temperature", shown), ("a condition", told)):
        if len(seen) < len(house.services):
            short.append(f"{what} of {len(house.services) - len(seen)} rooms is not seen within {LIMIT_S:.0f} s")
        if seen:
            figures[f"{what} is seen after, s (median)"] = round(statistics.median(seen.values()), 1)
            figures[f"{what} is seen after, s (longest)"] = round(max(seen.values()), 1)
    for name in house.services:
        house.values[name] = CALM_C
    _, wrong = house.right()
    short += [f"after it was too warm: {x}" for x in wrong]


def _calm(house: HouseOfRooms, calm_s: float, figures: Sink, short: list[str]) -> None:
    """What each process takes while nothing is done."""
    processes = {name: x.process.pid for name, x in house.services.items() if x.process is not None}
    assert house.broker.process is not None
    assert house.influx.process is not None
    processes |= {"overview": house.page.pid, "mosquitto": house.broker.process.pid}
    processes |= {"influxdb": house.influx.process.pid}
    before, began = {k: process_facts(pid) for k, pid in processes.items()}, time.monotonic()
    time.sleep(calm_s)
    after, took_s = {k: process_facts(pid) for k, pid in processes.items()}, time.monotonic() - began
    cpu = {k: 100 * (after[k]["cpu_s"] - before[k]["cpu_s"]) / took_s for k in processes}
    of_rooms = list(house.services)
    figures["a room, MB (median)"] = round(statistics.median(after[k]["resident_mb"] for k in of_rooms), 1)
    figures["a room, MB (most, peak)"] = round(max(after[k]["peak_mb"] for k in of_rooms), 1)
    figures["a room, % of a core (median)"] = round(statistics.median(cpu[k] for k in of_rooms), 2)
    figures["a room, % of a core (most)"] = round(max(cpu[k] for k in of_rooms), 2)
    for other in ("overview", "mosquitto", "influxdb"):
        figures[f"{other}, MB"] = round(after[other]["resident_mb"], 1)
        figures[f"{other}, % of a core"] = round(cpu[other], 2)
    figures["all together, MB"] = round(sum(x["resident_mb"] for x in after.values()), 0)
    if max(after[k]["peak_mb"] for k in (*of_rooms, "overview")) > LIMIT_MB:
        short.append(f"a room or the overview takes more than {LIMIT_MB:.0f} MB")


def _each_down(
    house: HouseOfRooms, draw: random.Random, downs: int, kills: int, figures: Sink, short: list[str]
) -> None:
    """Each room is taken away and brought back, one at a time."""
    names = draw.sample(list(house.services), min(downs, len(house.services)))
    killed = set(names[:kills])
    down_s: dict[bool, list[float]] = {True: [], False: []}
    back_s = []
    for name in names:
        service = house.services[name]
        if name in killed:
            service.kill()
        else:
            service.stop()
        seconds, wrong = house.right([name])
        down_s[name in killed].append(seconds)
        short += [f"while {name} is down: {x}" for x in wrong]
        # Meanwhile its boxes become cooler, which nobody is there to see.
        house.values[name] = CALM_C - 1.0
        house.publish(name)
        service.start()
        seconds, wrong = house.right()
        back_s.append(seconds)
        short += [f"after {name} is back: {x}" for x in wrong]
        house.values[name] = CALM_C
    for was_killed, how in ((True, "killed"), (False, "stopped")):
        if down_s[was_killed]:
            figures[f"a room that is {how} is down after, s (longest)"] = round(max(down_s[was_killed]), 1)
    figures["rooms taken down and back"] = len(back_s)
    if back_s:
        figures["a room is right again after its start, s (longest)"] = round(max(back_s), 1)


def _broker_down(house: HouseOfRooms, figures: Sink, short: list[str]) -> None:
    """The broker is stopped, then killed: no room may be shown as of now meanwhile."""
    for kill in (False, True):
        how = "killed" if kill else "stopped"
        house.broker.stop(kill=kill)
        if not until(lambda: all(x["watch"] == "cut-off" for x in house.told()["rooms"]), LIMIT_S, 0.1):
            short.append(f"with the broker {how} rooms are shown as heard")
        until(lambda: bool(house.told()["troubles"]), LIMIT_S, 0.1)
        if not house.told()["troubles"]:
            short.append(f"with the broker {how} nothing is said of it")
        house.broker.start()
        seconds, wrong = house.right()
        figures[f"all is right after the broker was {how}, s"] = round(seconds, 1)
        short += [f"after the broker was {how}: {x}" for x in wrong]


def _database_down(house: HouseOfRooms, figures: Sink, short: list[str]) -> None:
    """Without the database the overview says what it said; what was not shipped is when it is back."""
    house.influx.stop()
    seconds, wrong = house.right()
    short += [f"without the database: {x}" for x in wrong]
    time.sleep(2 * EVERY_S)
    house.influx.start()
    _, wrong = house.right()
    short += [f"after the database is back: {x}" for x in wrong]
    figures["right without the database after, s"] = round(seconds, 1)
    until_ms = now_ms()
    until(lambda: not read_back(house, until_ms)[0], LIMIT_S, 1.0)
    wrong, equal = read_back(house, until_ms)
    figures["readings that came back from the database as they are stored"] = equal
    short += [f"not at the database as it is stored: {x}" for x in wrong] if wrong or equal else ["nothing is there"]


def read_back(house: HouseOfRooms, until_ms: int) -> tuple[list[str], int]:
    """Probes whose readings until a moment do not come back from the database as the room has stored them; and how many
    readings do."""
    found, equal = [], 0
    for name, service in house.services.items():
        history = RoomHistory(HistoryAt(house.influx.url, BUCKET), name)
        for k in range(house.probes):
            probe = f"{name}-probe{k}"
            at, value = service.readings(probe)
            stored = {int(t): float(v) for t, v in zip(at, value, strict=True) if t <= until_ms}
            # As warmtally rooms history reads it.
            held = {x.at_ms: x.value for x in history.readings(probe, 0, until_ms + 1)}
            if held != stored:
                found.append(f"{probe}: {len(stored)} stored, {len(held)} held")
            else:
                equal += len(held)
    return found, equal
