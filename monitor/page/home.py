"""The room at a glance: what needs a hand, the one picture, and the same in words."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.page.notices import boxes_named, needed_said
from monitor.page.pages import pages_of
from monitor.telling.hand import LOOKED_BACK, needed

MOST_NEEDS: Final = 6
"""So many kinds of what needs a hand stand above the picture; the others are counted, and stand with the notices."""
WORDS: Final = "words"


def in_words(request: Request, **places: str) -> dict[str, Any]:
    """Whether a room is told in words where picture and words are too much for one page (``?as=words``), and where both
    are. ``places``: what else the address has."""
    path = request.url.path
    at = {
        name: f"{path}?{urlencode(told)}" if told else path
        for name, told in (("picture_at", places), ("words_at", {**places, "as": WORDS}))
    }
    return {"words": request.query_params.get("as") == WORDS, **at}


def room_page(request: Request) -> Response:
    """The first page."""
    pages = pages_of(request)
    snapshot = pages.room.last()
    if snapshot is None:
        return pages.render(request, "no_round.html")
    with pages.room.at_hand() as room:
        notices = room.store.ledger.notices(LOOKED_BACK)
        # An answer just given shows, though no round has been since.
        true = needed(room.store.ledger.conditions().values(), notices)
    needs = [(x, needed_said(x, pages), boxes_named(x.subjects, room.settings.room)) for x in true]
    picture = pages.picture.of(snapshot)
    return pages.render(
        request,
        "room.html",
        snapshot=snapshot,
        needs=needs,
        picture=picture,
        enters=True,
        most_needs=MOST_NEEDS,
        **in_words(request),
    )


def more_page(request: Request) -> Response:
    """Everything that has no place at the foot of each page."""
    return pages_of(request).render(request, "more.html")


ROUTES: Final[list[BaseRoute]] = [Route("/", room_page), Route("/more", more_page)]
