"""Eggs: what is expected of those in a box, a clutch with its whole account, and all clutches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import Story, stories
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.balance import balance_of, ended_ms
from monitor.core.terms.formats import name_eggs, show_developed, show_time
from monitor.page.entry_words import entry_said
from monitor.page.pages import Pages, pages_of
from monitor.telling.at_hand import Reader
from monitor.telling.boxes import window_words
from monitor.telling.clutches import clutch_named, where_words
from monitor.telling.drawing.page_bar import svg_developed
from monitor.telling.forecast import CAUTION, expected_lines, rest_is_late
from monitor.telling.late_box import story_lines, story_of, while_still
from monitor.values import dataclass


@dataclass(frozen=True)
class EggsTold:
    """What is expected of the eggs of a clutch in a box. ``said`` are plain sentences; ``why``: what they rest on;
    ``still``: what to do, and what not, while eggs lie still. ``developed`` is in per cent, empty where unknown."""

    lot: str
    clutch: str
    name: str
    count: int
    species: str
    developed: str
    drawn: str
    window: str
    said: tuple[str, ...]
    story: tuple[str, ...]
    why: tuple[str, ...]
    still: tuple[str, ...]
    venomous: bool

    @classmethod
    def of(cls, lot: LotNow, reader: Reader, now_ms: int, told: Sequence[Story]) -> EggsTold:
        story = story_of(lot, told)
        late = story is not None or rest_is_late(lot, now_ms) or bool(lot.still_open)
        share = lot.past.development if lot.past is not None and not lot.still_open else None
        plain = _plain(expected_lines(lot, reader, now_ms, told=story is not None))
        why = _plain(expected_lines(lot, reader, now_ms, told=story is not None, why=True))
        why += _plain(story_lines(story, reader, now_ms, why=True)) if story is not None else ()
        return cls(
            lot.lot.id,
            lot.clutch.id,
            name_eggs(lot.lot.id),
            lot.lot.eggs,
            lot.clutch.species,
            "" if share is None else f"{show_developed(share)} %",
            "" if share is None else svg_developed(share),
            window_words(lot, reader),
            plain,
            () if story is None else _plain(story_lines(story, reader, now_ms)),
            tuple(x for x in why if x not in plain),
            tuple(_plain(while_still())) if late else (),
            lot.venomous,
        )


def _plain(lines: Sequence[str]) -> tuple[str, ...]:
    """Lines of a terminal as sentences: without their place on it, and without the bullet of a list."""
    return tuple(line.strip().removeprefix("- ").strip() for line in lines if line.strip())


def eggs_in(box: str, snapshot: Snapshot, reader: Reader) -> list[EggsTold]:
    """What lies in a box."""
    told = stories(snapshot.lots, snapshot.now_ms, reader.zone)
    inside = [x for x in snapshot.lots if x.lot.open and x.lot.eggs and x.lot.box == box]
    return [EggsTold.of(x, reader, snapshot.now_ms, told) for x in inside]


def clutch_page(request: Request) -> Response:
    """A clutch: its lots, what became of all that were laid, and every entry with a way to correct it."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        clutch = clutch_named(room.store.account.clutches(), request.path_params["clutch"][:200])
    snapshot = pages.room.last()
    mine = [x for x in (snapshot.lots if snapshot is not None else ()) if x.clutch.id == clutch.id]
    now_ms = pages.room.now_ms() if snapshot is None else snapshot.now_ms
    told = stories(mine, now_ms, pages.room.zone)
    first = clutch.events[0]
    return pages.render(
        request,
        "clutch.html",
        clutch=clutch,
        laid=_day(pages, clutch.laid_ms, day_only=clutch.laid_day_only),
        parents=[(what, name) for what in ("dam", "sire", "line") if (name := getattr(first, what))],
        eggs=[EggsTold.of(x, pages.room, now_ms, told) for x in mine if x.lot.open and x.lot.eggs],
        balance=balance_of(clutch).words(),
        where=where_words(clutch),
        ended=ended_ms(clutch) is not None,
        entries=[
            (e.id, _day(pages, e.at_ms, day_only=e.day_only), entry_said(pages, e, dated=False))
            for e in reversed(clutch.events)
        ],
        caution=CAUTION,
    )


def _day(pages: Pages, at_ms: int, *, day_only: bool) -> str:
    return pages.days(show_time(at_ms, pages.room.zone)[:10]) if day_only else pages.when(at_ms)


def clutches_page(request: Request) -> Response:
    """All clutches; those that have ended stand behind the others."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        clutches = list(room.store.account.clutches().values())
    rows = [
        (c, where_words(c), _day(pages, c.laid_ms, day_only=True)) for c in sorted(clutches, key=lambda c: -c.laid_ms)
    ]
    return pages.render(
        request,
        "clutches.html",
        open_ones=[r for r in rows if ended_ms(r[0]) is None],
        ended=[r for r in rows if ended_ms(r[0]) is not None],
    )


ROUTES: Final[list[BaseRoute]] = [Route("/clutches", clutches_page), Route("/clutch/{clutch}", clutch_page)]
