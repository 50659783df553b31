"""Too dry, too damp, condensation near: the air in a box that has a humidity probe and limits for it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import partial
from typing import Final

from monitor.core.climate.humid_air import dew_point_c
from monitor.core.notices.conditions import Rule, Sample, Where, above, below
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.limits import SETTLES_S, inside
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import in_words, show_difference, show_temperature
from monitor.errors import ModelOutOfRange

# Humidity sways quickly with each draught, and a probe in damp air sways with it.
DELAY_S: Final = 1800.0
DEADBAND_PCT: Final = 2.0
# How near the dew point the coolest surface may be. Judgement: what a probe's error of 3 % comes to.
NEAR_C: Final = 0.5
AWAY_C: Final = 1.0
# A lid is taken to be so much cooler than the box where no probe tells how cool the room is. Judgement, no source.
LID_C: Final = 0.5
HANDS: Final = "Wash your hands afterwards."
RULE: Final = Rule(DELAY_S, DELAY_S, settles_s=SETTLES_S)


def _look(snapshot: Snapshot, damp: bool) -> Iterable[Look]:
    for box in snapshot.boxes:
        limit = box.limits.too_damp_pct if damp else box.limits.too_dry_pct
        if limit is None or not snapshot.room.probes_in(box.box.id, "humidity"):
            continue
        samples: list[Sample] = []
        look = Look(box.box.id, samples, f"box {box.box.id}", f"box {box.box.id}")
        if box.humidity_pct is not None:
            judge = above if damp else below
            samples = [judge(snapshot.now_ms, box.humidity_pct, limit, DEADBAND_PCT)]
            probe = snapshot.room.probes_in(box.box.id, "humidity")[0]
            look = replace(
                look,
                line=f"box {box.box.id}: {box.humidity_pct:.0f} ± {2 * probe.standard_uncertainty:.0f} % relative "
                f"humidity, limit {limit:g} %",
                more=(*([HANDS] if damp else []), *inside(box)),
                value=f"{box.humidity_pct:.0f} %",
                limit=f"{limit:g} %",
                worse=abs(box.humidity_pct - limit),
            )
        yield replace(look, samples=samples, rule=RULE, facts={"humidity_pct": box.humidity_pct})


def coolest_c(box: BoxNow, snapshot: Snapshot) -> tuple[float, str] | None:
    """The coolest surface of a box that can be told of, and where that comes from; the lid itself has no probe.

    Halfway between the box and the coolest air probe of its stack, as the lid lies between the two; without one, half a
    degree below the box.
    """
    if box.now_c is None:
        return None
    air = [
        p.last_value + p.offset_c
        for p in snapshot.air_probes(box.box.stack)
        if p.last_value is not None
        and p.usable_ms == p.last_ms
        and snapshot.now_ms - (p.last_ms or 0) < p.probe.quiet_after_s * 1000
    ]
    if not air:
        below = in_words("half a degree", LID_C, snapshot.unit)
        return box.now_c - LID_C, f"taken as {below} below the box, no probe tells"
    return min(box.now_c, 0.5 * (box.now_c + min(air))), "taken as halfway to the air of the stack, no probe tells"


def _look_drips(snapshot: Snapshot) -> Iterable[Look]:
    for box in snapshot.boxes:
        if box.limits.too_damp_pct is None or not snapshot.room.probes_in(box.box.id, "humidity"):
            continue
        samples: list[Sample] = []
        look, facts = Look(box.box.id, samples, f"box {box.box.id}", f"box {box.box.id}"), {}
        lid = coolest_c(box, snapshot)
        if lid is not None and box.humidity_pct is not None and box.now_c is not None:
            try:
                dew_c = float(dew_point_c(box.now_c, box.humidity_pct))
            except ModelOutOfRange:
                # A probe that says 0 % or the like: nothing is known.
                continue
            away_c = lid[0] - dew_c
            where = Where.BEYOND if away_c <= NEAR_C else Where.BACK if away_c > AWAY_C else Where.BETWEEN
            samples = [Sample(snapshot.now_ms, where, away_c)]
            value, limit = show_difference(away_c, snapshot.unit), show_difference(NEAR_C, snapshot.unit)
            look = replace(
                look,
                line=f"box {box.box.id}: the lid is about {value} above the dew point, limit {limit}",
                more=(
                    f"The dew point is {show_temperature(dew_c, snapshot.unit)} at {box.humidity_pct:.0f} %.",
                    f"The lid, at about {show_temperature(lid[0], snapshot.unit)}, is {lid[1]}.",
                    *inside(box),
                ),
                value=value,
                limit=limit,
                worse=-away_c,
            )
            facts = {"dew_point_c": dew_c, "lid_c": lid[0]}
        yield replace(look, samples=samples, rule=RULE, facts=facts)


KINDS = (
    Kind(
        name="too-dry",
        says="Too dry",
        urgency="today",
        raises="a box with a humidity probe at or below too_dry_pct for half an hour (off unless set)",
        clears="above it by more than 2 % for half an hour; for three hours where it came again within six hours",
        why="eggs with parchment shells lose water to dry air and dent; a lid may be off",
        first="Close the lid; damp the substrate beside the eggs, never on them.",
        otherwise="Eggs dent and dry out over days.",
        look=partial(_look, damp=False),
        cleared_says="No longer too dry",
        keys=("limits.too_dry_pct",),
    ),
    Kind(
        name="too-damp",
        says="Too damp",
        urgency="later",
        raises="a box with a humidity probe at or above too_damp_pct for half an hour (off unless set)",
        clears="below it by more than 2 % for half an hour; for three hours where it came again within six hours",
        why="very damp air drips and lets mould grow; humidity probes read high after weeks in such air",
        first="Look for drops and mould, and let in a little air.",
        otherwise="Water may drip on the eggs, and mould may grow.",
        look=partial(_look, damp=True),
        cleared_says="No longer too damp",
        keys=("limits.too_damp_pct",),
    ),
    Kind(
        name="condensation-near",
        says="Condensation near",
        urgency="later",
        raises="the dew point of a box's air is within 0.5 °C of its coolest surface for half an hour; only "
        "where too_damp_pct is set",
        clears="the surface is 1 °C above the dew point again for half an hour",
        why="a lid colder than the dew point drips; its temperature is an estimate, since no probe is on it",
        first="See whether the lid drips; tilt it so that drops run to the wall.",
        otherwise="Drops fall on the eggs where the lid is lowest.",
        look=_look_drips,
        tell_cleared=False,
        keys=("limits.too_damp_pct",),
    ),
)
