"""Window near, window open, past the window: the first pip of a lot.

They are judged on the window that leaves the lot's own silent looks out: a window that moves on while one waits
could never be past. What siblings did is in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Final, Literal

from monitor.core.development.lots import LotNow
from monitor.core.development.species import Grade
from monitor.core.development.window import Window
from monitor.core.notices.conditions import KindName, holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import show_date, show_eggs

_DAY_MS = 86_400_000.0
# A stage is gone back to only when the date has moved away by so much: forecasts sway by hours with the weather,
# and nobody wants to be told "near" each time. Judgement, no source.
_SWAY_MS = 0.5 * _DAY_MS
# Past the window is so much of its width after its end: of a normal distribution, whose window is 10 to 90 %, one in
# two hundred is later than that. Judgement, no source.
PAST_WINDOW_SHARE = 0.5
_STAGES: Final[tuple[KindName | Literal[""], ...]] = ("", "window-near", "window-open", "window-past")
CANDLING: Final = (
    "No egg is opened on the word of a window: it is an estimate.",
    "Signs that an egg is alive: it candles pink with vessels, it is firm, it does not smell.",
    "Ask an experienced keeper or a reptile veterinarian.",
)
# What a date rests on, where that is less than a table.
RESTS_ON: Final[Mapping[Grade, str]] = {
    "no source": "Its days are common practice, no source.",
    "one figure": "Its days rest on one figure.",
}
HANDS: Final = "Wash your hands after handling eggs."


def _stage(lot: LotNow, window: Window, snapshot: Snapshot) -> KindName | Literal[""]:
    """The stage of a lot."""
    if not lot.lot.open or lot.lot.pipped or lot.lot.hatched or not lot.lot.waiting:
        return ""
    held = max((i for i, s in enumerate(_STAGES) if s and snapshot.raised(s, lot.lot.id)), default=0)
    by_now, with_sway = (_stage_at(window, snapshot, snapshot.now_ms + sway) for sway in (0.0, _SWAY_MS))
    return _STAGES[max(by_now, min(held, with_sway))]


def _stage_at(window: Window, snapshot: Snapshot, at_ms: float) -> int:
    late = window.p90_ms + PAST_WINDOW_SHARE * (window.p90_ms - window.p10_ms)
    begins = (window.p10_ms - snapshot.room.watch.window_near_days * _DAY_MS, window.p10_ms, late)
    return sum(at_ms >= begin for begin in begins)


def _more(lot: LotNow, window: Window, snapshot: Snapshot) -> Iterable[str]:
    """What is known of a lot's window besides its days."""
    if lot.grade in RESTS_ON:
        yield RESTS_ON[lot.grade]
    development, filled_share = (lot.past.development, lot.past.filled_share) if lot.past else (0.0, 0.0)
    yield f"That is so in 8 of 10. The middle is {show_date(window.p50_ms, snapshot.zone)}."
    yield f"Development {100 * development:.0f} %, {lot.clutch.species}."
    if window.causes:
        yield f"Mostly uncertain because: {window.causes[0].name} (± {window.causes[0].days:.1f} days)."
    if filled_share > 0.05:
        yield f"{100 * filled_share:.0f} % of the time was filled in, not measured."


def _look(snapshot: Snapshot, kind: KindName) -> Iterable[Look]:
    for lot in snapshot.lots:
        if lot.first_pip is None:
            if lot.lot.open and not lot.lot.pipped:
                # No date can be given just now: nothing is known, and nothing is over.
                yield Look(lot.lot.id, (), lot.lot.id)
            continue
        window, chance = lot.first_pip.open_window, lot.first_pip.chance_only_late
        days = f"{show_date(window.p10_ms, snapshot.zone)} to {show_date(window.p90_ms, snapshot.zone)}"
        more = [*_more(lot, window, snapshot)]
        if kind == "window-past":
            late = [] if chance is None else [f"The chance that it is only late: about {100 * chance:.0f} %."]
            more = [*late, *CANDLING, *more]
        else:
            more.insert(0, HANDS)
        yield Look(
            lot.lot.id,
            holds(snapshot.now_ms, _stage(lot, window, snapshot) == kind),
            lot.lot.id,
            f"{lot.lot.id} ({show_eggs(lot.lot.waiting)}): first pip expected {days}",
            more=tuple(more),
            value=days,
            worse=-window.p10_ms,
            facts={"p10_ms": window.p10_ms, "p90_ms": window.p90_ms},
        )


KINDS = (
    Kind(
        name="window-near",
        says="Window near",
        urgency="diary",
        raises="the window of first pip begins within a week (unless set)",
        clears="the window opens, the lot pips, or the date moves away",
        why="time to prepare: what hatchlings need, and daily looks",
        first="Prepare the place for the hatchlings; look in once a day.",
        otherwise="The window opens by itself.",
        look=partial(_look, kind="window-near"),
        tell_cleared=False,
        keys=("watch.window_near_days",),
    ),
    Kind(
        name="window-open",
        says="Window open",
        urgency="today",
        raises="the window of first pip (8 chances in 10) has begun and nothing is recorded as pipped",
        clears="a pip is recorded, or the window is past",
        why="from now on the first pip may be seen any day",
        first="Look in once or twice a day; record it: warmtally record pipped.",
        otherwise="The first pip may go unseen, nothing else. Do not disturb the eggs.",
        look=partial(_look, kind="window-open"),
        groups=True,
        tell_cleared=False,
    ),
    Kind(
        name="window-past",
        says="Past the window",
        urgency="today",
        raises="the window ended half its width ago and nothing is recorded as pipped",
        clears="a pip is recorded",
        why="either the eggs are late, the temperature was not what the probe said, or the clutch has failed",
        first="Wait, look and candle: a late box is waited for.",
        otherwise="Waiting costs little, opening too early costs lives.",
        look=partial(_look, kind="window-past"),
        groups=True,
        tell_cleared=False,
    ),
)
