"""Finding and reading profile files: those that come along and the keeper's own."""

from __future__ import annotations

import os
import random
import string
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.config import library
from monitor.config.library import called, list_profiles, load_profile, named, names_of, own_stamp, shipped_dir
from monitor.derived.species import SpeciesBook
from monitor.errors import ConfigError, UnknownSubject

OWN = """
scientific_name = "Pantherophis guttatus"
counts = "pip"
rows = [
  { temperature_c = 26.0, days = 66.0, eggs = 12, paper = "own clutches" },
  { temperature_c = 28.5, days = 56.0, eggs = 9, paper = "own clutches" },
]
"""


def test_a_shipped_profile_is_found_by_id_and_by_scientific_name() -> None:
    by_id = load_profile("elaphe-taeniura")
    assert by_id.scientific_name == "Elaphe taeniura"
    assert load_profile("Elaphe taeniura") == by_id


def test_an_unknown_species_is_told_with_its_close_matches() -> None:
    with pytest.raises(UnknownSubject, match="did you mean elaphe-taeniura") as caught:
        load_profile("elaphe-taenuira")
    assert "species new" in caught.value.fix


def test_a_species_like_no_other_is_told_without_a_guess() -> None:
    with pytest.raises(UnknownSubject) as caught:
        load_profile("qqqq")
    assert "did you mean" not in caught.value.what


@pytest.mark.parametrize(
    ("name", "species"),
    [
        ("elaphe-taeniura", "elaphe-taeniura"),
        ("Elaphe taeniura", "elaphe-taeniura"),
        ("corn snake", "pantherophis-guttatus"),
        ("Corn Snake", "pantherophis-guttatus"),
        ("Elaphe guttata", "pantherophis-guttatus"),
        ("corn snke", "pantherophis-guttatus"),
        ("elaphe-taenuira", "elaphe-taeniura"),
        ("Hermanns tortoise", "testudo-hermanni"),
        ("Hermann's tortoise", "testudo-hermanni"),
        ("Mauremys sinensis", "ocadia-sinensis"),
        ("hognose", "heterodon-nasicus"),
        ("Python regius", "python-regius"),
        ("royal python", "python-regius"),
    ],
)
def test_a_species_is_found_by_its_names_and_how_it_was_taken_is_said(name: str, species: str) -> None:
    found, said = named(name)
    assert found == species
    own = "-".join(name.lower().split()) == species
    assert (said == "") == own
    if said:
        assert name in said
        assert species in said


@pytest.mark.parametrize(("name", "some"), [("gecko", "gekko-gecko"), ("python", "python-regius"), ("snake", "naja")])
def test_a_name_that_may_mean_several_is_not_guessed(name: str, some: str) -> None:
    with pytest.raises(UnknownSubject, match="may be several") as caught:
        named(name)
    assert some in caught.value.what or name == "snake"
    assert caught.value.what.count(",") >= 1


def test_no_two_profiles_share_a_name() -> None:
    names = [x.lower() for p in list_profiles().profiles for x in names_of(p)]
    assert sorted(x for x in set(names) if names.count(x) > 1) == []


def test_what_is_like_nothing_is_told_where_to_go_on() -> None:
    for name in ("qqqq", "", "   "):
        with pytest.raises(UnknownSubject, match="there is no species profile") as caught:
            named(name)
        assert "warmtally species new" in caught.value.fix


def test_an_id_is_no_path() -> None:
    with pytest.raises(UnknownSubject):
        load_profile("../species/elaphe-taeniura")


def test_an_own_profile_is_found_and_wins_over_the_one_that_came_along(tmp_path: Path) -> None:
    (tmp_path / "pantherophis-guttatus.toml").write_text(OWN, encoding="utf-8")
    assert load_profile("pantherophis-guttatus").grade == "no source"
    own = load_profile("pantherophis-guttatus", tmp_path)
    assert own.grade == "poor"
    assert 1.0 / float(own.curve().rate_per_day(26.0)) == pytest.approx(66.0)
    listing = list_profiles(tmp_path)
    assert listing.own == {"pantherophis-guttatus"}
    assert [p.grade for p in listing.profiles if p.id == "pantherophis-guttatus"] == ["poor"]
    assert len(listing.profiles) == len(list_profiles().profiles)


def test_one_bad_own_file_does_not_hide_the_others(tmp_path: Path) -> None:
    (tmp_path / "my-line.toml").write_text(OWN, encoding="utf-8")
    (tmp_path / "broken.toml").write_text("rows = [", encoding="utf-8")
    (tmp_path / "wrong.toml").write_text(OWN.replace("66.0", "-1"), encoding="utf-8")
    (tmp_path / "latin.toml").write_bytes(b'scientific_name = "L\xf6wenborg"')
    listing = list_profiles(tmp_path)
    assert "my-line" in {p.id for p in listing.profiles}
    assert len(listing.profiles) == len(list_profiles().profiles) + 1
    told = {Path(error.where).name: error.what for error in listing.bad}
    assert "not valid TOML" in told["broken.toml"]
    assert "rows, number 1, days" in told["wrong.toml"]
    assert "cannot be read" in told["latin.toml"]
    with pytest.raises(ConfigError, match="number 1, days"):
        load_profile("wrong", tmp_path)


def test_without_a_folder_of_own_profiles_those_that_come_along_serve(tmp_path: Path) -> None:
    assert list_profiles(tmp_path / "nowhere") == list_profiles()
    assert load_profile("elaphe-taeniura", tmp_path / "nowhere") == load_profile("elaphe-taeniura")


def test_listed_profiles_are_sorted_and_complete() -> None:
    ids = [p.id for p in list_profiles().profiles]
    assert ids == sorted(ids)
    assert set(ids) == {path.stem for path in shipped_dir().glob("*.toml")}


def test_an_installed_package_reads_what_lies_inside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inside = tmp_path / "monitor" / "shipped" / "species"
    inside.mkdir(parents=True)
    (inside / "my-line.toml").write_text(OWN, encoding="utf-8")
    monkeypatch.setattr("monitor.config.library.__file__", str(tmp_path / "monitor" / "config" / "library.py"))
    assert shipped_dir() == inside
    assert [p.id for p in list_profiles().profiles] == ["my-line"]


def test_a_package_without_its_profiles_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.config.library.__file__", str(tmp_path / "monitor" / "config" / "library.py"))
    with pytest.raises(ConfigError, match="not there"):
        shipped_dir()


# -- misspelt, or another ------------------------------------------------------------------------------------------


def test_no_species_is_taken_for_another_one_of_its_genus(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = list_profiles()
    monkeypatch.setattr(library, "_files", lambda _: {})
    for missing in whole.profiles:
        rest = replace(whole, profiles=tuple(p for p in whole.profiles if p.id != missing.id))
        if any(missing.scientific_name in told for p in rest.profiles for told in p.other_names):
            # A name of which it was a part once.
            continue
        monkeypatch.setattr(library, "list_profiles", lambda _=None, rest=rest: rest)
        with pytest.raises(UnknownSubject):
            named(missing.scientific_name)


@pytest.mark.parametrize("name", ["rattlesnake", "cat snake", "Phrynocephalus mystaceus", "Boa constrictor", "boa"])
def test_an_animal_that_is_not_there_is_not_taken_for_one_that_is(name: str) -> None:
    with pytest.raises(UnknownSubject, match="there is no species profile"):
        named(name)


def test_one_slip_of_the_fingers_still_finds_it(monkeypatch: pytest.MonkeyPatch) -> None:
    rng, whole = random.Random(5), list_profiles()
    monkeypatch.setattr(library, "list_profiles", lambda _=None: whole)
    for profile in whole.profiles:
        letters = list(profile.scientific_name)
        at = rng.randrange(1, len(letters) - 1)
        slip = rng.choice((lambda x: "", lambda x: x + x, lambda _: rng.choice(string.ascii_lowercase)))
        letters[at] = slip(letters[at]) if letters[at] != " " else " "
        assert named("".join(letters))[0] == profile.id


def test_a_subspecies_is_found_by_its_species_under_any_name() -> None:
    assert named("Elaphe taeniura friesi")[0] == "elaphe-taeniura"
    assert named("Elaphe obsoleta obsoleta")[0] == "pantherophis-obsoletus"


def test_called_is_letter_for_letter() -> None:
    found = called("ELAPHE guttata")
    assert found is not None
    assert found.id == "pantherophis-guttatus"
    assert called("corn snakes") is None
    assert called("") is None


def test_what_is_told_of_a_name_stays_short(tmp_path: Path) -> None:
    for i in range(300):
        path = tmp_path / f"inventa-n{i}.toml"
        path.write_text(OWN.replace("Pantherophis guttatus", f"Inventa n{i}"))
    for name in ("Inventa", "Inventa n", "x" * 4000, "a b " * 900):
        with pytest.raises(UnknownSubject) as caught:
            named(name, tmp_path)
        assert len(str(caught.value)) < 500


# -- what lies in the folder may be anything -------------------------------------------------------------------------

Maker = Callable[[Path], object]
ODD: dict[str, Maker] = {
    "a pipe": os.mkfifo,
    "a device without end": lambda path: path.symlink_to("/dev/zero"),
    "round in a circle": lambda path: path.symlink_to(path.name),
    "leads nowhere": lambda path: path.symlink_to("nowhere"),
    "a folder": lambda path: path.mkdir(),
    "long": lambda path: path.write_bytes(b"#" * (library.LONGEST_FILE + 1)),
    "many dots": lambda path: path.write_text("a" + ".a" * 40_000 + " = 1\n"),
    "many mistakes": lambda path: path.write_text("".join(f"k{i} = 1\n" for i in range(5000))),
    "no text": lambda path: path.write_bytes("x = 1".encode("utf-16")),
    "not a number": lambda path: path.write_text(OWN.replace("66.0", "nan").replace("56.0", "inf")),
    "twice": lambda path: path.write_text('counts = "pip"\n' + OWN),
    "signs in a key": lambda path: path.write_text('"\\u001b[2J" = 1\n' + OWN),
    "signs in a name": lambda path: path.write_text(OWN.replace("Pantherophis guttatus", "a\\u001b[2Jb\\u202e")),
}


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("name", ["inventa-odd", "inventa\x1b[2J\nodd", "inventa-\udce9"])
def test_an_odd_thing_in_the_folder_is_named_in_few_plain_lines_and_hides_nothing(
    tmp_path: Path, odd: str, name: str
) -> None:
    book = SpeciesBook(lambda name: load_profile(name, tmp_path), str(tmp_path))
    (tmp_path / "my-line.toml").write_text(OWN)
    ODD[odd](tmp_path / f"{name}.toml")
    listing = list_profiles(tmp_path)
    assert "my-line" in {p.id for p in listing.profiles}
    (bad,) = listing.bad
    told = str(bad)
    assert all(line.isprintable() for line in told.split("\n"))
    assert len(told.encode()) < 15_000
    assert "inventa" in bad.where
    # The service looks at the folder in each round.
    book.follow()
    assert ("my-line.toml",) in {stamp[:1] for stamp in own_stamp(tmp_path)}
    assert book.of(name).profile is None
    assert book.of("my-line").profile is not None


def test_a_byte_order_mark_and_a_table_in_one_line_are_no_mistake(tmp_path: Path) -> None:
    rows = ", ".join(
        f'{{ temperature_c = {25 + i / 250:.3f}, days = {66 - i / 50:.2f}, paper = "own clutches" }}'
        for i in range(700)
    )
    text = f'scientific_name = "Inventa longa"\nnotes = ["""one\ntwo"""]\nrows = [{rows}]\n'
    (tmp_path / "inventa-longa.toml").write_text(text, encoding="utf-8-sig")
    found = load_profile("inventa-longa", tmp_path)
    assert len(found.rows) == 700
    assert found.notes == ("one two",)
