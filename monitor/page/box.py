"""A box: now, what is likely to be entered, the forecast in words, its course, and what was told of it."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.season.figures import BoxSeason
from monitor.core.terms.events import KeeperEvent
from monitor.core.terms.formats import show_range, show_temperature, show_time
from monitor.core.terms.projection import effective
from monitor.core.terms.settings import Box
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.page.eggs import eggs_in
from monitor.page.entry_words import entry_said
from monitor.page.pages import pages_of
from monitor.page.room import PageRoom
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.course_plot import MOST_EVENTS, in_figures
from monitor.telling.drawing.page_course import NARROW, WIDE, svg_page_course
from monitor.telling.drawing.time_frame import day_and_time
from monitor.telling.places import box_named
from monitor.values import dataclass

SPANS_H: Final = {"hour": 1, "day": 24, "week": 7 * 24, "month": 30 * 24, "season": 0}
"""Spans to look back over, in hours; the season's: since the oldest eggs in the box were set."""
LONGEST_MS: Final = 400 * DAY_MS
LATELY: Final = 4
"""So many of the newest entries can be put right where they were made."""


@dataclass(frozen=True)
class BoxFigures:
    """The figures of a box now, in words; ``value`` is empty where there is none of now. ``beyond``: "too_warm" or
    "too_cool" where it is at a limit or past it."""

    value: str
    beside: tuple[str, ...]
    limits: str
    humidity: str
    last: str
    beyond: str

    @classmethod
    def of(cls, box: BoxNow, snapshot: Snapshot, room: PageRoom) -> BoxFigures:
        """``last`` stands where nothing so new is known that it may be called that of now."""
        now_c, age_s = box.current_c(snapshot.now_ms), box.age_s(snapshot.now_ms)
        told = box.current(snapshot.now_ms, room.unit).split(", ")
        beside = []
        if now_c is not None:
            beside = [f"± {2.0 * box.uncertainty_c * (1.8 if room.unit == 'F' else 1.0):.1f}", *told[1:]]
        last = ""
        if now_c is None and box.now_c is not None and box.at_ms is not None:
            last = f"{show_temperature(box.now_c, room.unit)}, {show_time(box.at_ms, room.zone, snapshot.now_ms)}"
        ends = [box.limits.too_cool_c, box.limits.too_warm_c]
        limits = " to ".join("-" if c is None else show_temperature(c, room.unit) for c in ends)
        if ends[0] is not None and ends[1] is not None:
            limits = show_range(round(ends[0], 2), round(ends[1], 2), room.unit)
        humid = f"{box.humidity_pct:.0f} %" if box.humidity_pct is not None and age_s is not None else ""
        beyond = "too_warm" if ends[1] is not None and now_c is not None and now_c >= ends[1] else ""
        beyond = "too_cool" if ends[0] is not None and now_c is not None and now_c <= ends[0] else beyond
        return cls(told[0], tuple(beside), limits, humid, last, beyond)


def box_of(request: Request, snapshot: Snapshot) -> BoxNow:
    """The box that an address names. Raises UnknownSubject."""
    wanted = box_named(snapshot.room, request.path_params["box"])
    return next(b for b in snapshot.boxes if b.box.id == wanted.id)


def box_page(request: Request) -> Response:
    """``?span=``: how far its course goes back."""
    pages = pages_of(request)
    snapshot = pages.room.last()
    if snapshot is None:
        return pages.render(request, "no_round.html")
    box = box_of(request, snapshot)
    span = request.query_params.get("span", "day")
    span = span if span in SPANS_H else "day"
    lots = [lot for lot in snapshot.lots if lot.lot.id in box.occupied_by]
    oldest_ms = min((lot.lot.path[0].from_ms for lot in lots), default=snapshot.now_ms - 90 * DAY_MS)
    with pages.room.at_hand() as room:
        x = _course(room, box.box, _from_ms(span, oldest_ms, snapshot.now_ms), snapshot.now_ms)
        lately = entered_lately(room.store.account.events(), box.box.id, {lot.clutch.id for lot in lots})
    title = f"{box.box.id}: {pages.say(f'box.span_{span}')}"
    drawn = [Markup(svg_page_course(x, room.zone, room.unit, title, width=w, said=pages.short)) for w in (NARROW, WIDE)]  # noqa: S704
    return pages.render(
        request,
        "box.html",
        snapshot=snapshot,
        box=box,
        now=BoxFigures.of(box, snapshot, pages.room),
        eggs=eggs_in(box.box.id, snapshot, pages.room),
        lately=[(e.id, pages.when(e.at_ms), entry_said(pages, e, dated=False)) for e in lately],
        span=span,
        spans=tuple(SPANS_H),
        drawn=drawn,
        figures=in_figures(x, room.zone, room.unit),
        events=[(day_and_time(at, room.zone), what) for at, what in x.events][-MOST_EVENTS:],
        first_event=max(len(x.events) - MOST_EVENTS, 0) + 1,
    )


def entered_lately(events: Iterable[KeeperEvent], box: str, clutches: Collection[str]) -> list[KeeperEvent]:
    """What was told of a box last, the newest first; of ``clutches`` also what names no box."""

    def here(e: KeeperEvent) -> bool:
        named = e.box.rpartition("/")[2].partition("#")[0]
        return box in (named, e.to_box) or (not named and e.clutch in clutches)

    told = sorted((e for e in effective(events) if here(e)), key=lambda e: -e.id)
    return told[:LATELY]


def _from_ms(span: str, oldest_ms: int, now_ms: int) -> int:
    hours = SPANS_H[span]
    return max(oldest_ms, now_ms - LONGEST_MS) if not hours else now_ms - hours * HOUR_MS


def _course(room: RoomAtHand, box: Box, from_ms: int, to_ms: int) -> BoxSeason:
    # Of a command's start this is none of the work; of the service's it is loaded once.
    from monitor.derived.courses import course_of
    from monitor.derived.season import Seasons

    seasons = Seasons(room.store, room.settings.room, room.derived)
    return course_of(seasons, box, min(from_ms, to_ms - HOUR_MS), to_ms)


ROUTES: Final[list[BaseRoute]] = [Route("/box/{box}", box_page)]
