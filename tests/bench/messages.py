"""What a woken keeper reads: characters, lines and ease of every kind's notices, and where they break the rule.

The rooms are those of ``monitor.simulation.scenes``: every kind true, in C and F, for one box, three and twelve, with
short ids and the longest, with words of others that are long. Ease is LIX (Björnsson 1968): words per sentence and the
share of words of more than six letters; below 40 reads like a story, above 60 like a law (from memory of his scale).
"""

from __future__ import annotations

import re
import statistics
from collections.abc import Iterator
from typing import Final

from monitor.core.notices.by_calendar import daily
from monitor.core.notices.fitting import LINE_MOST, TEXT_MOST, TITLE_MOST, after_first
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notice import Notice
from monitor.simulation.scenes import Names, Scene, raised_by, told
from tests.bench import Figures

LONG_WORD: Final = 6
# The middle of them; single ones hold ids and numbers that count as long words. Judgement, no source.
MOST_LIX: Final = 45.0
SAID: Final = "Connection refused by the other side while the line was being made, for the third time"


def lix(text: str) -> float:
    """Words per sentence plus the percentage of words of more than six letters (Björnsson 1968)."""
    words = re.findall(r"[^\W\d_]+", text)
    sentences = max(len(re.findall(r"[.!?:](?:\s|$)|\n", f"{text}\n")), 1)
    return len(words) / sentences + 100.0 * sum(len(w) > LONG_WORD for w in words) / max(len(words), 1)


def _scenes() -> Iterator[tuple[str, Scene]]:
    for unit in ("C", "F"):
        for n in (1, 3, 12):
            short = tuple(f"box{i}" for i in range(n))
            long = tuple(f"{i:02}-left-rack-upper-shelf"[:24] for i in range(n))
            yield f"{unit}, {n}", Scene(Names(short), unit)
            whole = Names(long, "s" * 24, "r" * 60, "c" * 15, "p" * 24, "g" * 24)
            yield f"{unit}, {n}, longest", Scene(whole, unit, over_c=8.0, uncertainty_c=float("inf"), said=SAID)


def _all() -> Iterator[tuple[str, str, Notice]]:
    for name, scene in _scenes():
        snapshots = list(scene.all())
        for kind in all_kinds():
            for snapshot, looks in raised_by(kind, snapshots):
                for change, notice in told(kind, snapshot, looks).items():
                    yield kind.name, f"{change} ({name})", notice
        yield "daily-line", f"daily ({name})", daily(snapshots[-1])


def measure() -> Figures:
    figures: dict[str, float | int | str | bool | None] = {}
    short: list[str] = []
    made = list(_all())
    for kind in sorted({k for k, _, _ in made}):
        notices = [n for k, _, n in made if k == kind]
        first = max(len(n.text.partition("\n")[0]) for n in notices)
        title, rest = max(len(n.title) for n in notices), max(after_first(n.text) for n in notices)
        figures[f"{kind}: longest title, first line, rest"] = f"{title}, {first}, {rest}"
        figures[f"{kind}: LIX"] = round(statistics.median(lix(n.text) for n in notices), 1)
    for kind, what, n in made:
        broken = len(n.title) > TITLE_MOST or after_first(n.text) > TEXT_MOST
        if broken or len(n.text.partition("\n")[0]) > LINE_MOST:
            short.append(f"{kind}, {what}: {n.title!r} / {n.text!r}")
    missing = {k.name for k in all_kinds()} - {k for k, _, _ in made}
    short += [f"{kind}: not among them" for kind in sorted(missing)]
    ease = round(statistics.median(lix(n.text) for _, _, n in made), 1)
    figures |= {"notices": len(made), "LIX, median": ease}
    figures["longest rest"] = max(after_first(n.text) for _, _, n in made)
    figures["most lines"] = max(len(n.text.splitlines()) for k, _, n in made if k != "daily-line")
    if ease > MOST_LIX:
        short.append(f"LIX {ease}, above {MOST_LIX}")
    return Figures(figures, short)
