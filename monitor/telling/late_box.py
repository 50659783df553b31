"""Eggs that lie still while others of their clutch have pipped, or past their window: the story of each."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import NOT_TO_DO, TO_DO, GoneBefore, Story
from monitor.core.terms.formats import in_words, name_eggs, show_day, show_days_after, show_eggs, show_time
from monitor.core.terms.times import HOUR_MS
from monitor.telling.as_json import utc
from monitor.telling.forecast import lot_json

if TYPE_CHECKING:
    from monitor.telling.at_hand import Reader
    from monitor.telling.forms_eggs import ForecastJson, StoryJson


def story_of(lot: LotNow, told: Iterable[Story]) -> Story | None:
    """What is told of a lot that lies still; None where nothing is."""
    return next((story for story in told if story.late == lot.lot.id), None)


def story_lines(story: Story, reader: Reader, at_ms: int, *, why: bool = False) -> list[str]:
    """Until when to wait, then what was seen, then how likely, and ``why``."""
    until, zone = show_day(story.silence.wait_until_ms, reader.zone), reader.zone
    beside = story.beside
    lines = [f"{name_eggs(story.late)} lies still" + ("" if beside is None else f": {_gone_before(beside)}")]
    if story.waits:
        lines.append(f"  wait until {until}: by then 99 of 100 living boxes would have pipped")
    else:
        lines.append(f"  {until}, by which 99 of 100 living boxes would have pipped, is over: candle, and ask")
    lines.append(f"  {_seen_words(story, at_ms, reader)}")
    if story.verdict is not None:
        lines.append(f"  late or failed: {story.verdict}")
    if beside is not None and why:
        lines += _why_lines(beside, reader)
    due = f"{show_day(story.due_p10_ms, zone)} to {show_day(story.due_p90_ms, zone)}"
    lines.append(f"  if it lives, it is due {due}, given all looks")
    return lines


def _gone_before(beside: GoneBefore) -> str:
    done = "" if beside.done_ms is None else ", and is done"
    return f"{name_eggs(beside.early)} pipped {beside.waited_days:.1f} days ago{done}"


def _seen_words(story: Story, at_ms: int, reader: Reader) -> str:
    """What was seen of it: what is said rests on that."""
    if story.none_alive_ms is not None:
        at = show_time(story.none_alive_ms, reader.zone)
        return f"none of {show_eggs(story.eggs)} was seen alive at {at}: that is no proof, candle again"
    if story.alive is not None:
        at = show_time(story.alive.at_ms, reader.zone)
        return f"{story.alive.count} of {show_eggs(story.eggs)} were seen alive at {at}: that counts for much"
    if story.looked_ms is None:
        return "no look has been told of: one look sharpens this (warmtally record looked, or candled --alive N)"
    looked = show_time(story.looked_ms, reader.zone)
    old = at_ms - story.looked_ms > 36 * HOUR_MS
    return f"no look has been told of since {looked}: one look sharpens this" if old else f"nothing to see at {looked}"


def _why_lines(beside: GoneBefore, reader: Reader) -> list[str]:
    direction = "later" if beside.temperature_days >= 0 else "earlier"
    doubt = f"± {2 * beside.probe_days:.1f} days"
    lines = [f"  why: by their temperatures it is expected {abs(beside.temperature_days):.1f} {doubt} {direction}"]
    if beside.probes_explain:
        lines = [f"  why: their temperatures part them by less than the probes can tell ({doubt})"]
    low, high = beside.offset_p10_days, beside.offset_p90_days
    lines.append(f"    ordinary spread between eggs and boxes: ± {2 * beside.spread_days:.1f} days")
    lines.append(f"    so its first pip comes {show_days_after(low, high)} that of {name_eggs(beside.early)} (8 in 10)")
    if not beside.compared:
        half = in_words("half a degree", 0.5, reader.unit)
        lines.append(f"    the probes were never compared: do that before trusting {half} (warmtally compare)")
    return lines


def while_still() -> list[str]:
    """What to do, and what not, as long as eggs lie still."""
    return ["while eggs lie still:", *(f"  - {text}" for text in (*TO_DO, *NOT_TO_DO))]


def story_json(story: Story) -> StoryJson:
    said, beside = story.verdict, story.beside
    return {
        "wait_until": utc(story.silence.wait_until_ms),
        "waits": story.waits,
        "verdict": None if said is None else said.words,
        "looked": utc(story.looked_ms),
        "seen_alive": None if story.alive is None else {"eggs": story.alive.count, "at": utc(story.alive.at_ms)},
        "due": {"p10": utc(story.due_p10_ms), "p50": utc(story.due_p50_ms), "p90": utc(story.due_p90_ms)},
        "beside": None
        if beside is None
        else {
            "lot": beside.early,
            "pipped_days_ago": round(beside.waited_days, 2),
            "done": utc(beside.done_ms),
            "temperature_days": round(beside.temperature_days, 2),
            "probe_days": round(beside.probe_days, 2),
            "probes_explain": beside.probes_explain,
            "compared": beside.compared,
            "follows_days": {
                "p10": round(beside.offset_p10_days, 2),
                "p50": round(beside.offset_p50_days, 2),
                "p90": round(beside.offset_p90_days, 2),
            },
        },
        "do": list(TO_DO),
        "do_not": list(NOT_TO_DO),
    }


def forecast_json(lot: LotNow, at_ms: int, told: Iterable[Story]) -> ForecastJson:
    """A lot with its story, where it is among those that are told."""
    story = story_of(lot, told)
    return {**lot_json(lot, at_ms), "story": None if story is None else story_json(story)}
