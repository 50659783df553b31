"""The app: which address shows which page, and what becomes of a failure."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from monitor.errors import MonitorError, StoreError, UnknownSubject
from monitor.page import (
    api,
    box,
    devices,
    eggs,
    enter,
    entered,
    home,
    labels,
    live,
    looks,
    moments,
    notices,
    phone,
    seasons,
    sign_in,
    species,
    way,
    what_if,
)
from monitor.page.door import Door, Doors
from monitor.page.pages import STATIC, Pages, pages_of
from monitor.page.problems import PREFIX, problem, problem_of
from monitor.page.room import PageRoom
from monitor.page.texts import LANGUAGES, USUAL

log = logging.getLogger("warmtally.page")


def routes() -> list[BaseRoute]:
    """Every address with what answers there."""
    return [
        *home.ROUTES,
        *box.ROUTES,
        *live.ROUTES,
        *looks.ROUTES,
        *eggs.ROUTES,
        *notices.ROUTES,
        *enter.ROUTES,
        *entered.ROUTES,
        *seasons.ROUTES,
        *species.ROUTES,
        *what_if.ROUTES,
        *moments.ROUTES,
        *labels.ROUTES,
        *devices.ROUTES,
        *phone.ROUTES,
        *sign_in.ROUTES,
        *way.ROUTES,
        Mount("/static", StaticFiles(directory=STATIC)),
    ]


def build(room: PageRoom, *, language: str = "en", more: Iterable[BaseRoute] = ()) -> Starlette:
    """The app of one room. Raises StoreError where nobody could be let in for want of a secret."""
    pages = Pages(room, language if language in LANGUAGES else USUAL)
    app = framed(pages, [*api.routes(room), *more, *routes()])
    app.state.room = room
    return app


def framed(pages: Pages, routes: Sequence[BaseRoute]) -> Starlette:
    """An app with a door before it, and pages for what fails. Raises StoreError for want of a secret."""
    doors = Doors(pages)
    app = Starlette(
        routes=routes,
        middleware=[Middleware(Door, doors=doors)],
        exception_handlers={HTTPException: _refused, MonitorError: _failed, Exception: _broken},  # type: ignore[dict-item]
    )
    app.state.pages, app.state.doors = pages, doors
    return app


async def _refused(request: Request, error: HTTPException) -> Response:
    if request.url.path.startswith(PREFIX):
        return problem(error.status_code, error.detail, headers=error.headers)
    headers = dict(error.headers or {})
    return await run_in_threadpool(pages_of(request).problem, request, error.status_code, headers=headers)


async def _failed(request: Request, error: MonitorError) -> Response:
    """What the program itself refuses or cannot do just now."""
    status = 404 if isinstance(error, UnknownSubject) else 503 if isinstance(error, StoreError) else 409
    if status == 503:
        log.warning("a page could not be made: %s", error.what)
    if request.url.path.startswith(PREFIX):
        return problem_of(error)
    return await run_in_threadpool(pages_of(request).problem, request, status, error)


async def _broken(request: Request, _: Exception) -> Response:
    """A mistake of ours, which the guard before the app writes down."""
    if request.url.path.startswith(PREFIX):
        return problem(500, "this could not be made")
    return await run_in_threadpool(pages_of(request).problem, request, 500)
