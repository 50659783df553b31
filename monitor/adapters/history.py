"""History out of a time-series database: what rooms shipped there (:mod:`monitor.adapters.shipping`), read back.

By InfluxQL at ``/query``, which version 1, version 2 (where a bucket is mapped to a database) and version 3 answer; the
token goes in the header that all three take. The database is another program's: what it says is bounded in length and
time, and looked at before it is believed. Nothing is written.
"""

from __future__ import annotations

import json
import math
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from http.client import HTTPException, HTTPResponse
from typing import Any, Final

from monitor.core.terms.settings import HistoryAt
from monitor.errors import HistoryRefused, HistoryUnreachable, UnknownSubject, UsageError
from monitor.values import dataclass

ANSWER_S: Final = 30.0
LARGEST_ANSWER: Final = 32 * 2**20
ROWS_A_PAGE: Final = 10_000
MOST_ROWS: Final = 1_000_000
MOST_STEPS: Final = 10_000
LONGEST_NAME: Final = 200


@dataclass(frozen=True, slots=True)
class HistoryStep:
    """What lies in one step of time, or all of it: how many values, their mean, the lowest and the highest."""

    from_ms: int
    count: int
    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ShippedReading:
    """One reading as it was shipped: the value in C, per cent, V or g, and its flag."""

    at_ms: int
    value: float
    flag: int


class RoomHistory:
    """The database of one room. Every method raises HistoryUnreachable, HistoryRefused, UsageError and UnknownSubject.

    Times are ms since 1970, from the first on and before the second.
    """

    def __init__(self, place: HistoryAt, room: str, answer_s: float | None = None) -> None:
        """``answer_s``: so long an answer may take, half a minute where nothing else is said."""
        self._place = place
        self._answer_s = ANSWER_S if answer_s is None else answer_s
        self._database = place.database.replace("{room}", room)

    def boxes(self, from_ms: int, to_ms: int) -> dict[str, HistoryStep]:
        """Each box of which a temperature was shipped in a span; box -> what it was over all of it."""
        found = {}
        asked = f'SELECT {_SUMS} FROM "box" WHERE {_span(from_ms, to_ms)} GROUP BY "box"'  # noqa: S608 - numbers
        for series in self._asked(asked):
            steps = list(_steps(series))
            box = series["tags"].get("box")
            if steps and isinstance(box, str):
                found[box] = steps[0]
        return dict(sorted(found.items()))

    def box(self, box: str, from_ms: int, to_ms: int, every_ms: int) -> list[HistoryStep]:
        """The temperature of a box by steps; a step in which nothing was shipped is left out."""
        if not 0 < (to_ms - from_ms) / max(every_ms, 1) <= MOST_STEPS:
            raise UsageError(f"a span of more than {MOST_STEPS} steps", fix="give a longer --every, or a shorter span")
        where = f'"box" = {_text(box)} AND {_span(from_ms, to_ms)}'
        asked = f'SELECT {_SUMS} FROM "box" WHERE {where} GROUP BY time({every_ms}ms) fill(none)'  # noqa: S608 - quoted
        return [step for series in self._asked(asked) for step in _steps(series) if step.count]

    def readings(self, probe: str, from_ms: int, to_ms: int) -> Iterator[ShippedReading]:
        """Every reading of a probe, oldest first."""
        where = f'"probe" = {_text(probe)} AND {_span(from_ms, to_ms)}'
        for start in range(0, MOST_ROWS, ROWS_A_PAGE):
            part = f"LIMIT {ROWS_A_PAGE} OFFSET {start}"
            asked = f'SELECT "value", "flag" FROM "reading" WHERE {where} {part}'  # noqa: S608 - quoted
            rows = [row for series in self._asked(asked) for row in _rows(series, "value", "flag")]
            for at_ms, (value, flag) in rows:
                yield ShippedReading(at_ms, value, round(flag))
            if len(rows) < ROWS_A_PAGE:
                return
        raise UsageError(f"more than {MOST_ROWS} readings", fix="give a shorter span")

    # ------------------------------------------------------------ asking

    def _asked(self, query: str) -> list[dict[str, Any]]:
        """The series of an answer, each with ``columns``, ``values`` and ``tags``."""
        answer = self._json(query)
        results = answer.get("results")
        result = results[0] if isinstance(results, list) and results else None
        if not isinstance(result, dict):
            raise self._refused(f"it says {_shown(answer)}", "check that the address is that of an InfluxDB")
        if "error" in result:
            raise self._judged(str(result["error"]))
        if result.get("partial"):
            raise self._refused("it gives a part of the answer alone", "give a shorter span")
        found = []
        for series in result.get("series") or ():
            columns, values, tags = (series.get(k) if isinstance(series, dict) else None for k in _PARTS)
            if not isinstance(columns, list) or not isinstance(values, list) or not isinstance(tags or {}, dict):
                raise self._refused(f"a series is {_shown(series)}", "this is a mistake of the database, or of ours")
            found.append({"columns": columns, "values": values, "tags": tags or {}})
        return found

    def _json(self, query: str) -> dict[str, Any]:
        asked = urllib.parse.urlencode({"db": self._database, "epoch": "ms", "q": query})
        request = urllib.request.Request(f"{self._place.url.rstrip('/')}/query?{asked}")  # noqa: S310 - checked
        if self._place.token:
            request.add_header("Authorization", f"Token {self._place.token}")
        try:
            with _OPENER.open(request, timeout=self._answer_s) as response:
                raw = _read(response, self._answer_s)
        except urllib.error.HTTPError as error:
            with error:
                raise self._judged(_said(error), error.code) from None
        except (OSError, HTTPException, ValueError) as error:
            why = getattr(error, "reason", error)
            raise HistoryUnreachable(
                f"the database does not answer ({why})", where=self._place.url, fix="check that it runs, and its url"
            ) from error
        try:
            answer = json.loads(raw)
        except (ValueError, RecursionError):
            answer = None
        if not isinstance(answer, dict):
            raise self._refused("its answer is no JSON", "check that the address is that of an InfluxDB")
        return answer

    def _judged(self, said: str, status: int = 0) -> HistoryRefused | UnknownSubject:
        low = said.lower()
        if status in (401, 403):
            return self._refused(f"status {status}: {said}", "check the token, and that it may read this database")
        if "database not found" in low or "dbrp mapping not found" in low or "no dbrp" in low:
            return UnknownSubject(
                f"there is no database {self._database!r} there ({said})",
                where=self._place.url,
                fix="check room and database; a bucket of version 2 is mapped by: influx v1 dbrp create --db NAME "
                "--rp autogen --default --bucket-id ID",
            )
        return self._refused(f"status {status}: {said}" if status else said, "check url and database")

    def _refused(self, said: str, fix: str) -> HistoryRefused:
        text = said.replace(self._place.token, "(token)") if self._place.token else said
        return HistoryRefused(f"the database refuses: {text}", where=self._place.url, fix=fix)


_SUMS: Final = (
    'COUNT("temperature_c") AS "n", MEAN("temperature_c") AS "mean", MIN("temperature_c") AS "low", '
    'MAX("temperature_c") AS "high"'
)
_PARTS: Final = ("columns", "values", "tags")


class _NoWay(urllib.request.HTTPRedirectHandler):
    """Led elsewhere, the token would go along."""

    def redirect_request(self, *_: Any) -> None:
        return None


_OPENER: Final = urllib.request.build_opener(_NoWay)


def _read(response: HTTPResponse, within_s: float) -> bytes:
    """All of an answer, within its bounds. Raises OSError."""
    deadline = time.monotonic() + within_s
    parts: list[bytes] = []
    length = 0
    while part := response.read1(65_536):
        parts.append(part)
        length += len(part)
        if length > LARGEST_ANSWER:
            raise OSError(f"an answer of more than {LARGEST_ANSWER // 2**20} MiB")
        if time.monotonic() > deadline:
            raise OSError(f"an answer that takes more than {within_s:.0f} s")
    return b"".join(parts)


def _said(error: urllib.error.HTTPError) -> str:
    try:
        raw = error.read(2000)
    except (OSError, HTTPException):
        return ""
    try:
        found = json.loads(raw)
        text = str(found.get("error") or found.get("message") or found) if isinstance(found, dict) else str(found)
    except (ValueError, RecursionError):
        text = raw.decode("utf-8", "replace")
    return " ".join(text.split())[:300]


def _shown(value: object) -> str:
    return repr(value)[:120]


def _text(name: str) -> str:
    """A name as a string of InfluxQL, in which a quote and a backslash are escaped by a backslash."""
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise UsageError(f"{name[:60]!r} is no name of a box or probe", fix="write it as the room's file has it")
    quoted = name.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{quoted}'"


def _span(from_ms: int, to_ms: int) -> str:
    return f"time >= {int(from_ms)}ms AND time < {int(to_ms)}ms"


def _rows(series: Mapping[str, Any], *names: str) -> Iterator[tuple[int, tuple[float, ...]]]:
    """Time and the named columns of each row that has them all; a row of another form is left out."""
    columns: list[object] = series["columns"]
    if any(name not in columns for name in ("time", *names)):
        return
    places = [columns.index(name) for name in ("time", *names)]
    for row in series["values"]:
        if not isinstance(row, Sequence) or isinstance(row, str) or len(row) != len(columns):
            continue
        found = [row[place] for place in places]
        if all(isinstance(x, int | float) and not isinstance(x, bool) and math.isfinite(x) for x in found):
            yield int(found[0]), tuple(float(x) for x in found[1:])


def _steps(series: Mapping[str, Any]) -> Iterator[HistoryStep]:
    for at_ms, (count, mean, low, high) in _rows(series, "n", "mean", "low", "high"):
        yield HistoryStep(at_ms, round(count), mean, low, high)
