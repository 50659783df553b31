"""Links that were sent: the page on which a notice is answered, and the calendar. Whoever has a link needs no more.

Programs that look into mail, and messengers that show a preview, fetch every link in advance: so a GET never answers.
"""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Callable
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.notices.answers import UNKNOWN, AnswerResult, consequence, reply
from monitor.core.notices.codes import Guesses, is_feed_token
from monitor.errors import MonitorError
from monitor.page.bounds import caller_of
from monitor.page.pages import Pages, pages_of

log = logging.getLogger("warmtally.page")

# Some mail programs take a sign that follows a link for a part of it.
_CODE: Final = re.compile(r"([0-9A-Za-z-]{1,64})[.,;:)>\]]*")
_TOKEN: Final = re.compile(r"([0-9A-Za-z]{1,64})\.ics")
_METHODS: Final = ["GET", "HEAD", "POST"]
_WAIT: Final = {"Retry-After": "60"}


class SentLinks:
    """What links of one room lead to. ``secret``: the room's, under which codes are signed; ``feed``: gives the
    calendar, where it is served.

    Wrong codes are counted for each caller, of codes and of the calendar alike.
    """

    def __init__(self, secret: bytes, feed: Callable[[], str] | None = None) -> None:
        self._secret = secret
        self._feed = feed
        self._guesses = Guesses()
        self._lock = threading.Lock()

    def routes(self) -> list[BaseRoute]:
        answers = [Route(path, self.answer, methods=_METHODS) for path in ("/a/{code}", "/a/{code}/")]
        return [*answers, *([Route("/c/{name}", self.calendar)] if self._feed is not None else [])]

    def answer(self, request: Request) -> Response:
        """The page of a notice: it shows what was told and has one button; only pressing it answers."""
        pages = pages_of(request)
        found = _CODE.fullmatch(request.path_params["code"])
        if found is None:
            return pages.problem(request, 404)
        now_ms, caller = pages.room.now_ms(), _caller(request)
        if self._enough(caller, now_ms):
            return _said(pages, request, "enough", 429)
        try:
            with pages.room.at_hand() as room:
                if request.method == "POST":
                    what = room.store.answers.give(self._secret, found[1], now_ms, "link")
                else:
                    what = room.store.answers.look(self._secret, found[1], now_ms)
        except MonitorError as error:
            log.warning("a notice could not be looked up or answered: %s", error.what)
            return _said(pages, request, "not_now", 503)
        if what.status == "unknown":
            self._wrong(caller, now_ms)
        if what.status == "given" and what.notice is not None:
            log.info("notice %d answered by %s", what.notice.id, what.notice.answer)
        return _shown(pages, request, what)

    def calendar(self, request: Request) -> Response:
        """What is to come, for a calendar program that knows the address."""
        pages = pages_of(request)
        found = _TOKEN.fullmatch(request.path_params["name"])
        if found is None or self._feed is None:
            return pages.problem(request, 404)
        now_ms, caller = pages.room.now_ms(), _caller(request)
        if self._enough(caller, now_ms):
            return _said(pages, request, "enough", 429)
        if not is_feed_token(self._secret, found[1]):
            self._wrong(caller, now_ms)
            return pages.problem(request, 404)
        text = self._feed()
        return Response(text, media_type="text/calendar") if text else _said(pages, request, "no_calendar", 503)

    def _enough(self, caller: str, now_ms: int) -> bool:
        with self._lock:
            return self._guesses.enough(caller, now_ms)

    def _wrong(self, caller: str, now_ms: int) -> None:
        with self._lock:
            self._guesses.wrong(caller, now_ms)


def _caller(request: Request) -> str:
    return caller_of(request.client.host) if request.client is not None else ""


def _said(pages: Pages, request: Request, key: str, status: int) -> Response:
    """A page that says one thing, and to come again."""
    words = pages.say(f"links.{key}")
    return pages.render(request, "link_said.html", status=status, headers=_WAIT, title=words, lines=[])


def _shown(pages: Pages, request: Request, found: AnswerResult) -> Response:
    notice, zone, say = found.notice, pages.room.zone, pages.say
    if notice is None:
        lines = [reply(UNKNOWN, zone)]
        return pages.render(request, "link_said.html", status=404, title=say("links.unknown"), lines=lines)
    if found.status == "open":
        return pages.render(
            request,
            "link.html",
            notice=notice,
            drill=notice.change == "drill",
            over=found.over and notice.change != "drill",
            told=[line.strip() for line in notice.whole.splitlines() if line.strip()],
        )
    if found.status == "given":
        lines = [f"{notice.title}.", consequence(found)]
        return pages.render(request, "link_said.html", title=say("links.answered"), lines=lines, tick=True)
    lines = [reply(found, zone), say("links.it_was", title=notice.title)]
    if found.status == "expired":
        lines.append(say("links.at_the_computer", number=notice.id))
    title = say("links.expired" if found.status == "expired" else "links.before")
    return pages.render(request, "link_said.html", status=410, title=title, lines=lines)
