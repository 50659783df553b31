"""Shipping to real databases: outages, refusals, restarts, and nothing lost or doubled."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.adapters import shipping as influx_module
from monitor.adapters.shipping import DerivedPoint, Shipper, _asked_wait_s, derived_points, line
from monitor.adapters.store import Store, columns_of
from monitor.adapters.store.shipping import Hour, ShippingBook
from monitor.adapters.store.thin_chunks import thinned
from monitor.core.development.lots import LotNow, Past
from monitor.core.notices.snapshot import BoxNow, Service, Snapshot
from monitor.core.terms.events import Clutch, Flag, Lot, Reading, Stay
from monitor.core.terms.settings import Box, Limits, Room, Shipping
from monitor.core.terms.times import HOUR_MS
from tests.peers import PROJECT, wait_for
from tests.v2front import BUCKET, ORG, TOKEN, Front, Influx, Victoria, influx_with_front, victoria

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("shipping")

T0 = 1_780_000_000_000 // HOUR_MS * HOUR_MS


def now_ms() -> int:
    return time.time_ns() // 1_000_000


@pytest.fixture(scope="module")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Influx, Front]]:
    with influx_with_front(tmp_path_factory.mktemp("influx")) as both:
        yield both


@pytest.fixture
def outside(servers: tuple[Influx, Front]) -> tuple[Influx, Front]:
    """The database with an empty bucket, and the front before it."""
    database, front = servers
    database.ask(f'DROP DATABASE "{BUCKET}"')
    database.ask(f'CREATE DATABASE "{BUCKET}"')
    front.requests.clear()
    front.answers.clear()
    front.most_lines = 100_000
    front.buckets = (BUCKET,)
    return database, front


@pytest.fixture(scope="module")
def metrics(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    with victoria(tmp_path_factory.mktemp("victoria")) as server:
        yield server


def settings(url: str, **more: Any) -> Shipping:
    return Shipping(
        **{"url": url, "org": ORG, "bucket": BUCKET, "token": TOKEN, "every_s": 0.05, "timeout_s": 5.0, **more}
    )


@contextmanager
def shipping(to: str, folder: Path, **more: Any) -> Iterator[Shipper]:
    shipper = Shipper(
        more.pop("settings", None) or settings(to), folder, now_ms, **{"first_wait_s": 0.05, "hold_s": 0.2, **more}
    )
    shipper.start()
    try:
        yield shipper
    finally:
        shipper.stop()
        assert shipper.status().state == "stopped"


def whole(shipper: Shipper) -> None:
    wait_for(lambda: shipper.status().state == "whole", "everything to be shipped")


def readings(probe: str, start: int, n: int, step_ms: int = 10_000) -> list[Reading]:
    return [Reading(probe, T0 + i * step_ms, 20 + (i % 977) / 100, T0 + i * step_ms) for i in range(start, start + n)]


def held(store: Store, probe: str) -> dict[int, float]:
    columns = store.readings.load([probe], 0, 2**60)[probe]
    return dict(zip(columns.at.tolist(), columns.value.tolist(), strict=True))


def nearly(series: dict[int, float]) -> Any:
    """victoria-metrics keeps decimal numbers of some fifteen digits, not the bits of a double."""
    return pytest.approx(series, rel=1e-13, abs=0)


def dead_letters(store: Store) -> list[tuple[str, str]]:
    return [(q.payload.decode(), q.reason) for q in store.unread.messages() if q.topic == "shipping"]


# -- everything arrives ----------------------------------------------------------------------------------------


def test_a_store_that_is_there_already_is_shipped_whole_and_then_followed(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    with Store(tmp_path) as store:
        store.folding.bulk("a", columns_of(readings("a", 0, 7000)))
        store.journal.ingest(readings("b", 0, 6000))
        store.folding.fold(T0 + 3 * HOUR_MS)
        with shipping(front.url, tmp_path, quantities={"a": "temperature", "b": "humidity"}) as shipper:
            whole(shipper)
            assert database.held("a") == held(store, "a")
            assert database.held("b") == held(store, "b")
            assert shipper.status().behind_rows == 0
            assert shipper.status().behind_since_ms is None
            # What comes now follows, through the journal, through a fold, and through an import.
            store.journal.ingest(readings("a", 7000, 10))
            wait_for(lambda: len(database.held("a")) == 7010, "new readings")
            store.journal.ingest(readings("b", 6000, 10))
            store.folding.fold(2**60)
            store.folding.bulk("c", columns_of(readings("c", 0, 500)))
            wait_for(lambda: len(database.held("b")) == 6010, "folded readings")
            wait_for(lambda: len(database.held("c")) == 500, "imported readings")
        for probe in "abc":
            assert database.held(probe) == held(store, probe)
        tags = {(r["probe"], r["quantity"]) for r in database.ask('SELECT "value", "probe", "quantity" FROM "reading"')}
        assert tags == {("a", "temperature"), ("b", "humidity"), ("c", "unknown")}
    assert max(lines for _, lines in front.requests) <= influx_module.LINES_A_REQUEST
    assert front.packed >= len(front.requests) > 0


def test_a_battery_is_shipped_with_its_unit(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    with Store(tmp_path) as store:
        store.journal.ingest([*readings("warm", 0, 3), *readings("cell", 0, 3)])
        store.folding.fold(T0 + 3 * HOUR_MS)
        quantities = {"warm": "temperature", "cell": "battery"}
        with shipping(front.url, tmp_path, quantities=quantities, units={"cell": "V"}) as shipper:
            whole(shipper)
            store.journal.ingest(readings("cell", 3, 1))
            wait_for(lambda: len(database.held("cell")) == 4, "the new reading")
        rows = database.ask('SELECT "value", "probe", "quantity", "unit" FROM "reading"')
        assert {(r["probe"], r["quantity"], r["unit"]) for r in rows} == {
            ("warm", "temperature", None),
            ("cell", "battery", "V"),
        }


def test_the_other_database_takes_the_same(tmp_path: Path, metrics: Victoria) -> None:
    with Store(tmp_path) as store:
        store.folding.bulk("vm-a", columns_of(readings("vm-a", 0, 6000)))
        store.journal.ingest(readings("vm-b", 0, 100))
        with shipping(metrics.url, tmp_path, quantities={"vm-a": "temperature", "vm-b": "temperature"}) as shipper:
            whole(shipper)
        assert metrics.held("reading_value", probe="vm-a", quantity="temperature") == nearly(held(store, "vm-a"))
        assert metrics.held("reading_value", probe="vm-b") == nearly(held(store, "vm-b"))
        assert set(metrics.held("reading_flag", probe="vm-b").values()) == {2.0}


def test_flags_and_exact_values_arrive(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    values = [0.1 + 0.2, -12.345678901234567, 1e-7, 28.0]
    with Store(tmp_path) as store:
        store.journal.ingest([Reading("a", T0 + i, v, T0, flag=Flag.SUSPECT) for i, v in enumerate(values)])
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
    assert list(database.held("a").values()) == values
    assert set(database.held("a", "flag").values()) == {3.0}


@pytest.mark.parametrize(
    "probe", ["plain", "two words", "a,b=c", "back\\slash", "end\\", 'quo"te', "größe", "new\nline"]
)
def test_any_name_of_a_probe_arrives_as_one_series(tmp_path: Path, outside: tuple[Influx, Front], probe: str) -> None:
    database, front = outside
    with Store(tmp_path) as store:
        store.journal.ingest(readings(probe, 0, 3))
        with shipping(front.url, tmp_path, quantities={probe: "temperature"}) as shipper:
            whole(shipper)
        assert dead_letters(store) == []
    rows = database.ask('SELECT "value", "probe", "quantity" FROM "reading"')
    assert len(rows) == 3
    assert {r["probe"] for r in rows} == {probe.replace("\\", "/").replace("\n", " ")}
    assert {r["quantity"] for r in rows} == {"temperature"}


def test_of_two_readings_of_one_moment_the_one_that_counts_here_counts_there(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    with Store(tmp_path) as store, shipping(front.url, tmp_path) as shipper:
        store.journal.ingest([Reading("a", T0, 1.0, T0), Reading("a", T0, 2.0, T0)])
        wait_for(lambda: database.held("a") == {T0: 1.0}, "the first reading")
        whole(shipper)
        store.journal.ingest([Reading("a", T0, 3.0, T0)])
        wait_for(lambda: database.held("a") == {T0: 3.0}, "the late double")
        store.folding.fold(2**60)
        wait_for(lambda: database.held("a") == held(store, "a") == {T0: 1.0}, "the first reading again")


# -- outages and restarts ----------------------------------------------------------------------------------------


def test_after_an_outage_everything_written_meanwhile_is_there_once(tmp_path: Path, metrics: Victoria) -> None:
    with Store(tmp_path) as store, shipping(metrics.url, tmp_path, quantities={}) as shipper:
        store.journal.ingest(readings("out-a", 0, 500))
        wait_for(lambda: len(metrics.held("reading_value", probe="out-a")) == 500, "the first readings")
        metrics.stop()
        store.journal.ingest(readings("out-a", 500, 3000))
        wait_for(lambda: shipper.status().state == "waiting", "the outage to be noticed")
        since = shipper.status().behind_since_ms
        assert since is not None
        # Folded while nobody takes it: those hours are behind the cursor now.
        store.folding.fold(T0 + 7 * HOUR_MS)
        store.journal.ingest(readings("out-a", 3500, 100))
        wait_for(lambda: shipper.status().behind_rows >= 3100, "the backlog to be counted")
        assert "no answer" in shipper.status().last_error
        assert shipper.status().behind_since_ms == since
        metrics.start()
        whole(shipper)
        assert shipper.status().last_error == ""
        assert metrics.held("reading_value", probe="out-a") == nearly(held(store, "out-a"))


def test_an_outage_behind_the_front_is_waited_for_too(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    with Store(tmp_path) as store, shipping(front.url, tmp_path) as shipper:
        database.stop()
        store.journal.ingest(readings("a", 0, 200))
        wait_for(lambda: "503" in shipper.status().last_error, "the refusal")
        assert shipper.status().state == "waiting"
        database.start()
        whole(shipper)
        assert database.held("a") == held(store, "a")


def test_a_restart_in_the_middle_goes_on_where_it_was_and_doubles_nothing(
    tmp_path: Path, outside: tuple[Influx, Front], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, front = outside
    monkeypatch.setattr(influx_module, "LINES_A_REQUEST", 100)
    with Store(tmp_path) as store:
        store.folding.bulk("a", columns_of(readings("a", 0, 3000)))
        store.journal.ingest(readings("b", 0, 3000))
        for _ in range(3):
            before = len(front.requests)
            with shipping(front.url, tmp_path):
                wait_for(lambda: len(front.requests) >= before + 5, "some requests")  # noqa: B023
        done = sum(lines for status, lines in front.requests if status == 204)
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        # All in all each reading went about once: the cursor was kept over the restarts.
        total = sum(lines for status, lines in front.requests if status == 204)
        assert done < 6000 <= total <= 6000 + 4 * 400
        assert database.held("a") == held(store, "a")
        assert database.held("b") == held(store, "b")


def test_killed_in_the_middle_nothing_is_missing_afterwards(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 20_000, 1000))
        store.folding.fold(T0 + 3 * HOUR_MS)
        code = (
            "import time\nfrom monitor.adapters import shipping\nfrom monitor.core.terms.settings import Shipping\n"
            "shipping.LINES_A_REQUEST = 200\n"
            f"s = Shipping({front.url!r}, {ORG!r}, {BUCKET!r}, {TOKEN!r}, every_s=0.05)\n"
            f"shipping.Shipper(s, {str(tmp_path)!r}, lambda: time.time_ns() // 10**6).start()\ntime.sleep(60)\n"
        )
        for _ in range(2):
            before = len(front.requests)
            with subprocess.Popen([sys.executable, "-c", code], cwd=PROJECT) as process:
                wait_for(lambda: len(front.requests) > before + 8, "some requests")  # noqa: B023
                process.kill()
        assert len(database.held("a")) < 20_000
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        assert database.held("a") == held(store, "a")
        assert len(held(store, "a")) == 20_000


def test_sent_again_nothing_is_doubled(tmp_path: Path, outside: tuple[Influx, Front], metrics: Victoria) -> None:
    database, front = outside
    counts: dict[str, Callable[[], int]] = {
        front.url: lambda: len(database.ask('SELECT "value" FROM "reading"')),
        metrics.url: lambda: len(metrics.held("reading_value", probe="again")),
    }
    with Store(tmp_path) as store:
        store.journal.ingest(readings("again", 0, 1000))
        store.folding.fold(T0 + HOUR_MS)
        for url, count in counts.items():
            for _ in range(2):
                store.shipping.forget()
                with shipping(url, tmp_path) as shipper:
                    whole(shipper)
                    assert shipper.status().sent_rows == 1000
                assert count() == 1000


def test_another_bucket_gets_everything_anew_and_the_old_one_is_forgotten(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    front.buckets = (BUCKET, "second")
    database.ask('CREATE DATABASE "second"')
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 100))
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        with shipping(front.url, tmp_path, settings=settings(front.url, bucket="second")) as shipper:
            whole(shipper)
            assert shipper.status().sent_rows == 100
        assert len(store.db.rows("SELECT * FROM shipped")) == 1
    assert len(database.ask('SELECT "value" FROM "reading"', "second")) == 100


def test_readings_come_in_while_nothing_can_be_shipped(tmp_path: Path) -> None:
    """A server that takes the connection and never answers holds up nobody but the shipper."""
    with socket.create_server(("127.0.0.1", 0)) as mute, Store(tmp_path) as store:
        url = f"http://127.0.0.1:{mute.getsockname()[1]}"
        with shipping(url, tmp_path, settings=settings(url, timeout_s=2.0)) as shipper:
            slowest = 0.0
            deadline = time.monotonic() + 1.5
            n = 0
            while time.monotonic() < deadline:
                begun = time.monotonic()
                store.journal.ingest(readings("a", n, 10))
                slowest = max(slowest, time.monotonic() - begun)
                n += 10
            wait_for(lambda: "no answer" in shipper.status().last_error, "the time-out")
        # Whoever waited for the shipper would wait for as long as its time-out.
        assert slowest < 1.5
        assert len(held(store, "a")) == n


def test_what_comes_by_and_by_is_sent_without_counting_all_that_is_stored(
    tmp_path: Path, outside: tuple[Influx, Front], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, front = outside
    counted: list[str] = []
    behind = ShippingBook.behind

    def count(self: ShippingBook, destination: str) -> int:
        counted.append(destination)
        return behind(self, destination)

    monkeypatch.setattr(ShippingBook, "behind", count)
    with Store(tmp_path) as store, shipping(front.url, tmp_path) as shipper:
        whole(shipper)
        counted.clear()
        for n in range(0, 50, 10):
            store.journal.ingest(readings("a", n, 10))
            wait_for(lambda n=n: len(database.held("a")) == n + 10, "new readings")  # type: ignore[misc]
            whole(shipper)
        assert counted == []
        # Where nobody takes them it is told how many wait.
        front.answers += [(503, {})] * 10
        store.journal.ingest(readings("a", 50, 10))
        wait_for(lambda: shipper.status().behind_rows == 10, "the backlog to be counted")
        assert counted


# -- refusals ----------------------------------------------------------------------------------------------------


def test_a_wrong_token_is_said_held_and_repaired_by_a_restart_with_the_right_one(
    tmp_path: Path, outside: tuple[Influx, Front], caplog: pytest.LogCaptureFixture
) -> None:
    database, front = outside
    wrong = "wr0ng-token-99ab"
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 50))
        with shipping(front.url, tmp_path, settings=settings(front.url, token=wrong), hold_s=60.0) as shipper:
            wait_for(lambda: shipper.status().state == "refused", "the refusal")
            time.sleep(0.3)
            assert len(front.requests) == 1, "a refused login is not tried again and again"
            assert "the login is refused" in shipper.status().last_error
            assert "check the token" in shipper.status().last_error
            assert shipper.status().behind_rows == 50
            assert shipper.status().behind_since_ms is not None
        assert wrong not in repr(shipper.status()) + caplog.text
        assert dead_letters(store) == []
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        assert database.held("a") == held(store, "a")


def test_a_bucket_that_appears_later_is_found_without_a_restart(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    front.buckets = ()
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 50))
        with shipping(front.url, tmp_path) as shipper:
            wait_for(lambda: "no such bucket" in shipper.status().last_error, "the refusal")
            front.buckets = (BUCKET,)
            whole(shipper)
        assert database.held("a") == held(store, "a")


def test_a_line_that_is_refused_is_set_aside_with_its_reason_and_the_others_arrive(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    far = 10**16  # the year 318857: the database has no such time
    with Store(tmp_path) as store:
        batch = readings("a", 0, 2000)
        batch.insert(1234, Reading("a", far, 1.0, T0))
        batch.insert(77, Reading("a", far + 1, 2.0, T0))
        store.journal.ingest(batch)
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        letters = dead_letters(store)
        assert sorted(text for text, _ in letters) == [
            f"reading,probe=a,quantity=unknown value=1.0,flag=2i {far}",
            f"reading,probe=a,quantity=unknown value=2.0,flag=2i {far + 1}",
        ]
        assert all("status 400" in reason and "time" in reason for _, reason in letters)
        assert database.held("a") == {t: v for t, v in held(store, "a").items() if t < far}
        requests = len(front.requests)
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        assert len(front.requests) == requests, "what was set aside is not tried again"


def test_a_bucket_that_takes_no_line_at_all_is_not_emptied_into_the_dead_letters(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    text = f'reading,probe=other value="text" {T0 * 1_000_000}'
    with urllib.request.urlopen(f"{database.url}/write?db={BUCKET}", text.encode()) as answer:
        assert answer.status == 204
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 1000))
        with shipping(front.url, tmp_path, hold_s=60.0) as shipper:
            wait_for(lambda: shipper.status().state == "refused", "the refusal")
            assert "takes none of 20 lines" in shipper.status().last_error
            assert "type conflict" in shipper.status().last_error
            assert shipper.status().behind_rows == 1000
        assert dead_letters(store) == []


def test_too_large_a_request_is_halved(tmp_path: Path, outside: tuple[Influx, Front]) -> None:
    database, front = outside
    front.most_lines = 300
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 1000))
        with shipping(front.url, tmp_path) as shipper:
            whole(shipper)
        assert database.held("a") == held(store, "a")
        assert dead_letters(store) == []
    assert [status for status, _ in front.requests].count(413) == 3


def test_a_wait_that_the_server_asks_for_is_kept_and_its_errors_never_show_the_token(
    tmp_path: Path, outside: tuple[Influx, Front], caplog: pytest.LogCaptureFixture
) -> None:
    database, front = outside
    front.answers += [(500, {}), (503, {}), (429, {"Retry-After": "1"})]
    with Store(tmp_path) as store:
        store.journal.ingest(readings("a", 0, 10))
        begun = time.monotonic()
        with shipping(front.url, tmp_path, first_wait_s=0.01) as shipper:
            wait_for(lambda: "429" in shipper.status().last_error, "the third answer")
            # The front repeats the login in its answers, as a careless proxy may.
            assert "(token)" in shipper.status().last_error
            assert TOKEN not in shipper.status().last_error
            whole(shipper)
        assert time.monotonic() - begun >= 1.0
        assert [status for status, _ in front.requests] == [500, 503, 429, 204]
        assert database.held("a") == held(store, "a")
    assert TOKEN not in caplog.text
    assert TOKEN not in repr(shipper._settings)


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [("7", 7, 7), ("", 0, 0), ("soon", 0, 0), ("-3", 0, 0), ("inf", 0, 0), ("1e9", 3600, 3600),
     ("Wed, 21 Oct 2015 07:28:00 GMT", 0, 0), ("Wed, 21 Oct 2099 07:28:00 GMT", 3600, 3600)],
)  # fmt: skip
def test_the_wait_asked_for_may_be_seconds_or_a_date(text: str, low: float, high: float) -> None:
    assert low <= _asked_wait_s(text, now_ms()) <= high


# -- what is derived ---------------------------------------------------------------------------------------------


def test_what_is_derived_is_shipped_beside_the_readings_once_a_minute(
    tmp_path: Path, outside: tuple[Influx, Front]
) -> None:
    database, front = outside
    asked = []

    def derived() -> list[DerivedPoint]:
        asked.append(1)
        return [
            DerivedPoint("box", {"box": "top shelf", "stack": ""}, {"temperature_c": 28.25, "u_c": None}, T0),
            DerivedPoint("lot", {"lot": "c1/A"}, {"development": 0.5, "text": 'say "hi"\\', "eggs": 8}, T0),
            DerivedPoint("lot", {"lot": "c1/B"}, {"development": float("nan")}, T0),
        ]

    with Store(tmp_path) as store, shipping(front.url, tmp_path, derived=derived) as shipper:
        wait_for(lambda: bool(database.ask('SELECT * FROM "lot"')), "the derived lines")
        store.journal.ingest(readings("a", 0, 5))
        wait_for(lambda: len(database.held("a")) == 5, "the readings")
        whole(shipper)
    assert len(asked) == 1
    assert database.ask('SELECT * FROM "box"') == [{"time": T0, "box": "top shelf", "temperature_c": 28.25}]
    assert database.ask('SELECT * FROM "lot"') == [
        {"time": T0, "lot": "c1/A", "development": 0.5, "text": 'say "hi"\\', "eggs": 8}
    ]


def test_a_derived_series_that_is_refused_is_set_aside_once_and_readings_go_on(
    tmp_path: Path, outside: tuple[Influx, Front], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, front = outside
    monkeypatch.setattr(influx_module, "_DERIVED_EVERY_S", 0.0)
    good: Callable[[], DerivedPoint] = lambda: DerivedPoint("lot", {"lot": "good one"}, {"development": 0.5}, T0)  # noqa: E731
    bad: Callable[[], DerivedPoint] = lambda: DerivedPoint("lot", {"lot": "bad one"}, {"development": "half"}, T0)  # noqa: E731
    rounds = []

    def derived() -> list[DerivedPoint]:
        rounds.append(1)
        if len(rounds) == 4:
            raise RuntimeError("a fault in the computation")
        return [good(), bad()]

    with Store(tmp_path) as store, shipping(front.url, tmp_path, derived=derived):
        wait_for(lambda: len(rounds) > 6, "some rounds")
        store.journal.ingest(readings("a", 0, 5))
        wait_for(lambda: len(database.held("a")) == 5, "the readings")
        letters = dead_letters(store)
        assert [text for text, _ in letters] == [f'lot,lot=bad\\ one development="half" {T0}']
        assert "type conflict" in letters[0][1]
    assert [r["lot"] for r in database.ask('SELECT * FROM "lot"')] == ["good one"]


def a_room() -> Snapshot:
    """A box with a temperature and one without, a lot that develops, one that is over, one without a profile."""
    box = Box("top", "left", 120.0)
    stay = Stay("top", T0, None)
    lot = Lot("c1/top", "c1", "top", (stay,), 8)
    clutch = Clutch("c1", "Testudo exempli", T0, False, 8, (lot,))
    times, warmth = np.array([T0, T0 + 60_000]), np.array([28.0, 28.5])
    return Snapshot(
        T0 + 90_000,
        Room("room", "UTC", "C", ("left",), (box,), ()),
        UTC,
        Service(T0),
        boxes=(
            BoxNow(box, Limits(), "room", times, warmth, 0.3, "probe", 88.0),
            BoxNow(Box("low", "left", 20.0), Limits(), "room", times[:0], warmth[:0], 0.3, "none"),
        ),
        lots=(
            LotNow(lot, clutch, past=Past(0.25, 100.0, filled_share=0.1)),
            LotNow(replace(lot, closed_ms=T0), clutch, past=Past(1.0)),
            LotNow(replace(lot, id="c1/low"), replace(clutch, species="unknown"), refused="no profile"),
        ),
    )


def test_a_boxs_temperature_and_a_lots_development_are_what_is_derived() -> None:
    assert [line(p) for p in derived_points(a_room())] == [
        f"box,box=top,stack=left temperature_c=28.5,uncertainty_c=0.3,humidity_pct=88.0 {T0 + 60_000}",
        (
            "lot,box=top,clutch=c1,lot=c1/top,species=Testudo\\ exempli "
            f"development=0.25,degree_days=100.0,filled_share=0.1 {T0 + 90_000}"
        ),
        f"lot,box=top,clutch=c1,lot=c1/low,species=unknown filled_share=0.0 {T0 + 90_000}",
    ]


def test_a_point_without_any_field_is_no_line() -> None:
    assert line(DerivedPoint("box", {}, {"t": None, "u": float("inf")}, 5)) == ""
    assert line(DerivedPoint("a b", {"k 1": "v,1"}, {"f=1": True}, 5)) == "a\\ b,k\\ 1=v\\,1 f\\=1=true 5"


def test_the_heavy_library_is_loaded_only_by_who_ships() -> None:
    code = "import sys\nimport monitor.adapters.shipping\nassert not any('influxdb_client' in m for m in sys.modules)"
    subprocess.run([sys.executable, "-c", code], cwd=PROJECT, check=True)


def test_means_of_ten_minutes_are_shipped_as_such(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        rows = [Reading("a", T0 + k * 60_000, 28.0 + k / 4, T0) for k in range(3)]
        columns = thinned(columns_of([*rows, Reading("a", T0 + 700_000, 29.5, T0)]))
        shipper = Shipper(Shipping("http://127.0.0.1:9", "org", "bucket", "word"), tmp_path, now_ms)
        lines = list(shipper._lines_of(Hour("a", 1, T0 // HOUR_MS, 4, columns)))
        assert store.db.check() == []
    assert lines == [
        f"reading,probe=a,quantity=unknown value=28.25,flag=2i,lowest=28.0,highest=28.5,readings=3i {T0 + 60_000}",
        f"reading,probe=a,quantity=unknown value=29.5,flag=2i {T0 + 700_000}",
    ]
