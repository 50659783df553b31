"""Seasons: one looked back on, to read, to print and as a table; and how well windows were told, over all of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import tzinfo
from typing import Final

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.core.season.figures import ASKED_AT, ClutchSeason, EggsInBox
from monitor.core.season.held import Held
from monitor.core.terms.formats import name_eggs
from monitor.page.pages import Pages, pages_of
from monitor.page.texts import USUAL, table
from monitor.telling.before import BEFORE_HEAD, before_rows, held_words, told_before
from monitor.telling.drawing.page_season import svg_page_windows_told
from monitor.telling.drawing.season_page import STYLE, page
from monitor.telling.drawing.season_plots import share_told
from monitor.telling.season import laid_in, scene_of_season, season_csv, years_laid
from monitor.telling.season_words import MET_HEAD, ClutchWords, SeasonScene, SeasonWords
from monitor.values import dataclass

STYLE_AT: Final = "/season/print.css"
MOST_CLUTCHES: Final = 8
"""So many stand on one page, from the one on that its address names (``?from=8``); links lead to the others."""
MOST_DRAWN: Final = 12
"""So many drawings at most, of some 3 KB each, so that a page stays below 100 KB."""
MOST_BEFORE: Final = 20
"""Of so many clutches it is worked out what was told of them: half a second each (measured)."""
CLUTCH_FIGURES: Final = ("laid_on", "laid", "fertile", "hatched", "lost", "to_pip", "to_last", "mean", "range")
TOLD_FIGURES: Final = ("at", "window", "came")


@dataclass(frozen=True)
class ClutchTold:
    """A clutch of a season: its words, and each of its eggs by box drawn with what is said below it."""

    words: ClutchWords
    drawn: tuple[tuple[Markup, str], ...]

    @property
    def figures(self) -> tuple[str, ...]:
        """By CLUTCH_FIGURES."""
        return tuple(getattr(self.words, name) for name in CLUTCH_FIGURES)

    @classmethod
    def of(cls, c: ClutchSeason, scene: SeasonScene, said: Callable[[str], str] = str) -> ClutchTold:
        """``said``: our words in those of the page."""
        drawn = []
        for x in c.eggs:
            shown = name_eggs(x.lot.id)
            if x.refused:
                drawn.append((Markup(), f"{shown}: {x.refused}."))
            elif _has_run(x):
                end = said(f"{share_told(x)} of development at its end.")
                drawn.append((_drawn(x, scene.zone, said), f"{shown}: {end}"))
        return cls(ClutchWords.of(c, scene), tuple(drawn))


def _has_run(x: EggsInBox) -> bool:
    return x.edge_ms is not None and len(x.edge_ms) > 1


def _drawn(x: EggsInBox, zone: tzinfo, said: Callable[[str], str]) -> Markup:
    return Markup(svg_page_windows_told(x, zone, name_eggs(x.lot.id), said))  # noqa: S704


def season_of(request: Request) -> tuple[SeasonScene, list[int]]:
    """The season that an address names (the newest where it names none), and all years. Raises UnknownSubject."""
    pages = pages_of(request)
    year, now_ms = request.path_params.get("year"), pages.room.now_ms()
    with pages.room.working_out() as room:
        name, clutches = laid_in(room, now_ms, year)
        return scene_of_season(room, name, clutches, now_ms, now_ms), years_laid(room, now_ms)


def season_page(request: Request) -> Response:
    """A season looked back on."""
    pages = pages_of(request)
    if "year" not in request.path_params and not _has_clutches(pages):
        return pages.render(request, "season_none.html")
    scene, years = season_of(request)
    season, words = scene.season, SeasonWords.of(scene)
    firsts = range(0, len(season.clutches), MOST_CLUTCHES)
    told = request.query_params.get("from", "0")[:6]
    first = int(told) // MOST_CLUTCHES * MOST_CLUTCHES if told.isascii() and told.isdecimal() else 0
    parts = [(at, season.clutches[at : at + MOST_CLUTCHES]) for at in firsts]
    clutches = [ClutchTold.of(c, scene, pages.short) for c in season.clutches[first : first + MOST_CLUTCHES]]
    drawn = [svg for c in clutches for svg, _ in c.drawn if svg]
    return pages.render(
        request,
        "season.html",
        name=season.name,
        years=years,
        short=words.short,
        advised=scene.advised,
        clutch_head=[pages.say(f"season.{name}") for name in CLUTCH_FIGURES],
        told_head=[pages.say(f"season.{name}") for name in ("eggs", *TOLD_FIGURES)],
        clutches=clutches,
        few=len(drawn) > MOST_DRAWN,
        drawn=drawn[:MOST_DRAWN],
        parts=[(at, some[0].clutch.id, some[-1].clutch.id, at == first) for at, some in parts],
        stacks=words.stacks,
        species=words.species,
        met_head=MET_HEAD,
        met=[_met(row, pages) for row in words.met],
        not_kept=words.not_kept,
    )


def _met(row: list[str], pages: Pages) -> list[str]:
    """How one kind was met, in the words of the page."""
    kind, urgency, *others = row
    known = f"kind.{kind}" in table(USUAL)
    return [pages.say(f"kind.{kind}") if known else kind, pages.say(f"urgency.{urgency}"), *others]


def _has_clutches(pages: Pages) -> bool:
    with pages.room.at_hand() as room:
        return bool(years_laid(room, pages.room.now_ms()))


def print_page(request: Request) -> Response:
    """The whole report, as ``warmtally season --html`` writes it."""
    return HTMLResponse(page(season_of(request)[0], STYLE_AT))


def print_style(_: Request) -> Response:
    """How the report looks; a page of this server may not bring it along."""
    return Response(STYLE, media_type="text/css")


def season_table(request: Request) -> Response:
    """A season as a table for other programs."""
    season = season_of(request)[0].season
    as_file = {"content-disposition": f'attachment; filename="season-{season.name}.csv"'}
    return Response(season_csv(season), media_type="text/csv", headers=as_file)


def before_page(request: Request) -> Response:
    """What was told of clutches on their way, and what happened."""
    pages = pages_of(request)
    with pages.room.working_out() as room:
        clutches, there = told_before(room, pages.room.now_ms(), MOST_BEFORE)
    zone, shown, left = pages.room.zone, [], MOST_DRAWN
    for c in clutches:
        drawn = [(_drawn(x, zone, pages.short), name_eggs(x.lot.id)) for x in c.eggs if _has_run(x)]
        shown.append((c.clutch, before_rows(c, zone), drawn[:left]))
        left -= len(shown[-1][2])
    return pages.render(
        request,
        "before.html",
        held=[held_words(Held.count(clutches, share)) for share in ASKED_AT],
        head=BEFORE_HEAD,
        clutches=shown,
        few=not left,
        there=there,
        most=MOST_BEFORE,
    )


ROUTES: Final[list[BaseRoute]] = [
    Route("/season", season_page),
    Route(STYLE_AT, print_style),
    Route("/season/{year:int}", season_page),
    Route("/season/{year:int}/print", print_page),
    Route("/season/{year:int}.csv", season_table),
    Route("/before", before_page),
]
