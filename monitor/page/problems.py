"""What goes wrong, told to programs: problem details (RFC 9457) with what, where and what to do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final, TypedDict

from starlette.responses import JSONResponse

from monitor.errors import (
    EntryThere,
    EntryUndecided,
    EventRefused,
    MonitorError,
    PeopleUnreadable,
    StoreError,
    UnknownSubject,
    UsageError,
)

PREFIX: Final = "/api/"
"""Under it programs ask, which are told of a failure as one."""
MEDIA_TYPE: Final = "application/problem+json"
_STATUS: Final[Mapping[type[MonitorError], int]] = {
    UnknownSubject: 404,
    UsageError: 400,
    EntryUndecided: 422,
    EventRefused: 409,
    StoreError: 503,
    PeopleUnreadable: 503,
}
LATER: Final = {"Retry-After": "5"}


class ProblemJson(TypedDict):
    """Why something was not done. ``id``: which failure it is, of those that the commands have too; ``what``, ``where``
    and ``fix``: what it is, where, and what to do. Of an entry that could mean more than one thing ``asks`` says what
    has to be told: a number up to ``most``, or one of ``choices``; ``entry``: that which says the same already."""

    type: str
    title: str
    status: int
    detail: str
    id: str
    what: str
    where: str | None
    fix: str | None
    asks: str | None
    most: int | None
    choices: list[str] | None
    entry: int | None


def meanings() -> dict[str, str]:
    """Every failure by its id, with what it means."""
    kinds: list[type[MonitorError]] = [MonitorError]
    found: dict[str, str] = {}
    while kinds:
        kind = kinds.pop()
        kinds += kind.__subclasses__()
        found |= {kind.id: kind.meaning} if kind.id else {}
    return found


def status_of(error: MonitorError) -> int:
    """The status with which a failure is told."""
    return next((status for kind, status in _STATUS.items() if isinstance(error, kind)), 409)


def by_keys(text: str) -> str:
    """What a command is told by its options, a program tells by their keys: ``--not-yet-at`` is ``not_yet_at``."""
    return re.sub(r"--([a-z]+(?:-[a-z]+)*)", lambda found: found[1].replace("-", "_"), text)


def problem_of(error: MonitorError) -> JSONResponse:
    """A failure of the program's own."""
    status = status_of(error)
    told = _problem(status, by_keys(error.what), error.where, by_keys(error.fix)) | {
        "type": f"/api/problems/{error.id}",
        "title": error.meaning,
        "id": error.id,
    }
    if isinstance(error, EntryUndecided):
        told |= {"asks": error.asks, "most": error.most or None, "choices": list(error.choices) or None}
    if isinstance(error, EntryThere):
        told |= {"entry": error.entry}
    return JSONResponse(told, status, LATER if status == 503 else None, MEDIA_TYPE)


def problem(status: int, what: str, fix: str = "", headers: Mapping[str, str] | None = None) -> JSONResponse:
    """A mere status, with what there is to say of it."""
    return JSONResponse(_problem(status, what, "", fix), status, dict(headers or {}), MEDIA_TYPE)


def _problem(status: int, what: str, where: str, fix: str) -> dict[str, Any]:
    title = HTTPStatus(status).phrase
    whole = ": ".join(x for x in (where, what or title) if x)
    told: ProblemJson = {
        "type": "about:blank",
        "title": title,
        "status": status,
        "detail": f"{whole}; {fix}" if fix else whole,
        "id": f"http-{status}",
        "what": what or title,
        "where": where or None,
        "fix": fix or None,
        "asks": None,
        "most": None,
        "choices": None,
        "entry": None,
    }
    return dict(told)
