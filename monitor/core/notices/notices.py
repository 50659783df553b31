"""What the keeper is told: a notice, made from changes of conditions.

A notice says what, where, since when, the value with its uncertainty and the limit, what to do first and what
happens if nothing is done. Its key is stable, so that a message that had to be sent twice can be recognised.

All subjects of one kind that are told at one tick make one notice: a cold room is one notice, not twenty. When further
ones are told, as "also", is decided in ``joining``.

How it is worded stands in ``texts``, and may be the keeper's own; what is told, how urgent it is and its key are not.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final, Literal

from monitor.core.development.lots import LotNow
from monitor.core.notices.conditions import Condition, Transition
from monitor.core.notices.grouping import Telling
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import show_day, show_difference, show_temperature, show_time
from monitor.core.terms.settings import URGENCIES, Urgency
from monitor.core.terms.texts import Texts, Words

NoticeChange = Literal["raised", "still", "cleared", "drill", "daily", "digest"]

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
    ``answer_way`` and ``answer_channel``: by which way, and with the code of which channel. ``reach``: channels that
    take this urgency get it too, since it belongs to what they were told.
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


def compose(kind: Kind, telling: Telling, looks: Mapping[str, Look], snapshot: Snapshot) -> list[Notice]:
    """The notices for what one kind tells at one tick: one for what is raised or still so, one for what is over.

    A subject with several transitions (readings that came late, all at once) is told by how it stands at the end;
    what came and went before it was told is told as over, with its times.
    """
    made = []
    together = kind.groups and telling.joins
    if telling.new:
        made.append(_raised(kind, telling, telling.again if together else (), looks, snapshot))
    if telling.again and not (telling.new and together):
        made.append(remind(kind, telling.again, looks, snapshot))
    if telling.ended:
        made.append(_cleared(kind, telling, looks, snapshot))
    return made


def _key(kind: Kind, transitions: Sequence[Transition]) -> str:
    first = min(transitions, key=lambda t: (t.at_ms, t.subject))
    return f"{kind.name}/{first.subject}/{first.change}/{first.at_ms}"


def words_of(kind: Kind) -> Words:
    """What a kind says unless the keeper changed it, with the places of its values."""
    return Words(
        kind.name,
        kind.says,
        kind.cleared_says or f"{kind.says}: over",
        kind.first,
        kind.otherwise,
        tuple(_place(fact) for fact in kind.shows),
    )


def _place(fact: str) -> str:
    """The place of a fact in a template: its name without the unit, since the unit is the keeper's."""
    return fact.rsplit("_", 1)[0]


def _values(kind: Kind, look: Look, snapshot: Snapshot) -> dict[str, str]:
    """The facts of a look that its kind shows, in the keeper's unit; those that are not known just now left out."""
    shown = {}
    for fact in kind.shows:
        value = look.facts.get(fact)
        if isinstance(value, int | float):
            twice = fact == "uncertainty_c"
            shown[_place(fact)] = (
                show_difference(2 * value, snapshot.unit) if twice else show_temperature(value, snapshot.unit)
            )
    return shown


def _frame(kind: Kind, names: Sequence[str], snapshot: Snapshot, urgency: Urgency, whole: int = 2) -> dict[str, str]:
    """The places that a title and a text have, but for the lines. ``whole``: names that are told when there are more
    than three."""
    texts = snapshot.room.texts
    where = ", ".join(names)
    if len(names) > 3:
        where = texts.fill("all.many", {"where": ", ".join(names[:whole]), "more": str(len(names) - whole)}, kind.name)
    places = {"where": where, "room": snapshot.room.name, "urgency": urgency, "caution": ""}
    words = texts.words(words_of(kind), places)
    return places | words | {"says_low": words["says"][:1].lower() + words["says"][1:]}


def _first(subjects: Sequence[str], looks: Mapping[str, Look]) -> dict[str, str]:
    """What to do first, where the likely cause asks for something else and is the same for all that are told."""
    firsts = {looks[s].first for s in subjects}
    (first,) = firsts if len(firsts) == 1 else ("",)
    return {"first": first} if first else {}


def _line(key: str, kind: Kind, look: Look, snapshot: Snapshot, **more: str) -> str:
    """One subject in a text: what is known of it, and since when."""
    places = {"line": _capital(look.line or look.where), "where": look.where, "subject": look.subject}
    return snapshot.room.texts.fill(key, places | _values(kind, look, snapshot) | more, kind.name)


def _text(key: str, kind: Kind, lines: Sequence[str], places: Mapping[str, str], snapshot: Snapshot) -> str:
    """A whole text; where a place had nothing to say no gap is left."""
    filled = snapshot.room.texts.fill(key, {**places, "lines": "\n".join(lines)}, kind.name)
    return re.sub(r"\n{3,}", "\n\n", filled).strip()


def _urgency(kind: Kind, subjects: Iterable[str], looks: Mapping[str, Look]) -> Urgency:
    """The most pressing of those that are told together."""
    return min((looks[s].urgency or kind.urgency for s in subjects), key=URGENCIES.index)


def _raised(
    kind: Kind, telling: Telling, again: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot
) -> Notice:
    transitions, joins = telling.new, telling.joins
    subjects = [t.subject for t in transitions] + [c.subject for c in again]
    urgency = _urgency(kind, subjects, looks)
    texts, zone = snapshot.room.texts, snapshot.zone
    lines = [
        _line("all.raised.line", kind, looks[t.subject], snapshot, since=show_time(t.since_ms, zone))
        for t in transitions
    ]
    lines += _still_lines(kind, again, looks, snapshot)
    places = _frame(kind, [looks[t.subject].where for t in transitions], snapshot, urgency) | _first(subjects, looks)
    severe = urgency == "now" and kind.groups
    text = _text("all.raised.text", kind, lines, places | {"caution": CAUTION if severe else ""}, snapshot)
    if severe and CAUTION not in text:
        text += f"\n\n{CAUTION}"
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(subjects),
        change="raised",
        urgency=urgency,
        title=texts.fill("all.raised.also" if joins else "all.raised.title", places, kind.name),
        text=text,
        reach=telling.reach,
    )


def _cleared(kind: Kind, telling: Telling, looks: Mapping[str, Look], snapshot: Snapshot) -> Notice:
    transitions, passed = telling.ended, telling.passed
    texts, zone = snapshot.room.texts, snapshot.zone
    urgency: Urgency = "today" if kind.urgency == "now" else "diary"
    names = [looks[t.subject].where if t.subject in looks else t.subject for t in transitions]
    places = _frame(kind, names, snapshot, urgency)
    lines = []
    for t in transitions:
        look, since = looks.get(t.subject), show_time(t.since_ms, zone)
        if look is None:
            lines.append(texts.fill("all.cleared.gone_line", {"subject": t.subject, "since": since}, kind.name))
        elif t.subject in passed:
            said = {"says": places["says"], "says_low": places["says_low"]}
            began = show_time(passed[t.subject].since_ms, zone)
            lines.append(_line("all.cleared.late", kind, look, snapshot, **said, **{"from": began}, until=since))
        else:
            lines.append(_line("all.cleared.line", kind, look, snapshot, since=since))
    watched = any(t.subject in looks for t in transitions)
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(t.subject for t in transitions),
        change="cleared",
        urgency=urgency,
        title=texts.fill("all.cleared.title" if watched else "all.cleared.gone", places, kind.name),
        text=_text("all.cleared.text", kind, lines, places, snapshot),
        reach=telling.reach_ended,
    )


def _still_lines(
    kind: Kind, conditions: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot
) -> list[str]:
    lines = []
    for c in conditions:
        since = show_time(c.since_ms or snapshot.now_ms, snapshot.zone)
        times = {"times": _count(c.told, "time", "times"), "told": str(c.told)}
        lines.append(_line("all.still.line", kind, looks[c.subject], snapshot, since=since, **times))
    return lines


def remind(kind: Kind, conditions: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot) -> Notice:
    """A reminder, because nobody has answered: what is still true, since when, told how often."""
    texts, urgency = snapshot.room.texts, _urgency(kind, (c.subject for c in conditions), looks)
    lines = _still_lines(kind, conditions, looks, snapshot)
    places = _frame(kind, [looks[c.subject].where for c in conditions], snapshot, urgency, whole=3)
    places |= _first([c.subject for c in conditions], looks)
    severe = {"caution": CAUTION if urgency == "now" and kind.groups else ""}
    first = conditions[0]
    return Notice(
        key=f"{kind.name}/{first.subject}/still/{first.since_ms}/{first.told}",
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(c.subject for c in conditions),
        change="still",
        urgency=urgency,
        title=texts.fill("all.still.title", places, kind.name),
        text=_text("all.still.text", kind, lines, places | severe, snapshot),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def daily(snapshot: Snapshot) -> Notice:
    """The daily line of every box, in the keeper's unit and zone; one for each local day."""
    texts, zone = snapshot.room.texts, snapshot.zone
    day = show_time(snapshot.now_ms, zone)[:10]
    lots = {lot.lot.id: lot for lot in snapshot.lots}
    lines = []
    for box in snapshot.boxes:
        inside = "".join(_daily_lot(lots[lot_id], snapshot) for lot_id in box.occupied_by)
        lines.append(_daily_box(box, inside, snapshot))
    up = [c for c in snapshot.conditions.values() if c.up]
    for condition in sorted(up, key=lambda c: c.key):
        since = show_time(condition.since_ms or snapshot.now_ms, zone)
        places = {"kind": condition.kind, "subject": condition.subject, "since": since}
        lines.append(texts.fill("daily.open" if condition.acknowledged_ms is None else "daily.answered", places))
    places = {
        "room": snapshot.room.name,
        "day": day,
        "boxes": _count(len(snapshot.boxes), "box", "boxes"),
        "box_count": str(len(snapshot.boxes)),
        "conditions": _count(len(up), "condition", "conditions"),
        "condition_count": str(len(up)),
    }
    return Notice(
        key=f"daily/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind="daily-line",
        subjects=tuple(b.box.id for b in snapshot.boxes),
        change="daily",
        urgency="diary",
        title=texts.fill("daily.title", places),
        text=texts.fill("daily.text", {**places, "lines": "\n".join(lines)}).strip(),
    )


def _daily_box(box: BoxNow, inside: str, snapshot: Snapshot) -> str:
    texts, unit = snapshot.room.texts, snapshot.unit
    places = {"box": box.box.id, "lots": inside}
    if box.at_ms is None:
        return texts.fill("daily.silent", places)
    if box.now_c is None or snapshot.now_ms - box.at_ms >= 2 * 3_600_000:
        return texts.fill("daily.silent_since", places | {"since": show_time(box.at_ms, snapshot.zone)})
    low, high = float(box.temperature_c.min()), float(box.temperature_c.max())
    span = {"low": show_temperature(low, unit), "high": show_temperature(high, unit)}
    return texts.fill("daily.box", places | {"value": show_temperature(box.now_c, unit)} | span)


def _daily_lot(lot: LotNow, snapshot: Snapshot) -> str:
    texts, zone = snapshot.room.texts, snapshot.zone
    if lot.past is None:
        return texts.fill("daily.lot_refused", {"lot": lot.lot.id, "why": lot.refused or "no development yet"})
    places = {"lot": lot.lot.id, "percent": f"{100 * lot.past.development:.0f}"}
    if lot.lot.pipped:
        return texts.fill("daily.lot_pipped", places | {"pipped": str(lot.lot.pipped), "eggs": str(lot.lot.eggs_set)})
    if lot.first_pip is None:
        return texts.fill("daily.lot", places)
    window = lot.first_pip.window
    due = {"earliest": show_day(window.p10_ms, zone), "latest": show_day(window.p90_ms, zone)}
    return texts.fill("daily.lot_due", places | due)


def digest(notices: Sequence[Notice], channel: str, now_ms: int, zone: tzinfo, texts: Texts | None = None) -> Notice:
    """One message for several that could not be delivered while they mattered: a line for each, oldest first."""
    texts = texts or Texts()
    lines = [texts.fill("digest.line", {"at": show_time(n.at_ms, zone), "title": n.title}) for n in notices]
    first, last = notices[0], notices[-1]
    places = {
        "from": show_time(first.at_ms, zone),
        "until": show_time(last.at_ms, zone),
        "notices": _count(len(notices), "notice", "notices"),
        "notice_count": str(len(notices)),
    }
    return Notice(
        key=f"digest/{channel}/{first.id}-{last.id}/{len(notices)}/{now_ms}",
        at_ms=now_ms,
        kind="digest",
        subjects=tuple(dict.fromkeys(s for n in notices for s in n.subjects)),
        change="digest",
        urgency="today",
        title=texts.fill("digest.title", places),
        text=texts.fill("digest.text", {**places, "lines": "\n".join(lines)}).strip(),
    )


def drill(snapshot: Snapshot) -> Notice:
    """The weekly test notice, which travels the whole way that a real one does."""
    day = show_time(snapshot.now_ms, snapshot.zone)[:10]
    places = {"room": snapshot.room.name, "day": day}
    return Notice(
        key=f"drill/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind="drill",
        subjects=(),
        change="drill",
        urgency="diary",
        title=snapshot.room.texts.fill("drill.title", places),
        text=snapshot.room.texts.fill("drill.text", places).strip(),
    )
