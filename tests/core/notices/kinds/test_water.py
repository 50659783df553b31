"""Water loss: told once when a box loses unlike the others, over when it does not; silent where little is known."""

from __future__ import annotations

from dataclasses import replace

from monitor.core.climate.water import BoxWater, Loss, Weighing
from monitor.core.notices.kinds.water import KIND
from tests.core.timeline import START, Run, Script, a_room, without_minutes

DAY_MS = 86_400_000


def water(box: str, per_week_g: float, *, days_ago: int = 1, owed_g: float = 12.0) -> BoxWater:
    weighed = Weighing(START - days_ago * DAY_MS, 795.0)
    return BoxWater(box, (weighed,), owed_g=owed_g, owed_sd_g=0.8, newest=Loss(per_week_g, 0.8, 7.0))


def run(*course: tuple[int, tuple[BoxWater, ...]]) -> Run:
    """(from minute, what is known of the boxes)."""

    def more(now_ms: int) -> dict[str, object]:
        return {"waters": next((w for m, w in reversed(course) if START + m * 60_000 <= now_ms), ())}

    return Run(Script(a_room(("a", "b", "c")), more=more)).go(0, 170, 60)


def changes(found: Run) -> list[tuple[str, str, str]]:
    return without_minutes([x for x in found.told() if x[0] == KIND.name])


OTHERS = (water("b", 9.0), water("c", 11.0))


def test_it_is_told_once_with_the_water_to_give_back_and_its_end_too() -> None:
    found = run((0, (water("a", 10.0), *OTHERS)), (30, (water("a", 26.0), *OTHERS)), (90, (water("a", 11.0), *OTHERS)))
    assert changes(found) == [("water-loss", "raised", "a"), ("water-loss", "cleared", "a")]
    first = next(n for n in found.notices if n.kind == KIND.name)
    assert first.urgency == "later"
    assert "give back 12 ml" in first.text
    assert "Box a loses 26 ± 2 g a week, the other 2 boxes 10 g" in first.text


def test_what_a_scale_said_can_be_doubted() -> None:
    of_scale = replace(water("a", 1.0), weighings=(Weighing(START - DAY_MS, 795.0, scale="s"),))
    for first, doubted in ((of_scale, True), (water("a", 1.0), False)):
        text = next(n for n in run((0, (first, *OTHERS))).notices if n.kind == KIND.name).text
        assert ("weigh it once by hand" in text) == doubted


def test_less_than_the_others_asks_for_no_water() -> None:
    found = run((0, (water("a", 1.0, owed_g=4.0), *OTHERS)))
    text = next(n for n in found.notices if n.kind == KIND.name).text
    assert "give no water" in text
    assert "give back" not in text


def test_between_the_two_it_stays_as_it_was_and_little_known_changes_nothing() -> None:
    away = (water("a", 26.0), *OTHERS)
    assert changes(run((0, away), (30, (water("a", 14.5), *OTHERS)), (60, (water("a", 9.0), water("b", 9.0))))) == [
        ("water-loss", "raised", "a")
    ]
    assert changes(run((0, away), (30, ()))) == [("water-loss", "raised", "a"), ("water-loss", "cleared", "a")]


def test_nothing_is_told_before_enough_is_known() -> None:
    assert changes(run((0, (water("a", 26.0), water("b", 9.0))))) == []
    assert changes(run((0, (water("a", 26.0, days_ago=30), *OTHERS)))) == []
    assert changes(run((0, (replace(water("a", 26.0), newest=None), *OTHERS)))) == []
