"""What no link of a usual room leads to, looked at in a real browser: what is printed, what was sent, the door; and
every page in the other language."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from monitor.adapters.people import PeopleFile
from tests.page.browser import PHONE, PHONE_DARK, PRINT, WIDE, WIDE_DARK, Screen, Tab, at_address, windows
from tests.page.rooms import PHRASE, ShownRoom
from tests.page.served import served
from tests.page.test_links import Sent
from tests.page.test_looks import Looked

pytestmark = [pytest.mark.xdist_group("looks"), pytest.mark.slow]

SCREENS: Final = (PHONE, PHONE_DARK, WIDE, WIDE_DARK, PRINT)
LABELS: Final = (*SCREENS[:4], replace(PRINT, width=794, height=1123))
"""A sheet of labels has no margins of its own."""


@pytest.fixture(scope="module")
def tab() -> Iterator[Tab]:
    with windows() as found:
        yield found.tab


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.usual(tmp_path_factory.mktemp("room"))


def looked_at(tab: Tab, address: str, name: str, screens: tuple[Screen, ...] = SCREENS, status: int = 200) -> list[str]:
    """What is wrong with a page on all screens."""
    found = [] if (answer := tab.open(address)) == status else [f"status {answer}"]
    for screen in screens:
        found += tab.looks(screen)
        tab.picture(name, screen)
    return [f"{name}: {x}" for x in found + tab.wrong]


@pytest.mark.parametrize("room", ["usual", "long"])
def test_what_is_printed_is_whole_on_screens_too(tab: Tab, room: str, tmp_path: Path, shown: ShownRoom) -> None:
    here = shown if room == "usual" else ShownRoom.long(tmp_path)
    with at_address(here) as address:
        wrong = looked_at(tab, f"{address}/season/2026/print", f"{room} report")
        wrong += looked_at(tab, f"{address}/labels/print", f"{room} labels to print", LABELS)
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("language", ["en", "de"])
def test_who_comes_to_the_door_finds_it_whole(tab: Tab, tmp_path: Path, language: str, shown: ShownRoom) -> None:
    here = shown.copied(tmp_path)
    PeopleFile(here.settings.data_dir).add("w" * 20, "enter", None, PHRASE, here.clock_ms)
    with at_address(here, language) as address:
        wrong = looked_at(tab, f"{address}/", f"door {language}")
        assert tab.page.url.startswith(f"{address}/enter")
        tab.show(PHONE)
        tab.page.fill("input[name=name]", "w" * 20)
        tab.page.fill("input[name=passphrase]", "wrong")
        tab.page.click("main button")
        tab.page.wait_for_selector("[role=alert]:not([hidden])")
        wrong += [f"refused: {x}" for screen in SCREENS for x in tab.looks(screen)]
        tab.show(PHONE)
        tab.page.fill("input[name=name]", "w" * 20)
        tab.page.fill("input[name=passphrase]", PHRASE)
        tab.page.click("main button")
        tab.page.wait_for_selector("svg.picture")
        wrong += looked_at(tab, f"{address}/enter", f"inside {language}")
        tab.page.context.clear_cookies()
    assert not wrong, "\n".join(wrong)


def test_a_link_that_was_sent_leads_to_a_page_that_is_whole(tab: Tab, tmp_path: Path) -> None:
    sent = Sent(tmp_path)
    with served(sent.server()) as sent.place:
        address = f"http://127.0.0.1:{sent.place.port}"
        wrong = looked_at(tab, f"{address}/a/{sent.code}", "link")
        wrong += looked_at(tab, f"{address}/a/none", "no link", status=404)
        tab.open(f"{address}/a/{sent.code}")
        tab.page.click("button")
        tab.page.wait_for_load_state()
        assert sent.notice().answered_ms is not None
        wrong += [f"answered: {x}" for screen in SCREENS for x in tab.looks(screen)]
    assert not wrong, "\n".join(wrong)


def test_every_page_is_whole_in_the_other_language(tab: Tab, shown: ShownRoom) -> None:
    wrong: list[str] = []
    with at_address(shown, "de") as address:
        looked = Looked("german", shown, address, language="de")
        assert len(looked.pages) > 20
        for _, path in looked.pages:
            wrong += looked_at(tab, address + path, f"de {path}", (PHONE, PHONE_DARK, WIDE, replace(WIDE_DARK, axe="")))
    assert not wrong, "\n".join(wrong)
