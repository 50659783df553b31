"""Pages from templates: what every page has, in the words of its language."""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Mapping
from datetime import date, datetime
from functools import cached_property, partial
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import name_eggs, show_lately, show_time
from monitor.errors import MonitorError
from monitor.page.core_said import core_saying, title_saying, words_of
from monitor.page.likely import likely_entries, places_of
from monitor.page.picture import DrawnOnce
from monitor.page.room import PageRoom
from monitor.page.said import commands_said, days_said, weekday_said
from monitor.page.texts import USUAL, saying, table

log = logging.getLogger("warmtally.page")

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"
TEMPLATES: Final = HERE / "templates"


class Pages:
    """The templates of one room's pages. Safe to use from several threads once made."""

    def __init__(self, room: PageRoom, language: str = "en", own: str = "") -> None:
        """``own``: the folder of templates and the part of texts that come before those of a room."""
        self.room = room
        self.language = language
        self.say = saying(language, own)
        self.core = core_saying(language)
        self.title = title_saying(language)
        self.picture = DrawnOnce(language)
        self._templates = Environment(
            loader=FileSystemLoader([TEMPLATES / own, TEMPLATES]),
            autoescape=True,
            trim_blocks=True,
            lstrip_blocks=True,
            undefined=StrictUndefined,
            auto_reload=False,
        )
        self._templates.filters["mark"] = mark
        self._templates.globals |= {
            "say": self.say,
            "asset": self.asset,
            "when": self.when,
            "dated": self.dated,
            "language": language,
        }
        self._templates.globals |= {"likely": partial(likely_entries, say=self.say), "new_key": new_key}
        self._templates.globals["places"] = places_of
        self._templates.filters |= {
            "eggs": name_eggs,
            "told": self.told,
            "days": self.days,
            "short": self.short,
            "title_said": self.title,
        }

    def when(self, at_ms: int) -> str:
        """A moment in the room's zone, as short as it may be."""
        return self.days(weekday_said(show_lately(at_ms, self.room.zone, self.room.now_ms()), self.say))

    def dated(self, at_ms: int) -> str:
        """A moment in the room's zone, with its date."""
        return show_time(at_ms, self.room.zone)

    def days(self, text: str) -> str:
        """A text of this page's language with its days as one says them."""
        return days_said(text, self._today(), self.say)

    def short(self, text: str) -> str:
        """A few words beside a figure, as this page's language has them."""
        return words_of(self.say, self.core, text)

    def told(self, text: str, box: str = "") -> Markup:
        """A sentence of the program's own, in English where the page's language does not have it; ``box``: what it is
        about."""
        said = self.core(text)
        days = days_said(said, self._today(), saying(USUAL) if said == text else self.say)
        return commands_said(days, self.say, box)

    def _today(self) -> date:
        return datetime.fromtimestamp(self.room.now_ms() / 1000, self.room.zone).date()

    def asset(self, name: str) -> str:
        """The address of a static file, which changes with what is in it."""
        return f"/static/{name}?{self.assets[name]}"

    @cached_property
    def assets(self) -> Mapping[str, str]:
        files = (p for p in STATIC.rglob("*") if p.is_file())
        return {str(p.relative_to(STATIC)): hashlib.sha256(p.read_bytes()).hexdigest()[:12] for p in files}

    def render(
        self,
        request: Request,
        template: str,
        *,
        status: int = 200,
        snapshot: Snapshot | None = None,
        headers: Mapping[str, str] | None = None,
        **values: Any,
    ) -> Response:
        """A page. ``snapshot``: the round that it is made from, if not the newest."""
        found = self.room.last() if snapshot is None else snapshot
        values = {
            "room_name": self.room.settings.room.name,
            "zone_name": self.room.settings.room.zone,
            "away": False,
            "unit": self.room.unit,
            "snapshot": found,
            "stale": self.room.stale(),
            "here": request.url.path,
            "who": getattr(request.state, "who", None),
            "form_key": getattr(request.state, "form_key", ""),
            # Somebody who was not let in sees nothing of the room but its name.
            "outside": getattr(request.state, "outside", False),
            "open_notices": 0 if found is None else kinds_open(found),
            **values,
        }
        html = self._templates.get_template(template).render(values)
        return HTMLResponse(html, status, dict(headers or {}))

    def refused(self, status: int) -> str:
        """The page with which a request is refused before anything is known of it, so that it tells nothing."""
        known = status if f"refused.{status}" in table(USUAL) else 400
        return self._templates.get_template("refused.html").render(words=self.say(f"refused.{known}"))

    def problem(
        self,
        request: Request,
        status: int,
        error: MonitorError | None = None,
        *,
        headers: Mapping[str, str] | None = None,
    ) -> Response:
        """A page that says what did not work, where and what to do."""
        known = str(status) if f"problem.{status}" in table(USUAL) else "400"
        words = self.say(f"problem.{known}")
        return self.render(request, "problem.html", status=status, headers=headers, words=words, error=error)


def kinds_open(snapshot: Snapshot) -> int:
    """How many kinds of things nobody has answered yet: as many as stand on the first page."""
    return len({c.kind for c in snapshot.conditions.values() if c.up and not c.answered})


def mark(name: str) -> str:
    """A name as an id within a page."""
    return hashlib.blake2b(name.encode(), digest_size=6).hexdigest()


def new_key() -> str:
    """The key of one form, with which it is entered once."""
    return secrets.token_urlsafe(16)


def pages_of(request: Request) -> Pages:
    """The pages of the app that a request came to."""
    found = request.app.state.pages
    assert isinstance(found, Pages)
    return found
