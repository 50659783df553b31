"""Labels to print for boxes and clutches: ``warmtally labels``."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Final
from urllib.parse import quote

from monitor.cli.new_file import named, write_text
from monitor.cli.printing import write_pdf, write_png
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.core.development.lots import LotNow
from monitor.core.terms.events import Clutch
from monitor.core.terms.formats import show_date, show_eggs, show_time
from monitor.core.terms.settings import Box
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.label_sheet import Label, Sheet, page_of, sheets

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


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    labels = sub.add_parser(
        "labels",
        parents=[parent],
        help="labels to print for boxes and clutches, each with a code that a telephone reads",
        description="Labels with what lies in a box: clutch, species, laid, eggs, window, and a code with the address "
        "of the box's page (page.address in the room's file); without an address the code holds the box's name.",
        epilog="examples: warmtally labels --out labels.pdf    warmtally labels K01 upper --out two.html    "
        "warmtally labels --boxes --out boxes.pdf    warmtally labels K01 --paper label --size 62x29 --out k01.png",
    )
    labels.add_argument(
        "what", nargs="*", metavar="CLUTCH|BOX", help="these only (default: the eggs of each clutch in each box)"
    )
    labels.add_argument("--boxes", action="store_true", help="a label for each box of the room, with all that is in it")
    labels.add_argument("--out", metavar="FILE", required=True, help="a file .html, .pdf, .svg or .png")
    labels.add_argument(
        "--paper", choices=(*PAPER, "label"), default="a4", help="sheets, or label: one label a page (default: a4)"
    )
    labels.add_argument(
        "--size", metavar="WxH", help="of a label in mm (a4: 70x37, a5: 74x35, letter: 66.7x25.4, label: 62x29)"
    )
    labels.add_argument("--first", type=whole, default=1, metavar="N", help="begin at this place of a used sheet")
    labels.add_argument("--frames", action="store_true", help="with thin lines to cut along")
    labels.set_defaults(run=run_labels)


def run_labels(args: argparse.Namespace) -> int:
    path = named(args.out, ".html", ".htm", ".pdf", ".svg", ".png")
    sheet = sheet_of(args.paper, args.size or USUAL_SIZE[args.paper])
    if not 1 <= args.first <= sheet.places:
        raise UsageError(f"a page has no place {args.first}", fix=f"give --first 1 to {sheet.places}")
    with room_at_hand(args) as room:
        labels = _labels(args, room)
        address = _address(room)
    if len(labels) > MOST_LABELS:
        raise UsageError(f"{len(labels)} labels at once are too many", fix="name some clutches or boxes")
    drawn = sheets(labels, sheet, args.first, frames=args.frames)
    made = _write(path, drawn, sheet)
    count = "1 label" if len(labels) == 1 else f"{len(labels)} labels"
    print(f"{', '.join(map(str, made))}: {count} of {sheet.label_width:g} x {sheet.label_height:g} mm; print at 100 %")
    if not address and any(x.code for x in labels):
        print("the codes hold the names of the boxes; with page.address in the room's file they open its page")
    return 0


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


def _write(path: Path, drawn: Sequence[str], sheet: Sheet) -> list[Path]:
    """The files that were made: one, or one for each page where a file holds no more."""
    suffix = path.suffix.lower()
    if suffix == ".pdf":
        write_pdf(path, page_of(drawn, sheet))
        return [path]
    if suffix in (".html", ".htm"):
        write_text(path, page_of(drawn, sheet))
        return [path]
    made = []
    for i, svg in enumerate(drawn, 1):
        one = path if len(drawn) == 1 else path.with_stem(f"{path.stem}-{i}")
        if suffix == ".svg":
            write_text(one, svg)
        else:
            write_png(one, page_of([svg], sheet), sheet.width, sheet.height)
        made.append(one)
    return made


# -- what they say ----------------------------------------------------------------------------------------------------


def _address(room: RoomAtHand) -> str:
    page = room.settings.page
    return page.address.rstrip("/") if page is not None else ""


def code_for(box: str, address: str) -> str:
    """What the code of a box holds: the address of its page, or without one its name."""
    return f"{address}/box/{quote(box, safe='')}" if address else f"warmtally box {box}"


def _labels(args: argparse.Namespace, room: RoomAtHand) -> list[Label]:
    at_ms = now_ms()
    clutches = room.store.account.clutches(at_ms)
    boxes = {b.id: b for b in room.settings.room.boxes}
    for name in args.what:
        if name not in clutches and name not in boxes:
            known = ", ".join([*clutches, *boxes][:30])
            raise UnknownSubject(f"no clutch and no box {name!r}", fix=f"known: {known}")
    lots = [x for x in room.derived.lots(at_ms) if x.lot.open and x.lot.eggs]
    found: list[Label] = []
    for name in args.what:
        if name in clutches:
            mine = [x for x in lots if x.clutch.id == name]
            found += [_of_eggs(x, room) for x in mine] or [_not_in_a_box(clutches[name], room)]
        if name in boxes:
            found.append(_of_box(boxes[name], lots, room))
    if args.boxes:
        found += [_of_box(b, lots, room) for b in boxes.values() if b.id not in args.what]
    if not args.what and not args.boxes:
        found = [_of_eggs(x, room) for x in lots]
        if not found:
            raise UnknownSubject("no eggs lie in a box", fix="labels of the boxes themselves: warmtally labels --boxes")
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


def _of_eggs(x: LotNow, room: RoomAtHand) -> Label:
    """The eggs of a clutch in a box."""
    lines = [
        _species(x.clutch, room),
        f"{_laid(x.clutch, room)}, {show_eggs(x.lot.eggs)}",
        f"box {x.lot.box}",
        _window(x, room),
    ]
    more = (*_parents(x.clutch), _printed(room))
    return Label(x.clutch.id, (*lines, *more), code_for(x.lot.box, _address(room)))


def _printed(room: RoomAtHand) -> str:
    """A window moves, and paper does not."""
    return f"printed {show_date(now_ms(), room.zone)[4:]}"


def _parents(clutch: Clutch) -> tuple[str, ...]:
    """Dam and sire, where they were told."""
    laid = clutch.events[0] if clutch.events else None
    told = [x for x in (laid.dam, laid.sire) if x] if laid is not None else []
    return (" x ".join(told),) if told else ()


def _not_in_a_box(clutch: Clutch, room: RoomAtHand) -> Label:
    eggs = f"{show_eggs(clutch.unplaced)} not set yet" if clutch.unplaced else "no eggs in a box"
    return Label(clutch.id, (_species(clutch, room), f"{_laid(clutch, room)}, {eggs}", *_parents(clutch)))


def _of_box(box: Box, lots: Sequence[LotNow], room: RoomAtHand) -> Label:
    """A box, with all that lies in it."""
    lines = [f"stack {box.stack}, {box.height_cm:.0f} cm"]
    for x in lots:
        if x.lot.box == box.id:
            lines.append(f"{x.clutch.id}: {show_eggs(x.lot.eggs)}, {_laid(x.clutch, room)}")
            lines += [_species(x.clutch, room), _window(x, room)]
    lines += [_printed(room)] if len(lines) > 1 else []
    return Label(box.id, tuple(lines), code_for(box.id, _address(room)))
