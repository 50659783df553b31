"""What a form brings: its fields within bounds, from somebody who may enter, with the key of their session."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, Mapping
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

MOST_FIELDS: Final = 40
LONGEST_FIELD: Final = 4000

Posted = Callable[[Request, Mapping[str, str]], Response]


def posting(handler: Posted, *, anybody: bool = False) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint of a form: ``handler`` gets its fields, in a thread of the pool.

    Refused: whoever may only look, unless ``anybody`` may send it; a form without the key of the session, which came
    from another page; files; and more than ``MOST_FIELDS`` fields.
    """

    async def endpoint(request: Request) -> Response:
        who = getattr(request.state, "who", None)
        if not anybody and who is not None and not who.may_enter:
            raise HTTPException(403)
        form = await request.form(max_files=0, max_fields=MOST_FIELDS, max_part_size=LONGEST_FIELD)
        fields = {name: str(value)[:LONGEST_FIELD] for name, value in form.items()}
        expected = str(getattr(request.state, "form_key", ""))
        if not hmac.compare_digest(expected.encode(), fields.pop("form_key", "").encode()):
            raise HTTPException(403)
        return await run_in_threadpool(handler, request, fields)

    return endpoint


def who_enters(request: Request) -> str:
    """The name that an entry or an answer gets; empty where nobody had to say who they are."""
    who = getattr(request.state, "who", None)
    return "" if who is None else str(who.name)
