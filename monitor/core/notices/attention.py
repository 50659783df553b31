"""What the notices cost the keeper: an account of the attention that was asked for.

Measures after ISA-18.2 and EEMUA 191 (as restated in public self-audit guides), brought to one person who also sleeps:
the aim is at most one notice a week that wakes anybody, and two in all in a steady room, beside the daily line and the
drill. Standing: true for more than 24 hours. Chattering:
raised three times or more within a day.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from monitor.core.maths.robust import median
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.notice import Notice
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

WAKING_A_WEEK: Final = 1.0
MESSAGES_A_WEEK: Final = 2.0
CHATTER: Final = 3
# A spell that is over so soon was perhaps none that needed a hand. Judgement, no source.
SHORT_MIN: Final = 60.0


@dataclass(frozen=True)
class AskedOfKeeper:
    """What one kind asked of the keeper: how often it began, was told again and was over; about whom, most often first;
    and how long its spells were in the middle (minutes, None: none has ended)."""

    kind: str
    begun: int
    again: int
    over: int
    subjects: tuple[str, ...]
    middle_min: float | None

    @property
    def messages(self) -> int:
        return self.begun + self.again + self.over


@dataclass(frozen=True)
class Account:
    """Counts over ``days``. ``notices``: those that came by themselves; ``in_daily_line``: what was for later and
    came with the daily line; ``asked``: the kinds, what asked most first; ``answered_by``: ways of answering;
    ``chattering`` and ``standing``: (kind, subject)."""

    days: float
    notices: int
    in_daily_line: int
    waking: int
    waking_a_week: float
    reminders: int
    messages_a_week: float
    asked: tuple[AskedOfKeeper, ...]
    standing: tuple[tuple[str, str], ...]
    chattering: tuple[tuple[str, str], ...]
    shelved: tuple[tuple[str, str], ...]
    answered: int
    answered_after_min: float | None
    answered_by: dict[str, int]

    @property
    def within_budget(self) -> bool:
        return self.waking_a_week <= WAKING_A_WEEK and self.messages_a_week <= MESSAGES_A_WEEK


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
    written = [n for n in told if n.for_daily_line]
    told = [n for n in told if not n.for_daily_line]
    waking = [n for n in told if n.urgency == "now"]
    waits = [(n.answered_ms - n.at_ms) / 60_000 for n in told if n.answered_ms is not None]
    raises: dict[tuple[str, str], list[int]] = {}
    spells: dict[str, list[float]] = {}
    for t in sorted(history, key=lambda t: t.at_ms):
        began = raises.get((t.kind, t.subject))
        if t.change == "raised" and since <= t.at_ms <= now_ms:
            raises.setdefault((t.kind, t.subject), []).append(t.at_ms)
        elif t.change == "cleared" and began and began[-1] <= t.at_ms <= now_ms:
            spells.setdefault(t.kind, []).append((t.at_ms - began[-1]) / 60_000)
    chattering = [key for key, at in raises.items() if _most_in_a_day(sorted(at)) >= CHATTER]
    known = list(conditions)
    return Account(
        days=days,
        notices=len(told),
        in_daily_line=len(written),
        waking=len(waking),
        waking_a_week=len(waking) / days * 7.0,
        reminders=sum(n.change == "still" for n in told),
        messages_a_week=len(told) / days * 7.0,
        asked=_asked(told, spells),
        standing=tuple(
            sorted(c.key for c in known if c.up and c.since_ms is not None and now_ms - c.since_ms > DAY_MS)
        ),
        chattering=tuple(sorted(chattering)),
        shelved=tuple(sorted(c.key for c in known if c.shelved(now_ms))),
        answered=len(waits),
        answered_after_min=median(waits) if waits else None,
        answered_by=dict(Counter(_way(n) for n in told if n.answered_ms is not None).most_common()),
    )


def _asked(told: Sequence[Notice], spells: Mapping[str, Sequence[float]]) -> tuple[AskedOfKeeper, ...]:
    changes = Counter((n.kind, n.change) for n in told)
    subjects: dict[str, Counter[str]] = {}
    for n in told:
        subjects.setdefault(n.kind, Counter()).update(n.subjects)
    found = [
        AskedOfKeeper(
            kind,
            changes[kind, "raised"],
            changes[kind, "still"],
            changes[kind, "cleared"],
            tuple(s for s, _ in of.most_common()),
            median(spells[kind]) if kind in spells else None,
        )
        for kind, of in subjects.items()
    ]
    return tuple(sorted(found, key=lambda a: (-a.messages, a.kind)))


def quieter(asked: AskedOfKeeper, keys: Sequence[str]) -> str:
    """What would have a kind ask less, in words. ``keys``: those of the configuration that set its numbers."""
    delays = [k for k in keys if k.rpartition(".")[2] in ("on_delay", "off_delay", "deadband_c", "uneven_over")]
    limits = [k for k in keys if k not in delays]
    if asked.again > asked.begun:
        return "answer it when you have seen it (warmtally answer): that ends the reminders"
    if asked.middle_min is not None and asked.middle_min < SHORT_MIN and asked.begun >= CHATTER and delays:
        return f"over again soon: lengthen {' or '.join(delays)}"
    if limits:
        return f"mend the cause, or set {' or '.join(limits)} so that it means something"
    subject = asked.subjects[0] if len(asked.subjects) == 1 else "SUBJECT"
    return f'mend the cause; until then: warmtally shelve {asked.kind} {subject} --for "7 d"'


def _way(notice: Notice) -> str:
    """By which way a notice was answered, and through which channel."""
    way = notice.answer_way or "command"
    return f"{way} ({notice.answer_channel})" if notice.answer_channel else way


def _most_in_a_day(at: Sequence[int]) -> int:
    """The largest number of moments within any 24 hours."""
    most, first = 0, 0
    for i, moment in enumerate(at):
        while moment - at[first] > DAY_MS:
            first += 1
        most = max(most, i - first + 1)
    return most
