"""How the API is asked and answers: an address with what it takes and gives, its checks, and its description."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import cache
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from monitor import __version__
from monitor.core.notices.snapshot import Snapshot
from monitor.errors import UsageError
from monitor.page.described import Schemas, read_as, told_in
from monitor.page.problems import LATER, MEDIA_TYPE, PREFIX, ProblemJson, meanings
from monitor.page.room import PageRoom
from monitor.telling.as_json import utc
from monitor.values import dataclass

FORM: Final = "application/json"
KEY: Final = "Idempotency-Key"
ROUND: Final = "Warmtally-Round"
"""The header that says when the service looked at the room last."""
MOST_BODY: Final = 64 * 1024
_ABOUT: Final = (
    "What is known of one egg room, and what a keeper tells. Temperatures in °C, moments in ISO 8601 and UTC. The "
    "words are those of the commands' --json. It measures and tells; it switches no heater and is no safety device. A "
    "window is an estimate: no egg is opened on its word."
)


@dataclass(frozen=True)
class Asking:
    """What may be asked for in an address, within its bounds."""

    name: str
    form: Any
    says: str
    default: Any = None


@dataclass(frozen=True)
class Call:
    """One request: the room, what is asked for and told, and who asks."""

    room: PageRoom
    now_ms: int
    asked: Mapping[str, Any]
    told: Mapping[str, Any]
    who: str
    key: str = ""
    path: str = ""

    @property
    def by(self) -> str:
        """Who tells something: by their sign-in or token, else as they say, in one line."""
        return self.who or " ".join(str(self.told.get("by", "")).split())

    def round(self) -> Snapshot:
        """The newest whole round of the service."""
        found = self.room.last()
        if found is None:
            raise HTTPException(503, "the service has looked at nothing yet", LATER)
        return found


@dataclass(frozen=True)
class ApiAddress:
    """An address, what it is asked and told, and what it answers."""

    method: str
    path: str
    answer: Callable[[Call], Any]
    form: Any
    asking: tuple[Asking, ...] = ()
    body: Any = None
    status: int = 200

    @property
    def name(self) -> str:
        return self.answer.__name__

    @property
    def says(self) -> str:
        return " ".join((self.answer.__doc__ or "").split()).rstrip(".")

    @property
    def in_path(self) -> list[str]:
        return [part[1:-1] for part in self.path.split("/") if part.startswith("{")]


# -- serving -----------------------------------------------------------------------------------------------------------


def routes_of(room: PageRoom, endpoints: Sequence[ApiAddress], in_path: Mapping[str, Asking]) -> list[BaseRoute]:
    """Each address of an API, and its description."""

    @cache
    def described() -> JSONResponse:
        return JSONResponse(described_as(endpoints, in_path))

    return [
        Route(f"{PREFIX}openapi.json", lambda _: described()),
        Route(f"{PREFIX}problems/{{id}}", _problem_kind),
        *(Route(PREFIX + x.path[1:], _served(room, x, in_path), methods=[x.method]) for x in endpoints),
    ]


def _served(
    room: PageRoom, endpoint: ApiAddress, in_path: Mapping[str, Asking]
) -> Callable[[Request], Awaitable[Response]]:
    """Answers in a thread of the pool, since a store belongs to one thread."""

    async def serve(request: Request) -> Response:
        who = getattr(request.state, "who", None)
        told: Mapping[str, Any] = {}
        if endpoint.body is not None:
            if who is not None and not who.may_enter:
                raise HTTPException(403, "whoever may only look tells nothing")
            told = told_in(endpoint.body, await _body(request))
        asked = _asked(request, endpoint, in_path)
        key = request.headers.get(KEY) or told.get("key", "")
        told = {name: value for name, value in told.items() if name != "key"}
        name = "" if who is None else str(who.name)
        call = Call(room, room.now_ms(), asked, told, name, key, request.url.path)
        answer = await run_in_threadpool(endpoint.answer, call)
        last = room.last()
        headers = {} if last is None else {ROUND: utc(last.now_ms)}
        return JSONResponse(answer, endpoint.status, headers)

    return serve


async def _body(request: Request) -> bytes:
    """What is told. A form is none: any page could send one in a keeper's name."""
    body = await request.body()
    form = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if body and form != FORM:
        raise HTTPException(415, f"this is told as {FORM}")
    if len(body) > MOST_BODY:
        raise HTTPException(413, f"the body is longer than {MOST_BODY} bytes")
    return body


def _asked(request: Request, endpoint: ApiAddress, in_path: Mapping[str, Asking]) -> dict[str, Any]:
    """What is asked for, within its bounds. Raises UsageError."""
    told: dict[str, str] = {}
    known = {x.name: x for x in endpoint.asking}
    for name, text in request.query_params.multi_items():
        if name not in known or name in told:
            twice = "is there twice" if name in told else "is nothing to ask for here"
            raise UsageError(f"{name[:40]!r} {twice}", fix=f"there is: {', '.join(known) or 'nothing'}")
        told[name] = text
    asked = {x.name: read_as(x.name, told[x.name], x.form) if x.name in told else x.default for x in known.values()}
    return asked | {name: read_as(name, request.path_params[name], in_path[name].form) for name in endpoint.in_path}


def _problem_kind(request: Request) -> Response:
    """What a kind of failure means."""
    name = request.path_params["id"]
    if name not in (known := meanings()):
        raise HTTPException(404, "there is no such failure")
    return JSONResponse({"id": name, "title": known[name]})


# -- described ---------------------------------------------------------------------------------------------------------


def described_as(endpoints: Sequence[ApiAddress], in_path: Mapping[str, Asking]) -> dict[str, Any]:
    """The description of an API (OpenAPI 3.1), made from the types of what it takes and gives."""
    schemas = Schemas()
    refused = {
        "description": "Why not, where, and what to do (RFC 9457)",
        "content": {MEDIA_TYPE: {"schema": schemas.of(ProblemJson)}},
    }
    paths: dict[str, dict[str, Any]] = {}
    for x in endpoints:
        paths.setdefault(x.path, {})[x.method.lower()] = _operation(x, in_path, schemas, refused)
    return {
        "openapi": "3.1.0",
        "info": {"title": "Warmtally", "version": __version__, "description": _ABOUT},
        "servers": [{"url": PREFIX.rstrip("/")}],
        "paths": paths,
        "components": {
            "schemas": schemas.known,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer", "description": "warmtally people"}},
        },
        "security": [{"token": []}, {}],
    }


def _operation(
    x: ApiAddress, in_path: Mapping[str, Asking], schemas: Schemas, refused: Mapping[str, Any]
) -> dict[str, Any]:
    round_at = {"description": "When the service looked at the room last", "schema": {"type": "string"}}
    told = {
        "description": x.says,
        "headers": {ROUND: round_at},
        "content": {FORM: {"schema": schemas.of(x.form)}},
    }
    found: dict[str, Any] = {
        "operationId": x.name,
        "summary": x.says,
        "parameters": [
            *(_parameter(in_path[name], "path", schemas) for name in x.in_path),
            *(_parameter(asking, "query", schemas) for asking in x.asking),
        ],
        "responses": {str(x.status): told, "default": dict(refused)},
    }
    if x.body is not None:
        found["requestBody"] = {"required": True, "content": {FORM: {"schema": schemas.of(x.body)}}}
    return found


def _parameter(asking: Asking, place: str, schemas: Schemas) -> dict[str, Any]:
    schema = schemas.of(asking.form) | ({} if asking.default is None else {"default": asking.default})
    return {"name": asking.name, "in": place, "required": place == "path", "description": asking.says, "schema": schema}
