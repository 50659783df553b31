"""How a clutch came so far: development box by box, with the windows as they were told on the way, and what pipped."""

from __future__ import annotations

from typing import Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.development.lots import LotNow
from monitor.core.season.figures import ClutchSeason, EggsInBox
from monitor.core.terms.formats import name_eggs, show_developed
from monitor.page.pages import Pages, pages_of
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.clutches import clutch_named
from monitor.telling.drawing.development_picture import development_told, svg_page_development
from monitor.telling.drawing.room_picture import NARROW, WIDE
from monitor.values import dataclass


@dataclass(frozen=True)
class EggsWay:
    """The way of the eggs of a clutch in a box: drawn narrow and wide, and in sentences; ``refused``: why not."""

    name: str
    share: str
    svgs: tuple[Markup, ...]
    told: tuple[str, ...]
    refused: str

    @classmethod
    def of(cls, x: EggsInBox, number: int, lot: LotNow | None, now_ms: int, pages: Pages) -> EggsWay:
        """``lot``: the same as it is now, None where it is not known."""
        zone, say = pages.room.zone, pages.picture.say
        window = lot.first_pip.window if lot is not None and lot.lot.waiting and lot.first_pip is not None else None
        dates = None if window is None else (window.p10_ms, window.p50_ms, window.p90_ms)
        # The drawing has no names in it but numbers and dates, and escapes them.
        svgs = tuple(
            Markup(svg_page_development(x, dates, now_ms, zone, say, width=width, name=f"way-{number}"))  # noqa: S704
            for width in (NARROW, WIDE)
        )
        share = "" if x.development is None else f"{show_developed(x.development, 1)} %"
        return cls(name_eggs(x.lot.id), share, svgs, development_told(x, zone, say), x.refused)


def way_page(request: Request) -> Response:
    """What was told is asked anew as it was known then, which takes a second: so it is a page of its own."""
    pages = pages_of(request)
    snapshot = pages.room.last()
    now_ms = pages.room.now_ms() if snapshot is None else snapshot.now_ms
    with pages.room.at_hand() as room:
        clutch = clutch_named(room.store.account.clutches(), request.path_params["clutch"][:200])
        season = _season(room, clutch.id, now_ms)
    lots = {x.lot.id: x for x in (snapshot.lots if snapshot is not None else ())}
    eggs = season.eggs if season is not None else ()
    ways = [EggsWay.of(x, i, lots.get(x.lot.id), now_ms, pages) for i, x in enumerate(eggs)]
    return pages.render(request, "way.html", clutch=clutch, ways=ways)


def _season(room: RoomAtHand, clutch: str, now_ms: int) -> ClutchSeason | None:
    """A clutch as it was known at a moment; None where it was not known then."""
    from monitor.derived.season import Seasons

    room.derived.follow(now_ms)
    found = room.store.account.clutches(now_ms).get(clutch)
    if found is None:
        return None
    return Seasons(room.store, room.settings.room, room.derived).clutches([found], (), now_ms)[0]


ROUTES: Final[list[BaseRoute]] = [Route("/clutch/{clutch}/way", way_page)]
