"""A notice, as a value: one message to the keeper, and the ways that it goes.

How it is made stands in ``notices``. The store and the senders need to know no more than this of it.
"""

from __future__ import annotations

from typing import Final, Literal

from monitor.core.terms.settings import Urgency
from monitor.values import dataclass

NoticeChange = Literal["raised", "still", "cleared", "drill", "daily", "digest"]

# What stands in the place of a kind in the daily line's notice.
DAILY_LINE: Final = "daily-line"


@dataclass(frozen=True, slots=True)
class Route:
    """One channel for one notice: not before a moment (ms, 0: at once), and perhaps only if it is still open."""

    channel: str
    not_before_ms: int = 0
    if_open: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to the keeper about a change of one or several conditions of one kind.

    ``key`` is unique for ever; ``subjects`` are the boxes, lots, probes or parts of the service it is about.
    ``routes``: the channels it goes to (None: not decided here). ``answer``: by whom it was answered, in words;
    ``answer_way`` and ``answer_channel``: by which way, and with the code of which channel. ``reach``: channels that
    take this urgency get it too, since it belongs to what they were told. ``story``: the whole of what ``text`` has no
    room for; empty where the text is all.
    """

    key: str
    at_ms: int
    kind: str
    subjects: tuple[str, ...]
    change: NoticeChange
    urgency: Urgency
    title: str
    text: str
    id: int = 0
    answered_ms: int | None = None
    answer: str = ""
    answer_way: str = ""
    answer_channel: str = ""
    routes: tuple[Route, ...] | None = None
    reach: Urgency | None = None
    story: str = ""

    @property
    def whole(self) -> str:
        """All that it has to say."""
        return self.story or self.text

    @property
    def for_daily_line(self) -> bool:
        """Whether the daily line tells it, and no message of its own where that is read."""
        return self.urgency == "later" and self.change in ("raised", "still", "cleared")
