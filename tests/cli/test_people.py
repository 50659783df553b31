"""``warmtally people``: who is entered and how, and that a passphrase is on no command line and in no answer."""

from __future__ import annotations

import getpass
import io
import json
import re
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.adapters.people import FILE, PeopleFile, fits, token_of
from monitor.core.terms.plain_words import WORDS
from tests.desk import Answer, Desk, room_text

PHRASE = "violin quiet harbour two"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    desk = Desk(tmp_path)
    desk.write(room_text(zone="Europe/Vienna") + "[page]\n")
    desk.data.mkdir()
    return desk


@pytest.fixture
def file(desk: Desk) -> PeopleFile:
    return PeopleFile(desk.data)


def piped(desk: Desk, line: str, data: bytes, monkeypatch: pytest.MonkeyPatch) -> Answer:
    """The command with that on standard input."""
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
        return desk(line)


def typed(desk: Desk, line: str, answers: Sequence[str], monkeypatch: pytest.MonkeyPatch) -> tuple[Answer, list[str]]:
    """The command at a terminal, and what it asked; answers that are not shown are typed in their turn."""
    asked: list[str] = []
    left = iter(answers)

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    def hidden(question: str) -> str:
        asked.append(question)
        return next(left)

    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdin", Terminal("y\n" * 3))
        patched.setattr(getpass, "getpass", hidden)
        return desk(line), asked


def test_somebody_is_entered_by_a_passphrase_from_standard_input_or_a_file(
    desk: Desk, file: PeopleFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "everybody on this computer may look and enter, at http://127.0.0.1:8480" in desk.does("people")
    answer = piped(desk, "people add anna --may enter --passphrase-file -", f"{PHRASE}\n".encode(), monkeypatch)
    assert (answer.code, answer.err) == (0, "")
    assert answer.out.splitlines() == [
        "anna may look and enter",
        "from now on everybody signs in at the page",
        "sign in at http://127.0.0.1:8480/enter",
    ]
    (desk.folder / "phrase").write_bytes("\ufeffSchlüssel unter der Matte\r\n".encode())
    said = desk.does(f'people add "Uncle Bo" --may look --until 2098-08-15 --passphrase-file {desk.folder}/phrase')
    assert said.startswith("Uncle Bo may look until 2098-08-15, that day included\n")
    assert fits(file.person("anna").hash, PHRASE)
    assert fits(file.person("uncle bo").hash, "Schlüssel unter der Matte")
    listed = desk.does("people")
    assert re.search(r"^anna +person +may look and enter +\w", listed, re.M)
    assert re.search(r"^Uncle Bo +person +may look until 2098-08-15 +\w", listed, re.M)
    assert "argon2" not in listed + desk.does("people --json")


def test_a_passphrase_is_typed_twice_and_not_shown(
    desk: Desk, file: PeopleFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    typing = ["short", PHRASE, "violin quiet harbour too", PHRASE, PHRASE]
    answer, asked = typed(desk, "people add anna --may enter", typing, monkeypatch)
    assert answer.code == 0, answer.err
    assert len(asked) == 5
    assert "too short" in answer.out
    assert "the two are not the same" in answer.out
    assert PHRASE not in answer.text
    assert fits(file.person("anna").hash, PHRASE)


def test_enter_alone_makes_one_up_of_words(desk: Desk, file: PeopleFile, monkeypatch: pytest.MonkeyPatch) -> None:
    answer, _ = typed(desk, "people add anna --may enter", [""], monkeypatch)
    made = re.search(r"^passphrase: (.+)$", answer.out, re.M)
    assert made is not None
    assert len(made[1].split()) == 5
    assert set(made[1].split()) <= set(WORDS)
    assert "each drawn from 1024: 50 bits" in answer.out
    assert fits(file.person("anna").hash, made[1])
    other = desk.took("people add bea --may look --make-up --json").json
    assert other["passphrase"] != made[1]
    assert fits(file.person("bea").hash, other["passphrase"])


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "too short"),
        (b"short\n", "too short"),
        (b"anna back room 12", "too easily guessed"),
        (b"violin quiet\nharbour two\n", "alone in one line"),
        (b"\xff\xfe violin quiet harbour", "alone in one line"),
        (b"x" * 100_000, "signs at most"),
    ],
)
def test_a_passphrase_that_cannot_be_enters_nobody(
    desk: Desk, data: bytes, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer = piped(desk, "people add anna --may enter --passphrase-file -", data, monkeypatch)
    assert (answer.code, answer.out) == (2, "")
    assert why in answer.err
    assert not (desk.data / FILE).exists()


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("people add anna --may enter", "nobody can be asked"),
        ("people add anna --may enter --json", "nobody can be asked"),
        ("people add anna", "--may"),
        ("people add anna --may own", "invalid choice"),
        ("people add '' --may look --make-up", "a name is missing"),
        ("people add anna --may look --make-up --until soon", "is not a day"),
        ("people add anna --may look --make-up --until 1999-01-01", "no day to come"),
        ("people add anna --may look --make-up --until 2998-01-01", "no day to come"),
        ("people add anna --may look --passphrase whatever-it-is", "--passphrase"),
        ("people remove anna", "nobody is called"),
        ("people passphrase anna --make-up", "nobody is called"),
        ("people may anna look", "nobody is called"),
    ],
)
def test_what_does_not_fit_is_refused_and_changes_nothing(desk: Desk, line: str, why: str) -> None:
    answer = desk(line)
    assert answer.code in (2, 6)
    assert why in answer.err
    assert not (desk.data / FILE).exists()


def test_a_file_that_is_not_there_is_named(desk: Desk) -> None:
    answer = desk("people add anna --may look --passphrase-file nowhere")
    assert answer.code == 25
    assert "nowhere" in answer.err


def test_a_right_ends_by_itself_by_the_room_s_calendar(
    desk: Desk, file: PeopleFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 22:30 UTC is half past midnight of the next day in Vienna.
    evening = datetime(2026, 8, 15, 22, 30, tzinfo=UTC)
    file.add("anna", "enter", evening.date(), PHRASE, 0)
    for at, over in ((evening - timedelta(hours=1), False), (evening, True)):
        monkeypatch.setattr("monitor.cli.people.now_ms", lambda at=at: round(at.timestamp() * 1000))
        (told,) = desk.took("people --json").json["people"]
        assert told["ended"] is over
        assert told["until"] == "2026-08-15"
        assert ("ended 2026-08-15" in desk.does("people")) is over


def test_another_right_another_passphrase_and_the_end(desk: Desk, file: PeopleFile) -> None:
    first = desk.took("people add anna --may look --make-up --json").json
    assert desk.does("people may ANNA enter --until 2098-01-01") == (
        "anna may look and enter until 2098-01-01, that day included, at once\n"
    )
    second = desk.took("people passphrase anna --make-up --json").json
    assert not fits(file.person("anna").hash, first["passphrase"])
    assert fits(file.person("anna").hash, second["passphrase"])
    assert second["may"] == "enter"
    taken = desk("people add anna --may look --make-up")
    assert (taken.code, taken.out) == (2, "")
    assert "already" in taken.err
    said = desk.does("people remove anna")
    assert "anna may do nothing any more" in said
    assert "everybody on this computer may look and enter" in said


def test_a_token_is_shown_once_and_alone_on_standard_output(desk: Desk, file: PeopleFile) -> None:
    answer = desk.took("people token chart --may look --until 2098-01-01")
    token = answer.out.strip()
    assert re.fullmatch(r"[\w-]{32}", token)
    assert "Authorization: Bearer" in answer.err
    found = token_of(file.read(), token)
    assert found is not None
    assert (found.name, found.may) == ("chart", "look")
    assert token not in desk.took("people").out + desk.took("people --json").out + (desk.data / FILE).read_text()
    assert json.loads(desk.took("people token other --may enter --json").out)["token"] != token
    assert desk.does("people remove chart") == "the token chart is good for nothing any more\n"
    assert token_of(file.read(), token) is None


def test_it_works_beside_a_mistake_in_a_probe(desk: Desk) -> None:
    desk.write(room_text().replace('\nunit = "C"', '\nunit = "X"', 1))
    answer = desk("people add anna --may look --make-up --json")
    assert answer.code == 0
    assert "done with the rest" in answer.err


def test_check_says_who_can_get_to_the_page_while_nobody_has_a_passphrase(desk: Desk, file: PeopleFile) -> None:
    beyond = room_text() + '[page]\nlisten = "0.0.0.0:8480"\naddress = "http://eggroom.test:8480"\n'

    def advice() -> list[str]:
        return [m["what"] for m in desk("check --json").json["mistakes"] if m["id"] == "people"]

    assert advice() == []
    desk.write(beyond)
    (said,) = advice()
    assert "nobody has a passphrase" in said
    assert "serves only the links of notices" in desk.does("people")
    file.add_token("chart", "look", None, 0)
    assert len(advice()) == 1
    file.add("anna", "look", None, PHRASE, 0)
    assert advice() == []
    file.path.write_text("{")
    (said,) = advice()
    assert "damaged, so nobody may" in said
    assert desk("check").code == 0
    assert desk("people").code == 30
