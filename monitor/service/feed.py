"""The calendar that others read: made anew when something of it has changed, into a file and for the page."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Final

from monitor.core.notices.snapshot import Snapshot
from monitor.core.notices.tasks import FEED_DAYS, spans, tasks
from monitor.core.terms.settings import Settings
from monitor.whole_file import write_whole

log = logging.getLogger("warmtally")

EVERY_MS: Final = 60_000
FILE: Final = "calendar.ics"
"""Its name in the data folder, where no other is given."""


class CalendarFeed:
    """``text`` is read by the page's threads, and replaced as a whole by the round's. Nothing here ends a round."""

    def __init__(self, settings: Settings) -> None:
        calendar = settings.calendar
        self._on = calendar.feed or calendar.file is not None
        self._path = Path(calendar.file or Path(settings.data_dir) / FILE)
        self._room = settings.room.name
        self._said: object = None
        self._looked_ms = 0
        self._trouble = ""
        self._data: bytes | None = None
        self.text = ""

    def follow(self, snapshot: Snapshot) -> None:
        """Look at what is to come, once a minute; the clock may be set back."""
        if not self._on or 0 <= snapshot.now_ms - self._looked_ms < EVERY_MS:
            return
        self._looked_ms = snapshot.now_ms
        try:
            self._follow(snapshot)
        except Exception:
            # Whatever is wrong with a calendar, the watch goes on.
            log.exception("the calendar cannot be made")

    def _follow(self, snapshot: Snapshot) -> None:
        said = tasks(snapshot, FEED_DAYS), spans(snapshot)
        if said == self._said and not self._trouble:
            return
        # Its library is large, and loaded only where there is a feed.
        from monitor.adapters.calendar_feed import feed, read_feed

        before = read_feed(self._path) if self._data is None else self._data
        self._data = feed(*said, snapshot.now_ms, room=self._room, before=before)
        self._said, self.text = said, self._data.decode("utf-8")
        try:
            if self._data != before or self._trouble:
                write_whole(self._path, self._data)
            self._trouble = ""
        except OSError as error:
            trouble = f"the calendar cannot be written to {self._path} ({error.strerror}); it is tried again"
            if trouble != self._trouble:
                log.error("%s", trouble)  # noqa: TRY400 - the sentence is the whole story
            self._trouble = trouble
