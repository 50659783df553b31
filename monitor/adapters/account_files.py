"""The keeper's account as a file: one row an entry, as CSV, JSON lines or Parquet, to be read again.

The columns are our own, and stand in the guide to the configuration. Only ``what`` is always needed, ``clutch`` for all
that is not of a box, and ``at``. ``entry`` numbers the rows so that ``corrects`` can name one. A row that has
``recorded`` is one that Warmtally took before.
"""

from __future__ import annotations

import csv
import difflib
import io
import json
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import IO, Any, Final

from monitor.core.terms.entries import FileRow
from monitor.core.terms.events import COUNTED, LOST, EventKind, KeeperEvent
from monitor.core.terms.times import moment_of
from monitor.errors import EventRefused, FileUnreadable, MonitorError, NotInstalled, UsageError

FORMS: Final = ("csv", "jsonl", "parquet")
_COUNTS: Final = ("eggs", *COUNTED, "slugs", "gone")
# As they were told, blanks included.
_WORDS: Final = ("note", "by", "dam", "sire", "line")
_TEXTS: Final = ("species", "dam", "sire", "line", "how", "by")
COLUMNS: Final = (
    "entry",
    "clutch",
    "what",
    "at",
    "day_only",
    "box",
    "to",
    *_COUNTS,
    "not_yet_at",
    "developed",
    "grams",
    "not_set",
    *_TEXTS,
    "note",
    "corrects",
    "withdrawn",
    "recorded",
)
# What a keeper's account of many years can hold, and no more is read.
MOST_BYTES: Final = 32 * 1024 * 1024
MOST_ROWS: Final = 200_000
MOST_BAD: Final = 1000
# A spreadsheet takes a text that begins so for a formula, and does what it says. What such a program shows as a text
# begins with an apostrophe, which is taken away again.
_FORMULA: Final = re.compile(r"'*[=+\-@\t\r]")


def write(out: IO[str], events: Iterable[KeeperEvent], zone: tzinfo, form: str) -> None:
    """Every entry as a row of CSV or of JSON lines, times in the room's zone with their offset."""
    rows = (_told(event, zone) for event in events)
    if form == "jsonl":
        for row in rows:
            out.write(json.dumps({k: v for k, v in row.items() if v is not None}, ensure_ascii=False) + "\n")
        return
    table = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    table.writeheader()
    table.writerows({k: as_text(v) for k, v in row.items()} for row in rows)


def write_file(path: Path, events: Sequence[KeeperEvent], zone: tzinfo, form: str) -> None:
    """The same to a file; Parquet too. Raises NotInstalled where pyarrow is not there."""
    if form != "parquet":
        with path.open("w", encoding="utf-8", newline="") as out:
            write(out, events, zone, form)
        return
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise NotInstalled("Parquet needs the package pyarrow", fix="pip install pyarrow, or --format csv") from error
    kinds = dict.fromkeys((*_COUNTS, "entry", "corrects"), pa.int64())
    kinds |= dict.fromkeys(("developed", "grams"), pa.float64()) | dict.fromkeys(
        ("day_only", "not_set", "withdrawn"), pa.bool_()
    )
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in COLUMNS])
    pq.write_table(pa.Table.from_pylist([_told(event, zone) for event in events], schema=schema), path)


def _told(event: KeeperEvent, zone: tzinfo) -> dict[str, Any]:
    """A row; what was not told is None."""

    def moment(at_ms: int | None) -> str | None:
        return None if at_ms is None else datetime.fromtimestamp(at_ms / 1000, zone).isoformat(timespec="milliseconds")

    return {
        "entry": event.id,
        "clutch": event.clutch or None,
        "what": event.kind.value,
        "at": moment(event.at_ms),
        "day_only": event.day_only or None,
        "box": event.box or None,
        "to": event.to_box or None,
        **{name: getattr(event, name) for name in ("eggs", *COUNTED)},
        "slugs": event.slugs or None,
        "gone": event.gone or None,
        "not_yet_at": moment(event.not_yet_at_ms),
        "developed": event.developed or None,
        "grams": event.grams,
        "not_set": event.not_set or None,
        **{name: getattr(event, name) or None for name in _TEXTS},
        "note": event.text or None,
        "corrects": event.corrects,
        "withdrawn": event.withdrawn or None,
        "recorded": moment(event.recorded_ms),
    }


def as_text(value: object) -> object:
    """A cell of a CSV file that no spreadsheet takes for a formula."""
    if isinstance(value, str) and _FORMULA.match(value):
        return f"'{value}"
    return "yes" if value is True else value


def _as_told(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


# -- and in again ---------------------------------------------------------------------------------------------------


def read(path: Path, zone: tzinfo, now_ms: int) -> tuple[list[FileRow], list[tuple[int, MonitorError]]]:
    """The rows of a file, and which of them cannot be read. A row's number is its line in the file.

    Rows without an ``entry`` number come in the order in which they happened. Raises FileUnreadable for what is no
    such file.
    """
    rows: list[FileRow] = []
    bad: list[tuple[int, MonitorError]] = []
    for line, told in _lines(path):
        try:
            rows.append(_row(line, told, zone, now_ms))
        except (ValueError, OverflowError) as error:
            bad.append((line, EventRefused(str(error), fix="put this row right")))
            if len(bad) > MOST_BAD:
                what = f"more than {MOST_BAD} of its rows cannot be read; row {bad[0][0]}: {bad[0][1].what}"
                raise FileUnreadable(what, where=str(path), fix="is it an account?") from error
    if all(row.entry is None for row in rows):
        rows.sort(key=lambda r: (r.event.at_ms, r.event.kind is not EventKind.LAID))
    return rows, bad


def _lines(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    try:
        if not path.is_file():
            raise FileUnreadable("there is no such file", where=str(path), fix="check its name")
        if path.stat().st_size > MOST_BYTES:
            raise FileUnreadable(
                f"the file is longer than {MOST_BYTES >> 20} MB", where=str(path), fix="is it an account?"
            )
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileUnreadable("the file is no text in UTF-8", where=str(path), fix="save it as CSV in UTF-8") from error
    except OSError as error:
        raise FileUnreadable(
            f"it cannot be read ({error.strerror})", where=str(path), fix="check its rights"
        ) from error
    yield from _json_lines(path, text) if text.lstrip().startswith("{") else _csv_lines(path, text)


def _json_lines(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    for line, one in enumerate(io.StringIO(text), 1):
        _check_length(path, line)
        if not one.strip():
            continue
        try:
            found = json.loads(one)
        except (ValueError, RecursionError) as error:
            raise FileUnreadable(f"line {line} is no JSON", where=str(path), fix="one object a line") from error
        if not isinstance(found, dict):
            raise FileUnreadable(f"line {line} is no entry", where=str(path), fix="one object a line")
        _check_columns(path, list(found))
        yield line, {k: "yes" if v is True else str(v) for k, v in found.items() if v is not None and v is not False}


def _csv_lines(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    head = text.split("\n", 1)[0]
    table = csv.reader(io.StringIO(text, newline=""), delimiter=max(",;\t", key=head.count))
    try:
        names = [name.strip().lower() for name in next(table, [])]
        _check_columns(path, names)
        ended = table.line_num
        for row in table:
            # What is quoted may be of more lines than one.
            line, ended = ended + 1, table.line_num
            _check_length(path, line)
            if len(row) > len(names):
                raise FileUnreadable(
                    f"line {line} has more fields than there are columns",
                    where=str(path),
                    fix="put what holds the delimiter in quotes",
                )
            if any(cell.strip() for cell in row):
                cells = zip(names, map(_as_told, row), strict=False)
                told = {k: v if k in _WORDS else v.strip() for k, v in cells}
                yield line, {k: v for k, v in told.items() if v}
    except csv.Error as error:
        raise FileUnreadable(f"line {table.line_num}: {error}", where=str(path), fix="save it as CSV") from error


def _check_length(path: Path, line: int) -> None:
    if line > MOST_ROWS:
        raise FileUnreadable(f"it has more than {MOST_ROWS} lines", where=str(path), fix="bring it in as several files")


def _check_columns(path: Path, names: Sequence[str]) -> None:
    for name in names:
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, n=1)
            raise FileUnreadable(
                f"there is no column {name[:40]!r}",
                where=str(path),
                fix=f"did you mean {near[0]}?" if near else f"the columns are: {', '.join(COLUMNS)}",
            )
    if len(set(names)) != len(names) or "what" not in names:
        raise FileUnreadable(
            "its first line is no list of columns", where=str(path), fix="name each once: clutch,what,at,eggs,box ..."
        )


def _row(line: int, told: dict[str, str], zone: tzinfo, now_ms: int) -> FileRow:
    """Raises ValueError with what is wrong."""
    kind = told.get("what", "").lower()
    if kind not in set(EventKind) - {EventKind.CORRECT}:
        raise ValueError(f"what: {kind[:40]!r} is none of: {', '.join(k for k in EventKind if k != 'correct')}")
    at_ms, day = _moment(told.get("at", ""), zone, "at")
    if told.get("how", "") not in ("", *LOST):
        raise ValueError(f"how: {told['how'][:40]!r} is none of: {', '.join(LOST)}")
    not_yet = _moment(told["not_yet_at"], zone, "not_yet_at")[0] if "not_yet_at" in told else None
    more: dict[str, Any] = {name: _whole(told[name], name) for name in _COUNTS if name in told}
    more |= {name: _number(told[name], name) for name in ("developed", "grams") if name in told}
    more |= {name: told[name] for name in _TEXTS if name in told}
    recorded = _moment(told["recorded"], zone, "recorded")[0] if "recorded" in told else None
    event = KeeperEvent(
        EventKind(kind),
        told.get("clutch", ""),
        at_ms,
        now_ms if recorded is None else recorded,
        box=told.get("box", ""),
        to_box=told.get("to", ""),
        not_yet_at_ms=not_yet,
        day_only=day or _yes(told, "day_only"),
        text=told.get("note", ""),
        corrects=_whole(told["corrects"], "corrects") if "corrects" in told else None,
        withdrawn=_yes(told, "withdrawn"),
        not_set=_yes(told, "not_set"),
        **more,
    )
    if at_ms > now_ms + 300_000:
        raise ValueError(f"at: {told['at'][:40]} lies in the future")
    return FileRow(line, event, _whole(told["entry"], "entry") if "entry" in told else None, recorded is not None)


def _moment(text: str, zone: tzinfo, name: str) -> tuple[int, bool]:
    """As :func:`moment_of`; raises ValueError with the column's name."""
    try:
        return moment_of(text, zone)
    except UsageError as error:
        raise ValueError(f"{name}: {error.what}; {error.fix}") from None


def _whole(text: str, name: str) -> int:
    if not text.lstrip("-").isdecimal() or len(text) > 12:
        raise ValueError(f"{name}: {text[:40]!r} is no whole number")
    return int(text)


def _number(text: str, name: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not abs(value) < 1e9:
        raise ValueError(f"{name}: {text[:40]!r} is no number")
    return value


def _yes(told: dict[str, str], name: str) -> bool:
    text = told.get(name, "").lower()
    if text not in ("", "yes", "no", "true", "false", "1", "0"):
        raise ValueError(f"{name}: {text[:40]!r} is neither yes nor no")
    return text in ("yes", "true", "1")
