"""Window near, window open, past the window: the first pip of the eggs of a clutch in one box.

They are judged on the window that leaves the lot's own silent looks out: a window that moves on while one waits
could never be past. What siblings did is in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any, Final, Literal

from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import GoneBefore, Story, stories, waits_until
from monitor.core.development.species import RESTS_ON, VENOMOUS, VENOMOUS_CARE
from monitor.core.development.window import Window
from monitor.core.notices.conditions import KindName, holds
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import (
    name_eggs,
    show_date,
    show_dates,
    show_days_after,
    show_developed,
    show_eggs,
    show_since,
)
from monitor.core.terms.settings import Urgency

_DAY_MS = 86_400_000.0
# A stage is gone back to only when the date has moved away by so much: forecasts sway by hours with the weather,
# and nobody wants to be told "near" each time. Judgement, no source.
_SWAY_MS = 0.5 * _DAY_MS
# Past the window is so much of its width after its end: of a normal distribution, whose window is 10 to 90 %, one in
# two hundred is later than that. Judgement, no source.
PAST_WINDOW_SHARE = 0.5
# A look so old tells little of now. Judgement, no source.
LOOK_OLD_MS: Final = round(1.5 * _DAY_MS)
_STAGES: Final[tuple[KindName | Literal[""], ...]] = ("", "window-near", "window-open", "window-past")
CANDLING: Final = (
    "No egg is opened on the word of a window: it is an estimate.",
    "Signs of life: pink with vessels when candled, firm, no smell.",
    "Ask an experienced keeper or a reptile veterinarian.",
)
# The first line for eggs of a venomous species. Common practice, no source.
BITES_FIRST: Final[Mapping[str, str]] = {
    "window-near": "Have ready: hook, closed box, a second person, who has the antivenom.",
    "window-open": "Look with hook and closed box, never alone; record what you see.",
}
BY_THEN: Final = "By then 99 of 100 boxes with living eggs would have pipped."
HANDS: Final = "Wash your hands after eggs and boxes."


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
    yield f"8 times in 10 it falls in these days, most likely about {show_date(window.p50_ms, snapshot.zone)}."
    yield f"Development {show_developed(development)} %, {lot.clutch.species}."
    if window.causes:
        yield f"Why not surer: {window.causes[0].name} (± {window.causes[0].days:.1f} days)."
    if filled_share > 0.05:
        yield f"{100 * filled_share:.0f} % of the time nobody measured: it was estimated."


def _look(snapshot: Snapshot, kind: KindName) -> Iterable[Look]:
    known = {story.late: story for story in snapshot.once(_stories)}
    for lot in snapshot.lots:
        if lot.first_pip is None:
            if lot.lot.open and not lot.lot.pipped:
                # No date can be given just now: nothing is known, and nothing is over.
                yield Look(lot.lot.id, (), name_eggs(lot.lot.id))
            continue
        window, story = lot.first_pip.open_window, known.get(lot.lot.id)
        days = f"{show_date(window.p10_ms, snapshot.zone)} to {show_date(window.p90_ms, snapshot.zone)}"
        more = [*_more(lot, window, snapshot)]
        said: dict[str, Any] = {}
        if kind == "window-past" and story is not None:
            bites = [VENOMOUS] if lot.venomous else []
            more = [
                *_late_or_failed(story),
                *bites,
                CANDLING[0],
                *([BY_THEN] if story.waits else []),
                *CANDLING[1:],
                *more,
            ]
            said = {"cause": seen_of(story, snapshot), "urgency": _once(kind, story, snapshot, again=True)}
            if story.waits:
                said["first"] = f"Wait until {_until(story, snapshot)}: look and candle. Do not cut, do not throw away."
        else:
            if lot.venomous:
                more = [*VENOMOUS_CARE, *more]
                said = {"cause": VENOMOUS, "first": BITES_FIRST.get(kind, "")}
            more.append(HANDS) if lot.venomous else more.insert(0, HANDS)
            # Who looks, and says so, need not be asked to.
            looked = lot.lot.looked_ms is not None and snapshot.now_ms - lot.lot.looked_ms < LOOK_OLD_MS
            if kind == "window-open" and looked and snapshot.raised(kind, lot.lot.id) is not None:
                said["urgency"] = "later"
        yield Look(
            lot.lot.id,
            holds(snapshot.now_ms, _stage(lot, window, snapshot) == kind),
            name_eggs(lot.lot.id),
            f"{show_eggs(lot.lot.waiting)} of {name_eggs(lot.lot.id)}: first pip expected {days}",
            more=tuple(more),
            value=_bites(lot, show_dates(window.p10_ms, window.p90_ms, snapshot.zone)),
            worse=-window.p10_ms,
            facts={"p10_ms": window.p10_ms, "p90_ms": window.p90_ms},
            **said,
        )


def _bites(lot: LotNow, value: str) -> str:
    """What stands in titles and lists, where each is named with little more."""
    return f"{value}, venomous" if lot.venomous else value


def _stories(snapshot: Snapshot) -> list[Story]:
    return stories(snapshot.lots, snapshot.now_ms, snapshot.zone)


def _until(story: Story, snapshot: Snapshot) -> str:
    return show_date(story.silence.wait_until_ms, snapshot.zone)


def _late_or_failed(story: Story) -> Iterable[str]:
    if story.verdict is not None:
        yield f"Late or failed? {str(story.verdict).capitalize()}."


def seen_of(story: Story, snapshot: Snapshot) -> str:
    """What was seen of eggs that lie still, in a sentence: what is said of them rests on it."""
    if story.none_alive_ms is not None:
        at = show_since(story.none_alive_ms, snapshot.zone, snapshot.now_ms)
        return f"None of {show_eggs(story.eggs)} was seen alive, {at}: no proof, candle again."
    if story.alive is not None:
        at = show_since(story.alive.at_ms, snapshot.zone, snapshot.now_ms)
        return f"Last seen alive: {story.alive.count} of {show_eggs(story.eggs)}, {at}."
    if story.looked_ms is None:
        return "No look is recorded: look, and record it, to be surer."
    at = show_since(story.looked_ms, snapshot.zone, snapshot.now_ms)
    if snapshot.now_ms - story.looked_ms > LOOK_OLD_MS:
        return f"No look is recorded since {at}: look, and record it, to be surer."
    return f"At {at} there was nothing to see."


def _once(kind: KindName, story: Story, snapshot: Snapshot, *, again: bool) -> Urgency | None:
    """It is told once, and with ``again`` once more when the date until which one waits has passed; from then on the
    daily line says it."""
    held = snapshot.raised(kind, story.late)
    if held is None or held.told_ms is None:
        return None
    if not again:
        return "later"
    told_while_waiting = waits_until(story.silence.wait_until_ms, held.told_ms, snapshot.zone)
    return None if told_while_waiting and not story.waits else "later"


def _look_others(snapshot: Snapshot) -> Iterable[Look]:
    known = {story.late: story for story in snapshot.once(_stories)}
    for lot in snapshot.lots:
        if not lot.lot.open:
            continue
        story = known.get(lot.lot.id)
        if story is None or story.beside is None:
            # Nothing is known while no date can be given; else none has gone before it, or it has pipped itself.
            state = None if lot.first_pip is None and not lot.lot.pipped else False
            yield Look(lot.lot.id, holds(snapshot.now_ms, state), name_eggs(lot.lot.id))
            continue
        how = "hook, never alone" if lot.venomous else "look twice a day"
        yield Look(
            lot.lot.id,
            # When that day is over it is past its window, which is told by itself.
            holds(snapshot.now_ms, story.waits),
            name_eggs(lot.lot.id),
            _expected(story, story.beside, snapshot),
            more=(
                *([VENOMOUS] if lot.venomous else []),
                BY_THEN,
                seen_of(story, snapshot),
                _warmth(story.beside),
                *CANDLING[1:],
                HANDS,
            ),
            first=f"Wait until {_until(story, snapshot)}: {how}. Do not cut, do not throw away.",
            value=_bites(lot, f"until {show_dates(story.silence.wait_until_ms, None, snapshot.zone)}"),
            urgency=_once("others-expected", story, snapshot, again=False),
        )


def _expected(story: Story, beside: GoneBefore, snapshot: Snapshot) -> str:
    """When it is expected, and why not with the other."""
    days = f"{show_date(story.due_p10_ms, snapshot.zone)} to {show_date(story.due_p90_ms, snapshot.zone)}"
    pipped_ms = snapshot.now_ms - beside.waited_days * _DAY_MS
    after = show_days_after((story.due_p10_ms - pipped_ms) / _DAY_MS, (story.due_p90_ms - pipped_ms) / _DAY_MS)
    eggs = f"{show_eggs(story.eggs)} of {name_eggs(story.late)}"
    return f"{eggs}: first pip expected {days}, {after} that in box {name_eggs(beside.early).partition(' in ')[2]}"


def _warmth(beside: GoneBefore) -> str:
    """What their temperatures make of the days between them."""
    if beside.probes_explain:
        return "As far as the probes tell, both lay equally warm."
    lay, side = ("cooler", "later") if beside.temperature_days > 0 else ("warmer", "sooner")
    return f"They lay {lay}: that alone makes {abs(beside.temperature_days):.1f} days {side}."


KINDS = (
    Kind(
        name="others-expected",
        says="Wait for the others",
        urgency="today",
        raises="another box of the clutch has pipped while this one lies still",
        clears="it pips, its eggs are gone, or the day until which one waits is over",
        why="boxes that are a little unlike in warmth come days apart: the later is not dead, opening it costs lives",
        first="Wait; look in once or twice a day, and record each look.",
        otherwise="Nothing is lost by waiting.",
        look=_look_others,
        groups=True,
        tell_cleared=False,
        dated=True,
    ),
    Kind(
        name="window-near",
        says="Window near",
        urgency="later",
        raises="the window of first pip begins within a week (unless set)",
        clears="the window opens, the eggs pip, or the date moves away",
        why="time to prepare: what hatchlings need, and daily looks",
        first="Prepare the place for the hatchlings; look in once a day.",
        otherwise="The window opens by itself.",
        look=partial(_look, kind="window-near"),
        tell_cleared=False,
        dated=True,
        keys=("watch.window_near_days",),
    ),
    Kind(
        name="window-open",
        says="Window open",
        urgency="today",
        raises="the window of first pip (8 chances in 10) has begun and nothing is recorded as pipped",
        clears="a pip is recorded, or the window is past",
        why="from now on the first pip may be seen any day",
        first="Look in once or twice a day; record it: warmtally record looked, or pipped.",
        otherwise="The first pip goes unseen, nothing else. Do not disturb the eggs.",
        look=partial(_look, kind="window-open"),
        groups=True,
        tell_cleared=False,
        dated=True,
    ),
    Kind(
        name="window-past",
        says="Past the window",
        urgency="today",
        raises="the window ended half its width ago and nothing is recorded as pipped",
        clears="a pip is recorded",
        why="either the eggs are late, the temperature was not what the probe said, or the clutch has failed",
        first="Look and candle. Do not cut, do not throw away: late eggs may live.",
        otherwise="Waiting costs little, opening too early costs lives.",
        look=partial(_look, kind="window-past"),
        groups=True,
        tell_cleared=False,
        dated=True,
    ),
)
