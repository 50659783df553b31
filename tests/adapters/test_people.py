"""The file of people: no secret in it, whole whatever happens, read again when it changed, and nobody when damaged."""

from __future__ import annotations

import datetime as dt
import fcntl
import json
import os
import re
import threading
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import people
from monitor.adapters.people import FILE, MOST, MOST_LEFT, NOBODYS, PeopleFile, fits, hash_of, token_of
from monitor.core.terms.people import People
from monitor.errors import PeopleUnreadable, UnknownSubject, UsageError

T0 = 1_780_000_000_000
WORDS = "violin quiet harbour two"
DAY = dt.date(2026, 8, 15)


@pytest.fixture
def file(tmp_path: Path) -> PeopleFile:
    return PeopleFile(tmp_path)


def test_without_a_file_nobody_is_entered(file: PeopleFile) -> None:
    assert file.read() == People()
    with pytest.raises(UnknownSubject):
        file.person("anna")


def test_who_was_entered_is_read_back_by_another_reader(file: PeopleFile, tmp_path: Path) -> None:
    anna = file.add(" anna ", "enter", None, WORDS, T0)
    token, shown = file.add_token("chart", "look", DAY, T0 + 1)
    assert (anna.name, anna.may, anna.until, anna.since_ms) == ("anna", "enter", None, T0)
    for reader in (file, PeopleFile(tmp_path)):
        assert reader.read() == People((anna,), (token,))
    assert token_of(file.read(), shown) == token
    assert token_of(file.read(), shown[:-1]) is None
    assert token_of(file.read(), "") is None
    assert file.person("ANNA") == anna


def test_the_file_holds_no_passphrase_and_no_token_and_is_its_owner_s_alone(file: PeopleFile) -> None:
    file.add("anna", "enter", None, WORDS, T0)
    _, shown = file.add_token("chart", "look", None, T0)
    text = file.path.read_text("utf-8")
    assert WORDS not in text
    assert shown not in text
    assert file.path.stat().st_mode & 0o777 == 0o600
    file.path.chmod(0o644)
    assert len(PeopleFile(file.path.parent).read().people) == 1
    assert file.path.stat().st_mode & 0o007 == 0


def test_in_a_folder_that_a_group_shares_the_file_is_the_group_s_too(tmp_path: Path) -> None:
    tmp_path.chmod(0o2770)
    before = os.umask(0o007)
    try:
        PeopleFile(tmp_path).add("anna", "enter", None, WORDS, T0)
    finally:
        os.umask(before)
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o660


def test_a_hash_is_argon2id_with_the_cost_that_was_chosen_and_fits_its_passphrase_alone() -> None:
    hashed = hash_of(WORDS)
    cost = f"$argon2id$v=19$m={people.MEMORY_KIB},t={people.PASSES},p={people.LANES}$"
    # What is checked for a name that nobody has costs the same.
    assert hashed.startswith(cost)
    assert NOBODYS.startswith(cost)
    assert len(NOBODYS) == len(hashed)
    assert hash_of(WORDS) != hashed
    assert fits(hashed, WORDS)
    assert fits(hashed, f"  {WORDS.replace(' ', '  ')} ")
    for wrong in ("", WORDS[:-1], WORDS.upper(), f"{WORDS}\0"):
        assert not fits(hashed, wrong)
        assert not fits(NOBODYS, wrong)


def test_a_name_belongs_to_one(file: PeopleFile) -> None:
    file.add("anna", "enter", None, WORDS, T0)
    file.add_token("chart", "look", None, T0)
    before = file.path.read_bytes()
    for name in ("Anna", "CHART"):
        with pytest.raises(UsageError, match="already"):
            file.add(name, "look", None, WORDS, T0)
        with pytest.raises(UsageError, match="already"):
            file.add_token(name, "look", None, T0)
    for name in ("", " ", "a" * 41, "a\x07b"):
        with pytest.raises(UsageError, match="name"):
            file.add_token(name, "look", None, T0)
    assert file.path.read_bytes() == before


def test_another_right_and_another_passphrase_hold_at_once(file: PeopleFile) -> None:
    was = file.add("anna", "look", DAY, WORDS, T0)
    file.leave("anna", "abc", T0 + 9, T0)
    now = file.set_right("anna", "enter", None)
    assert (now.may, now.until, file.person("anna").stamp) == ("enter", None, was.stamp)
    assert file.person("anna").left == (("abc", T0 + 9),)
    other = file.set_passphrase("anna", "another quiet harbour")
    assert other.stamp != was.stamp
    assert other.left == ()
    assert fits(file.person("anna").hash, "another quiet harbour")
    token, shown = file.add_token("chart", "look", None, T0)
    assert file.set_right("chart", "enter", DAY).may == "enter"
    assert token_of(file.read(), shown) != token
    with pytest.raises(UnknownSubject, match="is a token"):
        file.set_passphrase("chart", WORDS)


def test_who_is_removed_is_gone_and_comes_back_as_another(file: PeopleFile) -> None:
    was = file.add("anna", "look", None, WORDS, T0)
    _, shown = file.add_token("chart", "look", None, T0)
    assert file.remove("ANNA") == was
    file.remove("chart")
    assert file.read() == People()
    assert token_of(file.read(), shown) is None
    with pytest.raises(UnknownSubject):
        file.remove("anna")
    again = file.add("anna", "look", None, WORDS, T0)
    assert (again.hash != was.hash, again.stamp != was.stamp) == (True, True)


def test_sign_ins_that_were_left_are_remembered_until_they_would_have_ended(file: PeopleFile) -> None:
    was = file.add("anna", "look", None, WORDS, T0)
    file.leave("anna", "one", T0 + 10, T0)
    file.leave("anna", "two", T0 + 20, T0 + 10)
    assert file.person("anna").left == (("two", T0 + 20),)
    for k in range(MOST_LEFT - 1):
        file.leave("anna", f"s{k}", T0 + 99, T0 + 11)
    assert (len(file.person("anna").left), file.person("anna").stamp) == (MOST_LEFT, was.stamp)
    # One more than can be remembered: all of them end, and none comes back.
    file.leave("anna", "last", T0 + 99, T0 + 11)
    assert file.person("anna").left == ()
    assert file.person("anna").stamp != was.stamp


def test_there_is_a_bound(file: PeopleFile) -> None:
    for k in range(MOST):
        file.add_token(f"t{k}", "look", None, T0)
    with pytest.raises(UsageError, match=f"there are {MOST} already"):
        file.add_token("more", "look", None, T0)
    assert len(file.read().tokens) == MOST


def damaged(told: dict[str, Any]) -> list[str]:
    """The file, each time with something else in it that is not ours."""
    person, token = told["people"][0], told["tokens"][0]
    cost = "$argon2id$v=19$m={},t={},p=1$" + "a" * 22 + "$" + "b" * 43
    people_ = [
        person | change
        for change in (
            {"may": "all"},
            {"may": None},
            {"name": ""},
            {"name": 7},
            {"name": " anna"},
            {"name": "an\nna"},
            {"until": "soon"},
            {"until": 7},
            {"since_ms": "now"},
            {"since_ms": True},
            {"hash": "plain"},
            {"hash": None},
            {"hash": cost.format(999_999, 2)},
            {"hash": cost.format(19456, 99)},
            {"hash": cost.format(19456, 0)},
            {"hash": person["hash"].replace("argon2id", "argon2i")},
            {"stamp": ""},
            {"left": [["a", "b"]]},
            {"left": [["a b", 1]]},
            {"left": 7},
        )
    ]
    texts = [json.dumps(told | {"people": [p]}) for p in people_]
    texts += [json.dumps(told | {"tokens": [token | {"digest": d}]}) for d in ("", "g" * 64, None)]
    texts += [json.dumps(told | {"people": [{k: v for k, v in person.items() if k != gone}]}) for gone in person]
    texts += [json.dumps(told | {"tokens": [token | {"name": "ANNA"}]}), json.dumps(told | {"form": 2})]
    texts += ["", "{", "[]", "null", "7", "[" * 100_000, json.dumps({"form": 1}), "\ufffe"]
    return texts


def test_a_damaged_file_lets_nobody_in_says_so_and_is_not_written_over(
    file: PeopleFile, caplog: pytest.LogCaptureFixture
) -> None:
    file.add("anna", "enter", None, WORDS, T0)
    file.add_token("chart", "look", None, T0)
    whole = file.path.read_bytes()
    texts = damaged(json.loads(whole))
    assert len(texts) > 35
    for text in texts:
        file.path.write_bytes(text.encode("utf-8", "surrogatepass"))
        with pytest.raises(PeopleUnreadable, match="damaged") as told:
            file.read()
        assert "warmtally people add" in told.value.fix
        assert str(file.path) in str(told.value)
        with pytest.raises(PeopleUnreadable):
            file.add("bea", "look", None, WORDS, T0)
        assert file.path.read_bytes() == text.encode("utf-8", "surrogatepass")
    assert "nobody may look or enter" in caplog.text
    assert re.search("argon2id|[0-9a-f]{64}", caplog.text) is None
    file.path.write_bytes(whole)
    assert file.person("anna").name == "anna"


def test_what_is_no_file_or_too_long_lets_nobody_in(file: PeopleFile) -> None:
    os.mkfifo(file.path)
    with pytest.raises(PeopleUnreadable, match="no file of people"):
        file.read()
    file.path.unlink()
    file.path.mkdir()
    with pytest.raises(PeopleUnreadable, match="no file of people"):
        file.read()
    file.path.rmdir()
    file.path.write_bytes(b" " * 2_000_001)
    with pytest.raises(PeopleUnreadable, match="no file of people"):
        file.read()
    with pytest.raises(PeopleUnreadable, match="no folder"):
        PeopleFile(file.path.parent / "gone").add("anna", "look", None, WORDS, T0)


def test_it_is_read_again_when_it_changed_and_only_then(file: PeopleFile, monkeypatch: pytest.MonkeyPatch) -> None:
    file.add("anna", "enter", None, WORDS, T0)
    reads: list[int] = []
    parse = people._people

    def counted(told: object) -> People:
        reads.append(1)
        return parse(told)

    monkeypatch.setattr(people, "_people", counted)
    for _ in range(5):
        assert len(file.read().people) == 1
    assert len(reads) == 1
    PeopleFile(file.path.parent).remove("anna")
    reads.clear()
    assert file.read() == People()
    assert len(reads) == 1
    file.path.unlink()
    assert file.read() == People()


def test_several_who_enter_people_at_once_lose_nobody(tmp_path: Path) -> None:
    def enter(k: int) -> None:
        PeopleFile(tmp_path).add_token(f"t{k}", "look", None, T0)

    threads = [threading.Thread(target=enter, args=(k,)) for k in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {t.name for t in PeopleFile(tmp_path).read().tokens} == {f"t{k}" for k in range(12)}
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


def test_who_holds_the_file_for_ever_keeps_nobody_waiting_for_ever(
    file: PeopleFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(people, "LONGEST_WAIT_S", 0.1)
    handle = os.open(file.path.parent, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)
    try:
        with pytest.raises(PeopleUnreadable, match="does not end"):
            file.add_token("chart", "look", None, T0)
        assert file.read() == People(), "who only reads waits for nobody"
    finally:
        os.close(handle)
    file.add_token("chart", "look", None, T0)
