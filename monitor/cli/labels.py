"""Labels to print for boxes and clutches: ``warmtally labels``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from monitor.cli.new_file import named, write_text
from monitor.cli.printing import write_pdf, write_png
from monitor.cli.room import now_ms, room_at_hand, whole
from monitor.errors import UsageError
from monitor.telling.drawing.label_sheet import Sheet, page_of, sheets
from monitor.telling.labels import PAPER, USUAL_SIZE, labels_of, page_address, sheet_of


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
        labels = labels_of(room, now_ms(), args.what, boxes=args.boxes)
        address = page_address(room)
    drawn = sheets(labels, sheet, args.first, frames=args.frames)
    made = _write(path, drawn, sheet)
    count = "1 label" if len(labels) == 1 else f"{len(labels)} labels"
    print(f"{', '.join(map(str, made))}: {count} of {sheet.label_width:g} x {sheet.label_height:g} mm; print at 100 %")
    if not address and any(x.code for x in labels):
        print("the codes hold the names of the boxes; with page.address in the room's file they open its page")
    return 0


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
