"""Too warm and too cool: a box's temperature against its limits."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

import numpy as np

from monitor.core.conditions import Rule, above, below
from monitor.core.kinds import Kind, Look
from monitor.core.snapshot import BoxNow, Snapshot, show_difference, show_temperature, show_time


def place(box: BoxNow) -> str:
    """A box in the keeper's words."""
    return f"box {box.box.id} (stack {box.box.stack}, {box.box.height_cm:.0f} cm)"


def _look(snapshot: Snapshot, warm: bool) -> Iterable[Look]:
    for box in snapshot.boxes:
        limit = box.limits.too_warm_c if warm else box.limits.too_cool_c
        kind = "too-warm" if warm else "too-cool"
        if limit is None:
            continue
        judge = above if warm else below
        condition = snapshot.conditions.get((kind, box.box.id))
        last = condition.last_ms if condition else None
        new = slice(0 if last is None else int(np.searchsorted(box.time_ms, last, "right")), None)
        samples = [
            judge(t, v, limit, box.limits.deadband_c)
            for t, v in zip(box.time_ms[new].tolist(), box.temperature_c[new].tolist(), strict=True)
        ]
        line = ""
        now_c = box.now_c
        if now_c is not None and box.at_ms is not None:
            # A plus and minus of two standard uncertainties: about 95 % (GUM 6.2).
            line = (
                f"{place(box)}: {show_temperature(now_c, snapshot.unit)} "
                f"± {show_difference(2 * box.uncertainty_c, snapshot.unit)} at "
                f"{show_time(box.at_ms, snapshot.zone, snapshot.now_ms)}, limit "
                f"{show_temperature(limit, snapshot.unit)} ({box.limits_from})"
                + (f"; holds {', '.join(box.occupied_by)}" if box.occupied_by else "; no eggs are entered for it")
            )
        yield Look(
            box.box.id,
            samples,
            f"box {box.box.id}",
            line,
            Rule(box.limits.on_delay_s, box.limits.off_delay_s, box.limits.max_gap_s),
            {"value_c": now_c, "limit_c": limit, "uncertainty_c": box.uncertainty_c},
        )


KINDS = (
    Kind(
        name="too-warm",
        says="Too warm",
        urgency="now",
        raises="a box at or above its upper limit for the on-delay",
        clears="below the limit by more than the deadband for the off-delay",
        why="heat kills faster than cold; a heater that sticks does not stop by itself",
        first="Go and look: switch the heater off at the plug, lift the lid a little; do not cool the eggs abruptly.",
        otherwise="Embryos die within hours when the temperature goes on rising.",
        look=partial(_look, warm=True),
        groups=True,
        cleared_says="No longer too warm",
    ),
    Kind(
        name="too-cool",
        says="Too cool",
        urgency="now",
        raises="a box at or below its lower limit for the on-delay",
        clears="above the limit by more than the deadband for the off-delay",
        why="a heater or its breaker may have failed; development slows or stops",
        first="Look at the heater, its breaker and its residual-current device; keep the room closed.",
        otherwise="Development slows and the hatch comes later; long cold kills.",
        look=partial(_look, warm=False),
        groups=True,
        cleared_says="No longer too cool",
    ),
)
