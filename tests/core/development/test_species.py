"""Profiles: what a file may say, what each mistake is told, and that the curves meet the printed figures."""

from __future__ import annotations

import csv
import math
import re
import tomllib
from collections import defaultdict
from collections.abc import Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.config.library import list_profiles
from monitor.core.development.evidence import Spread
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.profile_text import profile_text
from monitor.core.development.species import (
    FIGURE_SPREAD_SOURCE,
    GENERAL_EGG,
    GENERAL_SHARED,
    GENERAL_SPREAD_SOURCE,
    OWN_CLUTCHES,
    UNSOURCED,
    Profile,
    figure_spread,
    grade_of,
)
from monitor.errors import ConfigError, SpeciesRefused

SHARED_DATA = Path(__file__).resolve().parents[4] / "shared" / "data"

LISTING = list_profiles()
PROFILES = {profile.id: profile for profile in LISTING.profiles}
WITH_ROWS = [profile for profile in LISTING.profiles if profile.status == "table"]
FIGURES = [profile for profile in WITH_ROWS if profile.caution]
TABLES = [profile for profile in WITH_ROWS if not profile.caution]
every_profile = pytest.mark.parametrize("profile", LISTING.profiles, ids=lambda p: p.id)
every_figure = pytest.mark.parametrize("profile", FIGURES, ids=lambda p: p.id)
every_table = pytest.mark.parametrize("profile", TABLES, ids=lambda p: p.id)

# An invented species: 60 days at 26 C, 50 at 28, 43 at 30 (T0 near 15.9 C).
GOOD: dict[str, Any] = {
    "scientific_name": "Inventa exempli",
    "counts": "pip",
    "rows": [
        {"temperature_c": 26.0, "days": 60, "eggs": 8, "sd_days": 1.2, "paper": "somebody-2001"},
        {"temperature_c": 28.0, "days": 50.0, "eggs": 9, "paper": "somebody-2001"},
        {"temperature_c": 30.0, "days": 43.0, "eggs": 7, "paper": "somebody-2001"},
    ],
    "limits": {"low_c": 25.0, "high_c": 31.0, "source": "all eggs hatched (somebody-2001)"},
    "papers": {
        "somebody-2001": {"authors": "Somebody A", "year": 2001, "title": "Eggs", "journal": "Journal of Eggs 1:1-2"}
    },
}

UNUSED = {"authors": "X Y", "year": 1999, "journal": "J 2"}


def parse(**changes: Any) -> Profile:
    return parse_profile({**deepcopy(GOOD), **changes}, "inventa-exempli.toml")


def rows_with(index: int = 1, **changes: Any) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = deepcopy(GOOD["rows"])
    rows[index].update(changes)
    return rows


def published(figures: Mapping[float, float], eggs: int = 10) -> list[dict[str, Any]]:
    return [{"temperature_c": t, "days": d, "eggs": eggs, "paper": "somebody-2001"} for t, d in figures.items()]


# --- the shipped profiles ---------------------------------------------------------------------------------------


def test_every_shipped_file_can_be_read() -> None:
    assert [str(error) for error in LISTING.bad] == []
    assert len(PROFILES) >= 60


def test_ids_and_scientific_names_are_unique() -> None:
    names = [profile.scientific_name for profile in LISTING.profiles]
    assert len(set(names)) == len(names) == len(PROFILES)
    for profile in LISTING.profiles:
        assert profile.id == profile.scientific_name.lower().replace(" ", "-")


@every_profile
def test_every_citation_has_authors_year_and_journal(profile: Profile) -> None:
    for paper in profile.papers:
        assert re.match(r"^[^\W\d_][\w’'-]*( [\w’'-]+)* [A-Z]{1,4}\b", paper.authors), paper.authors
        assert 1950 <= paper.year <= 2026
        assert re.search(r"[A-Za-z].* (\d|[A-Z]?\d)", paper.journal), paper.journal
        assert "_" not in paper.citation
        assert "�" not in paper.citation
        assert str(paper.year) in paper.citation
        assert paper.title


@every_profile
def test_every_profile_names_its_family_and_order(profile: Profile) -> None:
    assert profile.order in ("Squamata", "Testudines", "Crocodilia", "Rhynchocephalia")
    assert profile.family.endswith("idae")


@every_table
def test_the_curve_meets_the_printed_days_as_closely_as_their_eggs_can_tell(profile: Profile) -> None:
    curve = profile.curve()
    at: dict[float, list[tuple[float, float]]] = defaultdict(list)
    for row in profile.rows:
        # Two per cent between papers and clutches, four between eggs; figures without eggs are met.
        at[row.temperature_c].append((row.days, 0.02**2 + 0.04**2 / (row.eggs or 10)))
    days = [row.days for row in profile.rows]
    exact = not any(row.eggs for row in profile.rows) and days == sorted(days, reverse=True)
    for temperature_c, printed in at.items():
        weights = np.array([1.0 / v for _, v in printed])
        mean = float(np.average([d for d, _ in printed], weights=weights))
        off = math.log(mean * float(curve.rate_per_day(temperature_c)))
        assert abs(off) <= (1e-12 if exact else max(2.5 / math.sqrt(weights.sum()), profile.spread.shared)), (
            temperature_c
        )


@every_table
def test_the_curve_rises_and_stays_near_the_printed_figures(profile: Profile) -> None:
    curve = profile.curve()
    assert curve.low_c == profile.temperatures_c[0]
    assert curve.high_c == profile.temperatures_c[-1]
    days = [row.days for row in profile.rows]
    rates = curve.rate_per_day(np.linspace(curve.low_c, curve.high_c, 400))
    assert np.all(np.diff(rates) >= -1e-12)
    assert rates.min() >= 0.96 / max(days)
    assert rates.max() <= 1.04 / min(days)


@every_table
def test_limits_lie_near_the_table_and_have_a_source(profile: Profile) -> None:
    assert profile.low_limit_c is not None
    assert profile.high_limit_c is not None
    assert profile.limits_source
    low, high = profile.temperatures_c[0], profile.temperatures_c[-1]
    assert low - 3.0 <= profile.low_limit_c < profile.high_limit_c <= high + 4.5
    # At least two temperatures of the table are within the limits, so the two belong to the same eggs.
    assert sum(profile.low_limit_c <= t <= profile.high_limit_c for t in profile.temperatures_c) >= 2


@every_table
def test_a_file_claims_the_grade_its_rows_allow(profile: Profile) -> None:
    line = profile.line()
    assert line is not None
    assert profile.grade == grade_of(profile.rows)
    if profile.grade == "good":
        assert len(profile.temperatures_c) >= 4
        assert line.r_squared > 0.9
        assert 0.0 < line.base_c < profile.temperatures_c[0] - 2.0
    if len(profile.temperatures_c) == 2:
        assert profile.grade == "poor"


@every_table
def test_spread_is_never_narrower_than_a_curve_and_a_clutch(profile: Profile) -> None:
    """Where studies of a species can be compared its own spread stands; else that of other species is in it."""
    assert profile.spread.shared >= Spread().sigma_m
    if profile.spread.shared < GENERAL_SHARED:
        compared = re.search(r"\((\d+) comparisons", profile.spread.source)
        assert profile.spread.source == FIGURE_SPREAD_SOURCE or (compared and int(compared[1]) >= 3)
    assert profile.spread.egg == GENERAL_EGG
    if profile.spread.shared == GENERAL_SHARED:
        assert profile.spread.source == GENERAL_SPREAD_SOURCE
    else:
        assert profile.spread.source != GENERAL_SPREAD_SOURCE


# T0 and K with standard errors: least squares on the rate of the published points (Reptile Development Database,
# Noble et al. 2018). A table here may rest on fewer points (eggs reported twice, a population left out), so the
# tolerance is one standard error, and two hundredths where the points are the same.
@pytest.mark.parametrize(
    ("species", "base_c", "base_tolerance", "degree_days", "degree_days_tolerance"),
    [
        ("crocodylus-palustris", 19.3, 0.2, 862, 16),
        ("elaphe-taeniura", 12.6, 0.05, 963, 1),
        ("elaphe-carinata", 12.8, 0.05, 791, 1),
        ("naja-atra", 17.0, 0.06, 622, 1),
        ("caretta-caretta", 18.0, 0.05, 607, 1),
        ("amphibolurus-muricatus", 17.1, 0.05, 591, 1),
        ("centrochelys-sulcata", 18.3, 0.05, 1101, 1),
        ("pituophis-melanoleucus", 7.9, 1.0, 1349, 66),
        ("natrix-natrix", 10.1, 1.3, 616, 49),
        ("pelodiscus-sinensis", 15.4, 0.5, 708, 24),
        ("anolis-sagrei", 15.8, 0.06, 367, 1),
        ("paroedura-picta", 18.8, 0.06, 554, 1),
        ("chlamydosaurus-kingii", 17.5, 0.06, 1038, 1),
        ("gekko-japonicus", 15.5, 0.06, 696, 1),
        ("varanus-albigularis", 7.0, 0.06, 3065, 2),
        ("xenochrophis-piscator", 17.0, 0.06, 479, 1),
        ("trachemys-scripta", 18.2, 0.06, 636, 1),
        ("lampropeltis-getula", 16.3, 0.05, 620, 1),
        ("coluber-constrictor", 11.7, 0.05, 644, 1),
        ("sphenodon-guntheri", 11.802, 0.001, 1680.9, 0.1),
    ],
)
def test_the_straight_line_agrees_with_the_published_points(
    species: str, base_c: float, base_tolerance: float, degree_days: float, degree_days_tolerance: float
) -> None:
    line = PROFILES[species].line()
    assert line is not None
    assert line.base_c == pytest.approx(base_c, abs=base_tolerance)
    assert line.constant_degree_days == pytest.approx(degree_days, abs=degree_days_tolerance)


@pytest.mark.parametrize(
    ("species", "temperature_c", "days"),
    [
        # Agama impalearis (El Mouden et al. 2001): 43.5 days at 34 C, 41.2 at 36.
        ("agama-impalearis", 36.0, 41.2),
        # Dipsosaurus dorsalis (Muth 1980): 44.5 days at 38 C and 46.3 at 40, which become one for a curve that rises.
        ("dipsosaurus-dorsalis", 40.0, 45.2),
    ],
)
def test_where_the_rate_levels_off_the_curve_follows_and_the_line_does_not(
    species: str, temperature_c: float, days: float
) -> None:
    profile = PROFILES[species]
    line = profile.line()
    assert line is not None
    assert 1.0 / float(profile.curve().rate_per_day(temperature_c)) == pytest.approx(days, abs=0.2)
    by_line = line.constant_degree_days / (temperature_c - line.base_c)
    assert by_line < 0.97 * days
    assert any("levels off" in note for note in profile.notes)


def test_a_plateau_of_its_own_is_interpolated() -> None:
    # Calotes versicolor (Ji, Qiu and Diong 2002): 82.1, 60.5, 51.4 and 50.3 days; 33 C is hardly faster than 30 C.
    profile = parse(rows=published({24: 82.1, 27: 60.5, 30: 51.4, 33: 50.3}), grade="fair")
    assert 1.0 / float(profile.curve().rate_per_day(31.5)) == pytest.approx(50.85, abs=0.45)
    line = profile.line()
    assert line is not None
    assert line.constant_degree_days / (33.0 - line.base_c) < 48.0


def test_a_nest_profile_says_that_emergence_is_later() -> None:
    assert any("dig" in note and "later" in note for note in PROFILES["caretta-caretta"].notes)


@pytest.mark.parametrize("species", ["chamaeleo-calyptratus", "chamaeleo-chamaeleon"])
def test_a_species_that_rests_in_the_egg_is_refused_with_the_reason(species: str) -> None:
    profile = PROFILES[species]
    assert profile.status == "rests"
    for ask in (profile.curve, profile.line):
        with pytest.raises(SpeciesRefused, match="rests in the egg") as caught:
            ask()
        assert "Andrews" in profile.papers[0].authors
        assert caught.value.where == species
        assert "without a forecast" in caught.value.fix


def test_a_species_without_a_table_is_refused_and_points_at_own_clutches() -> None:
    profile = parse(status="no-table", reason="nothing is known", rows=[], papers={}, limits={})
    with pytest.raises(SpeciesRefused, match="nothing is known") as caught:
        profile.curve()
    assert "own dated clutches" in caught.value.fix


# --- those of one or two figures, and of no source ----------------------------------------------------------------


@every_figure
def test_a_profile_of_one_or_two_figures_says_what_it_rests_on_and_is_wider(profile: Profile) -> None:
    assert profile.group is not None
    assert profile.spread.shared >= figure_spread(profile.rows, profile.group)
    assert profile.caution
    assert profile.grade == grade_of(profile.rows)
    curve = profile.curve()
    for row in profile.rows:
        off = abs(math.log(row.days * float(curve.rate_per_day(row.temperature_c))))
        assert off <= (1e-9 if len(profile.rows) == 1 else 2.5 * row.level_sd)
    if profile.grade == "no source":
        assert profile.spread.shared > 0.09
        assert all(row.paper in UNSOURCED for row in profile.rows)


def test_the_commonly_bred_have_a_profile_and_those_that_rest_a_reason() -> None:
    """The figures are those of the list that keepers' common practice was written down in."""
    known = {p.scientific_name: p for p in LISTING.profiles}
    corn = known["Pantherophis guttatus"]
    assert corn.grade == "no source"
    assert (corn.rows[0].temperature_c, round(corn.rows[0].days)) == (27.8, 60)
    if (listed := SHARED_DATA.parent / "reference" / "common_practice.csv").is_file():
        with listed.open(encoding="utf-8") as file:
            for line in csv.DictReader(file):
                profile = known[line["scientific_name"]]
                if not line["days_low"] or "may rest" in line["note"]:
                    assert profile.status == "rests"
                    assert "rests in the egg" in profile.reason
                    continue
                low, high = float(line["days_low"]), float(line["days_high"])
                at = [row for row in profile.rows if row.temperature_c == float(line["temperature_c"])]
                assert [row.days for row in at] == pytest.approx([math.sqrt(low * high)], abs=0.01)
                assert at[0].width == pytest.approx(math.log(high / low))


def test_each_row_of_the_later_turtles_stands_in_their_collection() -> None:
    if not SHARED_DATA.is_dir():
        pytest.skip("the published collection is not beside this project (../shared/data)")
    printed: dict[tuple[str, float], list[tuple[str, float]]] = defaultdict(list)
    with (SHARED_DATA / "turtle_constant_temperature_points.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            at = float(line["temperature_c"])
            printed[line["species"], at].append((line["source"].lower(), float(line["mean_incubation_days"])))
    checked = set()
    for profile in WITH_ROWS:
        names = (profile.scientific_name, *profile.other_names)
        for row in profile.rows:
            paper = profile.paper(row.paper)
            if paper is None or paper.note != "figures known from the collection, the paper was not seen":
                continue
            first = paper.authors.split(",")[0].rpartition(" ")[0].lower()
            told = [
                x
                for n in names
                for s, x in printed[n, row.temperature_c]
                if s.startswith(first) and str(paper.year) in s
            ]
            assert told, (profile.id, row)
            assert min(told) - 0.01 <= row.days <= max(told) + 0.01
            checked.add(profile.id)
    assert len(checked) == 15


def test_what_kills_is_said_by_the_file_or_by_the_family_and_kept_when_written_anew() -> None:
    shipped = {name for name, profile in PROFILES.items() if profile.venomous}
    assert shipped == {"bungarus-multicinctus", "deinagkistrodon-acutus", "naja-atra"}
    assert parse(family="Viperidae").venomous
    assert not parse(family="Colubridae").venomous
    for own in (parse(family="Colubridae", venomous=True), parse(family="Elapidae", venomous=False)):
        text = profile_text(own)
        assert parse_profile(tomllib.loads(text), "inventa-exempli.toml").venomous is own.venomous
    with pytest.raises(ConfigError, match="venomous: must be true or false"):
        parse(venomous="very")


def test_leopard_gecko_carries_the_lethal_maximum_with_its_source() -> None:
    profile = PROFILES["eublepharis-macularius"]
    assert "35 C" in profile.lethal
    assert "viets-1993" in profile.lethal
    paper = profile.paper("viets-1993")
    assert paper is not None
    assert paper.year == 1993


# --- against the collection the figures were read in -----------------------------------------------------------


def test_each_row_from_a_paper_of_the_collection_stands_there_with_that_number() -> None:
    if not SHARED_DATA.is_dir():
        pytest.skip("the published collection is not beside this project (../shared/data)")
    renamed = {"Crocodylus johnsoni": "Crocodylus johnstoni"}
    printed: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    with (SHARED_DATA / "species_constant_temperature_points.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            pages = line["citation"].strip().split()[-1].rstrip(".")
            printed[pages].append(
                (
                    renamed.get(line["species"], line["species"]),
                    float(line["temperature_c"]),
                    float(line["mean_incubation_days"]),
                )
            )
    checked = 0
    for profile in TABLES:
        for row in profile.rows:
            paper = profile.paper(row.paper)
            assert paper is not None
            keys = [word.rstrip(".)") for word in paper.citation.split() if word.rstrip(".)") in printed]
            if not keys:
                if paper.note != "figures known from the collection, the paper was not seen":
                    assert row.paper in ("du-2008", "burger-1990", "mitchell-2006"), f"{profile.id}: {row.paper}"
                continue
            days = [
                d
                for key in keys
                for name, t, d in printed[key]
                if (name, t) == (profile.scientific_name, row.temperature_c)
            ]
            assert any(abs(d - row.days) <= 0.0051 for d in days), f"{profile.id}: {row}"
            checked += 1
    assert checked > 250


def test_the_western_pond_turtle_fails_the_sanity_check() -> None:
    # Geist, Dallara and Gordon 2015, Herpetological Conservation and Biology 10:489-503: flat from 26 to 31 C.
    flat = published({26: 89.0, 27: 84.2, 28: 83.82, 29: 84.99, 30: 87.18, 31: 87.75})
    with pytest.raises(ConfigError, match="not usable for a forecast"):
        parse(rows=flat)


@pytest.mark.parametrize(
    ("source", "figures"),
    [
        ("Malayemys macrocephala, Pewphong et al. 2013", {26: 115.0, 29: 115.0, 32: 109.0}),
        ("Uta stansburiana, Calsbeek and Sinervo 2007 and Clarke and Zani 2012", {26: 43, 28: 48, 29: 58.31, 30: 33.5}),
        ("Cyclura nubila, Alberts et al. 1997", {28: 128.5, 29.5: 93.1, 31: 108.4}),
        ("Hemidactylus frenatus, Ota 1994", {20: 73.0, 24: 61.0, 28: 55.0}),
        ("Lepidodactylus lugubris, Ota 1994", {14: 115, 16: 110, 18: 107, 20: 98, 24: 77, 28: 68}),
    ],
)
def test_published_tables_that_make_no_line_are_not_taken(source: str, figures: dict[float, float]) -> None:
    with pytest.raises(ConfigError, match="not usable for a forecast"):
        parse(rows=published(figures))
    genus, species = source.split(",", maxsplit=1)[0].split()
    assert f"{genus}-{species}".lower() not in PROFILES


# --- what a file may say -----------------------------------------------------------------------------------------


def test_a_good_profile_is_taken_as_written() -> None:
    profile = parse(notes=["invented"], common_name="example lizard")
    assert profile.id == "inventa-exempli"
    assert profile.counts == "pip"
    assert profile.counts_as_hatch
    assert profile.temperatures_c == (26.0, 28.0, 30.0)
    assert profile.rows[0].sd_days == 1.2
    assert profile.rows[1].sd_days is None
    assert (profile.low_limit_c, profile.high_limit_c) == (25.0, 31.0)
    assert profile.grade == "fair"
    assert profile.papers[0].citation == "Somebody A (2001) Eggs. Journal of Eggs 1:1-2"
    assert 1.0 / float(profile.curve().rate_per_day(28.0)) == pytest.approx(50.0, abs=0.05)


def test_rows_are_sorted_by_temperature() -> None:
    assert parse(rows=list(reversed(deepcopy(GOOD["rows"])))).temperatures_c == (26.0, 28.0, 30.0)


def test_own_clutches_need_no_paper() -> None:
    rows = [
        {"temperature_c": 27.0, "days": 58.0, "eggs": 6, "paper": OWN_CLUTCHES},
        {"temperature_c": 29.5, "days": 48.0, "eggs": 5, "paper": OWN_CLUTCHES},
    ]
    mapping = {
        "scientific_name": "Inventa exempli",
        "counts": "pip",
        "rows": rows,
        "spread": {"shared": 0.03, "source": "own"},
    }
    profile = parse_profile(mapping, "my-inventa.toml")
    assert profile.grade == "poor"
    assert profile.spread.shared == 0.03
    assert profile.spread.egg == GENERAL_EGG
    assert profile.low_limit_c is None
    assert 1.0 / float(profile.curve().rate_per_day(27.0)) == pytest.approx(58.0)


ONE = {"temperature_c": 27.8, "days_low": 58, "days_high": 62, "paper": "somebody-2001"}


def test_one_figure_with_its_width_is_enough_where_the_family_is_known() -> None:
    profile = parse(rows=[ONE], family="Colubridae")
    assert (profile.grade, profile.group) == ("one figure", "snake")
    assert profile.rows[0].days == pytest.approx(math.sqrt(58 * 62), abs=0.01)
    assert profile.rows[0].level_sd == pytest.approx(math.log(62 / 58) / 2.563)
    assert 1.0 / float(profile.curve().rate_per_day(27.8)) == pytest.approx(59.97, abs=0.01)
    assert profile.spread.shared == pytest.approx(math.hypot(0.09, profile.rows[0].level_sd), abs=1e-4)
    assert profile.spread.source == FIGURE_SPREAD_SOURCE
    assert parse(rows=[ONE], group="snake").curve().base_c != parse(rows=[ONE], group="turtle").curve().base_c


def test_a_figure_without_a_source_is_graded_as_such_and_wider() -> None:
    sourced = parse(rows=[ONE], family="Colubridae")
    for words in UNSOURCED:
        told = parse(rows=[{**ONE, "paper": words}], family="Colubridae", papers={}, limits={})
        assert told.grade == "no source"
        assert told.spread.shared > sourced.spread.shared
        with pytest.raises(ConfigError, match="the rows allow only no source"):
            parse(rows=[{**ONE, "paper": words}], family="Colubridae", papers={}, limits={}, grade="one figure")


def test_two_figures_a_degree_apart_are_enough_with_the_slope_of_the_group() -> None:
    rows = [{"temperature_c": t, "days": d, "paper": "somebody-2001"} for t, d in ((28.0, 60.0), (29.0, 55.0))]
    assert parse(rows=rows, family="Colubridae").grade == "one figure"
    with pytest.raises(ConfigError, match="span only"):
        parse(rows=rows)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"rows": [ONE]}, "one figure is enough where the family is known"),
        ({"rows": [ONE], "group": "bird"}, "group: must be one of snake, lizard"),
        ({"rows": [{**ONE, "days": 60}], "family": "Colubridae"}, "stands beside days_low and days_high"),
        ({"rows": [{**ONE, "days_high": 57}], "family": "Colubridae"}, "58 to 57 is no width"),
        ({"rows": [{**ONE, "days_high": 574}], "family": "Colubridae"}, "58 to 574 is no width"),
        (
            {"rows": [{"temperature_c": 27.8, "days": 574, "paper": "somebody-2001"}], "family": "Colubridae"},
            "574 days at 27.8 C is no incubation",
        ),
        (
            {
                "rows": [{"temperature_c": t, "days": d, "paper": "somebody-2001"} for t, d in ((26, 70), (28, 574))],
                "family": "Colubridae",
            },
            "no line that relatives have",
        ),
    ],
)
def test_what_is_wrong_with_one_or_two_figures_is_told(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(told)):
        parse(**changes)


@pytest.mark.parametrize("at", range(5))
def test_a_mistyped_row_of_a_table_is_named(at: int) -> None:
    figures: dict[float, float] = {24: 78.0, 26: 66.0, 28: 57.4, 30: 50.0, 32: 45.0}
    temperature_c = list(figures)[at]
    figures[temperature_c] *= 10
    with pytest.raises(ConfigError) as told:
        parse(rows=published(figures))
    row = f"rows, {figures[temperature_c]:g} days at {temperature_c} C: does not fit the others"
    assert row in str(told.value)


def test_emergence_does_not_count_as_a_hatch() -> None:
    assert not parse(counts="emergence").counts_as_hatch
    assert parse(counts="hatch").counts_as_hatch


def test_a_line_that_only_holds_while_every_row_weighs_the_same_is_not_taken() -> None:
    rows = published({24: 70.0, 27: 69.0, 30: 55.0})
    rows[0]["eggs"] = rows[1]["eggs"] = 500
    rows[2]["eggs"] = 1
    with pytest.raises(ConfigError, match="not usable for a forecast"):
        parse(rows=rows)
    for row in rows:
        row["eggs"] = 10
    assert parse(rows=rows).line() is not None


def test_a_file_may_claim_less_than_its_rows_allow() -> None:
    assert parse(grade="poor").grade == "poor"


def test_a_mean_of_many_eggs_weighs_more_but_not_as_its_eggs() -> None:
    """Two per cent of a mean are the treatment's own, however many its eggs; four over the root are its eggs'."""
    rows = deepcopy(GOOD["rows"][::2])
    many = [
        {"temperature_c": 28.0, "days": d, "eggs": n, "paper": "somebody-2001"} for d, n in ((50.0, 4), (52.0, 400))
    ]
    weights = [1.0 / (0.02**2 + 0.04**2 / n) for n in (4, 400)]
    # The rates at 26 and 30 C put 28 C on their line, where smoothing pulls nothing: 50.09 days.
    days = 1.0 / float(parse(rows=[*rows, *many]).curve().rate_per_day(28.0))
    assert 50.1 < days < float(np.average([50.0, 52.0], weights=weights)) < 51.5


def test_figures_of_which_no_eggs_are_told_are_met() -> None:
    rows = [{k: v for k, v in row.items() if k != "eggs"} for row in deepcopy(GOOD["rows"])]
    curve = parse(rows=rows).curve()
    assert (1.0 / curve.rate_per_day([26.0, 28.0, 30.0])).tolist() == pytest.approx([60.0, 50.0, 43.0], rel=1e-12)


# --- every mistake is told ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"scientific_name": " "}, "scientific_name: is missing"),
        ({"scientific_name": 7}, "scientific_name: must be text"),
        ({"colour": "green"}, "colour: not a key of a profile"),
        ({"status": "maybe"}, "status: must be one of table, rests, no-table"),
        ({"counts": "laying"}, "counts: what ends the days must be one of pip, hatch, emergence"),
        ({"grade": "superb"}, "grade: must be one of"),
        ({"grade": "good"}, "grade: says good, the rows allow only fair"),
        ({"notes": "one"}, "notes: must be a list of texts"),
        ({"rows": {}}, "rows: must be a list of tables"),
        ({"rows": []}, "rows: a table needs at least two different temperatures"),
        ({"rows": [7]}, "rows, number 1: must be a table"),
        ({"rows": rows_with(temperature_c=82.4)}, "temperature_c: 82.4 is outside 5 to 45; temperatures are in"),
        ({"rows": rows_with(temperature_c="warm")}, "rows, number 2, temperature_c: must be a number"),
        ({"rows": rows_with(temperature_c=float("nan"))}, "rows, number 2, temperature_c: must be a number"),
        ({"rows": rows_with(days=True)}, "rows, number 2, days: must be a number"),
        ({"rows": rows_with(days=0)}, "rows, number 2, days: 0 is outside 3 to 1000"),
        ({"rows": rows_with(eggs=0)}, "rows, number 2, eggs: 0 is outside 1"),
        ({"rows": rows_with(eggs=2.5)}, "rows, number 2, eggs: 2.5 is not a whole number of eggs"),
        ({"rows": rows_with(sd_days=40)}, "rows, number 2, sd_days: 40 is outside 0 to 25"),
        ({"rows": rows_with(sex="f")}, "rows, number 2, sex: not a key"),
        ({"rows": rows_with(paper="")}, "rows, number 2, paper: is missing: a figure needs its source"),
        ({"rows": rows_with(paper="nobody-1999")}, "rows, number 2, paper: 'nobody-1999' is not among the papers"),
        ({"rows": [{"days": 50, "paper": "somebody-2001"}]}, "rows, number 1, temperature_c: is missing"),
        ({"rows": [{"temperature_c": 28, "paper": "somebody-2001"}]}, "rows, number 1, days: is missing"),
        ({"rows": published({27: 60, 28.5: 50})}, "not usable for a forecast: the temperatures span only 1.5 °C"),
        ({"rows": published({26: 50, 28: 55, 30: 60})}, "not usable for a forecast: the days do not get shorter"),
        ({"rows": published({20: 60, 30: 55})}, "not usable for a forecast: the base temperature comes out at"),
        ({"papers": {"somebody-2001": "Eggs"}}, "papers.somebody-2001: must be a table"),
        ({"papers": {"somebody-2001": {"year": 2001, "journal": "J 1"}}}, "papers.somebody-2001.authors: is missing"),
        ({"papers": {"somebody-2001": {"authors": "S A", "journal": "J 1"}}}, "papers.somebody-2001.year: is missing"),
        ({"papers": {"somebody-2001": {"authors": "S A", "year": 2001}}}, "papers.somebody-2001.journal: is missing"),
        ({"papers": {**GOOD["papers"], "x-1999": UNUSED}}, "papers.x-1999: no row and no text"),
        ({"papers": []}, "papers: must be a table"),
        ({"limits": {"low_c": 25}}, "limits.source: is missing"),
        ({"limits": {"low_c": 31, "high_c": 25, "source": "s"}}, "limits: low_c 31 is not below high_c 25"),
        ({"limits": {"high_c": 88, "source": "s"}}, "limits.high_c: 88 is outside 0 to 50; temperatures are in"),
        ({"limits": {"warm": 30}}, "limits.warm: not a key"),
        ({"spread": {"shared": 0.05}}, "spread.source: is missing"),
        ({"spread": {"egg": 3, "source": "s"}}, "spread.egg: 3 is outside 0.001 to 0.5"),
        ({"status": "rests"}, "reason: is missing"),
        ({"status": "rests", "reason": "it rests"}, "rows: a profile with status rests has no rows"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_where_it_stands(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(**changes)
    assert told in caught.value.what
    assert caught.value.where == "inventa-exempli.toml"
    assert caught.value.fix


@pytest.mark.parametrize(
    "file_name", ["Inventa exempli.toml", "inventa_exempli.toml", ".toml", "inventa--exempli.toml"]
)
def test_a_file_is_named_in_lower_case_with_hyphens(file_name: str) -> None:
    with pytest.raises(ConfigError, match=r"file name: .*lower-case words joined by hyphens"):
        parse_profile(GOOD, file_name)


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(ConfigError) as caught:
        parse(counts="laying", scientific_name="", rows=rows_with(days=-1), limits={"low_c": 20})
    assert caught.value.what.startswith("4 mistakes")
    for told in ("counts", "scientific_name", "rows, number 2, days", "limits.source"):
        assert told in caught.value.what
