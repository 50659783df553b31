"""Plots: the points stand where the table says, the drawing is sound and says in words what it shows."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from monitor.config.library import list_profiles, load_profile
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.species import Profile
from monitor.errors import SpeciesRefused
from monitor.telling.drawing.species_plot import GUESS, LINE, POINT, SpeciesScene, describe, svg_plot, terminal_plot
from monitor.telling.drawing.svg import INK
from tests.core.development.test_species import GOOD
from tests.telling.drawing.overlap import pieces

SVG = "{http://www.w3.org/2000/svg}"
TABLES = [p for p in list_profiles().profiles if p.status == "table"]
every_table = pytest.mark.parametrize("profile", TABLES, ids=lambda p: p.id)
INVENTED = parse_profile(GOOD, "inventa-exempli.toml")


def drawing(profile: Profile) -> ElementTree.Element:
    return ElementTree.fromstring(svg_plot(profile))


def plotted(root: ElementTree.Element) -> list[tuple[float, float]]:
    """Positions of the marks that carry words: the circles of the first paper."""
    circles = [c for c in root.iter(f"{SVG}circle") if c.find(f"{SVG}title") is not None]
    return [(float(c.attrib["cx"]), float(c.attrib["cy"])) for c in circles]


# --- both -------------------------------------------------------------------------------------------------------


@every_table
def test_every_shipped_table_can_be_drawn_both_ways(profile: Profile) -> None:
    lines = terminal_plot(profile).splitlines()
    assert max(len(line) for line in lines) <= 79
    assert any(POINT in line for line in lines[1:21])
    root = drawing(profile)
    assert len([m for m in root.iter() if m.find(f"{SVG}title") is not None and m is not root]) == len(profile.rows)


def test_the_scene_holds_every_row_and_two_degrees_more() -> None:
    for profile in TABLES:
        scene = SpeciesScene.of(profile)
        t = [row.temperature_c for row in profile.rows]
        assert scene.low_c <= min(t) - 2.0
        assert scene.high_c >= max(t) + 2.0
        assert scene.most_days >= 1.25 * max(row.days for row in profile.rows)


@pytest.mark.parametrize("species", ["chamaeleo-calyptratus", "furcifer-pardalis"])
def test_a_profile_without_a_table_is_refused(species: str) -> None:
    for plot in (terminal_plot, svg_plot):
        with pytest.raises(SpeciesRefused):
            plot(load_profile(species))


# --- the terminal -----------------------------------------------------------------------------------------------


def test_points_stand_at_their_days_and_their_temperatures() -> None:
    """Invented rows: 60 days at 26 C, 50 at 28, 43 at 30; so 24 to 32 C across, 0 to 80 days up."""
    plot = terminal_plot(INVENTED, width=88, height=21).splitlines()
    body = [line.partition("|")[2] for line in plot[1:22]]
    found = {(i, j) for i, line in enumerate(body) for j, cell in enumerate(line) if cell == POINT}
    # 81 columns for 8 degrees, 21 lines for 80 days.
    assert found == {(20 - 15, 20), (20 - round(50 / 4), 40), (20 - round(43 / 4), 60)}


def test_the_curve_is_whole_inside_the_table_and_dashed_outside() -> None:
    body = [line.partition("|")[2] for line in terminal_plot(INVENTED, width=88, height=21).splitlines()[1:22]]
    columns = {LINE: set[int](), GUESS: set[int]()}
    for line in body:
        for j, cell in enumerate(line):
            if cell in columns:
                columns[cell].add(j)
    assert columns[LINE] | {20, 40, 60} == set(range(20, 61))
    assert all(j < 20 or j > 60 for j in columns[GUESS])
    assert all(j % 2 == 0 for j in columns[GUESS])
    assert len(columns[GUESS]) >= 15


def test_the_axes_carry_numbers_and_the_marks_are_explained() -> None:
    plot = terminal_plot(INVENTED)
    assert re.search(r"^\s+80\|", plot, re.MULTILINE)
    assert re.search(r"^\s+0\|", plot, re.MULTILINE)
    assert re.search(r"24 .*28 .*32 °C$", plot, re.MULTILINE)
    assert plot.endswith("o published   . curve between   - guess outside the table")


# --- the drawing ------------------------------------------------------------------------------------------------


def test_the_drawing_has_a_role_a_title_and_a_description() -> None:
    root = drawing(INVENTED)
    assert root.attrib["role"] == "img"
    assert root.attrib["aria-labelledby"] == "title desc"
    title, description = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert description is not None
    assert (title.attrib["id"], description.attrib["id"]) == ("title", "desc")
    assert title.text == "Inventa exempli: days of incubation by constant temperature"
    assert description.text == describe(INVENTED)
    assert "60 days at 26 °C, 50 days at 28 °C, 43 days at 30 °C" in str(description.text)


def test_the_drawing_has_no_script_no_link_and_no_colour() -> None:
    for profile in TABLES:
        text = svg_plot(profile)
        assert not re.search(r"<script|<style|href|url\(|\bon\w+=|@import", text)
        for colour in set(re.findall(r"#[0-9a-f]{6}", text)):
            assert colour[1:3] == colour[3:5] == colour[5:7], colour
        # Ink on white: a contrast of 7 and more, by the formula of WCAG 2 (https://www.w3.org/TR/WCAG22/).
    part = int(INK[1:3], 16) / 255.0
    luminance = ((part + 0.055) / 1.055) ** 2.4
    assert 1.05 / (luminance + 0.05) > 7.0


def test_marks_of_the_drawing_lie_at_their_days_and_temperatures() -> None:
    root = drawing(INVENTED)
    # 24 to 32 C on 70 to 740, 0 to 80 days on 450 to 50.
    expected = [(70 + (t - 24) / 8 * 670, 450 - days / 80 * 400) for t, days in ((26, 60), (28, 50), (30, 43))]
    np.testing.assert_allclose(plotted(root), expected, atol=0.06)


def test_the_solid_line_ends_where_the_table_ends_and_dashes_go_on() -> None:
    lines = [p for p in drawing(INVENTED).iter(f"{SVG}path") if p.attrib.get("stroke-width") == "2"]
    ends = {}
    for path in lines:
        way = list(pieces(path.attrib["d"]))
        ends["stroke-dasharray" in path.attrib, way[0][0][0]] = way[-1][1][0]
    solid = [(a, b) for (dashed, a), b in ends.items() if not dashed]
    np.testing.assert_allclose(solid, [(70 + 2 / 8 * 670, 70 + 6 / 8 * 670)], atol=0.06)
    assert len(lines) == 3


def test_nothing_is_drawn_outside_the_paper() -> None:
    for profile in TABLES:
        root = drawing(profile)
        width, height = (float(n) for n in root.attrib["viewBox"].split()[2:])
        for text in root.iter(f"{SVG}text"):
            assert 0.0 <= float(text.attrib["x"]) <= width
            assert 0.0 < float(text.attrib["y"]) < height
        for path in root.iter(f"{SVG}path"):
            across, down = np.array(list(pieces(path.attrib["d"]))).reshape(-1, 2).T
            assert across.min() >= 0.0
            assert across.max() <= width
            assert down.min() >= 49.9
            assert down.max() <= height


def test_every_paper_stands_below_with_a_mark_of_its_own() -> None:
    profile = load_profile("caretta-caretta")
    words = " ".join(text.text or "" for text in drawing(profile).iter(f"{SVG}text"))
    papers = {row.paper for row in profile.rows}
    assert len(papers) == 4
    for key in papers:
        paper = profile.paper(key)
        assert paper is not None
        assert paper.citation in words


def test_what_a_file_says_is_text_and_never_markup() -> None:
    papers = {"somebody-2001": {**GOOD["papers"]["somebody-2001"], "title": "<script>alert(1)</script> & eggs"}}
    profile = parse_profile({**GOOD, "scientific_name": "Inventa <b>", "papers": papers}, "x.toml")
    text = svg_plot(profile)
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; eggs" in text
    assert ElementTree.fromstring(text) is not None
