"""Gateway gone: one cause, one notice; and what is no proof that its probes live, clears nothing of theirs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import pytest

from monitor.core.notices.conditions import Condition
from monitor.core.notices.snapshot import GatewayNow, LinkNow, Service, Snapshot
from monitor.core.readings.gateways import Said
from monitor.core.terms.settings import Gateway, Room
from tests.core.timeline import MINUTE, START, Run, Script, a_room, without_minutes

BRIDGE = Gateway("bridge", "t/bridge")
Says = Callable[[float], Said | None]


def at(minute: float) -> int:
    return START + round(minute * MINUTE)


def through(*boxes: str) -> Room:
    """The room with the probes of some boxes behind the gateway."""
    room = a_room()
    probes = tuple(replace(p, gateway="bridge" if p.box in boxes else None) for p in room.probes)
    return replace(room, probes=probes, gateways=(BRIDGE,))


@dataclass
class Behind(Script):
    """``says``: minute -> what the gateway said last; ``eggs``: the boxes that hold some."""

    says: Says = lambda _: None
    eggs: tuple[str, ...] = field(default=("a",))

    def snapshot(self, now_ms: int, conditions: Mapping[tuple[str, str], Condition]) -> Snapshot:
        whole = super().snapshot(now_ms, conditions)
        behind = tuple(p for p in whole.probes if p.probe.gateway == BRIDGE.id)
        said = self.says((now_ms - START) / MINUTE)
        boxes = tuple(replace(b, occupied_by=(f"K01/{b.box.id}",)) if b.box.id in self.eggs else b for b in whole.boxes)
        return replace(whole, gateways=(GatewayNow(BRIDGE, said, behind),), boxes=boxes)


def dies(minute: float, back: float = 1e9, **more: bool) -> Says:
    return lambda m: None if m < minute else Said(True, at(minute), **more) if m < back else Said(False, at(back))


def silent(minute: float, back: float = 1e9) -> Callable[[float], float | None]:
    return lambda m: 28.0 if m < minute or m >= back else None


def run(boxes: str, says: Says, quiet: Mapping[str, tuple[float, float]], to: float = 120.0, **more: object) -> Run:
    courses = {b: silent(*times) for b, times in quiet.items()}
    return Run(Behind(through(*boxes), courses=courses, says=says, **more)).go(0, to)  # type: ignore[arg-type]


def test_its_probes_are_told_in_one_notice_and_not_each_by_itself() -> None:
    played = run("bc", dies(20, 90), {"b": (20, 91), "c": (20, 91)})
    assert without_minutes(played.told()) == [
        ("gateway-gone", "raised", "bridge"),
        ("gateway-gone", "cleared", "bridge"),
    ]
    raised, cleared = played.notices
    assert raised.at_ms == at(22)
    assert raised.urgency == "today"
    assert "gone since Fri 09:20. " in raised.text
    assert "by its last will" in raised.text
    assert "Not heard meanwhile: p-b, p-c" in raised.text
    assert cleared.at_ms == pytest.approx(at(92), abs=MINUTE)


def test_it_is_now_when_every_probe_of_eggs_hangs_on_it() -> None:
    played = run("bc", dies(20), {"b": (20, 1e9), "c": (20, 1e9)}, eggs=("b", "c"))
    assert [n.urgency for n in played.notices] == ["now"]
    assert "Boxes with eggs behind it: b, c" in played.notices[0].text


def test_a_gateway_that_is_back_at_once_is_no_news() -> None:
    bounces = {20 + 5 * i: 20 + 5 * i + 1.5 for i in range(8)}

    def says(m: float) -> Said | None:
        said = None
        for gone, back in bounces.items():
            said = Said(True, at(gone)) if m >= gone else said
            said = Said(False, at(back)) if m >= back else said
        return said

    assert run("bc", says, {}).notices == []


@pytest.mark.slow
def test_a_reading_of_a_probe_behind_it_speaks_against_the_will() -> None:
    assert run("bc", dies(20), {}).notices == []
    played = run("bc", dies(20), {"b": (20, 60), "c": (20, 60)})
    assert without_minutes(played.told()) == [
        ("gateway-gone", "raised", "bridge"),
        ("gateway-gone", "cleared", "bridge"),
    ]
    assert "its probes are heard" in played.notices[-1].text


def test_when_it_is_here_and_its_probes_are_not_they_are_told_as_quiet() -> None:
    played = run("bc", dies(20, 60), {"b": (20, 1e9), "c": (20, 1e9)})
    assert without_minutes(played.told()) == [
        ("gateway-gone", "raised", "bridge"),
        ("gateway-gone", "cleared", "bridge"),
        ("probe-quiet", "raised", "p-b p-c"),
    ]


def test_a_probe_that_dies_alone_behind_a_living_gateway_is_told_as_now() -> None:
    played = run("bc", lambda _: Said(False, at(-20)), {"b": (20, 1e9)})
    assert without_minutes(played.told()) == [("probe-quiet", "raised", "p-b")]


def test_a_room_in_which_all_is_gone_is_told_as_quiet_too_and_once() -> None:
    played = run("abcde", dies(20, 90), dict.fromkeys("abcde", (20, 91)))
    assert without_minutes(played.told()) == [
        ("gateway-gone", "raised", "bridge"),
        ("room-quiet", "raised", "back room"),
        ("gateway-gone", "cleared", "bridge"),
        ("room-quiet", "cleared", "back room"),
    ]


def test_what_was_said_before_anybody_listened_waits_for_a_reading() -> None:
    """A gateway that never says that it is here: its old will is found at each start, and its probes report."""
    room = through("b", "c")
    slow = tuple(replace(p, interval_s=600.0, quiet_after_s=1800.0) if p.gateway else p for p in room.probes)
    script = Behind(replace(room, probes=slow), says=dies(21, kept=True))
    assert Run(script).go(20, 60).notices == []


def test_without_a_line_to_the_broker_nothing_is_known_of_gateways() -> None:
    down = Service(started_ms=START - 36_000_000, link=LinkNow("down", at(20)))
    played = Behind(through("b", "c"), says=dies(20), service=lambda _: down)
    assert without_minutes(Run(played).go(0, 30).told()) == []
