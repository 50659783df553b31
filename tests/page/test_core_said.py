"""Sentences of the program in the language of a page: those of the table are said, all others stay, none is dead."""

from __future__ import annotations

import random
import re
from html import unescape
from pathlib import Path
from string import Template

import pytest

from monitor.core.notices.kinds import all_kinds
from monitor.page.core_said import PART, core_saying, title_saying
from monitor.page.texts import LANGUAGES, saying, table
from tests.page.rooms import ShownRoom
from tests.peers import PROJECT

SENTENCES = {key: text for key, text in table("en").items() if key.startswith(PART)}
PLACE = re.compile(r"\$\{(\w+)\}")
MADE_OF = r"[;:(),]\s|\s(?=±)|\bbetween\b|\bonce\b|\bif it lives\b|\bto\b|\blimit\b"
"""Where a sentence is put together."""
OTHERS = [language for language in LANGUAGES if language != "en"]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.usual(tmp_path_factory.mktemp("room"))


def test_what_the_table_has_is_what_the_program_says() -> None:
    """Letter by letter, so that none is left behind when a sentence of the program changes."""
    firsts = {f"{PART}first_{kind.name.replace('-', '_')}": kind.first for kind in all_kinds()}
    for key in SENTENCES.keys() & firsts.keys():
        assert SENTENCES[key] == firsts[key]
    folders = (PROJECT / "monitor" / name for name in ("core", "telling", "derived"))
    source = "\n".join(p.read_text(encoding="utf-8") for folder in folders for p in sorted(folder.rglob("*.py")))
    # What is written over several lines is one text.
    source = re.sub(r'"\s*f?"', "", source)
    for key in SENTENCES.keys() - firsts.keys():
        for part in PLACE.split(SENTENCES[key])[::2]:
            for words in re.split(MADE_OF, part):
                assert words.strip(" .()") in source, key


@pytest.mark.parametrize("language", OTHERS)
def test_each_sentence_is_said_with_what_stands_in_its_places(language: str) -> None:
    rnd, said, say = random.Random(2), core_saying(language), saying(language)
    for key, text in SENTENCES.items():
        for _ in range(3):
            values = {name: f"{rnd.choice('QXZ')}{rnd.randint(100, 999)}" for name in PLACE.findall(text)}
            assert said(Template(text).substitute(values)) == say(key, **values), key


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_in_no_table_stays_and_english_stays_english(language: str) -> None:
    rnd, said, title = random.Random(3), core_saying(language), title_saying(language)
    for own in ("Bitte nachsehen: der Kasten oben", "", "a" * 5000, "Too warm", "${x} $ %s {0}"):
        assert said(own) == own
    assert title("Bitte nachsehen: oben") == "Bitte nachsehen: oben"
    for text in (*SENTENCES.values(), *("".join(rnd.choices("ab ;:()${}", k=40)) for _ in range(50))):
        assert core_saying("en")(text) == title_saying("en")(text) == text
        said(text)
        title(text)


def test_german_titles_name_what_is_true_still_true_and_over() -> None:
    title = title_saying("de")
    assert title("Too warm: box upper 32.5 °C, limit 31.0") == "Zu warm: Kasten upper 32.5 °C, Grenze 31.0"
    assert title("Still too warm: box upper 32.5 °C, limit 31.0").startswith("noch immer: Zu warm: Kasten upper")
    assert title("No longer too warm: upper") == "vorbei: Zu warm: upper"
    assert title("Window open: K01 in upper 28 May to 11 Jun +3").endswith(": K01 in upper 28. Mai bis 11. Juni +3")


def test_german_pages_say_what_is_expected_and_to_be_done_in_german(shown: ShownRoom) -> None:
    client = shown.client("de")
    looked_at = ("/", "/box/left-upper", "/tasks", "/notices")
    pages = {path: unescape(client.get(path).text) for path in (*looked_at, "/season")}
    english = r"first pip|wait until|limit too|mean so far|look at K01|\bMay\b|\bJun\b|\bJun to\b|Go now|Too warm"
    for path in looked_at:
        assert not re.search(english, re.sub(r"<[^>]*>", " ", pages[path])), path
    assert "erstes Anpicken zwischen Do 28. Mai und Do 11. Juni (8 von 10)" in pages["/box/left-upper"]
    assert "Jetzt hingehen: Heizung am Stecker aus" in pages["/"]
    assert '<td data-head="wie eilig">Jetzt</td>' in pages["/season"]


def test_words_of_a_keepers_own_are_not_said_otherwise(shown: ShownRoom, tmp_path: Path) -> None:
    """Whoever has German texts for notices reads these, also where an English sentence would be known."""
    assert title_saying("de")("Viel zu heiß: oben 32 Grad") == "Viel zu heiß: oben 32 Grad"
    client = shown.copied(tmp_path).client("en")
    assert "first pip between Thu 28 May and Thu 11 Jun" in unescape(client.get("/box/left-upper").text)
