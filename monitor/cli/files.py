"""``warmtally import`` and ``warmtally export``: a logger's file in, readings out."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, cast

from monitor.adapters import logger_files
from monitor.adapters.logger_files import FileShape, LoggerFile
from monitor.adapters.store import Columns, Store
from monitor.cli.new_file import new_file
from monitor.cli.progress import bar
from monitor.cli.room import now_ms, settings_of
from monitor.config.zones import zone_of
from monitor.core.terms.formats import show_day, show_readings, show_temperature, show_time
from monitor.core.terms.settings import Probe, Room, Unit
from monitor.errors import StoreError, UnknownSubject, UsageError

_FOREVER_MS: Final = 2**53


def add_parsers(sub: Any, parent: argparse.ArgumentParser) -> None:
    """Add the two verbs to a parser's subcommands (``add_subparsers()``)."""
    read = sub.add_parser(
        "import",
        parents=[parent],
        help="bring the readings of a logger's file into the store",
        description="Bring the readings of a logger's file (delimited text) into the store. Safe to repeat: "
        "what is known already is not doubled. A row that cannot be read is counted and shown.",
        epilog="example: warmtally import june.csv --probe left-upper-warmth --time-column Time --value-column Temp "
        "--unit C --dry-run",
    )
    read.add_argument("file", metavar="FILE", help="the file, with a line of column names")
    read.add_argument("--probe", required=True, metavar="ID", help="the probe whose readings these are")
    read.add_argument("--time-column", required=True, metavar="NAME", help="the column that holds the time")
    read.add_argument("--value-column", required=True, metavar="NAME", help="the column that holds the value")
    read.add_argument("--unit", required=True, choices=("C", "F", "K", "%"), help="the unit of the value in the file")
    read.add_argument("--zone", help="zone of times that name none: IANA name, UTC or +HH:MM (default: the room's)")
    read.add_argument(
        "--time-format",
        default="iso",
        metavar="FORM",
        help="iso (default: 2026-05-01 14:30), s or ms (since 1970), or a pattern such as '%%d.%%m.%%Y %%H:%%M'",
    )
    read.add_argument("--start", metavar="TIME", help="the time column counts from this moment")
    read.add_argument(
        "--time-unit", choices=("s", "min", "h", "days"), help="what the time column counts, with --start (default min)"
    )
    read.add_argument("--delimiter", metavar="SIGN", help="comma, semicolon, tab or bar (default: found out)")
    read.add_argument("--decimal", choices=(".", ","), default=".", help="the decimal sign (default .)")
    read.add_argument("--only", metavar="COLUMN=VALUE", help="take only the rows whose column holds the value")
    read.add_argument("--any-probe", action="store_true", help="also for a probe that the configuration does not have")
    read.add_argument("--dry-run", action="store_true", help="say what would be done, store nothing")
    read.set_defaults(run=run_import)

    out = sub.add_parser(
        "export",
        parents=[parent],
        help="write readings as CSV or as JSON lines",
        description="Write readings, in UTC and in Celsius or per cent, as the probes said them, with their flags. Old "
        "ones are means of ten minutes: each row says of how many readings it is, with their lowest and highest.",
    )
    out.add_argument("--probe", action="append", metavar="ID", help="only this probe (may be given again)")
    out.add_argument("--from", dest="from_time", metavar="TIME", help="from this time on (without a zone: the room's)")
    out.add_argument("--to", dest="to_time", metavar="TIME", help="up to, but not including, this time")
    out.add_argument("--out", metavar="FILE", help="write to this file (default: standard output)")
    out.add_argument("--replace", action="store_true", help="write over a file that is there already")
    out.add_argument("--format", choices=("csv", "jsonl"), default="csv", help="csv (default) or jsonl")
    out.set_defaults(run=run_export)


def run_import(args: argparse.Namespace) -> int:
    """Read the file, then merge it into the store."""
    settings = settings_of(args)
    room = settings.room
    probe = _probe(room, args)
    zone_name = args.zone or room.zone
    shape = _shape(args, zone_name)
    path = Path(args.file)
    with bar("reading", _size(path)) as progress:
        found = logger_files.read(path, shape, now_ms(), progress)
    found = replace(found, columns=logger_files.judged(found.columns, _as_in_the_file(probe, args, found)))
    if args.dry_run:
        count = _would_add(settings.data_dir, args.probe, found.columns)
    else:
        with Store(settings.data_dir) as store, bar("storing", len(found.columns)) as progress:
            count = store.folding.bulk(args.probe, found.columns, progress)
    _report(found, args, room, zone_name, count)
    _warn_zone(found, zone_name)
    _warn_gap(found, probe)
    return 0


def run_export(args: argparse.Namespace) -> int:
    """Write what was asked for, to standard output or to a file."""
    settings = settings_of(args)
    room = settings.room
    from_ms = _moment(args.from_time, room.zone, "--from") if args.from_time else 0
    to_ms = _moment(args.to_time, room.zone, "--to") if args.to_time else _FOREVER_MS
    if to_ms <= from_ms:
        raise UsageError("--to is not after --from", fix="give the earlier time to --from")
    with Store(settings.data_dir, create=False) as store:
        stored = sorted(store.probes.names().values())
        names = args.probe or stored
        for name in names:
            if name not in stored and room.probe(name) is None:
                raise _unknown(name, [*stored, *(p.id for p in room.probes)])
        probes = [(name, _unit_of(room, name)) for name in dict.fromkeys(names)]
        if args.out is None:
            with _broken_pipe_ends_it():
                logger_files.write(sys.stdout, store.readings, probes, from_ms, to_ms, form=args.format)
                sys.stdout.flush()
            return 0
        with (
            new_file(Path(args.out), replace=args.replace) as path,
            path.open("w", encoding="utf-8", newline="") as file,
        ):
            count = logger_files.write(file, store.readings, probes, from_ms, to_ms, form=args.format)
        means_ms = store.readings.means_before_ms()
    print(f"{show_readings(count)} of {len(probes)} probe{'s' * (len(probes) != 1)} written to {args.out}")
    if means_ms is not None and from_ms < means_ms:
        day = show_day(min(means_ms, now_ms()), zone_of(room.zone))
        print(f"before {day} they are means of ten minutes: of how many, lowest and highest stand in their rows")
    return 0


# -- import -------------------------------------------------------------------------------------------------


def _probe(room: Room, args: argparse.Namespace) -> Probe | None:
    probe = room.probe(args.probe)
    if probe is None:
        if any(p.id == args.probe for p in room.all_probes):
            raise UsageError(
                f"probe {args.probe} is a battery or a scale: readings of a file are temperatures or humidities",
                where="--probe",
                fix="check --probe",
            )
        if args.any_probe:
            return None
        raise _unknown(args.probe, [p.id for p in room.probes], "; or give --any-probe to import it all the same")
    if (probe.quantity == "humidity") != (args.unit == "%"):
        raise UsageError(
            f"probe {probe.id} measures {probe.quantity}, but the unit is {args.unit}",
            where="--unit",
            fix="check --probe, --value-column and --unit",
        )
    return probe


def _as_in_the_file(probe: Probe | None, args: argparse.Namespace, found: LoggerFile) -> Probe:
    """The probe with the file's unit and rhythm, by which its readings are judged."""
    if probe is None:
        probe = Probe(args.probe, topic="", quantity="humidity" if args.unit == "%" else "temperature")
    return replace(probe, unit=args.unit, interval_s=max(probe.interval_s, found.median_step_s))


def _unknown(name: str, known: Sequence[str], also: str = "") -> UnknownSubject:
    close = get_close_matches(name, known, 3, 0.5)
    some = f"did you mean {' or '.join(close)}?" if close else f"the probes are: {', '.join(known) or 'none'}"
    return UnknownSubject(f"no probe {name!r}", where="--probe", fix=f"{some}{also}")


def _shape(args: argparse.Namespace, zone_name: str) -> FileShape:
    delimiter = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "\\t": "\t"}.get(
        args.delimiter, args.delimiter
    )
    if delimiter is not None and len(delimiter) != 1:
        raise UsageError(f"{delimiter!r} is no delimiter", where="--delimiter", fix="give one sign, or: tab")
    only = None
    if args.only is not None:
        column, sign, value = args.only.partition("=")
        if not sign or not column:
            raise UsageError(f"{args.only!r} is not COLUMN=VALUE", where="--only", fix="write it as --only nest=3")
        only = (column.strip(), value.strip())
    if args.time_unit and args.start is None:
        raise UsageError("--time-unit needs --start", fix="say when counting began: --start '2026-05-01 00:00'")
    if args.start is not None and args.time_format != "iso":
        raise UsageError("--start and --time-format contradict each other", fix="keep the one that fits the file")
    zone = logger_files.zone_named(zone_name)
    return FileShape(
        time_column=args.time_column,
        value_column=args.value_column,
        unit=cast(Unit, args.unit),
        zone=zone,
        time_format=args.time_format,
        start_ms=_moment(args.start, zone_name, "--start") if args.start is not None else None,
        time_unit=args.time_unit or "min",
        delimiter=delimiter,
        decimal=args.decimal,
        only=only,
    )


def _moment(text: str, zone_name: str, where: str) -> int:
    try:
        return logger_files.moment_ms(text, logger_files.zone_named(zone_name))
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no time", where=where, fix="write it as 2026-05-01 or '2026-05-01 14:30'"
        ) from error


def _would_add(data_dir: str, probe: str, columns: Columns) -> tuple[int, int]:
    """How many of the readings are new and how many are known, without storing any."""
    try:
        with Store(data_dir, create=False) as store:
            there = store.readings.load([probe], int(columns.at[0]), int(columns.at[-1]) + 1)[probe]
    except StoreError:
        if Path(data_dir, "warmtally.db").exists():
            raise
        return len(columns), 0
    known = int(there.known(columns.at).sum())
    return len(columns) - known, known


def _report(found: LoggerFile, args: argparse.Namespace, room: Room, zone_name: str, count: tuple[int, int]) -> None:
    columns = found.columns
    usable = columns.value[columns.usable]
    warm = args.unit != "%"
    verb = "would be new" if args.dry_run else "new"
    print(f"{args.probe}: {verb} {count[0]}, known already {count[1]} (of {found.rows} rows in {args.file})")
    first, last = (show_time(int(t), zone_of(room.zone)) for t in (columns.at[0], columns.at[-1]))
    spread = "no usable value"
    if len(usable):
        ends = float(usable.min()), float(usable.max())
        low, high = (show_temperature(x, room.display_unit, 2) if warm else f"{x:.2f} %" for x in ends)
        spread = f"{low} to {high}"
    print(f"  {first} to {last}, one every {_span(found.median_step_s)}; {spread}")
    flagged = Counter(test for test in columns.test if test)
    if flagged:
        named = ", ".join(f"{count} {test}" for test, count in sorted(flagged.items()))
        print(f"  flagged, and left out of development: {named}")
    if found.zoneless:
        print(f"  times without a zone were taken in {zone_name}")
    if found.other:
        print(f"  {_rows(found.other)} about something else than {args.only}")
    if found.empty:
        print(f"  {_rows(found.empty)} without a value")
    if found.same_time:
        print(f"  {_rows(found.same_time)} with the time of an earlier row; the earlier one counts")
    if found.ambiguous:
        print(
            f"  {_rows(found.ambiguous)} in the hour that occurs twice, as the clocks went back: "
            f"{found.ambiguous - found.second_pass} taken as the first, {found.second_pass} as the second"
        )
    if found.bad_rows:
        print(f"  {_rows(found.bad_rows)} that could not be read" + (", the first of them:" if found.bad else ""))
        for row in found.bad:
            print(f"    {row}")


def _warn_zone(found: LoggerFile, zone_name: str) -> None:
    if found.nonexistent:
        print(
            f"warning: {_rows(found.nonexistent)} at a time that {zone_name} does not have, as the clocks went "
            "forward; taken as if they had not been set.\n"
            "  what to do: if the logger never sets its clock, all of its summer (or winter) is an hour off; import "
            "with its distance from UTC instead, such as --zone +01:00",
            file=sys.stderr,
        )


def _warn_gap(found: LoggerFile, probe: Probe | None) -> None:
    if probe is None or found.median_step_s <= probe.max_gap_s:
        return
    print(
        f"warning: one reading every {_span(found.median_step_s)}, but only {_span(probe.max_gap_s)} are joined by a "
        f"straight line for probe {probe.id}: what lies between counts as filled, not as measured.\n"
        "  what to do: if this is how often the probe reports, set its interval in the configuration",
        file=sys.stderr,
    )


def _rows(count: int) -> str:
    return f"{count} row{'s' * (count != 1)}"


def _span(seconds: float) -> str:
    for size, name in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= size:
            return f"{seconds / size:g} {name}" if seconds % size == 0 else f"{seconds / size:.1f} {name}"
    return f"{seconds:g} s"


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


# -- export -------------------------------------------------------------------------------------------------


def _unit_of(room: Room, name: str) -> str:
    probe = next((p for p in room.all_probes if p.id == name), None)
    if probe is None:
        return ""
    if probe.quantity in ("battery", "weight"):
        return probe.unit
    return "%" if probe.quantity == "humidity" else "C"


@contextlib.contextmanager
def _broken_pipe_ends_it() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        # Whoever read our output has seen enough; keep the interpreter from complaining at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
