"""What if: when the eggs of a clutch would pip if they were so warm from now on. Nothing is set by it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.development.lots import LotNow
from monitor.core.development.plans import Plan
from monitor.core.terms.formats import name_eggs, show_bare, show_temperature
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange, UsageError
from monitor.page.pages import Pages, pages_of
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.boxes import window_words
from monitor.telling.clutches import clutch_named
from monitor.telling.drawing.page_set_points import svg_page_set_points
from monitor.telling.forecast import CAUTION, expected_lines
from monitor.telling.what_if import set_points_of_all, survivable, why_past
from monitor.values import dataclass

MOST_LOTS: Final = 8
_NUMBER: Final = re.compile(r"-?[0-9]{1,3}(?:[.,][0-9]{1,2})?")
COLDEST_C, WARMEST_C = 0.0, 60.0


@dataclass(frozen=True)
class IfSo:
    """Eggs in a box: their window as it is now and as it would be, what is said of that, or why nothing moves it."""

    name: str
    now: str
    then: str
    said: tuple[str, ...]
    past: str
    drawn: str


def what_if_page(request: Request) -> Response:
    """``?t=``: the temperature by the slider, ``?n=``: the same as a number; the one that differs from ``?was=``, which
    both showed, counts."""
    pages = pages_of(request)
    now_ms = pages.room.now_ms()
    wrong: tuple[str, ...] = ()
    asked, reach = None, None
    planned: list[LotNow] = []
    with pages.room.working_out() as room:
        clutch = clutch_named(room.store.account.clutches(now_ms), request.path_params["clutch"][:200])
        lots = [x for x in room.derived.lots(now_ms, clutch=clutch.id) if x.lot.open and x.lot.eggs][:MOST_LOTS]
        curve = room.derived.book.of(clutch.species).curve
        if lots and curve is not None:
            reach = curve.low_c, curve.high_c
            try:
                asked = asked_c(request.query_params, pages)
                planned = [] if asked is None else _planned(lots, room, now_ms, asked)
            except (UsageError, ModelOutOfRange) as error:
                wrong, asked = (error.what, error.fix), None
        found = _if_so(lots, room, now_ms, asked, planned)
    unit = pages.room.unit
    start_c = next((x.ahead.temperature_c for x in lots if x.ahead is not None), None)
    start_c = start_c if start_c is not None else (sum(reach) / 2 if reach else 0.0)
    return pages.render(
        request,
        "what_if.html",
        clutch=clutch,
        eggs=found,
        asked="" if asked is None else show_temperature(asked, unit),
        wrong=wrong,
        typed=_shown(start_c if asked is None else asked, unit),
        low="" if reach is None else _shown(reach[0], unit),
        high="" if reach is None else _shown(reach[1], unit),
        step="0.5" if unit == "C" else "1",
        caution=CAUTION,
    )


def asked_c(told: Mapping[str, str], pages: Pages) -> float | None:
    """The temperature that was asked for; None where none was. Raises UsageError."""
    was = told.get("was", "")
    texts = [t for name in ("n", "t") if (t := " ".join(told.get(name, "").split())[:40])]
    if not texts:
        return None
    text = next((t for t in texts if t != was), texts[0])
    unit = pages.room.unit
    if _NUMBER.fullmatch(text):
        value = float(text.replace(",", "."))
        celsius = value if unit == "C" else (value - 32.0) / 1.8
        if COLDEST_C <= celsius <= WARMEST_C:
            return celsius
    ends = " to ".join(show_bare(c, unit) for c in (COLDEST_C, WARMEST_C))
    raise UsageError(pages.say("what_if.no_number", asked=text[:20], reach=f"{ends} °{unit}"))


def _shown(celsius: float, unit: DisplayUnit) -> str:
    """As a form has it: a point, no unit, steps of half a degree or of one °F."""
    return f"{round(celsius * 2) / 2:g}" if unit == "C" else f"{celsius * 1.8 + 32.0:.0f}"


def _plan(asked: float, room: RoomAtHand) -> Plan:
    return Plan(Plan.constant(asked).steps, label=show_temperature(asked, room.unit))


def _planned(lots: list[LotNow], room: RoomAtHand, now_ms: int, asked: float) -> list[LotNow]:
    """The lots of a clutch as they would be. Raises UsageError and ModelOutOfRange for what gives no date."""
    clutch = lots[0].clutch
    survivable(Plan.constant(asked), clutch.species, room)
    return room.derived.lots(now_ms, plan=_plan(asked, room), clutch=clutch.id)


def _if_so(lots: list[LotNow], room: RoomAtHand, now_ms: int, asked: float | None, planned: list[LotNow]) -> list[IfSo]:
    movable = [x for x in lots if not why_past(x, now_ms)]
    points = set_points_of_all(movable, room, now_ms)
    plan = None if asked is None else _plan(asked, room)
    found = []
    for x in lots:
        name = name_eggs(x.lot.id)
        then = next((y for y in planned if y.lot.id == x.lot.id), None) if x in movable else None
        windows = [(c, y.first_pip.window) for c, y in points.get(x.lot.id, []) if y.first_pip is not None]
        drawn = svg_page_set_points(windows, name, room.zone, room.unit) if windows else ""
        said = [] if then is None else expected_lines(then, room, now_ms, plan=plan)
        found.append(
            IfSo(
                name,
                window_words(x, room),
                "" if then is None else window_words(then, room),
                tuple(line.strip() for line in said),
                why_past(x, now_ms) or ("" if windows else x.refused),
                Markup(drawn),  # noqa: S704
            )
        )
    return found


ROUTES: Final[list[BaseRoute]] = [Route("/what-if/{clutch}", what_if_page)]
