"""The guard before the app: whom it lets in, and what every answer carries."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from monitor.page.guard import HEADERS, host_of
from monitor.page.server import PageServer
from tests.page.served import SECRET, Asked, Place, served


@pytest.fixture
def place() -> Iterator[Place]:
    server = PageServer(("127.0.0.1", 0), Asked().app(), address="http://eggs.example:8480")
    with served(server) as found:
        yield found


def test_every_answer_carries_what_every_answer_should(place: Place) -> None:
    answers = [
        place.ask(),
        place.ask("/nothing"),
        place.ask("/", "PUT"),
        place.ask(f"/wrong/{SECRET}"),
        place.ask(headers={"Host": "elsewhere.example"}),
        place.ask("/body", "POST", b"x" * 70_000),
        place.ask("/body", "POST", headers={"Origin": "http://elsewhere.example"}),
    ]
    assert [status for status, *_ in answers] == [200, 404, 405, 500, 421, 413, 403]
    for status, _, headers in answers:
        for name, value in HEADERS.items():
            assert headers.get_all(name.decode()) == [value.decode()], status
        assert headers["Server"] == "Warmtally"
        assert headers["Cache-Control"] == "no-store"
    raw = place.raw(b"rubbish\r\n\r\n")
    assert raw.startswith(b"HTTP/1.1 400 Bad Request\r\n")
    for name, value in {**HEADERS, b"server": b"Warmtally", b"cache-control": b"no-store"}.items():
        assert b"\r\n%s: %s\r\n" % (name, value) in raw


def test_a_program_is_told_as_one_why_it_is_refused(place: Place) -> None:
    answers = [
        place.ask("/api/boxes", headers={"Host": "elsewhere.example"}),
        place.ask("/api/entries", "POST", b"x" * 70_000),
        place.ask("/api/entries", "POST", headers={"Origin": "http://elsewhere.example"}),
    ]
    for status, body, headers in answers:
        assert headers["Content-Type"] == "application/problem+json"
        assert json.loads(body)["status"] == status
    assert [status for status, *_ in answers] == [421, 413, 403]


def test_a_static_file_is_kept_where_its_address_changes_with_it(place: Place) -> None:
    kept = "public, max-age=31536000, immutable"
    assert place.ask("/static/a.css?0123456789ab")[2]["Cache-Control"] == kept
    for path in ("/static/a.css", "/static/a.css?v=1", "/static/none?0123456789ab", "/?0123456789ab"):
        assert place.ask(path)[2]["Cache-Control"] == "no-store", path


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1", 200),
        ("127.0.0.1:8480", 200),
        ("localhost", 200),
        ("LOCALHOST:1", 200),
        ("[::1]:8480", 200),
        ("eggs.example", 200),
        ("Eggs.Example.:8480", 200),
        ("elsewhere.example", 421),
        ("localhost.elsewhere.example", 421),
        ("192.0.2.1", 421),
        ("[2001:db8::1]", 421),
        ("", 400),
        ("a b", 400),
        ("eggs.example:port", 400),
        ("eggs.example/x", 400),
        ("user@eggs.example", 400),
        ("[::1", 400),
    ],
)
def test_it_answers_to_its_own_names_alone(place: Place, host: str, status: int) -> None:
    assert place.ask(headers={"Host": host})[0] == status


def test_without_a_host_or_with_two_it_does_not_answer(place: Place) -> None:
    assert place.raw(b"GET / HTTP/1.0\r\n\r\n").startswith(b"HTTP/1.1 400")
    assert place.raw(b"GET / HTTP/1.1\r\n\r\n").startswith(b"HTTP/1.1 400")
    assert place.raw(b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: localhost\r\n\r\n").startswith(b"HTTP/1.1 400")


def test_where_it_listens_everywhere_it_answers_to_the_address_that_was_asked() -> None:
    with served(PageServer(("0.0.0.0", 0), Asked().app())) as place:
        assert place.ask(headers={"Host": "127.0.0.1"})[0] == 200
        assert place.ask(headers={"Host": "0.0.0.0"})[0] == 200
        assert place.ask(headers={"Host": "192.0.2.77"})[0] == 421


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": "http://localhost:8480"}, 200),
        ({"Origin": "https://localhost:8480", "Sec-Fetch-Site": "same-origin"}, 200),
        ({"Sec-Fetch-Site": "none"}, 200),
        ({"Origin": "http://localhost:8481"}, 403),
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "http://localhost.elsewhere.example:8480"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": "http://[::1"}, 403),
        ({"Origin": "file://localhost:8480"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Origin": "http://localhost:8480", "Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_only_a_page_of_its_own_or_a_program_may_change_anything(
    place: Place, headers: dict[str, str], status: int
) -> None:
    named = {"Host": "localhost:8480", **headers}
    assert place.ask("/body", "POST", b"x", headers=named)[0] == status
    assert place.ask(headers=named)[0] == 200, "looking is open to all"


@pytest.mark.parametrize(("origin", "host"), [("https://eggs.example", "eggs.example:443"), ("http://[::1]", "[::1]")])
def test_the_usual_port_may_be_left_out(place: Place, origin: str, host: str) -> None:
    assert place.ask("/body", "POST", b"x", headers={"Host": host, "Origin": origin})[0] == 200


def test_hosts_are_read_without_their_port() -> None:
    assert [host_of(t) for t in ("A.b:1", "[::1]:2", "a", "a:", "", ":1", "-a", "a-")] == [
        "a.b",
        "[::1]",
        "a",
        "",
        "",
        "",
        "",
        "",
    ]
