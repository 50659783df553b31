"""What boxes weigh, what they lose, and the water to give back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo
from typing import TYPE_CHECKING, Final

from monitor.core.climate.water import LEFT_OUT, BoxWater, Loss, Usual, Weighing
from monitor.core.terms.formats import show_date
from monitor.telling.as_json import rounded, utc

if TYPE_CHECKING:
    from monitor.telling.forms_room import WeightsJson

GIVE: Final = (
    "give water beside the eggs, never on them; wash your hands afterwards\n"
    "then tell it: warmtally record watered --box BOX --grams N"
)
THIN: Final = "not weighed often enough to say what it loses"
MOST_NOT_COUNTED: Final = 8


def not_counted_words(water: BoxWater, zone: tzinfo) -> Iterator[str]:
    """What does not count, and why; of much the newest."""
    if water.before is not None:
        yield f"weighed {weight_words(water.before, zone)}, before the eggs that lie in it now: not counted"
    left_out = [span for span in water.spans if span.sort != "measured"]
    if len(left_out) > MOST_NOT_COUNTED:
        yield f"{len(left_out)} spans are not counted, the newest {MOST_NOT_COUNTED} of them:"
    for span in left_out[-MOST_NOT_COUNTED:]:
        days = f"{show_date(span.first.at_ms, zone)} to {show_date(span.last.at_ms, zone)}"
        yield f"{days} not counted: {LEFT_OUT[span.sort]}"


def weight_words(weighing: Weighing | None, zone: tzinfo) -> str:
    """A weighing and its day."""
    return "-" if weighing is None else f"{weighing.grams:.1f} g, {show_date(weighing.at_ms, zone)}"


def loss_words(loss: Loss | None) -> str:
    """What was lost in a week, and how sure that is."""
    return "-" if loss is None else f"{loss.per_week_g:.1f} ± {2 * loss.sd_g:.1f} g"


def weight_json(water: BoxWater, beside: Usual | None) -> WeightsJson:
    """What a box weighed, what it loses, and what to give back; ``beside``: what boxes like it lose."""
    last = water.last
    return {
        "box": water.box,
        "first_g": water.weighings[0].grams if water.weighings else None,
        "first_at": utc(water.weighings[0].at_ms) if water.weighings else None,
        "last_g": last.grams if last else None,
        "last_at": utc(last.at_ms) if last else None,
        "weight_g": rounded(water.weight_g, 2),
        "loss_g_week": rounded(water.week.per_week_g, 2) if water.week else None,
        "loss_standard_uncertainty_g_week": rounded(water.week.sd_g, 2) if water.week else None,
        "newest_loss_g_week": rounded(water.newest.per_week_g, 2) if water.newest else None,
        "usual_loss_g_week": rounded(beside.per_week_g, 2) if beside else None,
        "give_back_ml": water.give_ml if water.week else None,
        "missing_g": rounded(water.owed_g, 2) if water.week else None,
        "weighings": [{"at": utc(w.at_ms), "grams": w.grams, "scale": w.scale or None} for w in water.weighings],
        "watered": [{"at": utc(g.at_ms), "grams": g.grams} for g in water.given],
        "not_counted": [
            {"from": utc(s.first.at_ms), "to": utc(s.last.at_ms), "why": LEFT_OUT[s.sort]}
            for s in water.spans
            if s.sort != "measured"
        ],
    }
