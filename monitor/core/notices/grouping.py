"""What has one cause is told together: which changes of a kind are told at this tick, which wait, and with what.

A heater that has died takes its boxes below their limits one after the other, over hours. The first is told at once,
and with it all whose delay is running. What follows waits for the first of

- the next time that the matter is told again, because nobody has answered,
- half an hour since the first that waits was raised,
- one that is more urgent, by the time left to harm, than what the keeper was told so far,

and is then told in one notice, as "also", together with what is still true and unanswered. Each counts from its own
first telling how often it was told, and all are told again with the first of them that is due. That a box has come
where harm begins is told at once, and then the notice of its limit is told again for both. Ends wait as long for each
other. Only those wait for whom everybody was told of the first: stacks that go to different people never do.

That something waits follows from its state (raised and not told, ended and not told), so a restart forgets nothing,
and what came and went while it waited is told with its times.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from typing import Final

from monitor.core.notices.conditions import Condition, Phase, Transition, raised_early
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import URGENCIES, Urgency, Watch
from monitor.values import dataclass

# A further subject of a kind has the cause of the others when one of them was raised within this time.
JOIN_MS: Final = 6 * 3_600_000
# So long what follows waits for more. Judgement, no source: as long as until the first reminder.
GATHER_MS: Final = 30 * 60_000
# An end does not wait for what has been so for longer.
LONG_MS: Final = 24 * 3_600_000
# Reminders come at doubling distances, but at least once a day.
LONGEST_REMINDER_S: Final = 86_400.0


@dataclass(frozen=True)
class Telling:
    """What one kind tells at one tick.

    ``new``: raised and told for the first time (``joins``: as further ones of a cause that was told); ``again``: told
    before and still true; ``ended``: over; of those ``passed`` were never told while they lasted. ``reach``,
    ``reach_ended``: whoever takes this urgency is told as well, because they were told, or would have been, of the
    others. ``conditions``: those of the kind by subject, with what is told or waits noted; ``along``: what was raised
    along.
    """

    conditions: Mapping[str, Condition] = field(default_factory=dict)
    along: tuple[Transition, ...] = ()
    new: tuple[Transition, ...] = ()
    joins: bool = False
    again: tuple[Condition, ...] = ()
    ended: tuple[Transition, ...] = ()
    passed: Mapping[str, Transition] = field(default_factory=dict)
    urgency: Urgency = "later"
    reach: Urgency | None = None
    reach_ended: Urgency | None = None


def tell(
    kind: Kind,
    advanced: Mapping[str, Condition],
    moves: Sequence[Transition],
    looks: Mapping[str, Look],
    snapshot: Snapshot,
) -> Telling:
    """Decide it for one kind. ``advanced``: its conditions by subject, advanced to now by ``moves``."""
    if not moves and not any(c.up or c.over_ms is not None for c in advanced.values()):
        return Telling(advanced)
    after = dict(advanced)
    along: list[Transition] = []
    now_ms = snapshot.now_ms
    passed = _passed(kind, moves, looks, snapshot)

    def urgency_of(subject: str) -> Urgency:
        look = looks.get(subject)
        return (look.urgency if look is not None else None) or kind.urgency

    waiting = [c for s, c in after.items() if s in looks and _untold(c, now_ms)]
    ready, joins, reach = _ready(kind, waiting, after, urgency_of, snapshot)
    again, due = _again(kind, after, looks, urgency_of, snapshot)
    if kind.groups and (ready or due):
        # One cause: what is on its way is raised along, so that a cold room is one notice and not twenty.
        raised, along = _raised_along(kind, after)
        after |= raised
        ready += [c for c in raised.values() if not c.shelved(now_ms)]
        if due:
            known = {c.subject for c in ready}
            ready += [c for c in waiting if c.subject not in known]
    joins = joins or (kind.groups and due and bool(ready))
    if not (due or joins):
        again = []
    new = [Transition(kind.name, c.subject, "raised", c.changed_ms or now_ms, c.since_ms or now_ms, "") for c in ready]
    if not kind.tell_cleared:
        new += passed.values()
    subjects = [t.subject for t in new] + [c.subject for c in again]
    urgency = _most(urgency_of(s) for s in subjects) if subjects else "later"
    for c in again:
        after[c.subject] = _told(after[c.subject], c.told + 1, urgency, looks, now_ms)
    for t in new:
        if after[t.subject].up:
            after[t.subject] = _told(after[t.subject], 1, urgency, looks, now_ms)
    ended, after = _ended(kind, after, [*moves, *along], looks, passed, snapshot)
    # RFC 8632: whoever was told that it began is always told that it is over.
    told_as = [c.told_as for t in ended if (c := after[t.subject]).told > 0 and c.told_as]
    reach_ended: list[Urgency] = [*told_as, *(urgency_of(s) for s in passed)]
    return Telling(
        conditions=after,
        along=tuple(along),
        new=tuple(new),
        joins=joins,
        again=tuple(again),
        ended=tuple(ended),
        passed={s: t for s, t in passed.items() if any(e.subject == s for e in ended)},
        urgency=urgency,
        reach=reach,
        reach_ended=_most(reach_ended) if reach_ended else None,
    )


def _told(c: Condition, times: int, urgency: Urgency, looks: Mapping[str, Look], now_ms: int) -> Condition:
    value = looks[c.subject].value if c.subject in looks else ""
    return replace(c, told_ms=now_ms, told=times, told_as=urgency, told_value=value)


def _most(urgencies: Iterable[Urgency]) -> Urgency:
    return min(urgencies, key=URGENCIES.index)


def _untold(c: Condition, now_ms: int) -> bool:
    """Raised, and the keeper neither told nor aware of it; what was shelved meanwhile is told when the shelf ends."""
    return c.up and c.told == 0 and c.acknowledged_ms is None and not c.shelved(now_ms)


def _wave(after: Mapping[str, Condition], now_ms: int) -> list[Condition]:
    """What was told of a cause that may go on: raised lately, and still true."""
    return [
        c
        for c in after.values()
        if c.up
        and c.told > 0
        and not c.shelved(now_ms)
        and c.changed_ms is not None
        and now_ms - c.changed_ms < JOIN_MS
    ]


def _ready(
    kind: Kind,
    waiting: list[Condition],
    after: Mapping[str, Condition],
    urgency_of: Callable[[str], Urgency],
    snapshot: Snapshot,
) -> tuple[list[Condition], bool, Urgency | None]:
    """Of what waits, that which is told now; whether it joins others; and who is to be told because of those."""
    if not kind.groups:
        return list(waiting), False, None
    ready: list[Condition] = []
    joins, first = False, False
    reach: Urgency | None = None
    wave = _wave(after, snapshot.now_ms)
    for audience in sorted({snapshot.audience(c.subject) for c in waiting}):
        group = [c for c in waiting if snapshot.audience(c.subject) == audience]
        before = [c for c in wave if snapshot.audience(c.subject) == audience]
        if not before:
            ready += group
            first = True
            continue
        as_told = _most(c.told_as or kind.urgency for c in before)
        own = _most(urgency_of(c.subject) for c in group)
        since_ms = min(c.changed_ms or snapshot.now_ms for c in group)
        pressing = URGENCIES.index(own) < URGENCIES.index(as_told)
        # Where an end is not told, what came and went while it waited could not be told either.
        if pressing or not kind.tell_cleared or snapshot.now_ms - since_ms >= GATHER_MS:
            ready += group
            joins = True
        reach = as_told if reach is None else _most((reach, as_told))
    return ready, joins and not first, reach


def _raised_along(kind: Kind, after: Mapping[str, Condition]) -> tuple[dict[str, Condition], list[Transition]]:
    """What is on its way, raised before its delay has run out."""
    raised, along = {}, []
    for subject, c in after.items():
        if c.phase is not Phase.RISING or c.delay_from_ms is None or c.last_ms is None:
            continue
        raised[subject] = raised_early(c)
        along.append(Transition(kind.name, subject, "raised", c.last_ms, c.delay_from_ms, "raised along"))
    return raised, along


def _again(
    kind: Kind,
    after: Mapping[str, Condition],
    looks: Mapping[str, Look],
    urgency_of: Callable[[str], Urgency],
    snapshot: Snapshot,
) -> tuple[list[Condition], bool]:
    """What is still true and unanswered, and whether it is due to be told again by itself.

    By its urgency alone, of whatever kind (:func:`remind_after_s`). Where subjects have one cause, all are told again
    with the first that is due: a warm room is one notice each time.
    """
    now_ms, watch = snapshot.now_ms, snapshot.room.watch
    worse = [k.name for k in all_kinds() if kind.name in k.reminded_by]
    found, due = [], []
    for subject, c in after.items():
        # What is back is not told again while it is waited whether it stays so.
        if subject not in looks or not _asks(c, now_ms) or c.back_ms is not None:
            continue
        wait_s = remind_after_s(urgency_of(subject), c.told, watch)
        if wait_s is None:
            continue
        found.append(c)
        left = any(_asks(snapshot.conditions.get((name, subject)), now_ms) for name in kind.reminded_by)
        if not left and (c.told_ms is None or now_ms >= _due_ms(c, wait_s, urgency_of(subject), worse, snapshot)):
            due.append(c)
    return (found if kind.groups else due), bool(due)


def _asks(c: Condition | None, now_ms: int) -> bool:
    """Whether it was told, is still true, and nobody has answered or put it aside."""
    return c is not None and c.up and c.told > 0 and not c.answered and not c.shelved(now_ms)


def _due_ms(c: Condition, wait_s: float, urgency: Urgency, worse: Sequence[str], snapshot: Snapshot) -> int:
    """When it is due to be told again. With the telling that it has become worse, by a kind of its own whose reminders
    are left to this one, the distances begin anew: half an hour after it, an hour after that, and so on."""
    assert c.told_ms is not None
    at = [x.told_ms for name in worse if (x := snapshot.conditions.get((name, c.subject))) is not None and x.up]
    worse_ms = max((x for x in at if x is not None), default=None)
    if worse_ms is None or c.since_ms is None or worse_ms < c.since_ms:
        return c.told_ms + round(wait_s * 1000)
    first_s = remind_after_s(urgency, 1, snapshot.room.watch) or wait_s
    anew_s = first_s + max(c.told_ms - worse_ms, 0) / 1000
    return max(c.told_ms, worse_ms) + round(min(anew_s, wait_s, LONGEST_REMINDER_S) * 1000)


def remind_after_s(urgency: Urgency, told: int, watch: Watch) -> float | None:
    """Seconds from the last telling to the next while nobody answers; None: there is no reminder.

    ``told``: how often it was told already. Each wait is twice the one before, a day at most.
    """
    base = {"now": watch.repeat_now_s, "today": watch.repeat_today_s, "later": 0.0}[urgency]
    return min(base * 2.0 ** (max(told, 1) - 1), LONGEST_REMINDER_S) if base > 0.0 else None


def _passed(
    kind: Kind,
    moves: Sequence[Transition],
    looks: Mapping[str, Look],
    snapshot: Snapshot,
) -> dict[str, Transition]:
    """What is over and was never told while it lasted: with readings that came late, or while it waited for others."""
    found = {}
    last = {t.subject: t for t in moves}
    for subject, t in last.items():
        old = snapshot.conditions.get((kind.name, subject))
        if t.change != "cleared" or (old is not None and old.shelved(snapshot.now_ms)):
            continue
        raises = [m for m in moves if m.subject == subject and m.change == "raised"]
        if raises and (old is None or not old.up or old.told == 0):
            found[subject] = raises[-1]
        elif old is not None and _untold(old, snapshot.now_ms):
            at_ms, since_ms = old.changed_ms or t.at_ms, old.since_ms or t.since_ms
            found[subject] = Transition(kind.name, subject, "raised", at_ms, since_ms, "")
    return found if kind.tell_cleared else {s: t for s, t in found.items() if s in looks}


def _ended(
    kind: Kind,
    advanced: Mapping[str, Condition],
    moves: Sequence[Transition],
    looks: Mapping[str, Look],
    passed: Mapping[str, Transition],
    snapshot: Snapshot,
) -> tuple[list[Transition], dict[str, Condition]]:
    """The ends that are told now, and the conditions with what waits. Those of one cause wait for each other, half an
    hour at most."""
    after = dict(advanced)
    if not kind.tell_cleared:
        return [], after
    now_ms = snapshot.now_ms
    fresh = {}
    for t in moves:
        old = snapshot.conditions.get((t.kind, t.subject))
        if old is None or not old.shelved(now_ms):
            fresh[t.subject] = t
    for subject, t in fresh.items():
        if t.change == "cleared":
            after[subject] = replace(after[subject], over_ms=now_ms)
    over = {s: c for s, c in after.items() if c.over_ms is not None}
    more = kind.groups and any(
        c.up and not c.shelved(now_ms) and now_ms - (c.changed_ms or 0) < LONG_MS for c in after.values()
    )
    hurry = any(s in passed or s not in looks or c.up or c.shelved(now_ms) for s, c in over.items())
    oldest = min((c.over_ms for c in over.values() if c.over_ms is not None), default=now_ms)
    if more and not hurry and now_ms - oldest < GATHER_MS:
        return [], after
    found = []
    for subject, c in over.items():
        assert c.over_ms is not None
        made = fresh.get(subject)
        if made is not None and made.change == "cleared":
            found.append(made)
        else:
            began_ms = c.since_ms if not c.up and c.since_ms is not None else c.over_ms
            changed_ms = c.changed_ms if not c.up and c.changed_ms is not None else c.over_ms
            found.append(Transition(kind.name, subject, "cleared", changed_ms, began_ms, ""))
        after[subject] = replace(c, over_ms=None)
    return found, after
