"""The page on which a notice is answered: what it shows, what it never does by itself, and clients of every sort."""

from __future__ import annotations

import contextlib
import http.client
import random
import re
import socket
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor.adapters.store import Store
from monitor.adapters.web import AnswerPages, server
from monitor.adapters.web.server import LONGEST_BODY, LONGEST_LINE, Request, caller_of
from monitor.config.zones import zone_of
from monitor.core.notices.codes import LIVES_MS, make
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice, Route
from tests.browser import HEIGHT, WIDTH, browser
from tests.peers import MOMENT_S, free_port, wait_for

T0 = 1_780_000_000_000
SECRET = bytes(range(32))
TITLE = 'Too warm: box <b>"upper"</b> & more'
TEXT = "Box upper is at 91.2 °F (±1.1), limit 88 °F - since 2026-05-28 22:10.\n\nFirst: look at the <heater>."


@dataclass
class Room:
    """A store with one notice, its page, and a client."""

    folder: Path
    now_ms: int = T0
    code: str = ""
    pages: AnswerPages = field(init=False)

    def __post_init__(self) -> None:
        self.pages = AnswerPages(
            ("127.0.0.1", free_port()),
            data_dir=self.folder,
            secret=SECRET,
            room="Back <room>",
            zone=zone_of("Europe/Vienna"),
            now_ms=lambda: self.now_ms,
        )
        self.code = make(SECRET, self.tell().id, "phone", T0)

    def tell(self, key: str = "k", title: str = TITLE, text: str = TEXT) -> Notice:
        notice = Notice(
            key, T0, "too-warm", ("upper",), "raised", "now", title, text, routes=(Route("phone"), Route("mail"))
        )
        raised = Condition("too-warm", "upper", Phase.RAISED, T0, T0, None, T0)
        with Store(self.folder) as store:
            (made,) = store.ledger.commit([raised], [], [notice], {})
        return made

    def start(self) -> None:
        self.pages.server.start()
        wait_for(lambda: self.pages.server.port != 0, "the page to be served")

    @property
    def port(self) -> int:
        return self.pages.server.port

    def ask(
        self,
        method: str = "GET",
        path: str | None = None,
        body: bytes | None = None,
        source: str = "127.0.0.1",
        headers: dict[str, str] | None = None,
    ) -> tuple[int, str, http.client.HTTPMessage]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=MOMENT_S, source_address=(source, 0))
        try:
            connection.request(method, f"/a/{self.code}" if path is None else path, body, headers or {})
            response = connection.getresponse()
            return response.status, response.read().decode(), response.headers
        finally:
            connection.close()

    def raw(self, data: bytes) -> bytes:
        got = b""
        with (
            socket.create_connection(("127.0.0.1", self.port), timeout=MOMENT_S) as s,
            contextlib.suppress(ConnectionError),
        ):
            s.sendall(data)
            with contextlib.suppress(OSError):
                # It may have been cut already.
                s.shutdown(socket.SHUT_WR)
            while more := s.recv(65536):
                got += more
        return got

    def notice(self) -> Notice:
        with Store(self.folder) as store:
            return store.ledger.notice(1)


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    made = Room(tmp_path)
    made.start()
    yield made
    made.pages.server.stop()


# -- looking and answering --------------------------------------------------------------------------------------


def test_the_page_shows_the_notice_and_only_its_button_answers(room: Room) -> None:
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


def test_pressed_again_or_looked_at_later_it_says_when_and_how_it_was_answered(room: Room) -> None:
    room.ask("POST")
    room.now_ms += 3_600_000
    other = f"/a/{make(SECRET, 1, 'mail', T0)}"
    for method, path in (("POST", None), ("GET", None), ("POST", other)):
        status, html, _ = room.ask(method, path)
        assert status == 410
        assert "answered already, at 2026-05-28 22:26 by the link sent to phone" in html
    assert room.notice().answered_ms == T0


def test_of_many_that_press_at_once_one_answers(room: Room) -> None:
    with ThreadPoolExecutor(4) as pool:
        statuses = list(pool.map(lambda _: room.ask("POST")[0], range(4)))
    assert Counter(statuses) == {200: 1, 410: 3}


def test_nothing_in_a_notice_becomes_a_part_of_the_page(room: Room) -> None:
    _, html, _ = room.ask()
    assert "Back &lt;room&gt;" in html
    assert "Too warm: box &lt;b&gt;&quot;upper&quot;&lt;/b&gt; &amp; more" in html
    assert "&lt;heater&gt;" in html
    assert not re.search(r"<b>|<heater|<room", html)


def test_the_page_needs_and_tells_nobody_else(room: Room) -> None:
    for method, path in (("GET", None), ("GET", "/nothing"), ("POST", None), ("PUT", None)):
        _, html, headers = room.ask(method, path)
        assert not re.search(r"https?:|src=|href=|<script|<link|url\(|@import", html)
        assert headers["Cache-Control"] == "no-store"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "noindex" in headers["X-Robots-Tag"]
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["Server"] == "Warmtally"


def test_after_it_is_over_it_can_still_be_answered_and_says_so(room: Room) -> None:
    with Store(room.folder) as store:
        store.ledger.commit([Condition("too-warm", "upper", Phase.CLEAR, T0, T0 + 9, None, T0 + 9)], [], [], {})
    assert "over already" in room.ask()[1]
    status, html, _ = room.ask("POST")
    assert (status, "over already" in html) == (200, True)


def test_a_sign_that_a_mail_program_takes_for_a_part_of_the_link_does_no_harm(room: Room) -> None:
    for path in (f"/a/{room.code},", f"/a/{room.code}).", f"/a/{room.code}?from=mail", f"/a/{room.code.lower()}/"):
        assert room.ask(path=path)[0] == 200


# -- codes that are none ----------------------------------------------------------------------------------------


def test_forged_truncated_and_foreign_codes_are_unknown_and_expired_ones_are_gone(room: Room) -> None:
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


def test_of_a_thousand_guesses_ten_are_looked_at_in_a_minute(room: Room) -> None:
    rng = random.Random(5)
    signs = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    statuses = Counter(
        room.ask("POST", f"/a/{room.code[:9]}{''.join(rng.choices(signs, k=10))}")[0] for _ in range(1000)
    )
    # On a busy machine some find the connections before them not yet put away, and are not looked at either.
    assert statuses[404] == 10
    assert statuses.keys() <= {404, 429, 503}
    wait_for(lambda: room.ask("POST")[0] != 503, "the page to be free")
    # Even the right one, from there; elsewhere nobody is kept out, and a minute later nobody at all.
    status, html, headers = room.ask("POST")
    assert (status, headers["Retry-After"]) == (429, "60")
    assert "too many wrong codes" in html
    assert room.ask(source="127.0.0.2")[0] == 200
    room.now_ms += 60_000
    assert room.ask("POST")[0] == 200


@pytest.mark.parametrize(
    ("address", "caller"),
    [
        ("192.168.1.7", "192.168.1.7"),
        ("::ffff:192.168.1.7", "192.168.1.7"),
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:bbbb::2", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("somewhere", "somewhere"),
    ],
)
def test_one_caller_is_an_address_or_an_ipv6_network(address: str, caller: str) -> None:
    assert caller_of(address) == caller


# -- requests that are none -------------------------------------------------------------------------------------


def test_what_is_not_meant_is_refused_with_the_status_that_says_why(room: Room) -> None:
    assert [room.ask("GET", path)[0] for path in ("/", "/a/", "/a", "/favicon.ico", "/a/b/c", "//a/x")] == [404] * 6
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH", "BREW"):
        status, _, headers = room.ask(method)
        assert (status, headers["Allow"]) == (405, "GET, HEAD, POST")
    assert room.ask("POST", body=b"x" * LONGEST_BODY)[0] == 200
    assert room.ask("POST", body=b"x" * (LONGEST_BODY + 1))[0] == 413
    assert room.ask("GET", "/" + "x" * LONGEST_LINE)[0] == 414
    assert room.ask(headers={"X-Long": "x" * 30_000})[0] == 431
    assert room.ask(headers={f"X-{n}": "x" for n in range(150)})[0] == 431
    assert room.ask("POST", headers={"Content-Length": "many"})[0] == 400
    assert room.ask("POST", headers={"Content-Length": "-1"})[0] == 400
    assert room.ask("POST", headers={"Transfer-Encoding": "chunked"})[0] == 411
    # Fewer bytes than were promised, and then the end.
    short = room.raw(f"POST /a/{room.code} HTTP/1.1\r\nContent-Length: 9\r\n\r\nabc".encode())
    assert short.startswith(b"HTTP/1.0 400")


def test_rubbish_is_survived(room: Room) -> None:
    rng = random.Random(7)
    pieces = [
        b"GET",
        b"POST ",
        b"/a/",
        b" HTTP/1.1",
        b"\r\n",
        b"\r\n\r\n",
        b"\0",
        b"\xff" * 9,
        b"Content-Length: 5\r\n",
        b":",
    ]
    for _ in range(150):
        room.raw(b"".join(rng.choice(pieces) for _ in range(rng.randint(0, 12))) + rng.randbytes(rng.randint(0, 40)))
    room.raw(b"x" * 200_000)
    assert room.ask()[0] == 200
    assert room.notice().answered_ms is None


def test_nothing_of_a_code_is_logged(room: Room, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("DEBUG")
    for method in ("GET", "POST", "POST"):
        room.ask(method)
    room.ask("GET", f"/a/{room.code[:-1]}")
    said = caplog.text
    assert "notice 1 answered by the link sent to phone" in said
    assert room.code[:9] not in said
    assert SECRET.hex() not in said + repr(room.pages)


# -- clients that take their time -------------------------------------------------------------------------------


def test_slow_clients_are_cut_and_meanwhile_others_are_served(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    passed_s = [0.0]
    monkeypatch.setattr(server, "REQUEST_S", 5 * MOMENT_S)
    monkeypatch.setattr(server._Handler, "timeout", 10 * MOMENT_S)
    monkeypatch.setattr(server, "time", SimpleNamespace(monotonic=lambda: time.monotonic() + passed_s[0]))
    slow = [
        socket.create_connection(("127.0.0.1", room.port), timeout=MOMENT_S) for _ in range(server.CONNECTIONS_OF_ONE)
    ]
    began = time.monotonic()
    try:
        for s in slow:
            s.sendall(b"GET /a/")
        time.sleep(0.3)
        assert room.ask(source="127.0.0.2")[0] == 200
        # One more from there is one too many.
        with socket.create_connection(("127.0.0.1", room.port), timeout=MOMENT_S) as s:
            assert s.recv(100).startswith(b"HTTP/1.0 503")
        # They go on, a byte at a time, and are cut all the same.
        for s in slow:
            s.sendall(b"x")
        passed_s[0] = server.REQUEST_S
        cut = [False] * len(slow)
        while not all(cut):
            assert time.monotonic() - began < 4 * MOMENT_S
            for n, s in enumerate(slow):
                try:
                    s.sendall(b"x")
                    s.settimeout(0.05)
                    cut[n] = cut[n] or s.recv(100) == b""
                except TimeoutError:
                    continue
                except OSError:
                    cut[n] = True
    finally:
        for s in slow:
            s.close()
    wait_for(lambda: room.ask()[0] == 200, "room for this caller again")


def _holds(port: int, source: str, stop: threading.Event) -> None:
    """A client that holds as many connections as it gets, drips into them, and comes back whenever it is cut."""
    held: list[socket.socket] = []
    while not stop.wait(0.005):
        with contextlib.suppress(OSError):
            held.append(socket.create_connection(("127.0.0.1", port), timeout=1, source_address=(source, 0)))
            held[-1].settimeout(0.001)
        for each in held[:]:
            try:
                each.sendall(b"G")
                if not each.recv(1000):
                    raise ConnectionError
            except TimeoutError:
                continue
            except OSError:
                held.remove(each)
                each.close()
    for each in held:
        each.close()


@pytest.mark.slow
@pytest.mark.parametrize("hostile", [1, 2, 3, 7])
def test_those_who_hold_all_they_can_get_keep_nobody_else_out(room: Room, hostile: int) -> None:
    stop = threading.Event()
    holders = [
        threading.Thread(target=_holds, args=(room.port, f"127.0.1.{k}", stop), daemon=True)
        for k in range(1, hostile + 1)
        for _ in range(2)
    ]
    for each in holders:
        each.start()
    served = 0
    try:
        for k in range(30):
            with contextlib.suppress(OSError, http.client.HTTPException):
                served += room.ask(source=f"127.0.0.{2 + k % 3}")[0] == 200
    finally:
        stop.set()
        for each in holders:
            each.join(MOMENT_S)
    assert served == 30


def test_clients_that_go_away_leave_nothing_behind(room: Room) -> None:
    for _ in range(300):
        with socket.create_connection(("127.0.0.1", room.port)) as s:
            s.sendall(b"GET /a/x HTTP/1.1\r\n")
    wait_for(lambda: not [t for t in threading.enumerate() if t.name == "warmtally-page-request"], "their ends")
    assert room.ask(source="127.0.0.3")[0] == 200


# -- the service's side -----------------------------------------------------------------------------------------


def test_a_port_in_use_is_tried_again_until_it_is_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "AGAIN_S", 0.05)
    room = Room(tmp_path)
    with socket.socket() as taken:
        taken.bind(room.pages.server._listen)
        taken.listen()
        room.pages.server.start()
        wait_for(lambda: "already in use" in room.pages.server.trouble, "the trouble to be told")
        assert room.pages.server.alive()
    wait_for(lambda: room.port != 0, "the page to be served")
    assert room.ask()[0] == 200
    assert room.pages.server.trouble == ""
    room.pages.server.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_died_is_replaced(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as broken:
        broken.setattr(room.pages.server, "_serve", _dies)
        inner = room.pages.server._server
        assert inner is not None
        broken.setattr(inner, "service_actions", _dies)
        wait_for(lambda: not room.pages.server._thread.is_alive(), "the thread to die")  # type: ignore[union-attr]
    assert not room.pages.server.alive()
    room.pages.server.tend()
    wait_for(lambda: room.port != 0, "the page to be served")
    assert room.ask()[0] == 200


def _dies() -> None:
    raise SystemExit


def test_without_a_store_it_says_try_again(room: Room) -> None:
    (room.folder / "warmtally.db").rename(room.folder / "away")
    status, html, headers = room.ask("POST")
    assert (status, headers["Retry-After"]) == (503, "60")
    assert "just now" in html
    (room.folder / "away").rename(room.folder / "warmtally.db")
    assert room.ask("POST")[0] == 200


def test_a_mistake_of_ours_is_a_page_that_tells_nothing(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    def wrong(_: Request) -> None:
        raise RuntimeError("the secret inside")

    inner = room.pages.server._server
    assert inner is not None
    monkeypatch.setattr(inner, "answering", wrong)
    status, html, _ = room.ask()
    assert status == 500
    assert "inside" not in html


def test_stopping_ends_at_once_even_while_somebody_is_connected(room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "REQUEST_S", 5 * MOMENT_S)
    monkeypatch.setattr(server._Handler, "timeout", 5 * MOMENT_S)
    with socket.create_connection(("127.0.0.1", room.port)) as s:
        s.sendall(b"GET ")
        began = time.monotonic()
        room.pages.server.stop()
        assert time.monotonic() - began < MOMENT_S
    assert room.port == 0
    room.pages.server.stop()


def test_all_addresses_of_both_kinds_are_listened_at(tmp_path: Path) -> None:
    room = Room(tmp_path)
    room.pages.server._listen = ("::", room.pages.server._listen[1])
    try:
        room.start()
        assert room.ask()[0] == 200
    finally:
        room.pages.server.stop()


# -- a real browser ---------------------------------------------------------------------------------------------


def test_on_a_phone_without_script_it_is_read_and_answered(room: Room, tmp_path: Path) -> None:
    link = f"http://127.0.0.1:{room.port}/a/{room.code}"
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
        assert {u for u in phone.asked if not u.endswith("/favicon.ico")} == {link}


def test_a_long_notice_is_scrolled_and_its_button_stays(room: Room, tmp_path: Path) -> None:
    long = room.tell("long", "Too warm: " + ", ".join(f"box-{n}" for n in range(40)), "\n".join([TEXT] * 30))
    with browser(tmp_path) as phone:
        phone.open(f"http://127.0.0.1:{room.port}/a/{make(SECRET, long.id, 'phone', T0)}")
        left, top, width, height = phone.box("button")
        assert 0 <= left <= left + width <= WIDTH
        assert 0 <= top <= top + height <= HEIGHT
