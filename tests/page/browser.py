"""A real Chromium for the pages of a room: how they look on several screens, and what is wrong with that.

The browser is the system's own, driven by playwright's client; the rules of accessibility are those of axe-core, which
``deploy/test`` lays beside the environment. Where ``WARMTALLY_PICTURES`` names a folder, each page that is looked at
leaves its pictures there.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import BrowserContext, Page, Request, Response, sync_playwright

from monitor.page.bounds import Bounds
from monitor.page.live import PATH as LIVE
from monitor.page.server import PageServer
from tests.page.rooms import ShownRoom
from tests.page.served import served
from tests.peers import MOMENT_S, PROJECT, need

AXE: Final = PROJECT / ".axe-test" / "axe.min.js"
TAGS: Final = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
CHECKS: Final = (Path(__file__).parent / "looks.js").read_text(encoding="utf-8")
PICTURES: Final = os.environ.get("WARMTALLY_PICTURES", "")
QUIET: Final = (
    "--no-first-run", "--disable-quic", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--disable-gpu", "--hide-scrollbars",
)  # fmt: skip


@dataclass(frozen=True)
class Screen:
    """How a page is shown. ``axe``: which rules are looked at; every one, those of colours, or none."""

    name: str
    width: int = 390
    height: int = 844
    scheme: Literal["light", "dark"] = "light"
    forced: Literal["active", "none"] = "none"
    media: Literal["screen", "print"] = "screen"
    axe: Literal["all", "colours", ""] = ""


PHONE: Final = Screen("phone", axe="all")
PHONE_DARK: Final = Screen("phone-dark", scheme="dark", axe="colours")
WIDE: Final = Screen("wide", 1280, 900, axe="all")
WIDE_DARK: Final = Screen("wide-dark", 1280, 900, scheme="dark", axe="colours")
FORCED: Final = Screen("forced", forced="active")
PRINT: Final = Screen("print", 718, 1000, media="print", axe="colours")
"""A sheet of A4 within its margins, at 96 dots an inch."""
ALL_SCREENS: Final = (PHONE, PHONE_DARK, WIDE, WIDE_DARK, FORCED, PRINT)


@cache
def axe_source() -> str:
    """The rules, or skip (laptop) or fail (CI) with the command that brings them."""
    if not AXE.is_file():
        text = f"there is no {AXE.relative_to(PROJECT)} (deploy/test brings it, by npm)"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    return AXE.read_text(encoding="utf-8")


@dataclass
class Tab:
    """One tab that is used for page after page. ``wrong``: what it met since the last one was opened."""

    page: Page
    wrong: list[str] = field(default_factory=list)
    _host: str = ""

    def __post_init__(self) -> None:
        self.page.on("console", lambda m: self.wrong.append(f"console: {m.text}") if m.type == "error" else None)
        self.page.on("pageerror", lambda e: self.wrong.append(f"script: {e}"))
        self.page.on("request", self._asked)
        self.page.on("response", self._came)

    def _asked(self, request: Request) -> None:
        url = urlsplit(request.url)
        if url.scheme not in ("data", "about") and url.netloc != self._host:
            self.wrong.append(f"asks another host: {request.url[:100]}")

    def _came(self, response: Response) -> None:
        path = urlsplit(response.url).path
        if response.status >= 400 and response.request.resource_type != "document":
            self.wrong.append(f"{path}: {response.status}")

    def open(self, url: str) -> int:
        """Go there; the status."""
        if urlsplit(url).netloc != self._host:
            # What the page before still asks is not asked by this one.
            self.page.goto("about:blank")
        self._host = urlsplit(url).netloc
        self.wrong.clear()
        self.show(PHONE)
        answer = self.page.goto(url, wait_until="load", timeout=1000 * MOMENT_S)
        assert answer is not None
        if answer.status >= 400:
            # The browser itself complains of the page that is an error.
            self.wrong[:] = [x for x in self.wrong if "the server responded with a status of" not in x]
        return answer.status

    def show(self, screen: Screen) -> None:
        """The same page on another screen; it need not be loaded again."""
        self.page.set_viewport_size({"width": screen.width, "height": screen.height})
        self.page.emulate_media(media=screen.media, color_scheme=screen.scheme, forced_colors=screen.forced)

    def looks(self, screen: Screen) -> list[str]:
        """What is wrong with how it looks there, one sentence each."""
        self.show(screen)
        found: list[str] = self.page.evaluate(
            CHECKS, {"print": screen.media == "print", "forced": screen.forced == "active"}
        )
        if screen.axe:
            found += self._by_axe(screen)
        return [f"{screen.name}: {x}" for x in found]

    def _by_axe(self, screen: Screen) -> list[str]:
        self.page.evaluate(f"() => {{ if (!window.axe) {{ {axe_source()} }} }}")
        only: dict[str, Any] = {"type": "tag", "values": TAGS}
        if screen.axe == "colours":
            only = {"type": "rule", "values": ["color-contrast"]}
        found = self.page.evaluate(
            "(only) => axe.run(document, {runOnly: only, resultTypes: ['violations'], elementRef: false})", only
        )
        return [
            f"{v['id']} ({v['help']}): {len(v['nodes'])} times, first {v['nodes'][0]['html'][:160]}: "
            f"{' '.join(v['nodes'][0]['failureSummary'].split())[:200]}"
            for v in found["violations"]
        ]

    def picture(self, name: str, screen: Screen) -> None:
        """Into the folder of pictures, where there is one."""
        if not PICTURES:
            return
        self.show(screen)
        folder = Path(PICTURES)
        folder.mkdir(parents=True, exist_ok=True)
        file = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:80] or "room"
        self.page.screenshot(path=folder / f"{file}.{screen.name}.png", full_page=True)

    def words(self) -> list[str]:
        """What can be read on it, line by line, but for what tells how old it is."""
        text: str = self.page.evaluate(
            "() => { for (const e of document.querySelectorAll('.age, [hidden]')) e.remove();"
            " return document.body.innerText }"
        )
        return [line.strip() for line in text.splitlines() if line.strip()]


@dataclass
class Windows:
    """A tab of the browser, and one in which scripts are switched off."""

    tab: Tab
    plain: Tab


@contextlib.contextmanager
def windows() -> Iterator[Windows]:
    """A browser for as long as it is wanted."""
    program = need("chromium", "chromium")
    axe_source()
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=program, args=list(QUIET), chromium_sandbox=False)
        try:
            # What the page keeps for a time without a network is tested elsewhere; here nothing is to come from there.
            contexts: list[BrowserContext] = [
                chromium.new_context(java_script_enabled=on, service_workers="block") for on in (True, False)
            ]
            yield Windows(*(Tab(context.new_page()) for context in contexts))
        finally:
            chromium.close()


@contextlib.contextmanager
def at_address(shown: ShownRoom, language: str = "en") -> Iterator[str]:
    """A room's pages, served as the service does; where they are."""
    server = PageServer(
        ("127.0.0.1", 0), shown.app(language), streams={LIVE}, bounds=Bounds(burst=1_000_000, streams_of_one=20)
    )
    with served(server) as place:
        yield f"http://127.0.0.1:{place.port}"
