"""Every check value of the reference sheet on monitoring by its id: against our code, or left out for a reason.

Published control schemes, quality flags, the guide to uncertainty, exposure, the broker's protocol, the service
manager, and real series with events that another writing-down of the same rules found in them. An entry that is in
neither table fails. A part of an entry that concerns nothing built here stands in PARTS_LEFT_OUT with its reason.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import socket
import struct
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError
from scipy import stats

from monitor.adapters import logger_files
from monitor.adapters.mqtt import line
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.store import Store
from monitor.config.shape import BrokerPart
from monitor.core.climate.box_temperature import Series
from monitor.core.climate.stacks import StackProfile, profile
from monitor.core.maths.control_charts import cusum, ewma
from monitor.core.maths.robust import theil_sen
from monitor.core.notices.attention import WAKING_A_WEEK, account
from monitor.core.notices.conditions import Condition, Phase, Rule, Sample, Where, above, advance, below
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.routing import routes
from monitor.core.notices.snapshot import LinkNow, ProbeNow, Service, Snapshot
from monitor.core.readings.batteries import BatteryNow
from monitor.core.readings.calibration import step_of, type_a
from monitor.core.readings.correction_line import CorrectionLine, correction_line
from monitor.core.readings.probe_faults import jumps
from monitor.core.readings.quality import POWER_ON_C, RANGE_C, RANGE_PCT, Context, flat_line, judge, spike
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.core.terms.settings import Broker, Calendar, Channel, Limits, Probe, Room, Settings, Urgency, Watch
from monitor.core.terms.times import DAY_MS
from monitor.service.watchers import Notifier
from tests.bench import labelled_trouble
from tests.oracles.indicators import WHO_TYPE_I, WHO_TYPE_II, Clause, met
from tests.oracles.qartod import rate_of_change
from tests.oracles.trends import mann_kendall
from tests.peers import MOMENT_S, Mosquitto, mosquitto, shared, wait_for

Entry = dict[str, Any]
Got = Iterator[tuple[Any, ...]]  # the part's name, computed, expected, and a tolerance of its own where it has one

SHEET: Final = Path(__file__).resolve().parents[3] / "shared" / "reference" / "checks_monitoring.json"

MINUTE, HOUR = 60_000, 3_600_000
NOW_MS: Final = 1_790_000_000_000
CALM: Final = Condition("too-warm", "box A")
WARM: Final = Probe("warm", "room/warm", interval_s=60.0, box="A")
DAMP: Final = Probe("damp", "room/damp", quantity="humidity", unit="%", interval_s=60.0)

_GATEWAY: Final = "what a sensor's resistance or code means is the gateway's: a probe here speaks degrees or per cent"
_OTHER_HOUSE: Final = (
    "computed from the twin house O5; the series beside the project is its neighbour N2 (a test shows it)"
)

LEFT_OUT: Final[dict[str, str]] = {
    "weco-rules": "four rules together give a false alarm every 92 samples, the sums one in 465",
    **dict.fromkeys((f"pt100-{t}C" for t in (0, 20, 25, 28, 30, 32, 100)), _GATEWAY),
    "pt100-sensitivity-28C": _GATEWAY,
    "ntc-beta": _GATEWAY,
    "ntc-steinhart-hart": _GATEWAY,
    **dict.fromkeys(
        (
            f"ds18b20-code-{t}"
            for t in ("125", "25.0625", "10.125", "0.5", "0", "-0.5", "-10.125", "-25.0625", "-55", "28.0", "31.5")
        ),
        _GATEWAY,
    ),
    "sht4x-convert": _GATEWAY,
    "sht4x-facts": "data of a sensor; a probe's standard uncertainty is a key of the configuration",
    "alarm-deadband-delay": "start values for process plants; those here follow from a probe's step and a box's lag",
    "sre-burn-rate": "no budget of errors is spent down: urgency follows the time left to harm",
    "gfci": "the cautions name the device; how fast it trips is no matter of the program",
    "fsm-twin-gradient": _OTHER_HOUSE,
    "fsm-twin-gradient-1.0": _OTHER_HOUSE,
    "twin-30C-phase": _OTHER_HOUSE,
}

# Entries on series that do not lie beside the project; found there, they must be computed.
NO_FILE: Final[dict[str, str]] = {
    "nab-machine-profile": "machine_temperature_system_failure.csv",
    "fsm-machine-low60": "machine_temperature_system_failure.csv",
    "fsm-machine-low70-counts": "machine_temperature_system_failure.csv",
    "fsm-suthaharan-rh": "singlehop_indoor_moteid1_data.txt",
    "fsm-suthaharan-t": "singlehop_indoor_moteid1_data.txt",
    "twin-exp2-gradients": "validationdataExp2.txt",
    "slurry-probe-death": "meas_temp.csv",
}

PARTS_LEFT_OUT: Final[dict[tuple[str, str], str]] = {
    (
        "hampel-series",
        "medians",
    ): "held against the two neighbours (QARTOD), not against a median of seven",
    ("wmo-aws-qc", "T_max_step_C"): "for an hour's means in the open air; here 5 C within a minute",
    ("wmo-aws-qc", "RH_max_step_pct"): "the humidity of a box jumps whenever its lid is lifted",
    ("wmo-aws-qc", "time_consistency"): "looks at the reading after; what arrives is judged at once",
    ("wmo-aws-qc", "persistence_window_min"): "the window of the two rules for variability",
    ("wmo-aws-qc", "plausible_T"): "for the open air; here what the thermometer itself can say",
    ("ds18b20-facts", "accuracy_range"): "eggs lie well within it",
    ("ds18b20-facts", "resolution_bits"): _GATEWAY,
    ("ds18b20-facts", "t_conv_ms"): _GATEWAY,
    ("ds18b20-facts", "power_on_code"): _GATEWAY,
    ("rfc8632-severities", "order"): "three urgencies, by the time left to harm",
    ("rfc8632-severities", "values"): "urgencies are words, not numbers",
    ("rfc8632-severities", "cleared"): "urgencies are words, not numbers",
    ("rfc8632-severities", "max_status_changes_default"): "the history is kept whole",
    ("alarm-kpi", "per_day_manageable"): "for a shift of operators; here one waking notice a week",
    ("alarm-kpi", "per_day_max"): "for a shift of operators; here one waking notice a week",
    ("alarm-kpi", "flood"): "what one cause reaches at one look is one notice",
    ("alarm-kpi", "chattering"): "three times within a day here: no condition is raised three times within a minute",
    ("alarm-kpi", "critical_share_lt"): "waking notices are counted by the week, not as a share",
    ("cdc-vfc-logger", "calibration"): "a reference's certificate comes in as its uncertainty",
    ("cdc-vfc-logger", "some_states_interval_min"): "half as long as the one that is computed",
    ("en12830-1999", "max_error_C"): "a probe's uncertainty is carried along, whatever it is",
    ("en12830-1999", "resolution_better_than_C"): "a probe's step is read off its codes",
    ("en12830-1999", "transport_interval_min"): "nothing is transported",
    ("en12830-1999", "settings_protected"): "the configuration is a file with the rights of its folder",
    ("nab-windows", "machine"): "machine_temperature_system_failure.csv is not beside the project",
    ("nab-windows", "machine_points"): "machine_temperature_system_failure.csv is not beside the project",
    ("nab-windows", "ambient_points"): "the middle of what is labelled; the windows are used",
    ("nab-ambient-profile", "unit"): "judged from the values, and told to the program as the probe's unit",
    ("twin-profile", "cols"): "three of the columns are used",
}


# --- drift ---------------------------------------------------------------------------------------------------------


def _cusum_nist(x: Entry, expected: Entry) -> Got:
    found = cusum(x["x"], x["target"], x["k"], x["h"])
    yield "S_hi", found.high, expected["S_hi"]
    yield "S_lo", found.low, expected["S_lo"]
    yield "cumsum", np.cumsum(np.array(x["x"]) - x["target"]), expected["cumsum"]
    yield "first_signal_index_1based", found.signal, expected["first_signal_index_1based"] - 1
    yield "side", found.side, expected["side"]


def _cusum_in_sigmas(x: Entry, expected: Entry) -> Got:
    found = cusum(x["x"], x["target"], x["k_sigma"], x["h_sigma"], sigma=x["sigma"])
    yield "first_signal_index_1based", found.signal, expected["first_signal_index_1based"] - 1


def _ewma_nist(x: Entry, expected: Entry) -> Got:
    found = ewma(x["x"], x["ewma0"], x["sigma"], x["lam"], x["L"], from_start=False)
    yield "ewma", found.z, expected["ewma"]
    yield "ucl", found.high[0], expected["ucl"], 1e-4
    yield "lcl", found.low[0], expected["lcl"], 1e-4
    yield "signal", found.signal, expected["signal"]


def _cusum_montgomery(x: Entry, expected: Entry) -> Got:
    found = cusum(x["x"], x["target"], x["k"], x["h"], sigma=x["sigma"])
    assert found.signal is not None
    yield "C_plus_1_to_29", found.high[:29], expected["C_plus_1_to_29"]
    yield "C_minus", found.low, expected["C_minus"]
    yield "first_signal_index_1based", found.signal, expected["first_signal_index_1based"] - 1
    yield "side", found.side, expected["side"]
    yield "N_plus_at_signal", found.count, expected["N_plus_at_signal"]
    yield "shift_last_in_control_sample", found.signal + 1 - found.count, expected["shift_last_in_control_sample"]


def _ewma_montgomery(x: Entry, expected: Entry) -> Got:
    found = ewma(x["x"], x["target"], x["sigma"], x["lam"], x["L"])
    wide = ewma(x["x"], x["target"], x["sigma"], x["lam"], x["L"], from_start=False)
    yield "asymptotic_ucl", wide.high[0], expected["asymptotic_ucl"]
    yield "asymptotic_lcl", wide.low[0], expected["asymptotic_lcl"]
    yield "z_last3", found.z[-3:], expected["z_last3"]
    yield "first_signal_index_1based", found.signal, expected["first_signal_index_1based"] - 1


def _cusum_runger(x: Entry, expected: Entry) -> Got:
    found = cusum(x["x"], x["target"], x["K"], x["H"])
    yield "S_H", found.high, expected["S_H"]
    yield "S_L", found.low, expected["S_L"]
    yield "signal", found.signal, expected["signal"]


def _fast_initial_response(x: Entry, expected: Entry) -> Got:
    for head, name in zip(x["headstarts"], ("no_fir", "fir"), strict=True):
        found = cusum(x["x"], x["target"], x["k"], x["h"], head=head)
        yield name, found.high, expected[name]
        yield f"{name}_signal", found.signal, expected[f"{name}_signal"] - 1


def _run_lengths(x: Entry, expected: Entry) -> Got:
    """By the Markov chain of Brook and Evans (1972), and by running the scheme itself on normal samples."""
    for h in x["h"]:
        both = [(_chain(x["k"], h, shift), _chain(x["k"], h, -shift)) for shift in x["shift_sigma"]]
        yield f"h{h}", [1.0 / (1.0 / high + 1.0 / low) for high, low in both], expected[f"h{h}"]
    yield "one_sided_h4_shift0", _chain(x["k"], 4, 0.0), expected["one_sided_h4_shift0"]
    yield "one_sided_h5_shift0", _chain(x["k"], 5, 0.0), expected["one_sided_h5_shift0"]
    rng = np.random.default_rng(5)
    for shift, told in zip(x["shift_sigma"][1:], expected["h5"][1:], strict=True):
        signals = [cusum(rng.normal(shift, 1.0, 400), 0.0).signal for _ in range(600)]
        yield f"h5 at {shift} by runs", np.mean([s + 1 for s in signals if s is not None]), told, 0.1 * told


def _chain(k: float, h: float, shift: float, states: int = 400) -> float:
    """Average run length of a one-sided sum."""
    width = 2.0 * h / (2 * states - 1)
    i = np.arange(states)
    upper = stats.norm.cdf((i[None, :] - i[:, None] + 0.5) * width + k - shift)
    lower = stats.norm.cdf((i[None, :] - i[:, None] - 0.5) * width + k - shift)
    move = upper - lower
    move[:, 0] = upper[:, 0]
    return float(np.linalg.solve(np.eye(states) - move, np.ones(states))[0])


def _three_sigma(x: Entry, expected: Entry) -> Got:
    """The average run to a point beyond three sigma: the moving average with weight 1 is that very rule."""
    yield "ARL0", 1.0 / (2.0 * stats.norm.sf(3.0)), expected["ARL0"]
    some = np.random.default_rng(9).standard_normal(200_000)
    outside = np.abs(some) > ewma(some, 0.0, 1.0, 1.0).high
    yield "ARL0 by runs", len(some) / outside.sum(), expected["ARL0"], 0.15 * expected["ARL0"]


def _sen(x: Entry, expected: Entry) -> Got:
    line = theil_sen(x["x"], x["y"], 0.93)
    yield "slope", line.slope, expected["slope"]
    yield "intercept_conover", line.intercept, expected["intercept_conover"]
    yield "ci", [line.low, line.high], expected["ci"]
    yield "kendall_tau", mann_kendall(x["y"]).tau, expected["kendall_tau"]


def _outlier(x: Entry, expected: Entry) -> Got:
    line, trend = theil_sen(x["x"], x["y"]), mann_kendall(x["y"])
    yield "slope", line.slope, expected["slope"]
    yield "intercept_conover", line.intercept, expected["intercept_conover"]
    yield "kendall_tau", trend.tau, expected["kendall_tau"]
    yield "S", trend.s, expected["S"]
    yield "var_S", trend.variance, expected["var_S"]
    yield "Z", trend.z, expected["Z"]
    yield "p_exact", trend.p, expected["p_exact"], 1e-7
    yield "ols_slope", np.polyfit(x["x"], x["y"], 1)[0], expected["ols_slope"]


# --- quality -------------------------------------------------------------------------------------------------------


def _judged(probe: Probe, *values: float) -> list[Reading]:
    """Readings a minute apart, in their context."""
    context, result = Context(), []
    for i, value in enumerate(values):
        at = NOW_MS + i * MINUTE
        reading, context = judge(Reading(probe.id, at, value, at), context, probe)
        result.append(reading)
    return result


def _flags(x: Entry, expected: Entry) -> Got:
    named = {
        "GOOD": Flag.GOOD,
        "UNKNOWN_not_evaluated": Flag.NOT_JUDGED,
        "SUSPECT": Flag.SUSPECT,
        "FAIL": Flag.BAD,
        "MISSING": Flag.MISSING,
    }
    for name, flag in named.items():
        yield name, int(flag), expected[name]


def _spikes(x: Entry, expected: Entry) -> Got:
    yield "flags", spike(np.array(x["x"], float), x["suspect"], x["fail"]), expected["flags"]


def _rate(x: Entry, expected: Entry) -> Got:
    time_s = x["dt_s"] * np.arange(len(x["x"]), dtype=np.float64)
    yield "flags", rate_of_change(time_s, np.array(x["x"], float), x["threshold_per_s"]), expected["flags"]


def _flat(x: Entry, expected: Entry) -> Got:
    time_s = x["dt_s"] * np.arange(len(x["x"]), dtype=np.float64)
    found = flat_line(time_s, np.array(x["x"], float), x["suspect_s"], x["fail_s"], x["tolerance"])
    yield "flags", found, expected["flags"]


def _hampel(x: Entry, expected: Entry) -> Got:
    """The filter is not shipped; what it finds, the test for jumps finds as well."""
    series = np.array(x["x"])
    at = MINUTE * np.arange(len(series), dtype=np.int64)
    found = [i for i in range(1, len(series) - 1) if jumps((at[i - 1 : i + 2], series[i - 1 : i + 2])).any()]
    yield "outlier_indices_0based", found, expected["outlier_indices_0based"]
    assert np.flatnonzero(jumps((at, series))).tolist() == found


def _quiet_room() -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Times, temperature and humidity of the training file of the occupancy data."""
    path = shared("data", "room_every_minute.csv")
    warmth = logger_files.read(path, logger_files.FileShape("date", "Temperature", unit="C"), NOW_MS).columns
    damp = logger_files.read(path, logger_files.FileShape("date", "Humidity", unit="%"), NOW_MS).columns
    return warmth.at, warmth.value, damp.value


def _wmo(x: Entry, expected: Entry) -> Got:
    yield "plausible_RH", list(RANGE_PCT), expected["plausible_RH"]
    for value, flag in ((-0.1, Flag.BAD), (0.0, Flag.NOT_JUDGED), (100.0, Flag.NOT_JUDGED), (100.1, Flag.BAD)):
        yield f"{value} %", _judged(DAMP, value)[0].flag, flag
    # The rule itself can be asked; that it would cry wolf indoors is the next entry.
    at, warmth, damp = _quiet_room()
    window_s = 60.0 * expected["persistence_window_min"]
    for name, values in (("T_min_variability_C", warmth), ("RH_min_variability_pct", damp)):
        flat = flat_line(at / 1000.0, values, window_s, 1e9, expected[name])
        yield name, bool((flat == Flag.SUSPECT).any()), True


def _cries_wolf(x: Entry, expected: Entry) -> Got:
    """The third of three files lies beside the project. A rule for the open air would doubt a tenth of a quiet room."""
    assert x["files"][2] == "datatraining.txt"
    at, warmth, damp = _quiet_room()
    time_s, whole = at / 1000.0, len(at) - 60

    def share(values: NDArray[np.float64], minutes: int, tolerance: float) -> float:
        flags = flat_line(time_s, values, minutes * 60.0, 1e9, tolerance)
        return float((flags == Flag.SUSPECT).sum()) / whole

    yield "frac_T", share(warmth, x["window_min"], x["T_range_lt"]), expected["frac_T"][2]
    yield "frac_RH", share(damp, x["window_min"], x["RH_range_lt"]), expected["frac_RH"][2]
    yield "frac_T_exactly_flat_60min", share(warmth, 60, 1e-12), expected["frac_T_exactly_flat_60min"][2]
    yield "frac_T_exactly_flat_240min", share(warmth, 240, 1e-12), expected["frac_T_exactly_flat_240min"][2]
    longest = max(n for n in range(2, 200) if share(warmth, n - 1, 1e-12) > 0.0)
    yield "longest_equal_T_run_samples", longest, expected["longest_equal_T_run_samples"][2]
    # Six hours, as the program asks for, are never reached.
    yield "six hours", share(warmth, 360, 1e-12), 0.0


def _occupancy(x: Entry, expected: Entry) -> Got:
    at, warmth, damp = _quiet_room()
    yield "rows", len(at), expected["rows"][2]
    yield "steps_s", sorted({int(s) for s in np.diff(at) // 1000}), expected["steps_s"]
    for name, values in (("max_dT_per_min", warmth), ("max_dRH_per_min", damp)):
        told = expected[name][2]
        # The published steepest step lies between two limits, of which one is passed and one is not.
        for limit, passed in ((told - 0.002, True), (told + 0.002, False)):
            found = rate_of_change(at / 1000.0, values, limit / 60.0)
            yield name, bool((found == Flag.SUSPECT).any()), passed


# --- calibration ---------------------------------------------------------------------------------------------------


def _type_a(x: Entry, expected: Entry) -> Got:
    found = type_a(x["t"], independent=True)
    yield "mean", found.mean, expected["mean"]
    yield "s", found.sd, expected["s"]
    yield "s_mean", found.u, expected["s_mean"]
    yield "n", found.n, expected["n"]


def _line(x: Entry) -> CorrectionLine:
    return correction_line(x["t"], x["b"], x["t0"])


def _gum_line(x: Entry, expected: Entry) -> Got:
    """The guide prints its results with two digits of uncertainty."""
    line = _line(x)
    yield "y1", line.y1, expected["y1"]
    yield "u_y1", line.u_y1, expected["u_y1"]
    yield "y2", line.y2, expected["y2"]
    yield "u_y2", line.u_y2, expected["u_y2"]
    yield "r", line.r, expected["r"], 5e-4
    yield "s", line.s, expected["s"]
    yield "ss", line.s**2 * line.dof, expected["ss"], 1e-12
    yield "dof", line.dof, expected["dof"]
    yield "b_30C", line.at(30.0)[0], expected["b_30C"]
    yield "u_b_30C", line.at(30.0)[1], expected["u_b_30C"]


def _gum_common(x: Entry, expected: Entry) -> Got:
    """An error common to all points moves the line and not its slope; it adds in full wherever the line is asked."""
    line = _line(_entry(x["base"])["inputs"])
    merged = line.with_common(x["E_sys_u"])
    yield "u_intercept_merged", merged.u_y1, expected["u_intercept_merged"]
    yield "u_slope", merged.u_y2, expected["u_slope"]
    for t in (20.0, 24.0, 30.0):
        yield f"at {t}", merged.at(t)[1], math.hypot(line.at(t)[1], x["E_sys_u"]), 1e-12


# --- sensors, as far as they speak to us ---------------------------------------------------------------------------


def _power_on(x: Entry, expected: Entry) -> Got:
    code = int(x["code"], 16)
    yield "T", POWER_ON_C, expected["T"]
    assert code / 16.0 == POWER_ON_C
    (first,) = _judged(WARM, code / 16.0)
    yield "its first word", (first.flag, first.test), (Flag.BAD, "power-on")


def _one_wire(x: Entry, expected: Entry) -> Got:
    yield "power_on_value_C", POWER_ON_C, expected["power_on_value_C"]
    # A bound taken as a rectangle (GUM 4.3.7).
    yield "accuracy_C", round(Probe("p", "t").standard_uncertainty * math.sqrt(3.0), 1), expected["accuracy_C"]
    low, high = expected["range"]
    yield "range", low < RANGE_C[0] < RANGE_C[1] < high, True
    steps = [step_of(25.0 + lsb * np.arange(8.0)) for lsb in expected["lsb_C"]]
    yield "lsb_C", steps, expected["lsb_C"]


def _sentinel(x: Entry, expected: Entry) -> Got:
    found = _judged(WARM, *[float(expected["value"])] * 3)
    yield "value", {(r.flag, r.test) for r in found}, {(Flag.BAD, "error-value")}
    yield "all_rows", all(not r.flag.usable for r in found), expected["all_rows"]


def _intel(x: Entry, expected: Entry) -> Got:
    told = [float(text) for text in x["line"].split()[-4:]]
    warmth, damp = _judged(WARM, told[0])[0], _judged(DAMP, told[1])[0]
    yield "T", warmth.value, expected["T"]
    yield "RH", damp.value, expected["RH"]
    # A cell of two volts is low for a probe that wants 2.4 V: told as such, and a sample of no temperature.
    cell = Probe("cell", "lab/cell", "battery", "V", battery_of="warm", low=2.4)
    room = Room("lab", "UTC", "C", (), (), (WARM,), batteries=(cell,))
    low = BatteryNow(cell, told[3], NOW_MS)
    outcome = evaluate(
        Snapshot(NOW_MS, room, UTC, Service(0), batteries=(low,)), [k for k in all_kinds() if k.name == "battery-low"]
    )
    yield "voltage", low.level, expected["voltage"]
    verdict = [
        *("T implausible" for _ in [0] if (warmth.flag, warmth.test) == (Flag.BAD, "gross-range")),
        *("RH<0" for _ in [0] if (damp.flag, damp.test) == (Flag.BAD, "gross-range") and damp.value < 0.0),
        *("low battery" for t in outcome.transitions if t.change == "raised"),
    ]
    yield "verdict", "fail: " + ", ".join(verdict), expected["verdict"]


# --- conditions, notices, attention --------------------------------------------------------------------------------


def _events(series: Sequence[Sample], rule: Rule) -> list[tuple[str, int]]:
    _, moves = advance(CALM, series, rule)
    return [({"raised": "raise", "cleared": "clear"}[m.change], m.at_ms) for m in moves]


def _utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def _failing_room(x: Entry, expected: Entry) -> Got:
    rows = labelled_trouble.rows()
    side, limit = (above, x["high"]) if "high" in x else (below, x["low"])
    rule = Rule(x["on_s"], x["off_s"], x["max_gap_s"])
    found = _events([side(t, v, limit, x["deadband"]) for t, v in rows], rule)
    yield "events", found, [(change, _utc(at)) for change, at in expected["events"]]
    if "raises_bare" in expected:
        bare = _events([side(t, v, limit, 0.0) for t, v in rows], Rule())
        yield "raises_bare", sum(change == "raise" for change, _ in bare), expected["raises_bare"]


def _silences(x: Entry, expected: Entry) -> Got:
    """The room's probe, looked at every hour and at each reading, as the round does."""
    probe = replace(WARM, interval_s=3600.0, quiet_after_s=float(x["timeout_s"]))
    watch = Watch(room_quiet_after_s=float(x["timeout_s"]), repeat_now_s=0.0)
    room = Room("office", "UTC", "F", ("s",), (), (probe,), Limits(), watch)
    at = [t for t, _ in labelled_trouble.rows()]
    quiet = [kind for kind in all_kinds() if kind.name == "room-quiet"]
    condition, last = Condition("room-quiet", "office"), at[0]
    began: list[tuple[int, int]] = []
    told: list[list[int]] = []
    heard = set(at)
    for now in sorted({*at, *range(at[0], at[-1], HOUR)}):
        seen, last = last, now if now in heard else last
        snapshot = Snapshot(
            now,
            room,
            UTC,
            Service(at[0] - 10 * HOUR, link=LinkNow(last_live_ms=last)),
            (ProbeNow(probe, last, 20.0, 1, last),),
            conditions={condition.key: condition},
        )
        outcome = evaluate(snapshot, quiet)
        condition = next((c for c in outcome.conditions if c.key == condition.key), condition)
        for t in outcome.transitions:
            if t.change == "raised":
                began.append((seen, t.since_ms))
            else:
                # Since when it is over; it is told when the room has been heard for a while.
                told.append([*began[-1], t.since_ms])
    assert len(began) == len(told)
    yield "last_seen__raise__back", told, [[_utc(t) for t in row] for row in expected["last_seen__raise__back"]]


def _crossing(x: Entry, expected: Entry) -> Got:
    """A condition here is raised and cleared and has one urgency, so of the eight changes two are changes: both are
    told. What grows worse is a condition of its own (harm-near)."""
    urgency: dict[str, Urgency] = {"critical": "now", "major": "now", "minor": "today", "warning": "later"}
    up = {name: True for name, *_ in x["changes"]} | {x["changes"][-1][0]: False}
    severity = {name: word for name, word, *_ in x["changes"]}
    told, condition = [], Condition("some", "box A")
    for i, name in enumerate(severity):
        now = HOUR * (i + 1)

        def look(snapshot: Snapshot, name: str = name) -> list[Look]:
            where = Where.BEYOND if up[name] else Where.BACK
            return [Look("box A", [Sample(snapshot.now_ms, where)], "box A", urgency=urgency[severity[name]])]

        kind = Kind("some", "Some", urgency[x["notify_level"]], "", "", "", "", "", look, tell_cleared=True)
        # Reminders are no part of the rule.
        room = Room("r", "UTC", "C", (), (), (), watch=Watch(repeat_now_s=0.0, repeat_today_s=0.0))
        outcome = evaluate(Snapshot(now, room, UTC, Service(0), conditions={condition.key: condition}), [kind])
        condition = next((c for c in outcome.conditions if c.key == condition.key), condition)
        channel = Channel("mail", "json://x")
        told += [name for n in outcome.notices if channel.id in {r.channel for r in routes(n, [channel], Watch(), UTC)}]
    yield "notify_at", told, [name for name in expected["notify_at"] if name in ("T1", "T8")]


def _two_axes(x: Entry, expected: Entry) -> Got:
    """What the keeper does is beside what the world does. An answer is enough; there is no second word for "closed"."""
    raised, _ = advance(CALM, [Sample(1, Where.BEYOND)], Rule())
    answered, shelved = replace(raised, acknowledged_ms=2), replace(raised, shelved_until_ms=5)
    found = [
        *("none" for c in (raised,) if c.acknowledged_ms is None and not c.shelved(4)),
        *("ack" for c in (answered,) if c.acknowledged_ms is not None),
        *("shelved" for c in (shelved,) if c.shelved(4)),
        *("un-shelved" for c in (shelved,) if not c.shelved(5)),
    ]
    yield "operator_states", found, [s for s in expected["operator_states"] if s != "closed"]
    over, moves = advance(answered, [Sample(3, Where.BACK)], Rule())
    yield "cleared and still answered", (over.up, over.acknowledged_ms, len(moves)), (False, 2, 1)
    yield "shelved and still raised", shelved.up, True


def _standing(x: Entry, expected: Entry) -> Got:
    now, bound = NOW_MS, expected["stale_h"] * HOUR
    for more, standing in ((1, (CALM.key,)), (-1, ())):
        found = account((), (), [replace(CALM, phase=Phase.RAISED, since_ms=now - bound - more)], now)
        yield "stale_h", found.standing, standing
    # The aim is far below what an operator can bear.
    assert expected["per_day_manageable"] / 100.0 > WAKING_A_WEEK / 7.0


# --- exposure ------------------------------------------------------------------------------------------------------


def _held(temperature_c: float, hours: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    at = np.arange(round(4 * hours) + 1, dtype=np.int64) * (HOUR // 4)
    return at, np.full(len(at), temperature_c)


def _shipping_indicator(x: Entry, expected: Entry) -> Got:
    for name, clauses in (("type1", WHO_TYPE_I), ("type2", WHO_TYPE_II)):
        signs, ways = {"above": ">=", "below": "<="}, {"single": "single", "sum": "cumulative"}
        words = [[f"{signs[c.side]}{c.limit_c:g}", ways[c.how], c.hours] for c in clauses]
        yield name, words, x[name]
        for c in clauses:
            out = 0.1 if c.side == "above" else -0.1
            held, short, beside = (c.limit_c, c.hours), (c.limit_c, c.hours - 0.25), (c.limit_c - out, c.hours)
            found = [c in met(clauses, *_held(*way)) for way in (held, short, beside)]
            yield "threshold_inclusive", found, [expected["threshold_inclusive"], False, False]
    limit = next(c.limit_c for c in WHO_TYPE_I if c.how == "sum")
    triggers = [bool(met(WHO_TYPE_I, *_held(t, 10.0))) for t in (30.0, 29.9)]
    yield "example", f"limit {limit}: 30.0 {_does(triggers[0])}, 29.9 {_does(triggers[1])}", expected["example"]


def _does(triggers: bool) -> str:
    return "triggers" if triggers else "does not"


def _fridge(x: Entry, expected: Entry) -> Got:
    high, low = Clause(8.0, "above", 10.0, "single"), Clause(-0.5, "below", 1.0, "single")
    assert (expected["high"], expected["low"]) == (">+8 C for 10 h continuous", "<=-0.5 C for 60 min")
    found = [met((high, low), *_held(*w)) for w in ((8.1, 10.0), (8.1, 9.75), (7.9, 10.0), (-0.5, 1.0), (-0.4, 1.0))]
    yield "high", found[:3], [(high,), (), ()]
    yield "low", found[3:], [(low,), ()]


# --- records -------------------------------------------------------------------------------------------------------


def _logger(x: Entry, expected: Entry) -> Got:
    slow = replace(WARM, interval_s=expected["interval_min_max"] * 60.0)
    context, flags = Context(), []
    for i in range(6):
        at = i * expected["interval_min_max"] * MINUTE
        reading, context = judge(Reading("warm", at, 28.0, at), context, slow)
        flags.append(int(reading.flag))
    yield "interval_min_max", flags, [2, 1, 1, 1, 1, 1]
    assert slow.max_gap_s > slow.interval_s
    a_day = 24 * 60 / expected["interval_min_max"]
    yield "memory_readings", Calendar().keep_days * a_day > expected["memory_readings"], True
    yield "accuracy_C", round(Probe("p", "t").standard_uncertainty * math.sqrt(3.0), 1), expected["accuracy_C"]


def _recorder(x: Entry, expected: Entry, folder: Path) -> Got:
    yield "record_keep_years", Calendar().keep_days >= 365 * expected["record_keep_years"], True
    # It only listens: a broker that a reading came by has heard nothing of it but that it was taken.
    with mosquitto(folder / "broker", extra="log_type all") as broker, _intake(folder, broker, 30) as intake:
        with _probe(broker.port, keepalive_s=30) as probe:
            topic = WARM.topic.encode()
            probe.sendall(bytes([0x30, 2 + len(topic) + 4]) + struct.pack(">H", len(topic)) + topic + b"28.0")
            wait_for(lambda: intake.link().counts.stored == 1, "the reading")
        said = (broker.folder / "log").read_text()
    yield "independent_of_control", "Received PUBLISH from warmtally" not in said, expected["independent_of_control"]
    assert "Received PUBLISH from probe" in said


def _audit(x: Entry, expected: Entry, folder: Path) -> Got:
    """A wrong entry is corrected by a further one, and both are there afterwards, with the time of telling."""
    at = NOW_MS
    with Store(folder / "audit") as store:
        laid = store.account.tell(KeeperEvent(EventKind.LAID, "c1", at, at + 1, eggs=4, species="x"))
        store.account.tell(KeeperEvent(EventKind.LAID, "c1", at, at + 2, eggs=5, species="x", corrects=laid.id))
        now = store.account.clutches()["c1"].eggs
        store.folding.drop_before(2**62)
        events = store.account.events()
    kept = [(e.eggs, e.corrects) for e in events] == [(4, None), (5, laid.id)]
    holds = {
        "secure, computer-generated, time-stamped": [e.recorded_ms for e in events] == [at + 1, at + 2],
        "independently record operator entries that create, modify, delete": kept and now == 5,
        "changes shall not obscure previous information": kept,
        "retained as long as the record": kept,
    }
    yield "text_points", [point for point, true in holds.items() if true], expected["text_points"]


# --- the line and the service manager ------------------------------------------------------------------------------


def _settings(folder: Path, port: int, keepalive_s: int) -> Settings:
    room = Room("Test room", "UTC", "C", (), (), (WARM,))
    broker = Broker(port=port, keepalive_s=keepalive_s)
    return Settings(room, broker, data_dir=str(folder / "data"), commit_every_s=0.05, file="room.toml")


def _intake(folder: Path, broker: Mosquitto, keepalive_s: int) -> contextlib.AbstractContextManager[Intake]:
    return _started(_settings(folder, broker.port, keepalive_s))


@contextlib.contextmanager
def _started(settings: Settings) -> Iterator[Intake]:
    intake = Intake(settings, now_ms=lambda: time.time_ns() // 1_000_000)
    intake.start()
    try:
        wait_for(lambda: intake.link().state == "up", "the link to be up")
        yield intake
    finally:
        assert intake.stop()


@contextlib.contextmanager
def _probe(port: int, *, keepalive_s: int, will: str = "") -> Iterator[socket.socket]:
    """A probe that has said who it is (MQTT 3.1.1, by its bytes) and may then end in any way."""

    def text(words: str) -> bytes:
        return struct.pack(">H", len(words)) + words.encode()

    flags, last = (0x06, text(WARM.topic) + text(will)) if will else (0x02, b"")
    body = text("MQTT") + bytes([4, flags]) + struct.pack(">H", keepalive_s) + text(f"probe {will}"[:20]) + last
    with socket.create_connection(("127.0.0.1", port), 10.0) as end:
        end.sendall(bytes([0x10, len(body)]) + body)
        assert end.recv(4) == bytes([0x20, 2, 0, 0])
        yield end


def _keep_alive(x: Entry, expected: Entry, folder: Path) -> Got:
    longest = float(expected["max_keepalive_s"])
    yield "max_keepalive_s", BrokerPart(keepalive=longest).keepalive, longest
    with pytest.raises(ValidationError):
        BrokerPart(keepalive=longest + 1.0)
    with mosquitto(folder / "broker", extra="log_type all") as broker, _intake(folder, broker, x["keepalive_s"]):
        said = (broker.folder / "log").read_text()
        assert f"as warmtally (p5, c0, k{x['keepalive_s']})" in said
        # A client that keeps silent is dropped after one and a half of its keep-alive; mosquitto looks every 5 s.
        began = time.monotonic()
        with _probe(broker.port, keepalive_s=2) as silent:
            silent.settimeout(MOMENT_S)
            assert silent.recv(10) == b""
        waited = time.monotonic() - began
    told_s = expected["server_disconnect_after_s"] * 2 / x["keepalive_s"]
    assert waited > told_s - 0.1
    yield "server_disconnect_after_s", waited, told_s, 5.5


def _will(x: Entry, expected: Entry, folder: Path) -> Got:
    """A probe's will is the broker's word of a link that died: kept, and no reading. The line's own is held back for
    as long as it may take to connect again."""
    with mosquitto(folder / "broker", extra="log_type all") as broker, _intake(folder, broker, 30) as intake:
        assert "No will message specified" in (broker.folder / "log").read_text()
        yield "v5_will_delay", _resumed(folder / "own", broker), "not sent if session resumed first"
        assert "not sent if session resumed first" in expected["v5_will_delay"]
        ends: dict[str, Callable[[socket.socket], object]] = {
            "I/O error": lambda s: s.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0)),
            "keep-alive expired": lambda s: s.recv(1),
            "closed without DISCONNECT": lambda s: None,
            "protocol error": lambda s: s.sendall(b"\xf0\x00"),
            "DISCONNECT": lambda s: s.sendall(b"\xe0\x00"),
        }
        for why, end in ends.items():
            with _probe(broker.port, keepalive_s=1, will=why) as probe:
                end(probe)
                if why in ("protocol error", "DISCONNECT"):
                    probe.settimeout(MOMENT_S)
                    assert probe.recv(1) == b""
        wait_for(lambda: intake.link().counts.quarantined == len(expected["published_when"]), "four wills")
        newest = intake.link().counts.stored
    with Store(folder / "data") as store:
        said = {q.payload.decode() for q in store.unread.messages()}
    yield "published_when", sorted(said), sorted(expected["published_when"])
    yield "not_when", "DISCONNECT" in said, not expected["not_when"].startswith("DISCONNECT")
    yield "readings", newest, 0


def _resumed(folder: Path, broker: Mosquitto) -> str:
    """What is heard of a line's will when the line breaks and is made again before the will's time."""
    heard: list[bytes] = []
    listener = Client(CallbackAPIVersion.VERSION2)
    listener.on_message = lambda _client, _data, message: heard.append(bytes(message.payload))
    listener.connect("127.0.0.1", broker.port)
    listener.subscribe("room/service", 1)
    listener.loop_start()
    settings = _settings(folder, broker.port, 30)
    own = replace(settings.broker, client_id="own", status_topic="room/service")
    with _started(replace(settings, broker=own)) as intake:
        wait_for(lambda: heard == [line.HERE], "the line's word that it is here")
        client = intake._line._client
        assert client is not None
        broken = client.socket()
        assert isinstance(broken, socket.socket)
        broken.shutdown(socket.SHUT_RDWR)
        wait_for(lambda: heard == [line.HERE, line.HERE], "the line to be made again")
        told = list(heard)
    listener.disconnect()
    listener.loop_stop()
    return "sent" if line.GONE in told else "not sent if session resumed first"


def _watchdog(x: Entry, expected: Entry) -> Got:
    told = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": str(x["WATCHDOG_USEC"]), "WATCHDOG_PID": str(os.getpid())}
    yield "send_every_s", Notifier(told).longest_round_s, expected["send_every_s"]


# --- real series ---------------------------------------------------------------------------------------------------


def _windows(x: Entry, expected: Entry) -> Got:
    ours = [[a.replace("T", " ") + ":00" for a in window] for window in labelled_trouble.WINDOWS]
    yield "ambient", ours, expected["ambient"]


def _ambient(x: Entry, expected: Entry) -> Got:
    path = shared("data", x["file"])
    found = logger_files.read(path, logger_files.FileShape("timestamp", "value", unit="F"), NOW_MS)
    at, fahrenheit = found.columns.at, found.columns.value * 1.8 + 32.0
    steps = np.diff(at) / 1000
    yield "rows", len(found.columns) + found.same_time, expected["rows"]
    yield "step_s", found.median_step_s, expected["step_s"]
    yield "gaps_over_1h", int((steps > 3600).sum()), expected["gaps_over_1h"]
    yield "gaps_over_2h", int((steps > 7200).sum()), expected["gaps_over_2h"]
    yield "longest_gap_h", steps.max() / 3600, expected["longest_gap_h"]
    yield "min", fahrenheit.min(), expected["min"], 2e-6
    yield "max", fahrenheit.max(), expected["max"], 2e-6


def _stack(*levels: tuple[float, float]) -> StackProfile:
    at = np.arange(0, 6 * HOUR, 10 * MINUTE, dtype=np.int64)
    series = [(f"at {cm}", cm, Series(Probe(f"p{cm}", f"t/{cm}"), at, np.full(len(at), c))) for cm, c in levels]
    got = profile("left", series, 0, 6 * HOUR)
    assert got is not None
    return got


def _first_row(x: Entry, expected: Entry) -> Got:
    got = _stack(*((100.0 * h, t) for h, t in zip(x["h"], x["T"], strict=True)))
    low, high = got.levels[0], got.levels[-1]
    ends = (high.mean_c - low.mean_c) / (high.height_cm - low.height_cm) * 100.0
    yield "end_to_end_K_per_m", ends, expected["end_to_end_K_per_m"]
    yield "ols_K_per_m", got.gradient_c_per_m, expected["ols_K_per_m"]
    assert got.gradient_c_per_m is not None
    middle = np.mean([[level.height_cm / 100.0, level.mean_c] for level in got.levels], axis=0)
    yield "ols_intercept", middle[1] - got.gradient_c_per_m * middle[0], expected["ols_intercept"]


def _heated_room() -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    path = shared("data", "heated_room_three_heights.csv")
    columns = [
        logger_files.read(path, logger_files.FileShape("time_utc", f"air_{cm}cm_c", unit="C"), NOW_MS).columns
        for cm in ("067", "125", "187")
    ]
    low, middle, high = (c.value for c in columns)
    return columns[0].at, low, middle, high


def _twin(x: Entry, expected: Entry) -> Got:
    """The second of the two files lies beside the project, under another name and in another year."""
    assert x["files"][1] == "validationdataN2Exp1.txt"
    at, low, _, high = _heated_room()
    gradient = (high - low) / 1.2
    yield "rows", len(at), expected["rows"]
    yield "step_s", float(np.median(np.diff(at))) / 1000, expected["step_s"]
    yield "days", (at[-1] - at[0]) / DAY_MS, expected["days"]
    yield "grad_mean", gradient.mean(), expected["grad_mean"][1]
    yield "grad_min", gradient.min(), expected["grad_min"][1]
    yield "grad_max", gradient.max(), expected["grad_max"][1]
    yield "frac_gt_1", float(np.mean(gradient > 1.0)), expected["frac_gt_1"][1]
    # A stack at the moment of the steepest gradient says the same as the two columns.
    k = int(np.argmax(gradient))
    two = _stack((67.0, float(low[k])), (187.0, float(high[k])))
    yield "grad_max by a stack", two.gradient_c_per_m, expected["grad_max"][1]


COMPUTED: Final[dict[str, Callable[[Entry, Entry], Got]]] = {
    "cusum-nist-tabular": _cusum_nist,
    "cusum-nist-sigma-units": _cusum_in_sigmas,
    "ewma-nist": _ewma_nist,
    "cusum-montgomery-9.1": _cusum_montgomery,
    "ewma-montgomery-9.1": _ewma_montgomery,
    "cusum-montgomery-runger-16-8": _cusum_runger,
    "cusum-fir-lucas-crosier-1982": _fast_initial_response,
    "cusum-arl": _run_lengths,
    "shewhart-arl0": _three_sigma,
    "theilsen-sen-1968": _sen,
    "theilsen-outlier-7pt": _outlier,
    "hampel-series": _hampel,
    "qartod-flags": _flags,
    "qartod-spike-average": _spikes,
    "qartod-spike-ends": _spikes,
    "qartod-flatline": _flat,
    "qartod-roc": _rate,
    "wmo-aws-qc": _wmo,
    "wmo-flatline-false-alarms": _cries_wolf,
    "occupancy-profile": _occupancy,
    "gum-h3": _gum_line,
    "gum-h3-systematic": _gum_common,
    "gum-4.4.3-typeA": _type_a,
    "ds18b20-code-85": _power_on,
    "ds18b20-facts": _one_wire,
    "tms-sentinel": _sentinel,
    "intel-first-line": _intel,
    "rfc8632-severity-crossing": _crossing,
    "rfc8632-severities": _two_axes,
    "alarm-kpi": _standing,
    "who-shipping-indicator": _shipping_indicator,
    "who-fridge-alarm": _fridge,
    "cdc-vfc-logger": _logger,
    "systemd-watchdog": _watchdog,
    "nab-windows": _windows,
    "nab-ambient-profile": _ambient,
    "fsm-ambient-high80": _failing_room,
    "fsm-ambient-low62": _failing_room,
    "silence-ambient": _silences,
    "twin-gradient-row1": _first_row,
    "twin-profile": _twin,
}
# Those that need a folder, or a broker.
PLAYED: Final[dict[str, Callable[[Entry, Entry, Path], Got]]] = {
    "en12830-1999": _recorder,
    "cfr-11.10e": _audit,
    "mqtt-keepalive": _keep_alive,
    "mqtt-will": _will,
}


def _sheet() -> dict[str, Entry]:
    if not SHEET.is_file():
        return {}
    return {e["id"]: e for e in json.loads(SHEET.read_text(encoding="utf-8"))}


def _entry(name: str) -> Entry:
    shared("reference", SHEET.name)
    return _sheet()[name]


@pytest.mark.parametrize("name", [*COMPUTED, *PLAYED])
def test_a_check_value_is_met(name: str, tmp_path: Path) -> None:
    entry = _entry(name)
    x, expected = entry["inputs"], entry["expected"]
    found = COMPUTED[name](x, expected) if name in COMPUTED else PLAYED[name](x, expected, tmp_path)
    met: set[str] = set()
    for part, got, value, *own in found:
        met.add(part)
        if _numbers(value):
            within = (own[0] if own else entry["tolerance"]) + 1e-12
            np.testing.assert_allclose(np.asarray(got, float), value, rtol=0.0, atol=within, err_msg=part)
        else:
            assert got == value, part
    left = set(expected) - met - {part for of, part in PARTS_LEFT_OUT if of == name}
    assert not left, f"{name}: {sorted(left)} neither computed here nor listed as left out"


def _numbers(value: Any) -> bool:
    if isinstance(value, (list, np.ndarray)):
        return len(value) > 0 and all(_numbers(v) for v in value)
    return isinstance(value, (int, float, np.number)) and not isinstance(value, bool)


def test_every_entry_is_either_computed_or_left_out_for_a_reason_and_no_reason_is_idle() -> None:
    shared("reference", SHEET.name)
    sheet = _sheet()
    assert len(json.loads(SHEET.read_text(encoding="utf-8"))) == len(sheet) == 82
    ways: list[set[str]] = [set(COMPUTED), set(PLAYED), set(LEFT_OUT), set(NO_FILE)]
    assert sum(map(len, ways)) == len(set().union(*ways)), "an entry stands in two places"
    assert sorted(set(sheet) - set().union(*ways)) == []
    assert sorted(set().union(*ways) - set(sheet)) == []
    assert (len(ways[0]) + len(ways[1]), len(ways[2]) + len(ways[3])) == (45, 37)
    assert all(LEFT_OUT.values())
    assert all(PARTS_LEFT_OUT.values())
    for name, part in PARTS_LEFT_OUT:
        assert part in sheet[name]["expected"], f"{name} has no part {part}"


# --- why some are left out -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NO_FILE)
def test_a_series_that_is_not_here_cannot_be_computed(name: str) -> None:
    entry = _entry(name)
    assert NO_FILE[name] in json.dumps(entry["inputs"])
    found = list(SHEET.parents[1].rglob(NO_FILE[name]))
    assert found == [], f"{name} can be computed now: move it from NO_FILE to COMPUTED"


def test_the_heated_room_is_the_house_n2_so_what_was_computed_from_the_house_o5_does_not_fit_it() -> None:
    # Exactly the figures of N2 (twin-profile, its second column); those of O5 are all others.
    at, low, middle, high = _heated_room()
    gradient = (high - low) / 1.2
    o5_mean, o5_most = (_entry("twin-profile")["expected"][name][0] for name in ("grad_mean", "grad_max"))
    assert abs(gradient.mean() - o5_mean) > 0.1
    assert abs(gradient.max() - o5_most) > 0.1
    row = _entry("twin-gradient-row1")["inputs"]["T"]
    assert np.abs(np.array([low[0], middle[0], high[0]]) - row).max() > 0.2
    held = _entry("twin-30C-phase")["expected"]
    assert abs(low[:352].mean() - held["h67_mean"]) > 0.1
    assert abs(middle[:352].std(ddof=1) - held["h125_sd"]) > 0.03
    # The limits and delays of the checks, on this house: other events, and other numbers of them. The seconds of the
    # sheet count from the beginning of the year, the series was moved by whole years.
    year_ms = _utc("2013-01-01T00:00:00")
    for name, other in (("fsm-twin-gradient", 4), ("fsm-twin-gradient-1.0", 36)):
        x, expected = _entry(name)["inputs"], _entry(name)["expected"]["events"]
        series = [above(t, g, x["high"], x["deadband"]) for t, g in zip(at.tolist(), gradient.tolist(), strict=True)]
        found = _events(series, Rule(x["on_s"], x["off_s"], x["max_gap_s"]))
        assert len(found) == other
        assert [t for _, t in found] != [year_ms + 1000 * t for _, t in expected]
