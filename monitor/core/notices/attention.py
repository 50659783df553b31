"""What the notices cost the keeper: an account of the attention that was asked for.

Measures after ISA-18.2 and EEMUA 191 (as restated in public self-audit guides), brought to one person who also sleeps:
the aim is at most one notice a week that wakes anybody. Standing: true for more than 24 hours. Chattering:
raised three times or more within a day.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.notices import Notice
from monitor.core.terms.times import DAY_MS

WAKING_A_WEEK: Final = 1.0
CHATTER: Final = 3


@dataclass(frozen=True)
class Account:
    """Counts over ``days``. ``by_kind``: notices of each kind; ``answered_by``: ways of answering; ``chattering`` and
    ``standing``: (kind, subject)."""

    days: float
    notices: int
    waking: int
    waking_a_week: float
    reminders: int
    by_kind: dict[str, int]
    standing: tuple[tuple[str, str], ...]
    chattering: tuple[tuple[str, str], ...]
    shelved: tuple[tuple[str, str], ...]
    answered: int
    answered_after_min: float | None
    answered_by: dict[str, int]

    @property
    def within_budget(self) -> bool:
        return self.waking_a_week <= WAKING_A_WEEK


def account(
    notices: Iterable[Notice],
    history: Sequence[Transition],
    conditions: Iterable[Condition],
    now_ms: int,
    days: float = 28.0,
) -> Account:
    """The account of the last ``days``; daily lines and drills are not counted."""
    since = now_ms - round(days * DAY_MS)
    told = [n for n in notices if since <= n.at_ms <= now_ms and n.change not in ("daily", "drill", "digest")]
    waking = [n for n in told if n.urgency == "now"]
    waits = [(n.answered_ms - n.at_ms) / 60_000 for n in told if n.answered_ms is not None]
    raises: dict[tuple[str, str], list[int]] = {}
    for t in history:
        if t.change == "raised" and since <= t.at_ms <= now_ms:
            raises.setdefault((t.kind, t.subject), []).append(t.at_ms)
    chattering = [key for key, at in raises.items() if _most_in_a_day(sorted(at)) >= CHATTER]
    known = list(conditions)
    return Account(
        days=days,
        notices=len(told),
        waking=len(waking),
        waking_a_week=len(waking) / days * 7.0,
        reminders=sum(n.change == "still" for n in told),
        by_kind=dict(Counter(n.kind for n in told).most_common()),
        standing=tuple(
            sorted(c.key for c in known if c.up and c.since_ms is not None and now_ms - c.since_ms > DAY_MS)
        ),
        chattering=tuple(sorted(chattering)),
        shelved=tuple(sorted(c.key for c in known if c.shelved(now_ms))),
        answered=len(waits),
        answered_after_min=median(waits) if waits else None,
        answered_by=dict(Counter(_way(n) for n in told if n.answered_ms is not None).most_common()),
    )


def _way(notice: Notice) -> str:
    """By which way a notice was answered, and through which channel."""
    way = {"link": "link", "message": "message", "number": "number"}.get(notice.answer_way, "command")
    return f"{way} ({notice.answer_channel})" if notice.answer_channel else way


def _most_in_a_day(at: Sequence[int]) -> int:
    """The largest number of moments within any 24 hours."""
    most, first = 0, 0
    for i, moment in enumerate(at):
        while moment - at[first] > DAY_MS:
            first += 1
        most = max(most, i - first + 1)
    return most
