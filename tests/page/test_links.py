"""Links that were sent: what the page of a notice shows, what it never does by itself, and the calendar."""

from __future__ import annotations

import http.client
import random
import re
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.answers import AnswerBook
from monitor.core.notices.codes import LIVES_MS, feed_token, make
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice, NoticeChange, Route
from monitor.core.terms.settings import Broker, Settings
from monitor.core.terms.settings import Room as RoomSettings
from monitor.page.app import build
from monitor.page.bounds import Bounds
from monitor.page.links import SentLinks
from monitor.page.room import LatestRound, PageRoom
from monitor.page.server import PageServer
from tests.browser import HEIGHT, WIDTH, browser
from tests.page.served import Place, served
from tests.peers import wait_for

T0 = 1_780_000_000_000
SECRET = bytes(range(32))
TITLE = 'Too warm: box <b>"upper"</b> & more'
TEXT = "Box upper is at 91.2 °F (±1.1), limit 88 °F - since 2026-05-28 22:10.\n\nFirst: look at the <heater>."


@dataclass
class Sent:
    """A store with one notice, the pages of its room, and a client."""

    folder: Path
    now_ms: int = T0
    code: str = ""
    feed: str = "BEGIN:VCALENDAR"
    place: Place = field(init=False)

    def __post_init__(self) -> None:
        self.code = make(SECRET, self.tell().id, "phone", T0)

    def tell(self, key: str = "k", title: str = TITLE, text: str = TEXT, change: NoticeChange = "raised") -> Notice:
        notice = Notice(
            key, T0, "too-warm", ("upper",), change, "now", title, text, routes=(Route("phone"), Route("mail"))
        )
        raised = Condition("too-warm", "upper", Phase.RAISED, T0, T0, None, T0)
        with Store(self.folder) as store:
            (made,) = store.ledger.commit([raised], [], [notice], {})
        return made

    def server(self) -> PageServer:
        room = RoomSettings("Back <room>", "Europe/Vienna", "C", (), (), ())
        settings = Settings(room, Broker(), data_dir=str(self.folder))
        pages = PageRoom(settings, lambda: self.now_ms, LatestRound(), waits_s=0)
        app = build(pages, more=SentLinks(SECRET, lambda: self.feed).routes())
        # As fast as it gets: how many may be asked for is tested where it is bounded.
        bounds = replace(Bounds(), burst=100_000)
        return PageServer(("127.0.0.1", 0), app, failing=app.state.pages.refused, bounds=bounds)

    def ask(
        self,
        method: str = "GET",
        path: str | None = None,
        body: bytes | None = None,
        source: str = "127.0.0.1",
        headers: dict[str, str] | None = None,
    ) -> tuple[int, str, http.client.HTTPMessage]:
        path = f"/a/{self.code}" if path is None else path
        status, html, back = self.place.ask(path, method, body, source=source, headers=headers)
        return status, html.decode(), back

    def notice(self) -> Notice:
        with Store(self.folder) as store:
            return store.ledger.notice(1)


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Sent]:
    made = Sent(tmp_path)
    with served(made.server()) as made.place:
        yield made


# -- looking and answering --------------------------------------------------------------------------------------


def test_the_page_shows_the_notice_and_only_its_button_answers(room: Sent) -> None:
    for method in ("GET", "HEAD", "GET"):
        status, html, _ = room.ask(method)
        assert status == 200
        assert ("91.2 °F" in html) is (method == "GET")
    assert "Notice 1, sent 2026-05-28 22:26" in html
    assert html.count("<form") == html.count("<button") == 1
    assert room.notice().answered_ms is None
    room.now_ms += 60_000
    status, html, _ = room.ask("POST")
    assert status == 200
    assert "Answered" in html
    assert "not repeated any more" in html
    notice = room.notice()
    assert (notice.answered_ms, notice.answer, notice.answer_channel) == (
        T0 + 60_000,
        "the link sent to phone",
        "phone",
    )
    with Store(room.folder) as store:
        assert store.ledger.conditions()["too-warm", "upper"].acknowledged_ms == T0 + 60_000


def test_pressed_again_or_looked_at_later_it_says_when_and_how_it_was_answered(room: Sent) -> None:
    room.ask("POST")
    room.now_ms += 3_600_000
    other = f"/a/{make(SECRET, 1, 'mail', T0)}"
    for method, path in (("POST", None), ("GET", None), ("POST", other)):
        status, html, _ = room.ask(method, path)
        assert status == 410
        assert "answered already, at 2026-05-28 22:26 by the link sent to phone" in html
    assert room.notice().answered_ms == T0


def test_of_many_that_press_at_once_one_answers(room: Sent) -> None:
    with ThreadPoolExecutor(4) as pool:
        statuses = list(pool.map(lambda _: room.ask("POST")[0], range(4)))
    assert Counter(statuses) == {200: 1, 410: 3}


def test_nothing_in_a_notice_becomes_a_part_of_the_page(room: Sent) -> None:
    _, html, _ = room.ask()
    assert "Back &lt;room&gt;" in html
    assert "Too warm: box &lt;b&gt;&#34;upper&#34;&lt;/b&gt; &amp; more" in html
    assert "&lt;heater&gt;" in html
    assert not re.search(r"<b>|<heater|<room", html)


def test_the_page_needs_and_tells_nobody_else(room: Sent) -> None:
    for method, path in (("GET", None), ("GET", "/nothing"), ("POST", None), ("PUT", None)):
        _, html, headers = room.ask(method, path)
        assert not re.search(r"https?:|<style|style=|url\(|@import", html)
        assert all(re.match(r"/(?!/)|#", there) for there in re.findall(r'(?:href|src)="([^"]*)"', html))
        assert html.startswith("<!doctype html>")
        if path is None and method != "PUT":
            assert not re.search(r"<script|<a |src=", html), "it needs no script, and nothing leads on from it"
        assert headers["Cache-Control"] == "no-store"
        assert headers["Referrer-Policy"] == "same-origin"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "noindex" in headers["X-Robots-Tag"]
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Server"] == "Warmtally"


def test_after_it_is_over_it_can_still_be_answered_and_says_so(room: Sent) -> None:
    with Store(room.folder) as store:
        store.ledger.commit([Condition("too-warm", "upper", Phase.CLEAR, T0, T0 + 9, None, T0 + 9)], [], [], {})
    assert "over already" in room.ask()[1]
    status, html, _ = room.ask("POST")
    assert (status, "over already" in html) == (200, True)


def test_a_drill_asks_only_whether_it_came(room: Sent) -> None:
    drill = room.tell("d", "Test notice", "Does this reach you?", "drill")
    path = f"/a/{make(SECRET, drill.id, 'phone', T0)}"
    _, html, _ = room.ask("GET", path)
    assert "It reached me" in html
    assert "your answers find their way back" in html
    assert 'class="urgency"' not in html
    assert "The way back works." in room.ask("POST", path)[1]


def test_a_sign_that_a_mail_program_takes_for_a_part_of_the_link_does_no_harm(room: Sent) -> None:
    for path in (f"/a/{room.code},", f"/a/{room.code}).", f"/a/{room.code}?from=mail", f"/a/{room.code.lower()}/"):
        assert room.ask(path=path)[0] == 200


# -- codes that are none ----------------------------------------------------------------------------------------


def test_forged_truncated_and_foreign_codes_are_unknown_and_expired_ones_are_gone(room: Sent) -> None:
    forged = room.code[:-1] + ("0" if room.code[-1] != "0" else "2")
    for code in (forged, room.code[:-1], room.code + "0", make(bytes(32), 1, "phone", T0), "x", "-"):
        status, html, _ = room.ask("POST", f"/a/{code}")
        assert status == 404
        assert "not known here" in html
        assert TITLE not in html
    room.now_ms = T0 + LIVES_MS + 86_400_000
    status, html, _ = room.ask("POST")
    assert status == 410
    assert "expired" in html
    assert room.notice().answered_ms is None


def test_of_a_thousand_guesses_ten_are_looked_at_in_a_minute(room: Sent) -> None:
    rng = random.Random(5)
    signs = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    statuses = Counter(
        room.ask("POST", f"/a/{room.code[:9]}{''.join(rng.choices(signs, k=10))}")[0] for _ in range(1000)
    )
    assert statuses == {404: 10, 429: 990}
    # Even the right one, from there; elsewhere nobody is kept out, and a minute later nobody at all.
    status, html, headers = room.ask("POST")
    assert (status, headers["Retry-After"]) == (429, "60")
    assert "too many wrong codes" in html
    assert room.ask(source="127.0.0.2")[0] == 200
    room.now_ms += 60_000
    assert room.ask("POST")[0] == 200


# -- requests that are none -------------------------------------------------------------------------------------


def test_what_is_not_meant_is_refused_with_the_status_that_says_why(room: Sent) -> None:
    paths = ("/a/", "/a", "/favicon.ico", "/a/b/c", "//a/x", "/c/", "/c/x", "/a/%00", f"/a/{'1' * 65}")
    assert [room.ask("GET", path)[0] for path in paths] == [404] * len(paths)
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH", "BREW"):
        status, _, headers = room.ask(method)
        assert (status, set(headers["Allow"].split(", "))) == (405, {"GET", "HEAD", "POST"})
    assert room.ask("POST", headers={"Origin": "http://elsewhere.example"})[0] == 403
    assert room.ask("POST", body=b"x" * 70_000)[0] == 413
    assert room.notice().answered_ms is None
    assert room.ask("POST", body=b"x" * 1024)[0] == 200


def test_rubbish_answers_nothing(room: Sent) -> None:
    rng = random.Random(7)
    code = room.code.encode()
    pieces = [b"GET ", b"POST", b"/a/", code, b" HTTP/1.1", b"\r\n", b"Host: localhost\r\n", b"\0", b"\xff" * 9, b":"]
    for _ in range(60):
        room.place.raw(b"".join(rng.choice(pieces) for _ in range(rng.randint(0, 12))))
    # Fewer bytes than were promised, and then the end.
    room.place.raw(b"POST /a/%s HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nabc" % code)
    assert room.ask()[0] == 200
    assert room.notice().answered_ms is None


def test_nothing_of_a_code_is_logged(room: Sent, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("DEBUG")
    for method in ("GET", "POST", "POST"):
        room.ask(method)
    room.ask("GET", f"/a/{room.code[:-1]}")
    said = caplog.text
    assert "notice 1 answered by the link sent to phone" in said
    assert room.code[:9] not in said
    assert SECRET.hex() not in said + repr(SentLinks(SECRET))


# -- what goes wrong ----------------------------------------------------------------------------------------------


def test_without_a_store_it_says_try_again(room: Sent) -> None:
    (room.folder / "warmtally.db").rename(room.folder / "away")
    status, html, headers = room.ask("POST")
    assert (status, headers["Retry-After"]) == (503, "60")
    assert "just now" in html
    (room.folder / "away").rename(room.folder / "warmtally.db")
    assert room.ask("POST")[0] == 200


def test_a_mistake_of_ours_is_a_page_that_tells_nothing(
    room: Sent, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def wrong(_: AnswerBook, secret: bytes, text: str, now_ms: int) -> None:
        raise RuntimeError(f"the code {text}")

    monkeypatch.setattr(AnswerBook, "look", wrong)
    status, html, _ = room.ask()
    assert status == 500
    assert "could not be made" in html
    wait_for(lambda: "RuntimeError in" in caplog.text, "it to be logged")
    assert room.code not in html + caplog.text


# -- the calendar -----------------------------------------------------------------------------------------------


def test_the_calendar_is_for_whoever_has_its_address(room: Sent) -> None:
    path = f"/c/{feed_token(SECRET)}.ics"
    for asked in (path, f"/c/{feed_token(SECRET).upper()}.ics"):
        status, text, headers = room.ask("GET", asked)
        assert (status, text) == (200, "BEGIN:VCALENDAR")
        assert headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert room.ask("HEAD", path)[:2] == (200, "")
    assert room.ask("POST", path)[0] == 405
    assert room.ask("GET", path[:-5] + ".ics")[0] == 404
    room.feed = ""
    status, text, headers = room.ask("GET", path)
    assert (status, headers["Retry-After"]) == (503, "60")
    assert "not made yet" in text


def test_wrong_codes_and_wrong_calendars_are_counted_together(room: Sent) -> None:
    wrong = [f"/c/{n:024}.ics" for n in range(5)] + [f"/a/{n}" for n in range(5)]
    assert [room.ask("GET", path)[0] for path in wrong] == [404] * 10
    assert room.ask("GET", f"/c/{feed_token(SECRET)}.ics")[0] == 429
    assert room.ask("GET")[0] == 429
    assert room.ask(source="127.0.0.2")[0] == 200


# -- a real browser ---------------------------------------------------------------------------------------------


def test_on_a_phone_without_script_it_is_read_and_answered(room: Sent, tmp_path: Path) -> None:
    link = f"http://127.0.0.1:{room.place.port}/a/{room.code}"
    with browser(tmp_path) as phone:
        text = phone.open(link)
        assert TITLE in text
        assert "91.2 °F" in text
        left, top, width, height = phone.box("button")
        assert left >= 0
        assert left + width <= WIDTH
        assert top + height <= HEIGHT, "the button is seen without scrolling"
        assert height >= 48, "large enough for a thumb"
        assert len(phone.picture()) > 5000
        assert room.notice().answered_ms is None
        assert "Answered" in phone.press("button")
        assert room.notice().answered_ms == T0
        assert "answered already" in phone.open(link)
        here = f"http://127.0.0.1:{room.place.port}/"
        assert {u.replace(here, "/") for u in phone.asked if "/static/" not in u and "favicon" not in u} == {
            f"/a/{room.code}"
        }
        assert all(u.startswith(here) for u in phone.asked)


def test_a_long_notice_is_scrolled_and_its_button_stays(room: Sent, tmp_path: Path) -> None:
    long = room.tell("long", "Too warm: " + ", ".join(f"box-{n}" for n in range(40)), "\n".join([TEXT] * 30))
    with browser(tmp_path) as phone:
        phone.open(f"http://127.0.0.1:{room.place.port}/a/{make(SECRET, long.id, 'phone', T0)}")
        left, top, width, height = phone.box("button")
        assert 0 <= left <= left + width <= WIDTH
        assert 0 <= top <= top + height <= HEIGHT
