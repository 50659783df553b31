"""Water loss: a box loses weight unlike the other boxes. Off until boxes are weighed, by hand or by a scale."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.climate.water import BACK_SHARE, LEFT_OUT, BoxWater, Loss, Usual, usual
from monitor.core.notices.conditions import Sample, Where
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import show_date

HOW: Final = "beside the eggs, never on them"
HANDS: Final = "Wash your hands afterwards."
BY_SCALE: Final = "By its scale: where that cannot be, weigh it once by hand."
LESS: Final = "See whether the lid drips and the substrate is wet; give no water now."


def show_loss(loss: Loss) -> str:
    """Grams a week with what weighing leaves uncertain, about 95 %."""
    return f"{loss.per_week_g:.0f} ± {2 * loss.sd_g:.0f} g a week"


def _where(loss: Loss, known: Usual) -> Where:
    away_g = abs(loss.per_week_g - known.per_week_g)
    if away_g > known.may_differ_g:
        return Where.BEYOND
    return Where.BACK if away_g <= BACK_SHARE * known.may_differ_g else Where.BETWEEN


def _more(water: BoxWater, snapshot: Snapshot, *, less: bool) -> Iterable[str]:
    if water.last is not None:
        yield f"Weighed last on {show_date(water.last.at_ms, snapshot.zone)}: {water.last.grams:.0f} g."
        if water.last.scale:
            yield BY_SCALE
    if water.give_ml and less:
        yield f"{water.give_ml} g are missing since it was set."
    sorts = {span.sort for span in water.spans if span.sort in ("gain", "step")}
    yield from (f"Not counted: {LEFT_OUT[sort]}." for sort in sorted(sorts))
    yield HANDS


def _look(snapshot: Snapshot) -> Iterable[Look]:
    for water in snapshot.waters:
        box, loss = water.box, water.newest
        known = usual(water, snapshot.waters, snapshot.now_ms)
        if loss is None or known is None:
            yield Look(box, (), f"box {box}", f"box {box}: weighed too seldom to say what it loses")
            continue
        less = loss.per_week_g < known.per_week_g
        give = f"give back {water.give_ml} ml, {HOW}." if water.give_ml else "look at its lid and substrate."
        yield Look(
            box,
            [Sample(snapshot.now_ms, _where(loss, known), loss.per_week_g)],
            f"box {box}",
            f"box {box} loses {show_loss(loss)}, {known.whose} {known.per_week_g:.0f} g",
            facts={"loss_g_week": round(loss.per_week_g, 2), "usual_g_week": round(known.per_week_g, 2)},
            first=LESS if less else f"Close the lid; {give}",
            more=tuple(_more(water, snapshot, less=less)),
            value=f"{loss.per_week_g:.0f} g a week",
            limit=f"{known.per_week_g:.0f} g",
            worse=abs(loss.per_week_g - known.per_week_g),
        )


KIND = Kind(
    name="water-loss",
    says="Water loss unusual",
    urgency="later",
    raises="by its newest week of weighings a box loses weight unlike the other boxes (two of them at least, weighed "
    "within two weeks), or, where there are fewer, unlike its own weeks before (three at least): by half of the usual, "
    "by 3 g a week, and by more than the scale and the others' differences explain; off until a box was weighed twice",
    clears="a newer week differs by less than 0.6 of that",
    why="what a closed box loses is water: one that loses far more has a lid off or a crack, one that loses far less "
    "may drip",
    first="Look at its lid and substrate, and give back what is missing beside the eggs.",
    otherwise="Eggs dent and dry out over days, or lie wet.",
    look=_look,
    after="Go on weighing weekly.",
    cleared_says="Water loss usual again",
)
