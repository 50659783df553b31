"""A new probe: its entry in the room's file from what a form says, to be pasted, or to be written at once."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.core.readings.decode import guess
from monitor.core.terms.settings import Settings
from monitor.errors import ConfigError
from monitor.page.forms import posting
from monitor.page.pages import Pages, pages_of
from monitor.telling.drawing.room_words import Say
from monitor.telling.probe_entry import Value, entry
from monitor.telling.unread import plain
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.config.room_edit import Tables

FIELDS: Final = ("id", "topic", "pointer", "unit", "place", "height_cm", "interval")
LONGEST: Final = 300
UNITS: Final = ("C", "F", "K", "%", "g")
USUAL_INTERVAL: Final = "1 min"
MOST_UNKNOWN: Final = 20
# Messages whose topics are looked through for such that no probe has.
MOST_MESSAGES: Final = 200
MOST_NUMBERS: Final = 6


@dataclass(frozen=True)
class NewProbe:
    """What a form says of a probe: its keys as the file has them, and what is wrong with them, by field."""

    keys: Mapping[str, Value]
    wrong: Mapping[str, str]

    @classmethod
    def of(cls, told: Mapping[str, str], settings: Settings, say: Say) -> NewProbe:
        room, keys = settings.room, dict[str, Value]()
        wrong: dict[str, str] = {}
        for name in ("id", "topic", "unit", "pointer", "interval"):
            if told.get(name) or name in ("id", "topic", "unit"):
                keys[name] = told.get(name, "")
        kind, _, name = told.get("place", "").partition(" ")
        if kind == "box" and room.box(name) is not None:
            keys["box"] = name
        elif kind == "air" and name in room.stacks:
            keys["stack"] = name
            height = told.get("height_cm", "").replace(",", ".")
            keys["height_cm"] = float(height) if height.removeprefix("-").replace(".", "", 1).isdecimal() else height
        else:
            wrong["place"] = say("new_probe.no_place")
        # What reads the room's file is large, and loaded with the first probe that is entered.
        from monitor.config.room_edit import wrong_key
        from monitor.config.shape import ProbePart

        wrong |= {key: why for key, value in keys.items() if (why := wrong_key(ProbePart, key, value))}
        if keys["id"] in {p.id for p in room.all_probes}:
            wrong["id"] = say("new_probe.name_taken")
        read = {(p.topic, p.list_pointer, p.pointer) for p in room.all_probes}
        if (keys["topic"], None, keys.get("pointer")) in read:
            wrong["topic"] = say("new_probe.read_already")
        return cls(keys, wrong)

    @property
    def text(self) -> str:
        return entry(self.keys, {})


def new_probe_page(request: Request) -> Response:
    """The form, and below it the entry that comes of what it says."""
    told = {name: " ".join(request.query_params.get(name, "")[:LONGEST].split()) for name in FIELDS}
    return _page(request, told)


def _page(request: Request, told: Mapping[str, str], *, failed: ConfigError | None = None) -> Response:
    pages = pages_of(request)
    settings = pages.room.settings
    # As long as nothing but a topic was chosen there is nothing to be wrong.
    begun = any(told[name] for name in FIELDS if name not in ("topic", "pointer"))
    found = NewProbe.of(told, settings, pages.say) if begun else None
    usual = {"unit": settings.room.display_unit, "interval": USUAL_INTERVAL}
    who = getattr(request.state, "who", None)
    return pages.render(
        request,
        "new_probe.html",
        told={name: told[name] or usual.get(name, "") for name in FIELDS},
        fields=FIELDS,
        longest=LONGEST,
        units=UNITS,
        boxes=[b.id for b in settings.room.boxes],
        stacks=settings.room.stacks,
        topics=unknown_topics(pages),
        wrong=found.wrong if found is not None else {},
        text=found.text if found is not None and not found.wrong else "",
        file=settings.file,
        writable=(who is None or who.may_enter) and _may_write(settings.file),
        failed=failed,
    )


def _may_write(file: str) -> bool:
    """Whether the room's file could be replaced from here: by its rights, which a service may lack."""
    path = Path(file)
    return bool(file) and path.is_file() and os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def unknown_topics(pages: Pages) -> list[tuple[str, str, list[tuple[str, str]]]]:
    """Topics of kept messages that no probe has: address, shown, and the numbers in the newest message (pointer and
    what it seems to be)."""
    known = {p.topic for p in pages.room.settings.room.all_probes}
    with pages.room.at_hand() as room:
        messages = room.store.unread.messages(MOST_MESSAGES)
    newest = {m.topic: m.payload for m in messages if m.topic not in known and not m.probe}
    found = []
    for topic, payload in list(newest.items())[:MOST_UNKNOWN]:
        numbers = [(g.pointer or "", f"{g.value:g} {g.unit or ''}".strip()) for g in guess(topic, payload)]
        found.append((topic, plain(topic), numbers[:MOST_NUMBERS]))
    return found


def write(request: Request, fields: Mapping[str, str]) -> Response:
    """Add the entry to the room's file, which is refused where it would make it wrong."""
    pages = pages_of(request)
    told = {name: " ".join(fields.get(name, "")[:LONGEST].split()) for name in FIELDS}
    found = NewProbe.of(told, pages.room.settings, pages.say)
    if found.wrong:
        return _page(request, told)

    from monitor.config.room_edit import RoomFile

    def added(tables: Tables) -> None:
        tables.setdefault("probes", []).append(dict(found.keys))

    try:
        RoomFile(Path(pages.room.settings.file)).add((found.text, added))
    except ConfigError as error:
        return _page(request, told, failed=error)
    except OSError as error:
        return _page(request, told, failed=ConfigError(pages.say("new_probe.not_written", why=error.strerror)))
    return pages.render(request, "new_probe_written.html", id=found.keys["id"], file=pages.room.settings.file)


ROUTES: Final[list[BaseRoute]] = [
    Route("/probes/new", new_probe_page, methods=["GET"]),
    Route("/probes/new", posting(write), methods=["POST"]),
]
