"""The measurements of faults and of delivery: a short selection of each, and that they see what falls short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from tests.bench import delivery
from tests.bench.faultroom import WARM_C, Calm, Came, Fault, Played, Want, calmed, judge, of_truth, play
from tests.bench.faults import every

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("faults")


@pytest.fixture(scope="module")
def start() -> Iterator[Calm]:
    with calmed(round_min=60) as found:
        yield found


def test_thirty_calm_hours_are_told_to_nobody(start: Calm) -> None:
    assert start.notices == ()


# Until what is wanted must have come; what else would be told hours after a fault is left to ``deploy/measure faults``.
@pytest.mark.parametrize(
    ("name", "hours"),
    [
        ("two probes quiet", 3.0),
        ("85 among good values", 6.0),
        ("out of its box, then the door", 4.0),
        ("probe's clock two hours behind", 2.0),
        ("garbage payload", 4.0),
        ("door open for five minutes", 2.0),
        ("broker killed", 2.0),
        ("killed while a probe is quiet", 5.0),
        ("clock set forward a day", 4.0),
    ],
)
def test_a_fault_is_told_as_a_keeper_wants_it(name: str, hours: float, start: Calm) -> None:
    played = play(replace(every()[name], hours=hours), start)
    assert (played.missing, played.unexpected) == ([], [])
    assert len(played.met) == len(played.fault.wants)


def test_the_table_has_many_faults_and_each_its_own_name() -> None:
    assert len(every()) >= 70
    assert sum(bool(fault.wants) for fault in every().values()) >= 45


QUIET = Want("probe-quiet", "a-t", 30.0)


def judged(fault: Fault, *came: Came, up: frozenset[tuple[str, str]] = frozenset()) -> tuple[list[str], list[str]]:
    played = Played(fault, came=list(came))
    judge(played, fault.wants, (), set(up))
    return played.missing, played.unexpected


def test_what_is_missing_late_too_often_or_ends_too_soon_falls_short() -> None:
    fault = Fault("one", 4, (QUIET,), ends_min=120)
    raised = Came(20, "probe-quiet", "a-t", "raised", "today")
    cleared = Came(130, "probe-quiet", "a-t", "cleared", "later")
    assert judged(fault, raised, cleared) == ([], [])
    assert judged(fault)[0] == ["probe-quiet a-t by 30 min"]
    assert judged(fault, raised)[0] == ["end of probe-quiet a-t by 165 min"]
    late = Came(40, "probe-quiet", "a-t", "raised", "today")
    assert judged(fault, late) == (["probe-quiet a-t by 30 min"], ["probe-quiet a-t raised after 40 min"])
    assert judged(fault, raised, late, cleared)[1] == ["probe-quiet a-t raised after 40 min"]
    soon = Came(60, "probe-quiet", "a-t", "cleared", "later")
    assert judged(fault, raised, soon)[1] == ["probe-quiet a-t cleared after 60 min"]
    other = Came(20, "too-warm", "a", "raised", "now")
    assert judged(fault, raised, cleared, other)[1] == ["too-warm a raised after 20 min"]
    jumps = Fault("two", 4, (Want("probe-jumps", "a-t", 60.0),), ends_min=120)
    told = Came(30, "probe-jumps", "a-t", "raised", "later")
    still_up = frozenset({("probe-jumps", "a-t")})
    assert judged(jumps, told, up=still_up)[0] == ["probe-jumps a-t is still true at the end"]


def test_what_must_be_told_of_a_limit_is_read_from_the_box() -> None:
    minutes = [5.0 * i for i in range(70)]
    calm = dict.fromkeys(("lower", "middle", "upper"), [28.0] * 70)
    warm = [WARM_C + 1.0 if 100 <= m < 200 else 28.0 for m in minutes]
    fault = Fault("heat", 5)
    ((want, name),) = of_truth(fault, minutes, {**calm, "top": warm}, [True] * 70)
    assert name == "too-warm top"
    assert want is not None
    assert (want.kind, want.subject, want.from_min, want.by_min) == ("too-warm", "top", 100.0, 145.0)
    assert want.clears == 300.0
    later = [WARM_C + 1.0 if 110 <= m < 200 else 28.0 for m in minutes]
    both = of_truth(fault, minutes, {**calm, "middle": later, "top": warm}, [True] * 70)
    assert {w.subject: w.by_min for w, _ in both if w is not None} == {"top": 145.0, "middle": 195.0}
    brief = [WARM_C + 1.0 if 100 <= m < 120 else 28.0 for m in minutes]
    assert of_truth(fault, minutes, {**calm, "top": brief}, [True] * 70) == [(None, "too-warm top")]
    unseen = [not 100 <= m < 200 for m in minutes]
    assert of_truth(fault, minutes, {**calm, "top": warm}, unseen) == [(None, "too-warm top")]


def test_a_channel_that_fails_by_a_script_loses_nothing() -> None:
    result = delivery.measure(changes=10, only="failing")
    assert result.falls_short == []
    assert result.figures["failing: changes of boxes"] == 10
    assert int(result.figures["failing: failed"] or 0) > 4
    assert result.figures["failing: lost"] == 0


def test_a_further_step_is_used_only_while_nobody_answers() -> None:
    assert delivery.measure(only="steps").falls_short == []


@pytest.mark.slow
@pytest.mark.parametrize("only", ["night", "repeats now"])
def test_quiet_hours_and_repeats_keep_their_times(only: str) -> None:
    """What is for today, over five days, a third repeat and those after it, and the night on which clocks go forward
    are left to ``deploy/measure delivery``."""
    assert delivery.measure(only=only, repeats=2, nights=("clocks go back",)).falls_short == []
