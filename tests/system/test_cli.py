"""The commands as a keeper types them, one after the other, on a room of one stack with an imported series."""

from __future__ import annotations

import math
import shlex
import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.cli.main import parser
from monitor.core.development.species import VENOMOUS
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.notices.notice import Notice
from tests.desk import Desk, probe, room_text

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("season")

LAID = datetime(2026, 5, 1, 7, tzinfo=UTC)
TODAY = datetime(2026, 9, 1, 12, tzinfo=UTC)


def config(unit: str = "C") -> str:
    return room_text(zone="Europe/Vienna", unit=unit, limits={"too_warm_c": 31.0, "too_cool_c": 25.0})


@pytest.fixture(autouse=True)
def _today(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: round(TODAY.timestamp() * 1e9))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    made = Desk(tmp_path)
    made.write(config())
    return made


def write_csv(path: Path, days: float, upper: float = 27.0, lower: float = 26.0) -> None:
    lines = ["time,upper,lower"]
    at = LAID
    while at <= LAID + timedelta(days=days):
        local = (at + timedelta(hours=2)).strftime("%Y-%m-%d %H:%M")
        lines.append(f"{local},{upper},{lower}")
        at += timedelta(minutes=30)
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seventy days of the boxes at 27 and 26 C, imported as the README shows; no clutch yet."""
    folder = tmp_path_factory.mktemp("season")
    (folder / "room.toml").write_text(config())
    write_csv(folder / "log.csv", 70)
    desk = Desk(folder)
    for box in ("upper", "lower"):
        told = desk.does(
            f'import "{folder}/log.csv" --probe {box}-warmth --time-column time --value-column {box} --unit C'
        )
        assert "3361" in told
    return folder


@pytest.fixture
def room(season: Path, tmp_path: Path) -> Desk:
    """The season with one clutch of twelve in two boxes."""
    shutil.copytree(season, tmp_path, dirs_exist_ok=True)
    made = Desk(tmp_path)
    made.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    made.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    made.does('record set K01 --box lower --eggs 6 --at "2026-05-01 09:00"')
    return made


def moment(text: str) -> datetime:
    assert text.endswith("Z")
    return datetime.fromisoformat(text)


def days_since_laid(text: str) -> float:
    return (moment(text) - LAID) / timedelta(days=1)


# -- the account ------------------------------------------------------------------------------------------------


def test_a_clutch_is_added_set_and_pips(desk: Desk) -> None:
    told = desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    assert told.startswith("entry 1: K01 laid, 2026-05-01, 12 eggs, elaphe-taeniura")
    assert "next: warmtally record set K01" in told
    told = desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    assert "K01/upper: 6 eggs in box upper" in told
    assert "in no box yet: 6 eggs" in told
    told = desk.does('record pipped K01 --box upper --eggs 2 --at "2026-07-01 06:30" --not-yet-at "2026-06-30 22:00"')
    assert "not yet at 2026-06-30 22:00" in told
    assert "6 eggs in box upper, 2 pipped" in told
    shown = desk("clutch show K01 --json").json
    (lot,) = shown["lots"]
    assert lot["pips"] == [{"after": "2026-06-30T20:00:00Z", "by": "2026-07-01T04:30:00Z", "eggs": 2}]
    assert lot["stays"] == [{"box": "upper", "from": "2026-05-01T07:00:00Z", "to": None}]
    assert (lot["eggs"], lot["waiting"], shown["unplaced"]) == (6, 4, 6)
    assert [e["kind"] for e in shown["account"]] == ["laid", "set", "pipped"]
    text = desk.does("clutch show K01")
    assert "elaphe-taeniura, laid 2026-05-01, 12 eggs" in text
    assert "upper (6)" in desk.does("clutch list")


def test_every_kind_of_entry_is_taken(room: Desk) -> None:
    for line in (
        'record candled K01 --box upper --fertile 5 --at "2026-05-20 18:00"',
        'record removed K01 --box upper --eggs 1 --at "2026-05-20 18:05" --note "slug"',
        'record candled K01 --box upper --alive 4 --doubtful 1 --at "2026-05-24 18:00"',
        'record looked K01 --box upper --at "2026-05-25 18:00"',
        'record moved K01 --box upper --to lower --eggs 2 --at "2026-06-01 10:00"',
        'record pipped K01 --box upper --eggs 1 --at "2026-07-04 06:30"',
        'record hatched K01 --box upper --eggs 1 --at "2026-07-05 08:00"',
        'record dead K01 --box upper --eggs 1 --at "2026-07-10 08:00"',
        'record note K01 --note "first shed"',
    ):
        room.does(line)
    (clutch,) = room("clutch list --json").json
    boxes = {lot["lot"]: (lot["eggs"], lot["hatched"], lot["dead"], lot["removed"]) for lot in clutch["lots"]}
    assert boxes["K01/upper"] == (1, 1, 1, 1)
    assert clutch["balance"]["lost"] == {"other": 1}
    assert sum(lot["eggs"] for lot in clutch["lots"]) == 12 - 3
    assert "first shed" in room.does("clutch show K01")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("clutch add K01 --species elaphe-taeniura --laid 2026-05-02 --eggs 3", "there already"),
        ("clutch add K02 --species elaphe-taeniura --laid 2026-05-02 --eggs 0", "at least one egg"),
        ("clutch add K02 --species elaphe-taeniura --laid 2027-05-02 --eggs 3", "lies in the future"),
        ('record set K01 --box upper --eggs 1 --at "2026-05-03 09:00"', "0 of 12 are in no box"),
        ('record pipped K01 --box upper --eggs 7 --at "2026-07-01 06:30"', "only 6"),
        ('record pipped K01 --eggs 1 --at "2026-07-01 06:30"', "in several places"),
        ('record pipped K01 --box upper --at "2026-07-01 06:30"', "how many of 6"),
        ('record set K01 --box upper --eggs 1 --at "2027-01-01 09:00"', "lies in the future"),
        ('record hatched K01 --box upper --eggs 1 --at "2026-04-01 06:30"', "before it was laid"),
        (
            'record pipped K01 --box upper --eggs 1 --at "2026-07-01 06:30" --not-yet-at "2026-07-01 06:30"',
            "not before the one at which it was",
        ),
        ('record moved K01 --box upper --to upper --at "2026-06-01 06:30"', "already"),
        ("record correct 2 --eggs 13", "cannot be set"),
        ("record correct 1 --withdraw", "no clutch"),
    ],
)
def test_what_cannot_have_happened_is_refused_and_nothing_is_written(room: Desk, line: str, says: str) -> None:
    before = room.events()
    answer = room(line)
    undecided = "several" in says or "how many" in says
    assert answer.code == (6 if "withdraw" in line else 28 if undecided else 5), answer.err
    assert says in answer.err
    assert answer.out == ""
    assert "Traceback" not in answer.err
    assert room.events() == before


@pytest.mark.parametrize(
    ("line", "close"),
    [
        ('record set K01 --box uper --eggs 1 --at "2026-05-03 09:00"', "upper"),
        ("record note K10 --note hello", "K01"),
        ("clutch show K10", "K01"),
        ("forecast K10", "K01"),
        ("forecast K01/uper", "K01/upper"),
        ("forecast K01 --assume box=uper", "upper"),
        ("clutch add K02 --species elaphe --laid 2026-05-02 --eggs 3", "elaphe-taeniura"),
        ("species elaphe", "elaphe-taeniura"),
        ("record correct 99 --eggs 3", "clutch show"),
        ("answer 99", "warmtally notices"),
    ],
)
def test_a_name_that_is_not_known_is_met_with_those_that_are(room: Desk, line: str, close: str) -> None:
    before = room.events()
    answer = room(line)
    assert answer.code == 6, (answer.out, answer.err)
    assert close in answer.err
    assert room.events() == before


@pytest.mark.parametrize(
    "line",
    [
        'record set K01 --box upper --at "the day before"',
        'record set K01 --box upper --at "2026-03-29 02:30"',
        "record note K01",
        "record correct 2",
        "forecast --assume warm",
        'forecast --assume "29.0 until 2026-06-20"',
        "forecast --at 2026-13-01",
    ],
)
def test_words_that_do_not_fit_are_a_usage_error_with_a_way_out(room: Desk, line: str) -> None:
    answer = room(line)
    assert answer.code == 2, (answer.out, answer.err)
    assert "what to do:" in answer.err


@pytest.mark.parametrize("name", ["K/01", "", " ", "Gelege 7", "K#1", "K01 ", "-K", "K\n01", "x" * 65])
def test_a_clutch_has_a_name_by_which_its_lots_can_be_asked_for(room: Desk, name: str) -> None:
    before = room.events()
    answer = room(f"clutch add --species elaphe-taeniura --laid 2026-05-02 --eggs 3 -- {shlex.quote(name)}", tail=False)
    assert answer.code == 5, (answer.out, answer.err)
    assert "letters" in answer.err
    assert room.events() == before


@pytest.mark.parametrize("name", ["K02", "Gelege_7", "Ü-1.b_2", "7"])
def test_names_of_many_a_kind_are_taken(room: Desk, name: str) -> None:
    room.does(f'clutch add "{name}" --species elaphe-taeniura --laid 2026-05-02 --eggs 3')
    room.does(f'record set "{name}" --box upper --eggs 3 --at "2026-05-02 18:00"')
    (got,) = room(f'forecast "{name}/upper" --at "2026-06-15 12:00" --json').json
    assert got["lot"] == f"{name}/upper"


@pytest.mark.parametrize(
    "line",
    [
        "record set K02 --box K02/upper --eggs 1 --at 2026-05-02",
        "record set K02 --box upper#2 --eggs 1 --at 2026-05-02",
        'record moved K01 --box upper --to K01/lower --at "2026-06-01 09:00"',
        "record correct 2 --box K01/lower",
    ],
)
def test_eggs_are_put_into_boxes_not_into_lots(room: Desk, line: str) -> None:
    room.does("clutch add K02 --species elaphe-taeniura --laid 2026-05-01 --eggs 2")
    before = room.events()
    answer = room(line)
    assert answer.code == 6, (answer.out, answer.err)
    assert "boxes: upper, lower" in answer.err
    assert room.events() == before


def test_a_lot_may_be_named_where_eggs_are_told_of(room: Desk) -> None:
    assert "1 pipped" in room.does('record pipped K01 --box K01/upper --eggs 1 --at "2026-07-01 06:30"')


def test_what_to_have_ready_for_hatchlings_that_kill_is_said_when_they_are_entered_and_when_they_pip(
    room: Desk,
) -> None:
    assert "venomous" not in room.does('record pipped K01 --box upper --eggs 1 --at "2026-07-01 06:30"')
    assert VENOMOUS in room.does("species naja-atra")
    assert VENOMOUS in room.does("clutch add K02 --species naja-atra --laid 2026-05-01 --eggs 2")
    room.does('record set K02 --box lower --eggs 2 --at "2026-05-01 20:00"')
    assert VENOMOUS in room.does('record pipped K02 --box lower --eggs 1 --at "2026-07-01 06:30"')


@pytest.mark.parametrize(
    ("when", "utc", "says"),
    [
        # Clocks in Vienna are set back at 3 h on 25 October 2026: half past two comes twice.
        ("2026-10-25 02:30", "", 'write "2026-10-25 02:30+02:00" or "2026-10-25 02:30+01:00"'),
        ("2026-10-25 02:30+02:00", "2026-10-25T00:30:00Z", ""),
        ("2026-10-25 02:30+01:00", "2026-10-25T01:30:00Z", ""),
        ("2026-10-25T01:30:00Z", "2026-10-25T01:30:00Z", ""),
        ("2026-10-25 01:59", "2026-10-24T23:59:00Z", ""),
        ("2026-10-25 03:00", "2026-10-25T02:00:00Z", ""),
    ],
)
def test_an_hour_that_comes_twice_is_told_as_such_and_either_can_be_meant(
    room: Desk, monkeypatch: pytest.MonkeyPatch, when: str, utc: str, says: str
) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: round(datetime(2026, 11, 1, tzinfo=UTC).timestamp() * 1e9))
    answer = room(f'record note K01 --note "looked in" --at "{when}"')
    if says:
        assert (answer.code, answer.out) == (2, "")
        assert says in answer.err
        return
    assert answer.code == 0, answer.err
    with Store(room.data) as store:
        assert store.account.events()[-1].at_ms == datetime.fromisoformat(utc).timestamp() * 1000
    assert answer.err == ""


@pytest.mark.parametrize("when", ["2026-03-29 02:00", "2026-03-29 02:30", "2026-03-29T02:59"])
def test_an_hour_that_the_clocks_skip_is_refused_with_what_to_write(room: Desk, when: str) -> None:
    before = room.events()
    answer = room(f'record note K01 --note "looked in" --at "{when}"')
    assert answer.code == 2
    assert "does not exist: the clocks were set forward" in answer.err
    assert f'write "2026-03-29 03:{when[-2:]}"' in answer.err
    assert room.events() == before
    # The hours on both sides of it are taken, and it is one with its offset.
    for fine in ("2026-03-29 01:59", "2026-03-29 03:00", "2026-03-29 02:30+01:00"):
        assert "does not exist" not in room(f'record note K01 --note "looked in" --at "{fine}"').err


def test_a_wrong_entry_is_corrected_by_a_further_one(room: Desk) -> None:
    assert "entry 4: entry 2 now:" in room.does("record correct 2 --eggs 5")
    clutch = room("clutch show K01 --json").json
    assert [(x["lot"], x["eggs"]) for x in clutch["lots"]] == [("K01/upper", 5), ("K01/lower", 6)]
    assert clutch["unplaced"] == 1
    room.does('record correct 2 --at "2026-05-02 09:00" --eggs 6')
    assert room("clutch show K01 --json").json["lots"][-1]["stays"][0]["from"] == "2026-05-02T07:00:00Z"
    assert "taken back" in room.does("record correct 3 --withdraw")
    clutch = room("clutch show K01 --json").json
    assert [(x["lot"], x["eggs"]) for x in clutch["lots"]] == [("K01/upper", 6)]
    assert room.events() == 6, "nothing is ever overwritten"
    assert room("record correct 3 --eggs 2").code == 6


# -- the forecast -------------------------------------------------------------------------------------------------


def test_the_forecast_is_json_with_utc_times_and_sane_numbers(room: Desk) -> None:
    """Du & Ji 2008: at a constant 27 C the eggs of this species take 66.3 days."""
    lots = {x["lot"]: x for x in room('forecast K01 --at "2026-06-15 12:00" --json').json}
    upper = lots["K01/upper"]
    assert (upper["clutch"], upper["box"], upper["at"]) == ("K01", "upper", "2026-06-15T10:00:00Z")
    passed = days_since_laid(upper["at"])
    assert upper["development"] == pytest.approx(passed / 66.3, abs=1e-6)
    assert upper["degree_days"] == pytest.approx(passed * (27.0 - upper["base_c"]), abs=0.05)
    assert upper["filled_share"] == 0.0
    assert upper["refused"] is None
    p10, p50, p90 = (days_since_laid(upper["first_pip"][p]) for p in ("p10", "p50", "p90"))
    assert p10 < p50 < p90
    assert 66.3 - 5.0 < p50 < 66.3 - 0.3, "the first of six comes before the typical egg"
    assert all(c["days"] > 0 and c["cause"] for c in upper["causes"])
    assert math.hypot(*(c["days"] for c in upper["causes"])) == pytest.approx((p90 - p10) / 2, rel=0.02)
    assert moment(lots["K01/lower"]["first_pip"]["p50"]) > moment(upper["first_pip"]["p50"])


def test_a_single_egg_is_due_when_the_table_says_and_half_way_at_half_of_it(season: Path, tmp_path: Path) -> None:
    shutil.copytree(season, tmp_path, dirs_exist_ok=True)
    desk = Desk(tmp_path)
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 1")
    desk.does('record set K01 --box upper --eggs 1 --at "2026-05-01 09:00"')
    half = LAID + timedelta(days=66.3 / 2)
    (got,) = desk(f"forecast K01 --at {half:%Y-%m-%dT%H:%M:%SZ} --json").json
    assert got["development"] == pytest.approx(0.5, abs=1e-4)
    assert days_since_laid(got["first_pip"]["p50"]) == pytest.approx(66.3, abs=1.0)


def test_the_forecast_of_then_knows_nothing_of_what_came_after(room: Desk) -> None:
    line = 'forecast K01 --at "2026-06-15 12:00" --json'
    before = room(line).out
    room.does('record pipped K01 --box upper --eggs 2 --at "2026-07-01 06:30" --not-yet-at "2026-06-30 22:00"')
    room.does('record moved K01 --box lower --to upper --eggs 2 --at "2026-06-15 12:01"')
    assert room(line).out == before
    assert room("forecast K01 --json").out != before


def test_the_story_of_a_late_box_stays_until_the_clutch_is_finished(room: Desk) -> None:
    """The upper box pips, hatches and is gone; the lower one is looked at, candled, and hatches in the end."""

    def at(when: str) -> tuple[str, dict[str, Any]]:
        (lower,) = (x for x in room(f'forecast K01 --at "{when}" --json').json if x["lot"] == "K01/lower")
        return room.does(f'forecast K01/lower --at "{when}"'), lower

    said, lower = at("2026-06-20 20:00")
    assert lower["story"] is lower["chance_only_late"] is lower["wait_until"] is None, "nothing before the window opens"
    assert "late" not in said
    room.does('record pipped K01 --box upper --eggs 4 --at "2026-07-03 20:00" --not-yet-at "2026-07-02 20:00"')
    said, lower = at("2026-07-03 21:00")
    assert "K01 in lower lies still: K01 in upper pipped 0.5 days ago" in said
    assert "no look has been told of: one look sharpens this" in said
    until = lower["story"]["wait_until"]
    room.does('record hatched K01 --box upper --eggs 4 --at "2026-07-05 20:00"')
    room.does('record dead K01 --box upper --eggs 2 --at "2026-07-06 20:00"')
    chances = []
    for day in (7, 9):
        room.does(f'record looked K01 --box lower --at "2026-07-{day:02} 20:00"')
        said, lower = at(f"2026-07-{day:02} 20:30")
        assert "K01 in upper pipped" in said
        assert said.count("candle without turning") == said.count("do not open an egg") == 1
        assert "so its first pip comes" not in said
        assert "so its first pip comes " in room.does(f'forecast K01/lower --at "2026-07-{day:02} 20:30" --why')
        assert "and is done" in said
        assert f"nothing to see at 2026-07-{day:02} 20:00" in said
        for never in ("100 %", "discard it", "open the egg"):
            assert never not in said
        assert lower["story"]["beside"]["done"] == "2026-07-03T18:00:00Z"
        assert abs(moment(lower["story"]["wait_until"]) - moment(until)) < timedelta(days=1), "it does not slide"
        chances.append(lower["chance_only_late"])
        assert "if it lives, it is due " in said
        assert "(8 in 10)" in said, "one waits still"
    assert chances[1] < chances[0]
    over = moment(lower["story"]["wait_until"]) + timedelta(days=1)
    write_csv(room.folder / "more.csv", 80)
    room.does(f'import "{room.folder}/more.csv" --probe lower-warmth --time-column time --value-column lower --unit C')
    assert "(8 in 10, if it lives)" in at(f"{over:%Y-%m-%d} 20:30")[0]
    room.does('record candled K01 --box lower --alive 6 --at "2026-07-09 21:00"')
    said, lower = at("2026-07-09 21:05")
    assert lower["chance_only_late"] > 0.98
    assert "6 of 6 eggs were seen alive at 2026-07-09 21:00" in said
    assert lower["story"]["verdict"] == "very likely only late"
    room.does('record hatched K01 --box lower --eggs 6 --at "2026-07-12 20:00"')
    assert room.does('forecast --at "2026-07-12 21:00"').count("lies still") == 0
    # What is finished is shown where it is asked for.
    assert "--all" in room.does('forecast K01 --at "2026-07-12 21:00"')
    assert "nothing of it lies there any more: 6 hatched" in room.does('forecast K01 --all --at "2026-07-12 21:00"')


def test_of_eggs_beside_others_that_pipped_it_is_said_when_they_are_expected(room: Desk) -> None:
    room.does('record pipped K01 --box upper --eggs 5 --at "2026-07-03 20:00" --not-yet-at "2026-07-02 20:00"')
    said = room.does('forecast K01/upper --at "2026-07-03 21:00"')
    assert "first pip: 5 eggs seen at 2026-07-03 20:00, none at 2026-07-02 20:00" in said
    assert "the other 1 egg: between" in said
    room.does('record looked K01 --box upper --at "2026-07-09 20:00"')
    said = room.does('forecast K01/upper --at "2026-07-09 21:00"')
    (upper,) = (x for x in room('forecast K01 --at "2026-07-09 21:00" --json').json if x["lot"] == "K01/upper")
    assert upper["chance_each_lives"] == upper["chance_only_late"] < 0.5
    assert "each of them, late or failed:" in said
    assert "candle without turning the egg" in said


def test_boxes_that_the_probes_cannot_tell_apart_are_not_to_be_swapped(desk: Desk) -> None:
    write_csv(desk.folder / "log.csv", 30, 27.0, 26.8)
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    for box in ("upper", "lower"):
        columns = f"--time-column time --value-column {box} --unit C"
        desk.does(f'import "{desk.folder}/log.csv" --probe {box}-warmth {columns}')
        desk.does(f'record set K01 --box {box} --eggs 6 --at "2026-05-01 09:00"')
    said = desk.does('forecast K01 --at "2026-05-20 12:00"')
    assert "K01/upper and K01/lower are expected at the same time, as far as can be told" in said
    assert "swap" not in said


def test_one_lot_can_be_asked_and_a_time_before_it_was_laid_has_none(room: Desk) -> None:
    (got,) = room('forecast K01/lower --at "2026-06-15 12:00" --json').json
    assert got["lot"] == "K01/lower"
    answer = room('forecast K01 --at "2026-04-15 12:00"')
    assert answer.code == 6
    assert "at that time" in answer.err


def test_a_gap_in_the_series_is_told_with_its_exact_share(desk: Desk) -> None:
    write_csv(desk.folder / "log.csv", 20)
    lines = (desk.folder / "log.csv").read_text().splitlines()
    kept = [x for x in lines if not "2026-05-08 10:01" < x < "2026-05-10 10:00"]
    (desk.folder / "log.csv").write_text("\n".join(kept))
    desk.does(f'import "{desk.folder}/log.csv" --probe upper-warmth --time-column time --value-column upper --unit C')
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 6")
    desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    (got,) = desk('forecast K01 --at "2026-05-21 09:00" --json').json
    assert got["filled_share"] == pytest.approx(2 / 20, abs=1e-6)
    assert got["filled"] == {"own days": 48.0}
    assert got["development"] == pytest.approx(20 / 66.3, abs=1e-4)
    assert "filled in, not measured: 10.0 % of the time" in desk.does('forecast K01 --at "2026-05-21 09:00"')


def test_the_forecast_in_words_shows_all_that_it_rests_on(room: Desk) -> None:
    short = room.does('forecast K01 --at "2026-06-15 12:00"')
    assert "(8 in 10), middle" in short
    for more in ("uncertain because:", "mean so far", "degree-days", "note:"):
        assert more not in short
    assert short.count("warmtally forecast K01 --why") == 1
    text = room.does('forecast K01 --at "2026-06-15 12:00" --why')
    assert "K01 in upper: 6 eggs of elaphe-taeniura, 2026-06-15 12:00" in text
    assert "mean so far 27.00 °C" in text
    assert "(8 in 10), middle" in text
    assert "uncertain because:" in text
    assert "No egg is opened on its word" in text
    for bad in ("None", " nan", "Traceback"):
        assert bad not in text
    warmer = room.does('forecast K01/upper --at "2026-06-15 12:00" --assume 29.0')
    assert "assumed (29.0) 29.00 °C" in warmer


def test_temperatures_are_shown_in_fahrenheit_where_the_keeper_wants_them(room: Desk) -> None:
    room.write(config("F"))
    text = room.does('forecast K01/upper --at "2026-06-15 12:00" --assume 84.2')
    assert "mean so far 80.60 °F" in text
    assert "84.20 °F" in text
    table = room.does('boxes --at "2026-06-15 12:00"')
    assert "80.6 °F" in table
    assert "77 to 87.8 °F" in table
    assert "°C" not in table
    got = room('boxes --at "2026-06-15 12:00" --json').json[0]
    assert (got["temperature_c"], got["too_warm_c"]) == (27.0, 31.0)
    assumed = room('forecast K01/upper --at "2026-06-15 12:00" --assume 84.2 --json').json[0]
    celsius = room('forecast K01/upper --at "2026-06-15 12:00" --assume 29C --json').json[0]
    assert assumed["first_pip"] == celsius["first_pip"]


# -- boxes, notices, species, check --------------------------------------------------------------------------------


def test_boxes_shows_every_box_with_what_lies_in_it(room: Desk) -> None:
    boxes = {b["box"]: b for b in room('boxes --at "2026-06-15 12:00" --json').json}
    assert list(boxes) == ["upper", "lower"]
    upper = boxes["upper"]
    assert (upper["temperature_c"], upper["temperature_at"]) == (27.0, "2026-06-15T10:00:00Z")
    assert [x["lot"] for x in upper["lots"]] == ["K01/upper"]
    assert upper["course"] is None, "no limit is near"
    heat, of_lot = upper["heat_last_day"], upper["lots"][0]["heat"]
    assert heat["limit_c"] == of_lot["limit_c"] > 27.0
    assert (heat["total_h"], heat["longest_h"], heat["lasting_h"], of_lot["total_h"]) == (0.0, 0.0, 0.0, 0.0)
    text = room.does('boxes --at "2026-06-15 12:00"')
    assert "left, 150 cm" in text
    assert "K01: 6" in text
    assert "upper is 1.0 °C" in text


def test_what_is_shown_as_now_is_of_now_and_its_age_is_told_once_it_is_late(room: Desk) -> None:
    """The last reading is of 09:00; due every minute, and missed after ten."""

    def at(hour: str) -> tuple[str, dict[str, Any]]:
        when = f'--at "2026-07-10 {hour}"'
        text = room.does(f"boxes {when}")
        return next(line for line in text.splitlines() if line.startswith("upper")), room(f"boxes {when} --json").json[
            0
        ]

    line, box = at("09:01")
    assert "27.0 °C " in line
    assert "ago" not in line
    assert (box["temperature_c"], box["age_s"]) == (27.0, 60.0)
    line, box = at("09:09")
    assert "27.0 °C, 9 min ago" in line
    assert (box["temperature_c"], box["age_s"], box["temperature_at"]) == (27.0, 540.0, "2026-07-10T07:00:00Z")
    line, box = at("09:10")
    assert "no reading since 09:00" in line
    assert "27.0 °C" not in line
    assert (box["temperature_c"], box["temperature_at"], box["uncertainty_c"], box["course"]) == (None,) * 4
    assert (box["last_c"], box["last_at"], box["age_s"]) == (27.0, "2026-07-10T07:00:00Z", 600.0)
    assert "27.0 °C" not in room.does("boxes")


@pytest.mark.parametrize(
    ("probes", "says"),
    [
        ({"upper": 150.0}, "27.0 °C, from the box above"),
        ({"lower": 60.0}, "27.0 °C, from the box below"),
        ({"upper": 150.0, "lower": 60.0}, "27.0 °C, from the boxes above and below"),
        ({"air": 120.0}, "27.0 °C, from the air above"),
    ],
)
def test_a_box_without_a_probe_says_from_where_its_temperature_is(
    tmp_path: Path, probes: dict[str, float], says: str
) -> None:
    desk = Desk(tmp_path)
    boxes = {"upper": 150.0, "middle": 100.0, "lower": 60.0}
    placed = [
        probe(f"{name}-warmth", f"room/{name}", box=name)
        if name in boxes
        else probe("air-warmth", "room/air", stack="left", height_cm=height_cm)
        for name, height_cm in probes.items()
    ]
    desk.write(room_text(boxes, probes=placed))
    at = np.arange(8, dtype=np.int64) * 300_000 + round(datetime(2026, 6, 15, 11, 20, tzinfo=UTC).timestamp() * 1000)
    n = len(at)
    with desk.store() as store:
        for name in probes:
            columns = Columns(at, np.full(n, 27.0), at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
            store.folding.bulk(f"{name}-warmth", columns)
    told = desk.does('boxes --at "2026-06-15 12:00"')
    assert says in told
    middle = desk('boxes --at "2026-06-15 12:00" --json').json[1]
    assert (middle["box"], middle["estimated"], middle["temperature_c"]) == ("middle", True, 27.0)
    assert middle["source"] == says.removeprefix("27.0 °C, ")
    assert "no reading since 11:55" in desk.does('boxes --at "2026-06-15 12:15"')
    none = desk('boxes --at "2026-06-15 12:15" --json').json[1]
    assert (none["temperature_c"], none["last_c"]) == (None, 27.0)


def test_what_needs_a_hand_stands_above_the_boxes_the_most_urgent_first(desk: Desk) -> None:
    now = round(TODAY.timestamp() * 1000)
    with Store(desk.data) as store:
        up = [Condition(k, s, Phase.RAISED, now, now, None, now) for k, s in
              (("window-open", "K01/upper"), ("window-open", "K01/lower"), ("room-quiet", "room"))]  # fmt: skip
        told = [
            Notice("1", now, "window-open", ("K01/upper", "K01/lower"), "raised", "today", "Window open", "x"),
            Notice("2", now, "room-quiet", ("room",), "raised", "now", "Nothing arrives", "x"),
        ]
        store.ledger.commit(up, (), told, {})
    first, second, third, fourth, *_ = [line.split() for line in desk.does("boxes").splitlines()[1:]]
    assert first[:3] == ["now", "nobody", "watches:"]
    assert second[:4] == ["now", "room", "quiet:", "room,"]
    assert second[-3:] == ["warmtally", "answer", "2)"]
    assert third[:3] == ["today", "window", "open:"]
    assert "K01 in lower, K01 in upper" in " ".join(third)
    assert fourth[0] == "box"
    desk.does("answer 2")
    # What somebody sees to comes after what nobody does.
    lines = desk.does("boxes").splitlines()
    assert [line.split()[1] for line in lines[2:4]] == ["window", "room"]
    assert "(answered)" in lines[3]
    assert "quiet" in desk.does("probes").splitlines()[2]


def test_boxes_tells_of_the_air_where_a_probe_measures_it(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    told = {"upper-warmth": ("upper", 30.0), "upper-damp": ("upper", 80.0), "lower-warmth": ("lower", 28.0)}
    desk.write(
        room_text(probes=[probe(n, f"room/{n}", box=b, unit="%" if "damp" in n else "C") for n, (b, _) in told.items()])
    )
    at = np.arange(8, dtype=np.int64) * 300_000 + round(datetime(2026, 6, 15, 11, 20, tzinfo=UTC).timestamp() * 1000)
    n = len(at)
    with desk.store() as store:
        for name, (_, value) in told.items():
            columns = Columns(at, np.full(n, value), at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n)
            store.folding.bulk(name, columns)
    upper, lower = desk('boxes --at "2026-06-15 12:00" --json').json
    # Saturation at 30 C by the Magnus formula of the World Meteorological Organization (Guide to Instruments, annex
    # 4.B): 6.112 exp(17.62 * 30 / (243.12 + 30)) = 42.34 hPa.
    assert upper["vapour_pressure_deficit_kpa"] == pytest.approx(0.2 * 4.234, abs=0.001)
    assert upper["dew_point_c"] == pytest.approx(26.16, abs=0.02)
    assert (lower["dew_point_c"], lower["vapour_pressure_deficit_kpa"]) == (None, None)
    text = desk.does('boxes --at "2026-06-15 12:00"')
    assert "air in box upper: 80 % relative humidity, dew point 26.2 °C, vapour pressure deficit 0.85 kPa" in text
    assert "air in box lower" not in text


def test_a_room_without_a_store_says_what_to_do(desk: Desk) -> None:
    for line in ("boxes", "forecast", "notices", "clutch list"):
        answer = desk(line)
        assert answer.code == 10
        assert "there is no store here yet" in answer.err
        assert not desk.data.exists()


def test_an_empty_store_is_no_failure(desk: Desk) -> None:
    Store(desk.data).close()
    assert "no clutch yet" in desk.does("clutch list")
    assert "no eggs are in a box" in desk.does("forecast")
    assert "no notice yet" in desk.does("notices")
    assert "upper" in desk.does("boxes")
    assert desk("forecast --json").json == []
    assert desk("clutch list --json").json == []
    assert desk("notices --json").json == {"notices": [], "conditions": []}
    assert [b["temperature_c"] for b in desk("boxes --json").json] == [None, None]


def test_notices_are_listed_and_answered(desk: Desk) -> None:
    now = round(TODAY.timestamp() * 1000)
    up = Condition("too-cool", "upper", Phase.RAISED, now - 60_000, now, None, now, facts={"value_c": 24.0})
    notice = Notice("too-cool/upper/raised/1", now, "too-cool", ("upper",), "raised", "now", "Too cool: box upper", "x")
    with Store(desk.data) as store:
        store.ledger.commit([up], (), [notice], {"phone": ("now",)})
    text = desk.does("notices")
    assert "[now]  Too cool: box upper" in text
    assert "not delivered yet: phone" in text
    assert "too-cool, upper, since 2026-09-01 13:59 (not answered)" in text
    told = desk.does("answer 1 --by somebody")
    assert told == "notice 1 answered by somebody: Too cool: box upper\n"
    shown = desk("notices --json").json
    assert shown["notices"][0]["answered"] == "2026-09-01T12:00:00Z"
    assert shown["notices"][0]["answered_by"] == "somebody"
    assert shown["conditions"][0]["acknowledged"] == "2026-09-01T12:00:00Z"
    assert "(acknowledged)" in desk.does("notices")
    desk.does("answer 1 --by another")
    assert desk("notices --json").json["notices"][0]["answered_by"] == "somebody", "the first answer stands"


def test_what_is_back_and_not_for_long_enough_is_shown_as_that(desk: Desk) -> None:
    now = round(TODAY.timestamp() * 1000)
    back = Condition("too-cool", "upper", Phase.FALLING, now - 7_200_000, now - 7_200_000, now - 3_600_000, now)
    quiet = Notice("too-cool/upper/raised/1", now, "too-cool", ("upper",), "raised", "now", "Too cool: box upper", "x")
    with Store(desk.data) as store:
        store.ledger.commit([back], (), [quiet], {})
    shown = desk.does("notices")
    assert "too-cool, upper, since 2026-09-01 12:00 (back since 2026-09-01 13:00, over when it stays so)" in shown
    assert desk("notices --json").json["conditions"][0]["back_since"] == "2026-09-01T11:00:00Z"
    assert "too cool: upper, since 12:00 (back, over when it stays so)" in desk.does("boxes")


def test_species_are_listed_and_one_is_shown_with_its_sources(desk: Desk) -> None:
    listed = desk.does("species")
    assert "elaphe-taeniura" in listed
    assert "22 to 32 °C" in listed
    ids = {x["id"] for x in desk("species --json").json}
    assert {"elaphe-taeniura", "pogona-vitticeps"} <= ids
    text = desk.does("species elaphe-taeniura")
    assert "66.3" in text
    assert "Du WG, Ji X" in text
    shown = desk("species elaphe-taeniura --json").json
    assert shown["rows"][2] == {
        "temperature_c": 27.0,
        "days": 66.3,
        "eggs": None,
        "sd_days": None,
        "paper": "du-2008",
    }
    assert "no forecast" in desk.does("species chamaeleo-chamaeleon")


def test_species_of_every_sort_can_be_shown_both_ways(desk: Desk) -> None:
    names = [x["id"] for x in desk("species --json").json]
    # The last one has two rows only, which leave no uncertainty to tell.
    for name in [*names[::4], "coluber-constrictor"]:
        text = desk.does(f"species {name}")
        assert "None" not in text, name
        assert " nan" not in text, name
        assert desk(f"species {name} --json").json["id"] == name


def test_eggs_that_rest_are_kept_without_a_date(season: Path, tmp_path: Path) -> None:
    shutil.copytree(season, tmp_path, dirs_exist_ok=True)
    desk = Desk(tmp_path)
    told = desk.does("clutch add K01 --species chamaeleo-chamaeleon --laid 2026-05-01 --eggs 6")
    assert "no forecast will be made" in told
    desk.does('record set K01 --box upper --eggs 6 --at "2026-05-01 09:00"')
    (got,) = desk('forecast K01 --at "2026-06-15 12:00" --json').json
    assert (got["first_pip"], got["development"], got["causes"]) == (None, None, [])
    assert got["refused"]
    assert "no date:" in desk.does('forecast K01 --at "2026-06-15 12:00"')
    desk.does('boxes --at "2026-06-15 12:00"')


def test_check_names_every_mistake_at_once(desk: Desk) -> None:
    assert "no mistakes; the service can start" in desk.does("check")
    assert {m["level"] for m in desk("check --json").json["mistakes"]} == {"advice"}
    text = config("X").replace("height_cm = 60.0", 'height_cm = "sixty"').replace('box = "lower"', 'box = "lowr"')
    desk.write(text)
    answer = desk("check")
    assert answer.code == 3
    for word in ("display_unit", "height_cm", "lowr"):
        assert word in answer.out
    assert len(desk("check --json").json["mistakes"]) >= 3
    assert desk("boxes").code == 3


def test_a_configuration_that_is_not_there_is_named(tmp_path: Path) -> None:
    answer = Desk(tmp_path)("check")
    assert answer.code == 3
    assert "room.toml" in answer.err


# -- help ---------------------------------------------------------------------------------------------------------


def every_parser() -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []

    def walk(name: str, p: Any) -> None:
        found.append((name, p))
        for action in p._subparsers._group_actions if p._subparsers else ():
            for word, sub in action.choices.items():
                walk(f"{name} {word}".strip(), sub)

    walk("", parser())
    return found


@pytest.mark.parametrize("name", [name for name, _ in every_parser()])
def test_every_verb_explains_itself(desk: Desk, name: str) -> None:
    answer = desk(f"{name} --help", where=False)
    assert answer.code == 0
    found = dict(every_parser())[name]
    assert found.description or found.epilog, "a sentence, or an example"
    for action in found._actions:
        plain = action.help or action.dest in (
            "clutch",
            "json",
            "eggs",
            "species",
            "lot",
            "box",
            "what",
            "kind",
            "verb",
            "id",
            "by",
        )
        assert plain, f"{name}: {action.option_strings or action.dest}"


def test_a_verb_that_does_not_exist_and_no_verb_at_all_are_usage_errors(desk: Desk) -> None:
    assert desk("hatch", where=False).code == 2
    assert desk("", where=False).code == 2
