"""The long campaign, some faults of it, and that its account can find what it looks for; a service left alone; what a
killed broker loses; inputs that nobody meant; the power gone in mid-write."""

from __future__ import annotations

import random
import socket
import threading
from collections import Counter
from pathlib import Path

import pytest

from tests.bench import broker_kills, campaign, fuzz, power, soak
from tests.bench.campaign_faults import crash_points, kinds
from tests.bench.campaign_room import campaign_room
from tests.bench.kills import STEP_MS
from tests.bench.watched_line import WatchedLine
from tests.peers import wait_for


@pytest.mark.slow
def test_some_faults_of_the_campaign_lose_double_and_miss_nothing() -> None:
    result = campaign.measure(faults=20, seed=3, lanes=1)
    assert list(result.falls_short) == [], result.figures
    figures = result.figures
    assert figures["faults"] == 20
    assert int(figures["acknowledged"] or 0) > 500
    assert int(figures["troubles"] or 0) > 4
    assert (figures["lost"], figures["doubled"], figures["notices missing"], figures["unexpected"]) == (0, 0, 0, 0)


def test_every_kind_of_fault_is_drawn_and_those_at_once_are_of_different_groups() -> None:
    dice = random.Random(1)
    drawn = [campaign.draw(dice, 3) for _ in range(1000)]
    often = Counter(kind.name for chosen in drawn for kind in chosen)
    assert often.keys() == {kind.name for kind in kinds()}
    assert {"before-commit", "after-commit-before-ack", "mid-batch", "in-start", "in-summing"} <= set(crash_points())
    assert {f"killed {point}" for point in crash_points()} <= often.keys()
    for chosen in drawn:
        groups = [kind.group for kind in chosen]
        assert len(set(groups)) == len(groups)
        assert len(groups) == 1 or "alone" not in groups
    assert Counter(map(len, drawn)).keys() == {1, 2, 3}


@pytest.mark.slow
def test_the_account_of_a_room_finds_what_was_lost_doubled_and_never_told() -> None:
    """The store is changed behind the service's back: a reading is taken out, one put in, a trouble made up."""
    with campaign_room(boxes=2) as r:
        with r.sending():
            assert r.recovered() is not None
            wait_for(lambda: len(r.numbers) > 20, "some messages")
        lost = r.start_ms + 3 * STEP_MS
        r.publisher.wait_acknowledged()
        wait_for(r._all_acknowledged, "all to be acknowledged")
        with r.store() as store, store.db.write():
            gone, last = 0, store.journal.last_seq()
            for batch in store.batches.block(0, 10**6):
                stays = batch.waiting.at != lost
                gone += int((~stays).sum())
                left = batch.waiting.take(stays)
                left.value[left.seq == last] += 0.5
                store.batches.replace(batch.seq, left, batch.marks)
            store.batches.folded()
            assert gone == 1
        r.trouble.wanted["too-warm", "raised"] += 1
        figures, short = r.account()
    assert figures["lost"] >= 1
    assert figures["never sent"] == 1
    assert any("too-warm raised" in text for text in short)


def test_a_line_knows_what_was_acknowledged_however_the_bytes_are_cut() -> None:
    publish = b"\x32\x0c" + b"\x00\x03a/b" + b"\x00\x07" + b"\x00" + b"28.4"
    told: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as broker, WatchedLine(broker.getsockname()[1]) as line:

        def serve() -> None:
            end, _ = broker.accept()
            with end:
                told.append(end.recv(100))
                for byte in publish:
                    end.sendall(bytes([byte]))
                while data := end.recv(100):
                    told.append(data)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with socket.create_connection(("127.0.0.1", line.port)) as client:
            client.sendall(b"\x10\x0d\x00\x04MQTT\x05\x02\x00\x1e\x00\x00\x00")
            got = b""
            while len(got) < len(publish):
                got += client.recv(100)
            assert line.acknowledged == {}
            client.sendall(b"\x40\x02\x00\x07")
            wait_for(lambda: ("a/b", b"28.4") in line.acknowledged, "the acknowledgement")
        thread.join(5)
    assert got == publish
    assert line.delivered["a/b", b"28.4"] == {(0, 7)}
    assert told[-1].endswith(b"\x40\x02\x00\x07")


@pytest.mark.slow
def test_a_service_left_alone_loses_nothing_and_its_curves_are_drawn(tmp_path: Path) -> None:
    result = soak.measure(minutes=0.3, times=300.0, svg=str(tmp_path / "soak.svg"))
    # What of a core it takes is measured on a computer with nothing else to do.
    assert [x for x in result.falls_short if "core" not in x] == [], result.figures
    assert result.figures["readings_lost"] == 0
    assert int(result.figures["readings_sent"] or 0) > 500
    assert int(result.figures["pages"] or 0) > 5
    drawn = (tmp_path / "soak.svg").read_text()
    assert drawn.count("<path") == 6


def test_what_rises_is_seen_and_a_peak_is_not_taken_for_a_rise() -> None:
    flat = soak.Curves(minutes=[float(n) for n in range(60)], resident_mb=[90.0 + (n == 30) * 50.0 for n in range(60)])
    rising = soak.Curves(minutes=flat.minutes, resident_mb=[90.0 + n / 20.0 for n in range(60)])
    assert flat.an_hour("resident_mb") == 0.0
    assert rising.an_hour("resident_mb") == pytest.approx(3.0)


@pytest.mark.slow
def test_a_broker_that_is_killed_loses_little_at_each_message_and_some_seconds_as_it_is_set_up() -> None:
    assert broker_kills.ours() == "autosave_interval 10"
    result = broker_kills.measure(kills=2, between_s=2.0, most_waiting=0, seconds=3.0, only="each message")
    assert result.falls_short == [], result.figures
    assert int(result.figures["each message: acknowledged, client away"] or 0) > 50
    seldom = broker_kills.measure(kills=1, between_s=1.0, most_waiting=0, seconds=1.0, only="half hour")
    assert int(seldom.figures["every half hour: lost, client away"] or 0) > 5


@pytest.mark.slow
def test_inputs_that_nobody_meant_are_refused_or_read_in_time() -> None:
    result = fuzz.measure(inputs=20_000, seed=2)
    assert result.falls_short == [], result.figures
    assert int(result.figures["inputs"] or 0) >= 20_000
    for name in fuzz.SHARES:
        assert int(result.figures[f"{name}, drawn: inputs"] or 0) > 10


def test_a_failure_that_is_none_of_ours_is_found_with_its_input() -> None:
    def reads(data: bytes) -> None:
        if b"7" in data:
            raise ValueError("seven")

    looked = fuzz.Looked(reads)
    dice = random.Random(1)
    for _ in range(500):
        looked(fuzz.drawn([b"27.5"], dice))
    (wrong,) = looked.wrong.values()
    assert wrong.startswith("ValueError in test_measurement_campaign.py")
    assert looked.inputs == 500
    assert 100 < sum(looked.often.values()) < 500


@pytest.mark.slow
def test_the_power_may_go_at_any_moment_and_a_flush_that_is_missing_is_seen(tmp_path: Path) -> None:
    steps = power.recorded(tmp_path, seconds=3.0, every_s=0.05)
    figures, short = power.cut_at(steps, cuts=25, seed=1)
    assert short == []
    assert figures["lost"] == figures["damaged stores"] == 0
    assert figures["cuts with something not flushed"] > 0
    # As if the log were flushed seldom, which SQLite does with synchronous=NORMAL.
    seldom = [step for step in steps if not (step.what == "flush" and step.file.endswith("-wal"))]
    assert power.cut_at(seldom, cuts=10, seed=1)[0]["lost"] > 0
