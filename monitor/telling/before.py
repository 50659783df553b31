"""How well it does: windows that were told earlier, against what was seen."""

from __future__ import annotations

from datetime import tzinfo
from typing import TYPE_CHECKING, Final

from monitor.core.season.figures import ClutchSeason
from monitor.core.season.held import Held, wide_days
from monitor.core.terms.formats import name_eggs
from monitor.derived.season import Seasons
from monitor.telling.drawing.time_frame import day_and_time
from monitor.telling.season_words import came_words, told_words

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand

BEFORE_HEAD: Final = ("eggs", "developed", "window told (middle)", "wide", "first pip seen", "it came")


def told_before(room: RoomAtHand, at_ms: int, most: int) -> tuple[tuple[ClutchSeason, ...], int]:
    """The clutches of which a pip was seen, the newest first and so many at most, with what was told on their way; and
    how many there are."""
    pipped = [c for c in room.store.account.clutches(at_ms).values() if any(x.pips for x in c.lots)]
    pipped.sort(key=lambda c: (-c.laid_ms, c.id))
    seasons = Seasons(room.store, room.settings.room, room.derived)
    return seasons.clutches(pipped[:most], (), at_ms), len(pipped)


def held_words(held: Held) -> str:
    """What came of windows told at one share: counts, what is promised, and what that says."""
    at = f"at {100 * held.share:.0f} % of the way"
    if held.says == "none":
        return f"{at}: of no window is it known yet"
    outside = [f"{n} {word}" for n, word in ((held.early, "before it"), (held.late, "after it")) if n]
    counted = f"{held.inside} of {held.of} inside" + (f" ({', '.join(outside)})" if outside else "")
    wide = "" if held.wide_days is None else f"; {held.wide_days:.1f} days wide (median)"
    judged = {
        "few": "too few to judge",
        "fewer": "fewer than promised, and hardly by chance: trust windows less than they say",
        "more": "more than promised: windows are wider than they need be",
        "as-told": "as promised, as far as such a count can tell",
    }[held.says]
    return f"{at}: {counted}; 8 of 10 are promised; {judged}{wide}"


def before_rows(c: ClutchSeason, zone: tzinfo) -> list[list[str]]:
    """What was told of a clutch on its way, under BEFORE_HEAD."""
    rows = []
    for x in c.eggs:
        seen = x.first_pip
        for t in x.told:
            wide = wide_days(t)
            rows.append(
                [name_eggs(x.lot.id), f"{100 * t.share:.0f} %", told_words(t, zone),
                 "-" if wide is None else f"{wide:.1f} d", "-" if seen is None else day_and_time(seen.by_ms, zone),
                 came_words(t, x)]
            )  # fmt: skip
    return rows
