"""In a room in Fahrenheit nothing that a keeper reads is in Celsius, and every time is that of the room's clock."""

from __future__ import annotations

import math
import re
import shlex
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock
from zoneinfo import ZoneInfo

import pytest

from monitor.adapters.store import Store
from monitor.cli.example import examples, examples_beside
from monitor.config.library import load_profile
from monitor.config.room_file import load
from monitor.core.notices.by_calendar import daily
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.formats import (
    as_said,
    differences_in,
    show_degree_days,
    show_difference,
    show_range,
    show_round,
    show_temperature,
    show_time,
)
from monitor.core.terms.settings import DisplayUnit
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived
from tests.core.notices.test_notices import every_notice, rich
from tests.core.timeline import START
from tests.desk import Desk, room_text

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("units")

# A number with C behind it, the word, and differences in words, which are round in Celsius alone.
CELSIUS = re.compile(r"°C|\d\s?C\b|[Cc]elsius|\b(?:half a|a|two) degrees?\b(?!-)")
DAYS = 40
OWN_PROFILES = '[profiles]\ndir = "own"\n'
TODAY = datetime(2026, 9, 1, 12, tzinfo=UTC)


def celsius_in(text: str) -> list[str]:
    return [line for line in text.splitlines() if CELSIUS.search(line)]


# -- notices -----------------------------------------------------------------------------------------------------------


def still_told(kind: Kind, snapshot: Snapshot) -> Iterator[Notice]:
    """What is told again of everything that a kind looks at."""
    now, subjects = snapshot.now_ms, [x.subject for x in kind.look(snapshot)]
    before = now - 48 * HOUR_MS
    up = [
        Condition(kind.name, s, Phase.RAISED, before, before, None, now - 1, told_ms=before, told=1) for s in subjects
    ]
    watch = replace(snapshot.room.watch, repeat_now_s=1800.0, repeat_today_s=1800.0)
    seen = replace(snapshot, room=replace(snapshot.room, watch=watch), conditions={c.key: c for c in up})
    yield from evaluate(seen, [kind]).notices


@pytest.mark.parametrize("now_ms", [START, START + 200 * 24 * HOUR_MS])
def test_no_notice_of_a_room_in_fahrenheit_has_a_temperature_in_celsius(now_ms: int) -> None:
    snapshot = rich(now_ms, "F")
    told = [n for _, n in every_notice(snapshot)]
    told += [n for kind in all_kinds() for n in still_told(kind, snapshot)]
    # Of a probe that changed its unit both units are told.
    told += [n for kind in all_kinds() for n in examples(kind, snapshot.room) if kind.name != "probe-unit"]
    told += [daily(snapshot), *examples_beside(snapshot.room)]
    assert {n.change for n in told} == {"raised", "still", "cleared", "daily", "drill", "digest"}
    assert len({n.kind for n in told}) >= len(all_kinds())
    assert [x for n in told for x in celsius_in(f"{n.title}\n{n.text}\n{n.story}")] == []
    assert sum("°F" in n.whole for n in told) >= 20


def test_in_celsius_the_same_notices_do_speak_of_it() -> None:
    """So that the search above cannot come out empty by itself."""
    assert len([x for _, n in every_notice(rich(START, "C")) for x in celsius_in(n.whole)]) >= 20


def test_a_difference_has_no_offset_and_a_sum_of_degree_days_none_either() -> None:
    assert show_difference(1.0, "F") == "1.8 °F"
    assert show_temperature(1.0, "F") == "33.8 °F"
    assert show_temperature(-20.0, "F") == "−4.0 °F"
    assert show_range(24.5, 32.0, "C") == "24.5 to 32 °C"
    assert show_range(24.5, 32.0, "F") == "76.1 to 89.6 °F"
    assert show_round(25.0, "F") == "77 °F"
    assert (show_degree_days(867.3, "C", 1), show_degree_days(867.3, "F", 1)) == (
        "867.3 degree-days",
        "1561.1 degree-days",
    )
    assert show_degree_days(1000.0, "F", error_degree_days=10.0) == "1800 ± 18 degree-days"
    assert differences_in("by 0.25 °C or more, or 1 °C", "F") == "by 0.45 °F or more, or 1.8 °F"
    assert differences_in("by 0.25 °C or more", "C") == "by 0.25 °C or more"


def test_an_error_value_is_told_as_the_probe_said_it() -> None:
    assert as_said((-127.0 - 32.0) / 1.8, "F") == "-127"
    assert as_said(85.0, "C") == "85"
    assert as_said(-273.15, "K") == "0"
    assert as_said(101.0, "%") == "101"


# -- commands ----------------------------------------------------------------------------------------------------------


def wavy(path: Path, columns: Sequence[tuple[str, float, float]]) -> None:
    """Half-hourly readings that go up and down by the day."""
    lines = ["time," + ",".join(name for name, _, _ in columns)]
    at = TODAY - timedelta(days=DAYS)
    while at <= TODAY:
        way = math.sin(2 * math.pi * at.timestamp() / 86400)
        values = ",".join(f"{middle + swing * way:.3f}" for _, middle, swing in columns)
        lines.append(f"{at.astimezone(ZoneInfo('Europe/Vienna')):%Y-%m-%d %H:%M},{values}")
        at += timedelta(minutes=30)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def a_room(unit: DisplayUnit) -> str:
    return room_text(zone="Europe/Vienna", unit=unit, limits={"too_warm_c": 31.0, "too_cool_c": 25.0})


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The furnished room, made once."""
    folder = tmp_path_factory.mktemp("furnished")
    with mock.patch("time.time_ns", return_value=round(TODAY.timestamp() * 1e9)):
        furnished(folder)
    return folder


def copied(made: Path, folder: Path, unit: DisplayUnit) -> Desk:
    """A room of one's own, as that one and in this unit."""
    shutil.copytree(made, folder, dirs_exist_ok=True)
    (folder / "room.toml").write_text(a_room(unit) + OWN_PROFILES, encoding="utf-8")
    return Desk(folder)


def furnished(folder: Path) -> None:
    """A room of two boxes: one is hotter than any table, and one too cold for eggs to develop."""
    (folder / "room.toml").write_text(a_room("F") + OWN_PROFILES, encoding="utf-8")
    (folder / "own").mkdir()
    wavy(folder / "log.csv", (("upper", 34.2, 0.6), ("lower", 8.0, 0.2)))
    desk = Desk(folder)
    laid = (TODAY - timedelta(days=DAYS)).date()
    for box in ("upper", "lower"):
        desk.does(f"import {folder}/log.csv --probe {box}-warmth --time-column time --value-column {box} --unit C")
    for clutch, boxes in (("K01", ("upper", "lower")), ("K02", ("upper",)), ("K03", ("lower",))):
        desk.does(f"clutch add {clutch} --species elaphe-taeniura --laid {laid} --eggs 12")
        for box in boxes:
            desk.does(f'record set {clutch} --box {box} --eggs 6 --at "{laid} 12:00"')


@pytest.fixture(autouse=True)
def _today(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.time_ns", lambda: round(TODAY.timestamp() * 1e9))


SPAN = f"--from {TODAY - timedelta(days=2):%Y-%m-%d} --to {TODAY - timedelta(days=1):%Y-%m-%d}"
COMMANDS = (
    "boxes",
    "forecast",
    "forecast K01 --assume 105F",
    "forecast K01 --assume 80.5F --set-points",
    "probes",
    "stack",
    "stack left --wanted 80",
    "notices",
    f"compare --probes upper-warmth lower-warmth {SPAN}",
    f"compare ice --probe lower-warmth {SPAN}",
    f"compare ice --probe upper-warmth {SPAN}",
    "compare by-hand --probe upper-warmth --add -0.4 --uncertainty 0.1",
    "compare list",
    "probes",
    "learn",
    "species",
    "texts",
    *(f"explain {kind.name}" for kind in all_kinds()),
    *(f"texts {kind.name}" for kind in all_kinds()),
    "texts daily-line",
)


def said(desk: Desk, line: str) -> str:
    answer = desk(line)
    return answer.out + answer.err


def test_no_command_in_a_room_in_fahrenheit_speaks_celsius(made: Path, tmp_path: Path) -> None:
    f, c = copied(made, tmp_path / "f", "F"), copied(made, tmp_path / "c", "C")
    when = f"{TODAY - timedelta(days=1):%Y-%m-%d}"
    for desk in (f, c):
        desk.does(f'record pipped K01 --box upper --eggs 2 --at "{when} 08:00" --not-yet-at "{when} 01:00"')
    wrong, spoken = {}, 0
    for line in COMMANDS:
        told = said(f, line)
        assert "Traceback" not in told
        # Of a probe that changed its unit both units are told.
        if line != "texts probe-unit" and celsius_in(told):
            wrong[line] = celsius_in(told)
        if not line.startswith(("explain", "texts")):
            spoken += bool(celsius_in(said(c, line)))
    assert wrong == {}
    # As above: in Celsius the same commands do speak of it.
    assert spoken >= 15


def test_what_is_said_in_fahrenheit_is_the_same_temperature(made: Path, tmp_path: Path) -> None:
    desk = copied(made, tmp_path, "F")
    told = said(desk, "forecast K01 --why")
    assert "93.6 °F lies outside the published table" in told
    assert "at 46.4 °F eggs of this species hardly develop" in told
    assert re.search(r"degree-days above 54\.\d °F", told)
    assert "at 45.0 °F eggs of this species hardly develop" in said(desk, "forecast K01 --assume 45F")
    assert "which is not melting ice" in said(desk, f"compare ice --probe lower-warmth {SPAN}")
    assert re.search(r"it says 46\.\d °F", said(desk, f"compare ice --probe lower-warmth {SPAN}"))
    assert "0.45 °F or more" in said(desk, "explain probe-drifting")
    assert "0.25 °C or more" in said(furnished_c(tmp_path), "explain probe-drifting")


def furnished_c(folder: Path) -> Desk:
    text = (folder / "room.toml").read_text(encoding="utf-8")
    (folder / "room.toml").write_text(text.replace('display_unit = "F"', 'display_unit = "C"'), encoding="utf-8")
    return Desk(folder)


def test_the_own_lines_of_a_profile_are_in_the_keepers_unit(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(a_room("F"), encoding="utf-8")
    desk = Desk(tmp_path)
    shown = said(desk, "species elaphe-taeniura")
    # What the papers are cited with stays as it was printed.
    own = [x for x in shown.splitlines() if not re.match(r"note: |lethal: |\S+: ", x)]
    assert celsius_in("\n".join(own)) == []
    assert "limits: 71.6 to 86 °F (" in shown
    assert re.search(r"^°F +days", shown, re.M)
    plot = said(desk, "species elaphe-taeniura --plot")
    assert re.search(r" \d\d .* °F$", plot, re.M)
    said(desk, f"species elaphe-taeniura --svg {shlex.quote(str(tmp_path / 'x.svg'))}")
    drawn = (tmp_path / "x.svg").read_text(encoding="utf-8")
    assert "constant temperature, °F" in drawn
    assert "°C" not in re.sub(r"<text [^>]*font-size=\"12\".*?</text>", "", drawn)


# -- times -------------------------------------------------------------------------------------------------------------

CHANGES = {
    "forward": datetime(2026, 3, 29, 1, 0, tzinfo=UTC),
    "back": datetime(2026, 10, 25, 1, 0, tzinfo=UTC),
}


@pytest.mark.parametrize("night", CHANGES)
@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/New_York", "UTC"])
def test_every_time_in_a_notice_is_by_the_rooms_clock_across_both_change_nights(night: str, zone: str) -> None:
    """By the standard library's zones from the moment on, hour by hour, and never by this computer's own zone."""
    change = CHANGES[night]
    for hour in range(-3, 5):
        now = change + timedelta(hours=hour, minutes=40)
        now_ms = round(now.timestamp() * 1000)
        snapshot = rich(now_ms, "F")
        snapshot = replace(snapshot, room=replace(snapshot.room, zone=zone), zone=ZoneInfo(zone))
        local = now.astimezone(ZoneInfo(zone))
        since = (now - timedelta(hours=1)).astimezone(ZoneInfo(zone))
        for kind, notice in every_notice(snapshot):
            assert kind.dated or f"ince {since:%a %H:%M}" in notice.text, kind.name
            for text in re.findall(r"\d{4}-\d\d-\d\d \d\d:\d\d", notice.whole):
                at = datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=ZoneInfo(zone))
                assert abs(at.replace(tzinfo=None) - local.replace(tzinfo=None)) < timedelta(days=3), notice.text
        assert daily(snapshot).title.startswith(f"back room, {local:%Y-%m-%d}: ")


def test_the_hour_that_occurs_twice_and_the_one_that_is_left_out_are_shown_as_the_clock_showed_them() -> None:
    vienna = ZoneInfo("Europe/Vienna")

    def shown(change: str, minutes: int) -> str:
        return show_time(round((CHANGES[change] + timedelta(minutes=minutes)).timestamp() * 1000), vienna)

    assert [shown("back", m) for m in (-61, -60, -1, 0, 59, 60)] == [
        f"2026-10-25 {hhmm}" for hhmm in ("01:59", "02:00", "02:59", "02:00", "02:59", "03:00")
    ]
    assert [shown("forward", m) for m in (-1, 0, 59, 60)] == [
        f"2026-03-29 {hhmm}" for hhmm in ("01:59", "03:00", "03:59", "04:00")
    ]


def test_commands_tell_the_rooms_time_whatever_zone_the_computer_is_in(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    __import__("time").tzset()
    try:
        desk = copied(made, tmp_path, "F")
        told = said(desk, "boxes")
        again = said(
            desk, f"import {tmp_path}/log.csv --probe upper-warmth --time-column time --value-column upper --unit C"
        )
    finally:
        monkeypatch.undo()
        __import__("time").tzset()
    local = TODAY.astimezone(ZoneInfo("Europe/Vienna"))
    assert f"{local:%Y-%m-%d %H:%M}" in told.splitlines()[0]
    begin = (TODAY - timedelta(days=DAYS)).astimezone(ZoneInfo("Europe/Vienna"))
    assert f"  {begin:%Y-%m-%d %H:%M} to {local:%Y-%m-%d %H:%M}, one every" in again
    assert "92.48 °F to 94.64 °F" in again


def test_a_snapshot_from_the_store_is_told_in_fahrenheit(made: Path, tmp_path: Path) -> None:
    copied(made, tmp_path, "F")
    settings = load(tmp_path / "room.toml", data_dir=tmp_path / "data")
    with Store(settings.data_dir) as store:
        derived = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))
        # What was imported came late, all at once: it is judged when no more is on the way.
        now_ms = round(TODAY.timestamp() * 1000) + 5 * 60_000
        derived.follow(now_ms)
        snapshot = derived.snapshot(now_ms, Service(started_ms=now_ms - 24 * HOUR_MS))
    notices = [*evaluate(snapshot).notices, daily(snapshot)]
    assert {n.kind for n in notices} >= {"too-warm", "too-cool", "daily-line"}
    assert [x for n in notices for x in celsius_in(n.text)] == []
    assert [x for lot in snapshot.lots for x in celsius_in("\n".join([lot.refused, *lot.notes]))] == []
    assert any("°F" in note for lot in snapshot.lots for note in lot.notes)
