"""The room at a glance: what needs a hand, the one picture, and the same in words."""

from __future__ import annotations

from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.page.pages import pages_of


def room_page(request: Request) -> Response:
    """The first page."""
    pages = pages_of(request)
    if pages.room.last() is None:
        return pages.render(request, "no_round.html")
    return pages.render(request, "room.html")


def more_page(request: Request) -> Response:
    """Everything that has no place at the foot of each page."""
    return pages_of(request).render(request, "more.html")


ROUTES: Final[list[BaseRoute]] = [Route("/", room_page), Route("/more", more_page)]
