"""Conditions of the service itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from monitor.core.notices.snapshot import ClockNow, Health, LinkNow, LinkState, Service, StoreNow
from monitor.core.terms.times import HOUR_MS
from tests.core.timeline import MINUTE, START, Run, Script, a_room, without_minutes

FINE = Service(
    started_ms=START - 10 * HOUR_MS,
    link=LinkNow("up", START - 9 * HOUR_MS),
    store=StoreNow(disk_free_mb=5000.0),
    channels={"phone": Health(), "mail": Health()},
    shipping=Health(),
    heartbeat=Health(),
    answers=Health(),
)


def from_to(from_min: float, to_min: float, **trouble: object) -> Callable[[int], Service]:
    def service(now_ms: int) -> Service:
        inside = START + from_min * MINUTE <= now_ms < START + to_min * MINUTE
        return replace(FINE, **trouble) if inside else FINE  # type: ignore[arg-type]

    return service


def told(service: Callable[[int], Service], to_min: float = 120) -> Run:
    return Run(Script(a_room(("a",)), service=service)).go(0, to_min, 60)


def test_a_service_that_fares_well_says_nothing() -> None:
    assert told(lambda _: FINE).notices == []


@pytest.mark.parametrize(
    ("trouble", "kind", "subject", "raised_min", "says", "cleared"),
    [
        (
            {"link": LinkNow("refused", START + 20 * MINUTE, "not authorised")},
            "broker-refused",
            "broker",
            20,
            "not authorised",
            True,
        ),
        ({"store": StoreNow("the disk is full", 5000.0)}, "store-failing", "store", 20, "the disk is full", True),
        (
            {"store": StoreNow(disk_free_mb=150.0)},
            "disk-low",
            "disk",
            20,
            "150 MB are free where the store lies, limit 200 MB",
            False,
        ),
        ({"clock": ClockNow(False, "it jumped")}, "clock-untrusted", "clock", 25, "it jumped", False),
        (
            {"channels": {"phone": Health(), "mail": Health(START + 20 * MINUTE, "no route")}},
            "notices-stuck",
            "mail",
            35,
            "taken nothing since Fri 09:20 (15 min). The reason: no route.",
            True,
        ),
        ({"shipping": Health(START + 20 * MINUTE)}, "shipping-behind", "shipping", 50, "since Fri 09:20", True),
        (
            {"heartbeat": Health(START + 20 * MINUTE)},
            "heartbeat-unanswered",
            "heartbeat",
            35,
            "since Fri 09:20 (15 min). The reason: no answer.",
            True,
        ),
        (
            {"answers": Health(START + 20 * MINUTE, "the port is in use")},
            "answers-blocked",
            "answers",
            35,
            "lead nowhere since Fri 09:20 (15 min). The reason: the port is in use.",
            True,
        ),
    ],
)
def test_each_trouble_is_told_in_its_time_and_its_end_in_words_that_fit(
    trouble: dict[str, object], kind: str, subject: str, raised_min: float, says: str, cleared: bool
) -> None:
    run = told(from_to(20, 80, **trouble))
    expected = [(kind, "raised", subject)] + ([(kind, "cleared", subject)] if cleared else [])
    assert without_minutes(run.told()) == expected
    assert run.told()[0][3] == pytest.approx(raised_min, abs=0.6)
    assert says in run.notices[0].text
    assert not run.conditions[kind, subject].up
    if cleared:
        text = run.notices[1].text.lower()
        for bad in ("cannot", "says no", "has taken nothing", "is behind", "not been answered", ": -", "  "):
            assert bad not in text, text


def test_a_link_that_is_down_neither_raises_nor_clears_a_refusal() -> None:
    def service(now_ms: int) -> Service:
        minute = (now_ms - START) / MINUTE
        state: LinkState = "refused" if 20 <= minute < 30 else "down" if 30 <= minute < 40 else "up"
        since_ms = START + 30 * MINUTE if state == "down" else FINE.link.since_ms
        return replace(FINE, link=LinkNow(state, since_ms))

    run = told(service, 39)
    assert without_minutes(run.told()) == [("broker-refused", "raised", "broker")]


def test_the_disk_must_have_a_tenth_more_before_it_is_well() -> None:
    def service(now_ms: int) -> Service:
        minute = (now_ms - START) / MINUTE
        free_mb = 200.0 if 20 <= minute < 30 else 215.0 if minute >= 30 else 5000.0
        return replace(FINE, store=StoreNow(disk_free_mb=free_mb))

    run = told(service, 60)
    assert run.conditions["disk-low", "disk"].up
    assert without_minutes(run.told()) == [("disk-low", "raised", "disk")]


def test_a_disk_that_cannot_be_measured_is_not_judged() -> None:
    assert told(lambda _: replace(FINE, store=StoreNow(disk_free_mb=None)), 10).notices == []


def test_what_is_switched_off_is_not_watched() -> None:
    off = replace(FINE, shipping=None, heartbeat=None, answers=None, channels={})
    run = told(lambda _: off, 5)
    assert not {"shipping-behind", "heartbeat-unanswered", "notices-stuck", "answers-blocked"} & {
        k for k, _ in run.conditions
    }


def test_single_unreadable_messages_among_good_ones_are_no_trouble() -> None:
    from monitor.core.notices.kinds.service import KINDS

    unread = next(k for k in KINDS if k.name == "probe-unread")
    snapshot = Script(a_room(("a",))).snapshot(START + 20 * MINUTE, {})
    probe = replace(snapshot.probes[0], unread=50, unread_reason="no number")
    (look,) = unread.look(replace(snapshot, probes=(probe,)))
    assert [s.where.value for s in look.samples] == ["back"]
    silent = replace(probe, usable_ms=None)
    for count, expected in ((0, []), (2, []), (3, ["beyond"])):
        (look,) = unread.look(replace(snapshot, probes=(replace(silent, unread=count),)))
        assert [s.where.value for s in look.samples] == expected
