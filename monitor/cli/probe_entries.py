"""Entries for probes that nobody reads yet: how a probe is named by what it sends, and its part of the room's file.

``listen`` proposes them with what is to be checked, ``setup`` writes them with what was answered.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import Final, cast

from monitor.adapters.mqtt.ear import Overheard
from monitor.core.readings.decode import Guess, guess, to_unit
from monitor.core.terms.settings import Probe, Unit
from monitor.telling.probe_entry import Value
from monitor.values import dataclass

# What a probe's name says it measures.
WORDS: Final = {"temperature": "warmth", "humidity": "humidity", "battery": "battery"}
# Last words of a topic or pointer that say no more than that.
_NO_NAMES: Final = re.compile(
    r"(?:temp(?:erature)?(?:[_-]?[cfk])?|tmp|warmth|humidity|hum|rh|batt(?:ery)?|value|val|state|reading)",
    re.IGNORECASE,
)
LONGEST_STEM: Final = 40
# Two alkaline cells in a row; what a lithium cell needs stands in the example of the configuration (common practice).
LOW_V: Final = 2.4
# So many numbers of one topic are looked at, those with a meaning first: a device has some dozens.
MOST_OF_TOPIC: Final = 60
# So many messages tell how often a probe reports.
TELLING: Final = 3


@dataclass(frozen=True, slots=True)
class Candidate:
    """One number of a message that nobody reads yet."""

    heard: Overheard
    guess: Guess

    @property
    def place(self) -> tuple[str, str | None, str | None]:
        """What no two probes share."""
        return self.heard.topic, self.guess.list_pointer, self.guess.pointer

    @property
    def interval(self) -> str | None:
        """How often it reports, as the file has it; None where too little was heard to tell."""
        told = self.heard.interval_s if len(self.heard.arrivals) >= TELLING else None
        return None if told is None else f"{max(round(told), 1)} s"


def unread(
    heard: Sequence[Overheard], probes: Sequence[Probe], wanted: Callable[[Candidate], bool] = lambda _: True
) -> Iterator[list[Candidate]]:
    """Of each topic the numbers that no probe reads, batteries last: first is told what they are the batteries of. Of a
    topic that some probe reads, what nobody could tell was left alone when that was written."""
    for topic in heard:
        claiming = [p for p in probes if p.topic == topic.topic]
        read = {(p.list_pointer, p.pointer) for p in claiming}
        found = [Candidate(topic, g) for g in guess(topic.topic, topic.last) if (g.list_pointer, g.pointer) not in read]
        if claiming:
            found = [f for f in found if f.guess.quantity is not None]
        found = sorted(filter(wanted, found), key=lambda f: f.guess.quantity is None)[:MOST_OF_TOPIC]
        if found:
            yield sorted(found, key=lambda f: f.guess.quantity == "battery")


def name_of(found: Candidate, taken: set[str]) -> str:
    """A name for a probe, by the words of its topic and its pointer and by what it measures; added to ``taken``."""
    steps = [*found.heard.topic.split("/"), *(found.guess.pointer or "").split("/")[1:]]
    steps = [w for step in steps if (w := re.sub(r"[^A-Za-z0-9_]+", "-", step[:200]).strip("-_"))]
    while steps and _NO_NAMES.fullmatch(steps[-1]):
        steps.pop()
    # The last steps tell one from another; of a number that may be anything nothing else does.
    stem = "-".join(steps)[-LONGEST_STEM:].strip("-_")
    name = "-".join(w for w in (stem, WORDS.get(found.guess.quantity or "", "")) if w) or "probe"
    unique = name if name not in taken else f"{name}-{_free(name, taken)}"
    taken.add(unique)
    return unique


def _free(name: str, taken: set[str]) -> int:
    """A number that makes a name another one; found in few steps, since topics of one name can be thousands."""
    free = 2
    while f"{name}-{free}" in taken:
        free *= 2
    used = free // 2
    while free - used > 1:
        between = (used + free) // 2
        used, free = (between, free) if f"{name}-{between}" in taken else (used, between)
    return free


def fits(value: float, unit: str) -> bool:
    """Whether a room for eggs may be at a value in this unit, its heaters off or stuck. Judgement, no source."""
    if unit in ("%", "g"):
        return value > 0.0 and (unit == "g" or value <= 100.0)
    return unit in ("C", "F", "K") and 5.0 <= to_unit(value, cast(Unit, unit)) <= 45.0


def keys_of(found: Candidate, name: str, unit: str | None = None) -> dict[str, Value | None]:
    """What is known of a probe by what it sends."""
    g = found.guess
    return {
        "id": name,
        "topic": found.heard.topic,
        "unit": unit or g.unit or "C",
        "list_pointer": g.list_pointer,
        "pointer": g.pointer,
        "time_pointer": g.time_pointer,
        "time_form": g.time_form,
    }


def battery_keys(found: Candidate, name: str, owner: str) -> dict[str, Value | None]:
    """The entry of a battery that the message of the probe ``owner`` tells of."""
    return keys_of(found, name) | {"battery_of": owner, "low": LOW_V if found.guess.unit == "V" else None}


def plain(text: str, length: int = 100) -> str:
    """What came from outside as one line that moves no cursor and turns no letters around."""
    shown = "".join(c if c.isprintable() else "?" for c in " ".join(text[: 4 * length].split()))
    return shown if len(shown) <= length else shown[:length] + " ..."
