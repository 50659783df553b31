"""The page on a telephone: its icon on the home screen, and what is kept there for when the room does not answer."""

from __future__ import annotations

import hashlib
import json
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from monitor.page.icon import PAPER, icon_png, icon_svg
from monitor.page.pages import STATIC, Pages, pages_of

SIDES: Final = (180, 192, 512)
_PAPER: Final = "#{:02x}{:02x}{:02x}".format(*PAPER)
_DAY: Final = {"Cache-Control": "public, max-age=86400"}
_ANEW: Final = {"Cache-Control": "no-cache"}


def manifest(request: Request) -> Response:
    """What a telephone needs to put the room on its home screen."""
    pages = pages_of(request)
    name = pages.room.settings.room.name
    icons = [{"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"}]
    icons += [{"src": f"/static/icon-{n}.png", "sizes": f"{n}x{n}", "type": "image/png"} for n in SIDES[1:]]
    told = {
        "name": name,
        "short_name": name[:12],
        "lang": pages.language,
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": _PAPER,
        "theme_color": _PAPER,
        "icons": icons,
    }
    return JSONResponse(told, headers=_ANEW, media_type="application/manifest+json")


def icon(request: Request) -> Response:
    side = request.path_params["side"]
    if side not in SIDES:
        raise HTTPException(404)
    return Response(icon_png(side), media_type="image/png", headers=_DAY)


def icon_drawn(_: Request) -> Response:
    return Response(icon_svg(), media_type="image/svg+xml", headers=_DAY)


def offline(request: Request) -> Response:
    """What a telephone shows when the room does not answer. It holds nothing that could have changed meanwhile."""
    return pages_of(request).render(request, "offline.html", headers=_ANEW)


def worker(request: Request) -> Response:
    """The script that a browser keeps for the whole room: what it is to keep, then what it does."""
    pages = pages_of(request)
    shell = shell_of(pages)
    body = (STATIC / "worker.js").read_text(encoding="utf-8")
    stamp = hashlib.blake2b(json.dumps([shell, body, pages.language]).encode(), digest_size=8).hexdigest()
    script = f"const STAMP = {json.dumps(stamp)};\nconst SHELL = {json.dumps(shell)};\n{body}"
    return Response(script, media_type="text/javascript", headers=_ANEW)


def shell_of(pages: Pages) -> list[str]:
    """What is kept on the telephone: what pages look like and do, and the page for when the room does not answer."""
    looks = [pages.asset(name) for name in pages.assets if name.endswith((".css", ".js")) and name != "worker.js"]
    return ["/offline", "/manifest.webmanifest", "/static/icon.svg", *sorted(looks)]


ICONS: Final[list[BaseRoute]] = [
    Route("/manifest.webmanifest", manifest),
    Route("/static/icon.svg", icon_drawn),
    Route("/static/icon-{side:int}.png", icon),
]
ROUTES: Final[list[BaseRoute]] = [
    *ICONS,
    Route("/offline", offline),
    Route("/worker.js", worker),
]
