"""Finding and reading profile files: those that come along and the keeper's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.config.library import list_profiles, load_profile, named, names_of, shipped_dir
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
