"""The one entry: a snapshot in, changed conditions and notices out.

``evaluate`` is pure: the same snapshot gives the same outcome, so a replayed season gives the same notices.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace

from monitor.core.notices.conditions import Condition, Phase, Transition, advance, too_long
from monitor.core.notices.grouping import tell
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.kinds.checks import CHECKS
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import compose
from monitor.core.notices.snapshot import Snapshot
from monitor.values import dataclass


@dataclass(frozen=True)
class Outcome:
    """What one tick came to. ``conditions`` are those whose stored state differs; ``snapshot`` what was judged;
    ``failed`` the kinds that could not be looked at, with the reason."""

    snapshot: Snapshot
    conditions: tuple[Condition, ...]
    transitions: tuple[Transition, ...]
    notices: tuple[Notice, ...]
    failed: Mapping[str, str] = field(default_factory=dict)


def at_once() -> tuple[Kind, ...]:
    """The kinds that come first."""
    return tuple(k for k in all_kinds() if k.at_once)


def evaluate(
    snapshot: Snapshot, kinds: Sequence[Kind] | None = None, *, failed_before: Mapping[str, str] | None = None
) -> Outcome:
    """Advance every condition to ``snapshot.now_ms`` and say who is told what.

    Each kind looks at the conditions as they were before, whatever became of the others: so nothing but the order of
    the notices hangs on which are judged first. ``failed_before``: which of the same moment could not be.

    A kind that fails is left out of this tick: its conditions stay as they are, the others are judged, and that it
    failed is a condition of the service (``check-failed``).
    """
    before = snapshot.conditions
    snapshot = replace(snapshot, conditions={k: _not_ahead(c, snapshot.now_ms) for k, c in before.items()})
    changed: list[Condition] = []
    transitions: list[Transition] = []
    notices: list[Notice] = []
    failed: dict[str, str] = dict(failed_before or {})
    by_kind: dict[str, dict[str, Condition]] = {}
    for (name, subject), condition in snapshot.conditions.items():
        by_kind.setdefault(name, {})[subject] = condition
    # That checks failed is known when all others were made.
    for kind in sorted(all_kinds() if kinds is None else kinds, key=lambda k: (k.name == CHECKS, not k.at_once)):
        if kind.name == CHECKS:
            service = replace(snapshot.service, checks_failed={**snapshot.service.checks_failed, **failed})
            snapshot = replace(snapshot, service=service)
        try:
            after, moves, made = _judge(kind, by_kind.get(kind.name, {}), snapshot)
        except Exception as error:  # noqa: BLE001 - whatever is wrong with one kind, the others must be looked at
            failed[kind.name] = place_of(error)
            continue
        changed += [c for s, c in after.items() if c != (before.get(c.key) or Condition(kind.name, s))]
        transitions += moves
        notices += made
    snapshot = replace(snapshot, conditions=before)
    return Outcome(snapshot, tuple(changed), tuple(transitions), tuple(notices), failed)


def _judge(
    kind: Kind, before: Mapping[str, Condition], snapshot: Snapshot
) -> tuple[Mapping[str, Condition], list[Transition], list[Notice]]:
    """One kind: its conditions by subject, what changed, and what is told of it."""
    looks = {look.subject: look for look in kind.look(snapshot)}
    after, moves = _advance_kind(kind, before, looks, snapshot)
    told = tell(kind, after, moves, looks, snapshot)
    return told.conditions, [*moves, *told.along], compose(kind, told, looks, snapshot)


def place_of(error: Exception) -> str:
    """What went wrong, and where in the program."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = ""
    if trace is not None:
        file = trace.tb_frame.f_code.co_filename.replace("\\", "/").rsplit("/", 1)[-1]
        place = f" ({file}, line {trace.tb_lineno})"
    return f"{type(error).__name__}: {' '.join(str(error).split())[:200]}{place}"


def _not_ahead(condition: Condition, now_ms: int) -> Condition:
    """A condition with times later than now, since the clock was set back, is judged on from now.

    Otherwise every moment until the clock is there again would count as judged already, and nothing be told, or told
    again; and a shelf would last as much longer.
    """
    c = condition
    shelf_ms = c.shelved_until_ms
    if shelf_ms is not None and too_long(shelf_ms, now_ms):
        shelf_ms = now_ms
    later = (c.since_ms, c.changed_ms, c.told_ms, c.acknowledged_ms, c.over_ms)
    if shelf_ms != c.shelved_until_ms or any(at is not None and at > now_ms for at in later):
        since, changed, told, acknowledged, over = (None if at is None else min(at, now_ms) for at in later)
        c = replace(
            c,
            since_ms=since,
            changed_ms=changed,
            told_ms=told,
            acknowledged_ms=acknowledged,
            over_ms=over,
            shelved_until_ms=shelf_ms,
        )
    if c.last_ms is None or c.last_ms <= now_ms:
        return c
    phase = {Phase.RISING: Phase.CLEAR, Phase.FALLING: Phase.RAISED}.get(c.phase, c.phase)
    return replace(c, phase=phase, delay_from_ms=None, last_ms=now_ms - 1)


def _rewound(condition: Condition, again_from_ms: int | None) -> Condition:
    """As it was before the samples that are judged once more."""
    if again_from_ms is None or condition.up or condition.last_ms is None or condition.last_ms < again_from_ms:
        return condition
    return replace(condition, phase=Phase.CLEAR, delay_from_ms=None, last_ms=again_from_ms - 1)


def _advance_kind(
    kind: Kind, before: Mapping[str, Condition], looks: Mapping[str, Look], snapshot: Snapshot
) -> tuple[dict[str, Condition], list[Transition]]:
    after: dict[str, Condition] = {}
    moves: list[Transition] = []
    for subject, look in looks.items():
        old = before.get(subject) or Condition(kind.name, subject)
        after[subject] = old
        if look.samples:
            rewound = _rewound(old, look.again_from_ms)
            after[subject], made = advance(rewound, look.samples, look.rule, dict(look.facts))
            moves += made
    for subject, condition in before.items():
        if subject not in looks and condition.phase is Phase.CLEAR and condition.over_ms is not None:
            after[subject] = condition
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
