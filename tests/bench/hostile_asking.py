"""What a hostile client sends to the page, with what may come back; and what a page that came back must not hold."""

from __future__ import annotations

import contextlib
import re
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Final

from tests.peers import MOMENT_S

ELSEWHERE: Final = "elsewhere.example"
MARK: Final = "\"'><script>mark()</script><img src=x onerror=mark()>{{7*7}}"
NEW_CLUTCH: Final = "/clutches/new"
REFUSED: Final = frozenset({400, 401, 403, 404, 405, 409, 413, 414, 415, 421, 422, 429, 431, 501, 503, 505})
_HOLDS_NOTHING: Final = frozenset({"img", "iframe", "object", "embed", "base", "style", "frame", "applet"})


@dataclass
class PageSeen(HTMLParser):
    """A page as a browser would take it: ``wrong`` names what may run, ``links`` lead to other pages of ours."""

    def __init__(self) -> None:
        super().__init__()
        self.wrong: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag in _HOLDS_NOTHING or (tag == "script" and not told.get("src", "").startswith("/static/")):
            self.wrong.append(f"<{tag}>")
        self.wrong += [f"{tag} {name}" for name in told if name.startswith("on") or name in ("style", "srcdoc")]
        for name in ("href", "src", "action", "formaction", "xlink:href"):
            to = told.get(name, "")
            if to and not (to.startswith(("/", "#", "?")) and not to.startswith(("//", "/\\"))):
                self.wrong.append(f"{tag} {name}={to[:40]!r}")
            elif tag == "a" and to.startswith("/"):
                self.links.append(to.partition("#")[0])


def seen(text: str) -> PageSeen:
    page = PageSeen()
    page.feed(text)
    page.close()
    return page


@dataclass(frozen=True)
class HostileShape:
    """Bytes of a whole connection; ``may``: the statuses that are right for the first request."""

    family: str
    data: bytes
    may: frozenset[int] = REFUSED


@dataclass(frozen=True)
class RawAnswer:
    """What came back: the status of each answer, and all of it."""

    statuses: tuple[int, ...]
    data: bytes

    @property
    def leads(self) -> list[str]:
        return [x.decode("latin-1") for x in re.findall(rb"(?im)^location: *([^\r\n]*)", self.data)]


def send(port: int, data: bytes, source: str) -> RawAnswer:
    """Send some bytes, and read until the connection ends."""
    got = b""
    with (
        contextlib.suppress(ConnectionError, TimeoutError),
        socket.create_connection(("127.0.0.1", port), timeout=MOMENT_S, source_address=(source, 0)) as s,
    ):
        with contextlib.suppress(ConnectionError):
            # It may be refused before all of it is sent; what it was told is read all the same.
            s.sendall(data)
        while more := s.recv(65536):
            got += more
    return RawAnswer(tuple(int(x) for x in re.findall(rb"HTTP/1\.1 (\d{3}) ", got)), got)


def _request(
    target: str | bytes, method: str = "GET", *headers: str, host: str = "localhost", body: bytes = b""
) -> bytes:
    path = target.encode("latin-1") if isinstance(target, str) else target
    lines = [f"Host: {host}", *headers, *([f"Content-Length: {len(body)}"] if body else []), "Connection: close"]
    return method.encode() + b" " + path + b" HTTP/1.1\r\n" + "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body


_FORM: Final = "Content-Type: application/x-www-form-urlencoded"
_JSON: Final = "Content-Type: application/json"
_NEXT: Final = _request("/more?smuggled")
_CHANGES: Final = (
    "/looked-all",
    "/notices/shelve",
    "/notices/1/answer",
    NEW_CLUTCH,
    "/entry/1/undo",
    "/api/entries",
)


def shapes(cookie: str, key: str) -> Iterator[HostileShape]:
    """Every hostile request, each for a connection of its own. ``cookie`` and ``key``: with which a form is read."""
    for path in _CHANGES:
        for said in (f"Origin: http://{ELSEWHERE}", "Origin: null", "Sec-Fetch-Site: cross-site", "Origin: file://"):
            yield HostileShape("sent from elsewhere", _request(path, "POST", said, _FORM, body=b"key=1"))
    for host in (ELSEWHERE, "192.0.2.7", f"localhost.{ELSEWHERE}", f"localhost@{ELSEWHERE}", "a" * 300, "", "[::ffff"):
        yield HostileShape("another host", _request("/", host=host))
    yield HostileShape("another host", _request(f"http://{ELSEWHERE}/"), REFUSED | {200})
    yield HostileShape("another host", b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: localhost\r\n\r\n")
    yield HostileShape("another host", b"GET / HTTP/1.1\r\n\r\n")
    yield HostileShape("too large", _request("/", "GET", "X-A: " + "a" * 60_000))
    yield HostileShape("too large", _request("/", "GET", *[f"X-{n}: a" for n in range(400)]))
    yield HostileShape("too large", _request("/" + "a" * 5000))
    yield HostileShape("too large", _request(NEW_CLUTCH, "POST", _FORM, body=b"a=" + b"b" * 200_000))
    yield HostileShape("too large", _request(NEW_CLUTCH, "POST", _FORM, "Content-Length: 99999999999"))
    yield HostileShape("too large", _request("/api/entries", "POST", _JSON, body=b"[" * 60_000))
    yield from _paths()
    yield from _smuggled()
    yield from _forms(cookie, key)
    yield from _forged()


def _paths() -> Iterator[HostileShape]:
    for climb in ("../", "..%2f", "%2e%2e/", "%2e%2e%2f", "..%5c", "....//", "%252e%252e%252f", "..%c0%af", "..;/"):
        for place in ("/static/", "/box/", "/stack/", "/species/", "/a/"):
            yield HostileShape("path", _request(place + climb * 8 + "etc/passwd"))
    for path in (
        "/static/%00",
        "/box/%00",
        "/box/a%0d%0aSet-Cookie:%20a=b",
        "/%",
        "/%zz",
        "/box/%ff%fe",
        "/box/" + "%2f" * 300,
    ):
        yield HostileShape("path", _request(path))
    for raw in (b"/box/\x00", b"/box/\xff\xfe", b"/\\\\elsewhere.example/"):
        yield HostileShape("path", _request(raw))
    away = (
        f"//{ELSEWHERE}/",
        f"//{ELSEWHERE}/more/",
        f"/\\{ELSEWHERE}/",
        f"/more//{ELSEWHERE}/",
        f"//{ELSEWHERE}/%2e%2e",
    )
    for to_elsewhere in away:
        yield HostileShape("leading elsewhere", _request(to_elsewhere), REFUSED | {303, 307})
    for to in (
        f"//{ELSEWHERE}",
        f"https://{ELSEWHERE}",
        f"/\\{ELSEWHERE}",
        f"javascript:x//{ELSEWHERE}",
        f"%09//{ELSEWHERE}",
    ):
        yield HostileShape("leading elsewhere", _request(f"/enter?to={to}"), REFUSED | {200, 303})
        body = f"to={to}&back={to}&next={to}".encode()
        yield HostileShape("leading elsewhere", _request("/looked-all", "POST", _FORM, body=body), REFUSED | {303})


def _smuggled() -> Iterator[HostileShape]:
    start = b"POST " + NEW_CLUTCH.encode() + b" HTTP/1.1\r\nHost: localhost\r\n"
    tail = b"\r\n\r\n0\r\n\r\n" + _NEXT
    for lines in (
        b"Content-Length: 6\r\nTransfer-Encoding: chunked",
        b"Transfer-Encoding: chunked\r\nContent-Length: 6",
        b"Content-Length: 5\r\nContent-Length: 60",
        b"Content-Length: 5, 60",
        b"Content-Length: +5",
        b"Content-Length: 0x5",
        b"Content-Length: -1",
        b"Transfer-Encoding: xchunked",
        b"Transfer-Encoding: chunked, identity",
        b"Transfer-Encoding: chunked\r\nTransfer-Encoding: x",
        b"Transfer-Encoding : chunked",
        b" Transfer-Encoding: chunked",
        b"Transfer-Encoding:\x0bchunked",
        b"X: a\r\n\tTransfer-Encoding: chunked",
        b"X: a\x00b",
        b"X: a\rb",
    ):
        yield HostileShape("smuggled", start + lines + tail)
    yield HostileShape("smuggled", start + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n\r\n" + _NEXT)
    yield HostileShape("smuggled", start + b"Transfer-Encoding: chunked\r\n\r\nffffffffffffffff1\r\na" + _NEXT)
    yield HostileShape("smuggled", b"GET / HTTP/9.9\r\nHost: localhost\r\nConnection: close\r\n\r\n", REFUSED | {200})
    yield HostileShape("smuggled", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n")
    yield HostileShape("smuggled", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(64))


def _forms(cookie: str, key: str) -> Iterator[HostileShape]:
    own, read = f"Cookie: {cookie}", f"form_key={key}&".encode()
    many = b"&".join(b"f%d=1" % n for n in range(8000))[:60_000]
    for body in (many, b"a=1&" * 15_000, b"&" * 60_000, b"%" * 60_000, b"=" * 60_000, b"a[]" * 20_000):
        form = _request(NEW_CLUTCH, "POST", own, _FORM, body=read + body)
        yield HostileShape("flooding forms", form, REFUSED | {200})
    part = b'--b\r\nContent-Disposition: form-data; name="f%d"; filename="a"\r\n\r\nx\r\n'
    body = b"".join(part % n for n in range(800))[:60_000]
    kind = "Content-Type: multipart/form-data; boundary=b"
    yield HostileShape("flooding forms", _request(NEW_CLUTCH, "POST", own, kind, body=body))
    yield HostileShape("flooding forms", _request(NEW_CLUTCH, "POST", kind + '"\\' * 50, body=b"--b"), REFUSED | {200})
    for text in (
        b"{" * 50_000,
        b'{"a":' * 9000,
        b'{"eggs": 1e999}',
        b'{"eggs": ' + b"9" * 50_000 + b"}",
        b"\xff\xfe",
        b"null",
    ):
        yield HostileShape("flooding forms", _request("/api/entries", "POST", _JSON, body=text))


def _forged() -> Iterator[HostileShape]:
    for cookie in ("session=forged", "warmtally=a.b.c", "warmtally=" + "A" * 4000, "; " * 500, "a=\x01"):
        yield HostileShape("forged sessions", _request("/more", "GET", f"Cookie: {cookie}"), REFUSED | {200, 303})
        form = _request("/looked-all", "POST", f"Cookie: {cookie}", _FORM, body=b"form_key=forged")
        yield HostileShape("forged sessions", form)
    for token in ("Bearer forged", "Bearer " + "A" * 4000, "Basic YTpi", "Bearer"):
        yield HostileShape(
            "forged sessions", _request("/api/entries", "POST", f"Authorization: {token}", _JSON, body=b"{}")
        )
