"""The state of the room and of each box, for displays and other programs that hear it at the broker."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from monitor import __version__
from monitor.core.development.lots import LotNow
from monitor.core.notices.answers import asks
from monitor.core.notices.codes import OVERVIEW, make
from monitor.core.notices.conditions import Condition
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.rooms.said import (
    FORM,
    LONGEST_ADDRESS,
    LONGEST_FIRST,
    LONGEST_TITLE,
    MOST_LOTS,
    MOST_NEEDS,
    MOST_SUBJECTS,
    one_line,
)
from monitor.core.terms.formats import show_temperature
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import HOUR_MS
from monitor.telling.as_json import rounded, utc
from monitor.telling.boxes import window_words
from monitor.telling.hand import Needed, hand_json

if TYPE_CHECKING:
    from monitor.telling.forms_state import BoxState, CodesState, EggsState, NeedState, RoomState

MOST_BOXES: Final = 100
"""So many are named in the room's own message, which stays small; each box has its topic all the same."""


def room_state(snapshot: Snapshot, needs: Sequence[Needed], settings: Settings, *, by_code: bool = False) -> RoomState:
    """``needs``: as they stand above whatever is shown of the room. ``by_code``: the codes are said as well."""
    newest_ms, answers = snapshot.newest_ms, settings.answers
    page = "" if settings.page is None else settings.page.address
    by_number = answers is not None and answers.bare_numbers
    return {
        "v": FORM,
        "as_of": utc(snapshot.now_ms),
        "version": __version__,
        "room": snapshot.room.name,
        "unit": snapshot.unit,
        "newest_reading_at": utc(newest_ms),
        "newest_reading_age_s": None if newest_ms is None else max(snapshot.now_ms - newest_ms, 0) / 1000,
        "needs": [_need(x) for x in needs[:MOST_NEEDS]],
        "needs_in_all": len(needs),
        "boxes": [box.box.id for box in snapshot.boxes[:MOST_BOXES]],
        "boxes_in_all": len(snapshot.boxes),
        "zone": snapshot.room.zone,
        "page": page if 0 < len(page) <= LONGEST_ADDRESS else None,
        "answers": "code" if by_code else "number" if by_number else None,
    }


def _need(x: Needed) -> NeedState:
    told = x.told
    return {
        **hand_json(x),
        "subjects": list(x.subjects[:MOST_SUBJECTS]),
        "subjects_in_all": len(x.subjects),
        "title": None if told is None else one_line(told.title, LONGEST_TITLE),
        "first": one_line(x.first, LONGEST_FIRST) or None,
        "told": None if told is None else told.id,
        "answered_by": one_line(told.answer, LONGEST_TITLE) or None
        if told is not None and x.state == "answered"
        else None,
        "answered_at": utc(told.answered_ms) if told is not None and x.state == "answered" else None,
    }


def codes_state(needs: Sequence[Needed], secret: bytes, now_ms: int) -> CodesState:
    """The codes with which an overview answers: of those needs that are said, as long as nobody has."""
    open_ones = {n.id: n for x in needs[:MOST_NEEDS] if (n := x.notice) is not None and asks(n)}
    return {
        "v": FORM,
        "as_of": utc(now_ms),
        "codes": {str(number): make(secret, number, OVERVIEW, n.at_ms) for number, n in open_ones.items()},
    }


def box_state(box: BoxNow, snapshot: Snapshot, conditions: Iterable[Condition]) -> BoxState:
    """Without a temperature of now the last one stands under its own key with its time."""
    now_c = box.current_c(snapshot.now_ms)
    lots = {lot.lot.id: lot for lot in snapshot.lots}
    return {
        "v": FORM,
        "as_of": utc(snapshot.now_ms),
        "box": box.box.id,
        "stack": box.box.stack,
        "height_cm": box.box.height_cm,
        "temperature_c": rounded(now_c, 2),
        "temperature_at": None if now_c is None else utc(box.at_ms),
        "uncertainty_c": None if now_c is None else rounded(box.uncertainty_c, 2),
        "estimated": bool(box.estimated),
        "last_c": rounded(box.now_c, 2),
        "last_at": utc(box.at_ms),
        "humidity_pct": rounded(box.humidity_pct, 1),
        "too_cool_c": rounded(box.limits.too_cool_c, 2),
        "too_warm_c": rounded(box.limits.too_warm_c, 2),
        "shown": "no reading" if now_c is None else show_temperature(now_c, snapshot.unit),
        "conditions": sorted(c.kind for c in conditions if c.up and c.subject == box.box.id),
        "eggs": [_eggs(lots[name], snapshot) for name in box.occupied_by[:MOST_LOTS]],
    }


def _eggs(lot: LotNow, snapshot: Snapshot) -> EggsState:
    window = lot.first_pip.window if lot.first_pip is not None else None
    silence = lot.first_pip.silence if lot.first_pip is not None else None
    late = silence is not None and lot.first_pip is not None and snapshot.now_ms >= lot.first_pip.open_window.p10_ms
    return {
        "lot": lot.lot.id,
        "species": lot.clutch.species,
        "eggs": lot.lot.eggs,
        "waiting": lot.lot.waiting,
        "pipped": lot.lot.pipped,
        "development_pct": None if lot.past is None else rounded(100 * lot.past.development, 1),
        "first_pip": None
        if window is None
        else {"p10": _hour(window.p10_ms), "p50": _hour(window.p50_ms), "p90": _hour(window.p90_ms)},
        "wait_until": _hour(silence.wait_until_ms) if silence is not None and late else None,
        "shown": window_words(lot, snapshot),
    }


def _hour(at_ms: int) -> str:
    """To the hour: a window is days wide, and moves by seconds at each reading."""
    return utc((at_ms + HOUR_MS // 2) // HOUR_MS * HOUR_MS)
