"""A logger's delimited text file: reading one into columns of the store, and writing readings out.

Loggers disagree about everything: lines before the header, the delimiter, decimal commas, the way time is written and
whether the clock follows daylight saving. What is not certain is either asked for or said; a row that cannot be
read is counted and shown, and never stops the others.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import field, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from difflib import get_close_matches
from pathlib import Path
from typing import IO, Final, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from monitor.adapters.store import Columns, Readings
from monitor.core.readings import quality
from monitor.core.readings.local_times import utc_of_local
from monitor.core.readings.ten_minutes import TenMinuteSpread
from monitor.core.terms.arrays import Values
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe, Unit
from monitor.core.terms.times import DAY_MS
from monitor.errors import FileUnreadable, UsageError
from monitor.values import dataclass

TimeUnit = Literal["s", "min", "h", "days"]
ExportFormat = Literal["csv", "jsonl"]

SHOWN_BAD: Final = 5
_UNIT_MS: Final[dict[str, float]] = {"s": 1e3, "min": 6e4, "h": 3.6e6, "days": 8.64e7}
_EPOCH: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from a naive origin
_MS: Final = timedelta(milliseconds=1)
# Before this a logger's clock was not set; it also catches formats without a date (year 1900).
_OLDEST_MS: Final = 631_152_000_000  # 1990-01-01
# As far as a clock may be ahead of ours before a time counts as lying in the future.
_AHEAD_MS: Final = 300_000
# Beyond this a number is no time at all, and calendars stop working.
_FIRST_YEAR: Final = 1900
_LAST_YEAR: Final = 2200
_LAST_MS: Final = 7.2e12
_HEAD_LINES: Final = 60
_LONGEST_LINE: Final = 128 * 1024
"""Characters; a line that is longer belongs to no table."""
_LONGEST_CELL: Final = 100
"""Characters of a number or a time."""
_UNSET: Final = "lies before 1990: the logger's clock was not set, or the time is written otherwise"
_DELIMITERS: Final = (",", ";", "\t", "|")
_EMPTY: Final = frozenset({"", "na", "n/a", "nan", "null", "none", "-", "--", "---"})


@dataclass(frozen=True, slots=True)
class FileShape:
    """How to read a file. ``time_format`` is "iso", "s" or "ms" (since 1970, UTC), or a strptime pattern.

    With ``start_ms`` the time column counts ``time_unit`` from that moment. ``only`` keeps the rows whose named
    column holds a value. ``zone`` is for times that carry none.
    """

    time_column: str
    value_column: str
    unit: Unit
    zone: tzinfo = UTC
    time_format: str = "iso"
    start_ms: int | None = None
    time_unit: TimeUnit = "min"
    delimiter: str | None = None
    decimal: Literal[".", ","] = "."
    only: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that could not be read: its line in the file, the column, what stood there and what is wrong."""

    line: int
    column: str
    text: str
    reason: str

    def __str__(self) -> str:
        return f"line {self.line}, column {self.column}: {self.text!r}: {self.reason}"


@dataclass(frozen=True)
class LoggerFile:
    """What a file holds: good rows as columns in order of time, one per moment, and an account of the rest.

    ``ambiguous`` counts local times that occur twice when the clocks go back, ``second_pass`` those of them taken
    as the later ones; ``nonexistent`` those that the clocks jump over. ``same_time`` rows repeat the moment of
    an earlier row (the earlier stays).
    """

    columns: Columns
    rows: int
    bad_rows: int
    bad: tuple[BadRow, ...]
    empty: int
    other: int
    zoneless: int
    ambiguous: int
    second_pass: int
    nonexistent: int
    same_time: int

    @property
    def median_step_s(self) -> float:
        """Median time between neighbouring readings; 0 for fewer than two."""
        return float(np.median(np.diff(self.columns.at))) / 1000.0 if len(self.columns) > 1 else 0.0


def zone_named(name: str) -> tzinfo:
    """An IANA time zone, or a fixed distance from UTC written +HH:MM. Raises UsageError."""
    if name.upper() in ("UTC", "Z"):
        return UTC
    if name[:1] in ("+", "-"):
        try:
            offset = datetime.fromisoformat(f"2000-01-01T00:00{name}").utcoffset()
            return timezone(offset or timedelta(0))
        except ValueError as error:
            raise UsageError(f"{name!r} is no distance from UTC", where="--zone", fix="write it as +01:00") from error
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(
            f"no time zone {name!r}", where="--zone", fix="give an IANA name such as Europe/Berlin, UTC, or +01:00"
        ) from error


def moment_ms(text: str, zone: tzinfo) -> int:
    """An ISO date or time as UTC ms; without a zone of its own it is taken in ``zone``.

    Raises ValueError for what is none, or none that a reading could have.
    """
    moment = datetime.fromisoformat(text)
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(f"the year {moment.year}")
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // _MS


def to_celsius(value: Values, unit: Unit) -> Values:
    """Values in the inner unit: degrees Celsius, or per cent as they are. Converted ones have six places."""
    if unit == "F":
        return np.round((value - 32.0) / 1.8, 6)
    if unit == "K":
        return np.round(value - 273.15, 6)
    return value


# -- reading ------------------------------------------------------------------------------------------------


def read(path: Path, shape: FileShape, received_ms: int, progress: Callable[[int], None] | None = None) -> LoggerFile:
    """Read a file whole.

    ``received_ms`` is now. ``progress`` gets the bytes read so far. Raises FileUnreadable when there is no such file,
    column or good row.
    """
    try:
        with path.open("rb") as file:
            head = file.read(262_144)
        encoding = _encoding(path, head)
        header = _header(path, head.decode(encoding, "replace"), shape)
        try:
            raw = _raw(path, shape, header, encoding, progress)
        except UnicodeDecodeError:
            # Older loggers write the degree sign in the Western European code page.
            raw = _raw(path, shape, header, "cp1252", progress)
    except OSError as error:
        raise FileUnreadable(
            f"the file cannot be read ({error.strerror})", where=str(path), fix="check the name and its permissions"
        ) from error
    return _finished(path, shape, raw, received_ms)


def _encoding(path: Path, head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    if b"\0" in head:
        raise FileUnreadable(
            "this is not a text file", where=str(path), fix="export the readings from the logger's program as CSV"
        )
    try:
        # The end may cut a character in two; four bytes are the longest one.
        head[: max(len(head) - 4, 0)].decode("utf-8-sig")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


@dataclass(frozen=True, slots=True)
class _Header:
    line: int
    names: tuple[str, ...]
    delimiter: str


def _header(path: Path, head: str, shape: FileShape) -> _Header:
    """Find the line that names the columns; loggers like to write about themselves first."""
    wanted = [shape.time_column, shape.value_column, *([shape.only[0]] if shape.only else [])]
    lines = list(itertools.islice(io.StringIO(head, newline=""), _HEAD_LINES))
    if not "".join(lines).strip():
        raise FileUnreadable("the file is empty", where=str(path), fix="give a file with a line of column names")
    best = _Header(0, (), "")
    for delimiter in (shape.delimiter,) if shape.delimiter else _DELIMITERS:
        reader = csv.reader(lines, delimiter=delimiter)
        try:
            for row in reader:
                names = tuple(name.strip() for name in row)
                if all(w in names for w in wanted):
                    return _unambiguous(path, _Header(reader.line_num, names, delimiter), wanted)
                if len(names) > len(best.names):
                    best = _Header(reader.line_num, names, delimiter)
        except csv.Error:
            continue
    missing = next((w for w in wanted if w not in best.names), wanted[0])
    close = get_close_matches(missing, best.names, 1, 0.6)
    raise FileUnreadable(
        f"no column {missing!r}; the columns are: {', '.join(repr(n) for n in best.names if n)}",
        where=str(path),
        fix=f"did you mean {close[0]!r}?" if close else "name the columns with --time-column and --value-column",
    )


def _unambiguous(path: Path, header: _Header, wanted: Sequence[str]) -> _Header:
    for name in wanted:
        if header.names.count(name) > 1:
            raise FileUnreadable(
                f"column {name!r} is there {header.names.count(name)} times",
                where=f"{path}, line {header.line}",
                fix="rename one of them in the file",
            )
    return header


@dataclass()
class _Raw:
    """Rows as they stand in the file, and an account of those that did not become readings."""

    at: array[int] = field(default_factory=lambda: array("q"))
    zoneless: bytearray = field(default_factory=bytearray)
    value: array[float] = field(default_factory=lambda: array("d"))
    line: array[int] = field(default_factory=lambda: array("q"))
    bad_rows: int = 0
    shown: list[BadRow] = field(default_factory=list)
    rows: int = 0
    empty: int = 0
    other: int = 0

    def bad(self, line: int, column: str, text: str, reason: str) -> None:
        self.bad_rows += 1
        if len(self.shown) < SHOWN_BAD:
            self.shown.append(BadRow(line, column, text, reason))


def _rows(file: IO[str], header: _Header, raw: _Raw) -> Iterator[tuple[int, list[str]]]:
    """Rows after the header with their line numbers; a row that is no CSV at all is counted."""
    reader = csv.reader(_Lines(file), delimiter=header.delimiter)
    while True:
        try:
            for row in reader:
                if reader.line_num > header.line:
                    yield reader.line_num, row
            return
        except csv.Error as error:
            raw.rows += 1
            raw.bad(reader.line_num, "-", "", f"not a row of columns ({error})")


class _Lines:
    """A file's lines with their ends. One that is too long is an error of the table, and passed over."""

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = self._file.readline(_LONGEST_LINE)
        if not line:
            raise StopIteration
        if len(line) == _LONGEST_LINE:
            while line and line[-1] not in "\r\n":
                line = self._file.readline(_LONGEST_LINE)
            raise csv.Error("line too long")
        return line


def _raw(path: Path, shape: FileShape, header: _Header, encoding: str, progress: Callable[[int], None] | None) -> _Raw:
    raw = _Raw()
    times, values, numbers, naive = raw.at, raw.value, raw.line, raw.zoneless
    when = _time_reader(shape)
    at_time = header.names.index(shape.time_column)
    at_value = header.names.index(shape.value_column)
    at_only = header.names.index(shape.only[0]) if shape.only else -1
    comma = shape.decimal == ","
    first = True
    # Five bytes mean nothing in the Western European code page: no reason to refuse the rows around them.
    lenient = "replace" if encoding == "cp1252" else "strict"
    with path.open("r", encoding=encoding, errors=lenient, newline="") as file:
        for line, row in _rows(file, header, raw):
            if not row or (len(row) == 1 and not row[0].strip()):
                continue
            if first:
                first = False
                if len(row) == len(header.names) + 1 and row[-1].strip():
                    # Some programs number the rows and leave that column without a name.
                    at_time, at_value, at_only = at_time + 1, at_value + 1, at_only + 1 if shape.only else -1
            raw.rows += 1
            if progress is not None and not raw.rows & 0x3FFF:
                progress(file.buffer.tell())  # type: ignore[attr-defined]
            try:
                if shape.only is not None and row[at_only].strip() != shape.only[1]:
                    raw.other += 1
                    continue
                text, number = row[at_time].strip(), row[at_value].strip()
            except IndexError:
                raw.bad(line, "-", header.delimiter.join(row)[:80], f"only {len(row)} columns")
                continue
            try:
                # Neither a number nor a time is long; what they cost grows with their length.
                if len(number) > _LONGEST_CELL or len(text) > _LONGEST_CELL:
                    raise ValueError
                value = float(number.replace(",", ".") if comma else number)
            except ValueError:
                if number.lower() in _EMPTY:
                    raw.empty += 1
                else:
                    hint = "; if that is a decimal comma, give --decimal ," if "," in number and not comma else ""
                    raw.bad(line, shape.value_column, number[:80], f"not a number{hint}")
                continue
            if not math.isfinite(value):
                raw.empty += 1
                continue
            try:
                at, zoneless = when(text)
            except (ValueError, OverflowError) as error:
                raw.bad(line, shape.time_column, text[:80], _why_no_time(shape, error))
                continue
            times.append(at)
            values.append(value)
            numbers.append(line)
            naive.append(zoneless)
    return raw


class _Unfit(ValueError):
    """A time that can be read but not be meant; the text says why."""


def _time_reader(shape: FileShape) -> Callable[[str], tuple[int, bool]]:
    """Text -> (ms, whether it is local: without a zone)."""
    if shape.start_ms is not None:
        start, factor = shape.start_ms, _UNIT_MS[shape.time_unit]

        def since_start(text: str) -> tuple[int, bool]:
            count = float(text.replace(",", ".") if shape.decimal == "," else text)
            if count < 0:
                raise _Unfit("lies before the start")
            return _sensible(start + count * factor), False

        return since_start
    if shape.time_format in ("s", "ms"):
        scale = 1000.0 if shape.time_format == "s" else 1.0
        return lambda text: (_sensible(float(text) * scale), False)
    parse = datetime.fromisoformat
    if shape.time_format != "iso":
        pattern = shape.time_format

        def parse(text: str) -> datetime:
            return datetime.strptime(text, pattern)  # noqa: DTZ007 - the zone is dealt with below

    aware_epoch = _EPOCH.replace(tzinfo=UTC)

    def moment(text: str) -> tuple[int, bool]:
        found = parse(text)
        if found.year > _LAST_YEAR:
            raise _Unfit("lies in the future")
        if found.year < _FIRST_YEAR:
            # Calendars that are asked for the zone's offset in the year 1 have none before it.
            raise _Unfit(_UNSET)
        if found.tzinfo is None:
            return (found - _EPOCH) // _MS, True
        return (found - aware_epoch) // _MS, False

    return moment


def _sensible(at_ms: float) -> int:
    if not -_LAST_MS < at_ms < _LAST_MS:
        raise _Unfit("lies in the future (s and ms mixed up?)")
    return round(at_ms)


def _why_no_time(shape: FileShape, error: Exception) -> str:
    if isinstance(error, _Unfit):
        return str(error)
    if shape.start_ms is not None:
        return f"not a number of {shape.time_unit} since the start"
    if shape.time_format in ("s", "ms"):
        return f"not a count of {shape.time_format} since 1970"
    if shape.time_format == "iso":
        return "not a time as 2026-05-01 14:30; say how it is written, such as --time-format '%d.%m.%Y %H:%M'"
    return f"not a time as {shape.time_format}"


def _finished(path: Path, shape: FileShape, raw: _Raw, received_ms: int) -> LoggerFile:
    at = np.array(raw.at, np.int64)
    local = np.frombuffer(bytes(raw.zoneless), np.uint8).astype(bool)
    utc = utc_of_local(at[local], shape.zone)
    at[local] = utc.at
    value = to_celsius(np.array(raw.value, np.float64), shape.unit)
    good = np.ones(len(at), bool)
    for wrong, reason in (
        (at > received_ms + _AHEAD_MS, "lies in the future"),
        (at < _OLDEST_MS, _UNSET),
    ):
        good &= ~wrong
        for i in np.flatnonzero(wrong):
            raw.bad(int(raw.line[i]), shape.time_column, _iso(int(at[i])), reason)
    at, value = at[good], value[good]
    if len(at) == 0:
        shown = "".join(f"\n  {row}" for row in raw.shown)
        only = f"; {raw.other} rows are not {shape.only[0]}={shape.only[1]}" if shape.only and raw.other else ""
        raise FileUnreadable(
            f"none of {raw.rows} rows could be read ({raw.bad_rows} bad, {raw.empty} without a value{only}){shown}",
            where=str(path),
            fix="check the columns, the time format, the delimiter and the decimal sign",
        )
    n = len(at)
    columns = Columns(
        at,
        value,
        np.full(n, received_ms, np.int64),
        np.full(n, int(Flag.NOT_JUDGED), np.uint8),
        np.ones(n, bool),
        ("",) * n,
    ).sorted_first_wins()
    return LoggerFile(
        columns,
        rows=raw.rows,
        bad_rows=raw.bad_rows,
        bad=tuple(raw.shown),
        empty=raw.empty,
        other=raw.other,
        zoneless=int(local.sum()),
        ambiguous=utc.ambiguous,
        second_pass=utc.second_pass,
        nonexistent=utc.nonexistent,
        same_time=n - len(columns),
    )


# -- quality ------------------------------------------------------------------------------------------------


def judged(columns: Columns, probe: Probe) -> Columns:
    """Readings in order of time with the flags that :func:`judge` gives one after the other.

    ``probe.unit`` is the unit of the file (an error value is one as it was written). Where a reading lies
    near its believed neighbour and nothing else speaks against it, the answer is known without asking.
    """
    at, value = columns.at, columns.value
    plain = _unremarkable(value, probe)
    near = plain[1:] & plain[:-1] & (np.abs(np.diff(value)) <= quality.STEP_C)
    reach_ms = max(quality.STEP_HOLDS_S, quality.GAP_INTERVALS * probe.interval_s) * 1000.0
    flag = np.full(len(at), int(Flag.NOT_JUDGED), np.uint8)
    flag[1:][np.diff(at) <= reach_ms] = int(Flag.GOOD)
    test = [""] * len(at)
    context = quality.Context()
    edges = [0, *(np.flatnonzero(~near) + 1).tolist(), len(at)]
    for start, end in itertools.pairwise(edges):
        i = start
        while i < end and (i == start or context.last_ms != at[i - 1]):
            asked = Reading(probe.id, int(at[i]), float(value[i]), int(columns.received[i]))
            answer, context = quality.judge(asked, context, probe)
            flag[i], test[i] = int(answer.flag), answer.test
            i += 1
        if i < end:
            context = quality.Context(int(at[end - 1]), float(value[end - 1]), int(at[end - 1]))
    return replace(columns, flag=flag, test=tuple(test))


def _unremarkable(value: Values, probe: Probe) -> NDArray[np.bool_]:
    """In range and no error value, with some room for rounding: only the step test can object to such readings."""
    low, high = quality.RANGE_C if probe.quantity == "temperature" else quality.RANGE_PCT
    told = {"F": value * 1.8 + 32.0, "K": value + 273.15}.get(probe.unit, value)
    plain: NDArray[np.bool_] = (value >= low) & (value <= high)
    for known in (quality.POWER_ON_C, *quality.ERROR_VALUES):
        plain &= (np.abs(value - known) > 1e-3) & (np.abs(told - known) > 1e-3)
    return plain


# -- writing ------------------------------------------------------------------------------------------------

EXPORT_COLUMNS: Final = (
    "time_utc",
    "probe",
    "value",
    "unit",
    "flag",
    "test",
    "received_utc",
    "timed",
    "readings",
    "lowest",
    "highest",
)
_EXPORT_STEP_MS: Final = 30 * DAY_MS


def write(
    out: IO[str],
    readings: Readings,
    probes: Iterable[tuple[str, str]],
    from_ms: int,
    to_ms: int,
    *,
    form: ExportFormat = "csv",
) -> int:
    """Write the readings of ``probes`` (name, unit) with ``from_ms <= at < to_ms``; returns how many rows.

    Values are as the probe said them, in Celsius or per cent, without corrections; numbers in full, so
    that reading the file again gives the same readings. Old ones may be means of ten minutes: a row says of how many
    readings it is, and the lowest and the highest of them.
    """
    table = csv.writer(out, lineterminator="\n") if form == "csv" else None
    if table is not None:
        table.writerow(EXPORT_COLUMNS)
    count = 0
    newest = readings.last_at()
    for name, unit in probes:
        oldest = readings.first_at(name)
        if oldest is None:
            continue
        start, end = max(from_ms, oldest), min(to_ms, newest[name] + 1)
        while start < end:
            step = min(start + _EXPORT_STEP_MS, end)
            columns = readings.load([name], start, step)[name]
            spread = columns.spread or TenMinuteSpread.single(columns.value)
            rows = (
                (_iso(at), name, value, unit, flag, test, _iso(received), timed, count, lowest, highest)
                for at, value, flag, test, received, timed, count, lowest, highest in zip(
                    columns.at.tolist(),
                    columns.value.tolist(),
                    columns.flag.tolist(),
                    columns.test,
                    columns.received.tolist(),
                    columns.timed.astype(int).tolist(),
                    spread.count.tolist(),
                    spread.lowest.tolist(),
                    spread.highest.tolist(),
                    strict=True,
                )
            )
            if table is not None:
                table.writerows(rows)
            else:
                for row in rows:
                    out.write(json.dumps(dict(zip(EXPORT_COLUMNS, row, strict=True)), ensure_ascii=False) + "\n")
            count += len(columns)
            start = step
    return count


def _iso(at_ms: int) -> str:
    return (_EPOCH + timedelta(milliseconds=at_ms)).isoformat(timespec="milliseconds") + "Z"
