"""What the program says in sentences, as it stands on a page: a day as one says it, a command as the page's own way."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Final
from urllib.parse import quote

from markupsafe import Markup, escape

from monitor.core.terms.events import EventKind

Say = Callable[..., str]

FAR_DAYS: Final = 300
"""A day further away than this is told with its year. Judgement, no source."""
_DAY: Final = re.compile(r"(?:\b(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun) )?(?<![-\w])(\d{4})-(\d\d)-(\d\d)(?![-\dT])")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_AGO: Final = re.compile(r"(\d[\d.]* (?:s|min|h|days?)) ago")
_DATE: Final = re.compile(rf"(?:\b({'|'.join(_WEEKDAYS)}) )?\b(\d{{1,2}}) ({'|'.join(_MONTHS)})\b")
_TO: Final = re.compile(r"(\S+) to (\S+)")
_COMMAND: Final = re.compile(
    r"warmtally record (?P<one>[a-z]+)(?:, or (?P<other>[a-z]+)(?: --[a-z]+ N)?)?"
    r"|warmtally (?P<verb>clutch show|[a-z]+)(?: (?P<name>[\w./#-]*[\w#]))?(?P<options>(?: --?[\w-]+)*)"
)
_PLACES: Final = {"probes": "probes", "tasks": "tasks", "notices": "notices", "stack": "more", "season": "season"}
"""Commands that a page of the same purpose stands for."""
_NAMED: Final = {"clutch show": "clutch", "forecast": "clutch", "stack": "stack", "species": "species", "box": "box"}
"""The same of something that is named with them."""


def days_said(text: str, today: date, say: Say) -> str:
    """A text with its days said as ``say`` has them: "Tue 2026-12-01" and "2026-12-01" are "Tue 1 Dec", with the year
    where they are far from ``today``. What is no day stays."""

    def one(found: re.Match[str]) -> str:
        try:
            day = date(int(found[1]), int(found[2]), int(found[3]))
        except ValueError:
            return found[0]
        month = say("days.months").split()[day.month - 1]
        if abs((day - today).days) > FAR_DAYS:
            return say("days.far", day=day.day, month=month, year=day.year)
        return say("days.day", weekday=say("days.weekdays").split()[day.weekday()], day=day.day, month=month)

    return _DAY.sub(one, text)


def weekday_said(text: str, say: Say) -> str:
    """A moment that begins with its weekday, "Fri 05:40", with the weekday as ``say`` has it."""
    known = dict(zip(_WEEKDAYS, say("days.weekdays").split(), strict=True))
    return known[text[:3]] + text[3:] if text[:3] in known else text


def short_said(text: str, say: Say) -> str:
    """A few words beside a figure: "5 min ago", "25 to 31 °C"."""
    text = _DATE.sub(lambda found: _date_said(found, say), text)
    text = _AGO.sub(lambda found: say("days.ago", span=found[1]), text)
    return _TO.sub(lambda found: say("days.to", **{"from": found[1], "to": found[2]}), text)


def _date_said(found: re.Match[str], say: Say) -> str:
    """ "Tue 1 Dec", "1 Dec"."""
    month = say("days.months").split()[_MONTHS.index(found[3])]
    if not found[1]:
        return say("days.month", day=found[2], month=month)
    weekday = say("days.weekdays").split()[_WEEKDAYS.index(found[1])]
    return say("days.day", weekday=weekday, day=found[2], month=month)


def commands_said(text: str, say: Say, box: str = "") -> Markup:
    """A text in which a command is a link to what does the same on a page; ``box``: the one box that it is about. A
    command that no page stands for is one of the computer."""
    parts, at = [], 0
    for found in _COMMAND.finditer(text):
        parts += [escape(text[at : found.start()]), _way(found, say, box)]
        at = found.end()
    return Markup().join([*parts, escape(text[at:])])


def _way(found: re.Match[str], say: Say, box: str) -> Markup:
    kinds = [k for k in (found["one"], found["other"]) if k]
    if kinds and all(k in set(EventKind) for k in kinds):
        links = [_entry(EventKind(k), say, box) for k in kinds]
        return links[0] if len(links) == 1 else Markup(say("commands.both", one="{}", other="{}")).format(*links)  # noqa: S704
    verb, name = found["verb"] or "", found["name"] or ""
    if name and not found["options"] and verb in _NAMED:
        where = name.partition("/")[0] if _NAMED[verb] == "clutch" else name
        return _link(f"/{_NAMED[verb]}/{quote(where, safe='')}", where)
    if verb in _PLACES and not name and not found["options"]:
        return _link(f"/{_PLACES[verb]}", say(f"commands.{verb}"))
    return escape(say("commands.there", command=found[0]))


def _entry(kind: EventKind, say: Say, box: str) -> Markup:
    """The way to tell it of a box; where it is about several, a look is told of all of them, and the rest is named."""
    words = say(f"entry.kind_{kind.value}")
    if box:
        return _link(f"/box/{quote(box, safe='')}/enter/{kind.value}", words)
    return _link("/#all", say("room.looked_all")) if kind is EventKind.LOOKED else Markup("<b>{}</b>").format(words)


def _link(href: str, words: str) -> Markup:
    return Markup('<a href="{}">{}</a>').format(href, words)
