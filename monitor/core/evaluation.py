"""The one entry: a snapshot in, changed conditions and notices out.

``evaluate`` is pure: the same snapshot gives the same outcome, so a replayed season gives the same notices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.core.conditions import Condition, Phase, Transition, advance
from monitor.core.kinds import Kind, Look, all_kinds
from monitor.core.notices import Notice, compose
from monitor.core.snapshot import Snapshot


@dataclass(frozen=True)
class Outcome:
    """What one tick came to. ``conditions`` are those whose stored state differs; ``snapshot`` what was judged."""

    snapshot: Snapshot
    conditions: tuple[Condition, ...]
    transitions: tuple[Transition, ...]
    notices: tuple[Notice, ...]


def evaluate(snapshot: Snapshot, kinds: Sequence[Kind] | None = None) -> Outcome:
    """Advance every condition to ``snapshot.now_ms`` and say who is told what."""
    snapshot = replace(snapshot, conditions={k: _not_ahead(c, snapshot.now_ms) for k, c in snapshot.conditions.items()})
    changed: list[Condition] = []
    transitions: list[Transition] = []
    notices: list[Notice] = []
    for kind in all_kinds() if kinds is None else kinds:
        looks = {look.subject: look for look in kind.look(snapshot)}
        conditions, moves = _advance_kind(kind, looks, snapshot)
        notices += compose(kind, moves, looks, snapshot.conditions, snapshot)
        changed += conditions
        transitions += moves
    return Outcome(snapshot, tuple(changed), tuple(transitions), tuple(notices))


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
        delay_from_ms=None,
        last_ms=now_ms - 1,
    )


def _advance_kind(kind: Kind, looks: dict[str, Look], snapshot: Snapshot) -> tuple[list[Condition], list[Transition]]:
    before = {s: c for (k, s), c in snapshot.conditions.items() if k == kind.name}
    after: dict[str, Condition] = {}
    moves: list[Transition] = []
    for subject, look in looks.items():
        old = before.get(subject, Condition(kind.name, subject))
        new, made = advance(old, look.samples, look.rule)
        after[subject] = replace(new, facts=dict(look.facts)) if look.samples else new
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
    return [c for s, c in after.items() if c != before.get(s, Condition(kind.name, s))], moves
