"""What the boxes of a room were like, on the overview's page: out of the database that the room ships to."""

from __future__ import annotations

import threading
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from monitor.adapters.history import HistoryStep, RoomHistory
from monitor.core.terms.formats import show_range, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import DAY_MS
from monitor.errors import MonitorError
from monitor.page.pages import pages_of
from monitor.page.rooms.pages import RoomsShown

SPANS_DAYS: Final = (1, 7, 30)
MOST_BOXES: Final = 100
ANSWER_S: Final = 3.0
"""Of each question: a page may not wait long for a program that is not ours."""
_turn = threading.Lock()


def history_page(request: Request) -> Response:
    """Mean, lowest and highest of each box over the last day, week and month."""
    seen = request.app.state.seen
    shown = RoomsShown(pages_of(request), seen)
    room = shown.now.room(f"{request.path_params['broker']}/{request.path_params['room']}")
    place = seen.settings.history
    if room is None or place is None:
        raise HTTPException(404)
    spans: list[dict[str, HistoryStep]] = []
    trouble = ""
    # One at a time: a database that hangs holds up one page, and no more of them.
    if _turn.acquire(timeout=ANSWER_S):
        try:
            history = RoomHistory(place, room.id, ANSWER_S)
            spans = [history.boxes(seen.now_ms() - days * DAY_MS, seen.now_ms()) for days in SPANS_DAYS]
        except MonitorError as error:
            trouble = error.what
        finally:
            _turn.release()
    else:
        trouble = shown.pages.say("rooms.history_busy")
    boxes = sorted({box for span in spans for box in span})
    unit = shown.pages.room.unit
    return shown.pages.render(
        request,
        "rooms_history.html",
        changed_ms=seen.changed_ms,
        looked_ms=shown.now.at_ms,
        shown=shown.room(room),
        days=SPANS_DAYS,
        rows=[(box, *(_told(span.get(box), unit) for span in spans)) for box in boxes[:MOST_BOXES]]
        if not trouble
        else [],
        rows_more=max(0, len(boxes) - MOST_BOXES),
        trouble=trouble,
    )


def _told(x: HistoryStep | None, unit: DisplayUnit) -> str:
    return "-" if x is None else f"{show_temperature(x.mean, unit)} ({show_range(x.low, x.high, unit)})"
