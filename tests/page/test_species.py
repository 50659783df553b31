"""What is known of the species, as the command tells it."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config.library import load_profile, shipped_dir
from tests.page.rooms import ShownRoom, told


@pytest.mark.parametrize("name", ["natrix-natrix", "bungarus-multicinctus", "chamaeleo-chamaeleon"])
def test_a_profile_says_all_that_the_command_says(shown: ShownRoom, folder: Path, name: str) -> None:
    page = shown.text(f"/species/{name}")
    lines = told(folder, "species", name).splitlines()
    head = next((i for i, line in enumerate(lines) if line.startswith("°C")), len(lines))
    rule = next((i for i, line in enumerate(lines) if line.startswith("--")), len(lines))
    plain = [line.strip() for i, line in enumerate(lines) if i != rule and i < head]
    below = [line.strip() for line in lines if ": " in line]
    for line in {*plain, *below} - {line for line in plain if line.startswith("venomous: ")}:
        assert line in page


def test_of_a_venomous_species_that_stands_first(shown: ShownRoom) -> None:
    page = shown.text("/species/bungarus-multicinctus")
    assert page.index("Hatchlings are venomous from the first minute.") < page.index("confidence")
    assert "Hatchlings are venomous" not in shown.text("/species/natrix-natrix")


def test_the_curve_stands_where_there_is_one(shown: ShownRoom) -> None:
    rows = len(load_profile("natrix-natrix").rows)
    assert shown.text("/species/natrix-natrix").count('class="dot"') == rows > 1
    assert "<svg" not in shown.text("/species/chamaeleo-chamaeleon")


def test_species_of_eggs_that_lie_there_come_first(shown: ShownRoom) -> None:
    page = shown.text("/species")
    assert page.index("/species/natrix-natrix") < page.index("/species/agama-impalearis")
    assert page.count('href="/species/natrix-natrix"') == 1


def test_names_are_searched_within_bounds(shown: ShownRoom) -> None:
    found = shown.text("/species?q=jacky DRAGON")
    assert "Amphibolurus muricatus" in found
    assert "Natrix natrix" not in found
    assert "No profile has a name like zzz" in shown.text("/species?q=zzz")
    hostile = shown.client().get("/species", params={"q": '"><script>alert(1)</script>' + "x" * 900}).text
    assert "<script>" not in hostile
    assert "x" * 60 not in hostile


def test_a_species_that_is_not_there_is_said_so(shown: ShownRoom) -> None:
    answer = shown.client().get("/species/natrix-natrx")
    assert answer.status_code == 404
    assert "natrix-natrix" in answer.text
    for name in ("..%2F..%2Froom", "<b>x", "%00"):
        assert shown.client().get(f"/species/{name}").status_code == 404


def test_an_own_profile_is_there_once_it_is_written_and_its_name_does_no_harm(shown: ShownRoom) -> None:
    assert shown.settings.profiles_dir is not None
    assert "own-snake" not in shown.text("/species")
    own = Path(shown.settings.profiles_dir)
    own.mkdir(exist_ok=True)
    text = (shipped_dir() / "natrix-natrix.toml").read_text("utf-8").replace("grass snake", "<b>bold</b> & snake")
    (own / "own-snake.toml").write_text(text.replace('id = "natrix-natrix"', 'id = "own-snake"'), "utf-8")
    for path in ("/species", "/species/own-snake"):
        page = shown.client().get(path).text
        assert "&lt;b&gt;bold&lt;/b&gt; &amp; snake" in page
        assert "<b>bold" not in page
