"""Every page of every kind of room in a real browser: read, reached and pressed by everybody, on every screen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Final
from urllib.parse import unquote, urlsplit

import pytest
from starlette.routing import Match, Route
from starlette.testclient import TestClient

from monitor.page.app import routes
from monitor.page.live import PATH as LIVE
from tests.page.browser import ALL_SCREENS, PHONE, PHONE_DARK, WIDE, Screen, Windows, at_address, windows
from tests.page.rooms import ShownRoom

# One browser and the rooms in it: they stay on one worker.
pytestmark = [pytest.mark.xdist_group("looks"), pytest.mark.slow]

ROOMS: Final = ("usual", "long", "many", "silent", "empty", "new")
MOST_BYTES: Final = 100_000
"""Of a page, its looks and scripts not counted, which a browser keeps for a year."""
LAYOUT: Final = replace(PHONE, axe="")
WIDE_LAYOUT: Final = replace(WIDE, axe="")
# A keeper's usual room, and that of long names, are looked at on more than one screen; the room's page on all.
SCREENS: Final = {"usual": (PHONE, PHONE_DARK, WIDE_LAYOUT), "long": (PHONE, WIDE_LAYOUT)}
RULES_FOR: Final = ("/notices", "/probes", "/tasks", "/stack/{stack}", "/box/{box}", "/clutches")
"""In the other rooms the rules of accessibility are looked at on these pages, of all pages the layout."""
MOST_WHATS: Final = 14
"""So many pages are looked at of one route with a part of this name, in the usual room; of any other, one."""


EXPLAINED: Final = r"/box/[^/]+/enter/set: 404"
"""An empty box offers to set eggs, also where none wait to be set: the page says what to do first."""
UNLINKED: Final = {"/entered/{number:int}", "/season/{year:int}"}
"""Where in the usual room no link leads: what was just entered, and seasons where there is but one."""
REPORTS: Final = {"/season/{year:int}/print", "/labels/print"}
"""What stands alone, as a command writes it, and has looks of its own."""
BY_SCRIPTS: Final = ("/offline",)
"""What a browser without scripts never shows."""


def pages_of_app() -> list[Route]:
    """Every route that a browser may go to."""
    found = [r for r in routes() if isinstance(r, Route) and "GET" in (r.methods or ())]
    return [r for r in found if not r.path.startswith(("/static/", "/api/", LIVE)) and r.path not in REPORTS]


@dataclass
class Looked:
    """A room that is served, and what its pages lead to."""

    name: str
    shown: ShownRoom
    address: str
    language: str = "en"
    statuses: dict[str, int] = field(default_factory=dict)
    bytes_of: dict[str, int] = field(default_factory=dict)

    @cached_property
    def client(self) -> TestClient:
        return self.shown.client(self.language)

    @cached_property
    def paths(self) -> dict[str, list[str]]:
        """Route -> addresses of it, as links lead to them from the first pages on."""
        found: dict[str, list[str]] = {route.path: [] for route in pages_of_app()}
        waiting, known = ["/", *(route for route in found if "{" not in route)], set[str]()
        while waiting:
            path = waiting.pop(0)
            route = route_of(path)
            most = MOST_WHATS if route is not None and "{what}" in route and self.name == "usual" else 1
            if path in known or (route is not None and len(found[route]) >= most):
                continue
            known.add(path)
            answer = self.client.get(path, follow_redirects=False)
            self.statuses[path] = answer.status_code
            if route is None or answer.status_code != 200 or "text/html" not in answer.headers["content-type"]:
                continue
            found[route].append(path)
            self.bytes_of[path] = len(answer.content)
            waiting += links_of(answer.text)
        return found

    @cached_property
    def pages(self) -> list[tuple[str, str]]:
        """Route and address of every page that is looked at."""
        return [(route, path) for route, paths in self.paths.items() for path in paths]


def links_of(html: str) -> list[str]:
    """The addresses on this host that a page leads to."""
    hrefs = (h.replace("&amp;", "&") for h in re.findall(r'<a [^>]*?href="([^"#]+)', html))
    return [h for h in hrefs if h.startswith("/")]


def route_of(path: str) -> str | None:
    """The route that an address is of."""
    scope = {"type": "http", "method": "GET", "path": unquote(urlsplit(path).path), "headers": []}
    return next((r.path for r in pages_of_app() if r.matches(scope)[0] is Match.FULL), None)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Windows]:
    with windows() as found:
        yield found


class Rooms:
    """The rooms of this module, each made and served when it is first looked at."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._folder, self._stack = folder, stack
        self._made: dict[str, Looked] = {}

    def __getitem__(self, name: str) -> Looked:
        if name not in self._made:
            shown = getattr(ShownRoom, name)(self._folder / name)
            self._made[name] = Looked(name, shown, self._stack.enter_context(at_address(shown)))
        return self._made[name]


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rooms]:
    with ExitStack() as stack:
        yield Rooms(tmp_path_factory.mktemp("rooms"), stack)


def screens_of(room: str, route: str) -> tuple[Screen, ...]:
    if route == "/" and room == "many":
        # What is large takes long to look at; what it is made of is that of the other rooms.
        return (PHONE, *(replace(screen, axe="") for screen in ALL_SCREENS[1:]))
    if route == "/":
        return ALL_SCREENS
    return SCREENS.get(room) or (PHONE if route in RULES_FOR else LAYOUT,)


@pytest.mark.parametrize("room", ROOMS)
def test_every_page_is_whole_on_every_screen(chromium: Windows, rooms: Rooms, room: str) -> None:
    """On a telephone and wide, light and dark, in colours of the system's own, and on paper."""
    looked, tab, wrong = rooms[room], chromium.tab, []
    for route, path in looked.pages:
        status = tab.open(looked.address + path)
        found = [] if status == 200 else [f"status {status}"]
        for screen in screens_of(room, route):
            found += tab.looks(screen)
            tab.picture(f"{room}{path}", screen)
        wrong += [f"{path}: {x}" for x in found + tab.wrong]
    assert len(looked.pages) > 5
    assert not wrong, "\n".join(wrong)


def test_without_scripts_a_page_says_all_that_it_says_with_them(chromium: Windows, rooms: Rooms) -> None:
    looked, missing = rooms["usual"], []
    for path in [paths[0] for route, paths in looked.paths.items() if paths and route not in BY_SCRIPTS]:
        said = []
        for tab in (chromium.tab, chromium.plain):
            assert tab.open(looked.address + path) == 200
            said.append(tab.words())
        missing += [f"{path}: {line}" for line in said[0] if line not in said[1]]
        assert len(said[1]) > 5, path
    assert not missing, "\n".join(missing)


def test_a_page_that_is_not_there_is_whole_too(chromium: Windows, rooms: Rooms) -> None:
    tab = chromium.tab
    assert tab.open(rooms["long"].address + "/box/none-of-that-name") == 404
    assert [*tab.looks(PHONE), *tab.wrong] == []


@pytest.mark.parametrize("room", ROOMS)
def test_every_link_leads_somewhere_and_no_page_is_large(rooms: Rooms, room: str) -> None:
    looked = rooms[room]
    assert len(looked.pages) > 5
    lost = [f"{path}: {status}" for path, status in looked.statuses.items() if status >= 400]
    assert not [x for x in lost if not re.match(EXPLAINED, x)], "\n".join(lost)
    large = {path: size for _, path in looked.pages if (size := looked.bytes_of[path]) > MOST_BYTES}
    assert large == {}


def test_in_the_usual_room_there_is_a_page_of_every_route(rooms: Rooms) -> None:
    """A new route is looked at by itself where a link leads there."""
    looked = rooms["usual"]
    assert set(looked.paths) - {route_of(path) for path in looked.statuses} == UNLINKED
