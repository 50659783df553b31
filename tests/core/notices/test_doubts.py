"""Doubts: a limit is told whatever is suspected, the doubt first; and what is not seen is named with what is."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.doubts import LOOK_AT_PROBE, blind, blind_too, judged, others_of_blind
from monitor.core.notices.kinds import Look
from monitor.core.notices.kinds.limits import KINDS
from monitor.core.notices.kinds.silence import KINDS as SILENCE
from monitor.core.notices.snapshot import Heard, ProbeNow, Snapshot
from monitor.core.readings.belief import FROM, NO_GOOD_FOR, Belief, Disbelief
from monitor.core.terms.settings import Probe
from tests.core.timeline import MINUTE, START, Script, a_room

WARM, COOL = KINDS
NOW = START + 120 * MINUTE


def a_snapshot(*courses: tuple[str, float], hours_c: float = 0.0) -> Snapshot:
    """Boxes at a temperature, which falls by so much an hour."""
    made = {box: (lambda m, c=c: c - hours_c * (m - 120.0) / 60.0) for box, c in courses}
    return Script(a_room(tuple(box for box, _ in courses)), made).snapshot(NOW, {})


def raised(kind: str, subject: str, **facts: float) -> Condition:
    return Condition(kind, subject, Phase.RAISED, START, START, last_ms=START, facts=facts)


def look(kind: object, snapshot: Snapshot, subject: str = "a") -> Look:
    return next(x for x in kind.look(snapshot) if x.subject == subject)  # type: ignore[attr-defined,no-any-return]


@pytest.mark.parametrize("kind", [*NO_GOOD_FOR, "probe-drifting", "probe-in-air"])
@pytest.mark.parametrize("seed", range(4))
def test_no_suspicion_buys_silence_and_a_likelier_cause_leads(kind: str, seed: int) -> None:
    dice = random.Random(f"{kind} {seed}")
    at_c = dice.choice([dice.uniform(10.0, 25.0), dice.uniform(31.0, 44.0)])
    plain = a_snapshot(("a", at_c), ("b", 28.0))
    subject = "p-a/p-b" if kind == "probes-swapped" else "p-a"
    told = raised(kind, subject)
    doubted = replace(plain, conditions={told.key: told})
    for limit in (WARM, COOL):
        before, now = look(limit, plain), look(limit, doubted)
        beyond = [s.at_ms for s in before.samples if s.where is Where.BEYOND]
        assert [s.at_ms for s in now.samples if s.where is Where.BEYOND] == beyond
        if not beyond:
            continue
        assert now.doubt.startswith("Its probe")
        assert now.first == (LOOK_AT_PROBE if "advice" in NO_GOOD_FOR.get(kind, ()) else "")
        assert before.first == ""
        assert before.doubt == "" or "within 15 min" in before.doubt


def test_a_probe_that_fell_is_doubted_for_as_long_as_it_is_told_as_out() -> None:
    told = raised("probe-out", "p-a", **{FROM: START, "moved_c": -9.84, "was_c": 28.0})
    found = look(COOL, replace(a_snapshot(("a", 18.2), ("b", 28.0)), conditions={told.key: told}))
    assert (
        found.doubt == "Most likely its probe lies outside, or fails: at 09:00 it fell 9.8 °C at once, as no box can."
    )
    assert found.first == LOOK_AT_PROBE


@pytest.mark.parametrize("seed", range(20))
def test_what_a_probe_said_while_it_was_believed_is_not_taken_back_by_it_in_doubt_and_what_it_said_since_is(
    seed: int,
) -> None:
    dice = random.Random(seed)
    warm = dice.random() < 0.5
    limit, kind = (WARM, "too-warm") if warm else (COOL, "too-cool")
    since_ms = START + dice.randrange(0, 60) * MINUTE
    up = Condition(kind, "a", Phase.RAISED, since_ms, since_ms + 15 * MINUTE, last_ms=since_ms + 15 * MINUTE)
    back_c, past_other_c = (dice.uniform(26.0, 30.0), 24.0) if warm else (dice.uniform(26.0, 30.0), 32.0)

    def where(at_c: float, doubted_ms: int | None) -> set[Where]:
        plain = a_snapshot(("a", at_c), ("b", 28.0))
        out = raised("probe-out", "p-a", **{FROM: doubted_ms or 0})
        conditions = {c.key: c for c in ([up] if doubted_ms is None else [up, out])}
        return {s.where for s in look(limit, replace(plain, conditions=conditions)).samples if s.at_ms > up.last_ms}  # type: ignore[operator]

    assert where(back_c, None) == {Where.BACK}
    later_ms = since_ms + dice.randrange(1, 60) * MINUTE
    assert where(back_c, later_ms) == {Where.BETWEEN}
    assert where(back_c, since_ms - dice.randrange(0, 60) * MINUTE) == {Where.BACK}
    # A box is never beyond both limits.
    assert where(past_other_c, later_ms) == {Where.BACK}


def of_several(dice: random.Random, warm: bool) -> tuple[Snapshot, list[float], list[float]]:
    """A box with two to four probes, some of which are suspect: what each says."""
    n = dice.randrange(2, 5)
    suspects = dice.randrange(1, n)
    said = [dice.uniform(20.0, 36.0) for _ in range(n)]
    plain = a_snapshot(("a", 28.0), ("b", 28.0))
    probes = [Probe(f"p{i}", f"t/{i}", box="a") for i in range(n)]
    at = plain.boxes[0].time_ms
    ones, timed = np.ones(len(at), np.uint8), np.ones(len(at), bool)
    now = tuple(
        ProbeNow(p, int(at[-1]), v, 1, int(at[-1]), heard=Heard(at, np.full(len(at), v), ones, at, timed))
        for p, v in zip(probes, said, strict=True)
    )
    box = replace(plain.boxes[0], temperature_c=np.full(len(at), float(np.mean(said))))
    room = replace(plain.room, probes=(*probes, plain.room.probes[1]))
    belief = Belief([Disbelief(f"p{i}", "probe-stuck", START) for i in range(suspects)])
    whole = replace(
        plain, room=room, probes=(*now, plain.probes[1]), boxes=(box, plain.boxes[1]), belief=belief
    )  # fmt: skip
    return whole, said[:suspects], said[suspects:]


@pytest.mark.parametrize("warm", [True, False])
@pytest.mark.parametrize("seed", range(25))
def test_of_several_probes_a_suspect_one_hides_no_limit_and_may_pass_one_with_the_doubt(seed: int, warm: bool) -> None:
    snapshot, doubted, believed = of_several(random.Random(seed), warm)
    found = judged(snapshot.boxes[0], snapshot, warm=warm)
    worst = max if warm else min
    mean = float(np.mean(believed))
    assert found.now_c == pytest.approx(worst([mean, *doubted]))
    alone = worst([mean, *doubted]) != mean
    assert bool(found.doubt.text) is alone
    limit_c, kind = (31.0, WARM) if warm else (25.0, COOL)
    beyond = any(s.where is Where.BEYOND for s in look(kind, snapshot).samples)
    assert beyond is any(v >= limit_c if warm else v <= limit_c for v in (mean, *doubted))


@pytest.mark.parametrize("seed", range(25))
def test_boxes_that_are_not_seen_are_named_with_one_that_is_beyond(seed: int) -> None:
    dice = random.Random(seed)
    names = ["a", "b", "c", "d", "e"][: dice.randrange(2, 6)]
    warm = dice.random() < 0.5
    snapshot = a_snapshot(*((b, 33.0 if warm else 22.0) for b in names))
    unseen = dice.sample(names[1:], dice.randrange(0, len(names)))
    probes, spans = [], []
    for p in snapshot.probes:
        silent = p.probe.box in unseen and dice.random() < 0.5
        if p.probe.box in unseen and not silent:
            spans.append(Disbelief(p.probe.id, dice.choice(["probe-stuck", "probe-out", "probe-unit"]), START))
        probes.append(replace(p, usable_ms=dice.choice([None, NOW - 3 * 3_600_000])) if silent else p)
    now = replace(snapshot, probes=tuple(probes), belief=Belief(spans))
    assert [b for b in names if blind(b, now)] == [b for b in names if b in unseen]
    text = blind_too(now.boxes[0], now, warm=warm)
    if unseen:
        assert text.endswith(
            f"too {'warm' if warm else 'cool'} as well: box {', '.join(b for b in names if b in unseen)}."
        )
        assert text == look(WARM if warm else COOL, now).more[0]
        assert blind_too(next(b for b in now.boxes if b.box.id in unseen), now, warm=warm) == ""
        told, beyond = others_of_blind(unseen[0], now)
        assert beyond
        assert told.startswith(f"Its box is most likely too {'warm' if warm else 'cool'}")
    else:
        assert text == ""


def test_a_silent_probe_s_notice_says_what_the_others_do() -> None:
    def silent(snapshot: Snapshot) -> Look:
        quiet = tuple(replace(p, usable_ms=NOW - 5 * 3_600_000) if p.probe.box == "a" else p for p in snapshot.probes)
        return look(SILENCE[0], replace(snapshot, probes=quiet), "p-a")

    calm = silent(a_snapshot(("a", 28.0), ("b", 28.0), ("c", 28.0)))
    assert (calm.urgency, calm.first) == (None, "")
    assert calm.doubt == ""
    cold = silent(a_snapshot(("a", 28.0), ("b", 24.0), ("c", 26.0)))
    assert cold.urgency == "now"
    assert cold.doubt == "Its box is most likely too cool: others of its stack are at 24.0 °C."
    assert "heat" in cold.first
    alone = silent(a_snapshot(("a", 28.0), ("b", 24.0), ("c", 26.0), ("d", 27.0)))
    assert alone.urgency is None, "one of three is cool"
