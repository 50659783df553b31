"""Who is believed for what, and when: spans begin with the fault, end with it, and are taken back."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

from monitor.core.readings.belief import FROM, NO_GOOD_FOR, RIGHT, UNTIL, Belief, Disbelief, Use, begun, end_ms

HOUR = 3_600_000
AT = np.arange(0, 100 * HOUR, HOUR // 7, dtype=np.int64)


@pytest.mark.parametrize("seed", range(20))
def test_a_reading_is_believed_where_no_span_of_its_use_holds_it(seed: int) -> None:
    dice = random.Random(seed)
    spans = []
    for _ in range(dice.randrange(1, 9)):
        a = dice.randrange(0, 90 * HOUR)
        b = dice.choice([None, a, a + dice.randrange(1, 20 * HOUR)])
        spans.append(Disbelief(dice.choice(["p", "q"]), dice.choice([*NO_GOOD_FOR, "too-warm"]), a, b))
    belief = Belief(spans)
    for use in get_args(Use):
        for probe in ("p", "q", "r"):
            own = [s for s in spans if s.probe == probe and use in NO_GOOD_FOR.get(s.kind, ())]
            expected = [not any(s.from_ms <= t and (s.to_ms is None or t < s.to_ms) for s in own) for t in AT.tolist()]
            assert belief.mask(probe, AT, use).tolist() == expected
            assert belief.lasting(probe, use) is any(s.to_ms is None for s in own)
            hours = np.arange(0, 100, dtype=np.int64)
            whole = belief.hours(probe, hours, use)
            for h, good in zip(hours.tolist(), whole.tolist(), strict=True):
                inside = belief.mask(probe, np.arange(h * HOUR, (h + 1) * HOUR, 50_000, dtype=np.int64), use)
                assert good <= bool(inside.all())


@pytest.mark.parametrize("kind", [*NO_GOOD_FOR, "too-cool", "probe-drifting", "probe-quiet"])
@pytest.mark.parametrize("right", [0, 1])
def test_a_span_begins_when_the_fault_did_and_is_empty_when_there_was_none(kind: str, right: int) -> None:
    found = begun(kind, "a/b" if kind == "probes-swapped" else "a", 9 * HOUR, {FROM: 2 * HOUR})
    assert [s.probe for s in found] == ([] if kind not in NO_GOOD_FOR else ["a", "b"] if "swapped" in kind else ["a"])
    for span in found:
        assert (span.from_ms, span.to_ms) == (2 * HOUR, None)
        to_ms = end_ms(span, 12 * HOUR, {FROM: 2 * HOUR, UNTIL: 11 * HOUR, RIGHT: right})
        assert to_ms == (2 * HOUR if right else 11 * HOUR)
        for use in NO_GOOD_FOR[kind]:
            assert Belief([replace(span, to_ms=to_ms)]).mask(span.probe, AT, use).all() == bool(right)
        assert end_ms(span, 12 * HOUR, {}) == 12 * HOUR
        assert end_ms(span, HOUR, {}) == 2 * HOUR, "never before it began"


@pytest.mark.parametrize("seed", range(20))
def test_readings_count_otherwise_from_the_beginning_on_when_a_span_begins_and_from_its_end_on_when_it_ends(
    seed: int,
) -> None:
    dice = random.Random(seed)
    a, until = sorted(dice.randrange(0, 90 * HOUR) for _ in range(2))
    lasts = Disbelief("p", "probe-out", a)
    to_ms = end_ms(lasts, until, {UNTIL: until, RIGHT: dice.choice([0, 1])})
    before, during, after = (
        Belief(spans).mask("p", AT, "sums") for spans in ([], [lasts], [replace(lasts, to_ms=to_ms)])
    )
    assert AT[before != during].tolist() == AT[a <= AT].tolist()
    assert AT[during != after].tolist() == AT[to_ms <= AT].tolist()
