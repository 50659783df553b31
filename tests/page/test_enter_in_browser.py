"""Entering with a real browser as large as a phone: taps, a network that goes, and no script at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect, sync_playwright

from monitor.adapters.store import Store
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.page.server import PageServer
from tests.page.rooms import ShownRoom
from tests.page.served import served
from tests.peers import need
from tests.wire import Wire, wired

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("browser")]

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
FIRST = 7
"""The entry after those of the small room."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    path = need("chromium", "chromium")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=list(FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def shown(made: ShownRoom, tmp_path: Path) -> ShownRoom:
    return made.copied(tmp_path)


@pytest.fixture
def wire(shown: ShownRoom) -> Iterator[Wire]:
    with served(PageServer(("127.0.0.1", 0), shown.app())) as place, wired(place.port) as found:
        yield found


@pytest.fixture
def address(wire: Wire) -> str:
    return f"http://127.0.0.1:{wire.port}"


@contextmanager
def phone(chromium: Browser, address: str, **more: Any) -> Iterator[BrowserContext]:
    """A phone of its own. What its console calls an error, or the policy refuses, fails the test."""
    context = chromium.new_context(base_url=address, **PHONE, **more)
    context.set_default_timeout(15_000)
    wrong: list[str] = []
    context.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
    context.on("weberror", lambda e: wrong.append(str(e.error)))
    try:
        yield context
    finally:
        context.close()
    assert [text for text in wrong if "Failed to load resource" not in text] == []


def offline(context: BrowserContext, wire: Wire, away: bool) -> None:
    """A busy browser was seen to reach the server although it had been set offline: so the wire is cut as well."""
    (wire.cut if away else wire.mend)()
    context.set_offline(away)


def account(shown: ShownRoom) -> list[KeeperEvent]:
    with Store(shown.settings.data_dir) as store:
        return store.account.events()


def pips(shown: ShownRoom) -> list[tuple[str, int | None]]:
    return [(e.box, e.eggs) for e in account(shown) if e.kind is EventKind.PIPPED]


def open_notice(shown: ShownRoom) -> int:
    with Store(shown.settings.data_dir) as store:
        return next(n.id for n in store.ledger.notices() if n.kind == "too-warm" and "left-upper" in n.subjects)


def test_the_morning_round_is_six_taps_at_most(shown: ShownRoom, chromium: Browser, address: str) -> None:
    """From the notice: open the box, enter two pips, see the sibling's window move, answer the notice."""
    taps = 0
    notice = open_notice(shown)
    with phone(chromium, address) as context:
        page = context.new_page()

        def tap(name: str, *, exact: bool = True) -> None:
            nonlocal taps
            page.locator("main").get_by_role("link", name=name, exact=exact).or_(
                page.locator("main").get_by_role("button", name=name, exact=exact)
            ).tap()
            taps += 1

        page.goto(f"/notices/{notice}")
        tap("Open left-upper")
        tap("Pipped")
        tap("2")
        page.wait_for_url(f"**/entered/{FIRST}")
        expect(page.locator(".moved dt")).to_have_text("K01 in left-lower")
        expect(page.locator(".moved .was")).to_contain_text("was Mon 1 Jun to")
        tap("Notice:", exact=False)
        tap("I know, and see to it")
        expect(page.locator("main")).to_contain_text("answered ")
    assert pips(shown) == [("left-upper", 2)]
    with Store(shown.settings.data_dir) as store:
        assert store.ledger.notice(notice).answered_ms is not None
    assert taps <= 6


def press_two(page: Page) -> None:
    page.goto("/box/left-upper/enter/pipped")
    page.get_by_role("button", name="2", exact=True).tap()


@pytest.mark.parametrize("arrives", [True, False], ids=["the answer is lost", "it never arrives"])
def test_what_the_network_drops_in_the_middle_is_entered_once(
    shown: ShownRoom, chromium: Browser, address: str, arrives: bool
) -> None:
    with phone(chromium, address, service_workers="block") as context:
        page = context.new_page()

        def dropped(route: Route) -> None:
            if route.request.method == "POST":
                if arrives:
                    route.fetch(max_redirects=0)
                route.abort("connectionreset")
            else:
                route.continue_()

        page.route("**/enter/pipped", dropped)
        press_two(page)
        expect(page.locator("#kept")).to_contain_text("waiting: 2 pipped in left-upper, ")
        assert len(pips(shown)) == arrives
        page.unroute("**/enter/pipped")
        page.evaluate("window.dispatchEvent(new Event('online'))")
        expect(page.locator("#kept")).to_contain_text("sent: 2 pipped in left-upper, ")
        assert pips(shown) == [("left-upper", 2)]
        page.locator("#kept").get_by_role("link").tap()
        page.wait_for_url(f"**/entered/{FIRST}")
        expect(page.locator("#kept")).to_be_hidden()


def test_without_a_network_it_waits_through_a_reload_and_is_sent_when_it_is_back(
    shown: ShownRoom, chromium: Browser, address: str, wire: Wire
) -> None:
    with phone(chromium, address) as context:
        page = context.new_page()
        page.goto("/box/left-upper/enter/pipped")
        page.evaluate("navigator.serviceWorker.ready.then(() => 0)")
        page.reload()
        offline(context, wire, True)
        page.get_by_role("button", name="2", exact=True).tap()
        expect(page.locator("#kept")).to_contain_text("waiting: 2 pipped in left-upper, ")
        page.goto("/box/left-upper")
        # Nothing of the room is shown that could be old.
        expect(page.get_by_role("heading", name="No connection to the room")).to_be_visible()
        expect(page.locator("#kept")).to_contain_text("waiting: 2 pipped in left-upper, ")
        assert "°C" not in page.inner_text("body")
        offline(context, wire, False)
        page.wait_for_url(address + "/")
        expect(page.locator("#kept")).to_contain_text("sent: 2 pipped in left-upper, ")
        assert pips(shown) == [("left-upper", 2)]
        kept = page.evaluate(
            "caches.keys().then(n => caches.open(n[0])).then(c => c.keys())"
            ".then(k => k.map(r => new URL(r.url).pathname))"
        )
        assert {k for k in kept if not k.startswith("/static/")} == {"/offline", "/manifest.webmanifest"}


def test_without_a_network_eggs_are_chosen_by_their_names_and_told_of_when_it_was_pressed(
    shown: ShownRoom, chromium: Browser, address: str, wire: Wire
) -> None:
    with phone(chromium, address) as context:
        page = context.new_page()
        page.goto("/")
        page.evaluate("navigator.serviceWorker.ready.then(() => 0)")
        page.reload()
        offline(context, wire, True)
        page.goto("/box/left-lower")
        expect(page.get_by_role("heading", name="No connection to the room")).to_be_visible()
        page.get_by_label("Which eggs?").select_option("K01 in left-lower")
        page.get_by_role("button", name="Pipped").tap()
        expect(page.locator("#kept")).to_be_hidden()
        page.get_by_label("How many?").fill("2")
        page.get_by_role("button", name="Pipped").tap()
        expect(page.locator("#kept")).to_contain_text("waiting: 2 pipped in left-lower, ")
        # What it waits is told in whole seconds.
        page.wait_for_timeout(1100)
        offline(context, wire, False)
        page.wait_for_url(address + "/")
        expect(page.locator("#kept")).to_contain_text("sent: 2 pipped in left-lower, ")
    (event,) = [e for e in account(shown) if e.kind is EventKind.PIPPED]
    assert (event.clutch, event.box, event.eggs) == ("K01", "left-lower", 2)
    assert 1000 <= shown.clock_ms - event.at_ms <= 30_000


def test_what_is_refused_later_stays_until_it_was_looked_at(
    shown: ShownRoom, chromium: Browser, address: str, wire: Wire
) -> None:
    with phone(chromium, address, service_workers="block") as context:
        page = context.new_page()
        page.goto("/box/left-upper/enter/pipped")
        with Store(shown.settings.data_dir) as store:
            at = shown.clock_ms
            store.account.tell(KeeperEvent(EventKind.REMOVED, "K01", at - 1, at, box="left-upper", eggs=2))
        offline(context, wire, True)
        page.get_by_role("button", name="6", exact=True).tap()
        expect(page.locator("#kept")).to_contain_text("6 pipped in left-upper, ")
        offline(context, wire, False)
        expect(page.locator("#kept")).to_contain_text("not taken: 6 pipped in left-upper, ")
        expect(page.locator("#kept")).to_contain_text("6 more eggs pipped, but only 4 had not. check the count")
        page.goto("/tasks")
        expect(page.locator("#kept")).to_contain_text("not taken: 6 pipped in left-upper, ")
        page.get_by_role("button", name="Seen: throw it away").tap()
        expect(page.locator("#kept")).to_be_hidden()
        page.reload()
        expect(page.locator("#kept")).to_be_hidden()
    assert pips(shown) == []


@pytest.mark.parametrize("host", ["127.0.0.1", "room.test"])
def test_over_plain_http_it_is_said_what_needs_https(
    shown: ShownRoom, chromium: Browser, wire: Wire, host: str
) -> None:
    """An address of the own computer counts as safe, one of the network does not."""
    with closing(chromium.new_context(base_url=f"http://{host}:{wire.port}", **PHONE)) as context:
        page = context.new_page()
        if host == "room.test":
            # A name that leads here, as one of a home network does.
            page.route(
                "**/*",
                lambda r: r.fulfill(response=r.fetch(url=r.request.url.replace(host, "127.0.0.1"))),
            )
        page.goto("/more")
        said = page.get_by_text("that needs https")
        expect(said).to_be_attached()
        assert said.is_visible() == (host == "room.test")
        page.unroute_all(behavior="ignoreErrors")


def test_a_contradiction_is_answered_on_the_same_screen(shown: ShownRoom, chromium: Browser, address: str) -> None:
    with phone(chromium, address) as context:
        page = context.new_page()
        page.goto("/box/right-upper/enter/weighed")
        page.get_by_label("Grams").fill("heavy")
        page.get_by_text("Another time, or a note").tap()
        page.get_by_label("A note", exact=True).fill("lid off")
        page.get_by_label("Grams").press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("'heavy' is not a number of grams")
        expect(page.get_by_label("A note", exact=True)).to_have_value("lid off")
        page.get_by_label("Grams").fill("812.5")
        page.get_by_label("Grams").press("Enter")
        page.wait_for_url(f"**/entered/{FIRST}")
    assert [(e.kind, e.grams, e.text) for e in account(shown)[FIRST - 1 :]] == [(EventKind.WEIGHED, 812.5, "lid off")]


def test_everything_works_without_a_script(shown: ShownRoom, chromium: Browser, address: str) -> None:
    with phone(chromium, address, java_script_enabled=False) as context:
        page = context.new_page()
        page.goto("/box/left-upper")
        page.get_by_role("link", name="Pipped", exact=True).tap()
        # Twice in a moment, as wet fingers do.
        page.get_by_role("button", name="2", exact=True).dblclick()
        page.wait_for_url(f"**/entered/{FIRST}")
        assert pips(shown) == [("left-upper", 2)]
        page.reload()
        page.get_by_role("button", name="Undo").tap()
        expect(page.get_by_role("heading", name="Taken back")).to_be_visible()
        page.goto("/box/left-lower/enter/dead")
        page.get_by_role("button", name="Mould").tap()
        page.get_by_text("Another time, or a note").tap()
        page.get_by_label("This morning, 06:00").check()
        page.get_by_role("button", name="1", exact=True).tap()
        expect(page.locator("main")).to_contain_text("11 in boxes, 1 mould")
        page.goto("/clutches/new")
        page.get_by_role("button", name="grass snake").tap()
        page.get_by_label("Another number").fill("14")
        page.get_by_role("button", name="Next").tap()
        page.get_by_role("button", name="Yesterday").tap()
        page.get_by_role("button", name="Save").last.tap()
        page.get_by_role("link", name="Next: set what is in no box yet, 14").tap()
        page.get_by_role("button", name="right-lower").tap()
        page.get_by_role("button", name="All 14").tap()
        expect(page.locator("main")).to_contain_text("14 laid: 14 in boxes")
        page.goto("/box/left-lower")
        page.get_by_role("button", name="Looked: nothing to see").tap()
        expect(page.get_by_role("heading", name="Saved")).to_be_visible()
    told = [(e.kind.value, e.eggs) for e in account(shown)[FIRST - 1 :]]
    assert told == [("pipped", 2), ("pipped", 2), ("dead", 1), ("laid", 14), ("set", 14), ("looked", None)]


SCREENS: dict[str, Callable[[Page], None]] = {
    "/box/left-upper/enter": lambda page: None,
    "/box/left-upper/enter/pipped": lambda page: page.locator("summary").tap(),
    "/box/left-upper/enter/dead": lambda page: None,
    "/box/left-upper/enter/moved": lambda page: None,
    "/box/left-upper/enter/weighed": lambda page: None,
    "/clutches/new": lambda page: None,
    "/entered/1": lambda page: None,
    "/entry/1/correct": lambda page: None,
    "/entry/1/correct?field=eggs": lambda page: None,
}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_screens_fit_a_phone_and_wet_thumbs(chromium: Browser, address: str, scheme: str) -> None:
    with phone(chromium, address, color_scheme=scheme) as context:
        page = context.new_page()
        for path, opened in SCREENS.items():
            page.goto(path)
            opened(page)
            assert page.evaluate("document.scrollingElement.scrollWidth") <= 390, path
            small = page.evaluate(
                "[...document.querySelectorAll("
                "'main button:not(.unseen), main .button, main .ways a, main .pick, summary')]"
                ".filter(e => e.getBoundingClientRect().height < 48).map(e => e.outerHTML)"
            )
            assert small == [], path
