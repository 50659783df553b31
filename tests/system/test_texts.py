"""``warmtally texts`` as a keeper meets it, and a service whose file of texts is broken."""

from __future__ import annotations

import json
import logging
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.example import examples, examples_beside
from monitor.cli.main import main
from monitor.config.room_file import load
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notices import CAUTION
from monitor.core.terms.settings import DisplayUnit, Room
from monitor.core.terms.texts import WORDINGS, WORDS, read_texts
from tests.bench.stepped import stepped
from tests.core.terms.test_texts import WORDS_OF_ALL
from tests.desk import part, probe, room_text


def room_in(unit: DisplayUnit) -> str:
    return room_text(
        {"top": 140.0},
        name="Brutraum",
        zone="Europe/Vienna",
        unit=unit,
        probes=[probe("top-warmth", "room/top", box="top", pointer="/value", time_pointer="/at")],
        limits={"too_warm_c": 31, "too_cool_c": 25, "on_delay": "0 s"},
    ) + part("[texts]", file="texts.toml")


OWN = """
[all.raised]
title = "${room}: ${says}, ${where}"

[kinds.too-warm]
says = "Zu warm"
first = "Heizung ausstecken, dann die Nachbarin anrufen: 555 0100."

[kinds.too-warm.raised]
line = "${where}: ${value}, Grenze ${limit}, seit ${since}."

[drill]
text = "Nur eine Probe."
"""


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A room with a file of texts of its own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "room.toml").write_text(room_in("F"), encoding="utf-8")
    (tmp_path / "texts.toml").write_text(OWN, encoding="utf-8")
    monkeypatch.setenv("WARMTALLY_CONFIG", str(tmp_path / "room.toml"))
    return tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> str:
    assert main(words) == code
    captured = capsys.readouterr()
    return captured.out + captured.err


def as_json(capsys: pytest.CaptureFixture[str], *words: str, code: int = 0) -> Any:
    return json.loads(said(capsys, *words, "--json", code=code))


# -- what is in force --------------------------------------------------------------------------------------------------


def test_the_list_has_every_text_and_says_which_are_the_keepers(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = as_json(capsys, "texts")["texts"]
    by_key = {x["key"]: x for x in listed}
    assert set(WORDINGS) <= set(by_key)
    assert all(f"kinds.{kind.name}.{name}" in by_key for kind in all_kinds() for name in WORDS)
    assert sorted(key for key, x in by_key.items() if x["yours"]) == [
        *("all.raised.title", "drill.text", "kinds.too-warm.first", "kinds.too-warm.raised.line"),
        "kinds.too-warm.says",
    ]
    assert by_key["drill.text"]["text"] == "Nur eine Probe."
    plain = said(capsys, "texts")
    assert re.search(r"^drill\.text +yours +Nur eine Probe\.$", plain, re.M)
    assert re.search(r"^drill\.title +Test notice of \$\{day\}$", plain, re.M)
    assert "5 of " in plain


def test_an_example_is_worded_by_the_keepers_texts_in_their_unit_and_zone(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raised, still, cleared = as_json(capsys, "texts", "too-warm")
    assert [x["change"] for x in (raised, still, cleared)] == ["raised", "still", "cleared"]
    assert raised["title"] == "Brutraum: Zu warm, box lower, box upper"
    assert raised["text"].startswith("Heizung ausstecken")
    assert raised["text"].splitlines()[1].startswith("box lower: 89.6 °F, Grenze 87.8 °F, seit Fri 03:10. ")
    assert "die Nachbarin" in raised["text"]
    assert "die Nachbarin" in still["text"]
    assert raised["text"].endswith(CAUTION)
    assert cleared["title"] == "No longer too warm: box lower 82.4 °F and 1 more"
    assert "Nur eine Probe." in said(capsys, "texts", "drill")
    assert "yours: all.raised.title, kinds.too-warm.says" in said(capsys, "texts", "too-warm")


def test_before_there_is_a_room_the_usual_texts_are_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WARMTALLY_CONFIG", raising=False)
    monkeypatch.setattr("monitor.config.at_hand.find_config.__defaults__", ({},))
    assert "31.9 °C" in said(capsys, "texts", "too-warm")
    assert "none of " in said(capsys, "texts")


@pytest.mark.parametrize("unit", ["C", "F"])
def test_every_kind_has_an_example_with_what_it_tells(unit: DisplayUnit) -> None:
    of = Room("Brutraum", "Europe/Vienna", unit, (), (), ())
    for kind in all_kinds():
        made = examples(kind, of)
        wanted = ["raised", *["still"] * (kind.urgency != "later"), *["cleared"] * kind.tell_cleared]
        assert [n.change for n in made] == wanted, kind.name
        assert {n.kind for n in made} == {kind.name}
        for notice in made:
            assert not re.search(r"None|\bnan\b|\binf\b|\$\{|  |\n\n\n", notice.title + notice.text)
            assert kind.raises not in notice.text
            assert f"°{'F' if unit == 'C' else 'C'}" not in notice.text
    assert [n.kind for n in examples_beside(of)] == ["daily-line", "drill", "digest"]


def test_explain_says_where_a_text_can_be_changed(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "warmtally texts too-warm" in said(capsys, "explain", "too-warm")


def test_an_unknown_kind_is_told_with_the_nearest(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "did you mean too-warm?" in said(capsys, "texts", "too-worm", code=6)
    assert "did you mean drill?" in said(capsys, "texts", "dril", code=6)


# -- a file of texts ---------------------------------------------------------------------------------------------------


def test_the_written_file_changes_nothing_until_a_line_is_switched_on(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "written" in said(capsys, "texts", "--write", "mine.toml")
    assert "0 texts of yours, no mistakes" in said(capsys, "texts", "--check", "mine.toml")
    text = (room / "mine.toml").read_text(encoding="utf-8")
    on = re.sub(r"^#(?! )", "", text, flags=re.M)
    own, slips = read_texts(tomllib.loads(on), WORDS_OF_ALL)
    assert slips == []
    usual = {key: wording.default for key, wording in WORDINGS.items()}
    for kind, words in zip(all_kinds(), WORDS_OF_ALL, strict=True):
        told = [name for name in WORDS if name != "cleared" or kind.tell_cleared]
        usual |= {f"kinds.{words.kind}.{name}": getattr(words, name) for name in told}
    assert own == usual


def test_a_file_that_is_there_is_not_written_over(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "is there already" in said(capsys, "texts", "--write", "texts.toml", code=2)
    assert (room / "texts.toml").read_text(encoding="utf-8") == OWN
    assert "cannot be written" in said(capsys, "texts", "--write", "no/such/folder.toml", code=25)


def test_a_check_names_every_mistake_with_file_key_and_what_to_do(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "5 texts of yours, no mistakes" in said(capsys, "texts", "--check")
    (room / "texts.toml").write_text(OWN + '[kinds.too-coool]\nfirst = "x"\n[daily]\ntext = "$"\n', encoding="utf-8")
    plain = said(capsys, "texts", "--check", code=3)
    assert "texts.toml: kinds.too-coool: there is no kind 'too-coool'; did you mean too-cool?" in plain
    assert "texts.toml: daily.text: a $ alone, at '$'; write ${name} for a place, $$ for a dollar" in plain
    assert "3 mistakes; the usual text stands in" in plain
    found = as_json(capsys, "texts", "--check", "texts.toml", code=3)
    assert sorted(m["id"] for m in found["mistakes"]) == ["text-dollar", "text-long", "text-lost", "unknown-kind"]
    assert "3 mistakes in texts: the service starts" in said(capsys, "check", code=3)


def test_words_that_do_not_go_together_are_refused(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "texts", "too-warm", "--write", "x.toml", code=2)
    (room / "room.toml").write_text(room_in("C").partition("[texts]")[0], encoding="utf-8")
    assert "names no file of texts" in said(capsys, "texts", "--check", code=2)


# -- the service -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("own", "title", "logged"),
    [
        (OWN, "Brutraum: Zu warm, box top", ""),
        (
            OWN.replace("${says}", "${sais}"),
            "Zu warm: box top 89.6 °F, limit 87.8",
            "there is no place ${sais} here; did you mean ${says}?",
        ),
        (OWN.replace('says = "Zu', 'says = "$ Zu'), "Brutraum: Too warm, box top", "a $ alone"),
        ("[all.raised\n", "Too warm: box top 89.6 °F, limit 87.8", "not TOML"),
        (None, "Too warm: box top 89.6 °F, limit 87.8", "no file at"),
    ],
    ids=["sound", "a place", "a dollar", "no TOML", "no file"],
)
def test_a_broken_text_stops_no_notice_and_the_log_says_so(
    room: Path, caplog: pytest.LogCaptureFixture, own: str | None, title: str, logged: str
) -> None:
    (room / "texts.toml").unlink()
    if own is not None:
        (room / "texts.toml").write_text(own, encoding="utf-8")
    start = 1_780_000_000_000
    with caplog.at_level(logging.WARNING, "warmtally"), stepped(load(room / "room.toml"), room / "run", start) as run:
        run.step(start, {"room/top": 28.0})
        run.step(start + 60_000, {"room/top": 32.0})
    assert [(n.kind, n.title) for n in run.notices] == [("too-warm", title)]
    lines = [r.getMessage() for r in caplog.records if "usual text" in r.getMessage()]
    assert len(lines) == bool(logged)
    assert all(logged in line for line in lines)


def test_the_key_is_the_same_with_and_without_texts_of_ones_own(room: Path) -> None:
    settings = load(room / "room.toml")
    plain = replace(settings.room, texts=type(settings.room.texts)())
    for kind in all_kinds():
        assert [n.key for n in examples(kind, settings.room)] == [n.key for n in examples(kind, plain)]
