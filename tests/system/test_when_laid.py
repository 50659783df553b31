"""Eggs part-developed when laid, cooled for a while, laid on another day than told, or entered weeks late."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters.store import Columns, Store
from monitor.config.library import load_profile
from monitor.core.development.lots import DEVELOPED_SD, LotNow
from monitor.core.development.window import START as AT_START
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import Box, Broker, Probe, Room, Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.derived.room import Derived
from monitor.errors import EventRefused
from tests.core.lots import past_of, window_of
from tests.desk import Desk, probe, room_text

SPECIES = "elaphe-taeniura"
CURVE = load_profile(SPECIES).curve()
WARM_C = 27.0
DAYS = 66.3  # Du & Ji 2008, at 27 C
LAID = round(datetime(2026, 5, 1, 8, tzinfo=UTC).timestamp() * 1000)

CONFIG = room_text(probes=[probe("up", "room/upper", box="upper"), probe("low", "room/lower", box="lower")])


def settings(folder: Path) -> Settings:
    boxes = (Box("upper", "left", 150.0), Box("lower", "left", 60.0))
    probes = tuple(
        Probe(name, f"t/{name}", box=box, interval_s=600, quiet_after_s=1800, standard_uncertainty=0.2)
        for name, box in (("up", "upper"), ("low", "lower"))
    )
    return Settings(Room("room", "UTC", "C", ("left",), boxes, probes), Broker(), data_dir=str(folder))


class Account:
    """A store with two boxes, and what is told of the clutches in them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = Store(folder)
        self.derived = Derived(self.store, settings(folder), load_profile)

    def warm(self, days: float = 40.0, probe: str = "up", **spans: tuple[float, float, float]) -> None:
        """Readings of ten minutes at 27 C; each span is (from day, to day, temperature)."""
        at = np.arange(LAID - 3 * DAY_MS, LAID + round(days * DAY_MS) + 1, 600_000, dtype=np.int64)
        t = np.full(at.size, WARM_C)
        for first, last, temperature_c in spans.values():
            t[(at >= LAID + first * DAY_MS) & (at < LAID + last * DAY_MS)] = temperature_c
        n = at.size
        self.store.folding.bulk(probe, Columns(at, t, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n))

    def tell(self, kind: EventKind, day: float = 0.0, *, recorded_day: float | None = None, **more: Any) -> KeeperEvent:
        at = LAID + round(day * DAY_MS)
        recorded = at if recorded_day is None else LAID + round(recorded_day * DAY_MS)
        return self.store.account.tell(KeeperEvent(kind, more.pop("clutch", "K01"), at, recorded, **more))

    def clutch(self, developed: float = 0.0, **more: Any) -> KeeperEvent:
        laid = self.tell(EventKind.LAID, species=SPECIES, eggs=6, developed=developed, **more)
        self.tell(EventKind.SET, box="upper", eggs=6, **more)
        return laid

    def now(self, day: float, lot: str = "K01/upper") -> LotNow:
        return next(x for x in self.derived.lots(LAID + round(day * DAY_MS)) if x.lot.id == lot)


@pytest.fixture
def accounts(tmp_path: Path) -> Iterator[Any]:
    made: list[Account] = []

    def account(name: str = "a") -> Account:
        made.append(Account(tmp_path / name))
        return made[-1]

    yield account
    for one in made:
        one.store.close()


def pip_day(lot: LotNow) -> float:
    assert lot.first_pip is not None
    return (window_of(lot).p50_ms - LAID) / DAY_MS


def width(lot: LotNow) -> float:
    assert lot.first_pip is not None
    return (window_of(lot).p90_ms - window_of(lot).p10_ms) / DAY_MS


def cause(lot: LotNow, name: str) -> float:
    assert lot.first_pip is not None
    return next((c.days for c in window_of(lot).causes if c.name == name), 0.0)


# --- part-developed when laid -----------------------------------------------------------------------------------


def test_development_begins_with_what_the_keeper_told(accounts: Any) -> None:
    plain, ahead = accounts("plain"), accounts("ahead")
    for account, developed in ((plain, 0.0), (ahead, 0.2)):
        account.warm()
        account.clutch(developed)
    assert past_of(ahead.now(10)).development == pytest.approx(0.2 + 10 / DAYS, abs=1e-3)
    assert past_of(ahead.now(10)).development - past_of(plain.now(10)).development == pytest.approx(0.2, abs=1e-9)
    assert pip_day(plain.now(10)) - pip_day(ahead.now(10)) == pytest.approx(0.2 * DAYS, abs=0.4)
    # What was measured is still told as measured.
    assert past_of(ahead.now(10)).degree_days == past_of(plain.now(10)).degree_days


def test_a_quarter_of_it_is_uncertain_widens_the_window_and_is_named(accounts: Any) -> None:
    plain, ahead = accounts("plain"), accounts("ahead")
    for account, developed in ((plain, 0.0), (ahead, 0.4)):
        account.warm()
        account.clutch(developed)
    told = ahead.now(20)
    assert cause(plain.now(20), AT_START) == 0.0
    assert width(told) > 1.3 * width(plain.now(20))
    # An error of a quarter of 0.4 is 0.1 of 66.3 days: half of the 10-90 width is 1.28 times that, for itself.
    assert cause(told, AT_START) == pytest.approx(1.2816 * DEVELOPED_SD * 0.4 * DAYS, rel=0.15)
    assert any("40 % developed when laid; taken as good to ± 10 %" in note for note in told.notes)


def test_a_pip_in_one_box_corrects_the_start_in_the_other(accounts: Any) -> None:
    account = accounts()
    account.warm()
    account.warm(probe="low")
    account.tell(EventKind.LAID, species=SPECIES, eggs=12, developed=0.4)
    account.tell(EventKind.SET, box="upper", eggs=6)
    account.tell(EventKind.SET, box="lower", eggs=6)
    before = account.now(33, "K01/lower")
    account.tell(EventKind.PIPPED, 33, box="upper", eggs=1, not_yet_at_ms=LAID + 32 * DAY_MS)
    after = account.now(33, "K01/lower")
    assert cause(after, AT_START) < 0.5 * cause(before, AT_START)
    assert width(after) < 0.6 * width(before)


def test_a_probe_measures_nothing_wrongly_before_the_laying(accounts: Any) -> None:
    from monitor.core.development.window import PROBE

    plain, ahead = accounts("plain"), accounts("ahead")
    for account, developed in ((plain, 0.0), (ahead, 0.6)):
        account.warm()
        account.clutch(developed)
    assert cause(ahead.now(15), PROBE) < 0.6 * cause(plain.now(15), PROBE)


def test_an_event_told_before_there_was_such_a_thing_is_still_read(accounts: Any) -> None:
    account = accounts()
    account.warm()
    account.clutch()
    with account.store.db.write() as c:
        for number, body in c.execute("SELECT id, body FROM event").fetchall():
            fields = json.loads(body)
            del fields["developed"]
            c.execute("UPDATE event SET body=? WHERE id=?", (json.dumps(fields), number))
    assert [e.developed for e in account.store.account.events()] == [0.0, 0.0]
    assert past_of(account.now(10)).development == pytest.approx(10 / DAYS, abs=1e-3)


@pytest.mark.parametrize("share", [-0.1, 0.81, float("nan")])
def test_a_share_outside_nought_to_four_fifths_is_refused(accounts: Any, share: float) -> None:
    with pytest.raises(EventRefused, match="developed"):
        accounts().clutch(share)


def test_only_the_laying_can_tell_of_it(accounts: Any) -> None:
    account = accounts()
    account.clutch()
    with pytest.raises(EventRefused, match="belongs to the entry that says they were laid"):
        account.tell(EventKind.CANDLED, 5, developed=0.3)


def test_a_correction_of_it_moves_the_date(accounts: Any) -> None:
    account = accounts()
    account.warm()
    laid = account.clutch(0.4)
    early = pip_day(account.now(10))
    account.tell(EventKind.LAID, species=SPECIES, eggs=6, developed=0.1, corrects=laid.id)
    assert account.now(10).clutch.developed == 0.1
    assert pip_day(account.now(10)) - early == pytest.approx(0.3 * DAYS, abs=0.5)


# --- the command line -------------------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    """The command line on a day in summer, whenever the tests run: what is told must have happened."""
    monkeypatch.setattr("monitor.cli.record.now_ms", lambda: LAID + 60 * DAY_MS)
    made = Desk(tmp_path)
    made.write(CONFIG)
    return made


ADD = "clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 6"


@pytest.mark.parametrize(("said", "share"), [("0.2", 0.2), ("20%", 0.2), ("0", 0.0), ("80%", 0.8)])
def test_a_share_is_told_as_a_number_or_in_per_cent(desk: Desk, said: str, share: float) -> None:
    answer = desk(f"{ADD} --developed {said}")
    assert answer.code == 0, answer.text
    assert ("% developed" in answer.text) == (share > 0.0)
    assert desk("clutch show K01 --json").json["developed_when_laid"] == pytest.approx(share)


@pytest.mark.parametrize("said", ["a fifth", "20", "81%", "-0.1", "nan", ""])
def test_what_is_no_share_is_told(desk: Desk, said: str) -> None:
    answer = desk(f"{ADD} --developed='{said}'")
    assert answer.code != 0
    assert "is not a share of development from 0 to 0.8" in answer.text
    assert "what to do" in answer.text


def test_a_correction_is_told_by_the_number_of_the_entry(desk: Desk) -> None:
    desk.took(ADD)
    answer = desk("record correct 1 --developed 30%")
    assert answer.code == 0
    assert "30 % developed" in answer.text
    desk.took("record set K01 --box upper --eggs 6 --at 2026-05-01")
    answer = desk("record correct 3 --developed 30%")
    assert answer.code != 0
    assert "belongs to the entry that says they were laid" in answer.text


# --- cooled on the way ------------------------------------------------------------------------------------------


def test_a_cool_week_postpones_the_date_as_the_curve_says(accounts: Any) -> None:
    """At 12 C the curve stands nearly still: seven days less what the eggs did in them are lost."""
    even, cooled = accounts("even"), accounts("cooled")
    even.warm()
    cooled.warm(cool=(10.0, 17.0, 12.0))
    for account in (even, cooled):
        account.clutch()
    share = float(CURVE.rate_per_day(12.0) / CURVE.rate_per_day(WARM_C))
    assert 0.0 <= share < 0.1
    lost = 7.0 * (1.0 - share)
    assert (past_of(even.now(30)).development - past_of(cooled.now(30)).development) * DAYS == pytest.approx(
        lost, abs=0.02
    )
    assert pip_day(cooled.now(30)) - pip_day(even.now(30)) == pytest.approx(lost, abs=0.5)


def test_a_mild_week_postpones_it_by_less(accounts: Any) -> None:
    even, cooled = accounts("even"), accounts("cooled")
    even.warm()
    cooled.warm(cool=(10.0, 17.0, 23.0))
    for account in (even, cooled):
        account.clutch()
    lost = 7.0 * (1.0 - float(CURVE.rate_per_day(23.0) / CURVE.rate_per_day(WARM_C)))
    assert 2.0 < lost < 3.0
    assert pip_day(cooled.now(30)) - pip_day(even.now(30)) == pytest.approx(lost, abs=0.2)


# --- another day, and late --------------------------------------------------------------------------------------


def test_a_corrected_lay_date_moves_the_date(accounts: Any) -> None:
    account = accounts()
    account.warm()
    laid = account.clutch()
    told = pip_day(account.now(20))
    account.tell(EventKind.LAID, -1.5, species=SPECIES, eggs=6, corrects=laid.id, recorded_day=20.0)
    # The eggs lay in the warm box's air for a day and a half before they were set.
    assert pip_day(account.now(20)) - told == pytest.approx(-1.5, abs=0.05)


def test_a_clutch_entered_weeks_late_equals_one_entered_at_once(accounts: Any) -> None:
    live, late = accounts("live"), accounts("late")
    live.clutch(0.1)
    live.warm()
    for day in range(0, 25, 3):
        live.derived.follow(LAID + day * DAY_MS)
        live.derived.hours.refresh(LAID + day * DAY_MS + HOUR_MS)
        live.derived.lots(LAID + day * DAY_MS + HOUR_MS)
    live.tell(EventKind.CANDLED, 12, box="upper", fertile=5)
    late.warm()
    late.clutch(0.1, recorded_day=24.0)
    late.tell(EventKind.CANDLED, 12, box="upper", fertile=5, recorded_day=24.0)
    a, b = live.now(25), late.now(25)
    assert past_of(a).development == pytest.approx(past_of(b).development, abs=1e-9)
    assert past_of(a).degree_days == pytest.approx(past_of(b).degree_days, abs=1e-9)
    assert window_of(a) == window_of(b)
    assert a.lot == b.lot
    assert a.notes == b.notes


# --- sexes ------------------------------------------------------------------------------------------------------


def nest(account: Account, temperature_c: float, developed: float = 0.0) -> None:
    account.warm(days=60.0, all=(-3.0, 61.0, temperature_c))
    account.tell(EventKind.LAID, species="caretta-caretta", eggs=10, developed=developed)
    account.tell(EventKind.SET, box="upper", eggs=10)


def test_sexes_are_told_once_the_middle_third_has_begun(accounts: Any) -> None:
    account = accounts()
    nest(account, 30.0)
    early, in_it = account.now(10), account.now(27)
    assert early.sex is None
    assert "has not begun" in early.no_sex
    assert in_it.sex is not None
    assert in_it.sex.temperature_c == pytest.approx(30.0, abs=1e-6)
    assert in_it.sex.behind == pytest.approx(3 * (27 / (1 / float(nest_rate(30.0))) - 1 / 3), abs=0.01)
    assert in_it.sex.females is not None
    assert 0.6 < in_it.sex.females < 0.95
    assert in_it.no_sex == ""


def nest_rate(temperature_c: float) -> float:
    return float(load_profile("caretta-caretta").curve().rate_per_day(temperature_c))


def test_eggs_laid_half_way_begin_within_the_time_that_decides(accounts: Any) -> None:
    account = accounts()
    nest(account, 28.0, developed=0.45)
    told = account.now(1)
    assert told.sex is not None
    assert told.sex.behind == pytest.approx(3 * (0.45 + nest_rate(28.0) - 1 / 3), abs=0.01)


def test_a_forecast_shows_them_in_words_and_for_scripts(desk: Desk) -> None:
    desk.took("clutch add N --species caretta-caretta --laid 2026-05-01T08:00 --eggs 10")
    desk.took("clutch add K --species elaphe-taeniura --laid 2026-05-01T08:00 --eggs 6")
    desk.took("record set N --box upper --eggs 10 --at 2026-05-01T08:00")
    desk.took("record set K --box lower --eggs 6 --at 2026-05-01T08:00")
    with Store(desk.folder / "data") as store:
        for probe in ("up", "low"):
            at = np.arange(LAID, LAID + 40 * DAY_MS, 600_000, dtype=np.int64)
            n = at.size
            warm = np.full(n, 30.0)
            store.folding.bulk(probe, Columns(at, warm, at, np.ones(n, np.uint8), np.ones(n, bool), ("",) * n))
    answer = desk("forecast N --at 2026-06-01T08:00 --why")
    assert answer.code == 0, answer.text
    assert "sex: mean 30.00 °C in the part of development that decides it" in answer.text
    assert "1.0 °C above the pivotal temperature of 29.0 °C: more females" in answer.text
    assert "% females (8 in 10:" in answer.text
    assert "sex:" not in desk("forecast K --at 2026-06-01T08:00").text
    assert "sex:" not in desk("forecast N --at 2026-05-10T08:00").text
    (sea,) = desk("forecast N --at 2026-06-01T08:00 --json").json
    assert sea["sex"]["more"] == "females"
    assert 0.6 < sea["sex"]["females"] < 0.95
    assert sea["sex"]["females_p10"] < sea["sex"]["females"] < sea["sex"]["females_p90"]
    assert "kaska-1998" in sea["sex"]["papers"]
    assert sea["no_sex"] is None
    (snake,) = desk("forecast K --at 2026-06-01T08:00 --json").json
    assert snake["sex"] is None
    assert snake["no_sex"].startswith("genes decide the sex")
