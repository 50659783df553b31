"""Probes that are heard and not to be believed, as the keeper is told of them: each fault, and nothing without one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.core.notices.conditions import Where
from monitor.core.notices.kinds.quality import KINDS
from monitor.core.notices.snapshot import Heard
from monitor.core.readings.corrections import Correction
from monitor.core.terms.times import HOUR_MS
from monitor.simulation.room import Act
from tests.core.simulated import act, play
from tests.core.timeline import MINUTE, START, Script, a_room

STILL = act(-24, Act.FAN_STOPS)


def test_a_probe_that_sticks_is_told_as_stuck() -> None:
    played = play([STILL, act(-8, Act.PROBE_STICKS, "high-t")], 4.0, every_min=10)
    ((_, notice),) = played.of("probe-stuck")
    assert notice.subjects == ("high-t",)
    assert "Probe high-t (box high): exactly" in notice.text
    assert "Meanwhile others of its stack moved by up to" in notice.text


def test_a_probe_that_changes_its_unit_is_told_as_that_and_not_as_quiet() -> None:
    played = play([act(1, Act.PROBE_IN_FAHRENHEIT, "low-t")], 4.0)
    assert played.kinds == {"probe-unit"}
    ((at_h, notice),) = played.of("probe-unit")
    assert at_h < 1.5
    assert "which as Celsius cannot be" in notice.text
    assert "As Fahrenheit it is about the 27.7 °C that it or others had." in notice.text
    back = play([act(0, Act.PROBE_IN_FAHRENHEIT, "low-t"), act(1, Act.PROBE_WORKS, "low-t")], 2.0)
    assert [n.change for _, n in back.told if n.kind == "probe-unit"] == ["raised", "cleared"]


@pytest.mark.slow
def test_a_probe_that_falls_out_is_told_and_its_return_too() -> None:
    script = [
        act(-20, Act.THERMOSTAT_SET, "", 22.0),
        act(-3, Act.THERMOSTAT_SET, "", 28.0),
        act(0, Act.PROBE_FALLS_OUT, "low-t"),
        act(2, Act.PROBE_BACK_IN, "low-t"),
    ]
    played = play(script, 4.0)
    assert [(n.change, n.subjects) for _, n in played.told if n.kind == "probe-out"] == [
        ("raised", ("low-t",)),
        ("cleared", ("low-t",)),
    ]
    (at_h, notice), *_ = played.of("probe-out")
    assert 0.5 < at_h < 1.2
    assert "not certain" in notice.text
    assert "it is back where its box must be" in played.of("probe-out", "cleared")[0][1].text


def test_a_clock_that_is_behind_for_all_is_told_as_one() -> None:
    played = play([], 1.0, late_s=3600.0)
    assert played.kinds == {"clock-untrusted"}
    (_, notice), *_ = played.of("clock-untrusted")
    assert "all readings that arrive carry times that are 60 min old" in notice.text.lower()
    assert play([], 1.0).told == []


@pytest.mark.slow
def test_a_room_of_two_days_with_a_cold_night_and_no_fan_suspects_no_probe() -> None:
    script = [STILL, act(4, Act.OUTDOORS, "", 4.0), act(10, Act.DOOR_OPENS), act(10.3, Act.DOOR_CLOSES)]
    played = play(script, 24.0, every_min=10)
    assert {k for k in played.kinds if k.startswith("probe")} == set()


def test_probes_that_were_compared_are_known_as_exchanged_by_what_they_say_corrected() -> None:
    """One reads 0.8 C too high, which its comparison found; raw, the two seem to take on other temperatures."""
    snapshot = Script(a_room(("a", "b"))).snapshot(START, {})
    at = START - np.arange(240, -1, -1, dtype=np.int64) * 5 * MINUTE
    late = at > START - 3 * HOUR_MS
    true = {"a": np.where(late, 29.0, 28.0), "b": np.where(late, 28.0, 29.0) + 0.8}
    probes = tuple(
        replace(p, heard=Heard(at, true[p.probe.box], np.ones(len(at), np.uint8), at, np.ones(len(at), bool)))
        for p in snapshot.probes
        if p.probe.box
    )
    dated = Correction(probes[1].probe.id, 0, -0.8, 0.1, 0.05, "side by side", 0)
    (swap,) = (k for k in KINDS if k.name == "probes-swapped")
    for correction, where in ((None, Where.BACK), (dated, Where.BEYOND)):
        now = replace(snapshot, probes=(probes[0], replace(probes[1], correction=correction)))
        (look,) = swap.look(now)
        assert [s.where for s in look.samples] == [where]
