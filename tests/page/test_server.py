"""The page's server: clients of every sort, by real sockets; and what the service sees of it."""

from __future__ import annotations

import contextlib
import http.client
import random
import selectors
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.page import server as module
from monitor.page.bounds import Bounds, RequestRate, caller_of
from monitor.page.server import PageServer
from tests.page.served import LARGE, QUICK, SECRET, Asked, Place, served
from tests.peers import MOMENT_S, PROJECT, free_port, wait_for

PATIENT = replace(QUICK, head_s=MOMENT_S, body_s=MOMENT_S, idle_s=MOMENT_S, write_s=MOMENT_S, answer_s=MOMENT_S)
"""For tests in which nothing may be cut by time."""


@pytest.fixture
def asked() -> Iterator[Asked]:
    made = Asked()
    yield made
    made.release.set()


@pytest.fixture
def server(asked: Asked) -> PageServer:
    return PageServer(("127.0.0.1", 0), asked.app(), streams={"/live"}, bounds=QUICK)


@pytest.fixture
def place(server: PageServer) -> Iterator[Place]:
    with served(server) as found:
        yield found


@contextlib.contextmanager
def bounded(asked: Asked, bounds: Bounds, **more: object) -> Iterator[Place]:
    made = PageServer(("127.0.0.1", 0), asked.app(), streams={"/live"}, bounds=bounds, **more)  # type: ignore[arg-type]
    with served(made) as found:
        yield found


# -- slow clients ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_head_a_body_and_a_reader_that_drip_are_cut(place: Place) -> None:
    with place.connect() as s:
        s.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX: ")
        lasted, got = place.until_cut(s, b"x")
        assert (0.5 < lasted < MOMENT_S / 2, got) == (True, b"")
    with place.connect() as s:
        s.sendall(b"POST /body HTTP/1.1\r\nHost: localhost\r\nContent-Length: 60000\r\n\r\n")
        lasted, got = place.until_cut(s, b"x")
        assert (0.5 < lasted < MOMENT_S / 2, got) == (True, b"")
    with place.connect() as s:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        s.sendall(b"GET /large HTTP/1.1\r\nHost: localhost\r\n\r\n")
        # A little is read all the time, and all the same it does not last.
        began, read = time.monotonic(), 0
        with contextlib.suppress(OSError):
            while more := s.recv(256):
                read += len(more)
                time.sleep(0.01)
        assert read < len(LARGE)
        assert 0.5 < time.monotonic() - began < MOMENT_S / 2
        assert place.counts["write"] == 0
    with place.connect() as s:
        # Nothing at all.
        assert place.until_cut(s)[0] < MOMENT_S / 2
    with place.connect() as s:
        s.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        lasted, got = place.until_cut(s)
        assert got.startswith(b"HTTP/1.1 200")
        assert 1.0 < lasted < MOMENT_S / 2, "kept for the next request, but not for ever"
    assert place.ask()[0] == 200


class Slow:
    """Clients that come back whenever they are cut: a third drips its head, a third its body, a third never reads."""

    STARTS = (
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: ",
        b"POST /body HTTP/1.1\r\nHost: localhost\r\nContent-Length: 60000\r\n\r\n",
        b"GET /large HTTP/1.1\r\nHost: localhost\r\n\r\n",
    )

    def __init__(self, port: int, count: int) -> None:
        self._port, self._count = port, count
        self.stop = threading.Event()
        self.came = 0
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Slow:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self._thread.join(MOMENT_S)

    def _come(self, n: int) -> socket.socket | None:
        with contextlib.suppress(OSError):
            source = (f"127.0.1.{1 + n % 25}", 0)
            s = socket.create_connection(("127.0.0.1", self._port), timeout=1, source_address=source)
            s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            s.sendall(self.STARTS[n % 3])
            s.setblocking(False)
            self.came += 1
            return s
        return None

    def _run(self) -> None:
        held: dict[int, socket.socket] = {}
        with selectors.DefaultSelector() as ready:
            while not self.stop.wait(0.02):
                for n in range(self._count):
                    if n not in held and (s := self._come(n)) is not None:
                        held[n] = s
                        if n % 3 != 2:
                            ready.register(s, selectors.EVENT_READ, n)
                # Whatever comes to one that waits for nothing is its end.
                for key, _ in ready.select(0):
                    ready.unregister(key.fileobj)
                    held.pop(key.data).close()
                for n, s in list(held.items()):
                    try:
                        if n % 3 != 2 or self.came % 50 == 0:
                            s.send(b"x")
                    except OSError:
                        with contextlib.suppress(KeyError):
                            ready.unregister(s)
                        held.pop(n).close()
        for s in held.values():
            s.close()


def _rss_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


@pytest.mark.slow
def test_two_hundred_slow_clients_keep_nobody_out_and_take_little_memory() -> None:
    place = Place(free_port())
    command = [sys.executable, "-m", "tests.page.served", str(place.port)]
    process = subprocess.Popen(command, cwd=PROJECT, stdin=subprocess.PIPE)
    try:

        def there() -> bool:
            with contextlib.suppress(OSError):
                return place.ask()[0] == 200
            return False

        wait_for(there, "the page to be served")
        before, most, took, statuses = _rss_mb(process.pid), 0.0, list[float](), Counter[int]()
        with Slow(place.port, 200) as slow:
            wait_for(lambda: slow.came >= 200, "the slow clients")
            began = time.monotonic()
            while time.monotonic() - began < 6.0 or slow.came < 400 or len(took) < 20:
                asked = time.monotonic()
                statuses[place.ask(source="127.0.0.2")[0]] += 1
                took.append(time.monotonic() - asked)
                most = max(most, _rss_mb(process.pid))
                time.sleep(0.02)
        assert statuses.keys() == {200}
        assert max(took) < MOMENT_S / 2
        assert most - before < 60, f"{before:.0f} MB before, {most:.0f} MB with them"
        print(f"{slow.came} came; {len(took)} asked, longest {max(took):.3f} s; {before:.0f} MB, at most {most:.0f} MB")
    finally:
        process.communicate(timeout=MOMENT_S)


def test_of_those_who_leave_too_much_lying_the_worst_are_cut_at_once(asked: Asked) -> None:
    with (
        bounded(asked, replace(PATIENT, waiting_bytes=len(LARGE) + 2_000_000)) as place,
        contextlib.ExitStack() as held,
    ):
        for n in range(3):
            s = held.enter_context(place.connect(f"127.0.1.{1 + n}"))
            s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            s.sendall(Slow.STARTS[2])
            wait_for(lambda: place.counts == {"write": 1}, "the newest alone")
        assert place.ask("/large", source="127.0.2.1")[1] == LARGE


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
def test_those_who_hold_all_they_can_get_keep_nobody_else_out(asked: Asked, hostile: int) -> None:
    stop = threading.Event()
    with bounded(asked, replace(QUICK, connections=8, connections_of_one=4)) as place:
        holders = [
            threading.Thread(target=_holds, args=(place.port, f"127.0.1.{k}", stop), daemon=True)
            for k in range(1, hostile + 1)
            for _ in range(2)
        ]
        for each in holders:
            each.start()
        served = 0
        try:
            for k in range(30):
                with contextlib.suppress(OSError, http.client.HTTPException):
                    served += place.ask(source=f"127.0.0.{2 + k % 3}")[0] == 200
        finally:
            stop.set()
            for each in holders:
                each.join(MOMENT_S)
        assert served == 30


def test_a_caller_who_holds_all_it_can_get_loses_its_own_oldest(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, connections_of_one=4)) as place:
        held = [place.connect() for _ in range(4)]
        assert place.ask()[0] == 503, "they have only begun"
        wait_for(lambda: place.ask()[0] == 200, "one to give way")
        assert place.until_cut(held[0])[0] < MOMENT_S / 2
        for s in held[1:]:
            s.settimeout(0.05)
            with pytest.raises(TimeoutError):
                s.recv(1)
        for s in held:
            s.close()


def test_when_all_is_full_the_greediest_gives(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, connections=6)) as place:
        greedy = [place.connect("127.0.1.1") for _ in range(4)]
        modest = [place.connect(f"127.0.1.{n}") for n in (2, 3)]
        wait_for(lambda: place.counts["head"] == 6, "the connections")
        assert [place.ask(source=f"127.0.2.{n}")[0] for n in range(1, 5)] == [200] * 4
        assert place.until_cut(greedy[0])[0] < MOMENT_S / 2
        for s in modest:
            s.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            assert place.until_cut(s)[1].startswith(b"HTTP/1.1 200")
        for s in (*greedy, *modest):
            s.close()


def test_when_everybody_is_being_answered_one_more_is_told_to_come_again(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, connections=3)) as place:
        held = [place.connect(f"127.0.1.{n}") for n in range(1, 4)]
        for s in held:
            s.sendall(b"GET /hang HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        wait_for(lambda: place.counts["answer"] == 3, "the requests")
        status, _, headers = place.ask(source="127.0.2.1")
        assert (status, headers["Retry-After"], headers["Connection"]) == (503, "5", "close")
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        asked.release.set()
        for s in held:
            assert place.until_cut(s)[1].endswith(b"late"), "who was before is answered"
            s.close()


def test_who_asks_for_a_hundred_waits_for_them_and_nobody_else_does(asked: Asked) -> None:
    bounds = replace(PATIENT, turn_s=MOMENT_S, connections=20, waiting_of_one=8)
    with bounded(asked, bounds) as place, ThreadPoolExecutor(20) as pool:
        many = [pool.submit(place.ask, "/nap", source="127.0.1.1") for _ in range(20)]
        wait_for(lambda: place.counts["wait"] >= 5, "a queue")
        began = time.monotonic()
        assert place.ask(source="127.0.1.2")[0] == 200
        behind = sum(not f.done() for f in many)
        assert behind > 3, "it did not wait for those who came before"
        statuses = Counter(f.result()[0] for f in many)
        assert statuses.keys() == {200, 503}
        # Three at work, eight in the queue.
        assert statuses[200] >= 11
        assert time.monotonic() - began < MOMENT_S / 2


def test_those_who_wait_for_their_turn_give_way_to_one_who_has_none(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, turn_s=MOMENT_S, connections=6)) as place, contextlib.ExitStack() as held:
        for _ in range(6):
            held.enter_context(place.connect("127.0.1.1")).sendall(b"GET /hang HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_for(lambda: place.counts == {"answer": 3, "wait": 3}, "the requests")
        assert place.ask(source="127.0.1.2")[0] == 200
        wait_for(lambda: place.counts["wait"] == 2, "one to be cut")
        asked.release.set()
        wait_for(lambda: place.counts == {"idle": 5}, "the others to be answered")


@pytest.mark.slow
def test_clients_that_go_away_leave_nothing_behind(server: PageServer, place: Place) -> None:
    for _ in range(300):
        with place.connect() as s:
            s.sendall(b"GET /large HTTP/1.1\r\nHost: localhost\r\n\r\n")
    inner = server._inner
    assert inner is not None
    wait_for(lambda: place.ask()[0] == 200, "those before to be done with")
    wait_for(lambda: not place.counts and not inner.server_state.tasks and not inner.guard._left, "their ends")


# -- too much ----------------------------------------------------------------------------------------------------


def test_what_is_too_long_is_refused_with_the_status_that_says_why(place: Place, asked: Asked) -> None:
    assert place.ask("/body", "POST", b"x" * QUICK.body_bytes)[:2] == (200, b"65536")
    assert place.ask("/body", "POST", b"x" * (QUICK.body_bytes + 1))[0] == 413
    assert place.ask("/body", "POST", b"x" * 900_000)[0] == 413
    assert place.raw(b"POST /body HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999\r\n\r\n").startswith(
        b"HTTP/1.1 413"
    )
    assert place.ask("/body", "POST", iter([b"x" * 30_000] * 2))[:2] == (200, b"60000")
    chunked = b"POST /body HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
    assert b" 413 " in place.raw(chunked + b"FFFF\r\n" + b"x" * 0xFFFF + b"\r\n2\r\nxx\r\n0\r\n\r\n")[:20]
    assert b" 413 " in place.raw(chunked + b"1\r\nx\r\n" * 2000 + b"0\r\n\r\n")[:20], "too many pieces"
    assert asked.bodies == [65536, 60000]
    both = chunked.replace(b"Transfer", b"Content-Length: 5\r\nTransfer") + b"5\r\nxxxxx\r\n0\r\n\r\n"
    assert place.raw(both).startswith(b"HTTP/1.1 400")
    assert place.ask("/" + "x" * QUICK.target_bytes)[0] == 414
    assert place.ask(headers={"X-Long": "x" * 30_000})[0] == 431
    assert place.ask(headers={"X-Long": "x" * 200_000})[0] == 431
    assert place.ask(headers={f"X-{n}": "x" for n in range(150)})[0] == 431


def test_of_a_thousand_requests_at_once_most_are_told_to_slow_down(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, burst=30, per_s=0.01)) as place:
        statuses = Counter(place.ask()[0] for _ in range(100))
        assert statuses == {200: 30, 429: 70}
        assert place.ask(source="127.0.0.2")[0] == 200, "others are not"


def test_of_a_thousand_requests_in_one_go_the_rest_is_not_looked_at(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, burst=30, per_s=0.01)) as place, place.connect() as s:
        s.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n" * 2000)
        assert place.ask(source="127.0.0.2")[0] == 200
        got = place.until_cut(s)[1]
        assert (got.count(b"HTTP/1.1 200"), got.count(b"HTTP/1.1 429")) == (30, 1)


def test_the_pace_comes_back_with_time_and_forgets_strangers() -> None:
    now = [0.0]
    pace = RequestRate(2, 0.5, lambda: now[0], callers=3)
    assert [pace.wait_s("a") for _ in range(3)] == [0.0, 0.0, 2.0]
    now[0] = 2.0
    assert [pace.wait_s("a") for _ in range(2)] == [0.0, 2.0]
    for caller in "bcd":
        pace.wait_s(caller)
    assert len(pace._left) == 3


# -- bytes that are no request -----------------------------------------------------------------------------------


@pytest.mark.slow
def test_rubbish_is_answered_or_cut_and_told_nobody(
    place: Place, caplog: pytest.LogCaptureFixture, asked: Asked
) -> None:
    caplog.set_level("DEBUG")
    rng = random.Random(7)
    pieces = [
        b"GET ",
        b"POST ",
        b"CONNECT x:1",
        b"/ ",
        b"/body ",
        b"/%ff%00%2e%2e/ ",
        b"HTTP/1.1",
        b"HTTP/1.0",
        b"\r\n",
        b"\r\n\r\n",
        b"\0",
        b"\xff" * 9,
        b"Host: localhost\r\n",
        b"Content-Length: 5\r\n",
        b"Content-Length: -5\r\n",
        b"Transfer-Encoding: chunked\r\n",
        b"Upgrade: websocket\r\nConnection: upgrade\r\n",
        b"Expect: 100-continue\r\n",
        b"Connection: close\r\n",
        b"5\r\nxxxxx\r\n",
        b"ffffffffffffffff\r\n",
        b":",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
    ]
    starts = [
        b"",
        b"GET / HTTP/1.1\r\nHost: localhost\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"POST /body HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n",
    ]
    answers = Counter[bytes]()
    with ThreadPoolExecutor(4) as pool:
        junk = [
            rng.choice(starts)
            + b"".join(rng.choice(pieces) for _ in range(rng.randint(0, 12)))
            + rng.randbytes(rng.randint(0, 40))
            for _ in range(300)
        ]
        for got in pool.map(place.raw, junk):
            answers[got[:12]] += 1
            assert got == b"" or got.startswith(b"HTTP/1.1 "), got[:80]
    assert answers[b"HTTP/1.1 400"] > 50
    assert answers[b"HTTP/1.1 200"] > 5
    assert answers.keys() <= {b"", *(b"HTTP/1.1 %d" % n for n in (100, 200, 400, 404, 405, 413, 421))}
    place.raw(b"x" * 200_000)
    assert place.ask()[0] == 200
    assert [r for r in caplog.records if r.name.startswith(("warmtally", "uvicorn", "asyncio"))] == []


def test_a_bad_piece_after_the_page_has_begun_ends_the_connection(
    place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    with place.connect() as s:
        s.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n")
        assert s.recv(100).startswith(b"HTTP/1.1 200")
        s.sendall(b"this is no length\r\n")
        assert place.until_cut(s)[0] < MOMENT_S / 2
    assert caplog.text == ""


# -- pages that hang or are wrong --------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_hanging_page_is_given_up_and_the_others_are_served(server: PageServer, place: Place, asked: Asked) -> None:
    before = set(threading.enumerate())
    with ThreadPoolExecutor(8) as pool:
        hanging = [pool.submit(place.ask, "/hang", source="127.0.0.2") for _ in range(5)]
        for _ in range(20):
            assert place.ask()[0] == 200
        assert [f.result()[0] for f in hanging] == [503] * 5
        assert server.alive()
        # One caller never has all places. Another one takes the last: then nobody is served, and it is seen.
        assert place.ask("/hang")[0] == 503
        assert place.ask()[0] == 503
        inner = server._inner
        assert inner is not None
        assert inner.guard.turns.full_s() > 0
        server._bounds = replace(QUICK, hung_s=0.5)
        wait_for(lambda: not server.alive(), "it to be seen")
        asked.release.set()
        wait_for(lambda: place.ask()[0] == 200 and server.alive(), "places again")
    assert len([t for t in set(threading.enumerate()) - before if "AnyIO" in t.name]) <= QUICK.turns


@pytest.mark.slow
def test_a_loop_that_hangs_is_seen_and_stopping_does_not_wait_for_it(
    server: PageServer, place: Place, asked: Asked
) -> None:
    server._bounds = replace(QUICK, hung_s=0.5)
    with place.connect() as s:
        s.sendall(b"GET /block HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_for(lambda: not server.alive(), "it to be seen")
        asked.release.set()
        wait_for(server.alive, "its end")
        asked.release.clear()
        s.sendall(b"GET /block HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_for(lambda: not server.alive(), "it to be seen")
        began = time.monotonic()
        server.stop(0.5)
        assert 0.4 < time.monotonic() - began < MOMENT_S / 2
        asked.release.set()


def test_a_mistake_of_ours_is_logged_once_and_tells_nothing(place: Place, caplog: pytest.LogCaptureFixture) -> None:
    for _ in range(3):
        status, body, headers = place.ask(f"/wrong/{SECRET}?code={SECRET}")
        assert status == 500
        assert SECRET.encode() not in body
        assert "default-src 'none'" in headers["Content-Security-Policy"]
    wait_for(lambda: bool(caplog.records), "it to be logged")
    assert [r.levelname for r in caplog.records] == ["ERROR"]
    assert "RuntimeError in" in caplog.text
    assert "_wrong" in caplog.text
    assert SECRET not in caplog.text


def test_a_mistake_in_the_middle_of_a_page_ends_it_so_that_it_is_seen(
    place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    with pytest.raises(http.client.IncompleteRead):
        place.ask("/half")
    assert SECRET not in caplog.text
    assert len(caplog.records) == 1
    assert place.ask()[0] == 200


def test_a_page_of_a_status_that_cannot_be_made_is_a_bare_one(asked: Asked, caplog: pytest.LogCaptureFixture) -> None:
    def broken(status: int) -> str:
        raise RuntimeError(SECRET)

    with bounded(asked, QUICK, failing=broken) as place:
        assert b"<h1>Misdirected Request</h1>" in place.ask(headers={"Host": "evil.example"})[1]
    with bounded(asked, QUICK, failing=lambda status: f"<p>only {status}") as place:
        assert place.ask(headers={"Host": "evil.example"})[1] == b"<p>only 421"
        assert place.raw(b"\0\r\n\r\n").endswith(b"<p>only 400")
    assert SECRET not in caplog.text


# -- streams -----------------------------------------------------------------------------------------------------


def test_streams_have_an_allowance_of_their_own_and_starve_nobody(asked: Asked) -> None:
    bounds = replace(PATIENT, streams=5, streams_of_one=3, connections=6, connections_of_one=6)
    with bounded(asked, bounds) as place, contextlib.ExitStack() as held:
        streams = []
        for source in ["127.0.1.1"] * 4 + ["127.0.1.2"] * 3:
            s = held.enter_context(place.connect(source))
            s.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert s.recv(4096).startswith(b"HTTP/1.1 200")
            streams.append(s)
        # Three of one, five in all: the first of the one went for its fourth, its second for the other's third.
        for s in streams[:2]:
            assert place.until_cut(s)[0] < MOMENT_S / 2
        wait_for(lambda: asked.streams == 5, "the streams")
        assert [place.ask(source=f"127.0.2.{n}")[0] for n in range(1, 30)] == [200] * 29
        for s in streams[2:]:
            assert b"data: 1" in s.recv(65536)
            s.close()
        wait_for(lambda: asked.streams == 0, "their ends to be seen")


def test_a_stream_ends_after_its_time_and_when_nobody_reads_it(asked: Asked) -> None:
    with bounded(asked, replace(PATIENT, stream_s=0.5)) as place:
        with place.connect() as s:
            s.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
            lasted, got = place.until_cut(s)
            assert b"data: 1" in got
            assert 0.3 < lasted < MOMENT_S / 2
        wait_for(lambda: asked.streams == 0, "its end")


# -- from where, and to whom -------------------------------------------------------------------------------------


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


def test_what_a_proxy_says_is_believed_of_a_proxy_alone(asked: Asked) -> None:
    said = {"X-Forwarded-For": "198.51.100.9, 203.0.113.5", "X-Forwarded-Proto": "https"}
    with bounded(asked, replace(PATIENT, burst=3, per_s=0.001), proxy=["127.0.0.1", "::1"]) as place:
        assert place.ask("/who", headers=said)[1] == b"203.0.113.5 https"
        assert place.ask("/who", headers={"X-Forwarded-For": "nobody"})[1] == b"127.0.0.1 http"
        assert place.ask("/who", source="127.0.0.2", headers=said)[1] == b"127.0.0.2 http"
        # Each of those behind it has a pace of its own.
        other = {"X-Forwarded-For": "203.0.113.6"}
        assert [place.ask(headers=said)[0] for _ in range(3)] == [200, 200, 429]
        assert place.ask(headers=other)[0] == 200
    with bounded(asked, PATIENT) as place:
        assert place.ask("/who", headers=said)[1] == b"127.0.0.1 http"
    with pytest.raises(ValueError, match="on this computer"):
        PageServer(("127.0.0.1", 0), asked.app(), proxy=["192.168.1.1"])


# -- the service's side ------------------------------------------------------------------------------------------


def test_a_port_in_use_is_tried_again_until_it_is_free(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AGAIN_S", 0.05)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        server = PageServer(taken.getsockname(), asked.app(), bounds=QUICK)
        server.start()
        wait_for(lambda: "already in use" in server.trouble, "the trouble to be told")
        assert server.alive()
        assert server.port == 0
    wait_for(lambda: server.port != 0, "the page to be served")
    assert Place(server.port).ask()[0] == 200
    assert server.trouble == ""
    server.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_died_is_replaced(server: PageServer, place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    inner, thread = server._inner, server._thread
    assert inner is not None
    assert thread is not None
    with place.connect() as held:
        held.sendall(b"GET ")
        monkeypatch.setattr(inner, "look", _dies)
        wait_for(lambda: not thread.is_alive(), "the thread to die")
        assert not server.alive()
        assert server.port == 0
        server.tend()
        wait_for(lambda: server.port != 0, "the page to be served")
        assert Place(server.port).ask()[0] == 200
        assert place.until_cut(held)[0] < MOMENT_S / 2


def test_a_mistake_in_the_loop_is_trouble_and_it_begins_anew(
    server: PageServer, place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "AGAIN_S", 0.2)
    inner = server._inner
    assert inner is not None
    monkeypatch.setattr(inner, "look", lambda: 1 / 0)
    wait_for(lambda: "ZeroDivisionError" in server.trouble, "the trouble to be told")
    wait_for(lambda: server.port != 0, "the page to be served")
    assert Place(server.port).ask()[0] == 200
    assert server.trouble == ""


def _dies() -> None:
    raise SystemExit


@pytest.mark.slow
def test_stopping_ends_soon_whatever_is_connected(asked: Asked) -> None:
    server = PageServer(("127.0.0.1", 0), asked.app(), streams={"/live"}, bounds=PATIENT)
    with served(server) as place, contextlib.ExitStack() as held:
        for start in (b"", b"GET ", b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n", *Slow.STARTS):
            held.enter_context(place.connect()).sendall(start)
        held.enter_context(place.connect()).sendall(b"GET /hang HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_for(lambda: asked.streams == 1, "the stream")
        began = time.monotonic()
        server.stop(MOMENT_S)
        assert time.monotonic() - began < MOMENT_S / 4
        assert not server._thread.is_alive()  # type: ignore[union-attr]
        assert server.port == 0
        server.stop()
    with pytest.raises(ConnectionRefusedError):
        place.connect()


def test_stopped_before_it_began_it_serves_nothing(asked: Asked) -> None:
    server = PageServer(("127.0.0.1", 0), asked.app())
    server.stop()
    server.start()
    server.stop(MOMENT_S)
    assert not server._thread.is_alive()  # type: ignore[union-attr]


def test_what_is_being_answered_when_it_stops_is_answered(asked: Asked) -> None:
    server = PageServer(("127.0.0.1", 0), asked.app(), bounds=PATIENT)
    with served(server) as place, ThreadPoolExecutor(1) as pool:
        answer = pool.submit(place.ask, "/hang")
        wait_for(lambda: place.counts["answer"] == 1, "the request")
        threading.Timer(0.3, asked.release.set).start()
        server.stop(MOMENT_S)
        assert answer.result()[:2] == (200, b"late")


def test_all_addresses_of_both_kinds_are_listened_at(asked: Asked) -> None:
    with served(PageServer(("::", 0), asked.app(), bounds=QUICK)) as place:
        assert place.ask("/who")[1].endswith(b"127.0.0.1 http")
        connection = http.client.HTTPConnection("::1", place.port, timeout=MOMENT_S)
        connection.request("GET", "/")
        assert connection.getresponse().status == 200
        connection.close()


def test_what_is_set_on_the_listening_socket_holds_for_connections(asked: Asked) -> None:
    with module._listening("127.0.0.1", 0) as sock:
        sock.listen()
        with socket.create_connection(sock.getsockname()), sock.accept()[0] as accepted:
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == module._GONE_MS
            assert accepted.getsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF) <= 2 * module._BUFFER_BYTES
