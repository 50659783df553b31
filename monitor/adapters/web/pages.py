"""The page of one notice: it shows what was told and has one button; only pressing it answers.

Programs that look into mail, and messengers that show a preview, fetch every link in advance: so a GET never answers.
Everything stands in the page itself, it works without script, and it sends nobody elsewhere.
"""

from __future__ import annotations

import base64
import hashlib
import logging
import re
import threading
from collections.abc import Callable
from datetime import tzinfo
from html import escape
from pathlib import Path
from typing import Final

from monitor.adapters.store import Store
from monitor.adapters.web.server import PageServer, Request, Response
from monitor.core.notices.answers import UNKNOWN, AnswerResult, consequence, reply
from monitor.core.notices.codes import Guesses, is_feed_token
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import show_time
from monitor.errors import MonitorError

log = logging.getLogger("warmtally.page")

# Some mail programs take a sign that follows a link for a part of it.
_PATH: Final = re.compile(r"/a/([0-9A-Za-z-]{1,64})[.,;:)>\]]*/?")

_FEED: Final = re.compile(r"/c/([0-9A-Za-z]{1,64})\.ics")

_STYLE: Final = """
:root { color-scheme: light dark; --ground: #f6f4ef; --card: #fff; --ink: #23211d; --soft: #67625a; --line: #ddd8cd;
  --act: #1c6b4a; --act-ink: #fff; --now: #b3261e; --today: #8a5a00; --later: #4a5a6a }
@media (prefers-color-scheme: dark) { :root { --ground: #191816; --card: #24221f; --ink: #ece8e1; --soft: #a8a196;
  --line: #3a3732; --act: #5cc497; --act-ink: #0c2118; --now: #ff8a80; --today: #f0b755; --later: #a9bccf } }
* { box-sizing: border-box }
body { margin: 0; background: var(--ground); color: var(--ink); font: 1.0625rem/1.5 system-ui, sans-serif;
  -webkit-text-size-adjust: 100% }
main { max-width: 34rem; margin: 0 auto; padding: 1rem 1rem 3rem }
.room { margin: .25rem 0 .75rem; color: var(--soft); font-size: .9375rem }
article { background: var(--card); border: 1px solid var(--line); border-radius: .875rem; padding: 1.125rem }
h1 { font-size: 1.3125rem; line-height: 1.3; margin: .25rem 0 .5rem; overflow-wrap: anywhere }
.urgency { margin: 0; font-size: .875rem; font-weight: 600 }
.now { color: var(--now) } .today { color: var(--today) } .later { color: var(--later) }
.when { margin: 0 0 .875rem; color: var(--soft); font-size: .9375rem }
p.told, p.said { margin: 0 0 .75rem; overflow-wrap: anywhere }
form { position: sticky; bottom: 0; margin: .375rem 0 0; padding: .75rem 0; background: var(--ground) }
button { display: block; width: 100%; min-height: 3.75rem; border: 0; border-radius: .875rem; background: var(--act);
  color: var(--act-ink); font: 600 1.1875rem/1.2 system-ui, sans-serif; cursor: pointer }
button:focus-visible { outline: .1875rem solid var(--ink); outline-offset: .1875rem }
.small { margin: 0 0 .5rem; color: var(--soft); font-size: .9375rem }
.tick { margin: 0; color: var(--act); font-size: 2.5rem; line-height: 1 }
"""
_STYLE_HASH: Final = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
_POLICY: Final = (
    f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_URGENCY: Final = {"now": "Now", "today": "Today", "later": "For the later"}

_MISSING: Final = {
    400: "This request could not be understood.",
    404: "There is nothing here.",
    405: "This page is only looked at, and answered with its button.",
    411: "The length of the request is missing.",
    413: "The request is too long.",
    414: "The address is too long.",
    429: "There were too many wrong codes from here. Try again in a minute.",
    431: "The request is too long.",
    500: "This page could not be made. The notice can be answered at the computer.",
    503: "The notice cannot be answered just now. Try again in a minute.",
}


def _page(room: str, title: str, inside: str, status: int, **headers: str) -> Response:
    html = (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="robots" content="noindex"><title>{escape(title)}</title><style>{_STYLE}</style></head>\n'
        f'<body><main><p class="room">{escape(room)}</p>\n{inside}\n</main></body></html>\n'
    )
    return Response(status, html, {"Content-Security-Policy": _POLICY, **headers})


def _card(title: str, inside: str) -> str:
    return f"<article>{title}\n{inside}</article>"


def _told(text: str) -> str:
    """A notice's text, each of its lines a paragraph."""
    return "".join(f'<p class="told">{escape(line.strip())}</p>\n' for line in text.splitlines() if line.strip())


class AnswerPages:
    """The pages of one room, served. ``now_ms`` is the clock; ``secret`` the room's, under which codes are signed;
    ``feed`` gives the calendar, where it is served.

    Every request opens the store for itself: they are few, and none then waits for another.
    """

    def __init__(
        self,
        listen: tuple[str, int],
        *,
        data_dir: str | Path,
        secret: bytes,
        room: str,
        zone: tzinfo,
        now_ms: Callable[[], int],
        feed: Callable[[], str] | None = None,
    ) -> None:
        self._data_dir = data_dir
        self._secret = secret
        self._room = room
        self._zone = zone
        self._now_ms = now_ms
        self._feed = feed
        self._guesses = Guesses()
        self._lock = threading.Lock()
        self.server = PageServer(listen, self.respond, self.failing)

    def respond(self, request: Request) -> Response:
        """The page for a request. Raises nothing for whatever comes in from outside."""
        if (asked := _FEED.fullmatch(request.path)) is not None and self._feed is not None:
            return self._calendar(asked[1], request, self._feed)
        found = _PATH.fullmatch(request.path)
        if found is None:
            return self.failing(404)
        if request.method not in ("GET", "HEAD", "POST"):
            return self.failing(405)
        now_ms = self._now_ms()
        with self._lock:
            if self._guesses.enough(request.caller, now_ms):
                return self.failing(429)
        try:
            with Store(self._data_dir, create=False) as store:
                answered = request.method == "POST"
                if answered:
                    what = store.answers.give(self._secret, found[1], now_ms, "link")
                else:
                    what = store.answers.look(self._secret, found[1], now_ms)
        except MonitorError as error:
            log.warning("a notice could not be looked up or answered: %s", error.what)
            return self.failing(503)
        if what.status == "unknown":
            with self._lock:
                self._guesses.wrong(request.caller, now_ms)
        if what.status == "given" and what.notice is not None:
            log.info("notice %d answered by %s", what.notice.id, what.notice.answer)
        return self._shown(what)

    def _calendar(self, token: str, request: Request, feed: Callable[[], str]) -> Response:
        """What is to come, for a calendar program that knows the address."""
        if request.method not in ("GET", "HEAD"):
            return self.failing(405)
        now_ms = self._now_ms()
        with self._lock:
            if self._guesses.enough(request.caller, now_ms):
                return self.failing(429)
            if not is_feed_token(self._secret, token):
                self._guesses.wrong(request.caller, now_ms)
                return self.failing(404)
        text = feed()
        return Response(200, text, {"Content-Type": "text/calendar; charset=utf-8"}) if text else self.failing(503)

    def failing(self, status: int) -> Response:
        """A page for a mere status."""
        words = _MISSING.get(status, "This cannot be done here.")
        headers = {405: {"Allow": "GET, HEAD, POST"}, 429: {"Retry-After": "60"}, 503: {"Retry-After": "60"}}
        card = _card(f"<h1>{escape(words)}</h1>", "")
        return _page(self._room, words, card, status, **headers.get(status, {}))

    def _shown(self, found: AnswerResult) -> Response:
        notice = found.notice
        if notice is None:
            card = _card("<h1>This link is not known here</h1>", _said(reply(UNKNOWN, self._zone)))
            return _page(self._room, "Unknown link", card, 404)
        if found.status == "open":
            return _page(self._room, f"Notice {notice.id}", self._open(notice, over=found.over), 200)
        if found.status == "given":
            title = '<p class="tick" aria-hidden="true">✓</p><h1>Answered</h1>'
            inside = _said(f"{notice.title}.") + _said(consequence(found))
            return _page(self._room, "Answered", _card(title, inside), 200)
        heading = "Answered already" if found.status == "before" else "This link has expired"
        inside = _said(reply(found, self._zone)) + _said(f"It was: {notice.title}.")
        if found.status == "expired":
            inside += _said(f"It can still be answered at the computer: warmtally answer {notice.id}")
        return _page(self._room, heading, _card(f"<h1>{heading}</h1>", inside), 410)

    def _open(self, notice: Notice, *, over: bool) -> str:
        drill = notice.change == "drill"
        urgency = "" if drill else f'<p class="urgency {notice.urgency}">{_URGENCY[notice.urgency]}</p>'
        title = (
            f"{urgency}<h1>{escape(notice.title)}</h1>"
            f'<p class="when">Notice {notice.id}, sent {show_time(notice.at_ms, self._zone)}</p>'
        )
        if drill:
            button, follows = "It reached me", "This proves that your answers find their way back."
        else:
            button = "I know, and see to it"
            follows = "This ends the reminders of this notice and its escalation. It changes nothing else."
        past = _said("What it told of is over already.") if over and not drill else ""
        return (
            _card(title, _told(notice.whole) + past)
            + f'\n<form method="post"><button type="submit">{button}</button></form>'
            + f'<p class="small">{follows}</p><p class="small">Not now? Just close this page: nothing happens then.</p>'
        )


def _said(text: str) -> str:
    return f'<p class="said">{escape(text)}</p>\n'
