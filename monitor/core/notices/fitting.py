"""How much a notice says: it is read at three in the morning, on a phone.

A title has fifty characters at most, with what it is about, its value and its limit. The first line of a text is what
to do; three hundred characters at most follow it. What has no room stands in the notice's story, which is kept with it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final

# What a phone shows of a title in one line, and of a text without opening it. Judgement, no source.
TITLE_MOST: Final = 50
TEXT_MOST: Final = 300
# What to do stands in one line of a text, at most. Judgement, no source.
LINE_MOST: Final = 80
# What was missed for a night is read by day; so much of it is one push or one mail of a page. Judgement, no source.
DIGEST_MOST: Final = 2000
# What is said by others (a broker, a payload, a disk) is cut after so much in a text; the story has more of it.
SAID_MOST: Final = 60
# A name is never cut to less.
_NAME_LEAST: Final = 7
_DOTS: Final = "..."


def clip(text: str, most: int) -> str:
    """A name of at most so many characters: its beginning and its end, by which it differs from others."""
    if len(text) <= most:
        return text
    kept = max(most, _NAME_LEAST) - len(_DOTS)
    return text[: kept - kept // 2] + _DOTS + text[len(text) - kept // 2 :]


def said(text: str, most: int = SAID_MOST) -> str:
    """Words of others as they may stand within a sentence: in one line, cut at the end of a word, without a full
    stop."""
    line = " ".join(text.split()).rstrip(".")
    if len(line) <= most:
        return line
    head = line[: most - len(_DOTS) + 1]
    return (head.rsplit(" ", 1)[0] if " " in head else head[:-1]).rstrip(",;:. ") + _DOTS


def in_full(text: str, most: int = SAID_MOST) -> tuple[str, ...]:
    """The whole of words of others that :func:`said` has cut, as a sentence; nothing where it has not."""
    line = " ".join(text.split())
    return () if said(text, most) == line.rstrip(".") else (f"In full: {line}",)


def against(value: str, limit: str) -> tuple[str, str]:
    """A value and its limit in two lengths: "31.9 °C, limit 31.0" and "31.9/31.0 °C"."""
    if not limit:
        return value, value
    unit = _unit(value)
    if unit and unit == _unit(limit):
        bare = limit.removesuffix(unit).rstrip()
        return (
            f"{value}, limit {bare}",
            f"{value.removesuffix(unit).rstrip()}/{bare}{value[len(value) - len(unit) - 1 :]}",
        )
    return f"{value}, limit {limit}", f"{value}/{limit}"


def _unit(shown: str) -> str:
    found = re.fullmatch(r"(?:was )?[−-]?[0-9.]+ (\S+)", shown)
    return "" if found is None else found[1]


def fit_title(fill: Callable[[str], str], whats: Sequence[str], name: str, tight: Sequence[str]) -> str:
    """The first of ``whats`` with which a title is short enough; else the name, as much of it as fits, with the first
    of ``tight`` behind it that leaves room for it. Where there is nothing to name, no colon is left."""
    for what in whats:
        title = fill(what).rstrip(": ")
        if len(title) <= TITLE_MOST:
            return title
    for behind in (*tight, ""):
        title = fill(clip(name, TITLE_MOST - len(fill(behind))) + behind).rstrip(": ")
        if len(title) <= TITLE_MOST:
            break
    return title


def after_first(text: str) -> int:
    """How many characters follow the first line."""
    return len(text.partition("\n")[2])


def fit_text(fill: Callable[[Sequence[str], str], str], must: str, more: Sequence[str], others: Sequence[str]) -> str:
    """The fullest text that is short enough.

    ``fill`` makes a text of the sentences of the worst and of the others' values. ``must`` stands in any case; the
    others' values go before ``more`` sentences of the worst.
    """
    text = ""
    for listed in _fewer(others):
        for n in range(len(more), -1, -1):
            text = fill([must, *more[:n]], listed)
            if after_first(text) <= TEXT_MOST:
                return text
    return text


def fit_lines(fill: Callable[[Sequence[str]], str], shorter: Iterable[Sequence[str]], most: int = TEXT_MOST) -> str:
    """The first of some choices of lines, each shorter than the one before, with which no more than so much follows the
    first line of a text."""
    text = ""
    for lines in shorter:
        text = fill(lines)
        if after_first(text) <= most:
            break
    return text


def fit_list(names: Sequence[str], most: int) -> str:
    """As many of some names as go into so many characters, and how many more there are; the first one in any case."""
    return next((x for x in _fewer(names) if len(x) <= most), clip(names[0], most))


def _fewer(others: Sequence[str]) -> Iterator[str]:
    """The others in a list, from all of them to none."""
    for n in range(len(others), -1, -1):
        left = len(others) - n
        named = ", ".join(others[:n])
        if not left:
            yield named
        else:
            yield f"{named} and {left} more" if named else f"{left} more"
