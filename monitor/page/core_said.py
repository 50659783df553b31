"""Sentences of the program's own in the language of a page.

What watches speaks English, and knows of no page. Which of its sentences a page has in its language stands in the one
table of texts, part "core": the English text is the sentence with its places, and what fits it as a whole is said as
the other language has it. What fits none stays as it is: so do words that a keeper has chosen for notices.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Final

from monitor.core.notices.kinds import all_kinds
from monitor.page.said import Say, short_said
from monitor.page.texts import USUAL, saying, table

PART: Final = "core."
LIST: Final = "; "
_PLACE: Final = re.compile(r"\\\$\\\{(\w+)\\\}")
_PLACE_IN_TEXT: Final = re.compile(r"\$\{\w+\}")
KEPT: Final = 2000
"""So many sentences are remembered with what they are on the page."""


def pattern_of(template: str) -> re.Pattern[str]:
    """What fits a text of the table: anything in its places."""
    return re.compile(_PLACE.sub(r"(?P<\1>.+?)", re.escape(template)))


def core_saying(language: str) -> Callable[[str], str]:
    """Says a sentence of the program as a page of this language does. Safe to use from several threads."""
    if language == USUAL:
        return lambda text: text
    say = saying(language)
    # What says more of a sentence comes first: "prepare for ${clutch} (venomous)" before "prepare for ${clutch}".
    texts = sorted(table(USUAL).items(), key=lambda item: -len(_PLACE_IN_TEXT.sub("", item[1])))
    known = [(key, pattern_of(text)) for key, text in texts if key.startswith(PART)]

    @lru_cache(KEPT)
    def said(text: str) -> str:
        for key, pattern in known:
            if found := pattern.fullmatch(text):
                return say(key, **{name: inner(value) for name, value in found.groupdict().items()})
        return text

    def inner(value: str) -> str:
        """What stands in a place: again a sentence or several, or a few words."""
        parts = [said(part) for part in value.split(LIST)]
        return LIST.join(short_said(a, say) if a == b else a for a, b in zip(parts, value.split(LIST), strict=True))

    return said


def title_saying(language: str) -> Callable[[str], str]:
    """Says the title of a notice as a page of this language does, where it begins as the program's own do."""
    if language == USUAL:
        return lambda text: text
    say, said = saying(language), core_saying(language)
    heads = dict[str, str]()
    for kind in all_kinds():
        what = say(f"kind.{kind.name}")
        heads |= {
            kind.says: what,
            f"Still {kind.says[:1].lower()}{kind.says[1:]}": say("notices.still", what=what),
            f"Also {kind.says[:1].lower()}{kind.says[1:]}": say("notices.also", what=what),
        }
        if kind.cleared_says:
            heads[kind.cleared_says] = say("notices.over", what=what)

    def title(text: str) -> str:
        head, cut, what = text.partition(": ")
        if head not in heads:
            return said(text)
        whom = said(what)
        return f"{heads[head]}{cut}{short_said(what, say) if whom == what else whom}"

    return title


def words_of(texts: Say, said: Callable[[str], str], text: str) -> str:
    """A sentence, or the few words beside a figure."""
    found = said(text)
    return short_said(text, texts) if found == text else found
