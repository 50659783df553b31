"""Who is told when: the way of a notice to its channels.

A channel takes the urgencies, kinds and stacks that the keeper gave it. In quiet hours only "now" goes through; the
rest waits until they end. A channel with a delay is an escalation (another device, then another person): it is used
only when nobody has answered by then and the matter is still true.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from datetime import datetime, time, timedelta, tzinfo
from typing import Final

from monitor.core.notices.notice import DAILY_LINE, Notice, Route
from monitor.core.terms.settings import Channel, Watch

LOG: Final = "log"
"""The channel that is always there: each notice as one line of the log."""


def routes(
    notice: Notice,
    channels: Sequence[Channel],
    watch: Watch,
    zone: tzinfo,
    stack_of: Callable[[str], str | None] = lambda _: None,
    reached: Callable[[Notice], Container[str]] = lambda _: (),
) -> tuple[Route, ...]:
    """The ways of a notice. The log takes everything at once.

    ``stack_of`` gives the stack of a subject (box, lot, probe or stack); None for what belongs to no stack: that
    goes to every channel, whatever stacks it takes. ``reached`` gives the channels that were told of the same matter
    while it lasted.
    """
    found = [Route(LOG)]
    quiet_until = quiet_end_ms(notice.at_ms, watch, zone) if notice.urgency != "now" else 0
    stacks = {s for subject in notice.subjects if (s := stack_of(subject)) is not None}
    for channel in channels:
        drilled = notice.change == "drill"
        if not drilled:
            if notice.urgency not in channel.urgencies and notice.reach not in channel.urgencies:
                continue
            if channel.kinds and notice.kind not in channel.kinds:
                continue
            if channel.stacks and stacks and stacks.isdisjoint(channel.stacks):
                continue
            if notice.for_daily_line and _gets_daily_line(channel):
                continue
        later = channel.after_s > 0.0 and not drilled
        if later and notice.change in ("cleared", "daily"):
            # An escalation is for what wants a hand; that it is over is told, at once, if it was told that it began.
            if notice.change == "daily" or channel.id not in reached(notice):
                continue
            later = False
        start = notice.at_ms + round(channel.after_s * 1000) if later else 0
        found.append(Route(channel.id, max(start, quiet_until), if_open=later))
    return tuple(found)


def _gets_daily_line(channel: Channel) -> bool:
    return (
        "later" in channel.urgencies and channel.after_s <= 0.0 and (not channel.kinds or DAILY_LINE in channel.kinds)
    )


def audiences(channels: Sequence[Channel], stacks: Sequence[str]) -> dict[str, str]:
    """Stack -> the channels that take it, in one word."""
    return {s: " ".join(c.id for c in channels if not c.stacks or s in c.stacks) for s in stacks}


def quiet_end_ms(at_ms: int, watch: Watch, zone: tzinfo) -> int:
    """When the quiet hours end in which a moment lies; 0 outside of them.

    The hours are local times of the room's zone, the end exclusive; they may span midnight. On the nights on
    which the clocks change the end is still the local time that the keeper gave.
    """
    if watch.quiet_from is None or watch.quiet_until is None or watch.quiet_from == watch.quiet_until:
        return 0
    begin, end = time.fromisoformat(watch.quiet_from), time.fromisoformat(watch.quiet_until)
    local = datetime.fromtimestamp(at_ms / 1000, zone)
    now = local.time()
    inside = begin <= now < end if begin < end else now >= begin or now < end
    if not inside:
        return 0
    day = local.date() if now < end else local.date() + timedelta(days=1)
    return round(datetime.combine(day, end, zone).timestamp() * 1000)
