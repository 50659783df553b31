"""How notices were met: whether somebody answered and how soon, or what they told of was over by itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from monitor.core.maths.robust import median
from monitor.core.notices.conditions import Transition
from monitor.core.notices.notice import Notice
from monitor.core.terms.settings import URGENCIES, Urgency
from monitor.values import dataclass

_FOREVER_MS: Final = 2**62


@dataclass(frozen=True, slots=True)
class Matter:
    """Something that was told once and, until it was over or answered, perhaps again.

    ``notice``: the number of the first message; ``messages``: how many there were of it, without the one that it is
    over. ``answered_ms``: when one of them was first answered, by ``answer``. ``over_ms``: when all of it was; None: it
    is still true, or nobody kept that it is not.
    """

    notice: int
    kind: str
    subjects: tuple[str, ...]
    urgency: Urgency
    title: str
    told_ms: int
    messages: int
    answered_ms: int | None
    answer: str
    over_ms: int | None

    @property
    def answered(self) -> bool:
        """Whether somebody answered while it was true."""
        return self.answered_ms is not None and self.answered_ms <= (self.over_ms or _FOREVER_MS)

    @property
    def answered_after_s(self) -> float | None:
        return (self.answered_ms - self.told_ms) / 1000.0 if self.answered and self.answered_ms is not None else None

    @property
    def lasted_s(self) -> float | None:
        return None if self.over_ms is None else (self.over_ms - self.told_ms) / 1000.0


def matters(notices: Iterable[Notice], history: Iterable[Transition]) -> list[Matter]:
    """What was told, oldest first, each with its reminders and how it ended."""
    ends: dict[tuple[str, str], list[int]] = {}
    for t in history:
        if t.change == "cleared":
            ends.setdefault((t.kind, t.subject), []).append(t.at_ms)
    told = sorted((n for n in notices if n.change in ("raised", "still")), key=lambda n: (n.at_ms, n.id))
    begun = [n for n in told if n.change == "raised"]
    reminders: dict[int, list[Notice]] = {n.id: [n] for n in begun}
    newest: dict[tuple[str, str], int] = {}
    for n in told:
        if n.change == "raised":
            newest |= {(n.kind, subject): n.id for subject in n.subjects}
        else:
            for number in {newest[n.kind, s] for s in n.subjects if (n.kind, s) in newest}:
                reminders[number].append(n)
    return [_matter(n, reminders[n.id], ends) for n in begun]


def _matter(first: Notice, messages: Sequence[Notice], ends: dict[tuple[str, str], list[int]]) -> Matter:
    over = [
        min((at for at in ends.get((first.kind, s), ()) if at >= first.at_ms), default=None) for s in first.subjects
    ]
    known = [at for at in over if at is not None]
    answers = [n for n in messages if n.answered_ms is not None]
    answer = min(answers, key=lambda n: n.answered_ms or 0, default=None)
    return Matter(
        first.id,
        first.kind,
        first.subjects,
        first.urgency,
        first.title,
        first.at_ms,
        len(messages),
        None if answer is None else answer.answered_ms,
        "" if answer is None else answer.answer,
        max(known) if len(known) == len(over) and known else None,
    )


@dataclass(frozen=True, slots=True)
class KindMet:
    """All matters of one kind and urgency: how many were answered and how soon in the middle, were over by themselves
    and how soon, and are still true without an answer."""

    kind: str
    urgency: Urgency
    times: int
    messages: int
    answered: int
    answered_after_s: float | None
    by_itself: int
    lasted_s: float | None
    open: int


def by_kind(told: Iterable[Matter]) -> tuple[KindMet, ...]:
    """The most urgent first, and of these what came most often."""
    groups: dict[tuple[str, Urgency], list[Matter]] = {}
    for matter in told:
        groups.setdefault((matter.kind, matter.urgency), []).append(matter)
    found = []
    for (kind, urgency), of in groups.items():
        waits = [x.answered_after_s for x in of if x.answered_after_s is not None]
        alone = [x.lasted_s for x in of if not x.answered and x.lasted_s is not None]
        found.append(
            KindMet(
                kind,
                urgency,
                len(of),
                sum(x.messages for x in of),
                len(waits),
                median(waits) if waits else None,
                len(alone),
                median(alone) if alone else None,
                len(of) - len(waits) - len(alone),
            )
        )
    return tuple(sorted(found, key=lambda k: (URGENCIES.index(k.urgency), -k.times, k.kind)))
