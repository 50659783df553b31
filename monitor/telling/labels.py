"""Labels for boxes and clutches: what stands on each, and the sheets that they are printed on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from monitor.core.development.lots import LotNow
from monitor.core.terms.events import Clutch
from monitor.core.terms.formats import show_date, show_eggs, show_time
from monitor.core.terms.settings import Box
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.drawing.label_sheet import Label, Sheet

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand

# Width and height of paper, mm (ISO 216; ANSI/ASME Y14.1 for "letter").
PAPER: Final = {"a4": (210.0, 297.0), "a5": (148.0, 210.0), "letter": (215.9, 279.4)}
# Sheets whose labels do not lie edge to edge in the middle, by their millimetres (common practice, no source).
KNOWN: Final = {
    ("a4", 63.5, 38.1): Sheet(210.0, 297.0, 63.5, 38.1, 7.2, 15.1, 66.0, 38.1, 3, 7),
    ("a4", 99.1, 38.1): Sheet(210.0, 297.0, 99.1, 38.1, 4.6, 15.1, 101.7, 38.1, 2, 7),
    ("a4", 63.5, 33.9): Sheet(210.0, 297.0, 63.5, 33.9, 7.2, 12.9, 66.0, 33.9, 3, 8),
    ("letter", 66.7, 25.4): Sheet(215.9, 279.4, 66.7, 25.4, 4.8, 12.7, 69.9, 25.4, 3, 10),
}
USUAL_SIZE: Final = {"a4": "70x37", "a5": "74x35", "letter": "66.7x25.4", "label": "62x29"}
LEAST_MM, MOST_MM = (25.0, 12.0), (300.0, 300.0)
MOST_LABELS: Final = 2000


def sheet_of(paper: str, size: str) -> Sheet:
    """A page by the name of its paper and the size of its labels. Raises UsageError."""
    found = re.fullmatch(r"([0-9]{1,3}(?:\.[0-9]{1,2})?) ?[x×X*] ?([0-9]{1,3}(?:\.[0-9]{1,2})?)(?: ?mm)?", size.strip())
    if found is None:
        raise UsageError(f"{size[:40]!r} is no size of a label", fix="write width x height in mm: --size 62x29")
    width, height = float(found[1]), float(found[2])
    if not (LEAST_MM[0] <= width <= MOST_MM[0] and LEAST_MM[1] <= height <= MOST_MM[1]):
        raise UsageError(
            f"a label of {width:g} x {height:g} mm cannot be made", fix="25 to 300 mm wide, 12 to 300 mm high"
        )
    if paper == "label":
        return Sheet.single(width, height)
    sheet = KNOWN.get((paper, width, height)) or Sheet.filled(*PAPER[paper], width, height)
    if sheet is None:
        raise UsageError(
            f"no label of {width:g} x {height:g} mm fits on {paper}", fix="a smaller --size, or --paper label"
        )
    return sheet


def page_address(room: RoomAtHand) -> str:
    """Under which address its pages are met; empty where none is told."""
    page = room.settings.page
    return page.address.rstrip("/") if page is not None else ""


def code_for(box: str, address: str) -> str:
    """What the code of a box holds: the address of its page, or without one its name."""
    return f"{address}/box/{quote(box, safe='')}" if address else f"warmtally box {box}"


def labels_of(room: RoomAtHand, at_ms: int, what: Sequence[str] = (), *, boxes: bool = False) -> list[Label]:
    """Labels for these clutches and boxes (none named: for the eggs of each clutch in each box); ``boxes``: for each
    box of the room with all that is in it. Raises UnknownSubject, and UsageError where they are too many."""
    clutches = room.store.account.clutches(at_ms)
    known_boxes = {b.id: b for b in room.settings.room.boxes}
    for name in what:
        if name not in clutches and name not in known_boxes:
            known = ", ".join([*clutches, *known_boxes][:30])
            raise UnknownSubject(f"no clutch and no box {name!r}", fix=f"known: {known}")
    lots = [x for x in room.derived.lots(at_ms) if x.lot.open and x.lot.eggs]
    found: list[Label] = []
    for name in what:
        if name in clutches:
            mine = [x for x in lots if x.clutch.id == name]
            found += [_of_eggs(x, room, at_ms) for x in mine] or [_not_in_a_box(clutches[name], room)]
        if name in known_boxes:
            found.append(_of_box(known_boxes[name], lots, room, at_ms))
    if boxes:
        found += [_of_box(b, lots, room, at_ms) for b in known_boxes.values() if b.id not in what]
    if not what and not boxes:
        found = [_of_eggs(x, room, at_ms) for x in lots]
        if not found:
            raise UnknownSubject("no eggs lie in a box", fix="labels of the boxes themselves: warmtally labels --boxes")
    if len(found) > MOST_LABELS:
        raise UsageError(f"{len(found)} labels at once are too many", fix="name some clutches or boxes")
    return found


def _laid(clutch: Clutch, room: RoomAtHand) -> str:
    return f"laid {show_time(clutch.laid_ms, room.zone)[:10]}"


def _species(clutch: Clutch, room: RoomAtHand) -> str:
    """The species' name as people know it, where its profile has one."""
    profile = room.derived.book.of(clutch.species).profile
    return profile.scientific_name if profile is not None else clutch.species


def _window(x: LotNow, room: RoomAtHand) -> str:
    if x.lot.pipped:
        return f"{x.lot.pipped} pipped"
    if x.first_pip is None:
        return "no date yet"
    w = x.first_pip.window
    return f"first pip {show_date(w.p10_ms, room.zone)[4:]} to {show_date(w.p90_ms, room.zone)[4:]}"


def _of_eggs(x: LotNow, room: RoomAtHand, at_ms: int) -> Label:
    """The eggs of a clutch in a box."""
    lines = [
        _species(x.clutch, room),
        f"{_laid(x.clutch, room)}, {show_eggs(x.lot.eggs)}",
        f"box {x.lot.box}",
        _window(x, room),
    ]
    more = (*_parents(x.clutch), _printed(room, at_ms))
    return Label(x.clutch.id, (*lines, *more), code_for(x.lot.box, page_address(room)))


def _printed(room: RoomAtHand, at_ms: int) -> str:
    """A window moves, and paper does not."""
    return f"printed {show_date(at_ms, room.zone)[4:]}"


def _parents(clutch: Clutch) -> tuple[str, ...]:
    """Dam and sire, where they were told."""
    laid = clutch.events[0] if clutch.events else None
    told = [x for x in (laid.dam, laid.sire) if x] if laid is not None else []
    return (" x ".join(told),) if told else ()


def _not_in_a_box(clutch: Clutch, room: RoomAtHand) -> Label:
    eggs = f"{show_eggs(clutch.unplaced)} not set yet" if clutch.unplaced else "no eggs in a box"
    return Label(clutch.id, (_species(clutch, room), f"{_laid(clutch, room)}, {eggs}", *_parents(clutch)))


def _of_box(box: Box, lots: Sequence[LotNow], room: RoomAtHand, at_ms: int) -> Label:
    """A box, with all that lies in it."""
    lines = [f"stack {box.stack}, {box.height_cm:.0f} cm"]
    for x in lots:
        if x.lot.box == box.id:
            lines.append(f"{x.clutch.id}: {show_eggs(x.lot.eggs)}, {_laid(x.clutch, room)}")
            lines += [_species(x.clutch, room), _window(x, room)]
    lines += [_printed(room, at_ms)] if len(lines) > 1 else []
    return Label(box.id, tuple(lines), code_for(box.id, page_address(room)))
