"""The account at the command line: a season from laid to finished, out to a file and in again, and questions asked."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
import pty
import re
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.adapters import account_files
from monitor.adapters.store import Store
from monitor.core.terms.entries import FileRow, bring
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.projection import project
from monitor.errors import FileUnreadable
from tests.desk import Desk, room_text

NOW = datetime(2026, 9, 1, 10, tzinfo=UTC)
SEASON = (
    "clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 8 --slugs 2 --dam D4 --sire S1 --line albino",
    "clutch add K02 --species elaphe-taeniura --laid 2026-05-04 --eggs 6 --gone 1 --by Ada",
    'record set K01 --box upper --eggs 8 --at "2026-05-01 19:30"',
    "record dead K02 --eggs 1 --how dried-out --at 2026-05-05",
    'record set K02 --box lower --eggs 4 --at "2026-05-05 19:30"',
    'record weighed --box upper --grams 812.5 --at "2026-05-05 20:00"',
    'record weighed --box upper --grams 800 --at "2026-05-12 20:00"',
    'record watered --box upper --grams 12 --at "2026-05-12 20:05"',
    'record split K01 --box upper --to lower --eggs 3 --at "2026-05-20 20:00"',
    'record candled K01 --box upper --fertile 3 --doubtful 1 --clear 1 --at "2026-05-21 20:00"',
    'record dead K01 --box upper --eggs 1 --how slug --at "2026-05-22 20:00"',
    'record dead K01 --box lower --eggs 1 --how mould --at "2026-06-01 20:00"',
    'record looked K01 --box lower --at "2026-06-28 20:00"',
    'record pipped K01 --box upper --eggs 3 --at "2026-06-30 07:30" --not-yet-at "2026-06-29 21:00"',
    'record hatched K01 --box upper --eggs 2 --at "2026-07-01 18:00"',
    'record dead K01 --box upper --eggs 1 --how in-shell --at "2026-07-02 18:00"',
    'record pipped K01 --box upper --at "2026-07-08 07:00"',
    'record hatched K01 --box upper --at "2026-07-09 07:00"',
    'record dead K01 --box lower --eggs 1 --how in-egg --at "2026-07-12 07:00"',
    'record removed K01 --box lower --at "2026-07-13 07:00" --note "given away"',
    'record hatched K02 --eggs 3 --at "2026-07-06 07:00"',
    'record dead K02 --how other --at "2026-07-12 07:00"',
    'record correct 11 --how mould --note "it smelt"',
    "record shed K01 --eggs 3 --at 2026-07-16",
    "record fed K01 --eggs 3 --at 2026-07-20",
    "record finished K01 --at 2026-08-01",
)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season told by commands alone."""
    folder = tmp_path_factory.mktemp("season")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time_ns", lambda: round(NOW.timestamp() * 1e9))
        desk = Desk(folder)
        desk.write(room_text(zone="Europe/Vienna"))
        for line in SEASON:
            desk.does(line)
    return folder


@pytest.fixture
def desk(played: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setattr(time, "time_ns", lambda: round(NOW.timestamp() * 1e9))
    return Desk(played)


@pytest.fixture
def empty(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.write(room_text(zone="Europe/Vienna"))
    return made


def test_a_season_by_commands_alone_balances(desk: Desk) -> None:
    first, second = desk("clutch list --json").json
    assert first["balance"] == {
        "laid": 10,
        "not_set": 0,
        "in_boxes": 0,
        "hatched": 3,
        "lost": {"slug": 2, "mould": 2, "in-egg": 1, "in-shell": 1},
        "removed": 1,
        "not_accounted_for": 0,
    }
    assert (second["balance"]["lost"], second["balance"]["removed"]) == ({"dried-out": 1, "other": 1}, 1)
    assert (first["dam"], first["sire"], first["line"], first["shed"], first["fed"]) == ("D4", "S1", "albino", 3, 3)
    assert first["finished"] == "2026-08-01T10:00:00Z"
    shown = desk.does("clutch show K01")
    assert "dam D4, sire S1, line albino" in shown
    assert "K01 has ended: 3 of 10 eggs hatched, 2 slug or infertile, 2 mould, 1 dead in egg, 1 dead in shell" in shown
    assert "hatchlings: 3 have shed, 3 have eaten" in shown
    assert desk.does("clutch list").strip() == "2 more have ended: warmtally clutch list --all"
    assert "3 of 6 eggs hatched" in desk.does("clutch list --all")


def test_the_season_ends_with_a_report_a_calendar_and_labels(desk: Desk, tmp_path: Path) -> None:
    found = desk("season 2026 --json").json
    assert sum(c["laid"] for c in found["clutches"]) == 16
    assert [c["lost"] for c in found["clutches"]] == [c["balance"]["lost"] for c in desk("clutch list --json").json]
    desk.took(f"season 2026 --html {tmp_path}/season.html --csv {tmp_path}/season.csv")
    page = (tmp_path / "season.html").read_text(encoding="utf-8")
    assert "K01" in page
    assert "dried out" in page
    assert "http" not in page.replace("http://www.w3.org", "")
    desk.took(f"calendar --out {tmp_path}/eggs.ics")
    assert (tmp_path / "eggs.ics").read_text(encoding="utf-8").startswith("BEGIN:VCALENDAR")
    desk.took(f"labels --boxes --out {tmp_path}/labels.svg")
    assert "upper" in (tmp_path / "labels.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_what_goes_out_comes_in_again_and_is_the_same(desk: Desk, empty: Desk, form: str) -> None:
    out = empty.folder / f"account.{form}"
    assert f"{len(SEASON)} entries written" in desk.does(f"clutch export --out {out} --format {form}")
    told = empty.does(f"clutch import {out} --dry-run")
    assert f"{len(SEASON)} entries would be taken, 0 were there already, 0 cannot be taken" in told
    assert empty("clutch list --json").code == 10, "a dry run makes no store"
    assert f"{len(SEASON)} entries taken" in empty.took(f"clutch import {out}").out
    with desk.store() as one, empty.store() as other:
        assert one.account.events() == other.account.events()
    again = empty.folder / f"again.{form}"
    empty.does(f"clutch export --out {again} --format {form}")
    assert again.read_bytes() == out.read_bytes()
    assert f"0 entries taken, {len(SEASON)} were there already" in empty.does(f"clutch import {out}")
    assert empty.events() == len(SEASON)
    assert empty(f"clutch export --out {out}").code == 25


def test_the_account_is_a_table_of_parquet_too(desk: Desk, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    desk.does(f"clutch export --out {tmp_path}/account.parquet --format parquet")
    rows = pq.read_table(tmp_path / "account.parquet").to_pylist()
    assert len(rows) == len(SEASON)
    assert (rows[5]["what"], rows[5]["grams"], rows[0]["slugs"]) == ("weighed", 812.5, 2)
    assert desk("clutch export --format parquet").code == 2


HAND = """\
clutch;what;at;species;eggs;box;how
A1;laid;2024-05-01;elaphe taeniura;6;;
A1;hatched;2024-07-05;;4;old rack;
A1;set;2024-05-01 20:00;;6;old rack;
A1;dead;2024-07-12;;2;;mould
"""


def test_an_old_season_written_by_hand_comes_in_and_its_bad_rows_are_named(empty: Desk) -> None:
    file = empty.folder / "old.csv"
    file.write_text(HAND, encoding="utf-8")
    answer = empty(f"clutch import {file}")
    assert answer.code == 0, answer.err
    assert "4 entries taken" in answer.out
    told = " ".join(answer.err.split())
    assert "no readings are there of old rack for that time" in told
    assert "4 of 6 eggs hatched, 2 mould" in empty.does("clutch list --all")
    file.write_text(
        HAND.replace("A1", "B1")
        + "B1;dead;2024-07-13;;1;;bored\nB1;hatched;2024-07-14;;5;;\nB1;looked;sunday;;;;\n"
        + "B2;laid;2024-05-01;no such snake;3;;\nB 3;laid;2024-05-01;elaphe-taeniura;3;;\n",
        encoding="utf-8",
    )
    answer = empty(f"clutch import {file}")
    assert answer.code == 5
    for row, why in (
        (6, "bored"),
        (7, "no eggs"),
        (8, "is not a time"),
        (9, "no such snake"),
        (10, "name of a clutch"),
    ):
        (line,) = [x for x in answer.out.splitlines() if x.startswith(f"row {row}:")]
        assert why in line, line
    assert "nothing was written" in answer.out
    assert [c["clutch"] for c in empty("clutch list --json").json] == ["A1"]
    assert "4 entries taken" in empty.took(f"clutch import {file} --take-rest").out


def test_words_with_odd_signs_come_back_and_move_no_cursor(empty: Desk) -> None:
    empty.does("clutch add K01 --species elaphe-taeniura --laid 2024-05-01 --eggs 6")
    odd = 'two\nlines, \u2028 "quoted"; ä'
    with empty.store() as store:
        laid = store.account.events()[0]
        said = dataclasses.replace(laid, kind=EventKind.NOTE, eggs=None, species="", text=odd, day_only=False)
        assert empty("record note K01 --note '\x1b[2J'").code == 5
        # As one that was told before this was refused.
        numbered = dataclasses.replace(said, id=2, text=odd + "\x1b[2J")
        store.account.bring([FileRow(1, numbered, 2, taken_before=True)])
    assert "\x1b" not in empty.does("clutch show K01")
    for form in ("csv", "jsonl"):
        other = Desk(empty.folder / form)
        other.folder.mkdir()
        other.write(room_text(zone="Europe/Vienna"))
        empty.does(f"clutch export --out {other.folder}/a.{form} --format {form}")
        other.took(f"clutch import {other.folder}/a.{form}")
        with empty.store() as one, other.store() as two:
            assert one.account.events() == two.account.events()


def test_no_cell_is_a_formula_and_all_come_back_as_they_were(empty: Desk) -> None:
    """A spreadsheet takes what begins so for a formula (the CSV of a file is opened by whoever gets it)."""
    odd = [
        '=HYPERLINK("http://x";"eggs")',
        "+1",
        "-5 g since then",
        "@x",
        "'=1",
        "''+2",
        "'tis the old one",
        "plain",
        "'",
    ]
    empty.does("clutch add K01 --species elaphe-taeniura --laid 2024-05-01 --eggs 6")
    with empty.store() as store:
        laid = store.account.events()[0]
        said = dataclasses.replace(laid, kind=EventKind.NOTE, eggs=None, species="", day_only=False)
        rows = [FileRow(n, dataclasses.replace(said, id=n + 2, text=x, by=x), n + 2, True) for n, x in enumerate(odd)]
        store.account.bring(rows)
        events = store.account.events()
    assert [e.text for e in events[1:]] == odd
    for form in ("csv", "jsonl"):
        other = Desk(empty.folder / form)
        other.folder.mkdir()
        other.write(room_text(zone="Europe/Vienna"))
        file = other.folder / f"a.{form}"
        empty.does(f"clutch export --out {file} --format {form}")
        if form == "csv":
            cells = [cell for row in csv.reader(file.open(encoding="utf-8", newline="")) for cell in row]
            assert not [cell for cell in cells if re.match(r"[=+\-@\t\r]", cell)]
            assert "'-5 g since then" in cells
        other.took(f"clutch import {file}")
        with other.store() as store:
            assert store.account.events() == events


def test_a_file_that_is_too_long_or_mostly_wrong_is_no_account_and_that_is_said(
    empty: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = empty.folder / "long.csv"
    head = "clutch,what,at,eggs,species\n"
    good = "K{},laid,2024-05-01,5,elaphe-taeniura\n"
    file.write_text(head + "K,nonsense,x,y,z\n" * (account_files.MOST_BAD + 1))
    said = empty(f"clutch import {file}")
    assert (said.code, said.out) == (FileUnreadable.exit_code, "")
    assert "more than 1000 of its rows cannot be read; row 2: what: 'nonsense'" in said.err
    monkeypatch.setattr(account_files, "MOST_ROWS", 10)
    for text in (
        head + "".join(good.format(n) for n in range(10)),
        '{"clutch": "K1", "what": "laid", "at": "2024-05-01"}\n' + "\n" * 10,
    ):
        file.write_text(text)
        assert "more than 10 lines" in empty(f"clutch import {file}").err
    file.write_text(head + "".join(good.format(n) for n in range(9)))
    assert "9 entries taken" in empty.does(f"clutch import {file}")


def test_a_row_of_several_lines_is_named_by_its_first(empty: Desk) -> None:
    file = empty.folder / "a.csv"
    file.write_text('clutch,what,at,eggs,species,note\nA,laid,2024-05-01,1,nobody,"one\ntwo\nthree"\nB,wat,x,,,\n')
    told = empty(f"clutch import {file}").out
    assert [line.partition(":")[0] for line in told.splitlines() if line.startswith("row ")] == ["row 2", "row 5"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no list of columns"),
        ("clutch,wat\n", "did you mean what?"),
        ("clutch,what,at\nA,laid,2024-05-01,,,\n", "more fields"),
        ('clutch,what,at\nA,laid,"2024\n', ""),
        ("{bad\n", "no JSON"),
        ('{"what":"note"}\n[]\n', "no entry"),
        ("\x00\x01", "no column"),
    ],
)
def test_what_is_no_account_is_refused_by_name(empty: Desk, text: str, why: str) -> None:
    file = empty.folder / "odd.csv"
    file.write_text(text, encoding="utf-8")
    answer = empty(f"clutch import {file}")
    assert answer.code in (5, 25)
    assert why in answer.text
    assert "Traceback" not in answer.text


@given(st.text(st.sampled_from('clutchwa,;\n"01-:laid{}é\x00 '), max_size=300) | st.binary(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_bytes_are_too_odd_for_the_reader(tmp_path: Path, text: str | bytes) -> None:
    file = tmp_path / "odd"
    file.write_bytes(("clutch,what,at,eggs\n" + text).encode() if isinstance(text, str) else text)
    try:
        rows, bad = account_files.read(file, UTC, round(NOW.timestamp() * 1000))
    except FileUnreadable:
        return
    brought = bring(rows, [])
    assert brought.taken + brought.there + len(brought.refused) == len(rows)
    assert {line for line, _ in bad}.isdisjoint(row.row for row in rows)
    project(brought.new)


def test_an_account_of_a_hundred_clutches_comes_in_at_once(empty: Desk) -> None:
    def rows() -> str:
        lines = ["clutch,what,at,species,eggs,box"]
        for i in range(100):
            lines += [f"C{i},laid,2024-05-01,elaphe-taeniura,9,", f"C{i},set,2024-05-01 20:00,,9,upper"]
            lines += [f"C{i},hatched,2024-07-0{k},,1,upper" for k in range(1, 9)]
        return "\n".join(lines)

    (empty.folder / "many.csv").write_text(rows())
    assert "1000 entries taken" in empty.took(f"clutch import {empty.folder}/many.csv").out


# -- at the keys ----------------------------------------------------------------------------------------------------


def at_the_keys(desk: Desk, line: str, keys: list[str]) -> tuple[int, str]:
    """What a command comes to whose questions are answered."""
    parent, child = pty.openpty()
    words = [sys.executable, "-m", "monitor", *line.split(), "--config", str(desk.folder / "room.toml")]
    command = subprocess.Popen(
        [*words, "--data", str(desk.data)], stdin=child, stdout=child, stderr=child, close_fds=True
    )
    os.close(child)
    os.write(parent, "".join(f"{key}\n" for key in keys).encode())
    said = b""
    while True:
        try:
            some = os.read(parent, 4096)
        except OSError:
            break
        if not some:
            break
        said += some
    return command.wait(timeout=60), said.decode()


@pytest.mark.slow
def test_a_tired_keeper_is_asked_and_never_guessed(empty: Desk) -> None:
    empty.does("clutch add K01 --species elaphe-taeniura --laid 2024-05-01 --eggs 8")
    empty.does('record set K01 --box upper --eggs 5 --at "2024-05-01 20:00"')
    empty.does('record set K01 --box lower --eggs 3 --at "2024-05-01 20:00"')
    code, said = at_the_keys(empty, "record dead K01 --at 2024-06-01", ["9", "mould", "2", "", "4", "3"])
    assert code == 0, said
    assert "how was it lost" in said
    assert "1 to 3" in said
    with Store(empty.data) as store:
        told: KeeperEvent = store.account.events()[-1]
    assert (told.how, told.box, told.eggs) == ("mould", "lower", 3)
    before = empty.events()
    code, said = at_the_keys(empty, "record pipped K01 --at 2024-07-01", ["no", "9", *["0"] * 20])
    assert (code, empty.events()) == (2, before), said
    assert json.loads(empty("clutch list --json").out)[0]["balance"]["lost"] == {"mould": 3}


@pytest.mark.parametrize(
    ("when", "utc"),
    [
        ("07:30", "2026-09-01T05:30:00Z"),
        ("7:30", "2026-09-01T05:30:00Z"),
        ("yesterday", "2026-08-31T10:00:00Z"),
        ("yesterday 22:15", "2026-08-31T20:15:00Z"),
        ("today 06:00", "2026-09-01T04:00:00Z"),
        ("30 min ago", "2026-09-01T09:30:00Z"),
        ("2 h ago", "2026-09-01T08:00:00Z"),
    ],
)
def test_times_are_told_as_keepers_say_them(empty: Desk, monkeypatch: pytest.MonkeyPatch, when: str, utc: str) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: round(NOW.timestamp() * 1e9))
    empty.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 8 --by Ada")
    empty.does(f'record note K01 --note "looked in" --at "{when}" --by "Bo M."')
    told = empty("clutch show K01 --json").json["account"]
    assert (told[1]["at"], told[1]["by"], told[0]["by"]) == (utc, "Bo M.", "Ada")
    assert "looked, box upper" not in empty.does("clutch show K01")
    empty.does('record set K01 --box upper --eggs 4 --at "2026-05-01 20:00"')
    empty.does('record set K01 --box lower --eggs 4 --at "2026-05-01 20:00"')
    assert empty.does('record looked --all --at "1 h ago"').count("K01 looked") == 2
    assert empty("record looked").code == empty("record looked K01 --all").code == 2
    assert "by Bo M." in empty.does("clutch show K01")
    late = empty('record note K01 --note "later" --at 22:30')
    assert late.code == 5
    assert "yesterday 22:30" in late.err
