"""The room at another moment: the picture of the first page, with what was known then."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.terms.times import DAY_MS
from monitor.errors import UsageError
from monitor.page.home import in_words
from monitor.page.pages import pages_of
from monitor.page.picture import RoomDrawn
from monitor.telling.times_told import time_told

STEPS: Final = {"week_before": -7, "day_before": -1, "day_after": 1, "week_after": 7}
# What the picture says of now.
THEN: Final = {"picture.today": "at.that_day", "picture.now": "at.then"}


def moment_page(request: Request) -> Response:
    """``?at=``: the moment, by the room's clock; a day before now when left out."""
    pages = pages_of(request)
    zone, now_ms = pages.room.zone, pages.room.now_ms()
    at_ms, wrong = now_ms - DAY_MS, ("", "")
    told = request.query_params.get("at", "")[:60]
    if told:
        try:
            at_ms, _ = time_told(told.replace("T", " ", 1), zone, now_ms)
            if at_ms > now_ms:
                raise UsageError(pages.say("at.to_come"), fix=pages.say("at.up_to_now"))
        except UsageError as error:
            at_ms, wrong = now_ms - DAY_MS, (error.what, error.fix)
    # To the minute that stands in the form, so that its own moment is found again.
    at_ms -= at_ms % 60_000
    with pages.room.working_out() as room:
        snapshot = room.as_of(at_ms).picture(at_ms)

    def say(key: str, /, **places: object) -> str:
        return pages.picture.say(THEN.get(key, key), **places)

    return pages.render(
        request,
        "moment.html",
        say=say,
        picture=RoomDrawn.of(snapshot, say, linked=False),
        enters=False,
        **in_words(request, at=stepped(at_ms, 0, zone, now_ms)),
        shown=pages.dated(at_ms),
        typed=datetime.fromtimestamp(at_ms / 1000, zone).strftime("%Y-%m-%dT%H:%M"),
        latest=datetime.fromtimestamp(now_ms / 1000, zone).strftime("%Y-%m-%dT%H:%M"),
        steps=[(key, step) for key, days in STEPS.items() if (step := stepped(at_ms, days, zone, now_ms))],
        silent=not any(box.at_ms is not None for box in snapshot.boxes),
        wrong=wrong,
    )


def stepped(at_ms: int, days: int, zone: tzinfo, now_ms: int) -> str:
    """So many days away at the same time of day, with its offset; empty for what is still to come."""
    here = datetime.fromtimestamp(at_ms / 1000, zone)
    there = (here.replace(tzinfo=None) + timedelta(days=days)).replace(tzinfo=zone)
    return "" if there.timestamp() * 1000 > now_ms else there.isoformat(" ", "minutes")


ROUTES: Final[list[BaseRoute]] = [Route("/at", moment_page)]
