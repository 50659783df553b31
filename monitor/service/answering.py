"""The ways back from the keeper: what ``[page]`` and ``[answers]`` switch on, put together for the service.

Watching goes before answering: where a way back cannot be opened the service runs all the same, says so, and tells it
as a condition. Then notices carry no line that would lead nowhere.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.adapters.mqtt.answers import AnswerTopic
from monitor.adapters.store import secret_of
from monitor.config.reach import is_local, reached_from_elsewhere
from monitor.config.zones import zone_of
from monitor.core.notices.answers import line_of
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Health
from monitor.core.terms.settings import PagePlace, Settings
from monitor.errors import StoreError
from monitor.page.room import LOOK_S, LatestRound, PageRoom

if TYPE_CHECKING:
    from monitor.page.server import PageServer

log = logging.getLogger("warmtally")


class WaysBack:
    """The line in notices, the topic at the broker and the page, as far as they are configured."""

    def __init__(
        self,
        settings: Settings,
        now_ms: Callable[[], int],
        latest: LatestRound,
        feed: Callable[[], str] = lambda: "",
        *,
        waits_s: float = LOOK_S,
    ) -> None:
        """``latest``: the round that pages are made from, ``waits_s``: how long one waits for a newer (see
        :class:`PageRoom`); ``feed``: gives the calendar, for where the page serves it."""
        self.topic: AnswerTopic | None = None
        self._now_ms = now_ms
        self._page, self._answers = settings.page, settings.answers
        self._texts = settings.room.texts
        self._secret = b""
        self._server: PageServer | None = None
        self._broken = ""
        self._since_ms: int | None = None
        if self._page is None and self._answers is None:
            return
        try:
            self._secret = secret_of(settings.data_dir)
        except StoreError as error:
            self._broken = error.what
            log.error("notices go out without a way to answer them: %s", error)  # noqa: TRY400
            return
        zone = zone_of(settings.room.zone)
        if self._answers is not None:
            self.topic = AnswerTopic(self._answers, self._secret, zone)
        if self._page is not None:
            room = PageRoom(settings, now_ms, latest, waits_s=waits_s)
            self._server = _server(self._page, room, self._secret, feed if settings.calendar.feed else None)

    def invite(self, notice: Notice, channel: str) -> str:
        """The line with which a notice asks for an answer; empty for none."""
        if self._broken:
            return ""
        address = "" if self._page is None else self._page.address
        topic = "" if self._answers is None else self._answers.topic
        return line_of(notice, channel, self._secret, address=address, topic=topic, texts=self._texts)

    @property
    def secret(self) -> bytes:
        """Of the room's codes; empty where there are none."""
        return self._secret

    def start(self) -> None:
        if self._server is not None:
            self._server.start()

    def stop(self, within_s: float = 3.0) -> None:
        if self._server is not None:
            self._server.stop(within_s)

    def tend(self) -> None:
        """Replace the page's thread when it died."""
        if self._server is not None:
            self._server.tend()

    def health(self) -> Health | None:
        """Whether the page is there, and answers can arrive; None where neither page nor topic is configured."""
        if self._page is None and self._answers is None:
            return None
        why = self._broken
        if not why and self._server is not None:
            why = self._server.trouble or ("" if self._server.alive() else "the page does not answer")
        if not why:
            self._since_ms = None
        elif self._since_ms is None:
            self._since_ms = self._now_ms()
        return Health(self._since_ms, why)


def _server(place: PagePlace, room: PageRoom, secret: bytes, feed: Callable[[], str] | None) -> PageServer:
    """The page of a room at its place. Its libraries are large, and loaded only where there is a page."""
    from monitor.page.app import build
    from monitor.page.links import SentLinks
    from monitor.page.server import PageServer

    app = build(room, language=place.language, more=SentLinks(secret, feed).routes())
    return PageServer(
        place.listen,
        app,
        address=place.address,
        streams={"/live"},
        # Others get to a page of this computer alone by a proxy on it, which says for whom it asks.
        proxy={"127.0.0.1", "::1"} if is_local(place.listen[0]) and reached_from_elsewhere(place) else (),
        failing=app.state.pages.refused,
    )
