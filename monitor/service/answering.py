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
from monitor.config.zones import zone_of
from monitor.core.notices.answers import line_of
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Health
from monitor.core.terms.settings import Settings
from monitor.errors import StoreError

if TYPE_CHECKING:
    from monitor.adapters.web import AnswerPages

log = logging.getLogger("warmtally")


class WaysBack:
    """The line in notices, the topic at the broker and the page, as far as they are configured."""

    def __init__(self, settings: Settings, now_ms: Callable[[], int], feed: Callable[[], str] | None = None) -> None:
        self.topic: AnswerTopic | None = None
        self._now_ms = now_ms
        self._page, self._answers = settings.page, settings.answers
        self._texts = settings.room.texts
        self._secret = b""
        self._pages: AnswerPages | None = None
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
            from monitor.adapters.web import AnswerPages

            self._pages = AnswerPages(
                self._page.listen,
                data_dir=settings.data_dir,
                secret=self._secret,
                room=settings.room.name,
                zone=zone,
                now_ms=now_ms,
                feed=feed,
            )

    def invite(self, notice: Notice, channel: str) -> str:
        """The line with which a notice asks for an answer; empty for none."""
        if self._broken:
            return ""
        address = "" if self._page is None else self._page.address
        topic = "" if self._answers is None else self._answers.topic
        return line_of(notice, channel, self._secret, address=address, topic=topic, texts=self._texts)

    def start(self) -> None:
        if self._pages is not None:
            self._pages.server.start()

    def stop(self, within_s: float = 3.0) -> None:
        if self._pages is not None:
            self._pages.server.stop(within_s)

    def tend(self) -> None:
        """Replace the page's thread when it died."""
        if self._pages is not None:
            self._pages.server.tend()

    def health(self) -> Health | None:
        """Whether the page is there, and answers can arrive; None where neither page nor topic is configured."""
        if self._page is None and self._answers is None:
            return None
        why = self._broken
        if not why and self._pages is not None:
            server = self._pages.server
            why = server.trouble or ("" if server.alive() else "the page of answers does not answer")
        if not why:
            self._since_ms = None
        elif self._since_ms is None:
            self._since_ms = self._now_ms()
        return Health(self._since_ms, why)
