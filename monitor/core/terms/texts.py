"""The wording of notices: templates with named places, those that come along and the keeper's own.

A template is text with places such as ``${where}`` (``string.Template``: a name and nothing else, so that no template
can run anything); a dollar sign itself is written ``$$``. Which texts there are, and which places each may have, stands
in :data:`WORDINGS` and :data:`WORDS`. What must not be lost by a change is looked after here and in ``notices``: a text
without the lines that say what, where and how much is a mistake and left out, and the caution of a severe notice is
added where a template has none.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from string import Template
from typing import Final

from monitor.values import dataclass

MOST_CHARACTERS: Final = 4000
# What the title line of a notice on a phone shows whole. Judgement, no source.
LONG_TITLE: Final = 50
# Counted for a place of a title whose value is only known later; what is fitted in takes what is left.
USUAL_LENGTH: Final = 16
_LENGTHS: Final[Mapping[str, int]] = {"where": 32, "room": 12, "day": 10, "boxes": 8, "conditions": 14, "notices": 10}
# Control characters, line and paragraph separators, halves of characters.
_NO_SIGNS: Final = frozenset({"Cc", "Zl", "Zp", "Cs"})
# With these a line says what the sentence says that is made for it.
_SENTENCE: Final = frozenset({"where", "value", "limit"})

PLACES: Final[dict[str, str]] = {
    "says": "the heading of the kind: Too warm",
    "says_low": "the same within a sentence: too warm",
    "cleared": "the heading when it is over: No longer too warm",
    "where": "the boxes, probes, eggs or parts that it is about",
    "what": "the worst of them with its value and limit, and how many more there are; as long as the title bears",
    "lines": "what, where, since when, value and limit: the worst in full, the others by their values",
    "first": "what to do first; when it is over, what is left to do",
    "otherwise": "what happens if nothing is done",
    "caution": "the caution of severe notices, else nothing",
    "room": "the name of the room",
    "urgency": "now, today or later",
    "line": "one sentence without its full stop: what, where, value and limit",
    "others": "the others with their values: box lower 24.3 °C, box middle 24.6 °C",
    "was": "when it was told last, and the value that it had then",
    "subject": "the box, probe, eggs (K01 in upper) or part, by its name",
    "since": "since when",
    "back": "since when it has been back",
    "from": "when it began",
    "until": "when it ended",
    "times": "how often it was told: 3 times",
    "told": "the same as a number: 3",
    "more": "how many more there are",
    "value": "the value, with its unit",
    "limit": "the limit, with its unit",
    "uncertainty": "of the value, about 95 %",
    "at": "when it was told",
    "title": "the title of the notice",
    "notices": "how many notices: 3 notices",
    "notice_count": "the same as a number: 3",
    "day": "the day",
    "boxes": "how many boxes: 2 boxes",
    "box_count": "the same as a number: 2",
    "conditions": "how many conditions are true: 2 to look at",
    "condition_count": "the same as a number: 1",
    "box": "the id of the box",
    "low": "the lowest temperature of its last day",
    "high": "the highest temperature of its last day",
    "lots": "what lies in the box, from the templates lot_*",
    "lot": "the eggs of a clutch in the box: K01 in upper",
    "percent": "its development",
    "pipped": "how many have pipped",
    "eggs": "of how many",
    "waits": "until when to wait, or how likely it is only late",
    "earliest": "when its window begins",
    "latest": "when its window ends",
    "why": "why there is no development",
    "kind": "the kind of condition",
    "link": "the address of the page that answers the notice",
    "code": "the code that answers it",
    "topic": "the topic at the broker that the code is sent to",
}
"""Every place with its meaning."""


@dataclass(frozen=True, slots=True)
class Wording:
    """One text: what stands there unless the keeper changed it, its places, and those that must be in it.

    ``one_line``: a line break in it would break something, such as the subject of a mail. ``shows``: it may also have
    the values of a kind, and with ``where``, ``value`` and ``limit`` in it the sentence ``line`` may be left out.
    """

    default: str
    about: str
    places: tuple[str, ...]
    needs: tuple[str, ...] = ()
    one_line: bool = True
    shows: bool = False


_ALL = ("says", "says_low", "where", "what", "room", "urgency")
_TEXT = (*_ALL, "lines", "first", "otherwise", "caution")
_LINE = ("line", "where", "subject", "since")
_DAILY = ("room", "day", "boxes", "box_count", "conditions", "condition_count")
_DIGEST = ("from", "until", "notices", "notice_count")
_STILL = ("kind", "subject", "since", "says", "says_low")

WORDINGS: Final[dict[str, Wording]] = {
    "all.many": Wording("${where} and ${more} more", "many of them, in a title", ("where", "more")),
    "all.few": Wording("${where} +${more}", "many of them, where there is less room", ("where", "more")),
    "all.others": Wording("Also: ${others}.", "the others, after the worst", ("others",), ("others",)),
    "all.raised.title": Wording("${says}: ${what}", "something has begun", _ALL),
    "all.raised.also": Wording("Also ${says_low}: ${what}", "further ones of the same cause", _ALL),
    "all.raised.line": Wording(
        "${line}, since ${since}.", "each of them, in ${lines}", _LINE, ("line",), shows=True,
    ),
    "all.raised.dated": Wording("${line}.", "the same, of a kind whose line says since when", _LINE, ("line",)),
    "all.raised.text": Wording(
        "${first}\n${lines}\nIf not: ${otherwise}\n${caution}", "the whole text", _TEXT, ("lines",), one_line=False,
    ),
    "all.still.title": Wording("Still ${says_low}: ${what}", "told again, because nobody has answered", _ALL),
    "all.still.line": Wording(
        "${line}, since ${since}. ${was}", "each of them, in ${lines}",
        (*_LINE, "was", "times", "told"), ("line",), shows=True,
    ),
    "all.still.dated": Wording(
        "${line}. ${was}", "the same, of a kind whose line says since when", (*_LINE, "was", "times", "told"), ("line",)
    ),
    "all.still.was": Wording("At ${at} it was ${value}.", "what has changed, in ${was}", ("at", "value")),
    "all.still.same": Wording("The same as at ${at}.", "that nothing has changed, in ${was}", ("at", "value")),
    "all.still.text": Wording(
        "${first}\n${lines}\nIf not: ${otherwise}\nAnswer it to end the repeats.", "the whole text", _TEXT, ("lines",),
        one_line=False,
    ),
    "all.cleared.title": Wording("${cleared}: ${what}", "it is over", ("cleared", *_ALL)),
    "all.cleared.gone": Wording(
        "No longer watched: ${what}", "what it was about is not there any more", ("cleared", *_ALL)
    ),
    "all.cleared.line": Wording(
        "${line}. Over since ${since}.", "each of them, in ${lines}", _LINE, ("line",), shows=True,
    ),
    "all.cleared.late": Wording(
        "${says} from ${from} to ${until}, over before it was told. ${line}.", "over when it could be told",
        ("line", "where", "subject", "says", "says_low", "from", "until"), ("line",), shows=True,
    ),
    "all.cleared.gone_line": Wording(
        "${says}: ${subject} is no longer watched since ${since}.", "one that is not there any more",
        ("subject", "since", "says", "says_low"),
    ),
    "all.cleared.text": Wording(
        "${first}\n${lines}", "the whole text", (*_ALL, "cleared", "lines", "first"), ("lines",), one_line=False
    ),
    "daily.title": Wording("${room}, ${day}: ${boxes}, ${conditions}", "the daily line", _DAILY),
    "daily.text": Wording(
        "${first}\n${lines}", "the whole text", (*_DAILY, "first", "lines"), ("lines",), one_line=False
    ),
    "daily.hand": Wording("Look at: ${others}.", "its first line, when something is true and not answered",
                          ("others",), ("others",)),
    "daily.calm": Wording("Nothing to do.", "its first line, when nothing is", ()),
    "daily.more": Wording("${boxes} more: ${low} to ${high} in the last day.", "the boxes that have no room",
                          ("boxes", "box_count", "low", "high")),
    "daily.box": Wording(
        "box ${box}: ${value} (last day ${low} to ${high})${lots}", "a box that is measured",
        ("box", "value", "low", "high", "lots"), ("box", "value", "lots"),
    ),
    "daily.silent": Wording("box ${box}: no reading${lots}", "a box without any", ("box", "lots"), ("box", "lots")),
    "daily.silent_since": Wording(
        "box ${box}: no reading since ${since}${lots}", "a box without any that is of now",
        ("box", "since", "lots"), ("box", "lots"),
    ),
    "daily.lot": Wording(", ${lot} ${percent} %", "eggs of a clutch, in ${lots}", ("lot", "percent"), ("lot",)),
    "daily.lot_due": Wording(
        ", ${lot} ${percent} %, first pip ${earliest} to ${latest}", "eggs with a date",
        ("lot", "percent", "earliest", "latest"), ("lot",),
    ),
    "daily.lot_waits": Wording(
        ", ${lot} ${percent} %, lies still: ${waits}", "eggs past their window, or after others of their clutch",
        ("lot", "percent", "waits"), ("lot",),
    ),
    "daily.lot_pipped": Wording(
        ", ${lot} ${percent} %, ${pipped} of ${eggs} pipped", "eggs that pip",
        ("lot", "percent", "pipped", "eggs"), ("lot",),
    ),
    "daily.lot_refused": Wording(", ${lot}: ${why}", "eggs without development", ("lot", "why"), ("lot",)),
    "daily.tasks": Wording("To do: ${others}.", "what is to be done today, or was before", ("others",), ("others",)),
    "daily.begun": Wording(
        "${title}. ${first}", "what was for later since the last line, and is still true", ("title", "first"),
        ("title",),
    ),
    "daily.over": Wording("Over: ${others}.", "what was for later, and is over", ("others",), ("others",)),
    "daily.open": Wording(
        "${says} since ${since}: ${subject}, not answered yet", "what is still true", _STILL, ("subject",)
    ),
    "daily.answered": Wording(
        "${says} since ${since}: ${subject}, answered", "what is still true and answered", _STILL, ("subject",),
    ),
    "daily.back": Wording(
        "${says} since ${since}: ${subject}, back since ${back}; over when it stays so",
        "what is back, and not for long enough to be over", (*_STILL, "back"), ("subject",),
    ),
    "digest.title": Wording(
        "Late: ${notices} since ${from}", "several that could not be delivered at their time, in one", _DIGEST,
    ),
    "digest.line": Wording("${at}  ${title}", "each of them, in ${lines}", ("at", "title"), ("title",)),
    "digest.text": Wording(
        "Nothing to do: what is still true comes by itself.\n${lines}\nThese could not be delivered here in time.",
        "the whole text", (*_DIGEST, "lines"), ("lines",), one_line=False,
    ),
    "drill.title": Wording("Test notice of ${day}", "the weekly test", ("room", "day")),
    "drill.text": Wording(
        "This is the weekly test. If it reached you on every channel, notices reach you. Nothing to do.",
        "the whole text", ("room", "day"), one_line=False,
    ),
    "answer.link": Wording("Answer: ${link}", "the way to answer, by a link", ("link",), ("link",)),
    "answer.topic": Wording(
        "Answer: send ${code} to ${topic}", "by a message", ("code", "topic"), ("code", "topic"),
    ),
    "answer.both": Wording(
        "Answer: ${link}, or send ${code} to ${topic}", "by both", ("link", "code", "topic"), ("link", "code"),
    ),
    "answer.drill": Wording("To prove the way back, answer this one, too.", "before it, in the weekly test", ()),
}  # fmt: skip
"""Every text by its key. A kind may have those of ``all`` for itself, as ``kinds.KIND`` instead of ``all``."""

WORDS: Final[dict[str, tuple[str, ...]]] = {
    "says": (),
    "cleared": (),
    "first": ("where", "room"),
    "otherwise": ("where", "room"),
}
"""The words of a kind, under ``kinds.KIND``, with the places that each may have."""


@dataclass(frozen=True, slots=True)
class Words:
    """What a kind says by itself. ``shows``: the places of its values, for the lines."""

    kind: str
    says: str
    cleared: str
    first: str
    otherwise: str
    shows: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Texts:
    """The texts in force: those that come along, but for the keeper's ``own`` by their keys.

    ``left_out``: what the keeper wrote and cannot be used, each in a line; the usual text stands in for it.
    """

    own: Mapping[str, str] = field(default_factory=dict, hash=False)
    left_out: tuple[str, ...] = ()

    def fill(self, key: str, places: Mapping[str, str], kind: str = "") -> str:
        """A finished text: the kind's own, else the keeper's for all, else the usual one.

        ``key`` is one of :data:`WORDINGS`. A template with a place that has no value just now is passed over, so a
        notice never fails for its wording.
        """
        for name in (of_kind(key, kind), key):
            found = self._filled(self.own.get(name, ""), places)
            if found:
                return found
        return Template(WORDINGS[key].default).substitute(places)

    def words(self, usual: Words, places: Mapping[str, str]) -> dict[str, str]:
        """A kind's words, as the keeper has them."""
        return {
            name: self._filled(self.own.get(f"kinds.{usual.kind}.{name}", ""), places) or getattr(usual, name)
            for name in WORDS
        }

    @staticmethod
    def _filled(template: str, places: Mapping[str, str]) -> str:
        try:
            return Template(template).substitute(places)
        except (KeyError, ValueError):
            return ""


def of_kind(key: str, kind: str) -> str:
    """The key under which a kind has a text of ``all`` for itself."""
    return f"kinds.{kind}.{key.removeprefix('all.')}" if kind and key.startswith("all.") else key


# -- reading the keeper's --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Slip:
    """One thing wrong with a text, by the ids of the configuration's mistakes; ``advice``: it can be used so."""

    id: str
    key: str
    what: str
    fix: str
    advice: bool = False


def read_texts(tables: Mapping[str, object], kinds: Sequence[Words]) -> tuple[dict[str, str], list[Slip]]:
    """The keeper's texts by their keys, from the tables of a file, and everything that is wrong with any of them.

    A text with a mistake is not among the texts; the others are.
    """
    own: dict[str, str] = {}
    slips: list[Slip] = []
    _read(tables, "", _all_keys(kinds), own, slips)
    return own, slips


def _all_keys(kinds: Sequence[Words]) -> dict[str, Wording]:
    """Every key that a file may have."""
    keys = dict(WORDINGS)
    for words in kinds:
        for name, places in WORDS.items():
            one_line = name in {"says", "cleared"}
            keys[f"kinds.{words.kind}.{name}"] = Wording(getattr(words, name), name, places, one_line=one_line)
        for key, wording in WORDINGS.items():
            if key.startswith("all."):
                places = (*wording.places, *words.shows) if wording.shows else wording.places
                keys[of_kind(key, words.kind)] = replace(wording, places=places)
    return keys


def _read(
    table: Mapping[str, object], within: str, keys: Mapping[str, Wording], own: dict[str, str], slips: list[Slip]
) -> None:
    depth = len(within)
    here = dict.fromkeys(key[depth:].split(".")[0] for key in keys if key.startswith(within))
    for name, value in table.items():
        key = within + (name if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", name) else ascii(name[:60]))
        if name not in here:
            import difflib

            near = difflib.get_close_matches(name, here, n=1)
            what, fix = "there is no such text", f"here are: {', '.join(here)}"
            if within == "kinds.":
                what, fix = f"there is no kind {name[:60]!a}", "see them all: warmtally explain"
            slips.append(
                Slip(
                    "unknown-kind" if within == "kinds." else "unknown-key",
                    key,
                    what,
                    f"did you mean {near[0]}?" if near else fix,
                )
            )
        elif key not in keys:
            if isinstance(value, Mapping):
                _read(value, f"{key}.", keys, own, slips)
            else:
                slips.append(Slip("wrong-kind", key, "is no table", f"write it as [{key}]"))
        elif not isinstance(value, str):
            slips.append(Slip("wrong-kind", key, "is no text", "write it in quotes"))
        else:
            found = list(_wrong(key, value, keys[key]))
            slips += found
            if all(slip.advice for slip in found):
                own[key] = value


def _wrong(key: str, text: str, wording: Wording) -> Iterator[Slip]:
    """Everything that is wrong with one text."""
    if not text.strip():
        yield Slip("out-of-bounds", key, "is empty", "write something, or take the key away for the usual text")
        return
    if len(text) > MOST_CHARACTERS:
        yield Slip("out-of-bounds", key, f"has {len(text)} characters", f"use up to {MOST_CHARACTERS}")
    signs = [c for c in text if unicodedata.category(c) in _NO_SIGNS and (c != "\n" or wording.one_line)]
    if signs:
        what = "holds a line break" if "\n" in signs else f"holds a control character ({signs[0]!a})"
        yield Slip("text-sign", key, what, "write it in one plain line" if wording.one_line else "take it away")
    there: set[str] = set()
    meant: set[str] = set()
    for found in Template.pattern.finditer(text):
        name = found["named"] or found["braced"]
        if found["invalid"] is not None:
            near = text[found.start() : found.start() + 12].split("\n", maxsplit=1)[0]
            yield Slip("text-dollar", key, f"a $ alone, at {near!a}", "write ${name} for a place, $$ for a dollar")
        elif name is not None and name not in wording.places and name not in there:
            import difflib

            close = difflib.get_close_matches(name.lower(), wording.places, n=1)
            meant.update(close)
            fix = (
                f"did you mean ${{{close[0]}}}?" if close else f"places here are: {', '.join(wording.places) or 'none'}"
            )
            yield Slip("text-place", key, f"there is no place ${{{name}}} here", fix)
        there.add(name)
    lost = [name for name in wording.needs if name not in there | meant]
    if lost and not (wording.shows and there & set(wording.places) >= _SENTENCE):
        named = " and ".join(f"${{{name}}}" for name in lost)
        instead = ", or ${where}, ${value} and ${limit}" if wording.shows and set(wording.places) >= _SENTENCE else ""
        what = f"{named} must not be left out: {PLACES[lost[0]]}"
        yield Slip("text-lost", key, what, f"put {named} into it{instead}")
    if _is_title(key):
        length = len(Template.pattern.sub(lambda m: "x" * _LENGTHS.get(m["braced"] or m["named"], USUAL_LENGTH), text))
        if length > LONG_TITLE:
            what = f"a title of about {length} characters is more than a phone shows whole"
            fix = f"make it {LONG_TITLE} or less" + (
                "; ${what} is the worst with its value, as long as there is room" if "what" in wording.places else ""
            )
            yield Slip("text-long", key, what, fix, advice=True)


def _is_title(key: str) -> bool:
    return key.rsplit(".", 1)[1] in {"title", "also", "gone", "says", "cleared"}
