"""Looks at a picture as markup: where words stand and lines run, and what of it meets.

Words are measured by the widths of a real font and not by the drawing's own rule: DejaVu Sans 2.37 and its bold, the
advances of U+0020 to U+007E from their table ``hmtx``, in thousandths of the size. Whatever is beyond that table counts
as wide as a whole square, or more.
"""

from __future__ import annotations

import math
import re
import unicodedata
import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise
from pathlib import Path

import monitor.page

SVG = "{http://www.w3.org/2000/svg}"
REGULAR = (
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636, 636,
    636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295, 295, 656,
    557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613,
    635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818,
    592, 592, 525, 636, 337, 636, 838,
)  # fmt: skip
BOLD = (
    348, 456, 521, 838, 696, 1002, 872, 306, 457, 457, 523, 838, 380, 415, 380, 365, 696, 696, 696, 696, 696, 696,
    696, 696, 696, 696, 400, 400, 838, 838, 838, 580, 1000, 774, 762, 734, 830, 683, 683, 821, 837, 372, 372, 775,
    637, 995, 837, 850, 733, 850, 770, 720, 682, 812, 774, 1103, 771, 724, 725, 457, 365, 457, 838, 500, 500, 675,
    716, 593, 716, 678, 435, 716, 712, 343, 343, 665, 343, 1042, 712, 687, 716, 716, 493, 595, 478, 712, 652, 924,
    645, 652, 582, 712, 365, 712, 838,
)  # fmt: skip
BEYOND = {"°": 500, "±": 838, "−": 838, "…": 1000}
# Lines may touch the room of words by so much, and words that of each other.
TOUCH = 0.4
CSS = (Path(monitor.page.__file__).parent / "static" / "picture.css").read_text(encoding="utf-8")
# Stripes lie under words; an egg has its number in it.
UNDER = {"pw", "pe"}

Point = tuple[float, float]


def bold_classes(css: str = CSS) -> set[str]:
    """The classes that the style sheet makes bold."""
    return {
        name
        for selectors, body in re.findall(r"([^{}]+)\{([^{}]*font-weight: 700[^{}]*)\}", css)
        for name in re.findall(r"\.(p[a-z])\b", selectors)
    }


BOLDS = bold_classes()


def wide(text: str, size: float, *, bold: bool) -> float:
    total = 0.0
    for sign in text:
        if " " <= sign <= "~":
            total += (BOLD if bold else REGULAR)[ord(sign) - 32]
        elif not unicodedata.combining(sign):
            total += BEYOND.get(sign, 1300 if unicodedata.east_asian_width(sign) in "WF" else 1000)
    return size * total / 1000.0


@dataclass(frozen=True)
class WordsAt:
    text: str
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: WordsAt) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > TOUCH and down > TOUCH


def words_of(root: ET.Element) -> list[WordsAt]:
    usual = float(root.get("font-size", "16"))
    found = []
    for node in root.iter(f"{SVG}text"):
        size = float(node.get("font-size", usual))
        heavy = node.get("class", "").split()[0] in BOLDS
        parts = [(node.text or "", heavy)]
        for span in node:
            parts += [(span.text or "", span.get("class") in BOLDS or heavy), (span.tail or "", heavy)]
        width = sum(wide(text, size, bold=bold) for text, bold in parts)
        x, y = float(node.get("x", "nan")), float(node.get("y", "nan"))
        left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[node.get("text-anchor", "start")] * width
        # From the top of capitals and figures to below a g, by the same font.
        found.append(WordsAt("".join(t for t, _ in parts), left, y - 0.76 * size, left + width, y + 0.24 * size))
    return found


def _numbers(data: str) -> list[str]:
    return re.findall(r"[A-Za-z]|-?\d*\.?\d+(?:e-?\d+)?", data)


def pieces(data: str) -> Iterator[tuple[Point, Point]]:
    """The straight pieces of a path; curves as eight chords. Knows what the pictures use: M, L, H, V, Q, C and S-less
    curves, arcs as their chord, z."""
    at, start = (0.0, 0.0), (0.0, 0.0)
    signs, i, order = _numbers(data), 0, ""
    takes = {"m": 2, "l": 2, "h": 1, "v": 1, "q": 4, "c": 6, "a": 7, "z": 0}
    while i < len(signs):
        if signs[i].isalpha():
            order, i = signs[i], i + 1
        need = takes[order.lower()]
        given = [float(x) for x in signs[i : i + need]]
        assert len(given) == need, data
        i += need
        low, off = order.lower(), at if order.islower() else (0.0, 0.0)
        if low == "z":
            yield at, start
            at = start
            continue
        if low == "h":
            ways = [(given[0] + off[0], at[1])]
        elif low == "v":
            ways = [(at[0], given[0] + off[1])]
        elif low == "a":
            ways = [(given[5] + off[0], given[6] + off[1])]
        else:
            ends = [(x + off[0], y + off[1]) for x, y in zip(given[::2], given[1::2], strict=True)]
            ways = ends if len(ends) == 1 else [_bezier([at, *ends], k / 8) for k in range(1, 9)]
        if low == "m":
            at = start = ways[0]
            order = "l" if order == "m" else "L"
            continue
        yield from pairwise([at, *ways])
        at = ways[-1]


def _bezier(points: list[Point], t: float) -> Point:
    while len(points) > 1:
        points = [(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for a, b in pairwise(points)]
    return points[0]


def runs_through(a: Point, b: Point, words: WordsAt) -> bool:
    """Whether a straight piece has any of itself inside of some words (Liang and Barsky 1984)."""
    box = words.left + TOUCH, words.right - TOUCH, words.top + TOUCH, words.bottom - TOUCH
    first, last = 0.0, 1.0
    for start, way, low, high in ((a[0], b[0] - a[0], box[0], box[1]), (a[1], b[1] - a[1], box[2], box[3])):
        if math.isclose(way, 0.0, abs_tol=1e-9):
            if not low < start < high:
                return False
            continue
        near, far = sorted(((low - start) / way, (high - start) / way))
        first, last = max(first, near), min(last, far)
    return first < last


def what_meets(markup: str) -> list[str]:
    """What is wrong in a picture: words that meet, that are cut off, or that a line runs through."""
    root = ET.fromstring(markup.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    _, _, width, height = (float(x) for x in root.get("viewBox", "").split())
    words = words_of(root)
    found = [f"{a.text!r} meets {b.text!r}" for a, b in combinations(words, 2) if a.meets(b)]
    for w in words:
        if w.left < 0 or w.top < 0 or w.right > width or w.bottom > height:
            found.append(f"{w.text!r} is cut off")
    near = _by_height(words)
    for name, a, b in _lines(root):
        found += [f"a line of {name} runs through {w.text!r}" for w in near(a, b) if runs_through(a, b, w)]
    return found


def _lines(root: ET.Element) -> Iterator[tuple[str, Point, Point]]:
    """Each straight piece that is drawn over words or beside them, with its class."""
    for node in root.iter(f"{SVG}path"):
        name = node.get("class", "")
        if name not in UNDER:
            yield from ((name, a, b) for a, b in pieces(node.get("d", "")))
    for node in root.iter(f"{SVG}rect"):
        x, y, across, down = (float(node.get(k, "nan")) for k in ("x", "y", "width", "height"))
        corners = [(x, y), (x + across, y), (x + across, y + down), (x, y + down), (x, y)]
        if node.get("class") != "pp":
            yield from (("a box", a, b) for a, b in pairwise(corners))


def _by_height(words: list[WordsAt], step: float = 50.0) -> Callable[[Point, Point], set[WordsAt]]:
    """Which words are near a piece by height, so that not all are looked at for each."""
    shelves: dict[int, set[WordsAt]] = defaultdict(set)
    for w in words:
        for k in range(int(w.top // step), int(w.bottom // step) + 1):
            shelves[k].add(w)

    def near(a: Point, b: Point) -> set[WordsAt]:
        low, high = sorted((a[1], b[1]))
        return set().union(*(shelves[k] for k in range(int(low // step), int(high // step) + 1) if k in shelves))

    return near
