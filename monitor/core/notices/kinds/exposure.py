"""Heat as a dose: too long in one go, and too long in sum, above what the eggs' profile bears."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.climate.exposure import HEAT_SINGLE_H, HEAT_SUM_H
from monitor.core.notices.conditions import Sample, Where
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.limits import inside
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import name_eggs, show_span, show_temperature, tell_eggs

HIGHEST: Final = "That is the highest temperature of its profile."


def _look_single(snapshot: Snapshot) -> Iterable[Look]:
    for box in snapshot.boxes:
        found = box.heat
        if found is None or box.profile_high_c is None or box.now_c is None:
            continue
        long = found.lasting_s >= HEAT_SINGLE_H * 3600.0
        # One cause, one notice: a spell in which the box was told as too warm has been told, with its length.
        told = snapshot.condition("too-warm", box.box.id)
        began_ms = snapshot.now_ms - found.lasting_s * 1000
        if told is not None and (told.up or (told.changed_ms is not None and told.changed_ms >= began_ms)):
            long = False
        where = Where.BEYOND if long else Where.BACK if found.lasting_s == 0.0 else Where.BETWEEN
        yield Look(
            box.box.id,
            [Sample(snapshot.now_ms, where, found.lasting_s)],
            f"box {box.box.id}",
            f"box {box.box.id}: {show_span(found.lasting_s)} at or above "
            f"{show_temperature(box.profile_high_c, snapshot.unit)} in one go, limit {HEAT_SINGLE_H:g} h",
            more=(
                f"Now it is at {show_temperature(box.now_c, snapshot.unit)}.",
                f"Within the last day it was {show_span(found.total_s)}.",
                HIGHEST,
                *inside(box),
            ),
            value=show_span(found.lasting_s),
            limit=f"{HEAT_SINGLE_H:g} h",
            worse=found.lasting_s,
            facts={"lasting_s": round(found.lasting_s), "total_s": round(found.total_s)},
        )


def _look_sum(snapshot: Snapshot) -> Iterable[Look]:
    for lot in snapshot.lots:
        if not lot.lot.open or lot.heat is None:
            continue
        heat = lot.heat.exposure
        yield Look(
            lot.lot.id,
            [
                Sample(
                    snapshot.now_ms, Where.BEYOND if heat.total_s >= HEAT_SUM_H * 3600.0 else Where.BACK, heat.total_s
                )
            ],
            name_eggs(lot.lot.id),
            f"{tell_eggs(lot.lot.id)}: {show_span(heat.total_s)} at or above "
            f"{show_temperature(lot.heat.limit_c, snapshot.unit)} in sum, limit {HEAT_SUM_H:g} h",
            more=(
                f"{show_span(heat.longest_s)} of them were in one go, counted by hourly means.",
                HIGHEST,
                "Look for it when you candle.",
            ),
            value=show_span(heat.total_s),
            limit=f"{HEAT_SUM_H:g} h",
            worse=heat.total_s,
            facts={"total_s": round(heat.total_s), "longest_s": round(heat.longest_s)},
        )


KINDS = (
    Kind(
        name="heat-exposure",
        says="Too hot for too long",
        urgency="today",
        raises="two hours in one go at or above the highest temperature of the profile of the eggs in the box; not "
        "while it is told as too warm",
        clears="the box is below that temperature",
        why="heat harms as a dose, by how hot and how long; the two hours are judgement, no source",
        first="Lower the set point, or look at the box's limits; no sudden cold.",
        otherwise="Each further hour adds harm: embryos die or hatch deformed.",
        look=_look_single,
        groups=True,
        tell_cleared=False,
    ),
    Kind(
        name="heat-sum",
        says="Much heat in sum",
        urgency="later",
        raises="ten hours in sum over the incubation at or above the highest temperature of the eggs' profile",
        clears="the eggs have hatched or are gone",
        why="many warm spells that each were short enough add up; ten hours is the sum that indicators on vaccine "
        "shipments allow above their limit (WHO type I); that it suits eggs is judgement, no source",
        first="Lower the set point, or move the eggs to a cooler place.",
        otherwise="Eggs may die although no single spell was long.",
        look=_look_sum,
        tell_cleared=False,
    ),
)
