"""Faults of probes, heat, broker and service, each for itself or two at once: what should be told, and what was.

Wanted is what a keeper would want to hear, written down before it was played, and read from the true temperature of
the boxes where it is about a limit (:mod:`tests.bench.faultroom`). A fault falls short when something wanted did not
come in its time, or something came that nobody wants.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import shutil
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

from monitor.core.terms.settings import Settings
from monitor.simulation.room import Act
from tests.bench import Figures
from tests.bench.absences import of_power_and_network
from tests.bench.faultroom import Calm, Deed, Fault, Mangle, Message, Played, Want, World, calmed, message, ms, play

UPPER = "upper-t"
QUIET = Want("probe-quiet", UPPER, 30.0)
# What a heater's or a door's fault rightly brings beside the limits themselves.
HEAT = ("heading", "harm-near", "harm-reached", "heat-exposure", "heat-sum")


# -- what becomes of messages ----------------------------------------------------------------------------------------


def said(world: World, probe: str, minute: float, value: object) -> Message:
    return f"room/{probe}", message(ms(minute), value), False


def instead(probe: str, payload: object, until_min: float = 1e9) -> Mangle:
    """One probe says something else: a value, or whole payloads as bytes."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        if name != probe or minute >= until_min:
            return [said(world, name, minute, value)]
        return [(f"room/{name}", payload, False) if isinstance(payload, bytes) else said(world, name, minute, payload)]

    return mangle


def noisy(probe: str, sd: float) -> Mangle:
    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        noise = world.dice.gauss(0.0, sd) if name == probe else 0.0
        return [said(world, name, minute, round((value + noise) * 16) / 16 if noise else value)]

    return mangle


def swapped(one: str, other: str) -> Mangle:
    names = {one: other, other: one}
    return lambda world, name, minute, value: [said(world, names.get(name, name), minute, value)]


def clock_off(probe: str, by_min: float) -> Mangle:
    """The probe's own clock is wrong."""
    return lambda world, name, minute, value: [
        (f"room/{name}", message(ms(minute + (by_min if name == probe else 0.0)), value), False)
    ]


def now_and_then(probe: str, value: object, every_min: float) -> Mangle:
    """Among good readings, one each so many minutes that is none."""
    return lambda world, name, minute, own: [
        said(world, name, minute, value if name == probe and minute % every_min == 0 else own)
    ]


def rising_noise(probe: str, sd: float, over_min: float) -> Mangle:
    return lambda world, name, minute, value: noisy(probe, sd * max(minute, 1.0) / over_min)(world, name, minute, value)


def flood(probe: str, until_min: float) -> Mangle:
    """Every second in place of every five minutes."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        if name != probe or minute >= until_min:
            return [said(world, name, minute, value)]
        return [said(world, name, minute - 5 + second / 60, value) for second in range(1, 301)]

    return mangle


def among(probe: str, payload: bytes, at_min: float, *, retain: bool = False) -> Mangle:
    """One message more, once, on a probe's topic."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        more = [(f"room/{name}", payload, retain)] if name == probe and minute == at_min else []
        return [*more, said(world, name, minute, value)]

    return mangle


def renamed(world: World, name: str, minute: float, value: float) -> list[Message]:
    """The gateway has another prefix from now on."""
    return [(f"house/{name}", message(ms(minute), value), False)]


def wrong_topic(world: World, name: str, minute: float, value: float) -> list[Message]:
    topic = "room/uper-t" if name == UPPER else f"room/{name}"
    return [(topic, message(ms(minute), value), False)]


def twice(world: World, name: str, minute: float, value: float) -> list[Message]:
    return [said(world, name, minute, value)] * 2


def retained(world: World, name: str, minute: float, value: float) -> list[Message]:
    """One probe's last message is kept by the broker; after that the probe is dead."""
    if name != UPPER:
        return [said(world, name, minute, value)]
    return [(f"room/{name}", message(ms(minute), value), True)] if minute == 0 else []


def buffered(until_min: float) -> Mangle:
    """The probe's gateway keeps its readings for a while, and then sends all of them."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        own = said(world, name, minute, value)
        if name != UPPER:
            return [own]
        kept = world.kept.setdefault(name, [])
        kept.append(own)
        if minute < until_min:
            return []
        world.kept[name] = []
        return kept

    return mangle


# -- what is done to the service, its clock and its disk -------------------------------------------------------------


def set_clock(off_min: float) -> Deed:
    def deed(world: World) -> None:
        world.off_ms = round(off_min * 60_000)

    return deed


def restart_broker(world: World) -> None:
    world.stop_broker()
    world.start_broker()


def free_mb(folder: Path) -> float:
    return shutil.disk_usage(folder).free / 1e6


def known_good(given: Settings, folder: Path) -> Settings:
    """The heater was serviced before the calm weeks; from then on its wear is asked for."""
    return replace(given, room=replace(given.room, watch=replace(given.room.watch, heater_since_ms=ms(-14 * 1440))))


BALLAST_MB = 2000


def roomy(given: Settings, folder: Path) -> Settings:
    """A limit of the disk that is passed by what :func:`fill` takes, and by nothing smaller."""
    limit = free_mb(folder) - BALLAST_MB / 2
    return replace(given, room=replace(given.room, watch=replace(given.room.watch, disk_low_mb=limit)))


def fill(world: World) -> None:
    with (world.folder / "ballast").open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, BALLAST_MB * 1_000_000)


def empty(world: World) -> None:
    (world.folder / "ballast").unlink()


def channel(sign: str) -> Deed:
    """What the channel answers from now on."""

    def deed(world: World) -> None:
        world.sink.then = sign

    return deed


# -- the table -------------------------------------------------------------------------------------------------------


def of_probes() -> list[Fault]:
    """Probes that are silent, wrong, or not understood."""
    quiet, works, out = Act.PROBE_QUIET, Act.PROBE_WORKS, Act.PROBE_FALLS_OUT
    return [
        Fault("probe quiet", 8, (QUIET,), acts=((0, quiet, UPPER, None), (240, works, UPPER, None)), ends_min=240),
        Fault(
            "air probe quiet", 3, (Want("probe-quiet", "air-t", 30),), ends_min=120,
            acts=((0, quiet, "air-t", None), (120, works, "air-t", None)),
        ),
        Fault(
            "humidity probe quiet", 3, (Want("probe-quiet", "top-h", 30),), ends_min=120,
            acts=((0, quiet, "top-h", None), (120, works, "top-h", None)),
        ),
        Fault(
            "two probes quiet", 3, (QUIET, Want("probe-quiet", "lower-t", 30)), ends_min=120,
            acts=((0, quiet, UPPER, None), (0, quiet, "lower-t", None),
                  (120, works, UPPER, None), (120, works, "lower-t", None)),
        ),
        Fault("85 once", 4, acts=((0, Act.PROBE_RESTARTS, UPPER, None),)),
        Fault(
            "85 for ever", 4, (replace(QUIET, by_min=40),), ends_min=180,
            acts=((0, Act.PROBE_SAYS_POWER_ON, UPPER, None), (180, works, UPPER, None)),
        ),
        Fault(
            "-127", 4, (replace(QUIET, by_min=40),), ends_min=180,
            acts=((0, Act.PROBE_SAYS_MISSING, UPPER, None), (180, works, UPPER, None)),
        ),
        Fault(
            "NaN", 4, (Want("probe-quiet|probe-unread", UPPER, 45),), ends_min=180,
            mangle=instead(UPPER, float("nan"), 180),
        ),
        Fault(
            "\"unavailable\"", 4, (Want("probe-quiet|probe-unread", UPPER, 45),), ends_min=180,
            mangle=instead(UPPER, "unavailable", 180),
        ),
        Fault(
            "garbage payload", 4, (Want("probe-unread", UPPER, 45),), ends_min=180,
            mangle=instead(UPPER, b"\xff\x00{", 180),
        ),
        Fault("wrong topic", 3, (QUIET,), mangle=wrong_topic),
        Fault(
            "stuck code while the set point falls", 12, (Want("probe-stuck", UPPER, 420),), ends_min=540,
            acts=((0, Act.PROBE_STICKS, UPPER, None), (30, Act.THERMOSTAT_SET, "", 27.0), (540, works, UPPER, None)),
        ),
        Fault("out of its box, equally warm", 24, (Want("probe-out", "middle-t", 300, clears=None),),
              acts=((0, out, "middle-t", None),)),
        Fault(
            "out of its box, the air cooler", 8, (Want("probe-out", "middle-t", 240),), ends_min=360,
            acts=((-25, Act.THERMOSTAT_SET, "", 26.5), (60, out, "middle-t", None),
                  (360, Act.PROBE_BACK_IN, "middle-t", None)),
            may=("heading",), blind=("middle",),
        ),
        Fault(
            "out of its box, then the door", 8, (Want("probe-out", "middle-t", 240),),
            acts=((0, out, "middle-t", None), (60, Act.DOOR_OPENS, "", None), (70, Act.DOOR_CLOSES, "", None)),
        ),
        Fault(
            "Fahrenheit", 4, (Want("probe-unit", UPPER, 60),), ends_min=180,
            acts=((0, Act.PROBE_IN_FAHRENHEIT, UPPER, None), (180, works, UPPER, None)),
        ),
        Fault("noise times ten", 24, mangle=noisy(UPPER, 0.2)),
        Fault("noise times sixty", 12, (Want("probe-jumps", UPPER, 360),), mangle=noisy(UPPER, 1.2), blind=("upper",)),
        Fault(
            "drift of 0.15 C a day", 24 * 9, (Want("probe-drifting", UPPER, 1440 * 8),), round_min=60,
            acts=((0, Act.PROBE_DRIFTS, UPPER, 0.15),),
            # The probe leaves the others by more than a degree in the end.
            may=("stack-uneven", "calibration-due"), blind=("upper",),
        ),
        Fault("swapped probes", 6, (Want("probes-swapped", "lower-t/top-t", 180),), mangle=swapped("lower-t", "top-t")),
        # Until the clock is told of, nobody watches the present: that it is taken as quiet is right, too.
        Fault("probe's clock two hours behind", 6, (Want("probe-clock", UPPER, 60),), may=("probe-quiet",),
              mangle=clock_off(UPPER, -121)),
        Fault("probe's clock three hours ahead", 6, (Want("probe-clock|probe-unread", UPPER, 180),),
              mangle=clock_off(UPPER, 180)),
        Fault(
            "retained old message", 5, (replace(QUIET, by_min=60),), mangle=retained,
            deeds=((5, World.kill_service), (180, World.kill_service)),
        ),
        Fault("every message twice", 4, mangle=twice),
        Fault("readings buffered for two hours", 5, (QUIET,), mangle=buffered(120), ends_min=120),
    ]  # fmt: skip


def of_the_room() -> list[Fault]:
    """Heat, air, lids and power."""
    soon = Want("heading|too-cool|too-warm", "", 180, clears=None)
    door = (Act.DOOR_OPENS, "", None), (Act.DOOR_CLOSES, "", None)
    return [
        Fault("heater dead for five hours", 16, (soon,), may=HEAT, ends_min=300,
              acts=((0, Act.HEATER_DIES, "", None), (300, Act.HEATER_WORKS, "", None))),
        # The boxes take about six hours to the limit: half an hour of warning is the least.
        Fault("heater stuck on for eight hours", 16, (Want("heading", "", 330, clears=None),), may=HEAT, ends_min=480,
              acts=((0, Act.HEATER_STICKS_ON, "", None), (480, Act.HEATER_WORKS, "", None))),
        Fault("thermostat 3 C too high", 24, may=HEAT, acts=((0, Act.THERMOSTAT_SET, "", 31.0),)),
        Fault("thermostat 3 C too low", 24, may=HEAT, acts=((0, Act.THERMOSTAT_SET, "", 25.0),)),
        Fault("fan stops", 36, (Want("stack-uneven", "rack", 1800),), round_min=20, may=("siblings-apart",),
              acts=((0, Act.FAN_STOPS, "", None),)),
        Fault("door open for five minutes", 4, acts=((0, *door[0]), (5, *door[1]))),
        Fault("door open for an hour", 6, (Want("heading|too-cool", "", 60, clears=None),), may=HEAT, ends_min=60,
              acts=((0, *door[0]), (60, *door[1]))),
        # A week in which it is known to be good comes first.
        Fault("heater loses a quarter of its power", 24 * 14, (Want("heater-weak", "rack", 1440 * 14, 1440 * 8, None),),
              acts=((1440 * 7, Act.HEATER_FADES, "", 0.25), (1440 * 8, Act.HEATER_FADES, "", 0.0)), round_min=60,
              may=HEAT, change=known_good),
        Fault("cold night", 24, may=HEAT, acts=((0, Act.OUTDOORS, "", 1.0),)),
        Fault("lid open for three hours", 12, (Want("too-dry", "top", 150, clears=360),), ends_min=180,
              acts=((0, Act.LID_OPENS, "top", None), (180, Act.LID_CLOSES, "top", None))),
        Fault("lid lifted for five minutes", 4,
              acts=((0, Act.LID_OPENS, "top", None), (5, Act.LID_CLOSES, "top", None))),
        Fault("substrate dries out", 36, (Want("too-dry", "top", 1200),), round_min=20,
              acts=((0, Act.WETNESS, "top", 70.0),)),
        Fault("power cut for three hours", 12, (Want("room-quiet", "faulty room", 30),), may=HEAT, ends_min=180,
              acts=((0, Act.POWER_FAILS, "", None), (180, Act.POWER_RETURNS, "", None))),
        Fault("power cut for ten minutes", 4,
              acts=((1, Act.POWER_FAILS, "", None), (11, Act.POWER_RETURNS, "", None))),
    ]  # fmt: skip


def of_the_service() -> list[Fault]:
    """Broker, network, clock, channel, disk, and the end of the service itself."""
    quiet = (Want("room-quiet", "faulty room", 30),)
    wrong_clock = (Want("clock-untrusted|probe-clock", "", 60),)
    return [
        Fault("broker stopped for an hour", 4, quiet, ends_min=60,
              deeds=((1, World.stop_broker), (60, World.start_broker))),
        Fault("broker killed", 4, quiet, ends_min=60,
              deeds=((1, lambda w: w.stop_broker(kill=True)), (60, World.start_broker))),
        Fault("login refused for an hour", 4, (Want("broker-refused", "broker", 20),), ends_min=60,
              deeds=((1, World.stop_broker), (2, lambda w: w.start_broker(("eggs", "other"))),
                     (59, World.stop_broker), (60, World.start_broker))),
        Fault("network cut for an hour", 4, quiet, ends_min=60,
              deeds=((1, lambda w: w.freeze_broker(True)), (60, lambda w: w.freeze_broker(False)))),
        Fault("clock set back an hour", 5, wrong_clock, ends_min=180, deeds=((1, set_clock(-60)), (180, set_clock(0)))),
        Fault("clock set forward a day", 5, wrong_clock, ends_min=180,
              deeds=((1, set_clock(1440)), (180, set_clock(0)))),
        Fault("channel refuses for two hours", 6, (QUIET, Want("notices-stuck", "hook", 60)), ends_min=120,
              acts=((0, Act.PROBE_QUIET, UPPER, None), (120, Act.PROBE_WORKS, UPPER, None)),
              deeds=((0, channel("5")), (120, channel("."))), channel=True),
        Fault("disk nearly full", 3, (Want("disk-low", "disk", 15, clears=None),), ends_min=120, change=roomy,
              deeds=((0, fill), (120, empty))),
        Fault("killed while calm", 3, deeds=((30, World.kill_service), (90, World.kill_service))),
        Fault("killed while a probe is quiet", 6, (QUIET,), ends_min=240,
              acts=((0, Act.PROBE_QUIET, UPPER, None), (240, Act.PROBE_WORKS, UPPER, None)),
              deeds=((10, World.kill_service), (60, World.kill_service))),
        Fault("killed while it is too warm", 16, may=HEAT, ends_min=480,
              acts=((0, Act.HEATER_STICKS_ON, "", None), (480, Act.HEATER_WORKS, "", None)),
              deeds=((240, World.kill_service), (470, World.kill_service))),
    ]  # fmt: skip


def of_a_season() -> list[Fault]:
    """What else a season brings: two things at once, what comes and goes, and what a keeper does on purpose."""
    works, out, door = Act.PROBE_WORKS, Act.PROBE_FALLS_OUT, (Act.DOOR_OPENS, Act.DOOR_CLOSES)
    broken = Want("probe-jumps|probe-quiet|probe-unread", UPPER, 600)
    candled = [
        (1440 * day + 60 + 5 * i + later, act, box, None)
        for day in range(4) for i, box in enumerate(("lower", "middle", "upper", "top"))
        for later, act in ((0, Act.LID_OPENS), (5, Act.LID_CLOSES))
    ]  # fmt: skip
    return [
        # Two at once.
        Fault("stuck while the heater dies", 16, (Want("probe-stuck", UPPER, 420),), ends_min=480,
              # Once its probe works again, its box is told of as well.
              may=(*HEAT, "too-cool upper"), acts=((0, Act.PROBE_STICKS, UPPER, None), (60, Act.HEATER_DIES, "", None),
                    (480, Act.HEATER_WORKS, "", None), (480, works, UPPER, None)), blind=("upper",)),
        Fault("air probe stuck while the heater sticks on", 16, (Want("probe-stuck", "air-t", 480),), may=HEAT,
              ends_min=540, acts=((0, Act.PROBE_STICKS, "air-t", None), (30, Act.HEATER_STICKS_ON, "", None),
                                  (540, Act.HEATER_WORKS, "", None), (540, works, "air-t", None))),
        # The box of that probe is told of when a closed one may be too cool, which is before it is.
        Fault("out of its box, then the heater dies", 16, (Want("probe-out", "middle-t", 240, clears=None),),
              may=(*HEAT, "too-cool middle"), blind=("middle",),
              acts=((0, out, "middle-t", None), (240, Act.HEATER_DIES, "", None), (600, Act.HEATER_WORKS, "", None))),
        # The mean of its day does lie a degree below that of the others.
        Fault("lid off while the door stands open", 8, may=(*HEAT, "stack-uneven"),
              acts=((0, Act.LID_OPENS, "middle", None), (60, door[0], "", None), (120, door[1], "", None),
                    (180, Act.LID_CLOSES, "middle", None))),
        Fault("drift in a room set warmer", 24 * 11, (Want("probe-drifting", UPPER, 1440 * 10),), round_min=60,
              acts=((0, Act.THERMOSTAT_SET, "", 29.5), (0, Act.PROBE_DRIFTS, UPPER, 0.15)), may=(
                  "stack-uneven", "calibration-due", "too-warm upper", *HEAT), blind=("upper",)),
        # Probes that are wrong now and then, or more and more.
        Fault("85 among good values", 12, (broken,), mangle=now_and_then(UPPER, 85.0, 30)),
        Fault("-127 among good values", 12, (broken,), mangle=now_and_then(UPPER, -127, 30)),
        Fault("-127 once a day", 26, mangle=now_and_then(UPPER, -127, 1440), round_min=20),
        Fault("noise that rises", 24, (Want("probe-jumps", UPPER, 1440),), mangle=rising_noise(UPPER, 1.2, 1440),
              blind=("upper",)),
        Fault("humidity stays at 100 %", 14, (Want("probe-saturated|probe-stuck", "top-h", 600),), ends_min=660,
              mangle=instead("top-h", 100.0, 660)),
        Fault("every second for an hour", 3, mangle=flood(UPPER, 60)),
        Fault("Fahrenheit from now on", 30, (Want("probe-unit", UPPER, 60),), round_min=20,
              acts=((0, Act.PROBE_IN_FAHRENHEIT, UPPER, None),), deeds=((300, World.kill_service),)),
        Fault("all topics renamed", 4, (Want("room-quiet", "faulty room", 30),), mangle=renamed),
        Fault("garbage that the broker keeps", 4, mangle=among(UPPER, b"\xff\x00{", 0, retain=True),
              deeds=((60, World.kill_service), (120, World.kill_service))),
        Fault("a message of 1 MB", 3, mangle=among(UPPER, b"x" * 1_000_000, 10)),
        Fault("a reading within 1 MB", 3, mangle=among(UPPER, b'{"pad": "' + b"x" * 1_000_000 + b'"}', 10)),
        # What a keeper does, and the seasons.
        Fault("lid left open for a day", 32, (Want("too-dry", "top", 150, clears=360),), ends_min=1440, round_min=20,
              acts=((0, Act.LID_OPENS, "top", None), (1440, Act.LID_CLOSES, "top", None))),
        Fault("boxes candled each day", 82, round_min=20, acts=tuple(candled)),
        Fault("set two degrees lower on purpose", 36, round_min=20, acts=((0, Act.THERMOSTAT_SET, "", 26.0),)),
        Fault("summer day", 30, may=HEAT, acts=((0, Act.OUTDOORS, "", 30.0), (900, Act.OUTDOORS, "", 14.0))),
        # Broker, clock, channel.
        Fault("broker restarts each hour", 8, deeds=tuple((60 * k + 1, restart_broker) for k in range(8))),
        Fault("clock set forward an hour", 5, (Want("clock-untrusted|probe-clock", "", 60),), ends_min=180,
              deeds=((1, set_clock(60)), (180, set_clock(0)))),
        Fault("clock set back a day", 5, (Want("clock-untrusted|probe-clock", "", 60),), ends_min=180,
              deeds=((1, set_clock(-1440)), (180, set_clock(0)))),
        Fault("channel dead for a night", 14, (QUIET, Want("notices-stuck", "hook", 60)), ends_min=600, channel=True,
              acts=((0, Act.PROBE_QUIET, UPPER, None), (600, works, UPPER, None)),
              deeds=((0, channel("5")), (600, channel(".")))),
    ]  # fmt: skip


def told(played: Played) -> str:
    """One line of the table."""
    parts = [f"{want}: {came.kind} after {came.at_min:.0f} min [{came.urgency}]" for want, came in played.met]
    parts += [f"MISSING {text}" for text in played.missing]
    parts += [f"UNEXPECTED {text}" for text in played.unexpected]
    return "; ".join(parts) or "nothing wanted, nothing came"


def every() -> dict[str, Fault]:
    """The whole table by name, those that are played longest first."""
    found = sorted(
        (*of_probes(), *of_the_room(), *of_the_service(), *of_a_season(), *of_power_and_network()),
        key=lambda f: -f.hours / f.round_min,
    )
    return {fault.name: fault for fault in found}


def _play(name: str, start: Calm) -> tuple[str, list[str], list[str], int, float | None, int]:
    """In a process of its own: the line, missing, unexpected, met, first_s, notices."""
    played = play(every()[name], start)
    return told(played), played.missing, played.unexpected, len(played.met), played.first_s, len(played.notices)


def measure(only: str = "") -> Figures:
    """Each fault whose name holds ``only``, on as many processors as there are (two at most)."""
    figures: dict[str, float | int | str | None] = {}
    short: list[str] = []
    count = {"faults": 0, "as_wanted": 0, "wanted": 0, "missing": 0, "unexpected": 0, "notices": 0}
    names = [name for name in every() if only in name]
    spawn = multiprocessing.get_context("spawn")
    with calmed() as start, ProcessPoolExecutor(min(2, os.cpu_count() or 1), mp_context=spawn) as pool:
        figures["notices in thirty calm hours"] = len(start.notices)
        short += [f"calm: unexpected {n.title}" for n in start.notices]
        for name, (line, missing, unexpected, met, first_s, notices) in zip(
            names, pool.map(_play, names, itertools.repeat(start)), strict=True
        ):
            figures[name] = line
            if first_s is not None:
                figures[f"{name}: first_s"] = round(first_s)
            figures[f"{name}: notices"] = notices
            short += [f"{name}: {text} did not come" for text in missing]
            short += [f"{name}: {text} came, unexpected" for text in unexpected]
            count["faults"] += 1
            count["as_wanted"] += not (missing or unexpected)
            count["wanted"] += met + len(missing)
            count["missing"] += len(missing)
            count["unexpected"] += len(unexpected)
            count["notices"] += notices
    notes = [
        "simulated time; a round every 10 min (fan, substrate: 20, drift: 60), readings every 5 min",
        "wanted of a limit: read from the box's true temperature; of anything else: written with the fault",
    ]
    return Figures({**count, **figures}, short, notes)
