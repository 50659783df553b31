"""Further faults for the table of :mod:`tests.bench.faults`: what is away for a while and comes back.

Gateways with their last wills, the service itself, the power of the room, probes that keep what they measure, and
batteries that run down.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from monitor.core.terms.settings import Gateway, Probe, Settings
from monitor.simulation.room import Act
from tests.bench.faultroom import Deed, Fault, Mangle, Message, Want, World, message, ms

BRIDGE = Gateway("bridge", "room/bridge")
BEHIND = ("upper-t", "top-t", "top-h")
ROOM = "faulty room"
UPPER = "upper-t"
# What a room that has cooled rightly brings beside the limits themselves.
HEAT = ("heading", "harm-near", "harm-reached", "heat-exposure", "heat-sum")


def behind(*probes: str) -> Callable[[Settings, Path], Settings]:
    """The room with some of its probes behind a gateway; none named: all of them."""

    def change(given: Settings, _: Path) -> Settings:
        room = given.room
        moved = tuple(replace(p, gateway="bridge") if not probes or p.id in probes else p for p in room.probes)
        return replace(given, room=replace(room, probes=moved, gateways=(BRIDGE,)))

    return change


def say(word: str) -> Deed:
    """What stands at the broker for the gateway from now on."""
    return lambda world: world.publish(BRIDGE.topic, word.encode(), retain=True, counts=False)


def bounce(world: World) -> None:
    say("offline")(world)
    say("online")(world)


def silent(probes: tuple[str, ...], from_min: float, to_min: float) -> Mangle:
    """What some probes say is lost for a while."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        lost = name in probes and from_min <= minute < to_min
        return [] if lost else [(f"room/{name}", message(ms(minute), value), False)]

    return mangle


def keeps(probes: tuple[str, ...], until_min: float, *, over_min: float = 0.0) -> Mangle:
    """Some probes keep what they measure, and give it back the newest first beside what they measure then; all at once,
    or a share at each moment."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        own = (f"room/{name}", message(ms(minute), value), False)
        if name not in probes:
            return [own]
        kept = world.kept.setdefault(name, [])
        if minute < until_min:
            kept.append(own)
            return []
        size = len(kept) if over_min <= 0.0 else max(round(until_min / over_min), 1)
        given, world.kept[name] = kept[::-1][:size], kept[: max(len(kept) - size, 0)]
        return [own, *given]

    return mangle


def with_battery(given: Settings, _: Path) -> Settings:
    room = given.room
    battery = Probe(
        "upper-battery", "room/upper-battery", "battery", "V", "/value", "/at", interval_s=300.0,
        quiet_after_s=2 * 86_400.0, standard_uncertainty=0.0, battery_of=UPPER, low=2.4,
    )  # fmt: skip
    return replace(given, room=replace(room, batteries=(battery,)))


def runs_down(per_day: float, start: float, renewed_min: float) -> Mangle:
    """A battery that is told of beside its probe, falls, and is renewed."""

    def mangle(world: World, name: str, minute: float, value: float) -> list[Message]:
        own = (f"room/{name}", message(ms(minute), value), False)
        if name != UPPER:
            return [own]
        volts = 3.0 if minute >= renewed_min else start - per_day * minute / 1440
        # Counted by hand: it is no topic of a probe of the room.
        world.publish("room/upper-battery", message(ms(minute), round(volts, 3)))
        return [own]

    return mangle


def of_power_and_network() -> list[Fault]:
    """What is away for a while and comes back."""
    every = ("lower-t", "middle-t", "upper-t", "top-t", "air-t", "top-h")
    quiet = Want("room-quiet", ROOM, 30)
    gone = Want("gateway-gone", "bridge", 20)
    away = Want("was-away", ROOM, 145, 120, clears=None)
    return [
        Fault("gateway gone for two hours", 5, (gone,), change=behind(*BEHIND), ends_min=120,
              mangle=silent(BEHIND, 0, 120), deeds=((0, say("offline")), (120, say("online")))),
        Fault("gateway here, its probes silent", 5, tuple(Want("probe-quiet", name, 60, 20) for name in BEHIND),
              change=behind(*BEHIND), ends_min=180, mangle=silent(BEHIND, 0, 180),
              deeds=((0, say("offline")), (5, say("online")))),
        Fault("gateway bounces", 5, change=behind(*BEHIND), deeds=tuple((15 * k, bounce) for k in range(12))),
        Fault("gateway gone by its will, its probes heard", 4, change=behind(*BEHIND), deeds=((0, say("offline")),)),
        Fault("every gateway gone for two hours", 5, (gone, quiet), change=behind(), ends_min=120,
              mangle=silent(every, 0, 120), deeds=((0, say("offline")), (120, say("online")))),
        Fault("gateway dies while the service is away", 6, (replace(away, by_min=80, from_min=60),
              replace(gone, by_min=90, from_min=60)), change=behind(*BEHIND), ends_min=180,
              mangle=silent(BEHIND, 20, 180),
              deeds=((10, World.stop_service), (20, say("offline")), (60, World.resume_service), (180, say("online")))),
        Fault("service away for two hours", 6, (away,), deeds=((0, World.stop_service), (120, World.resume_service))),
        Fault("service away for ten minutes", 3, deeds=((0, World.stop_service), (10, World.resume_service))),
        Fault("service away while the heater is dead", 12, (away,), may=(*HEAT, "too-cool"),
              acts=((-20, Act.HEATER_DIES, "", None), (100, Act.HEATER_WORKS, "", None)),
              deeds=((0, World.stop_service), (120, World.resume_service))),
        Fault("power gone for three hours behind a gateway", 12, (quiet,), change=behind(), may=HEAT, ends_min=180,
              acts=((0, Act.POWER_FAILS, "", None), (180, Act.POWER_RETURNS, "", None))),
        Fault("power flickers", 6, (quiet,), may=HEAT, ends_min=120,
              acts=((0, Act.POWER_FAILS, "", None), (60, Act.POWER_RETURNS, "", None), (63, Act.POWER_FAILS, "", None),
                    (120, Act.POWER_RETURNS, "", None))),
        Fault("whole room kept back for three hours", 7, (quiet,), mangle=keeps(every, 180), ends_min=180),
        Fault("one probe kept back, given back slowly", 7, (Want("probe-quiet", UPPER, 30),), ends_min=180,
              mangle=keeps((UPPER,), 180, over_min=60)),
        Fault("battery runs down", 30, (Want("battery-low", "upper-battery", 620, 300, clears=60),), ends_min=1440,
              round_min=20, change=with_battery, mangle=runs_down(0.3, 2.5, 1440)),
    ]  # fmt: skip
