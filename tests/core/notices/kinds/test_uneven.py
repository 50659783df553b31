"""Stack uneven and siblings apart."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import apart
from monitor.core.development.window import ExpectedRates
from monitor.core.notices.conditions import Condition, Phase, Where
from monitor.core.notices.kinds.uneven import KINDS, describe, doubt, pairs
from monitor.core.notices.snapshot import Snapshot
from monitor.core.readings.belief import Belief, Disbelief
from monitor.core.terms.settings import Room
from tests.core.lots import changed
from tests.core.timeline import MINUTE, START, Run, Script, a_lot, a_profile, a_room, without_minutes


def told(run: Run) -> list[tuple[str, str, str, float]]:
    """Of these two kinds; others may follow from an uneven stack."""
    return [x for x in run.told() if x[0] in {k.name for k in KINDS}]


def uneven(*course: tuple[float, float], hours: int = 24) -> Run:
    """(from minute, difference in C)."""

    def more(now_ms: int) -> dict[str, object]:
        now = [d for m, d in course if START + m * MINUTE <= now_ms]
        return {"stacks": (a_profile(now[-1], hours=hours),)} if now else {}

    return Run(Script(a_room(("a", "e")), more=more)).go(0, 170, 300)


def test_a_difference_that_stays_is_told_once_and_its_end_too() -> None:
    run = uneven((0, 0.4), (20, 1.0), (90, 0.85), (100, 0.79))
    assert without_minutes(told(run)) == [("stack-uneven", "raised", "left"), ("stack-uneven", "cleared", "left")]
    assert [x[3] for x in told(run)] == [50, 130]
    assert run.notices[0].urgency == "later"


def test_a_passing_difference_or_one_of_an_hour_only_is_not_told() -> None:
    assert uneven((0, 0.4), (20, 1.5), (45, 0.4)).notices == []
    assert uneven((0, 1.5), hours=3).notices == []


@pytest.mark.parametrize("hours", [1, 6, 12, 17, 18, 23, 24, 25])
def test_a_mean_is_judged_when_it_rests_on_most_of_its_span_and_says_on_how_much(hours: int) -> None:
    run = uneven((0, 1.5), hours=hours)
    assert [n.kind for n in run.notices] == (["stack-uneven", "calibration-due"] if hours >= 18 else [])
    rests = f"averaged over {min(hours, 24)} h" + (" of the last 24 h" if hours < 24 else "") + ";"
    assert rests in describe(a_profile(1.5, hours=hours), "C")
    assert all(rests[:-1] in n.whole.replace("Averaged", "averaged") for n in run.notices[:1])


@pytest.mark.slow
def test_that_the_probes_are_to_be_compared_is_advised_once_however_often_the_stack_is_uneven() -> None:
    """A heating that is changed every other day, for six weeks; probes that could explain the difference."""
    day = 24 * 60
    course = [(i * day, 1.2 if i % 2 else 0.3) for i in range(42)]

    def more(now_ms: int) -> dict[str, object]:
        now = [d for m, d in course if START + m * MINUTE <= now_ms]
        return {"stacks": (a_profile(now[-1], sd_c=0.7),)}

    run = Run(Script(a_room(("a", "e")), more=more)).go(0, 42 * day, 3600)
    assert sum(n.kind == "stack-uneven" and n.change == "raised" for n in run.notices) > 10
    assert sum("warmtally compare" in n.text for n in run.notices) == 1
    assert {n.kind for n in run.notices if "warmtally compare" in n.text} == {"calibration-due"}
    assert run.conditions["calibration-due", "left"].up


def test_a_stack_without_a_profile_is_not_judged() -> None:
    run = uneven((500, 3.0))
    assert run.notices == []
    assert run.conditions.get(("stack-uneven", "left")) is None


@pytest.mark.parametrize("kind", ["probe-stuck", "probe-out", "probe-unit", "probes-swapped"])
@pytest.mark.parametrize("difference_c", [0.1, 1.5])
def test_a_stack_is_not_even_again_by_what_its_mean_leaves_out(kind: str, difference_c: float) -> None:
    """A level whose probe is not believed is in no mean; what the others are apart by is told all the same."""
    snapshot = replace(Script(a_room(("a", "e", "x"))).snapshot(START, {}), stacks=(a_profile(difference_c),))
    (stacks,) = (k for k in KINDS if k.name == "stack-uneven")
    probe = {p.probe.box: p.probe.id for p in snapshot.probes}
    beyond = [Where.BEYOND] if difference_c > 1.0 else []

    def judged(box: str, from_ms: int, to_ms: int | None) -> list[Where]:
        belief = Belief([Disbelief(probe[box], kind, from_ms, to_ms)])
        (found,) = stacks.look(replace(snapshot, belief=belief))
        return [s.where for s in found.samples]

    assert judged("x", START - 60_000, None) == beyond
    assert judged("x", START - 40 * 3_600_000, START - 23 * 3_600_000) == beyond
    assert judged("x", START - 40 * 3_600_000, START - 25 * 3_600_000) == (beyond or [Where.BACK])
    assert judged("e", START - 60_000, None) == [], "it would be in the mean"
    told = Condition(kind, probe["e"], Phase.RAISED, START, START, last_ms=START)
    (found,) = stacks.look(replace(snapshot, conditions={told.key: told}))
    assert list(found.samples) == []


def test_a_difference_is_told_with_its_uncertainty_and_what_may_be_said_of_it() -> None:
    assert describe(a_profile(1.2), "C") == (
        "stack left: box e is 1.2 °C ± 0.8 °C warmer than box a, averaged over 24 h; box a (40 cm) 28.0 °C, "
        "box e (120 cm) 29.2 °C; more than the probes' stated uncertainty; they were never compared side by side"
    )
    assert "2.2 °F ± 1.5 °F" in describe(a_profile(1.2), "F")
    assert "the probes alone could explain it" in describe(a_profile(0.7), "C")
    assert doubt(True, True) == "the probes were compared side by side"
    assert doubt(False, True).endswith("yet it is within their uncertainty")


# Minutes until siblings are told apart, and seconds between the rounds.
A_DAY = (24 * 60 + 10, 300)


def lots_snapshot(*lots: object) -> Snapshot:
    return replace(Script(a_room(("a", "e"))).snapshot(START, {}), lots=tuple(lots))  # type: ignore[arg-type]


def test_siblings_are_told_apart_by_days_with_the_probes_share() -> None:
    def told_of(development: float) -> tuple[Run, tuple[LotNow, LotNow]]:
        lots = (a_lot("K01/a", development=0.55), a_lot("K01/e", development=development, mean_c=29.0))
        lots = (changed(lots[0], remaining_days=30.0), changed(lots[1], remaining_days=24.0))
        return Run(Script(a_room(("a", "e")), more=lambda _: {"lots": lots})).go(0, *A_DAY), lots

    run, lots = told_of(0.64)
    assert without_minutes(told(run)) == [("siblings-apart", "raised", "K01")]
    (notice,) = (n for n in run.notices if n.kind == "siblings-apart")
    assert notice.urgency == "later"
    assert "K01 in e is expected 6.0 ± 4.1 days before K01 in a, limit 2.0 days" in notice.text
    assert "29.00 °C against 28.00 °C" in notice.whole
    days, sd = apart(lots[1], lots[0])
    assert days == pytest.approx(6.0)
    assert sd == pytest.approx(0.29 * 5 * 2**0.5)
    assert told(told_of(0.61)[0]) == [], "4.0 ± 4.1 days: the probes alone could explain it"


def parted(*course: tuple[float, float]) -> Run:
    """(from hour, days that part two boxes whose probes were compared, to 0.6 days)."""

    def more(now_ms: int) -> dict[str, object]:
        days = [d for h, d in course if START + h * 60 * MINUTE <= now_ms][-1]
        late, early = apart_lots()
        return {"lots": (early, changed(late, rates=ExpectedRates(0.39 / (20.0 + days))))}

    return Run(Script(a_room(("a", "e")), more=more)).go(0, (course[-1][0] + 30) * 60, 600)


def test_what_parts_siblings_for_hours_is_not_told_and_what_does_for_a_day_is_told_once() -> None:
    """The days that were reckoned in a failing room are not those to come."""
    (raised,) = told(parted((0, 0.5), (5, 6.0)))
    assert raised[:2] == ("siblings-apart", "raised")
    assert raised[3] == pytest.approx((5 + 24) * 60, abs=10)
    assert told(parted((0, 0.5), (5, 6.0), (28, 0.5))) == []
    for back in (1.9, 0.5):
        assert told(parted((0, 6.0), (20, back), (21, 6.0), (44, back))) == [], "each time less than a day"


def test_only_open_lots_of_one_clutch_that_still_wait_are_siblings() -> None:
    a, b = a_lot("K01/a"), a_lot("K01/e")
    assert len(list(pairs(lots_snapshot(a, b)))) == 1
    assert list(pairs(lots_snapshot(a, a_lot("K02/e")))) == []
    assert list(pairs(lots_snapshot(a, changed(b, remaining_days=None)))) == []
    closed = replace(b, lot=replace(b.lot, closed_ms=START))
    assert list(pairs(lots_snapshot(a, closed))) == []
    all_out = a_lot("K01/e", waiting=0, pipped=6)
    assert list(pairs(lots_snapshot(a, all_out))) == []


def test_the_earliest_comes_first_and_the_latest_second() -> None:
    lots = [changed(a_lot(f"K01/{b}"), remaining_days=d) for b, d in (("a", 20.0), ("b", 9.0), ("c", 30.0))]
    ((early, late),) = pairs(lots_snapshot(*lots))
    assert (early.lot.box, late.lot.box) == ("b", "c")


def apart_lots(**more: object) -> tuple[LotNow, LotNow]:
    """Two lots of a clutch, in box a (cool) and box e (warm), whose probes were compared."""
    made = []
    for box, remaining, rate, development in (("a", 26.0, 0.0150, 0.61), ("e", 20.0, 0.0170, 0.66)):
        lot = a_lot(f"K01/{box}", remaining=remaining, development=development, rate_per_day=rate, days_per_c=4.0)
        lot = changed(lot, rates=ExpectedRates(rate), error=ProbesError(0.05), compared=True)
        made.append(changed(lot, **more))
    return made[0], made[1]


def notice_of(kind: str, room: Room, **more: object) -> str:
    run = Run(Script(room, more=lambda _: more)).go(0, *A_DAY)
    return next(n.whole for n in run.notices if n.kind == kind)


def test_notices_of_uneven_boxes_say_what_would_mend_it() -> None:
    room, compared = a_room(("a", "e")), a_profile(1.2, sd_c=0.07, compared=True)
    compared = replace(compared, levels=tuple(replace(x, uncertainty_c=0.05) for x in compared.levels))
    room = replace(room, boxes=(room.boxes[0], replace(room.boxes[1], height_cm=120.0)))
    for kind in ("stack-uneven", "siblings-apart"):
        text = notice_of(kind, room, stacks=(compared,), lots=apart_lots())
        assert "What would bring K01 in e and K01 in a together: " in text
        assert "a fan (gains" in text
        assert "dries eggs" in text
        assert "swapping boxes e and a" in text
    alone = notice_of("stack-uneven", room, stacks=(compared,), lots=apart_lots()[:1])
    assert "a fan, which would bring the boxes to about" in alone
    assert "What would" not in notice_of("stack-uneven", room, stacks=(compared,))


def test_notices_advise_nothing_that_the_probes_could_have_made_up() -> None:
    unsure = apart_lots(error=ProbesError(0.8), compared=False)
    run = Run(Script(a_room(("a", "e")), more=lambda _: {"stacks": (a_profile(1.2),), "lots": unsure})).go(0, *A_DAY)
    assert "siblings-apart" not in {n.kind for n in run.notices}
    for n in run.notices:
        assert "a fan" not in n.whole
        assert "swapping" not in n.whole


def test_a_profile_of_three_quarters_of_the_span_is_enough_and_less_is_not() -> None:
    """Of a day eighteen hours: six of them are a night or a noon."""
    assert uneven((0, 1.5), hours=17).notices == []
    assert "stack-uneven" in {n.kind for n in uneven((0, 1.5), hours=18).notices}


@pytest.mark.parametrize(
    ("limit_c", "wheres"),
    [
        (1.0, {1.0: Where.BEYOND, 0.99: Where.BETWEEN, 0.801: Where.BETWEEN, 0.799: Where.BACK}),
        (0.2, {0.2: Where.BEYOND, 0.199: Where.BETWEEN, 0.101: Where.BETWEEN, 0.099: Where.BACK}),
    ],
)
def test_the_limit_is_inclusive_and_an_even_stack_is_so_by_a_fifth_of_a_degree_or_half_a_small_limit(
    limit_c: float, wheres: dict[float, Where]
) -> None:
    room = a_room(("a", "e"))
    room = replace(room, watch=replace(room.watch, uneven_c=limit_c))
    snapshot = Script(room).snapshot(START, {})
    (stacks,) = (k for k in KINDS if k.name == "stack-uneven")
    for difference_c, where in wheres.items():
        profile = replace(a_profile(1.5), difference_c=difference_c)
        (found,) = stacks.look(replace(snapshot, stacks=(profile,)))
        assert [s.where for s in found.samples] == [where]
        assert (found.rule.on_delay_s, found.rule.off_delay_s) == (1800.0, 1800.0)
