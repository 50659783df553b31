"""The life of a condition: a small state machine, written as a table.

A condition is something true of a subject now (RFC 8632: identity is the pair of kind and subject, updates on the
same pair are the same condition). Two axes are kept apart, as RFC 8632 and ISA-18.2 have them: what the world
does (raised or cleared) and what the keeper does (acknowledged, shelved). Clearing never acknowledges and
acknowledging never clears.

What the world does runs through four states:

    =========  =======================================================================
    clear      nothing is wrong
    rising     beyond the limit, for less than the on-delay; nobody has been told
    raised     beyond the limit for the on-delay; told
    falling    back by more than the deadband, for less than the off-delay
    =========  =======================================================================

driven by samples at strictly increasing times. A sample is *beyond* (at or past the limit: limits are
inclusive), *back* (past the limit by more than the deadband) or *between*. On- and off-delay, deadband: OPC UA
Part 9, B.1.5. When two samples are further apart than the maximum gap, a delay that was running starts anew:
no evidence is invented across a gap, and the state is kept.

What is raised again within hours of its end comes and goes; then it is over only when it has been back for hours
(``Rule.settles_s``), so that a box that is held at its limit is one notice and not one for each time.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from operator import attrgetter
from typing import Final, Literal

from monitor.core.terms.formats import name_eggs
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.values import dataclass


class Phase(enum.StrEnum):
    """What the world does."""

    CLEAR = "clear"
    RISING = "rising"
    RAISED = "raised"
    FALLING = "falling"


_UP: Final = (Phase.RAISED, Phase.FALLING)


class Where(enum.StrEnum):
    """A sample against the limit."""

    BEYOND = "beyond"
    BETWEEN = "between"
    BACK = "back"


class DelayAction(enum.StrEnum):
    """What the table says to do."""

    NONE = "none"
    START = "start the delay"
    WAIT = "let the delay run"
    DROP = "forget the delay"


# (phase, where) -> (phase while the delay runs, what happens to the delay). A delay that has run out moves
# RISING to RAISED and FALLING to CLEAR; see `advance`.
TABLE: Final[Mapping[tuple[Phase, Where], tuple[Phase, DelayAction]]] = {
    (Phase.CLEAR, Where.BEYOND): (Phase.RISING, DelayAction.START),
    (Phase.CLEAR, Where.BETWEEN): (Phase.CLEAR, DelayAction.NONE),
    (Phase.CLEAR, Where.BACK): (Phase.CLEAR, DelayAction.NONE),
    (Phase.RISING, Where.BEYOND): (Phase.RISING, DelayAction.WAIT),
    (Phase.RISING, Where.BETWEEN): (Phase.CLEAR, DelayAction.DROP),
    (Phase.RISING, Where.BACK): (Phase.CLEAR, DelayAction.DROP),
    (Phase.RAISED, Where.BEYOND): (Phase.RAISED, DelayAction.NONE),
    (Phase.RAISED, Where.BETWEEN): (Phase.RAISED, DelayAction.NONE),
    (Phase.RAISED, Where.BACK): (Phase.FALLING, DelayAction.START),
    (Phase.FALLING, Where.BEYOND): (Phase.RAISED, DelayAction.DROP),
    (Phase.FALLING, Where.BETWEEN): (Phase.RAISED, DelayAction.DROP),
    (Phase.FALLING, Where.BACK): (Phase.FALLING, DelayAction.WAIT),
}
_DONE: Final = {Phase.RISING: Phase.RAISED, Phase.FALLING: Phase.CLEAR}

Change = Literal["raised", "cleared"]

# The kinds by name, as the files of ``kinds`` define them (a test checks it): by these they know of each other.
KindName = Literal[
    "answers-blocked",
    "backup-missing",
    "battery-low",
    "broker-refused",
    "calibration-due",
    "check-failed",
    "clock-untrusted",
    "condensation-near",
    "disk-low",
    "gateway-gone",
    "harm-near",
    "harm-reached",
    "heading",
    "heartbeat-unanswered",
    "heat-exposure",
    "heat-sum",
    "heater-weak",
    "notices-stuck",
    "others-expected",
    "probe-clock",
    "probe-drifting",
    "probe-in-air",
    "probe-jumps",
    "probe-out",
    "probe-quiet",
    "probe-saturated",
    "probe-stuck",
    "probe-too-often",
    "probe-unit",
    "probe-unread",
    "probes-swapped",
    "room-quiet",
    "shipping-behind",
    "siblings-apart",
    "stack-uneven",
    "store-damaged",
    "store-failing",
    "too-cool",
    "too-damp",
    "too-dry",
    "too-warm",
    "was-away",
    "water-loss",
    "window-near",
    "window-open",
    "window-past",
]

# A shelf ends within a week: what is shelved for good is forgotten.
LONGEST_SHELF_MS: Final = 7 * DAY_MS
# A clock that is set back by less leaves a shelf alone.
_SHELF_GRACE_MS: Final = DAY_MS

# What begins so soon after its end is the same matter (judgement, no source).
AGAIN_MS: Final = 6 * HOUR_MS
ENDED_BEFORE: Final = "ended_before_ms"
"""Fact of a condition that is raised: when it was over the last time before."""
CAME_BACK: Final = "came_back_ms"
"""Fact of one that comes and goes: when it came last, after it had been gone for the plain off-delay."""

# The fields of a condition by who decides them: the world, the keeper, and what was told. They are stored at once when
# one of them changes. What was judged besides is stored with them, and not by itself: judged again after a restart it
# comes to the same, and the disk is spared.
WORLD: Final = ("phase", "since_ms", "changed_ms", "delay_from_ms")
KEEPER: Final = ("acknowledged_ms", "shelved_until_ms")
TELLING: Final = ("told_ms", "told", "told_as", "told_value", "over_ms")
JUDGED: Final = ("last_ms", "dropped", "facts")
_WORLD_OF: Final = attrgetter(*WORLD)
_STORED_AT_ONCE: Final = attrgetter(*WORLD, *KEEPER, *TELLING)


@dataclass(frozen=True, slots=True)
class Sample:
    """One judged moment of a subject."""

    at_ms: int
    where: Where
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """Delays of a kind for one subject, in seconds. ``max_gap_s`` None: samples have no gaps (ticks).

    ``settles_s``: the off-delay of what comes and goes, that is of what was raised within AGAIN_MS of its last end.
    """

    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    max_gap_s: float | None = None
    settles_s: float = 0.0

    def back_for_s(self, raised_ms: int | None, ended_before_ms: int | None) -> float:
        """How long it has to be back to be over, by when it was raised and when it was over the last time before."""
        if raised_ms is None or ended_before_ms is None or raised_ms - ended_before_ms >= AGAIN_MS:
            return self.off_delay_s
        return max(self.off_delay_s, self.settles_s)


@dataclass(frozen=True, slots=True)
class Condition:
    """State of one (kind, subject).

    ``since_ms`` is when the state changed in the world (the first sample beyond the limit for a raise, the
    first sample back for a clear), ``changed_ms`` when the delay had run out. ``delay_from_ms`` is the running
    delay's start. ``facts`` are the numbers that a notice shows.
    ``told_ms`` is when the keeper was last told of this raise, ``told`` how often so far, ``told_as`` how urgently, and
    ``told_value`` with which value, in words.
    ``over_ms``: it has ended then, and the end is not told yet.
    """

    kind: str
    subject: str
    phase: Phase = Phase.CLEAR
    since_ms: int | None = None
    changed_ms: int | None = None
    delay_from_ms: int | None = None
    last_ms: int | None = None
    dropped: int = 0
    acknowledged_ms: int | None = None
    shelved_until_ms: int | None = None
    facts: Mapping[str, str | float | int | None] = field(default_factory=dict)
    told_ms: int | None = None
    told: int = 0
    told_as: Literal["", "now", "today", "later"] = ""
    told_value: str = ""
    over_ms: int | None = None

    @property
    def key(self) -> tuple[str, str]:
        return self.kind, self.subject

    @property
    def up(self) -> bool:
        """Raised, whether or not an off-delay is running."""
        return self.phase in _UP

    @property
    def answered(self) -> bool:
        """Whether somebody has answered it, and it did not go and come back since."""
        return answered(self.acknowledged_ms, self.facts)

    @property
    def back_ms(self) -> int | None:
        """Since when it has been back, while it is waited whether it stays so; None: it is not back, or over."""
        return self.delay_from_ms if self.phase is Phase.FALLING else None

    @property
    def ended_before_ms(self) -> int | None:
        """When it was over the last time before it was raised, or was as it is not; None: it never was raised."""
        if not self.up:
            return self.changed_ms
        ended = self.facts.get(ENDED_BEFORE)
        return ended if isinstance(ended, int) else None

    def shelved(self, now_ms: int) -> bool:
        return self.shelved_until_ms is not None and now_ms < self.shelved_until_ms

    def differs(self, stored: Condition) -> bool:
        """Whether it is another one than is stored, in more than what was judged last."""
        return _STORED_AT_ONCE(self) != _STORED_AT_ONCE(stored)

    def judged_on(self, later: Condition) -> Condition:
        """As stored, but judged on as far as ``later`` was; where the world is another one there, as stored."""
        if _WORLD_OF(self) != _WORLD_OF(later):
            return self
        # Where all else is the same, too, it is the later one as it stands.
        if _STORED_AT_ONCE(self) == _STORED_AT_ONCE(later) and self.key == later.key:
            return later
        return replace(self, **{name: getattr(later, name) for name in JUDGED})

    def with_keepers_part(self, stored: Condition, *, raised: bool) -> Condition:
        """With what the keeper did since this one was read; a new raise is acknowledged by nobody."""
        acknowledged = self.acknowledged_ms
        if not self.answered and not raised and stored.acknowledged_ms is not None:
            acknowledged = max(acknowledged or 0, stored.acknowledged_ms)
        shelf, judged = stored.shelved_until_ms, self.shelved_until_ms
        if shelf is not None and judged is not None and too_long(shelf, judged):
            # The evaluation has ended it.
            shelf = judged
        return replace(self, acknowledged_ms=acknowledged, shelved_until_ms=shelf)


def name_subject(kind: str, subject: str) -> str:
    """What a condition is about as a keeper calls it; its id is what is typed."""
    return subject.replace("/", " and ") if kind == "probes-swapped" else name_eggs(subject)


def answered(acknowledged_ms: int | None, facts: Mapping[str, str | float | int | None]) -> bool:
    """See :attr:`Condition.answered`."""
    came = facts.get(CAME_BACK)
    return acknowledged_ms is not None and not (isinstance(came, int) and came > acknowledged_ms)


def too_long(shelf_ms: int, now_ms: int) -> bool:
    """Whether a shelf ends later than any that was set by now: it was set while the clock was ahead."""
    return shelf_ms > now_ms + LONGEST_SHELF_MS + _SHELF_GRACE_MS


@dataclass(frozen=True, slots=True)
class Transition:
    """A change of the world's axis, with its reason."""

    kind: str
    subject: str
    change: Change
    at_ms: int
    since_ms: int
    reason: str


def advance(
    condition: Condition,
    samples: Iterable[Sample],
    rule: Rule,
    facts: Mapping[str, str | float | int | None] | None = None,
) -> tuple[Condition, list[Transition]]:
    """Run samples through the table. ``facts``: what is known with the newest of them; None: as before.

    Samples not later than the last one judged are dropped and counted: a late reading is not judged twice.
    Returns the new state and the transitions in order.
    """
    phase, since, start = condition.phase, condition.since_ms, condition.delay_from_ms
    changed, last, dropped = condition.changed_ms, condition.last_ms, condition.dropped
    acknowledged, told_ms, told = condition.acknowledged_ms, condition.told_ms, condition.told
    ended, came = condition.ended_before_ms, condition.facts.get(CAME_BACK)
    transitions: list[Transition] = []
    for sample in samples:
        if last is not None and sample.at_ms <= last:
            dropped += 1
            continue
        if last is not None and rule.max_gap_s is not None and sample.at_ms - last > rule.max_gap_s * 1000:
            if phase is Phase.RISING:
                phase = Phase.CLEAR
            elif phase is Phase.FALLING:
                phase = Phase.RAISED
            start = None
        last = sample.at_ms
        if phase is Phase.FALLING and sample.where is Where.BEYOND and start is not None:
            came = sample.at_ms if last - start >= rule.off_delay_s * 1000 else came
        phase, action = TABLE[phase, sample.where]
        if action is DelayAction.START:
            start = sample.at_ms
        elif action is DelayAction.DROP:
            start = None
        if phase in _DONE:
            assert start is not None
            delay_s = rule.on_delay_s if phase is Phase.RISING else rule.back_for_s(changed, ended)
            if sample.at_ms - start >= delay_s * 1000:
                phase = _DONE[phase]
                change: Change = "raised" if phase is Phase.RAISED else "cleared"
                ended = changed if change == "raised" else sample.at_ms
                since, changed, start = start, sample.at_ms, None
                if change == "raised":
                    acknowledged, told_ms, told, came = None, None, 0, None
                reason = (
                    f"{'beyond the limit' if change == 'raised' else 'back'} for {(sample.at_ms - since) / 1000:.0f} s"
                    f" (delay {delay_s:.0f} s)"
                )
                transitions.append(Transition(condition.kind, condition.subject, change, sample.at_ms, since, reason))
    known = dict(condition.facts if facts is None else facts)
    if rule.settles_s:
        known |= {name: at for name, at in ((ENDED_BEFORE, ended), (CAME_BACK, came)) if at is not None}
    # Made by itself and not by `replace`, which takes four times as long: all conditions pass here in each round.
    new = Condition(
        condition.kind,
        condition.subject,
        phase,
        since,
        changed,
        start,
        last,
        dropped,
        acknowledged,
        condition.shelved_until_ms,
        known,
        told_ms,
        told,
        condition.told_as,
        condition.told_value,
        condition.over_ms,
    )
    return new, transitions


def raised_early(condition: Condition) -> Condition:
    """One whose on-delay is running, raised before it has run out; as :func:`advance` raises it."""
    assert condition.phase is Phase.RISING
    ended = condition.ended_before_ms
    known = {name: value for name, value in condition.facts.items() if name != CAME_BACK}
    return replace(
        condition,
        phase=Phase.RAISED,
        since_ms=condition.delay_from_ms,
        changed_ms=condition.last_ms,
        delay_from_ms=None,
        acknowledged_ms=None,
        told_ms=None,
        told=0,
        facts=known if ended is None else known | {ENDED_BEFORE: ended},
    )


def above(at_ms: int, value: float, limit: float, deadband: float) -> Sample:
    """A sample against an upper limit."""
    where = Where.BEYOND if value >= limit else Where.BACK if value < limit - deadband else Where.BETWEEN
    return Sample(at_ms, where, value)


def below(at_ms: int, value: float, limit: float, deadband: float) -> Sample:
    """A sample against a lower limit."""
    where = Where.BEYOND if value <= limit else Where.BACK if value > limit + deadband else Where.BETWEEN
    return Sample(at_ms, where, value)


def holds(at_ms: int, true: bool | None) -> tuple[Sample, ...]:
    """A yes-or-no moment; None (not known) is no sample at all."""
    if true is None:
        return ()
    return (Sample(at_ms, Where.BEYOND if true else Where.BACK),)
