"""The picture of the room as a page shows it: drawn once a round, for telephones and for wide screens."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

from markupsafe import Markup

from monitor.core.notices.snapshot import Snapshot
from monitor.page.texts import table
from monitor.telling.drawing.room_picture import svg_room
from monitor.telling.drawing.room_scene import room_scene
from monitor.telling.drawing.room_words import ENGLISH, PictureWords, RoomRow, table_room

NARROW, WIDE = 390.0, 1180.0
COLUMNS: Final = ("box", "stack", *(f.name for f in fields(RoomRow) if f.name not in ("box", "stack", "href")))


@dataclass(frozen=True)
class RoomDrawn:
    """The picture, narrow and wide, and the rows that say the same."""

    svgs: tuple[Markup, Markup]
    rows: tuple[RoomRow, ...]

    @classmethod
    def of(cls, snapshot: Snapshot, words: PictureWords) -> RoomDrawn:
        scene = room_scene(snapshot)
        narrow, wide = (Markup(svg_room(scene, width, words)) for width in (NARROW, WIDE))  # noqa: S704
        return cls((narrow, wide), table_room(scene, words))


def words_of(language: str) -> PictureWords:
    """The picture's words in a language; what it lacks is said in English."""
    own = {f.name: text for f in fields(PictureWords) if (text := table(language).get(f"picture.{f.name}"))}
    return replace(ENGLISH, **own)


class DrawnOnce:
    """The picture of the newest round, drawn when the first page asks for it. Safe to use from several threads."""

    def __init__(self, language: str) -> None:
        self._words = words_of(language)
        self._lock = threading.Lock()
        self._of: Snapshot | None = None
        self._drawn: RoomDrawn | None = None

    def of(self, snapshot: Snapshot) -> RoomDrawn:
        with self._lock:
            if self._drawn is None or self._of is not snapshot:
                self._of, self._drawn = snapshot, RoomDrawn.of(snapshot, self._words)
            return self._drawn


def cells(rows: Sequence[RoomRow]) -> list[list[str]]:
    """The rows of the table, a text for each of ``COLUMNS``."""
    return [[getattr(row, name) for name in COLUMNS] for row in rows]
