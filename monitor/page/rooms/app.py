"""The app of an overview, on the same frame as a room's page: its guard, its door, its looks, its words."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from starlette.applications import Starlette
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from monitor.adapters.mqtt.rooms_seen import RoomsSeen
from monitor.config.overview_file import room_of_overview
from monitor.config.reach import is_local, reached_from_elsewhere
from monitor.core.terms.settings import OverviewSettings, PagePlace
from monitor.page import phone, sign_in
from monitor.page.app import framed
from monitor.page.live import PATH
from monitor.page.pages import STATIC, Pages
from monitor.page.room import LatestRound, PageRoom
from monitor.page.rooms import pages
from monitor.page.rooms.history import history_page
from monitor.page.server import PageServer

log = logging.getLogger("warmtally.page")


def build_rooms(seen: RoomsSeen, *, language: str = "en") -> Starlette:
    """Raises StoreError where nobody could be let in for want of a secret."""
    room = PageRoom(room_of_overview(seen.settings), seen.now_ms, LatestRound(), waits_s=0)
    past = Route("/room/{broker}/{room}/history", history_page)
    routes = [*pages.ROUTES, past, *phone.ICONS, *sign_in.ROUTES, Mount("/static", StaticFiles(directory=STATIC))]
    app = framed(Pages(room, language, "rooms"), routes)
    app.state.seen = seen
    return app


@contextmanager
def serve_rooms(settings: OverviewSettings, now_ms: Callable[[], int]) -> Iterator[Callable[[], None]]:
    """The page for as long as it is wanted; what is given has to be called now and then. Raises ConfigError and
    StoreError."""
    place = settings.page or PagePlace()
    seen = RoomsSeen(settings, now_ms, keep=True)
    app = build_rooms(seen, language=place.language)
    server = PageServer(
        place.listen,
        app,
        address=place.address,
        streams={PATH},
        # Others get to a page of this computer alone by a proxy on it, which says for whom it asks.
        proxy={"127.0.0.1", "::1"} if is_local(place.listen[0]) and reached_from_elsewhere(place) else (),
        failing=app.state.pages.refused,
    )
    seen.open()
    server.start()
    log.info("the overview is served at %s", place.here)
    try:
        yield server.tend
    finally:
        server.stop()
        seen.close()
