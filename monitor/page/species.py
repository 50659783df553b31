"""Species: the profiles, those of the room's own eggs first, and what is known of one."""

from __future__ import annotations

import threading
from typing import Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from monitor.config.library import Listing, list_profiles, load_profile, names_of, own_stamp
from monitor.core.development.species import VENOMOUS, VENOMOUS_CARE, Profile
from monitor.core.terms.balance import ended_ms
from monitor.page.pages import pages_of
from monitor.telling.drawing.page_species import svg_page_species
from monitor.telling.species import about_lines, days_head, days_rows, further_lines, reach_words

LONGEST_ASKED: Final = 60


class ListedOnce:
    """The library, read when it is first asked for and again when a file of the keeper's own was written. Safe to use
    from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._of: tuple[str | None, object] | None = None
        self._listing: Listing | None = None

    def of(self, own_dir: str | None) -> Listing:
        with self._lock:
            stamp = own_dir, own_stamp(own_dir)
            if self._listing is None or self._of != stamp:
                self._of, self._listing = stamp, list_profiles(own_dir)
            return self._listing


_LISTED: Final = ListedOnce()


def all_species_page(request: Request) -> Response:
    """``?q=``: those only whose names have all of these words."""
    pages = pages_of(request)
    asked = " ".join(request.query_params.get("q", "")[:LONGEST_ASKED].split())
    with pages.room.at_hand() as room:
        clutches = room.store.account.clutches().values()
        used = {c.species for c in clutches if ended_ms(c) is None}
    listing = _LISTED.of(pages.room.settings.profiles_dir)
    found = [p for p in listing.profiles if _has(p, asked)]
    rows = [(p, reach_words(p, pages.room.unit)) for p in found]
    return pages.render(
        request,
        "all_species.html",
        asked=asked,
        longest=LONGEST_ASKED,
        used=[row for row in rows if row[0].id in used],
        rest=[row for row in rows if row[0].id not in used],
        bad=[str(error) for error in listing.bad],
    )


def _has(profile: Profile, asked: str) -> bool:
    """Whether the names of a profile have all words that were asked for."""
    names = " ".join((profile.id, *names_of(profile))).lower()
    return all(word in names for word in asked.lower().split())


def species_page(request: Request) -> Response:
    """One profile: its days by temperature, and everything else that is known, as ``warmtally species`` tells it."""
    pages = pages_of(request)
    unit = pages.room.unit
    profile = load_profile(request.path_params["species"], pages.room.settings.profiles_dir)
    about, further = about_lines(profile), further_lines(profile, unit)
    drawn = profile.status == "table"
    sources = [f"{paper.key}: {paper.citation}" for paper in profile.papers]
    return pages.render(
        request,
        "species.html",
        profile=profile,
        venomous=(VENOMOUS, *VENOMOUS_CARE) if profile.venomous else (),
        about=[line for line in about if not line.startswith("venomous: ")],
        drawn=Markup(svg_page_species(profile, unit)) if drawn else "",  # noqa: S704
        head=[pages.say("species.temperature"), *days_head(unit)[1:]],
        rows=[[f"{row[0]} °{unit}", *row[1:]] for row in days_rows(profile, unit)],
        further=[line for line in further if line not in sources],
        sources=sources,
    )


ROUTES: Final[list[BaseRoute]] = [Route("/species", all_species_page), Route("/species/{species}", species_page)]
