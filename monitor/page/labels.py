"""Labels: which boxes and clutches, on which paper, and the sheets to print."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.core.terms.balance import ended_ms
from monitor.errors import UsageError
from monitor.page.pages import pages_of
from monitor.telling.drawing.label_sheet import Sheet, page_of, sheets, style_of
from monitor.telling.labels import KNOWN, PAPER, USUAL_SIZE, labels_of, page_address, sheet_of

STYLE_AT: Final = "/labels/print.css"
SHEETS: Final = (
    *USUAL_SIZE.items(),
    *(
        (paper, f"{width:g}x{height:g}")
        for paper, width, height in KNOWN
        if f"{width:g}x{height:g}" != USUAL_SIZE[paper]
    ),
)
"""Paper and label size (mm) to choose from; an address may name another."""
MOST: Final = 120
"""So many labels at once: some seconds of work, and a page that a telephone still shows (judgement, no source)."""


def labels_page(request: Request) -> Response:
    """What to print, and on what."""
    pages = pages_of(request)
    with pages.room.at_hand() as room:
        clutches = [c for c in room.store.account.clutches().values() if ended_ms(c) is None]
        address = page_address(room)
    choices = sorted(SHEETS, key=lambda s: (tuple(USUAL_SIZE).index(s[0]), s != (s[0], USUAL_SIZE[s[0]])))
    return pages.render(
        request,
        "labels.html",
        clutches=[(c.id, c.species) for c in sorted(clutches, key=lambda c: -c.laid_ms)],
        boxes=[(b.id, b.stack) for b in pages.room.settings.room.boxes],
        sheets=choices,
        address=address,
        most=MOST,
    )


def sheet_asked(told: Mapping[str, str]) -> tuple[str, Sheet]:
    """The sheet that an address names, as "a4 70x37". Raises UsageError."""
    name = " ".join(told.get("sheet", "a4").split())[:60]
    paper, _, size = name.partition(" ")
    if paper not in (*PAPER, "label"):
        raise UsageError(f"{paper[:20]!r} is no paper", fix=f"one of: {', '.join((*PAPER, 'label'))}")
    return name, sheet_of(paper, size or USUAL_SIZE[paper])


def print_labels(request: Request) -> Response:
    """The sheets, each a page of its size. ``?what=`` any number of times; ``boxes=1``: all boxes; ``first=``: the
    place of a used sheet to begin at; ``frames=1``: lines to cut along."""
    pages, told = pages_of(request), request.query_params
    name, sheet = sheet_asked(told)
    first = told.get("first", "") or "1"
    if not (first.isascii() and first.isdecimal() and 1 <= int(first[:6]) <= sheet.places):
        raise UsageError(f"a page has no place {first[:20]!r}", fix=f"1 to {sheet.places}")
    what = [x[:200] for x in dict.fromkeys(told.getlist("what"))]
    if len(what) > MOST:
        raise UsageError(f"{len(what)} labels at once are too many", fix=f"{MOST} at most")
    with pages.room.working_out() as room:
        labels = labels_of(room, pages.room.now_ms(), what, boxes=told.get("boxes") == "1")
    if len(labels) > MOST:
        raise UsageError(
            f"{len(labels)} labels at once are too many", fix=f"choose some boxes or clutches: {MOST} at most"
        )
    drawn = sheets(labels, sheet, int(first), frames=told.get("frames") == "1")
    return HTMLResponse(page_of(drawn, sheet, f"{STYLE_AT}?{urlencode({'sheet': name})}"))


def print_style(request: Request) -> Response:
    """The size of the paper; a page of this server may not bring it along."""
    return Response(style_of(sheet_asked(request.query_params)[1]), media_type="text/css")


ROUTES: Final[list[BaseRoute]] = [
    Route("/labels", labels_page),
    Route("/labels/print", print_labels),
    Route(STYLE_AT, print_style),
]
