"""How warm a box was over a span, and what happened in it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final

from monitor.core.season.figures import BoxSeason
from monitor.core.terms.formats import show_time
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS
from monitor.derived.lots import present
from monitor.derived.season import Seasons, last_ms
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.drawing.course_plot import ends_c
from monitor.telling.drawing.time_frame import gathered

if TYPE_CHECKING:
    from monitor.telling.at_hand import Reader, RoomAtHand
    from monitor.telling.forms_room import CourseJson

LONGEST_DAYS: Final = 3660.0
"""So many days at most are looked at at once."""
MOST_POINTS: Final = 1000
"""For other programs, where more was measured."""


def while_eggs_lay(room: RoomAtHand, box: Box, year: int, at_ms: int) -> tuple[int, int]:
    """From when to when eggs lay in a box that were laid in a year. Raises UnknownSubject."""
    stays = [
        (stay.from_ms, min(x for x in (stay.to_ms, lot.closed_ms, last_ms(c, at_ms)) if x is not None))
        for c in room.store.account.clutches(at_ms).values()
        if datetime.fromtimestamp(c.laid_ms / 1000, room.zone).year == year
        for lot in present(c)
        for stay in lot.path
        if stay.box == box.id
    ]
    if not stays:
        raise UnknownSubject(f"no eggs laid in {year} lay in box {box.id}", fix="give --from and --to")
    return min(a for a, _ in stays), max(b for _, b in stays)


def days_before(days: float, to_ms: int) -> int:
    """The beginning of so many days. Raises UsageError."""
    if not 0.01 <= days <= LONGEST_DAYS:
        raise UsageError(f"{days:g} days are none to look at", fix=f"give 0.01 to {LONGEST_DAYS:.0f}")
    return to_ms - round(days * DAY_MS)


def checked_span(from_ms: int, to_ms: int, longest_days: float = LONGEST_DAYS) -> tuple[int, int]:
    """A span that can be looked at. Raises UsageError."""
    if from_ms >= to_ms:
        raise UsageError("--to is not after --from", fix="give the earlier time to --from; neither lies ahead")
    if to_ms - from_ms > longest_days * DAY_MS:
        raise UsageError(f"more than {longest_days:.0f} days are none to look at", fix="give a later --from")
    return from_ms, to_ms


def boxes_over(room: RoomAtHand, boxes: Sequence[Box], from_ms: int, to_ms: int) -> list[BoxSeason]:
    """Boxes over one span, with what happened in them; limits as for what lay in them at its end."""
    seasons = Seasons(room.store, room.settings.room, room.derived)
    return [seasons.over(box, from_ms, to_ms) for box in boxes]


def span_over_words(x: BoxSeason, reader: Reader) -> str:
    """From when to when."""
    return f"{show_time(x.from_ms, reader.zone)} to {show_time(x.to_ms, reader.zone)}"


def course_json(x: BoxSeason) -> CourseJson:
    """The course of a box, gathered where more was measured than ``MOST_POINTS``."""
    low, high = ends_c(x)
    found = gathered(x.time_ms, x.temperature_c, x.from_ms, x.to_ms, MOST_POINTS)
    columns_ = (found.at_ms.tolist(), found.mean.tolist(), found.low.tolist(), found.high.tolist())
    return {
        "box": x.box.id,
        "stack": x.box.stack,
        "height_cm": x.box.height_cm,
        "from": utc(x.from_ms),
        "to": utc(x.to_ms),
        "measured_by": x.source,
        "mean_c": rounded(x.mean_c, 3),
        "lowest_c": rounded(float(x.temperature_c.min()), 3) if len(x.temperature_c) else None,
        "highest_c": rounded(float(x.temperature_c.max()), 3) if len(x.temperature_c) else None,
        "axis_c": [round(low, 3), round(high, 3)],
        "too_cool_c": x.limits.too_cool_c,
        "too_warm_c": x.limits.too_warm_c,
        "above_h": round(x.above_s / 3600, 3),
        "below_h": round(x.below_s / 3600, 3),
        "gaps": [{"from": utc(a), "to": utc(b)} for a, b in x.gaps],
        "events": [{"at": utc(at), "what": what} for at, what in x.events],
        "course": [
            {"at": utc(at), "mean_c": round(mean, 3), "lowest_c": round(least, 3), "highest_c": round(most, 3)}
            for at, mean, least, most in zip(*columns_, strict=True)
        ],
    }
