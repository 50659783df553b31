"""Who may look at the page and who may enter: people with a passphrase, and other programs with a token.

Whoever may enter may also look. A right with a day ends with that day, in the room's zone.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Iterable
from dataclasses import field
from typing import Final, Literal, get_args

from monitor.values import dataclass

Right = Literal["look", "enter"]
RIGHTS: Final[tuple[Right, ...]] = get_args(Right)
LONGEST_NAME: Final = 40
SHORTEST_PASSPHRASE: Final = 12
"""Signs. Judgement, no source: tries are few and slow here."""
FEWEST_WORDS: Final = 4
LONGEST_PASSPHRASE: Final = 256
_SHORTEST_WORD: Final = 2
_FEWEST_DIFFERENT: Final = 5
_OF_ITS_OWN: Final = 8


@dataclass(frozen=True, slots=True)
class Person:
    """``hash`` is what the passphrase can be checked by, ``stamp`` changes with it. ``left``: sign-ins that were ended,
    each with when it would have ended by itself."""

    name: str
    may: Right
    until: dt.date | None
    hash: str = field(repr=False)
    stamp: str = field(repr=False)
    since_ms: int = 0
    left: tuple[tuple[str, int], ...] = field(default=(), repr=False)


@dataclass(frozen=True, slots=True)
class ProgramToken:
    """What another program shows instead of a passphrase; ``digest`` is what it can be checked by."""

    name: str
    may: Right
    until: dt.date | None
    digest: str = field(repr=False)
    since_ms: int = 0


@dataclass(frozen=True, slots=True)
class People:
    """All who were entered."""

    people: tuple[Person, ...] = ()
    tokens: tuple[ProgramToken, ...] = ()

    def person(self, name: str) -> Person | None:
        """By a name as somebody types it: small and capital letters are alike."""
        return next((p for p in self.people if name_key(p.name) == name_key(name)), None)

    def named(self, name: str) -> Person | ProgramToken | None:
        """Whoever has this name already."""
        tokens = (t for t in self.tokens if name_key(t.name) == name_key(name))
        return self.person(name) or next(tokens, None)


def is_over(right: Person | ProgramToken, today: dt.date) -> bool:
    """Whether a right has ended by itself; ``today`` in the room's zone."""
    return right.until is not None and today > right.until


def in_one_line(text: str) -> str:
    """A name or passphrase as it counts: composed (Unicode NFC), blanks at the ends left out and single between."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def name_key(name: str) -> str:
    """By what two names are the same."""
    return unicodedata.normalize("NFKC", in_one_line(name)).casefold()


def name_fault(name: str) -> str:
    """Why this can be nobody's name; empty where it can. ``name`` as :func:`in_one_line` gives it."""
    if not name:
        return "a name is missing"
    if not name.isprintable() or len(name) > LONGEST_NAME:
        return f"a name is {LONGEST_NAME} signs at most, each of which can be shown"
    return ""


def passphrase_fault(passphrase: str, names: Iterable[str]) -> str:
    """Why this cannot be a passphrase; empty where it can. ``passphrase`` as :func:`in_one_line` gives it; ``names``:
    what everybody would try first, such as whose it is."""
    if not passphrase.isprintable() or len(passphrase) > LONGEST_PASSPHRASE:
        return f"a passphrase is {LONGEST_PASSPHRASE} signs at most, each of which can be shown"
    words = {w.casefold() for w in passphrase.split(" ") if len(w) >= _SHORTEST_WORD}
    if len(passphrase) < SHORTEST_PASSPHRASE and len(words) < FEWEST_WORDS:
        return f"too short: take {SHORTEST_PASSPHRASE} signs at least, or {FEWEST_WORDS} different words"
    if len(set(passphrase.casefold())) < _FEWEST_DIFFERENT:
        return f"too plain: it has fewer than {_FEWEST_DIFFERENT} different signs"
    rest = passphrase.casefold()
    for name in (*names, "warmtally"):
        for word in name_key(name).split(" "):
            rest = rest.replace(word, "") if len(word) >= _SHORTEST_WORD else rest
    if len(rest.replace(" ", "")) < _OF_ITS_OWN:
        return "too easily guessed: little is left of it without the names in it"
    return ""
