"""Reading loggers' files, and writing readings out."""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import pty
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters import logger_files
from monitor.adapters.logger_files import FileShape, LoggerFile, zone_named
from monitor.adapters.store import Store, columns_of
from monitor.cli.files import add_parsers
from monitor.core.readings.local_times import utc_of_local
from monitor.core.readings.quality import Context, judge
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Probe, Quantity, Unit
from monitor.errors import FileUnreadable, MonitorError, UnknownSubject, UsageError
from tests.desk import probe, room_text
from tests.peers import MOMENT_S, PROJECT, shared

NOW_MS = 1_790_000_000_000  # 2026-09-21
BERLIN = ZoneInfo("Europe/Berlin")

ROOM = room_text(
    {"top": 100.0},
    zone="Europe/Berlin",
    probes=[probe("top-warmth", "t", box="top"), probe("top-damp", "h", unit="%", box="top")],
    limits={"too_warm_c": 32.0, "too_cool_c": 24.0},
)
# Where the readings of "a.csv" stand, and whose they are.
COLUMNS = ("--time-column", "time", "--value-column", "t", "--unit", "C")
WARMTH = ("--probe", "top-warmth", *COLUMNS)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def shape(time: str = "time", value: str = "t", **more: object) -> FileShape:
    return FileShape(time, value, more.pop("unit", "C"), **more)  # type: ignore[arg-type]


Read = Callable[..., LoggerFile]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    def of(text: str | bytes, how: FileShape | None = None) -> LoggerFile:
        path = tmp_path / "log.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return logger_files.read(path, how or shape(), NOW_MS)

    return of


@pytest.mark.parametrize("time", ["0001-01-01 00:00", "0001-01-01 00:00+23:59", "9999-12-31 23:59-23:59"])
def test_a_time_at_the_calendars_end_is_a_bad_row(read: Read, time: str) -> None:
    with pytest.raises(FileUnreadable, match="1 bad"):
        read(f"time,t\n{time},29.5\n", shape(zone=BERLIN))
    found = read(f"time,t\n{time},29.5\n2026-05-01 10:00,29.5\n", shape(zone=BERLIN))
    assert (len(found.columns), found.bad_rows) == (1, 1)


def test_bytes_of_no_code_page_cost_their_row_alone(read: Read) -> None:
    found = read(b"time,t\n2026-05-01 10:00,29.5\xe9\x90\n2026-05-01 10:01,29.5\n")
    assert (len(found.columns), found.bad_rows) == (1, 1)


def test_a_line_without_an_end_is_one_bad_row_and_passed_over(read: Read) -> None:
    endless = "2026-05-01 10:00," + "1,29.5" * 100_000
    found = read(f"time,t\n{endless}\n2026-05-01 10:01,29.5\n")
    assert (len(found.columns), found.bad_rows) == (1, 1)


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., int]:
    config = tmp_path / "room.toml"
    config.write_text(ROOM)

    def of(*words: str) -> int:
        parent = argparse.ArgumentParser(add_help=False)
        parent.add_argument("--config")
        parent.add_argument("--data")
        parser = argparse.ArgumentParser()
        add_parsers(parser.add_subparsers(required=True), parent)
        args = parser.parse_args([*words, "--config", str(config), "--data", str(tmp_path / "data")])
        return int(args.run(args))

    return of


# -- times ------------------------------------------------------------------------------------------------


def test_iso_times_keep_their_own_zone_and_naive_ones_get_the_given_zone(read: Read) -> None:
    found = read(
        "time,t\n2026-05-01T10:00:00Z,28.1\n2026-05-01 13:00:00+02:00,28.2\n2026-05-01 14:00,28.3\n",
        shape(zone=BERLIN),
    )
    assert found.columns.at.tolist() == [ms(f"2026-05-01T{h}:00:00+00:00") for h in (10, 11, 12)]
    assert found.columns.value.tolist() == [28.1, 28.2, 28.3]
    assert found.zoneless == 1
    assert set(found.columns.received.tolist()) == {NOW_MS}


@pytest.mark.parametrize(
    ("written", "pattern"),
    [
        ("01.05.2026 14:30", "%d.%m.%Y %H:%M"),
        ("5/1/2026 2:30 PM", "%m/%d/%Y %I:%M %p"),
        ("1777638600", "s"),
        ("1777638600000", "ms"),
        ("1777638600.0", "s"),
    ],
)
def test_other_ways_to_write_a_time_are_named(read: Read, written: str, pattern: str) -> None:
    zone = BERLIN if "%" in pattern else ZoneInfo("Asia/Tokyo")
    found = read(f"time,t\n{written},28\n", shape(zone=zone, time_format=pattern))
    assert found.columns.at.tolist() == [ms("2026-05-01T12:30:00+00:00")]


@pytest.mark.parametrize(("unit", "count"), [("s", 5400), ("min", 90), ("h", 1.5), ("days", 0.0625)])
def test_a_count_since_a_start_becomes_a_time(read: Read, unit: str, count: float) -> None:
    start = ms("2026-05-01T00:00:00+02:00")
    found = read(f"time,t\n0,28\n{count},29\n-1,27\n", shape(start_ms=start, time_unit=unit))
    assert found.columns.at.tolist() == [start, start + 5_400_000]
    assert found.bad[0].reason == "lies before the start"


def test_the_hour_that_occurs_twice_is_told_apart_by_the_clock_stepping_back(read: Read) -> None:
    # 2026-10-25 03:00 CEST became 02:00 CET, but that is after NOW_MS: the same night of 2025 (26 October).
    rows = ["01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    text = "time,t\n" + "".join(f"2025-10-26 {r},{20 + i}\n" for i, r in enumerate(rows))
    found = read(text, shape(zone=BERLIN))
    start = ms("2025-10-25T23:30:00+00:00")
    assert found.columns.at.tolist() == [start + i * 1_800_000 for i in range(6)]
    assert found.columns.value.tolist() == [20, 21, 22, 23, 24, 25]
    assert (found.ambiguous, found.second_pass, found.same_time) == (4, 2, 0)


def test_an_hourly_logger_shows_the_doubled_hour_twice_and_both_are_kept(read: Read) -> None:
    text = "time,t\n" + "".join(f"2025-10-26 {h}:00,{20 + i}\n" for i, h in enumerate(("01", "02", "02", "03")))
    found = read(text, shape(zone=BERLIN))
    assert np.diff(found.columns.at).tolist() == [3_600_000] * 3


def test_a_file_with_the_newest_reading_first_is_told_apart_too(read: Read) -> None:
    rows = ["03:00", "02:30", "02:00", "02:30", "02:00", "01:30"]
    text = "time,t\n" + "".join(f"2025-10-26 {r},{25 - i}\n" for i, r in enumerate(rows))
    found = read(text, shape(zone=BERLIN))
    assert np.diff(found.columns.at).tolist() == [1_800_000] * 5
    assert found.columns.value.tolist() == [20, 21, 22, 23, 24, 25]


def test_a_single_pass_through_the_doubled_hour_is_the_first(read: Read) -> None:
    found = read("time,t\n2025-10-26 02:10,20\n2025-10-26 02:40,21\n", shape(zone=BERLIN))
    assert found.columns.at.tolist() == [ms("2025-10-26T00:10:00+00:00"), ms("2025-10-26T00:40:00+00:00")]
    assert (found.ambiguous, found.second_pass) == (2, 0)


def test_a_time_that_the_clocks_jump_over_is_counted_and_read_as_if_they_had_not_been_set(read: Read) -> None:
    found = read("time,t\n2026-03-29 01:30,20\n2026-03-29 02:30,21\n", shape(zone=BERLIN))
    assert found.columns.at.tolist() == [ms("2026-03-29T00:30:00+00:00"), ms("2026-03-29T01:30:00+00:00")]
    assert found.nonexistent == 1


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Beirut", "UTC"])
def test_local_time_comes_back_to_utc_for_every_ten_minutes_of_two_years(zone: str) -> None:
    where = ZoneInfo(zone)
    utc = np.arange(ms("2024-01-01T00:00:00+00:00"), ms("2026-01-01T00:00:00+00:00"), 600_000)
    epoch = datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    offset = [(epoch + timedelta(milliseconds=int(t))).astimezone(where).utcoffset() or timedelta(0) for t in utc]
    local = utc + np.array([o // timedelta(milliseconds=1) for o in offset])
    found = utc_of_local(local, where)
    assert np.array_equal(found.at, utc)
    assert found.nonexistent == 0
    assert found.ambiguous == {"UTC": 0, "Australia/Lord_Howe": 12}.get(zone, 24)
    assert found.second_pass * 2 == found.ambiguous


def test_a_zone_may_be_a_distance_from_utc() -> None:
    assert zone_named("+01:00").utcoffset(None) == timedelta(hours=1)
    assert zone_named("-03:30").utcoffset(None) == -timedelta(hours=3, minutes=30)
    for wrong in ("Europe/Atlantis", "+1", "../etc/passwd", ""):
        with pytest.raises(UsageError):
            zone_named(wrong)


def test_times_in_the_future_or_from_an_unset_clock_are_bad_rows(read: Read) -> None:
    text = "time,t\n2026-09-01 00:00,28\n2027-01-01 00:00,28\n1980-01-01 00:00,28\n9999-12-31 23:59,28\n"
    found = read(text)
    assert len(found.columns) == 1
    assert found.bad_rows == 3
    assert {b.line for b in found.bad} == {3, 4, 5}
    assert {b.reason.split(":")[0] for b in found.bad} == {"lies in the future", "lies before 1990"}


def test_milliseconds_taken_for_seconds_are_said_and_do_not_break(read: Read) -> None:
    with pytest.raises(FileUnreadable, match="s and ms mixed up"):
        read("time,t\n1777638600000,28\n1e300,28\n", shape(time_format="s"))


# -- values and shapes -----------------------------------------------------------------------------------


def test_fahrenheit_and_kelvin_become_celsius_and_per_cent_stays(read: Read) -> None:
    row = "time,t\n2026-05-01 00:00,{}\n"
    assert read(row.format("82.4"), shape(unit="F")).columns.value.tolist() == [28.0]
    assert read(row.format("-40"), shape(unit="F")).columns.value.tolist() == [-40.0]
    assert read(row.format("301.15"), shape(unit="K")).columns.value.tolist() == [28.0]
    assert read(row.format("85.5"), shape(unit="%")).columns.value.tolist() == [85.5]


def test_semicolons_decimal_commas_lines_before_the_header_and_an_old_code_page(read: Read) -> None:
    text = (
        "Serial number;4711;;\nInterval;10 min;;\n\nDatum;Temp. (°C);Feuchte\n"
        "01.05.2026 00:00;28,51;90\n01.05.2026 00:10;28,49;91\n"
    )
    how = shape("Datum", "Temp. (°C)", time_format="%d.%m.%Y %H:%M", decimal=",")
    for encoding in ("utf-8", "utf-8-sig", "cp1252", "utf-16"):
        found = read(text.encode(encoding), how)
        assert found.columns.value.tolist() == [28.51, 28.49], encoding
        assert found.bad_rows == 0


def test_a_degree_sign_far_down_in_an_old_code_page_is_read_too(read: Read) -> None:
    rows = "".join(f"2026-05-01 {i // 60 % 24:02}:{i % 60:02},28,{'x' * 250}\n" for i in range(1440))
    found = read(f"time,t,note\n{rows}2026-05-02 00:00,28,25°\n".encode("cp1252"))
    assert len(found.columns) == 1441


def test_numbered_rows_without_a_name_for_that_column_are_understood(read: Read) -> None:
    found = read('"time","t"\n"1","2026-05-01 00:00:00",28.5\n"2","2026-05-01 00:01:00",28.6\n')
    assert found.columns.value.tolist() == [28.5, 28.6]


def test_a_sign_at_the_end_of_each_row_moves_nothing(read: Read) -> None:
    assert read("time;t\n2026-05-01 00:00;28.5;\n").columns.value.tolist() == [28.5]


def test_bad_rows_are_counted_and_the_first_five_are_shown_with_line_column_and_text(read: Read) -> None:
    text = "time,t\n2026-05-01 00:00,28.5\nyesterday,28.5\n2026-05-01 00:10,warm\n2026-05-01 00:20\n"
    text += '2026-05-01 00:30,"28,5"\n' + "x,1\n" * 5
    found = read(text)
    assert found.bad_rows == 9
    assert found.rows == 10
    assert [(b.line, b.column, b.text) for b in found.bad] == [
        (3, "time", "yesterday"),
        (4, "t", "warm"),
        (5, "-", "2026-05-01 00:20"),
        (6, "t", "28,5"),
        (7, "time", "x"),
    ]
    assert "--decimal ," in found.bad[3].reason
    assert "--time-format" in found.bad[0].reason


def test_rows_without_a_value_are_a_gap_and_no_mistake(read: Read) -> None:
    found = read("time,t\n2026-05-01 00:00,28.5\n2026-05-01 00:10,\n2026-05-01 00:20,NaN\n2026-05-01 00:30,NA\n\n")
    assert (found.empty, found.bad_rows, len(found.columns)) == (3, 0, 1)


def test_rows_of_another_probe_are_left_out(read: Read) -> None:
    text = "who,time,t\na,2026-05-01 00:00,28\nb,2026-05-01 00:00,29\na,2026-05-01 00:10,30\n"
    found = read(text, shape(only=("who", "a")))
    assert found.columns.value.tolist() == [28, 30]
    assert found.other == 1


def test_of_two_rows_with_one_time_the_earlier_stays(read: Read) -> None:
    found = read("time,t\n2026-05-01 00:10,30\n2026-05-01 00:00,28\n2026-05-01 00:10,31\n")
    assert found.columns.value.tolist() == [28, 30]
    assert found.same_time == 1


def test_a_row_that_is_no_csv_does_not_stop_the_others(read: Read) -> None:
    huge = "y" * (csv.field_size_limit() + 1)
    found = read(f"time,t\n2026-05-01 00:00,28\n{huge},1\n2026-05-01 00:10,29\n")
    assert found.columns.value.tolist() == [28, 29]
    assert found.bad_rows == 1


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"PK\x03\x04\x00\x00", "not a text file"),
        (b"zeit,temp\n1,2\n", "no column 'time'; the columns are: 'zeit', 'temp'"),
        (b"Time,t\n1,2\n", "did you mean 'Time'"),
        (b"time,t,t\n1,2,3\n", "column 't' is there 2 times"),
        (b"time,t\n", "none of 0 rows"),
        (b"time,t\n2026-05-01 00:00,warm\n", "line 2, column t: 'warm': not a number"),
    ],
)
def test_a_file_that_cannot_be_used_says_why(read: Read, content: bytes, said: str) -> None:
    with pytest.raises(FileUnreadable) as caught:
        read(content)
    assert said in str(caught.value)


def test_a_file_that_is_not_there_or_is_a_folder_says_so(tmp_path: Path) -> None:
    for path in (tmp_path / "no.csv", tmp_path):
        with pytest.raises(FileUnreadable, match="cannot be read"):
            logger_files.read(path, shape(), NOW_MS)


# -- the commands ----------------------------------------------------------------------------------------


def test_importing_twice_adds_nothing_the_second_time(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n" + "".join(f"2026-05-01 {h:02}:00,{28 + h / 10}\n" for h in range(24)) + "x,y\n")
    words = ("import", str(file), *WARMTH)
    assert run(*words, "--dry-run") == 0
    assert "would be new 24, known already 0" in capsys.readouterr().out
    assert not (tmp_path / "data").exists()
    assert run(*words) == 0
    out = capsys.readouterr()
    assert "top-warmth: new 24, known already 0 (of 25 rows" in out.out
    assert "2026-05-01 00:00 to 2026-05-01 23:00, one every 1 h; 28.00 °C to 30.30 °C" in out.out
    assert "taken in Europe/Berlin" in out.out
    assert "1 row that could not be read" in out.out
    assert out.err == ""
    assert run(*words) == 0
    assert "new 0, known already 24" in capsys.readouterr().out
    assert run(*words, "--dry-run") == 0
    assert "would be new 0, known already 24" in capsys.readouterr().out


def test_a_probe_that_is_not_there_or_measures_something_else_is_refused(
    tmp_path: Path, run: Callable[..., int]
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n2026-05-01 00:00,28\n")
    with pytest.raises(UnknownSubject, match="did you mean top-warmth"):
        run("import", str(file), "--probe", "top-warmt", *COLUMNS)
    with pytest.raises(UsageError, match="measures humidity"):
        run("import", str(file), "--probe", "top-damp", *COLUMNS[:4], "--unit", "F")
    assert run("import", str(file), "--probe", "old-probe", *COLUMNS, "--any-probe") == 0


@pytest.mark.parametrize(
    "extra",
    [
        ("--zone", "Mars/Olympus"),
        ("--delimiter", "::"),
        ("--only", "nest"),
        ("--time-unit", "h"),
        ("--start", "2026-05-01", "--time-format", "s"),
        ("--start", "soon"),
    ],
)
def test_words_that_do_not_fit_are_refused(tmp_path: Path, run: Callable[..., int], extra: tuple[str, ...]) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n2026-05-01 00:00,28\n")
    words = WARMTH
    with pytest.raises(UsageError):
        run("import", str(file), *words, *extra)


def test_a_step_longer_than_a_straight_line_may_join_is_said(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n2026-05-01 00:00,28\n2026-05-01 03:00,28\n2026-05-01 06:00,28\n")
    run("import", str(file), *WARMTH)
    assert "one reading every 3 h, but only 2 h are joined" in capsys.readouterr().err


def test_a_logger_that_never_sets_its_clock_is_noticed(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n2026-03-29 01:50,28\n2026-03-29 02:00,28\n2026-03-29 02:10,28\n")
    words = ("import", str(file), *WARMTH)
    run(*words)
    assert "2 rows at a time that Europe/Berlin does not have" in capsys.readouterr().err
    run(*words, "--zone", "+01:00")
    assert capsys.readouterr().err == ""


def test_what_was_exported_imports_as_the_same_readings(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    with Store(tmp_path / "data") as store:
        start = ms("2026-05-01T00:00:00+00:00")
        store.journal.ingest(
            [Reading("top-warmth", start + i * 977, 28 + i / 3, start + i * 977 + 5) for i in range(5000)]
            + [Reading("top-damp", start, 90.0, start)]
        )
        before = store.readings.load(["top-warmth"], 0, 2**52)["top-warmth"]
    out = tmp_path / "out.csv"
    assert run("export", "--out", str(out)) == 0
    assert "5001 readings of 2 probes" in capsys.readouterr().out
    assert out.read_text().splitlines()[0] == ",".join(logger_files.EXPORT_COLUMNS)
    with pytest.raises(FileUnreadable, match="there already"):
        run("export", "--out", str(out))
    run(
        "import", str(out), "--probe", "copy", "--any-probe", "--only", "probe=top-warmth",
        "--time-column", "time_utc", "--value-column", "value", "--unit", "C",
    )  # fmt: skip
    with Store(tmp_path / "data") as store:
        after = store.readings.load(["copy"], 0, 2**52)["copy"]
    assert np.array_equal(after.at, before.at)
    assert np.array_equal(after.value, before.value)


def test_export_takes_a_span_some_probes_and_json_lines(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    start = ms("2026-05-01T00:00:00+02:00")
    with Store(tmp_path / "data") as store:
        for probe in ("top-damp", "top-warmth"):
            times = [(h, start + h * 3_600_000) for h in range(48)]
            store.journal.ingest([Reading(probe, at, 50.0 + h, at) for h, at in times])
        store.folding.fold(start + 30 * 3_600_000)
    run("export", "--probe", "top-damp", "--from", "2026-05-02", "--to", "2026-05-02 03:00", "--format", "jsonl")
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(x["time_utc"], x["probe"], x["value"], x["unit"], x["flag"]) for x in lines] == [
        ("2026-05-01T22:00:00.000Z", "top-damp", 74.0, "%", 2),
        ("2026-05-01T23:00:00.000Z", "top-damp", 75.0, "%", 2),
        ("2026-05-02T00:00:00.000Z", "top-damp", 76.0, "%", 2),
    ]
    with pytest.raises(UnknownSubject, match="top-damp"):
        run("export", "--probe", "top-dam")
    with pytest.raises(UsageError):
        run("export", "--from", "2026-05-02", "--to", "2026-05-01")


def test_an_export_that_fails_leaves_no_half_file(
    tmp_path: Path, run: Callable[..., int], monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path / "data") as store:
        store.journal.ingest([Reading("top-warmth", NOW_MS, 28.0, NOW_MS)])
    out = tmp_path / "out.csv"
    out.write_text("precious")

    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(logger_files, "write", full)
    with pytest.raises(FileUnreadable, match="No space left"):
        run("export", "--out", str(out), "--replace")
    assert out.read_text() == "precious"
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".out")] == []
    with pytest.raises(FileUnreadable, match="cannot be written"):
        run("export", "--out", str(tmp_path / "nowhere" / "out.csv"))


def test_an_export_of_an_empty_place_says_that_there_is_no_store(run: Callable[..., int]) -> None:
    with pytest.raises(MonitorError, match="no store here yet"):
        run("export")


COMMAND = """
import argparse, sys
from monitor.cli.files import add_parsers
parent = argparse.ArgumentParser(add_help=False)
parent.add_argument("--config")
parent.add_argument("--data")
parser = argparse.ArgumentParser()
add_parsers(parser.add_subparsers(required=True), parent)
args = parser.parse_args()
sys.exit(args.run(args))
"""


def command(tmp_path: Path, *words: str) -> list[str]:
    (tmp_path / "room.toml").write_text(ROOM)
    return [
        sys.executable,
        "-c",
        COMMAND,
        *words,
        "--config",
        str(tmp_path / "room.toml"),
        "--data",
        str(tmp_path / "data"),
    ]


def test_a_reader_that_stops_early_ends_the_export_quietly(tmp_path: Path) -> None:
    with Store(tmp_path / "data") as store:
        store.journal.ingest([Reading("top-warmth", NOW_MS + i, 28.0, NOW_MS) for i in range(50_000)])
    process = subprocess.Popen(command(tmp_path, "export"), cwd=PROJECT, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().startswith(b"time_utc,")
    process.stdout.close()
    error = process.stderr.read()
    process.stderr.close()
    assert process.wait(MOMENT_S) == 0
    assert error == b""


def test_a_bar_is_drawn_on_a_terminal_and_the_answer_stays_clean(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time,t\n" + "".join(f"{1_777_638_600 + i},28\n" for i in range(100_000)))
    terminal, end = pty.openpty()
    words = (*WARMTH, "--time-format", "s")
    process = subprocess.Popen(
        command(tmp_path, "import", str(file), *words),
        cwd=PROJECT,
        stdout=subprocess.PIPE,
        stderr=end,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
    )
    os.close(end)
    drawn = b""
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        drawn += piece
    assert process.stdout is not None
    out = process.stdout.read().decode()
    process.stdout.close()
    assert process.wait(MOMENT_S) == 0
    os.close(terminal)
    assert b"reading" in drawn
    assert "new 100000" in out
    assert "\x1b" not in out


# -- quality ---------------------------------------------------------------------------------------------

STEPS = st.lists(
    st.tuples(
        st.sampled_from([1_000, 60_000, 300_000, 700_000, 10_000_000]),
        st.one_of(
            st.floats(20, 36).map(lambda v: round(v, 2)),
            st.sampled_from([85.0, -127.0, 28.0, 28.0, 45.0, 80.0, 80.01, -40.0, 54.52, 100.0, 327.67]),
        ),
    ),
    min_size=1,
    max_size=40,
)


@given(STEPS, st.sampled_from(["C", "F", "K", "%"]), st.sampled_from([60.0, 600.0]))
def test_the_flags_are_those_that_judging_one_after_the_other_gives(
    steps: list[tuple[int, float]], unit: Unit, interval_s: float
) -> None:
    quantity: Quantity = "humidity" if unit == "%" else "temperature"
    probe = Probe("p", "t", quantity, unit, interval_s=interval_s)
    at, asked = NOW_MS - 10**9, []
    for step, value in steps:
        at += step
        asked.append(Reading("p", at, value, NOW_MS))
    context, expected = Context(), []
    for one in asked:
        answer, context = judge(one, context, probe)
        expected.append((int(answer.flag), answer.test))
    found = logger_files.judged(columns_of(asked), probe)
    assert list(zip(found.flag.tolist(), found.test, strict=True)) == expected
    assert found.value.tolist() == [v for _, v in steps]


def test_error_values_in_a_file_are_kept_flagged_and_said(
    tmp_path: Path, run: Callable[..., int], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.csv"
    values = [85.0, 28.0, 28.1, -127.0, 28.2, 41.0, 28.3]
    file.write_text("time,t\n" + "".join(f"2026-05-01 00:0{i},{v}\n" for i, v in enumerate(values)))
    run("import", str(file), *WARMTH)
    out = capsys.readouterr().out
    assert "new 7" in out
    assert "1 error-value, 1 power-on, 1 step" in out
    assert "28.00 °C to 28.30 °C" in out
    with Store(tmp_path / "data") as store:
        columns = store.readings.load(["top-warmth"], 0, 2**52)["top-warmth"]
    assert columns.value.tolist() == values
    assert columns.flag.tolist() == [4, 2, 1, 4, 1, 3, 1]
    assert columns.test == ("power-on", "", "", "error-value", "", "step", "")


# -- real files ------------------------------------------------------------------------------------------


def test_the_heated_room_imports_whole() -> None:
    path = shared("data", "heated_room_three_heights.csv")
    found = logger_files.read(path, shape("time_utc", "air_187cm_c"), NOW_MS)
    assert (len(found.columns), found.bad_rows, found.median_step_s) == (5905, 0, 600.0)
    assert found.columns.value[0] == 31.1349


def test_the_quiet_room_with_numbered_rows_imports_whole() -> None:
    path = shared("data", "room_every_minute.csv")
    found = logger_files.read(path, shape("date", "Humidity", unit="%"), NOW_MS)
    assert (len(found.columns), found.bad_rows) == (8143, 0)
    assert found.columns.value[0] == 27.272


def test_the_fahrenheit_room_whose_clock_went_back_keeps_one_reading_a_moment() -> None:
    path = shared("data", "ambient_temperature_system_failure.csv")
    with path.open() as file:
        rows = list(csv.DictReader(file))
    found = logger_files.read(path, shape("timestamp", "value", unit="F"), NOW_MS)
    assert len(found.columns) == len({r["timestamp"] for r in rows})
    assert found.same_time == len(rows) - len(found.columns)
    assert found.columns.value[0] == round((69.88083514 - 32) / 1.8, 6)


def test_each_turtle_nest_imports_with_its_own_rows() -> None:
    path = shared("data", "loggerhead_nests.csv")
    with path.open() as file:
        rows = [r for r in csv.DictReader(file) if r["nest"] == "nest-3"]
    start = ms("2026-05-01T00:00:00+00:00")
    found = logger_files.read(
        path, shape("minutes_since_start", "temperature_c", start_ms=start, only=("nest", "nest-3")), NOW_MS
    )
    assert len(found.columns) == len(rows)
    assert found.columns.at[-1] == start + int(rows[-1]["minutes_since_start"]) * 60_000
    assert found.median_step_s == 5400


def test_the_writer_writes_what_a_csv_reader_reads(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.journal.ingest([Reading('we"ird,name', NOW_MS, 0.1 + 0.2, NOW_MS)])
        out = io.StringIO()
        assert logger_files.write(out, store.readings, [('we"ird,name', "C")], 0, 2**52) == 1
    row = next(iter(csv.DictReader(io.StringIO(out.getvalue()))))
    assert row["probe"] == 'we"ird,name'
    assert float(row["value"]) == 0.1 + 0.2
