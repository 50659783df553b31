"""Messages with times at random, through the whole way that they go: none raises, none is lost, none spoils the others.

Out of order, twice, an hour away where the clocks change, from 1970 or 2106, seconds for milliseconds, with any offset.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.arrivals import Arrival, Arrivals
from monitor.core.readings.decode import AHEAD_MS, EARLIEST_MS, LATEST_MS
from monitor.core.readings.probe_clocks import Log, WrongClock, looked_at, righted
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe

# The night on which clocks go back in Central Europe.
T0 = round(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp() * 1000)
HOUR = 3_600_000
PROBES = (
    Probe("iso", "t/iso", pointer="/v", time_pointer="/at", time_form="iso", interval_s=60.0),
    Probe("s", "t/s", pointer="/v", time_pointer="/at", time_form="s", interval_s=60.0),
    Probe("ms", "t/ms", pointer="/v", time_pointer="/at", time_form="ms", interval_s=60.0),
    Probe("bare", "t/bare", interval_s=60.0),
)

# Mostly the time itself.
TOLD: tuple[object, ...] = (
    None,
    None,
    None,
    None,
    None,
    None,
    None,
    None,
    0,
    2**32 - 1,
    -1,
    2**31 - 1,
    4e18,
    "",
    "24:00",
    True,
    [],
    1e400,
)
AWAY_MS = st.one_of(
    st.integers(-5_000, 5_000),
    st.sampled_from([-26, -24, -2, -1, 1, 2, 24, 47, 49]).map(lambda h: h * HOUR),
    st.integers(-400 * 24 * HOUR, 400 * 24 * HOUR),
)


def _iso(at_ms: int, offset_min: int) -> str:
    zone = timezone(timedelta(minutes=offset_min))
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)).astimezone(zone).isoformat()


@st.composite
def messages(draw: st.DrawFn) -> list[tuple[str, bytes, bool]]:
    """(topic, payload, sent twice)."""
    found: list[tuple[str, bytes, bool]] = []
    for k in range(draw(st.integers(1, 40))):
        form = draw(st.sampled_from(["iso", "s", "ms", "bare"]))
        value = round(draw(st.floats(27.0, 29.0)), 2)
        at_ms = T0 + 60_000 * k + draw(AWAY_MS)
        wild: object = TOLD[draw(st.integers(0, len(TOLD) - 1))]
        told: object = {"iso": _iso(at_ms, draw(st.sampled_from([0, 60, 120, -720, 840]))), "s": at_ms / 1000}.get(
            form, at_ms
        )
        if draw(st.integers(0, 9)) == 0:
            # Seconds where milliseconds are promised, and the other way round.
            told = at_ms if form == "s" else at_ms // 1000
        payload = json.dumps({"v": value, "at": told if wild is None else wild}).encode()
        found.append((f"t/{form}", str(value).encode() if form == "bare" else payload, draw(st.booleans())))
    return found


@pytest.mark.slow
@given(messages(), st.lists(st.integers(1, 7), min_size=1), st.booleans())
def test_times_at_random_cost_no_reading_and_spoil_no_other(
    sent: list[tuple[str, bytes, bool]], cuts: list[int], trusted: bool
) -> None:
    arrivals, batch, mid = Arrivals(PROBES), [], 0
    kept: list[Reading] = []
    logs = {p.id: Log.empty() for p in PROBES}
    clocks: dict[str, list[WrongClock]] = {p.id: [] for p in PROBES}
    came = [
        (topic, payload, T0 + 60_000 * k + 20_000 * again)
        for k, (topic, payload, twice) in enumerate(sent)
        for again in range(1 + twice)
    ]
    for index, (topic, payload, received_ms) in enumerate(came):
        mid += 1
        arrival = Arrival(topic, payload, received_ms, mid)
        decoded = arrivals.read(arrival, clock_trusted=trusted)
        # Each message is a reading or is kept with a reason.
        assert len(decoded.readings) + len(decoded.refused) == 1, payload
        batch.append((arrival, decoded))
        if index % cuts[index % len(cuts)] and index < len(came) - 1:
            continue
        settled = arrivals.settle(batch, dry=True)
        assert len(settled.readings) + len(settled.unreadable) == len(batch)
        arrivals.stored(settled)
        batch = []
        kept += settled.readings
        for r in settled.readings:
            if not r.timed:
                continue
            one = np.array([r.at_ms], np.int64), np.array([r.received_ms], np.int64)
            logs[r.probe] = logs[r.probe].with_more(*one)
            open_ = next((c for c in clocks[r.probe] if c.to_ms is None), None)
            ended, wrong = looked_at(r.probe, open_, logs[r.probe], trusted=trusted)
            mine = [c for c in clocks[r.probe] if c is not open_]
            clocks[r.probe] = [*mine, *(c for c in (ended, wrong) if c is not None)]
    now_ms = came[-1][2]
    for probe in PROBES:
        own = [r for r in kept if r.probe == probe.id]
        assert all(EARLIEST_MS <= r.at_ms <= LATEST_MS for r in own)
        assert all(r.timed or r.at_ms <= r.received_ms for r in own)
        # Of one moment there is one value.
        values: dict[int, float] = {}
        assert all(values.setdefault(r.at_ms, r.value) == r.value for r in own)
        # What the newest says is never of the future.
        timed = [r for r in own if r.timed]
        if timed:
            at, received = (np.array(x, np.int64) for x in zip(*((r.at_ms, r.received_ms) for r in timed), strict=True))
            right = righted(at, received, np.ones(len(at), bool), clocks[probe.id])
            assert right[-1] <= received[-1] + AHEAD_MS
        # And the tests of what comes next work as ever.
        heard = [r for r in own if r.flag <= Flag.NOT_JUDGED and not (r.timed and r.at_ms > now_ms)]
        if heard:
            for value, jumps in ((heard[-1].value, False), (75.0, True)):
                now_ms += 60_000
                told = {"iso": _iso(now_ms, 0), "s": now_ms / 1000}.get(probe.id, now_ms)
                mid += 1
                text = str(value) if probe.id == "bare" else json.dumps({"v": value, "at": told})
                arrival = Arrival(probe.topic, text.encode(), now_ms, mid)
                settled = arrivals.settle([(arrival, arrivals.read(arrival, clock_trusted=trusted))], dry=True)
                arrivals.stored(settled)
                (reading,) = settled.readings
                assert (reading.test == "step") is jumps, (reading, probe.id)
