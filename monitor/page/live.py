"""What a page hears while it is open: that a round has ended, so that it shows the newest; nothing else travels."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Final

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import BaseRoute, Route

from monitor.page.pages import pages_of
from monitor.page.room import PageRoom

PATH: Final = "/live"
LOOK_S: Final = 1.0
SIGN_S: Final = 15.0
"""So often a sign of life at least, by which a page knows that the line still stands."""


async def told(
    room: PageRoom, still: Callable[[], bool] = lambda: True, *, look_s: float = LOOK_S
) -> AsyncIterator[str]:
    """Server-sent events (WHATWG HTML, 9.2): "round" with the time of each new round and of the clock; between them a
    comment. Ends with its reader, and when what it was let in by is no longer ``still`` so."""
    seen, silent_s = -1, SIGN_S
    while still():
        last = room.last()
        if last is not None and last.now_ms != seen:
            seen, silent_s = last.now_ms, 0.0
            data = json.dumps({"round_ms": seen, "now_ms": room.now_ms(), "stale": room.stale()})
            yield f"event: round\ndata: {data}\n\n"
        elif silent_s >= SIGN_S:
            silent_s = 0.0
            data = json.dumps({"round_ms": seen, "now_ms": room.now_ms(), "stale": room.stale()})
            yield f"event: sign\ndata: {data}\n\n"
        await asyncio.sleep(look_s)
        silent_s += look_s


async def live(request: Request) -> Response:
    """The stream."""
    return StreamingResponse(told(pages_of(request).room, request.state.still), media_type="text/event-stream")


ROUTES: Final[list[BaseRoute]] = [Route(PATH, live)]
