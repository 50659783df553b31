"""What the keeper is told: a notice, made from changes of conditions.

A notice says what to do first, then what, where, since when, the value with its uncertainty and the limit, and what
happens if nothing is done; how much of it, is decided in ``fitting``. Its key is stable, so that a message that had to
be sent twice can be recognised.

All subjects of one kind that are told at one tick make one notice: a cold room is one notice, not twenty. When further
ones are told, as "also", is decided in ``joining``.

How it is worded stands in ``texts``, and may be the keeper's own; what is told, how urgent it is and its key are not.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from typing import Final

from monitor.core.notices.conditions import Condition, Transition, name_subject
from monitor.core.notices.fitting import DIGEST_MOST, against, fit_lines, fit_text, fit_title
from monitor.core.notices.grouping import Telling
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import show_difference, show_since, show_temperature
from monitor.core.terms.settings import URGENCIES, Urgency
from monitor.core.terms.texts import Texts, Words
from monitor.values import dataclass

CAUTION: Final = "Electric heat: residual-current device, cut-out, smoke alarm."
WHOLE_CAUTION: Final = (
    "Warmtally measures and tells; it is no safety device. Electric heat needs a residual-current device, an "
    "independent over-temperature cut-out and a smoke alarm."
)


def compose(kind: Kind, telling: Telling, looks: Mapping[str, Look], snapshot: Snapshot) -> list[Notice]:
    """The notices for what one kind tells at one tick: one for what is raised or still so, one for what is over.

    A subject with several transitions (readings that came late, all at once) is told by how it stands at the end;
    what came and went before it was told is told as over, with its times.
    """
    made: list[Notice] = []
    if not (telling.new or telling.again or telling.ended):
        return made
    looks = _clocked(kind, looks, snapshot)
    together = kind.groups and telling.joins
    if telling.new:
        made.append(_raised(kind, telling, telling.again if together else (), looks, snapshot))
    if telling.again and not (telling.new and together):
        made.append(remind(kind, telling.again, looks, snapshot))
    if telling.ended:
        made.append(_cleared(kind, telling, looks, snapshot))
    return made


def _clocked(kind: Kind, looks: Mapping[str, Look], snapshot: Snapshot) -> Mapping[str, Look]:
    """With what is to be said of the clocks of their probes; a kind of clocks says it itself."""
    if "clock" in kind.name:
        return looks
    words = {s: snapshot.clock_words(s) for s in looks}
    return {s: replace(x, more=(*x.more[:1], words[s], *x.more[1:])) if words[s] else x for s, x in looks.items()}


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


def _frame(kind: Kind, told: Sequence[_Told], snapshot: Snapshot, urgency: Urgency) -> dict[str, str]:
    """The places that a title and a text have, but for the lines; ``what`` at its fullest."""
    texts = snapshot.room.texts
    names = [t.look.where for t in told]
    where = ", ".join(names)
    if len(names) > 3:
        where = texts.fill("all.many", {"where": ", ".join(names[:2]), "more": str(len(names) - 2)}, kind.name)
    places = {"where": where, "room": snapshot.room.name, "urgency": urgency, "caution": ""}
    words = texts.words(words_of(kind), places)
    places |= {"what": next(_whats(told, kind, texts)), "after": kind.after}
    return places | words | {"says_low": low(words["says"])}


@dataclass(frozen=True, slots=True)
class _Told:
    """One subject that a notice tells of: its look, its line, and how it is named among others."""

    look: Look
    line: str

    @property
    def must(self) -> str:
        return f"{_sentence(self.look.doubt or self.look.cause)} {self.line}".strip()

    @property
    def more(self) -> list[str]:
        """With a doubt the likely cause is told after what is ahead, which stands first."""
        ahead, cause = self.look.more[:1], self.look.cause if self.look.doubt else ""
        return [_sentence(text) for text in (*ahead, cause, *self.look.more[1:]) if text]

    @property
    def whole(self) -> str:
        return " ".join([self.must, *self.more])

    @property
    def among(self) -> str:
        doubtful = " (?)" if self.look.doubt else ""
        return f"{self.look.where} {self.look.value}".strip() + doubtful


def _by_worst(told: Iterable[_Told]) -> list[_Told]:
    return sorted(told, key=lambda t: -t.look.worse)


def _sized(look: Look, *, limits: bool) -> tuple[str, str]:
    """Its value and limit in two lengths; when it is over, the value that it has now."""
    return against(look.value, look.limit) if limits else against(look.now or look.value, "")


def _whats(told: Sequence[_Told], kind: Kind, texts: Texts, *, limits: bool = True) -> Iterator[str]:
    """The worst of them with its value and limit, and how many more there are: from the fullest to the shortest."""
    look = told[0].look
    if len(told) > 1 and not any(t.look.value for t in told):
        yield ", ".join(t.look.where for t in told)
    full, tight = _sized(look, limits=limits)
    names = (look.where, name_subject(kind.name, look.subject)) if look.name is None else (look.name,)
    for value in dict.fromkeys((full, tight)):
        for key in ("all.many", "all.few") if len(told) > 1 else ("",):
            for name in names:
                what = f"{name} {value}".strip()
                yield texts.fill(key, {"where": what, "more": str(len(told) - 1)}, kind.name) if key else what
    if not limits:
        yield from names


def _title(
    key: str, kind: Kind, told: Sequence[_Told], places: Mapping[str, str], texts: Texts, *, limits: bool = True
) -> str:
    look = told[0].look
    name = name_subject(kind.name, look.subject) if look.name is None else look.name
    tight = _sized(look, limits=limits)[1]
    more = texts.fill("all.few", {"where": "", "more": str(len(told) - 1)}, kind.name) if len(told) > 1 else ""
    return fit_title(
        lambda what: texts.fill(key, {**places, "what": what}, kind.name),
        list(_whats(told, kind, texts, limits=limits)),
        name,
        [f" {tight}{more}".rstrip(), more],
    )


def _first(subjects: Sequence[str], looks: Mapping[str, Look]) -> dict[str, str]:
    """What to do first, where the likely cause asks for something else and is the same for all that are told."""
    firsts = {looks[s].first for s in subjects}
    (first,) = firsts if len(firsts) == 1 else ("",)
    return {"first": first} if first else {}


def _line(key: str, kind: Kind, look: Look, snapshot: Snapshot, **more: str) -> str:
    """One subject in a text: what is known of it, and since when."""
    line = look.line or look.where
    places = {"line": _capital(line), "where": look.where, "subject": name_subject(kind.name, look.subject)}
    return snapshot.room.texts.fill(key, places | _values(kind, look, snapshot) | more, kind.name).strip()


def _texts(
    key: str, kind: Kind, told: Sequence[_Told], places: Mapping[str, str], snapshot: Snapshot
) -> tuple[str, str]:
    """A text that is short enough, and the whole story where that says more."""
    texts = snapshot.room.texts
    worst, *others = told

    def fill(sentences: Sequence[str], listed: str) -> str:
        lines = " ".join(sentences)
        if listed:
            lines += "\n" + texts.fill("all.others", {"others": listed}, kind.name)
        return _text(key, kind, lines, places, snapshot)

    text = fit_text(fill, worst.must, worst.more, [t.among for t in others])
    caution = {"caution": WHOLE_CAUTION if places["caution"] else ""}
    story = _text(key, kind, "\n".join(t.whole for t in told), {**places, **caution}, snapshot)
    if places["caution"]:
        text, story = _with(CAUTION, text), _with(WHOLE_CAUTION, story)
    return text, story if story != text else ""


def _with(caution: str, text: str) -> str:
    return text if caution in text else f"{text}\n{caution}"


def _text(key: str, kind: Kind, lines: str, places: Mapping[str, str], snapshot: Snapshot) -> str:
    """A whole text; where a place had nothing to say no gap is left."""
    filled = snapshot.room.texts.fill(key, {**places, "lines": lines}, kind.name)
    return re.sub(r"\n{3,}", "\n\n", re.sub(r"[ \t]+(?=\n|$)", "", filled)).strip()


def _urgency(kind: Kind, subjects: Iterable[str], looks: Mapping[str, Look]) -> Urgency:
    """The most pressing of those that are told together."""
    return min((looks[s].urgency or kind.urgency for s in subjects), key=URGENCIES.index)


def _severe(kind: Kind, urgency: Urgency) -> dict[str, str]:
    return {"caution": CAUTION if urgency == "now" and kind.groups else ""}


def since_of(at_ms: int, snapshot: Snapshot) -> str:
    return show_since(at_ms, snapshot.zone, snapshot.now_ms)


def _raised(
    kind: Kind, telling: Telling, again: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot
) -> Notice:
    transitions, joins = telling.new, telling.joins
    subjects = [t.subject for t in transitions] + [c.subject for c in again]
    urgency = _urgency(kind, subjects, looks)
    key = "all.raised.dated" if kind.dated else "all.raised.line"
    new = _by_worst(
        _Told(looks[t.subject], _line(key, kind, looks[t.subject], snapshot, since=since_of(t.since_ms, snapshot)))
        for t in transitions
    )
    places = _frame(kind, new, snapshot, urgency) | _first(subjects, looks) | _severe(kind, urgency)
    text, story = _texts("all.raised.text", kind, [*new, *_still(kind, again, looks, snapshot)], places, snapshot)
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(subjects),
        change="raised",
        urgency=urgency,
        title=_title("all.raised.also" if joins else "all.raised.title", kind, new, places, snapshot.room.texts),
        text=text,
        reach=telling.reach,
        story=story,
    )


def _cleared(kind: Kind, telling: Telling, looks: Mapping[str, Look], snapshot: Snapshot) -> Notice:
    transitions, passed = telling.ended, telling.passed
    texts = snapshot.room.texts
    urgency: Urgency = "today" if kind.urgency == "now" else "later"
    words = texts.words(words_of(kind), {"where": "", "room": snapshot.room.name})
    said = {"says": words["says"], "says_low": low(words["says"])}
    told = []
    for t in transitions:
        look, since = looks.get(t.subject), since_of(t.since_ms, snapshot)
        name = name_subject(kind.name, t.subject)
        if look is None:
            gone = texts.fill("all.cleared.gone_line", {"subject": name, "since": since, **said}, kind.name)
            told.append(_Told(Look(t.subject, (), name), gone))
        elif t.subject in passed:
            began = since_of(passed[t.subject].since_ms, snapshot)
            line = _line("all.cleared.late", kind, look, snapshot, **said, **{"from": began}, until=since)
            told.append(_Told(look, line))
        else:
            told.append(_Told(look, _line("all.cleared.line", kind, look, snapshot, since=since)))
    watched = any(t.subject in looks for t in transitions)
    places = _frame(kind, told, snapshot, urgency)
    afters = {t.look.after or kind.after for t in told}
    (after,) = afters if len(afters) == 1 else (min(afters - {kind.after}),)
    text, story = _texts("all.cleared.text", kind, told, {**places, "first": after}, snapshot)
    return Notice(
        key=_key(kind, transitions),
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(t.subject for t in transitions),
        change="cleared",
        urgency=urgency,
        title=_title("all.cleared.title" if watched else "all.cleared.gone", kind, told, places, texts, limits=False),
        text=text,
        reach=telling.reach_ended,
        story=story,
    )


def _still(kind: Kind, conditions: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot) -> list[_Told]:
    """What was told before and is still true, with what has changed since; the worst first."""
    told = []
    for c in conditions:
        since = since_of(c.since_ms or snapshot.now_ms, snapshot)
        places = {
            "since": since,
            "was": _was(kind, c, looks[c.subject], snapshot),
            "times": count(c.told, "time", "times"),
            "told": str(c.told),
        }
        key = "all.still.dated" if kind.dated else "all.still.line"
        told.append(_Told(looks[c.subject], _line(key, kind, looks[c.subject], snapshot, **places)))
    return _by_worst(told)


def _was(kind: Kind, c: Condition, look: Look, snapshot: Snapshot) -> str:
    """What was told of it last and when, against what is true now; nothing where that is not known."""
    if c.told_ms is None or not c.told_value or not look.value:
        return ""
    key = "all.still.same" if c.told_value == look.value else "all.still.was"
    # The value of a spell that was ending then has its "was" already.
    places = {"at": since_of(c.told_ms, snapshot), "value": c.told_value.removeprefix("was ")}
    return snapshot.room.texts.fill(key, places, kind.name)


def remind(kind: Kind, conditions: Sequence[Condition], looks: Mapping[str, Look], snapshot: Snapshot) -> Notice:
    """A reminder, because nobody has answered: what is still true, since when, and what has changed."""
    urgency = _urgency(kind, (c.subject for c in conditions), looks)
    told = _still(kind, conditions, looks, snapshot)
    places = _frame(kind, told, snapshot, urgency) | _first([c.subject for c in conditions], looks)
    text, story = _texts("all.still.text", kind, told, places, snapshot)
    first = conditions[0]
    return Notice(
        key=f"{kind.name}/{first.subject}/still/{first.since_ms}/{first.told}",
        at_ms=snapshot.now_ms,
        kind=kind.name,
        subjects=tuple(c.subject for c in conditions),
        change="still",
        urgency=urgency,
        title=_title("all.still.title", kind, told, places, snapshot.room.texts),
        text=text,
        story=story,
    )


def _sentence(text: str) -> str:
    """A sentence with its capital and its full stop."""
    text = _capital(text.strip())
    return text if not text or text[-1] in ".?!" else f"{text}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def low(says: str) -> str:
    return says[:1].lower() + says[1:]


def digest(notices: Sequence[Notice], channel: str, now_ms: int, zone: tzinfo, texts: Texts | None = None) -> Notice:
    """One message for several that could not be delivered while they mattered: a line for each, oldest first."""
    texts = texts or Texts()
    lines = [texts.fill("digest.line", {"at": show_since(n.at_ms, zone, now_ms), "title": n.title}) for n in notices]
    first, last = notices[0], notices[-1]
    places = {
        "from": show_since(first.at_ms, zone, now_ms),
        "until": show_since(last.at_ms, zone, now_ms),
        "notices": count(len(notices), "notice", "notices"),
        "notice_count": str(len(notices)),
    }

    def fill(told: Sequence[str]) -> str:
        left = len(lines) - len(told)
        shown = [*told, *([f"and {left} more"] if left else [])]
        return texts.fill("digest.text", {**places, "lines": "\n".join(shown)}).strip()

    text, whole = fit_lines(fill, (lines[:n] for n in range(len(lines), -1, -1)), DIGEST_MOST), fill(lines)
    return Notice(
        key=f"digest/{channel}/{first.id}-{last.id}/{len(notices)}/{now_ms}",
        at_ms=now_ms,
        kind="digest",
        subjects=tuple(dict.fromkeys(s for n in notices for s in n.subjects)),
        change="digest",
        urgency="today",
        title=texts.fill("digest.title", places),
        text=text,
        story=whole if whole != text else "",
    )
