"""Comparing probes as a keeper does it: together in one box, live or afterwards, in ice, swapped, and taken back."""

from __future__ import annotations

import contextlib
import io
import re
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.cli import compare
from monitor.core.notices.conditions import Condition, Phase
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.times import DAY_MS
from monitor.simulation.room import SimBox, SimProbe, SimRoom, SimSetting
from tests.desk import Desk, probe, room_text

MINUTE = 60_000
OFFSETS = {"upper-warmth": 0.4, "middle-warmth": -0.1, "lower-warmth": -0.3}
HEIGHTS = {"upper": 150.0, "middle": 105.0, "lower": 60.0}


def config(unit: str = "C") -> str:
    warmth = [probe(f"{box}-warmth", f"room/{box}", box=box) for box in HEIGHTS]
    return room_text(HEIGHTS, unit=unit, probes=[*warmth, probe("damp", "room/damp", unit="%", box="upper")])


class Bench(Desk):
    """A desk with readings."""

    def says(self, values: Mapping[str, np.ndarray[Any, Any]], at_ms: np.ndarray[Any, Any]) -> None:
        with self.store() as store:
            store.journal.ingest(
                [
                    Reading(name, int(t), float(v), int(t), Flag.GOOD)
                    for name, column in values.items()
                    for t, v in zip(at_ms, column, strict=True)
                    if not np.isnan(v)
                ]
            )


@pytest.fixture
def desk(tmp_path: Path) -> Bench:
    made = Bench(tmp_path)
    made.write(config())
    with made.store():
        return made


def at_text(at_ms: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(at_ms / 1000))


@pytest.fixture
def together(desk: Bench) -> tuple[Bench, int, int]:
    """An hour and a half in which all three probes lay in one box of a simulated heated room, until just now."""
    minutes = 90
    setting = SimSetting(
        (SimBox("one", 100.0),), tuple(SimProbe(n, "one", offset=o, noise=0.03) for n, o in OFFSETS.items())
    )
    kept = SimRoom(setting, seed=3).record(2 * 86_400.0 + minutes * 60, 60.0)
    until = time.time_ns() // 1_000_000 // MINUTE * MINUTE - MINUTE
    at = until - (minutes - 1 - np.arange(minutes, dtype=np.int64)) * MINUTE
    desk.says({n: v[-minutes:] for n, v in kept.values.items()}, at)
    return desk, int(at[0]), until


def test_a_session_of_the_past_finds_what_the_probes_differ_by(together: tuple[Bench, int, int]) -> None:
    desk, since, until = together
    line = f"compare --from {at_text(since)} --to {at_text(until)} --json"
    found = desk.took(line).json
    mean = sum(OFFSETS.values()) / 3
    assert not found["applied"]
    assert {c["probe"] for c in found["corrections"]} == set(OFFSETS)
    for c in found["corrections"]:
        error = c["offset_c"] - (mean - OFFSETS[c["probe"]])
        assert abs(error) < 3 * c["uncertainty_c"]
        assert 0.03 < c["uncertainty_c"] < 0.06
        assert c["common_c"] == pytest.approx(0.289 / 3**0.5, abs=0.002)
    assert desk.took("compare list --json").json == []


def test_in_words_it_says_what_is_added_and_how_to_apply_it_and_changes_nothing(
    together: tuple[Bench, int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, since, until = together
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    told = desk.took(f"compare --from {at_text(since)} --to {at_text(until)}").out
    for word in ("upper-warmth", "+0.", "−0.", "against the mean of all", "nothing was changed", "--apply", "± 0.0"):
        assert word in told
    assert desk.took("compare list --json").json == []


def test_applied_it_holds_is_listed_and_can_be_taken_back(together: tuple[Bench, int, int]) -> None:
    desk, since, until = together
    before = boxes(desk)
    told = desk.took(f"compare --from {at_text(since)} --to {at_text(until)} --apply").out
    assert "applied as 1, 2, 3" in told
    listed = desk.took("compare list --json").json
    assert [c["id"] for c in listed] == [1, 2, 3]
    assert len({c["session"] for c in listed}) == 1
    probes = {p["probe"]: p for p in desk.took("probes --json").json["probes"]}
    assert probes["upper-warmth"]["correction"]["offset_c"] == pytest.approx(-0.4, abs=0.1)
    assert probes["upper-warmth"]["compared"]
    assert probes["damp"]["correction"] is None
    # What the probes said in that one box is not the temperature of their own boxes.
    assert all(b["temperature_c"] is not None for b in before)
    assert all(b["temperature_c"] is None for b in boxes(desk))
    assert "none holds now" in desk.took("compare undo 1 2 3").out
    assert _undated(boxes(desk)) == _undated(before)
    assert all(c["withdrawn"] for c in desk.took("compare list --json").json)
    assert "taken back" in desk.took("compare list").out


def boxes(desk: Bench) -> Any:
    return desk.took("boxes --json").json


@pytest.mark.parametrize(("answer", "applied"), [("y\n", 3), ("n\n", 0), ("\n", 0), ("", 0)])
def test_asked_at_a_terminal_only_a_yes_applies_it(
    together: tuple[Bench, int, int], monkeypatch: pytest.MonkeyPatch, answer: str, applied: int
) -> None:
    desk, since, until = together
    terminal = io.StringIO(answer)
    monkeypatch.setattr(terminal, "isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stdin", terminal)
    desk.took(f"compare --from {at_text(since)} --to {at_text(until)}")
    assert len(desk.took("compare list --json").json) == applied


def test_probes_that_were_perhaps_never_moved_are_told_as_such(together: tuple[Bench, int, int]) -> None:
    """What they differ by in their own boxes is the boxes as well as the probes."""
    desk, since, until = together
    line = "compare --from {} --to {} --json"
    later = desk.took(line.format(at_text(since + 45 * MINUTE), at_text(until)))
    assert "just as in it" in later.err
    assert len(later.json["corrections"]) == 3
    assert desk.took(line.format(at_text(since), at_text(until))).err == ""


def test_with_a_reference_the_others_are_brought_to_it(together: tuple[Bench, int, int]) -> None:
    desk, since, until = together
    found = desk.took(
        f"compare --probes upper-warmth --reference lower-warmth --reference-uncertainty 0.05 "
        f"--from {at_text(since)} --to {at_text(until)} --json"
    ).json
    by = {c["probe"]: c for c in found["corrections"]}
    assert set(by) == {"upper-warmth", "lower-warmth"}
    assert by["upper-warmth"]["offset_c"] == pytest.approx(-0.7, abs=0.12)
    assert by["lower-warmth"]["offset_c"] == 0.0
    assert by["upper-warmth"]["common_c"] == 0.05


def test_a_second_session_is_judged_without_the_first_correction(together: tuple[Bench, int, int]) -> None:
    """What a correction says is what is added to the probe's own words, and not on top of the last one."""
    desk, since, until = together
    line = f"compare --from {at_text(since)} --to {at_text(until)} --json --apply"
    first, second = desk.took(line).json, desk.took(line).json
    assert [c["offset_c"] for c in first["corrections"]] == [c["offset_c"] for c in second["corrections"]]
    assert [c["id"] for c in second["corrections"]] == [4, 5, 6]


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("compare --from {late} --to {until}", 26, "too short"),
        ("compare --from {early} --to {since}", 26, "too few readings"),
        ("compare --from {until} --to {since}", 2, "--to is not after --from"),
        ("compare --to {until}", 2, "--to without --from"),
        ("compare --probes nobody lower-warmth --from {since}", 6, "no temperature probe 'nobody'"),
        ("compare --probes damp lower-warmth --from {since}", 6, "no temperature probe 'damp'"),
        ("compare --probes lower-warmth --from {since}", 2, "two probes"),
        ("compare --reference-uncertainty 9 --reference lower-warmth --from {since}", 2, "between 0 and 2"),
        ("compare ice --probe upper-warmth --from {since}", 26, "not melting ice"),
        ("compare undo 9", 6, "no correction 9"),
        ("compare by-hand --probe upper-warmth --add 12 --uncertainty 0.1", 2, "broken probe"),
    ],
)
def test_what_is_no_comparison_is_refused_with_what_to_do(
    together: tuple[Bench, int, int], line: str, code: int, words: str
) -> None:
    desk, since, until = together
    times = {"since": since, "until": until, "late": until - 20 * MINUTE, "early": since - DAY_MS}
    answer = desk(line.format(**{k: at_text(v) for k, v in times.items()}))
    assert answer.code == code
    assert words in answer.err
    assert "what to do:" in answer.err
    assert desk.took("compare list --json").json == []


def test_a_correction_by_hand_holds_from_its_day_on(desk: Bench) -> None:
    told = desk.took(
        "compare by-hand --probe upper-warmth --add -0.3 --uncertainty 0.1 --at 2026-05-01 --only-after"
    ).out
    assert told.startswith("correction 1: upper-warmth −0.30 °C ± 0.20 °C, from 2026-05-01 12:00 (by hand)")
    (c,) = desk.took("compare list --json").json
    assert (c["offset_c"], c["only_after"], c["away_until"]) == (-0.3, True, None)


def test_a_forecast_of_an_earlier_moment_knows_nothing_of_what_was_found_since(desk: Bench) -> None:
    now = time.time_ns() // 1_000_000
    at = now - np.arange(10 * 24 * 6, 0, -1, dtype=np.int64) * 10 * MINUTE
    desk.says({"upper-warmth": np.full(len(at), 28.0)}, at)
    desk.took(f"clutch add K01 --species elaphe-taeniura --laid {at_text(int(at[0]))} --eggs 6")
    desk.took(f"record set K01 --box upper --eggs 6 --at {at_text(int(at[0]))}")

    def known(when: str) -> float:
        (lot,) = desk.took(f"forecast K01 --at {when} --json").json
        return float(lot["development"])

    moment = at_text(now - 3_600_000)
    before, before_now = known(moment), known("now")
    desk.took("compare by-hand --probe upper-warmth --add -1 --uncertainty 0.1 --at 2026-01-01")
    assert known(moment) == before
    assert known("now") < 0.97 * before_now


def test_ice_finds_the_error_at_zero_and_says_that_it_is_only_that(desk: Bench) -> None:
    now = time.time_ns() // 1_000_000
    at = now - np.arange(40, 0, -1, dtype=np.int64) * MINUTE
    noise = np.random.default_rng(1).normal(0.0, 0.03, 40)
    said = np.concatenate([np.linspace(20.0, 0.25, 15), np.full(25, 0.25)]) + noise
    desk.says({"upper-warmth": np.round(said / 0.0625) * 0.0625}, at)
    answer = desk.took(f"compare ice --probe upper-warmth --from {at_text(int(at[0]))} --apply")
    assert "at 0 °C only" in answer.out
    (c,) = desk.took("compare list --json").json
    assert c["how"] == "ice point"
    assert c["offset_c"] == pytest.approx(-0.25, abs=0.05)
    assert c["uncertainty_c"] == pytest.approx(0.1, abs=0.02)


def test_sessions_at_several_temperatures_say_whether_one_offset_does(desk: Bench) -> None:
    """The probe reads 0.2 C too low at 0 C and right at 30 C."""
    now = time.time_ns() // 1_000_000 // MINUTE * MINUTE
    noise = np.random.default_rng(2)
    for days, at_c in ((9, 0.0), (6, 22.0), (3, 30.0)):
        at = now - days * DAY_MS + np.arange(90, dtype=np.int64) * MINUTE
        said = {
            "upper-warmth": at_c - 0.2 * (1.0 - at_c / 30.0) + noise.normal(0.0, 0.02, 90),
            "lower-warmth": at_c + noise.normal(0.0, 0.02, 90),
        }
        desk.says({name: np.round(values / 0.0625) * 0.0625 for name, values in said.items()}, at)
        span = f"--from {at_text(int(at[0]))} --to {at_text(int(at[-1]))} --apply"
        assert "for each degree" not in desk.took("compare list").out
        if at_c == 0.0:
            desk.took(f"compare ice --probe upper-warmth --uncertainty 0.02 {span}")
        else:
            desk.took(
                "compare --probes upper-warmth lower-warmth --reference lower-warmth --reference-uncertainty 0.03 "
                + span
            )
    told = desk.took("compare list").out
    (line,) = (line for line in told.splitlines() if "for each degree" in line)
    assert line.startswith("upper-warmth, compared at 0.0 °C, 22.0 °C, 30.0 °C: for each degree warmer")
    slope = float(line.split("correction is ")[1].split()[0].replace("−", "-"))
    assert slope == pytest.approx(-0.2 / 30.0, abs=0.002)
    assert "3 °C away from the last, 30.0 °C" in line


def test_a_swap_is_told_in_words_and_in_numbers(desk: Bench) -> None:
    """Upper place 0.7 C warmer; the probe that began there says 0.5 C too much."""
    start = 1_780_000_000_000
    at = start + np.arange(0, 48 * 60, 10, dtype=np.int64) * MINUTE
    rng = np.random.default_rng(2)
    first = at < start + DAY_MS
    upper, lower = 28.7 + rng.normal(0, 0.03, len(at)), 28.0 + rng.normal(0, 0.03, len(at))
    desk.says({"upper-warmth": np.where(first, upper, lower) + 0.5, "lower-warmth": np.where(first, lower, upper)}, at)
    spans = [at_text(start), at_text(start + DAY_MS - 1), at_text(start + DAY_MS), at_text(start + 2 * DAY_MS)]
    line = "compare swap --probes upper-warmth lower-warmth --before {} {} --after {} {}".format(*spans)
    told = desk.took(line).out
    assert "The places differ: where upper-warmth lay at first it is 0.7" in told
    assert "The probes differ: in one and the same place upper-warmth says 0.5" in told
    found = desk.took(line + " --json").json
    assert found["gradient_c"] == pytest.approx(0.7, abs=0.03)
    assert found["probes_c"] == pytest.approx(0.5, abs=0.03)
    turned = "compare swap --probes upper-warmth lower-warmth --before {2} {3} --after {0} {1}".format(*spans)
    assert desk(turned).code == 2


# -- live -----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def speaking(desk: Bench, values: Mapping[str, float]) -> Iterator[None]:
    """Probes that report five times a second, as fast as a patient test may be."""
    stop = threading.Event()

    def speak() -> None:
        with desk.store() as store:
            while not stop.wait(0.2):
                now = time.time_ns() // 1_000_000
                store.journal.ingest([Reading(n, now, v, now, Flag.GOOD) for n, v in values.items()])

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def test_live_it_guides_watches_and_ends_by_itself_when_steady(desk: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compare, "LOOK_EVERY_S", 0.5)
    with speaking(desk, {"upper-warmth": 28.5, "lower-warmth": 28.0}):
        answer = desk.took("compare --probes upper-warmth lower-warmth --minutes 0.06 --apply")
    for word in ("in one box of damp substrate", "water-tight bag", "Wash your hands", "to go", "steady. Put"):
        assert word in answer.out
    listed = {c["probe"]: c for c in desk.took("compare list --json").json}
    assert listed["upper-warmth"]["offset_c"] == pytest.approx(-0.25)
    assert listed["lower-warmth"]["offset_c"] == pytest.approx(0.25)


def test_live_a_probe_that_is_silent_ends_in_a_reason(desk: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compare, "LOOK_EVERY_S", 0.2)
    monkeypatch.setattr(compare, "PATIENCE_S", 1.5)
    with speaking(desk, {"upper-warmth": 28.5}):
        answer = desk("compare --probes upper-warmth lower-warmth --minutes 0.02 --json")
    assert answer.code == 26
    assert "too few readings of lower-warmth" in answer.err
    assert answer.out == ""


# -- probes ---------------------------------------------------------------------------------------------------


def _undated(boxes: list[dict[str, object]]) -> list[dict[str, object]]:
    """Without the age of what is shown, which goes on while the test runs."""
    return [{k: v for k, v in box.items() if k != "age_s"} for box in boxes]


def test_probes_are_shown_with_their_noise_and_what_the_tests_objected_to(
    together: tuple[Bench, int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, since, until = together
    with desk.store() as store:
        bad = [Reading("upper-warmth", since - k * MINUTE, 85.0, since, Flag.BAD, "power-on") for k in (1, 2, 3)]
        store.journal.ingest(bad)
    by = {p["probe"]: p for p in desk.took("probes --json").json["probes"]}
    upper = by["upper-warmth"]
    assert upper["objections_24h"] == {"power-on": 3}
    assert upper["good_share_24h"] == pytest.approx(90 / 93, abs=1e-4)
    assert upper["last_at"] == at_text(until)
    assert upper["step_c"] == pytest.approx(0.0625)
    assert upper["noise_c"] == pytest.approx(0.03, abs=0.04)
    assert upper["among_peers"] == "too few days"
    assert upper["standard_uncertainty_c"] == pytest.approx(0.2887, abs=1e-4)
    assert by["damp"]["last_at"] is None
    monkeypatch.setenv("COLUMNS", "40")
    told = " ".join(desk.took("probes").out.split())
    for word in ("box upper", "3 power-on", "never compared: upper-warmth, middle-warmth, lower-warmth", "never"):
        assert word in told


def test_probes_are_shown_with_what_the_keeper_was_told_of_them(
    together: tuple[Bench, int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    desk, since, _ = together
    out = Condition("probe-out", "upper-warmth", Phase.RAISED, since, since, last_ms=since)
    pair = Condition("probes-swapped", "upper-warmth/lower-warmth", Phase.RAISED, since, since, last_ms=since)
    over = Condition("probe-stuck", "middle-warmth", Phase.CLEAR, since, since, last_ms=since)
    with desk.store() as store:
        store.ledger.commit((out, pair, over), (), (), {})
    by = {p["probe"]: [c["kind"] for c in p["told_of"]] for p in desk.took("probes --json").json["probes"]}
    assert sorted(by["upper-warmth"]) == ["probe-out", "probes-swapped"]
    assert (by["lower-warmth"], by["middle-warmth"]) == (["probes-swapped"], [])
    monkeypatch.setenv("COLUMNS", "40")
    told = " ".join(desk.took("probes").out.split()).split("probe: ")
    lines = {part.split()[0]: part for part in told}
    assert "health: Probe out of its box since " in lines["upper-warmth"]
    # Its last reading is some minutes old by now, which may be more than is due.
    assert re.search("health: (well|late)", lines["middle-warmth"])
    assert "health: never heard" in lines["damp"]


def test_probes_in_fahrenheit_are_shown_in_fahrenheit(together: tuple[Bench, int, int]) -> None:
    desk, _, _ = together
    (desk.folder / "room.toml").write_text(config("F"))
    assert "± 1.04 °F" in desk.took("probes").out


def test_a_stack_that_runs_beside_the_middle_of_its_limits_is_told(desk: Bench) -> None:
    path = desk.folder / "room.toml"
    path.write_text(path.read_text() + "[limits]\ntoo_warm_c = 31.0\ntoo_cool_c = 26.0\n")
    today = time.time_ns() // 1_000_000 // DAY_MS * DAY_MS
    at = np.arange(today - 20 * DAY_MS, today, 3_600_000, dtype=np.int64)
    days = (at - at[0]) // DAY_MS
    desk.says({n: 28.5 - 0.1 * np.maximum(days - 10, 0) + np.zeros(len(at)) for n in OFFSETS}, at)
    assert "stack left: by its days 0.6 °C cooler than the middle of the limits (28.5 °C)" in desk.took("probes").out
    (stack,) = desk.took("probes --json").json["stacks"]
    assert stack["off"]
    assert stack["level_c"] == pytest.approx(28.5 - 0.554, abs=0.005)


def test_noise_is_that_of_the_flicker_and_not_of_the_course_of_the_day() -> None:
    from monitor.telling.probes import noise_of

    rng = np.random.default_rng(0)
    t = np.arange(1440)
    flicker = rng.normal(0.0, 0.1, 1440)
    assert noise_of(28 + 2 * np.sin(2 * np.pi * t / 1440) + flicker) == pytest.approx(0.1, rel=0.1)
    assert noise_of(np.full(50, 28.0)) == 0.0
    assert noise_of(np.full(5, 28.0)) is None


def test_a_day_without_any_reading_is_shown_as_such(desk: Bench) -> None:
    with desk.store() as store:
        old = time.time_ns() // 1_000_000 - 3 * DAY_MS
        store.journal.ingest([Reading("upper-warmth", old, 27.5, old, Flag.GOOD)])
    upper = desk.took("probes --json").json["probes"][0]
    assert (upper["last_c"], upper["readings_24h"], upper["good_share_24h"]) == (27.5, 0, None)
