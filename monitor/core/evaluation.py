"""The one entry: a snapshot in, changed conditions and notices out.

``evaluate`` is pure: the same snapshot gives the same outcome, so a replayed season gives the same notices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.core.conditions import Condition, Phase, Transition, advance
from monitor.core.kinds import Kind, Look, all_kinds
from monitor.core.notices import Notice, compose, remind
from monitor.core.settings import URGENCIES, Urgency, Watch
from monitor.core.snapshot import Snapshot

# A notice that is repeated comes at doubling distances, but at least once a day.
LONGEST_REPEAT_S: Final = 86_400.0


@dataclass(frozen=True)
class Outcome:
    """What one tick came to. ``conditions`` are those whose stored state differs; ``snapshot`` what was judged."""

    snapshot: Snapshot
    conditions: tuple[Condition, ...]
    transitions: tuple[Transition, ...]
    notices: tuple[Notice, ...]


def evaluate(snapshot: Snapshot, kinds: Sequence[Kind] | None = None) -> Outcome:
    """Advance every condition to ``snapshot.now_ms`` and say who is told what."""
    if any(c.last_ms is not None and c.last_ms > snapshot.now_ms for c in snapshot.conditions.values()):
        judged = {k: _not_ahead(c, snapshot.now_ms) for k, c in snapshot.conditions.items()}
        snapshot = replace(snapshot, conditions=judged)
    changed: list[Condition] = []
    transitions: list[Transition] = []
    notices: list[Notice] = []
    for kind in all_kinds() if kinds is None else kinds:
        looks = {look.subject: look for look in kind.look(snapshot)}
        after, moves = _advance_kind(kind, looks, snapshot)
        made = compose(kind, moves, looks, snapshot.conditions, snapshot)
        raised = {s for n in made if n.change == "raised" for s in n.subjects}
        told = _told_before(kind, after, raised, snapshot.now_ms)
        for subject in raised:
            after[subject] = replace(after[subject], told_ms=snapshot.now_ms, told=max(told, 1))
        made += _reminders(kind, after, looks, snapshot)
        notices += made
        before = snapshot.conditions
        changed += [c for s, c in after.items() if c != before.get(c.key, Condition(kind.name, s))]
        transitions += moves
    return Outcome(snapshot, tuple(changed), tuple(transitions), tuple(notices))


def _unanswered(condition: Condition, now_ms: int) -> bool:
    return condition.up and condition.acknowledged_ms is None and not condition.shelved(now_ms)


def _told_before(kind: Kind, after: dict[str, Condition], raised: set[str], now_ms: int) -> int:
    """How often what is raised was told already, for its cause: one that joins others takes on their distances."""
    if not kind.groups:
        return 0
    return max((c.told for s, c in after.items() if s not in raised and _unanswered(c, now_ms)), default=0)


def _reminders(kind: Kind, after: dict[str, Condition], looks: dict[str, Look], snapshot: Snapshot) -> list[Notice]:
    """What is still true and unanswered and due to be told again, in one notice; marks it as told.

    Where subjects have one cause, all are told again with the first that is due: a warm room is one notice each time,
    and not one for each box. A condition that was shelved when it was raised is told when the shelf has run out.
    """
    if not kind.repeats:
        return []
    due, others = [], []
    for subject, condition in after.items():
        if subject not in looks or not _unanswered(condition, snapshot.now_ms):
            continue
        urgency = looks[subject].urgency or kind.urgency
        others.append((condition, urgency))
        wait_s = repeat_after_s(urgency, condition.told, snapshot.room.watch)
        if wait_s is None:
            continue
        if condition.told_ms is None or snapshot.now_ms - condition.told_ms >= wait_s * 1000:
            due.append((condition, urgency))
    if not due:
        return []
    due = others if kind.groups else due
    for condition, _ in due:
        after[condition.subject] = replace(condition, told_ms=snapshot.now_ms, told=condition.told + 1)
    urgency = min((u for _, u in due), key=URGENCIES.index)
    return [remind(kind, [c for c, _ in due], looks, urgency, snapshot)]


def repeat_after_s(urgency: Urgency, told: int, watch: Watch) -> float | None:
    """Seconds from the last telling to the next while nobody answers; None: it is not repeated.

    ``told``: how often it was told already. Each wait is twice the one before, a day at most.
    """
    base = {"now": watch.repeat_now_s, "today": watch.repeat_today_s, "diary": 0.0}[urgency]
    return min(base * 2.0 ** (max(told, 1) - 1), LONGEST_REPEAT_S) if base > 0.0 else None


def _not_ahead(condition: Condition, now_ms: int) -> Condition:
    """A condition that was judged later than now, since the clock was set back, is judged on from now.

    Otherwise every moment until the clock is there again would count as judged already, and nothing be told.
    """
    if condition.last_ms is None or condition.last_ms <= now_ms:
        return condition
    phase = {Phase.RISING: Phase.CLEAR, Phase.FALLING: Phase.RAISED}.get(condition.phase, condition.phase)
    return replace(
        condition,
        phase=phase,
        since_ms=None if condition.since_ms is None else min(condition.since_ms, now_ms),
        changed_ms=None if condition.changed_ms is None else min(condition.changed_ms, now_ms),
        told_ms=None if condition.told_ms is None else min(condition.told_ms, now_ms),
        delay_from_ms=None,
        last_ms=now_ms - 1,
    )


def _advance_kind(
    kind: Kind, looks: dict[str, Look], snapshot: Snapshot
) -> tuple[dict[str, Condition], list[Transition]]:
    before = {s: c for (k, s), c in snapshot.conditions.items() if k == kind.name}
    after: dict[str, Condition] = {}
    moves: list[Transition] = []
    for subject, look in looks.items():
        old = before.get(subject) or Condition(kind.name, subject)
        after[subject] = old
        if look.samples:
            new, made = advance(old, look.samples, look.rule)
            after[subject] = replace(new, facts=dict(look.facts))
            moves += made
    if kind.groups and any(t.change == "raised" for t in moves):
        # One cause: what is on its way is raised along, so that a cold room is one notice and not twenty.
        for subject, condition in after.items():
            if condition.phase is Phase.RISING and condition.delay_from_ms is not None:
                after[subject] = replace(
                    condition,
                    phase=Phase.RAISED,
                    since_ms=condition.delay_from_ms,
                    changed_ms=condition.last_ms,
                    delay_from_ms=None,
                    acknowledged_ms=None,
                    told_ms=None,
                    told=0,
                )
                assert condition.last_ms is not None
                moves.append(
                    Transition(kind.name, subject, "raised", condition.last_ms, condition.delay_from_ms, "raised along")
                )
    for subject, condition in before.items():
        if subject not in looks and condition.phase is not Phase.CLEAR:
            after[subject] = replace(
                condition, phase=Phase.CLEAR, since_ms=snapshot.now_ms, changed_ms=snapshot.now_ms, delay_from_ms=None
            )
            if condition.up:
                moves.append(
                    Transition(
                        kind.name, subject, "cleared", snapshot.now_ms, snapshot.now_ms, "it is no longer watched"
                    )
                )
    return after, moves
