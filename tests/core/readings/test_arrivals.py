"""What came from the broker, told apart: new, sent again, retained, or old because it had to wait."""

from __future__ import annotations

import tracemalloc
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.arrivals import (
    AGAIN_WITHIN,
    AROUND_MS,
    MOST_RUNS,
    WAITED,
    Arrival,
    Arrivals,
    Marks,
    Runs,
    Settled,
    _free,
    parted,
)
from monitor.core.readings.decode import KEPT_BYTES
from monitor.core.readings.quality import Context
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe

T0 = 1_777_615_200_000
WARM = Probe("w", "a/w", interval_s=10.0)
TIMED = Probe("t", "a/t", pointer="/v", time_pointer="/at", time_form="ms", interval_s=10.0)
PROBES = (WARM, TIMED)


def put(arrivals: Arrivals, batch: Sequence[Arrival], *, dry: bool = True, keep: bool = True) -> Settled:
    settled = arrivals.settle([(a, arrivals.read(a)) for a in batch], dry=dry)
    if keep:
        arrivals.stored(settled)
    return settled


def warm(value: float, ms: int, mid: int = 0, *, again: bool = False, retained: bool = False) -> Arrival:
    return Arrival("a/w", str(value).encode(), T0 + ms, mid, again, retained)


def timed(value: float, at_ms: int, ms: int, mid: int = 0, *, again: bool = False, retained: bool = False) -> Arrival:
    return Arrival("a/t", f'{{"v": {value}, "at": {T0 + at_ms}}}'.encode(), T0 + ms, mid, again, retained)


def test_a_message_becomes_a_judged_reading_and_a_mark() -> None:
    settled = put(Arrivals(PROBES), [warm(28.0, 0, mid=7)])
    assert settled.readings == (Reading("w", T0, 28.0, T0, Flag.NOT_JUDGED, "", timed=False),)
    assert [mid for mid, _ in settled.marks] == [7]
    assert settled.live_ms == T0


def test_a_message_sent_again_after_it_was_stored_is_known() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)])
    settled = put(arrivals, [warm(28.0, 900, mid=7, again=True)])
    assert (settled.readings, settled.marks, settled.repeated) == ((), (), 1)


def test_a_message_sent_again_within_one_batch_is_known() -> None:
    settled = put(Arrivals(PROBES), [warm(28.0, 0, mid=7), warm(28.0, 900, mid=7, again=True)])
    assert (len(settled.readings), settled.repeated) == (1, 1)


def test_nothing_is_remembered_of_a_batch_that_was_not_stored() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)], keep=False)
    assert put(arrivals, [warm(28.0, 900, mid=7, again=True)]).repeated == 0


def test_marks_from_the_store_are_known_after_a_restart() -> None:
    first = put(Arrivals(PROBES), [warm(28.0, 0, mid=7)])
    arrivals = Arrivals(PROBES, marks={mid: (1, digest) for mid, digest in first.marks})
    assert put(arrivals, [warm(28.0, 900, mid=7, again=True)]).repeated == 1


def test_without_the_brokers_word_that_it_is_sent_again_an_equal_message_is_new() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)])
    assert len(put(arrivals, [warm(28.0, 10_000, mid=7)]).readings) == 1


def test_the_same_identifier_with_another_content_is_new() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)])
    assert len(put(arrivals, [warm(28.1, 10_000, mid=7, again=True)]).readings) == 1
    assert len(put(arrivals, [warm(28.1, 20_000, mid=8, again=True)]).readings) == 1


def test_half_a_round_of_identifiers_later_the_same_one_is_another_message() -> None:
    arrivals = Arrivals(PROBES)
    digest = put(arrivals, [warm(28.0, 0, mid=7)], keep=False).marks[0][1]

    def heard_again(marks_since: int) -> int:
        arrivals = Arrivals(PROBES, marks={7: (1, digest), 8: (1 + marks_since, b"x")})
        return put(arrivals, [warm(28.0, 900, mid=7, again=True)]).repeated

    assert heard_again(AGAIN_WITHIN - 1) == 1
    assert heard_again(AGAIN_WITHIN) == 0


def test_a_new_session_of_the_broker_forgets_the_identifiers() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)])
    arrivals.connected(T0 + 500, session_present=False)
    assert len(put(arrivals, [warm(28.0, 900, mid=7, again=True)]).readings) == 1


def test_a_message_without_acknowledgement_leaves_no_mark() -> None:
    assert put(Arrivals(PROBES), [warm(28.0, 0)]).marks == ()


def test_what_cannot_be_read_is_kept_with_its_reason_for_each_probe() -> None:
    probes = (Probe("a", "x", pointer="/a"), Probe("b", "x", pointer="/b"))
    settled = put(Arrivals(probes), [Arrival("x", b'{"a": null}', T0, 3)])
    assert [(u.probe, u.payload) for u in settled.unreadable] == [("a", b'{"a": null}'), ("b", b'{"a": null}')]
    assert "null" in settled.unreadable[0].reason
    assert [mid for mid, _ in settled.marks] == [3]
    broken = put(Arrivals(probes), [Arrival("x", b"{", T0, 4)])
    assert [u.probe for u in broken.unreadable] == ["a", "b"]


def test_of_a_huge_unreadable_payload_only_the_beginning_is_kept() -> None:
    settled = put(Arrivals(PROBES), [Arrival("a/w", b"x" * 200_000, T0, 3)])
    assert len(settled.unreadable[0].payload) == KEPT_BYTES


def test_a_topic_that_no_probe_claims_is_named_and_marked() -> None:
    settled = put(Arrivals(PROBES), [Arrival("old/topic", b"28", T0, 3)])
    assert (settled.strangers, settled.readings, settled.unreadable) == (("old/topic",), (), ())
    assert [mid for mid, _ in settled.marks] == [3]


def test_a_retained_message_with_its_own_time_is_a_reading_but_no_sign_of_life() -> None:
    settled = put(Arrivals(PROBES), [timed(28.0, -500_000, 0, mid=3, retained=True)])
    assert [(r.at_ms, r.timed) for r in settled.readings] == [(T0 - 500_000, True)]
    assert (settled.retained, settled.live_ms) == (1, None)


def test_a_retained_message_without_its_own_time_is_no_reading() -> None:
    settled = put(Arrivals(PROBES), [warm(28.0, 0, mid=3, retained=True)])
    assert (settled.readings, settled.retained, settled.retained_untimed) == ((), 1, ("a/w",))


def test_readings_of_one_millisecond_are_set_apart_so_that_none_vanishes() -> None:
    arrivals = Arrivals(PROBES)
    first = put(arrivals, [warm(28.0, 0), warm(28.1, 0), warm(28.2, 1)])
    second = put(arrivals, [warm(28.3, 1), warm(28.4, 50)])
    assert [r.at_ms - T0 for r in first.readings] == [-1, 0, 1]
    assert [r.at_ms - T0 for r in second.readings] == [-2, 50]


def test_a_time_that_is_told_again_with_another_value_costs_no_reading() -> None:
    """The clock of the probe was set back by an hour; what is only sent again is the same reading."""
    arrivals = Arrivals(PROBES)
    first = put(arrivals, [timed(28.0, 0, 0), timed(28.1, 60_000, 60_000)])
    again = [timed(20.0, 0, 3_600_000), timed(28.1, 60_000, 3_660_000), timed(20.0, 0, 3_700_000)]
    second = put(arrivals, again)
    assert [r.at_ms - T0 for r in (*first.readings, *second.readings)] == [0, 60_000, 1, 60_000, 1]
    started = Arrivals(PROBES, said={"t": {T0: 28.0, T0 + 1: 20.0}})
    assert [r.at_ms - T0 for r in put(started, [timed(19.0, 0, 3_900_000)]).readings] == [2]


@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(1, 30)), min_size=1, max_size=30),
    st.lists(st.integers(1, 5), min_size=1, max_size=30),
)
def test_however_many_come_in_a_millisecond_none_vanishes_and_none_lies_in_the_future(
    bursts: list[tuple[int, int]], cuts: list[int]
) -> None:
    """Bursts (wait in ms, how many), in batches of some bursts each."""
    arrivals, now = Arrivals(PROBES), 0
    made: list[Reading] = []
    waiting: list[Arrival] = []
    for index, (wait, count) in enumerate(bursts):
        now += wait
        waiting += [warm(28.0, now)] * count
        if index % cuts[index % len(cuts)] == 0:
            made += put(arrivals, waiting).readings
            waiting = []
    made += put(arrivals, waiting).readings
    assert len({r.at_ms for r in made}) == len(made) == sum(count for _, count in bursts)
    assert all(r.at_ms <= r.received_ms for r in made)
    # No further back than there are readings.
    assert all(r.received_ms - r.at_ms < len(made) for r in made)


def test_a_restart_soon_after_a_flood_gives_no_reading_a_moment_that_is_taken() -> None:
    flood = put(Arrivals(PROBES), [warm(28.0, 0)] * 3_000)
    newest = flood.readings[-1]
    assert (flood.readings[0].at_ms, newest.at_ms) == (T0 - 2_999, T0)
    arrivals = Arrivals(PROBES)
    arrivals.remember("w", T0 - 5_000, 2**62, [r.at_ms for r in flood.readings])
    later = put(arrivals, [warm(28.1, -1_000), warm(28.2, 0), warm(28.3, 9_000)])
    assert [r.at_ms - T0 for r in later.readings] == [-3_001, -3_000, 9_000]


def test_a_clock_set_back_gives_readings_their_own_time_again() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 3_600_000)])
    assert [r.at_ms - T0 for r in put(arrivals, [warm(28.1, 0), warm(28.2, 0)]).readings] == [-1, 0]


def test_judging_follows_the_measured_time_and_the_order_of_arrival_is_kept() -> None:
    settled = put(Arrivals(PROBES), [timed(28.2, 20_000, 30_000), timed(28.0, 0, 30_001), timed(28.1, 10_000, 30_002)])
    assert [r.value for r in settled.readings] == [28.2, 28.0, 28.1]
    assert [r.flag for r in settled.readings] == [Flag.GOOD, Flag.NOT_JUDGED, Flag.GOOD]


def test_the_context_goes_from_batch_to_batch() -> None:
    arrivals = Arrivals(PROBES, contexts={"w": Context(T0 - 10_000, 28.0, T0 - 10_000)})
    assert put(arrivals, [warm(40.0, 0)]).readings[0].test == "step"
    assert put(arrivals, [warm(28.1, 10_000)]).readings[0].flag is Flag.GOOD


# ------------------------------------------------------------ what waited at the broker


def back_after(seconds: float, *, session_present: bool = True) -> Arrivals:
    """Heard at T0 - seconds, connected at T0."""
    arrivals = Arrivals(PROBES, heard_ms={"w": T0 - round(seconds * 1000), "t": T0 - round(seconds * 1000)})
    arrivals.connected(T0, session_present=session_present)
    return arrivals


def names(settled: Settled) -> list[str]:
    return [r.test for r in settled.readings]


def test_what_waited_at_the_broker_is_suspect_but_the_newest() -> None:
    settled = put(back_after(60), [warm(28.0 + k / 10, 10 + k, mid=1 + k) for k in range(6)])
    assert names(settled) == [WAITED] * 5 + [""]
    assert [r.flag for r in settled.readings[:5]] == [Flag.SUSPECT] * 5
    assert settled.readings[5].flag.usable


def test_what_has_its_own_time_may_wait_without_doubt() -> None:
    settled = put(back_after(60), [timed(28.0, -60_000 + 10_000 * k, k) for k in range(6)])
    assert all(r.flag.usable for r in settled.readings)


def test_a_short_break_leaves_no_doubt() -> None:
    assert names(put(back_after(14), [warm(28.0, 10), warm(28.1, 4_000)])) == ["", ""]


def test_a_broker_that_forgot_the_session_kept_nothing() -> None:
    assert names(put(back_after(600, session_present=False), [warm(28.0, 10), warm(28.1, 20)])) == ["", ""]


def test_where_a_batch_is_cut_off_the_number_that_must_have_gathered_decides() -> None:
    arrivals = back_after(60)
    first = put(arrivals, [warm(28.0, 10), warm(28.1, 11), warm(28.2, 12)], dry=False)
    second = put(arrivals, [warm(28.3, 20), warm(28.4, 21), warm(28.5, 22)])
    assert names(first) == [WAITED] * 3
    assert names(second) == [WAITED] * 2 + [""]


def test_where_nothing_is_known_of_before_a_batch_that_was_cut_off_is_all_old() -> None:
    arrivals = Arrivals(PROBES)
    arrivals.connected(T0, session_present=True)
    assert names(put(arrivals, [warm(28.0, 10), warm(28.1, 11)], dry=False)) == [WAITED] * 2
    assert names(put(arrivals, [warm(28.2, 20)])) == [""]


def test_a_live_message_ends_the_waiting() -> None:
    arrivals = back_after(600)
    put(arrivals, [warm(28.0, 10), warm(28.1, 11)])
    live = put(arrivals, [warm(28.2, 6_000)], dry=False)
    assert names(live) == [""]
    # A burst later on is the probe's own.
    assert names(put(arrivals, [warm(28.3, 16_000), warm(28.4, 16_005)])) == ["", ""]


def test_waiting_messages_do_not_serve_as_context() -> None:
    arrivals = back_after(3600)
    settled = put(arrivals, [warm(10.0, 10), warm(28.1, 11)])
    assert names(settled) == [WAITED, ""]
    assert settled.readings[1].flag is Flag.NOT_JUDGED


# ------------------------------------------------------------ exactly once, whatever happens


@given(st.data())
def test_crashes_at_any_place_lose_and_double_nothing(data: st.DataObject) -> None:
    """A broker that repeats what was not acknowledged, against a receiver that dies before or after its commit."""
    total = data.draw(st.integers(1, 30), "messages")
    values = data.draw(st.lists(st.integers(20, 23), min_size=total, max_size=total), "few values, many equal")
    waiting = [(1 + k, value) for k, value in enumerate(values)]
    sent: set[int] = set()
    disk: list[tuple[int, float]] = []
    marks: dict[int, tuple[int, bytes]] = {}
    clock = 0
    while waiting:
        arrivals = Arrivals(PROBES, marks=marks, heard_ms={"w": T0 + clock})
        arrivals.connected(T0 + clock, session_present=True)
        while waiting:
            size = data.draw(st.integers(1, len(waiting)), "batch")
            batch = []
            for mid, value in waiting[:size]:
                clock += 1
                batch.append(warm(float(value), clock, mid, again=mid in sent))
                sent.add(mid)
            settled = put(arrivals, batch, keep=False)
            fate = data.draw(
                st.sampled_from(["fine", "fine", "dies before", "dies after", "half acknowledged"]), "fate"
            )
            if fate == "dies before":
                break
            top = max((o for o, _ in marks.values()), default=0)
            for k, (mid, digest) in enumerate(settled.marks):
                marks[mid] = (top + 1 + k, digest)
            disk += [(r.at_ms, r.value) for r in settled.readings]
            arrivals.stored(settled)
            acknowledged = {"fine": size, "half acknowledged": size // 2}.get(fate, 0)
            waiting = waiting[acknowledged:]
            if fate != "fine":
                break
    assert [value for _, value in disk] == [float(v) for v in values]
    assert len({at for at, _ in disk}) == total


@pytest.mark.parametrize("seed", range(6))
def test_no_two_readings_without_a_time_share_a_millisecond_however_many_come_at_once(seed: int) -> None:
    """A thousand apart, then bursts at one moment that reach back beyond what is remembered."""
    dice = np.random.default_rng(seed)
    runs: Runs = ()
    given: list[int] = []
    at_ms = 1_800_000_000_000
    for _ in range(12):
        for _ in range(int(dice.integers(1, 200))):
            at_ms += int(dice.integers(2, 9))
            free_ms, runs = _free(runs, at_ms)
            given.append(free_ms)
        for _ in range(int(dice.integers(1, 900))):
            free_ms, runs = _free(runs, at_ms)
            given.append(free_ms)
        assert len(runs) <= MOST_RUNS
    assert len(set(given)) == len(given)
    assert max(given) <= at_ms + len(given)


@pytest.mark.parametrize("seed", range(8))
def test_whatever_a_clock_does_and_however_often_all_starts_anew_no_two_readings_share_a_millisecond(seed: int) -> None:
    """The clock is set by drawn steps, between two batches or within one, and the memory may be gone; the store is a
    list."""
    dice = np.random.default_rng(seed)
    steps = [0] * 6 + [-10_000, 10_000, -3_600_000, 3_600_000, -86_400_000, 86_400_000]
    there: list[int] = []
    arrivals, clock_ms, number = Arrivals(PROBES), 0, 0
    for _ in range(500):
        if dice.random() < 0.2:
            arrivals = Arrivals(PROBES)
        batch = []
        for _ in range(int(dice.integers(1, 40))):
            clock_ms += int(dice.integers(0, 120)) + int(dice.choice(steps) if dice.random() < 0.1 else 0)
            number += 1
            batch.append(warm(20.0 + number / 1e5, clock_ms))
        for part in parted([(a, arrivals.read(a)) for a in batch]):
            for probe, (from_ms, to_ms) in arrivals.unsure(part).items():
                first_ms, last_ms = from_ms - AROUND_MS, to_ms + AROUND_MS
                known = [t for t in there if first_ms <= t <= last_ms]
                ahead = any(t > last_ms for t in there)
                arrivals.remember(probe, first_ms, last_ms if ahead else 2**62, known)
            settled = arrivals.settle(part, dry=True)
            arrivals.stored(settled)
            there += [r.at_ms for r in settled.readings]
    assert len(there) == len(set(there)) == number


def test_what_is_remembered_of_packets_takes_the_same_room_after_all_identifiers_as_after_one() -> None:
    arrivals = Arrivals(PROBES)
    put(arrivals, [warm(28.0, 0, mid=7)])
    tracemalloc.start()
    before, _ = tracemalloc.get_traced_memory()
    for first in range(1, 65_536, 500):
        mids = range(first, min(first + 500, 65_536))
        arrivals.stored(Settled(marks=tuple((mid, b"%08d" % mid) for mid in mids)))
    after, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert after - before < 50_000
    message = warm(28.1, 1000, mid=65_535)
    arrivals.stored(Settled(marks=((65_535, message.digest),)))
    assert put(arrivals, [message._replace(again=True)]).repeated == 1


@given(st.lists(st.tuples(st.sampled_from([1, 2, 3, 65_535]), st.sampled_from([b"aaaaa", b"bbbbb"])), max_size=40))
def test_of_packets_the_last_of_each_identifier_is_remembered_with_its_place(told: list[tuple[int, bytes]]) -> None:
    marks, seen = Marks({}), dict[int, tuple[int, bytes]]()
    for start in range(0, len(told), 3):
        marks.put(told[start : start + 3])
    for place, (mid, digest) in enumerate(told, 1):
        seen[mid] = place, digest
    for marked in (marks, Marks(seen)):
        for mid in (1, 2, 3, 4, 65_535):
            for digest in (b"aaaaa", b"bbbbb"):
                place, last = seen.get(mid, (0, b""))
                assert marked.ordinal(mid, digest) == (place if digest == last else None)
        assert marked.top == len(told)
