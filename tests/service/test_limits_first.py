"""Limits are judged and told before the rest of a round: that changes nothing but when; a kill between loses nothing.

Rooms, eggs and courses are drawn by seed and played twice, by rounds as they are and by rounds that judge everything
from one whole snapshot in one transaction.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from monitor.adapters.store import Outgoing, Store
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.kinds.checks import WHOLE
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings, Watch
from monitor.core.terms.times import DAY_MS, MINUTE_MS
from monitor.errors import StoreError
from monitor.service import round as rounds
from monitor.service.start import RoomService
from tests.peers import free_port
from tests.sinks import Sink, http_sink

START_MS = 1_790_000_000_000
SPECIES = ("elaphe-taeniura", "pituophis-melanoleucus")
HARM = {k.name for k in all_kinds() if k.at_once}


@dataclass(frozen=True)
class PlayedRoom:
    """All that a played room left in its store."""

    conditions: dict[tuple[str, str], Condition]
    history: list[Transition]
    notices: list[Notice]
    outgoing: list[Outgoing]

    @property
    def harm(self) -> list[Notice]:
        return [n for n in self.notices if n.kind in HARM]


def drawn_room(dice: random.Random) -> Room:
    stacks = tuple(f"s{n}" for n in range(dice.randint(1, 3)))
    boxes, probes = [], []
    for stack in stacks:
        for n in range(dice.randint(1, 4)):
            own = {"too_warm_c": dice.choice([30.0, 31.5])} if dice.random() < 0.2 else {}
            boxes.append(Box(f"{stack}-{n}", stack, 40.0 + 30 * n, **own))
            for k in range(dice.choice([0, 1, 1, 1, 2])):
                # At one pace, as a probe is by its settings.
                name = f"p{k}-{stack}-{n}"
                probes.append(Probe(name, f"t/{name}", box=boxes[-1].id, interval_s=60.0, quiet_after_s=900.0))
        if dice.random() < 0.5:
            probes.append(Probe(f"air-{stack}", f"t/air-{stack}", stack=stack, height_cm=90.0, interval_s=60.0))
    delay_s = dice.choice([0.0, 0.0, 120.0])
    limits = Limits(31.0, 25.0, 0.3, delay_s, dice.choice([0.0, 300.0]))
    watch = Watch(repeat_now_s=dice.choice([0.0, 1800.0]), heading_s=dice.choice([0.0, 3600.0]))
    return Room("shed", "UTC", "C", stacks, tuple(boxes), tuple(probes), limits, watch)


def drawn_readings(room: Room, dice: random.Random, minutes: int) -> list[list[Reading]]:
    """Minute by minute: a warm hour of some stacks, probes that die, jump or hang, messages that come late."""
    heat = {s: dice.choice([0.0, 2.0, 4.5, -4.0]) for s in room.stacks}
    begins = {s: dice.randint(20, minutes // 2) for s in room.stacks}
    fault = {p.id: dice.choice(["", "", "", "dies", "jumps", "late"]) for p in room.probes}
    own = {p.id: dice.uniform(-0.4, 0.4) for p in room.probes}
    out: list[list[Reading]] = [[] for _ in range(minutes)]
    for minute in range(minutes):
        for probe in room.probes:
            stack = probe.stack or probe.box.split("-")[0] if probe.box else probe.stack or ""
            since = max(minute - begins[stack], 0)
            value = 28.0 + own[probe.id] + heat[stack] * math.sin(min(since / 40.0, math.pi)) + dice.gauss(0.0, 0.03)
            if fault[probe.id] == "dies" and minute > minutes // 2:
                continue
            if fault[probe.id] == "jumps" and dice.random() < 0.03:
                value += 5.0
            late = dice.randint(3, 15) if fault[probe.id] == "late" and dice.random() < 0.1 else 0
            at_ms = START_MS + minute * MINUTE_MS - dice.randint(0, 20_000)
            came = minute + late
            if came < minutes:
                out[came].append(
                    Reading(probe.id, at_ms, round(value, 2), START_MS + came * MINUTE_MS - 10, Flag.GOOD, timed=True)
                )
    return out


def played(folder: Path, seed: int, port: int, sink: Sink, *, whole: bool) -> PlayedRoom:
    """A drawn room for some hours; ``whole``: judged in one piece."""
    dice = random.Random(seed)
    room = drawn_room(dice)
    minutes = dice.randint(120, 200)
    every = drawn_readings(room, dice, minutes)
    url = f"json://127.0.0.1:{sink.port}/x"
    channels = [Channel("all", url), Channel("loud", url, urgencies=("now",))]
    channels += [Channel(f"of-{s}", url, stacks=(s,)) for s in room.stacks if dice.random() < 0.5]
    clock = [START_MS - 1000]
    settings = Settings(room, Broker(port=port), tuple(channels), data_dir=str(folder))
    service = RoomService(settings, now_ms=lambda: clock[0])
    store, one = service.parts.store, service._round
    if whole:
        one._first = ()
    try:
        for n, box in enumerate(room.boxes):
            if dice.random() < 0.5:
                told = {"clutch": f"K{n}", "at_ms": START_MS - 3 * DAY_MS, "recorded_ms": START_MS - 3 * DAY_MS}
                store.account.tell(KeeperEvent(EventKind.LAID, species=dice.choice(SPECIES), eggs=6, **told))  # type: ignore[arg-type]
                store.account.tell(KeeperEvent(EventKind.SET, box=box.id, eggs=6, **told))  # type: ignore[arg-type]
        for minute, readings in enumerate(every):
            clock[0] = START_MS + minute * MINUTE_MS
            if readings:
                store.journal.ingest(readings, [], [])
            made = [n.key for n in service.round().notices]
            assert len(set(made)) == len(made)
            if dice.random() < 0.02 and (notices := store.ledger.notices(1)):
                store.ledger.answer(notices[0].id, clock[0], "me")
            # Who was told decides who is told of the end.
            assert service.parts.delivery.drain(20.0)
        return PlayedRoom(
            # What was judged last is not written down each time.
            {k: replace(c, last_ms=None, facts={}) for k, c in store.ledger.conditions().items()},
            sorted(store.ledger.history(100_000), key=lambda t: (t.at_ms, t.kind, t.subject, t.change)),
            store.ledger.notices(100_000)[::-1],
            [replace(o, delivered_ms=None) for o in store.outbox.outgoing()],
        )
    finally:
        service.stop()


@pytest.mark.parametrize("seed", range(8))
def test_the_same_is_true_and_told_as_if_all_were_judged_in_one_piece(tmp_path: Path, seed: int) -> None:
    port = free_port()
    with http_sink() as sink:
        split = played(tmp_path / "split", seed, port, sink, whole=False)
        whole = played(tmp_path / "whole", seed, port, sink, whole=True)
    assert split.notices == whole.notices
    assert split == whole


def test_what_is_drawn_has_limits_passed_by_one_box_by_several_and_back(tmp_path: Path) -> None:
    with http_sink() as sink:
        found = [played(tmp_path / f"{seed}", seed, free_port(), sink, whole=False) for seed in range(8)]
    harm = [n for told in found for n in told.harm]
    assert {n.change for n in harm} >= {"raised", "cleared"}
    assert {len(n.subjects) > 1 for n in harm} == {False, True}
    assert any(told.notices and not told.harm for told in found) or any(
        n.kind not in HARM for t in found for n in t.notices
    )


class Died(BaseException):
    """The process is gone."""


@pytest.mark.parametrize("died_at", ["commit", "after-limits-before-send", "whole", "second commit"])
def test_a_kill_between_the_two_parts_loses_nothing_and_tells_nothing_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, died_at: str
) -> None:
    probes = tuple(Probe(f"p-{b}", f"t/{b}", box=b, quiet_after_s=600.0) for b in "ab")
    room = Room(
        "shed",
        "UTC",
        "C",
        ("s",),
        (Box("a", "s", 50.0), Box("b", "s", 90.0)),
        probes,
        Limits(31.0, 25.0, on_delay_s=0.0),
    )
    with http_sink() as sink:
        channel = Channel("bell", f"json://127.0.0.1:{sink.port}/x")
        settings = Settings(room, Broker(port=free_port()), (channel,), data_dir=str(tmp_path / "data"))
        now_ms = START_MS

        def begun() -> RoomService:
            return RoomService(settings, now_ms=lambda: now_ms)

        service = begun()
        store = service.parts.store

        def heard(value: float, *names: str) -> None:
            store.journal.ingest([Reading(p, now_ms - 100, value, now_ms - 50, Flag.GOOD) for p in names], [], [])

        heard(28.0, "p-a", "p-b")
        service.round()
        # The broker is away for long when a box gets too warm: both are told of by the same round.
        for _ in range(30):
            now_ms += MINUTE_MS
            heard(28.0, "p-a")
            if now_ms - START_MS < 9 * MINUTE_MS:
                service.round()
        now_ms += MINUTE_MS
        heard(32.0, "p-a")
        commit, calls = store.ledger.commit, 0

        def dying(*args: object) -> object:
            nonlocal calls
            calls += 1
            if calls == (1 if died_at == "commit" else 2):
                raise Died
            return commit(*args)  # type: ignore[arg-type]

        def gone(*_: object) -> object:
            raise Died

        if "commit" in died_at:
            monkeypatch.setattr(store.ledger, "commit", dying)
        elif died_at == "whole":
            monkeypatch.setattr(service.parts.derived, "whole", gone)
        else:
            monkeypatch.setattr(rounds, "crash_point", lambda name: gone() if name == died_at else None)
        with pytest.raises(Died):
            service.round()
        monkeypatch.undo()
        service.stop()
        kinds = [n.kind for n in _told(settings)]
        assert kinds == ([] if died_at == "commit" else ["too-warm"])
        service = begun()
        try:
            store = service.parts.store
            for _ in range(20):
                service.round()
                now_ms += MINUTE_MS
                heard(32.0, "p-a")
            assert service.parts.delivery.drain(20.0)
            notices = service.parts.store.ledger.notices(100)
            up = {c.key for c in service.parts.store.ledger.conditions().values() if c.up}
        finally:
            service.stop()
    # What else is told of the silence, and in which words, hangs on when the service began.
    raised = [(n.kind, s) for n in notices if n.change == "raised" for s in n.subjects]
    assert ("too-warm", "a") in up
    assert len(up) > 1
    assert set(raised) >= up
    assert len(set(raised)) == len(raised)
    assert sorted(sink.keys()) == sorted(n.key for n in notices)


def _told(settings: Settings) -> list[Notice]:
    with Store(settings.data_dir) as store:
        return store.ledger.notices(100)


def test_a_box_too_warm_is_told_although_the_rest_cannot_be_worked_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = Room(
        "shed",
        "UTC",
        "C",
        ("s",),
        (Box("a", "s", 50.0),),
        (Probe("p", "t/a", box="a"),),
        Limits(31.0, 25.0, on_delay_s=0.0),
    )
    settings = Settings(room, Broker(port=free_port()), (), data_dir=str(tmp_path / "data"))
    service = RoomService(settings, now_ms=lambda: START_MS)
    try:

        def broken(*_: object) -> object:
            raise StoreError("an entry is damaged")

        monkeypatch.setattr(service.parts.derived, "lots", broken)
        store = service.parts.store
        store.journal.ingest([Reading("p", START_MS - 100, 32.0, START_MS - 50, Flag.GOOD)], [], [])
        assert [n.kind for n in service.round().notices] == ["too-warm"]
        assert ("check-failed", WHOLE) in store.ledger.conditions()
        assert [n.kind for n in service.round().notices] == []
    finally:
        service.stop()
