"""The picture of the room as a page shows it: drawn once a round, for telephones and for wide screens."""

from __future__ import annotations

import threading
from dataclasses import replace

from markupsafe import Markup

from monitor.core.notices.snapshot import Snapshot
from monitor.page.said import short_said
from monitor.page.texts import saying
from monitor.telling.drawing.room_picture import svgs_room
from monitor.telling.drawing.room_scene import room_scene
from monitor.telling.drawing.room_words import RoomRow, Say, table_room
from monitor.values import dataclass


@dataclass(frozen=True)
class RoomDrawn:
    """The picture, narrow and wide, of which the style sheet shows one, or in parts, and the rows that say the same."""

    svgs: tuple[Markup, ...]
    rows: tuple[RoomRow, ...]

    @property
    def crowd(self) -> bool:
        """Whether there are so many boxes that a page has either the picture or the rows."""
        return len(self.svgs) > 2

    @classmethod
    def of(cls, snapshot: Snapshot, say: Say, *, linked: bool = True) -> RoomDrawn:
        """``linked``: whether boxes lead to their pages, which tell of now."""
        scene = room_scene(snapshot)
        # The drawing escapes every name itself.
        svgs = tuple(map(Markup, svgs_room(scene, say, linked=linked)))
        rows = table_room(scene, say)
        return cls(svgs, rows if linked else tuple(replace(r, href="") for r in rows))


class DrawnOnce:
    """The picture of the newest round, drawn when the first page asks for it. Safe to use from several threads."""

    def __init__(self, language: str) -> None:
        say = saying(language)
        # What a drawing puts into the words of its language are figures and days as the program has them.
        self.say: Say = lambda key, **places: say(key, **{k: short_said(str(x), say) for k, x in places.items()})
        self._lock = threading.Lock()
        self._of: Snapshot | None = None
        self._drawn: RoomDrawn | None = None

    def of(self, snapshot: Snapshot) -> RoomDrawn:
        with self._lock:
            if self._drawn is None or self._of is not snapshot:
                self._of, self._drawn = snapshot, RoomDrawn.of(snapshot, self.say)
            return self._drawn
