"""What the keeper is told: a notice, made from changes of conditions.

A notice says what, where, since when, the value with its uncertainty and the limit, what to do first and what
happens if nothing is done. Its key is stable, so that a message that had to be sent twice can be recognised.

All subjects of one kind that change at one tick make one notice: a cold room is one notice, not twenty. A box that
joins a condition which the keeper was told of within the last hours is told as "also" and one step less
urgent, since its cause is most likely the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from monitor.core.conditions import Condition, Transition
from monitor.core.kinds import Kind, Look
from monitor.core.settings import URGENCIES, Urgency
from monitor.core.snapshot import Snapshot, show_day, show_temperature, show_time

NoticeChange = Literal["raised", "still", "cleared", "drill", "daily"]

# A further subject of a kind that was raised within this time joins it.
JOIN_MS: Final = 6 * 3_600_000

CAUTION: Final = (
    "Warmtally measures and tells; it is no safety device. Electric heat needs a residual-current device, an "
    "independent over-temperature cut-out and a smoke alarm."
)


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
    ``answer_way`` and ``answer_channel``: by which way, and with the code of which channel.
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


def compose(
    kind: Kind,
    transitions: Sequence[Transition],
    looks: Mapping[str, Look],
    before: Mapping[tuple[str, str], Condition],
    snapshot: Snapshot,
) -> list[Notice]:
    """The notices for one kind's transitions of one tick: one for what was raised, one for what was cleared.

    A subject with several transitions (readings that came late, all at once) is told by how it stands at the end;
    what came and went within one tick is told as over, with its time.
    """
    made = []
    told = [t for t in transitions if not _shelved(t, before, snapshot)]
    began = {t.subject: t for t in told if t.change == "raised"}
    final = {t.subject: t for t in told}
    raised = [t for t in final.values() if t.change == "raised"]
    cleared = [t for t in final.values() if t.change == "cleared"]
    up = {c.subject for c in before.values() if c.kind == kind.name and c.up}
    passed = {t.subject: began[t.subject] for t in cleared if t.subject in began and t.subject not in up}
    if not kind.tell_cleared:
        raised += passed.values()
        cleared = []
    if raised:
        joins = kind.groups and any(
            c.kind == kind.name
            and c.up
            and not c.shelved(snapshot.now_ms)
            and c.subject not in final
            and c.changed_ms is not None
            and snapshot.now_ms - c.changed_ms < JOIN_MS
            for c in before.values()
        )
        made.append(_raised(kind, raised, looks, snapshot, joins=joins))
    if cleared:
        made.append(_cleared(kind, cleared, passed, looks, snapshot))
    return made


def _shelved(transition: Transition, before: Mapping[tuple[str, str], Condition], snapshot: Snapshot) -> bool:
    condition = before.get((transition.kind, transition.subject))
    return condition is not None and condition.shelved(snapshot.now_ms)


def _key(kind: Kind, transitions: Sequence[Transition]) -> str:
    first = min(transitions, key=lambda t: (t.at_ms, t.subject))
    return f"{kind.name}/{first.subject}/{first.change}/{first.at_ms}"


def _names(transitions: Sequence[Transition], looks: Mapping[str, Look]) -> str:
    names = [looks[t.subject].where if t.subject in looks else t.subject for t in transitions]
    if len(names) <= 3:
        return ", ".join(names)
    return f"{', '.join(names[:2])} and {len(names) - 2} more"


def _raised(
    kind: Kind, transitions: Sequence[Transition], looks: Mapping[str, Look], snapshot: Snapshot, *, joins: bool
) -> Notice:
    # The most pressing of those that are told together.
    urgency = min((looks[t.subject].urgency or kind.urgency for t in transitions), key=URGENCIES.index)
    if joins and urgency == "now":
        urgency = "today"
    lines = []
    for t in transitions:
        look = looks[t.subject]
        lines.append(f"{_capital(look.line or look.where)} - since {show_time(t.since_ms, snapshot.zone)}.")
    lines += ["", f"First: {kind.first}", f"If nothing is done: {kind.otherwise}"]
    if urgency == "now" and kind.groups:
        lines += ["", CAUTION]
    says = f"Also {kind.says[0].lower()}{kind.says[1:]}" if joins else kind.says
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(t.subject for t in transitions),
        change="raised",
        urgency=urgency,
        title=f"{says}: {_names(transitions, looks)}",
        text="\n".join(lines),
    )


def _cleared(
    kind: Kind,
    transitions: Sequence[Transition],
    passed: Mapping[str, Transition],
    looks: Mapping[str, Look],
    snapshot: Snapshot,
) -> Notice:
    lines = []
    for t in transitions:
        look = looks.get(t.subject)
        told = _capital(look.line or look.where) if look else f"{t.subject}: no longer watched"
        since = f"since {show_time(t.since_ms, snapshot.zone)}"
        if t.subject in passed:
            since = (
                f"{kind.says.lower()} from {show_time(passed[t.subject].since_ms, snapshot.zone)} to "
                f"{show_time(t.since_ms, snapshot.zone)}; the readings came late"
            )
        lines.append(f"{told} - {since}.")
    says = kind.cleared_says or f"{kind.says}: over"
    if not any(t.subject in looks for t in transitions):
        says = f"{kind.says}: no longer watched"
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(t.subject for t in transitions),
        change="cleared",
        urgency="today" if kind.urgency == "now" else "diary",
        title=f"{says}: {_names(transitions, looks)}",
        text="\n".join(lines),
    )


def remind(
    kind: Kind, conditions: Sequence[Condition], looks: Mapping[str, Look], urgency: Urgency, snapshot: Snapshot
) -> Notice:
    """A notice that is repeated because nobody has answered: what is still true, since when, told how often."""
    lines = []
    for condition in conditions:
        look = looks[condition.subject]
        since = show_time(condition.since_ms or snapshot.now_ms, snapshot.zone)
        lines.append(
            f"{_capital(look.line or look.where)} - since {since}, told {_count(condition.told, 'time', 'times')}."
        )
    lines += ["", f"First: {kind.first}", f"If nothing is done: {kind.otherwise}", "", "Answer it to end the repeats."]
    names = [looks[c.subject].where for c in conditions]
    first = conditions[0]
    return Notice(
        key=f"{kind.name}/{first.subject}/still/{first.since_ms}/{first.told}",
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(c.subject for c in conditions),
        change="still",
        urgency=urgency,
        title=f"Still {kind.says[0].lower()}{kind.says[1:]}: {', '.join(names[:3])}"
        + (f" and {len(names) - 3} more" if len(names) > 3 else ""),
        text="\n".join(lines),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def daily(snapshot: Snapshot) -> Notice:
    """The daily line of every box, in the keeper's unit and zone; one for each local day."""
    day = show_time(snapshot.now_ms, snapshot.zone)[:10]
    lines = []
    lots = {lot.lot.id: lot for lot in snapshot.lots}
    for box in snapshot.boxes:
        fresh = box.at_ms is not None and snapshot.now_ms - box.at_ms < 2 * 3_600_000
        text = f"box {box.box.id}: "
        if box.now_c is None or not fresh:
            text += "no reading" + (f" since {show_time(box.at_ms, snapshot.zone)}" if box.at_ms is not None else "")
        else:
            low, high = float(box.temperature_c.min()), float(box.temperature_c.max())
            text += (
                f"{show_temperature(box.now_c, snapshot.unit)} (last day {show_temperature(low, snapshot.unit)} to "
                f"{show_temperature(high, snapshot.unit)})"
            )
        for lot_id in box.occupied_by:
            lot = lots[lot_id]
            if lot.development is None:
                text += f"; {lot_id}: {lot.refused or 'no development yet'}"
                continue
            text += f"; {lot_id}: {100 * lot.development:.0f} %"
            if lot.lot.pipped:
                text += f", {lot.lot.pipped} of {lot.lot.eggs_set} pipped"
            elif lot.window is not None:
                text += (
                    f", first pip {show_day(lot.window.p10_ms, snapshot.zone)} to "
                    f"{show_day(lot.window.p90_ms, snapshot.zone)}"
                )
        lines.append(text)
    up = [c for c in snapshot.conditions.values() if c.up]
    for condition in sorted(up, key=lambda c: c.key):
        state = "acknowledged" if condition.acknowledged_ms is not None else "not answered yet"
        since = show_time(condition.since_ms or snapshot.now_ms, snapshot.zone)
        lines.append(f"still true: {condition.kind}, {condition.subject}, since {since} ({state})")
    return Notice(
        key=f"daily/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind="daily-line",
        subjects=tuple(b.box.id for b in snapshot.boxes),
        change="daily",
        urgency="diary",
        title=f"Room {snapshot.room.name} on {day}: {_count(len(snapshot.boxes), 'box', 'boxes')}, "
        f"{_count(len(up), 'condition', 'conditions')}",
        text="\n".join(lines),
    )


def drill(snapshot: Snapshot) -> Notice:
    """The weekly test notice, which travels the whole way that a real one does."""
    day = show_time(snapshot.now_ms, snapshot.zone)[:10]
    return Notice(
        key=f"drill/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind="drill",
        subjects=(),
        change="drill",
        urgency="diary",
        title=f"Test notice of {day}",
        text="This is the weekly test. If it reached you on every channel, notices reach you. Nothing to do.",
    )
