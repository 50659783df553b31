"""The picture of the room: words never meet and are never cut off, no line runs through them, whatever the room is."""

from __future__ import annotations

import math
import random
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.page.texts import saying
from monitor.simulation.scenes import Scene
from monitor.telling.drawing.room_picture import NARROW, WIDE, svg_room, svgs_room
from monitor.telling.drawing.room_scene import RoomScene, ShownBox, ShownEggs, ShownStack, room_scene
from tests.peers import PROJECT
from tests.telling.drawing.overlap import CSS, SVG, bold_classes, pieces, what_meets

SAY = saying("en")
ZONE = ZoneInfo("Europe/Vienna")
NOW = round(datetime(2026, 6, 28, 6, 14, tzinfo=ZONE).timestamp() * 1000)
SIGNS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_ äöüßéЖ卵🥚&<>\"'"


def at(days: float) -> int:
    return NOW + round(days * DAY_MS)


def eggs(clutch: str, box: str, first: float = 3.0, **more: object) -> ShownEggs:
    """Eggs that are expected from so many days on."""
    known = ShownEggs(
        clutch, f"{clutch}/{box}", box, "expected", 6, 0, 0, 0, development=0.9,
        window=(at(first), at(first + 2.5), at(first + 6.0)), wait_until_ms=at(first + 11.0),
    )  # fmt: skip
    return replace(known, **more)  # type: ignore[arg-type]


def box(name: str, height_cm: float, now_c: float | None = 28.4, **more: object) -> ShownBox:
    known = ShownBox(name, "left", height_cm, now_c, last_c=now_c, last="06:14", half_c=0.2, trend_c=0.0)
    return replace(known, **more)  # type: ignore[arg-type]


def room(*boxes: ShownBox, unit: DisplayUnit = "C") -> RoomScene:
    return RoomScene("Back room", NOW, ZONE, unit, (ShownStack("left", boxes),) if boxes else ())


def _name(rnd: random.Random) -> str:
    return "".join(rnd.choice(SIGNS) for _ in range(rnd.randint(1, rnd.choice((4, 10, 60))))).strip() or "x"


def _drawn_eggs(rnd: random.Random, names: list[str], place: str) -> ShownEggs:
    """Eggs in any state, with windows that are near, far, past, narrow or broad."""
    first = rnd.choice((rnd.uniform(-40, 90), rnd.uniform(-3, 8), rnd.uniform(100, 2000)))
    span = rnd.choice((0.0, 0.3, 2.0, 9.0, 40.0))
    days = first, first + span * rnd.random(), first + span
    window = tuple(at(d) for d in days)
    missed = tuple(at(d - rnd.uniform(0.1, 30)) for d in sorted(days)) if days[2] < 5 and rnd.random() < 0.6 else None
    pips = tuple((at(-rnd.uniform(0, 25)), rnd.choice((1, 3, 12, 140))) for _ in range(rnd.choice((0, 0, 0, 1, 2, 5))))
    state = "pipping" if pips else "late" if missed else "expected"
    known = ShownEggs(
        rnd.choice(names), "x/y", place, state, rnd.randint(1, 60), sum(n for _, n in pips), rnd.choice((0, 4)),  # type: ignore[arg-type]
        rnd.choice((0, 2)), development=rnd.choice((None, 0.0, 0.5, 1.3, 4.0)), window=window,  # type: ignore[arg-type]
        missed=missed, wait_until_ms=rnd.choice((None, at(days[2] + rnd.uniform(0, 30)))), pips=pips,  # type: ignore[arg-type]
    )  # fmt: skip
    if rnd.random() < 0.12:
        why = "no reading of a box with a name is there yet, and so this is long"
        return replace(known, state="no date", window=None, missed=None, wait_until_ms=None, why=why)
    if rnd.random() < 0.12:
        return replace(known, state="done", waiting=0, window=None, missed=None, wait_until_ms=None, closed_ms=at(-2))
    return known


def _drawn_box(rnd: random.Random, names: list[str], height_cm: float, most_lots: int) -> ShownBox:
    name = _name(rnd)
    c = rnd.choice((rnd.gauss(28.0, 0.5), rnd.gauss(28.0, 3.0), -3.0, 71.2))
    known = box(
        name, height_cm, c, half_c=rnd.choice((0.05, 0.6, 3.0, math.inf)),
        age=rnd.choice(("", "", "12 min ago", "23 h 59 min ago")),
        estimated=rnd.choice(("", "", "from the boxes above and below")),
        trend_c=rnd.choice((None, 0.0, 0.4, -12.3)), day_c=rnd.choice((None, c + 0.2)),
        too_cool_c=rnd.choice((None, 26.0)), too_warm_c=rnd.choice((None, 31.0)),
        eggs=tuple(_drawn_eggs(rnd, names, name) for _ in range(rnd.randint(0, most_lots))),
    )  # fmt: skip
    if rnd.random() < 0.2:
        last_c = rnd.choice((None, c))
        return replace(
            known, now_c=None, last_c=last_c, last="" if last_c is None else "Fri 05:40", trend_c=None, age=""
        )
    return known


def drawn_room(seed: int, many: int = 0) -> RoomScene:
    """A room by chance: 1 to 64 boxes in 1 to 4 stacks, names of 1 to 60 signs, 0 to 4 lots in a box."""
    rnd = random.Random(seed)
    count = many or rnd.choice((1, 2, 4, 8, 12, 13, 33, 64))
    names = [_name(rnd) for _ in range(rnd.randint(1, 6))]
    tall = rnd.choice((0.0, 1.0, 40.0, 200.0, 5000.0))
    stacks: list[ShownStack] = []
    left = count
    while left:
        n = left if len(stacks) == 3 else rnd.randint(1, left)
        left -= n
        places = sorted((rnd.choice((50.0, rnd.uniform(-tall, tall))) for _ in range(n)), reverse=True)
        boxes = tuple(_drawn_box(rnd, names, h, rnd.choice((0, 1, 4))) for h in places)
        odd = rnd.choice((None, 1.24))
        stacks.append(ShownStack(_name(rnd), boxes, odd, 0.3, f"box {boxes[0].id}", f"box {boxes[-1].id}"))
    return RoomScene(_name(rnd), NOW, ZONE, rnd.choice(("C", "F")), tuple(stacks))


@pytest.mark.parametrize("seed", range(48))
def test_in_rooms_by_chance_nothing_meets_and_nothing_is_cut_off(seed: int) -> None:
    scene = drawn_room(seed)
    for width in (NARROW, WIDE, 340, 900):
        assert what_meets(svg_room(scene, width, SAY)) == [], width


@pytest.mark.parametrize("unit", ["C", "F"])
def test_in_each_room_of_each_notice_nothing_meets(unit: DisplayUnit) -> None:
    for snapshot in Scene(unit=unit).all():
        for width in (NARROW, WIDE):
            assert what_meets(svg_room(room_scene(snapshot), width, SAY)) == []


def test_the_check_finds_words_that_meet_that_are_cut_off_and_lines_through_them() -> None:
    def one(inner: str) -> list[str]:
        return what_meets(f'<svg viewBox="0 0 100 50" font-size="10">{inner}</svg>')

    word = '<text class="pa" x="10" y="20">amber</text>'
    assert one(word) == []
    assert one(word + '<text class="pa" x="38" y="26">birch</text>') == ["'amber' meets 'birch'"]
    assert one('<text class="pa" x="80" y="20">amber</text>') == ["'amber' is cut off"]
    for data in ("M20 0V40", "M0 0L60 40", "M20 0v40", "M0 17h90", "M0 18q50 0 90 0", "M20 0c0 10 0 20 0 40z"):
        assert one(f'{word}<path class="pk" d="{data}"/>')[0] == "a line of pk runs through 'amber'"
    assert one(f'{word}<path class="pk" d="M20 0V11M0 30H90M90 0V50"/>') == []
    assert "pb" in bold_classes()
    assert "pa" not in bold_classes()


def _root(markup: str) -> ET.Element:
    return ET.fromstring(markup.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


def _texts(markup: str) -> list[str]:
    return ["".join(x.itertext()) for x in _root(markup).iter(f"{SVG}text")]


@pytest.mark.parametrize("count", [1, 4, 12, 13, 64])
def test_each_box_is_a_link_that_a_thumb_hits_and_says_what_it_is(count: int) -> None:
    names = [f"box {i}/ü" for i in range(count)]
    root = _root(svg_room(room(*(box(n, 200.0 - i) for i, n in enumerate(names))), NARROW, SAY))
    links = list(root.iter(f"{SVG}a"))
    assert [x.get("href") for x in links] == [f"/box/box%20{i}%2F%C3%BC" for i in range(count)]
    for link in links:
        data = link.find(f"{SVG}path")
        area = link.find(f"{SVG}rect")
        tall = float(area.get("height", "0")) if area is not None else 0.0
        if area is None:
            assert data is not None
            ys = [y for a, b in pieces(data.get("d", "")) for y in (a[1], b[1])]
            tall = max(ys) - min(ys)
        # The page leaves 366 of 390 pixels to the picture.
        assert tall * 366 / NARROW >= 48.0
    if count <= 12:
        assert links[0].findtext(f"{SVG}title") == "box 0/ü, 200 cm, 28.4 ± 0.2 °C, steady, no eggs"


def test_what_does_not_fit_ends_in_an_ellipsis_and_stands_whole_in_a_title() -> None:
    long = "the uppermost box of all, and the oldest"
    for count in (1, 20, 50):
        others = [box(f"b{i}", float(i)) for i in range(count - 1)]
        for width in (NARROW, WIDE):
            markup = svg_room(room(box(long, 300.0), *others), width, SAY)
            assert any(t.startswith("the") and t.endswith("…") for t in _texts(markup))
            titles = [x.text or "" for x in _root(markup).iter(f"{SVG}title")]
            assert any(long in t for t in titles)


def test_one_picture_of_a_common_room_is_small_and_one_of_64_boxes_leaves_room_for_the_page() -> None:
    def both(count: int, name: str = "left-upper-{i}") -> int:
        boxes = [
            box(n, 300.0 - 4 * i, day_c=28.1, too_warm_c=31.0, too_cool_c=25.0, eggs=(eggs(f"K{i // 2}", n, i),))
            for i, n in ((i, name.format(i=i)) for i in range(count))
        ]
        return sum(len(svg_room(room(*boxes), w, SAY).encode()) for w in (NARROW, WIDE))

    assert both(8) < 40_000
    assert both(32) < 50_000


def test_a_crowd_is_drawn_in_parts_that_share_their_axes_and_where_nothing_meets() -> None:
    boxes = [
        box(f"b{i}", 300.0 - 4 * i, 28.0 + 0.1 * (i % 7), eggs=(eggs(f"K{i // 2}", f"b{i}", float(i)),))
        for i in range(64)
    ]
    stacks = tuple(ShownStack(f"s{n}", tuple(boxes[a:b])) for n, (a, b) in enumerate(((0, 40), (40, 41), (41, 64))))
    scene = RoomScene("Back room", NOW, ZONE, "C", stacks)
    parts = svgs_room(scene, SAY)
    assert [len(re.findall("<a href", part)) for part in parts] == [16, 16, 8, 1, 16, 7]
    assert all(what_meets(part) == [] for part in parts)
    assert sum(len(part.encode()) for part in parts) < 55_000
    # The same days and degrees stand at the same places, so that one is compared with another.
    heads = {tuple(re.findall(r'<text [^>]*? x="([\d.]+)" y="(?:15|34|48)"[^>]*>([^<]*)', part)) for part in parts}
    assert len(heads) == 1
    assert len(set(re.findall('id="([^"]+)"', "".join(parts)))) == len(parts)


@pytest.mark.parametrize("seed", range(12))
def test_in_crowds_by_chance_nothing_meets(seed: int) -> None:
    scene = drawn_room(seed, 64)
    for part in svgs_room(scene, SAY):
        assert what_meets(part) == []


def test_a_silent_box_keeps_its_last_figure_as_an_outline_with_its_time_and_one_never_read_has_none() -> None:
    silent = box("a", 100.0, None, last_c=27.9, last="05:40")
    never = box("b", 50.0, None, last="")
    for width in (NARROW, WIDE):
        markup = svg_room(room(silent, never), width, SAY)
        old = [x for x in _root(markup).iter(f"{SVG}text") if "old" in x.get("class", "")]
        assert [x.text for x in old] == ["27.9"]
        assert {"last 05:40", "no reading"} <= set(_texts(markup))
        assert "28.4" not in markup
    assert re.search(r"\.old \{ fill: none; stroke:", CSS)


def test_a_box_at_its_limit_says_so_in_words_with_its_age() -> None:
    warm = box("a", 100.0, 31.0, too_warm_c=31.0, age="12 min ago")
    for width in (NARROW, WIDE):
        markup = svg_room(room(warm), width, SAY)
        assert {"too warm", "12 min ago"} <= {x for t in _texts(markup) for x in (t, t.removeprefix("limit 31.0, "))}
        assert 'class="pf hot"' in markup
        several = svg_room(room(warm, *(box(str(i), float(i)) for i in range(15))), width, SAY)
        assert "too warm" in _texts(several)
        assert any("12 min ago" in t for t in _texts(several))
    cool = svg_room(room(box("a", 100.0, 24.0, too_cool_c=25.0)), WIDE, SAY)
    assert {"too cool", "limit 25.0"} <= set(_texts(cool))


def test_the_trend_is_a_word_with_a_mark_and_in_the_unit_of_the_room() -> None:
    markup = svg_room(room(box("a", 100.0, trend_c=0.5), unit="F"), NARROW, SAY)
    assert "rising 0.9 in 3 h" in _texts(markup)
    assert 'class="pq"' in markup
    assert "83.1" in _texts(markup)
    assert "°F" in _texts(markup)
    assert 'class="pq"' not in svg_room(room(box("a", 100.0, trend_c=0.0)), NARROW, SAY)


def _joined(markup: str) -> list[tuple[float, float]]:
    """From where to where lines that join a clutch go down, as one each."""
    ways: dict[float, list[float]] = {}
    for node in _root(markup).iter(f"{SVG}path"):
        if node.get("class") == "pk":
            for a, b in pieces(node.get("d", "")):
                if a[0] == b[0]:
                    ways.setdefault(a[0], []).extend((a[1], b[1]))
    return [(min(ys), max(ys)) for ys in ways.values()]


def test_eggs_of_one_clutch_hang_on_one_line_across_boxes_and_stacks_and_others_do_not() -> None:
    upper = ShownStack("left", (box("a", 100.0, eggs=(eggs("amber", "a", 1.0),)), box("b", 50.0)))
    lower = ShownStack("right", (box("c", 80.0, eggs=(eggs("amber", "c", 5.0), eggs("birch", "c", 9.0))),))
    scene = replace(room(), stacks=(upper, lower))
    for width in (NARROW, WIDE):
        (way,) = _joined(svg_room(scene, width, SAY))
        assert way[1] - way[0] > 120.0
    alone = replace(scene, stacks=(upper,))
    assert _joined(svg_room(alone, NARROW, SAY)) == []


def _tops(markup: str) -> list[float]:
    return [float(x.get("y", "nan")) for x in _root(markup).iter(f"{SVG}rect") if x.get("class", "").startswith("pf")]


def test_boxes_stand_at_their_heights_and_those_that_would_meet_are_moved_apart() -> None:
    even = _tops(svg_room(room(*(box(str(h), h) for h in (150.0, 120.0, 60.0))), NARROW, SAY))
    assert even[2] - even[1] == pytest.approx(2 * (even[1] - even[0]), rel=0.35)
    near = _tops(svg_room(room(*(box(str(h), h) for h in (100.0, 99.9, 99.8, -20.0))), NARROW, SAY))
    assert all(b - a >= 76.0 for a, b in pairwise(near))
    same = _tops(svg_room(room(*(box(n, 40.0) for n in "abcd")), NARROW, SAY))
    assert all(b - a >= 76.0 for a, b in pairwise(same))


def test_a_window_far_away_is_told_and_marked_at_the_edge_and_stretches_no_axis() -> None:
    near, far = box("a", 100.0, eggs=(eggs("amber", "a"),)), box("b", 50.0, eggs=(eggs("elm", "b", 300.0),))
    markup = svg_room(room(near, far), WIDE, SAY)
    assert 'class="pv"' in markup
    assert any(t.startswith("elm 24 to 30 Apr") for t in _texts(markup))
    assert "Sep" not in _texts(markup)
    # Where it is the only one, the axis goes to it, by months.
    alone = _texts(svg_room(room(far), WIDE, SAY))
    assert {"Oct", "Jan"} <= {t[:3] for t in alone}


def test_past_late_and_finished_eggs_are_told_apart_in_words_and_marks() -> None:
    missed = (at(-9), at(-6), at(-3))
    late = eggs("fir", "a", -0.2, state="late", missed=missed)
    unseen = eggs("gum", "a", -9.0, state="late", missed=missed, window=missed, wait_until_ms=at(-1))
    done = eggs("oak", "a", state="done", waiting=0, hatched=5, lost=1, window=None, wait_until_ms=None,
                pips=((at(-6), 6),), closed_ms=at(-2))  # fmt: skip
    markup = svg_room(room(box("a", 100.0, eggs=(late, unseen, done))), WIDE, SAY)
    texts = _texts(markup)
    assert "fir 28 Jun to 4 Jul  past its window, 6 eggs, 90 %, wait until 9 Jul" in texts
    assert "gum was due 19 to 25 Jun  past its window, 6 eggs, 90 %, waited past 27 Jun" in texts
    assert "oak 5 hatched, 1 lost  done 26 Jun" in texts
    assert "6" in texts
    assert {"ph", "ps", "pe"} <= {x.get("class") for x in _root(markup).iter(f"{SVG}path")}


def test_an_empty_room_says_so_and_one_without_eggs_or_readings_is_drawn() -> None:
    assert _texts(svg_room(room(), NARROW, SAY)) == ["No boxes are set up yet."]
    silent = svg_room(room(box("a", 10.0, None, last=""), box("b", 5.0, None, last="")), WIDE, SAY)
    assert "°C" not in _texts(silent)
    assert _texts(silent).count("no eggs") == 2


def test_the_page_may_hold_it_and_names_are_only_names() -> None:
    """By the page's policy: no style, no script, nothing from elsewhere; and nothing of a name becomes markup."""
    bad = '</svg><script>x("1")</script>&'
    scene = room(box(bad, 100.0, eggs=(eggs(bad, bad),)))
    for width in (NARROW, WIDE):
        root = _root(svg_room(replace(scene, room=bad), width, SAY))
        for node in root.iter():
            assert node.tag.removeprefix(SVG) in {"svg", "title", "desc", "a", "rect", "path", "text", "tspan"}
            assert not [k for k in node.attrib if k == "style" or k.startswith("on")]
        assert root.get("role") == "group"
        ids = {x.get("id") for x in root.iter() if x.get("id")}
        assert set(root.get("aria-labelledby", "").split()) == ids


def test_every_class_has_its_colour_by_a_variable_of_the_page_and_one_where_colours_are_forced() -> None:
    used = set()
    for seed in (1, 2, 3, 4, 5):
        for width in (NARROW, WIDE):
            used |= {
                c for x in _root(svg_room(drawn_room(seed), width, SAY)).iter() for c in x.get("class", "").split()
            }
    usual, forced = CSS.split("@media (forced-colors: active)")
    for name in used - {"picture", "narrow", "wide"}:
        assert re.search(rf"\.{name}\b", usual), name
        if name not in ("old", "hot", "cold", "pp"):
            assert re.search(rf"\.{name}\b", forced), name
    page = (PROJECT / "monitor" / "page" / "static" / "page.css").read_text(encoding="utf-8")
    assert set(re.findall(r"var\((--[a-z-]+)\)", CSS)) <= set(re.findall(r"(--[a-z-]+):", page))
    assert not re.search(r"#[0-9a-f]{3,6}\b|rgb", CSS)
