"""A stack's plot: levels stand where they are, bars are as long as they say, limits are shaded, words say it all."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from monitor.core.climate.stacks import Level, StackProfile
from monitor.telling.drawing.stack_plot import StackScene, in_words, svg_stack, terminal_stack

LEVELS = (
    Level("box low", 50.0, 27.4, 0.05, True),
    Level("box middle", 90.0, 27.9, 0.05, True),
    Level("box high", 120.0, 28.2, 0.05, True),
    Level("box top", 150.0, 28.6, 0.05, True),
)
AIR = Level("air at 100 cm", 100.0, 28.1, 0.29, False)


def scene(levels: tuple[Level, ...] = LEVELS, cool: float | None = 26.0, warm: float | None = 29.5) -> StackScene:
    top, low = max(levels, key=lambda x: x.mean_c), min(levels, key=lambda x: x.mean_c)
    profile = StackProfile("left", levels, 1.2, 0.07, None, top.name, low.name, 0, 1, 24)
    return StackScene.of(profile, (AIR,), cool, warm)


def column(text: str, name: str) -> int:
    line = next(x for x in text.splitlines() if name in x)
    return line.index("o")


def test_in_the_terminal_levels_are_in_order_of_height_and_warmth() -> None:
    text = terminal_stack(scene(), "C")
    names = ["box top", "box high", "air at 100 cm", "box middle", "box low"]
    rows = [next(i for i, x in enumerate(text.splitlines()) if n in x) for n in names]
    assert rows == sorted(rows)
    columns = [column(text, n) for n in ("box low", "box middle", "box high", "box top")]
    assert columns == sorted(columns)
    assert max(len(x) for x in text.splitlines()[:-1]) <= 76


def test_what_lies_beyond_the_limits_is_shaded_and_nothing_is_without_limits() -> None:
    shaded = terminal_stack(scene(), "C").splitlines()
    assert all("/" in x for x in shaded[1:10])
    assert "/" not in terminal_stack(scene(cool=None, warm=None), "C")
    # A limit far away would press all levels together.
    assert "/" not in terminal_stack(scene(cool=10.0, warm=45.0), "C")


@pytest.mark.parametrize(("unit", "near"), [("C", "28.60 °C"), ("F", "83.48 °F")])
def test_the_drawing_is_sound_and_says_each_level_in_the_keepers_unit(unit: str, near: str) -> None:
    drawn = svg_stack(scene(), unit, "one day")  # type: ignore[arg-type]
    root = ET.fromstring(drawn)
    texts = ["".join(x.itertext()) for x in root.iter("{http://www.w3.org/2000/svg}text")]
    assert f"box top {near}" in texts
    assert f"temperature, °{unit}" in texts
    assert {"too cool", "too warm"} <= set(texts)
    assert "one day" in texts[0]
    assert near in in_words(scene(), unit)  # type: ignore[arg-type]


def test_in_the_drawing_higher_is_higher_and_warmer_is_further_right() -> None:
    found = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', svg_stack(scene(), "C"))
    points = [(float(x), float(y)) for x, y in found]
    # From the top down.
    assert [y for _, y in points] == sorted(y for _, y in points)
    assert [x for x, _ in points] == sorted((x for x, _ in points), reverse=True)


def test_nothing_is_drawn_outside_of_the_picture() -> None:
    wide = tuple(Level(f"box with a long name {i}", 10.0 + 35 * i, 26.0 + 2.5 * i, 1.5, False) for i in range(5))
    root = ET.fromstring(svg_stack(scene(wide), "C"))
    width, height = float(root.attrib["width"]), float(root.attrib["height"])
    for x in root.iter("{http://www.w3.org/2000/svg}text"):
        at, text = float(x.attrib["x"]), "".join(x.itertext())
        long = 6.8 * len(text) * float(x.attrib["font-size"]) / 13.0
        left = {"start": at, "middle": at - long / 2, "end": at - long}[x.attrib["text-anchor"]]
        if "transform" not in x.attrib:
            assert left >= 0.0
            assert left + long <= width
        assert 0.0 < float(x.attrib["y"]) < height


def test_a_level_that_stands_out_is_marked_in_both() -> None:
    odd = (*LEVELS[:2], Level("box high", 120.0, 30.2, 0.05, True), LEVELS[3])
    assert "box high ?" in terminal_stack(scene(odd), "C")
    assert "box high 30.20 °C (stands out)" in svg_stack(scene(odd), "C")
