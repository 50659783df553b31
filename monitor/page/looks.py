"""What one looks at now and then: what is to be done, the probes, a stack by height, messages that cannot be read."""

from __future__ import annotations

from typing import Final
from urllib.parse import quote

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.notices.tasks import day_of, tasks
from monitor.page.pages import pages_of
from monitor.telling.drawing.page_stack import svg_page_stack
from monitor.telling.places import stack_named
from monitor.telling.probes import (
    BATTERY_HEAD,
    PROBE_HEAD,
    battery_rows,
    hearing_words,
    level_lines,
    probe_row,
    probes_known,
)
from monitor.telling.stacks import (
    LEVEL_HEAD,
    advice_lines,
    heater_words,
    level_rows,
    lots_in_stack_lines,
    profile_lines,
    scene_of,
    silent_lines,
    span_words,
    stack_seen,
)
from monitor.telling.todo import task_rows
from monitor.telling.unread import plain

TASK_DAYS: Final = 14
HOURS: Final = (6, 24, 72, 168)
UNREAD_SHOWN: Final = 20
MOST_LINES: Final = 36
"""So many sentences on the eggs of a stack, and so many with advice: one for each of them fills no page."""


def task_way(task_id: str) -> str:
    """Where a task is seen to: the question of what was done, or the page of what it is about."""
    what, _, rest = task_id.partition("/")
    of, about = rest.rpartition("/")[0], rest.partition("/")[0]
    if what == "compare":
        return f"/stack/{quote(about, safe='')}"
    if what in ("look", "candle"):
        box = f"/box/{quote(of.partition('/')[2].partition('#')[0], safe='')}"
        return box if what == "look" else f"{box}/enter/candled"
    if what in ("weigh", "water"):
        return f"/box/{quote(of, safe='')}/enter/{'weighed' if what == 'weigh' else 'watered'}"
    clutch = f"/clutch/{quote(about, safe='')}"
    return f"{clutch}/enter/{what}" if what in ("shed", "fed") else clutch


def tasks_page(request: Request) -> Response:
    """What is to be done within two weeks, and what was done lately."""
    pages = pages_of(request)
    snapshot = pages.room.last()
    if snapshot is None:
        return pages.render(request, "no_round.html")
    today = day_of(snapshot.now_ms, pages.room.zone)
    found = tasks(snapshot, TASK_DAYS)
    still = [t for t in found if t.done_ms is None]
    mind = {t.says.split(" ")[0]: t.more for t in still if t.more and t.state(today) != "coming"}
    return pages.render(
        request,
        "tasks.html",
        snapshot=snapshot,
        rows=task_rows(still, today),
        ways={t.says: task_way(t.id) for t in still},
        mind=mind,
        done=[(t.says, pages.when(t.done_ms)) for t in found if t.done_ms is not None],
        days=TASK_DAYS,
    )


def probes_page(request: Request) -> Response:
    """Every probe with its health, batteries, and what could not be read."""
    pages = pages_of(request)
    now_ms = pages.room.now_ms()
    with pages.room.working_out() as room:
        known = probes_known(room, now_ms)
        sources = room.store.unread.sources()[:UNREAD_SHOWN]
    unread = [(plain(s.topic), s.probe or "-", str(s.n), pages.when(s.last_ms), plain(s.reason, 200)) for s in sources]
    troubled = [x for x in known.probes if x.told_of or hearing_words(x, now_ms) != "well"]
    ordered = [*troubled, *(x for x in known.probes if x not in troubled)]
    return pages.render(
        request,
        "probes.html",
        head=PROBE_HEAD,
        rows=[probe_row(x, pages.room, now_ms) for x in ordered],
        troubled=len(troubled),
        battery_head=BATTERY_HEAD,
        batteries=battery_rows(known.batteries, now_ms),
        levels=level_lines(known.levels, pages.room.unit),
        never=known.never_compared if len(known.never_compared) > 1 else [],
        unread=unread,
    )


def stack_page(request: Request) -> Response:
    """A stack by height, with its uncertainty, what it costs in days, and what would mend it."""
    pages = pages_of(request)
    snapshot = pages.room.last()
    if snapshot is None:
        return pages.render(request, "no_round.html")
    name = stack_named(pages.room.settings.room, request.path_params["stack"])
    asked = request.query_params.get("hours", "24")
    hours = int(asked) if asked in {str(h) for h in HOURS} else 24
    with pages.room.working_out() as room:
        # Each level is read by itself: what the round has in memory of all probes is not loaded once more.
        room.derived.readings.follow_corrections()
        seen = stack_seen(room, snapshot, name, snapshot.now_ms, float(hours))
    profile = seen.profile
    lines = [] if profile is None else [*profile_lines(profile, pages.room), *lots_in_stack_lines(seen, pages.room)]
    advice = [] if profile is None else advice_lines(seen, pages.room, snapshot.now_ms)
    return pages.render(
        request,
        "stack.html",
        snapshot=snapshot,
        stack=name,
        hours=hours,
        choices=HOURS,
        span="" if profile is None else span_words(seen, profile, pages.room),
        silent=silent_lines(seen, pages.room, snapshot.now_ms),
        head=LEVEL_HEAD,
        rows=[] if profile is None else level_rows(seen, profile, pages.room),
        drawn=None if profile is None else Markup(svg_page_stack(scene_of(seen), pages.room.unit)),  # noqa: S704
        lines=lines[:MOST_LINES],
        advice=advice[:MOST_LINES],
        more=max(len(lines) - MOST_LINES, 0) + max(len(advice) - MOST_LINES, 0),
        heater=heater_words(seen, pages.room),
    )


ROUTES: Final[list[BaseRoute]] = [
    Route("/tasks", tasks_page),
    Route("/probes", probes_page),
    Route("/stack/{stack}", stack_page),
]
