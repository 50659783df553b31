"""Every check value of the reference sheet on development by its id, and the published degree-day tables.

An entry is either mapped to what computes it here, or stands in NOT_SHIPPED with the reason; an entry that is in
neither fails. Rate models that are not shipped serve once more below: tabulated in the test, they check the sum over
a fluctuating temperature against published and computed means.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pytest

from monitor.core.climate import humid_air
from monitor.core.climate.outage import two_lag_temperature_c
from monitor.core.development.curves import PublishedRates
from monitor.core.development.line import fit_line
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import ModelOutOfRange
from tests.oracles import lags
from tests.oracles.humid_air import absolute_humidity_g_m3
from tests.oracles.rate_models import (
    Schoolfield,
    StraightLine,
    ikemoto_takai,
    mean_kinetic_temperature_c,
    q10,
    q10_of_activation_energy,
)
from tests.oracles.sums import (
    Shape,
    daily_degree_days,
    degree_days,
    excess,
    integrate_rate,
    mean_rule_degree_days,
    rate_equivalent_temperature_c,
)
from tests.peers import shared

Entry = dict[str, Any]
Got = Iterator[tuple[str, Any, Any]]  # what it is, computed, expected

SHEET: Final = Path(__file__).resolve().parents[3] / "shared" / "reference" / "checks_development.json"

_OFFSETS = "a probe is corrected by an offset with its uncertainty, not by a line"
_FORECAST = "the forecast works on log scale by quadrature; its own check values are in another sheet"
_ARTHROPOD = "built for arthropods or needs data above the optimum, which no keeper should collect"
_VAPOUR = "another formula for vapour pressure; the one shipped is bounded against it in the tests of climate"

# By model, or by id where a model is shipped in part.
NOT_SHIPPED: Final[dict[str, str]] = {
    "dallwitz_higgins": "the printed equation was not seen, and no published reptile parameters to use it with",
    "briere1": _ARTHROPOD,
    "briere2": _ARTHROPOD,
    "briere_topt": _ARTHROPOD,
    "cross_model": _ARTHROPOD,
    "logan6": _ARTHROPOD,
    "lactin2": _ARTHROPOD,
    "beta": _ARTHROPOD,
    "probe_calibration_line": _OFFSETS,
    "precision_weighted_pool": _FORECAST,
    "dersimonian_laird_tau2": _FORECAST,
    "normal_normal_update": _FORECAST,
    "clutch_thermal_constant": _FORECAST,
    "truncated_normal_mean": _FORECAST,
    "remaining_days_uncertainty": _FORECAST,
    "remaining_days_sensitivities": _FORECAST,
    "remaining_days_monte_carlo": _FORECAST,
    "saturation_vapour_pressure_Pa": _VAPOUR,
    "saturation_vapour_pressure_kPa": _VAPOUR,
    "mean_es_kPa": _VAPOUR,
    "relative_humidity_from_dewpoint": _VAPOUR,
    "psy-metpy-es": _VAPOUR,
    "actual_vapour_pressure_kPa": "the mean vapour pressure of a day from its extremes is not needed beside readings",
    "psychrometer_ea_kPa": "no wet-bulb thermometer is read",
    "moist_air_density": "the gradient is measured by probes, not worked out from densities",
    "buoyancy_pressure": "the gradient is measured by probes, not worked out from densities",
}

# Parts of an entry's expected values that other models would give.
PARTS_NOT_SHIPPED: Final[dict[str, str]] = {
    "cte": "half of development above and below a temperature matters for sex, which is not forecast",
    "dev_weighted_mean": "the same",
    **dict.fromkeys(
        ("iapws95_coolprop", "ashrae_psychrolib", "sonntag1990", "tetens_fao56", "buck1981", "buck1996"), _VAPOUR
    ),
    **dict.fromkeys(("bolton1980", "metpy", "dewpoint_psychrolib", "dewpoint_metpy"), _VAPOUR),
    "wetbulb_psychrolib": "no wet-bulb thermometer is read",
    "humratio_psychrolib": "humidity is given as relative, as dew point and as grams in a cubic metre",
    "mean": "the plain mean of the given temperatures, for comparison",
    "intercept": "T0 and K say the same",
    "observed_days_at_15": "an observation; the entry's point is that the line misses it",
}


# --- what computes each model -------------------------------------------------------------------------------------


def _cut(x: Entry) -> Any:
    return {"upper_c": x.get("upper"), "cutoff": x.get("cutoff", "horizontal") if "upper" in x else "none"}


def _daily(shape: Shape) -> Callable[[Entry], Got]:
    def run(entry: Entry) -> Got:
        x = entry["inputs"]
        got = daily_degree_days(shape, x["tmin"], x["tmax"], x.get("tmin_next", x["tmin"]), x["lower"], **_cut(x))
        yield "degree-days", got, entry["expected"]

    return run


def _lower_only(entry: Entry) -> Got:
    x = entry["inputs"]
    yield (
        "degree-days",
        daily_degree_days("single sine", x["tmin"], x["tmax"], x["tmin"], x["lower"]),
        entry["expected"],
    )


def _shapes_and_cutoffs(entry: Entry) -> Got:
    x = entry["inputs"]
    days = [(x["tmin"], x["tmax"], x["tmin_next"])] if "tmin" in x else [(a, b, c) for a, b, c, _ in _uc_ipm_days()]
    for key, expected in entry["expected"].items():
        shape, cutoff = key.replace("_", " ").split("/")
        got = sum(daily_degree_days(shape, a, b, c, x["lower"], x["upper"], cutoff) for a, b, c in days)
        yield key, got, expected


def _mean_rule(entry: Entry) -> Got:
    x = entry["inputs"]
    first, second = mean_rule_degree_days(x["tmin"], x["tmax"], x["tbase"])
    yield "method1", first, entry["expected"]["method1"]
    yield "method2", second, entry["expected"]["method2"]


def _hourly_mean(entry: Entry) -> Got:
    x = entry["inputs"]
    yield "mean", float(excess(x["lower"]).value(x["hourly"]).mean()), entry["expected"]


def _hourly_sum(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    hours = float(excess(x["lower"], **_cut(x)).value(x["hourly"]).sum())
    if isinstance(expected, dict):
        yield "degree_hours", hours, expected["degree_hours"]
        # The unit is a day of 24 h; the printed figure has six decimals.
        yield "degree_days", round(hours / 24.0, 6), expected["degree_days"]
    else:
        yield "degree_hours", hours, expected


def _time_series(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    t = np.round(np.array(x["t_h"]) * HOUR_MS).astype(np.int64)
    days = degree_days(t, x["T"], x["lower"], **_cut(x))
    for key, value in expected.items():
        yield key, days * {"degree_hours": 24.0, "degree_days": 1.0}[key], value


def _biophysical(p: Entry) -> Schoolfield:
    """Sharpe & DeMichele's constants in the later form: TL and TH = H / S, rho25 = 298 exp[(phi - HA / 298) / R]."""
    rho25 = 298.0 * math.exp((p["phi"] - p["dHA"] / 298.0) / 1.987)
    return Schoolfield(rho25, p["dHA"], p["dHH"], p["dHH"] / p["dSH"], 10.0, 35.0, p["dHL"], p["dHL"] / p["dSL"])


def _sharpe_demichele(entry: Entry) -> Got:
    x = entry["inputs"]
    if "T" in x:
        yield "rates", _biophysical(x["params"]).rate_per_day(x["T"]), entry["expected"]
        return
    curve = _biophysical(x["params"])
    yield "T_L_K", curve.low_k, entry["expected"]["T_L_K"]
    yield "T_H_K", curve.high_k, entry["expected"]["T_H_K"]


def _both_forms(entry: Entry) -> Got:
    x = entry["inputs"]
    p = x["schoolfield"]
    later = Schoolfield(p["rho25"], p["HA"], p["HH"], p["TH"], 10.0, 35.0, p["HL"], p["TL"])
    for curve in (later, _biophysical(x["sdm"])):
        yield "rates", curve.rate_per_day(x["T"]), entry["expected"]


def _schoolfield6(entry: Entry) -> Got:
    x = entry["inputs"]
    p = x["params"]
    curve = Schoolfield(p["rho25"], p["HA"], p["HH"], p["TH"], 20.0, 45.0, p["HL"], p["TL"])
    yield "rates", curve.rate_per_day(x["T"]), entry["expected"]


def _linear(entry: Entry) -> Got:
    x = entry["inputs"]
    line = StraightLine(-x["a"] / x["b"], 1.0 / x["b"], min(x["T"]), max(x["T"]))
    yield "rates", line.rate_per_day(x["T"]), entry["expected"]


def _q10(entry: Entry) -> Got:
    x = entry["inputs"]
    yield "Q10", q10(x["T1"], x["days1"], x["T2"], x["days2"]), entry["expected"]


def _q10_arrhenius(entry: Entry) -> Got:
    x = entry["inputs"]
    assert x["T2C"] - x["T1C"] == 10.0
    yield "Q10", q10_of_activation_energy(1000.0 * x["Ea_kJ"], x["T1C"]), entry["expected"]


def _mkt(entry: Entry) -> Got:
    x = entry["inputs"]
    yield "mkt", mean_kinetic_temperature_c(x["T"], activation_j_mol=1000.0 * x["dH_kJ"]), entry["expected"]["mkt"]


def _rate_equivalent(entry: Entry) -> Got:
    x = entry["inputs"]
    minutes = np.arange(1441)
    wave = x["mean"] + x["amplitude"] * np.cos(minutes * 2.0 * math.pi / 1440.0)
    line = StraightLine(x["T0"], 800.0, x["T0"] + 5.0, 40.0)
    yield (
        "rate_equivalent",
        rate_equivalent_temperature_c(minutes * 60_000, wave, line),
        entry["expected"]["rate_equivalent"],
    )


def _briere1(x: Entry) -> Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]:
    def rate(t: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        inside = np.clip(t, x["T0"], x["Tm"])
        result: npt.NDArray[np.float64] = x["a"] * t * (inside - x["T0"]) * np.sqrt(x["Tm"] - inside)
        return result

    return rate


def _tabulated(x: Entry) -> PublishedRates:
    """A test-only rate model as a dense published table, from 0.01 C above its lower end to its optimum and beyond."""
    t = np.arange(x["T0"] + 0.01, x["Tm"] - 0.01, 0.01)
    return PublishedRates(t, 1.0 / _briere1(x)(t))


def _summed_sine(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    curve = _tabulated(x)
    seconds = np.arange(0, 86_401, 60)
    wave = x["mean"] + x["amplitude"] * np.sin(seconds * 2.0 * math.pi / 86_400.0)
    mean = integrate_rate(seconds * 1000, wave, curve)
    yield "mean_rate", mean, expected["mean_rate"]
    yield "rate_at_mean", float(curve.rate_per_day(x["mean"])), expected["rate_at_mean"]
    # The ratio is printed with five decimals.
    yield "ratio", round(mean / float(curve.rate_per_day(x["mean"])), 5), expected["ratio"]


def _summed_square(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    curve = _tabulated(x)
    half = DAY_MS // 2
    got = integrate_rate([0, half, half, DAY_MS], [x["low"], x["low"], x["high"], x["high"]], curve)
    yield "mean_rate", got, expected["mean_rate"]
    yield "rate_at_mean", float(curve.rate_per_day(0.5 * (x["low"] + x["high"]))), expected["rate_at_mean"]


def _campbell(entry: Entry) -> Got:
    x = entry["inputs"]
    fit = fit_line(x["T"], x["days"])
    known = {
        "T0": fit.base_c,
        "K": fit.constant_degree_days,
        "seT0": fit.base_se_c,
        "seK": fit.constant_se_degree_days,
        "corr": fit.correlation,
        "r2": fit.r_squared,
        "slope": fit.slope_per_day_c,
    }
    for key, got in known.items():
        yield key, got, entry["expected"][key]


def _fieller(entry: Entry) -> Got:
    x = entry["inputs"]
    low, high = fit_line(x["T"], x["days"]).fieller_interval_c(x["level"])
    yield "low", low, entry["expected"]["low"]
    yield "high", high, entry["expected"]["high"]


def _ikemoto(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    got = ikemoto_takai(x["T"], x["days"])
    yield "t", got.base_c, expected["t"]
    yield "k", got.constant_degree_days, expected["k"]
    yield "r", got.correlation, expected["r"]
    yield "se_t", got.base_se_c, expected["se_t"]


def _extrapolated(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    fit = fit_line(x["fit_T"], x["fit_days"])
    yield "T0", fit.base_c, expected["T0"]
    yield "K", fit.constant_degree_days, expected["K"]
    days = 1.0 / float(StraightLine.from_fit(fit).rate_per_day(x["predict_at"]))
    yield "predicted_days_at_15", days, expected["predicted_days_at_15"]
    # The entry's point: the line is far too early near its base temperature.
    assert expected["observed_days_at_15"] > 1.5 * days


def _remaining(entry: Entry) -> Got:
    x = entry["inputs"]
    line = StraightLine(x["T0"], x["K"], x["T"], x["T"])
    left = 1.0 - x["accumulated"] / x["K"]
    yield "days", left / float(line.rate_per_day(x["T"])), entry["expected"]


def _accumulated(entry: Entry) -> Got:
    x = entry["inputs"]
    yield "degree-days", degree_days([0, x["days"] * DAY_MS], [x["T"]] * 2, x["T0"]), entry["expected"]


def _temperature_units(entry: Entry) -> Got:
    x = entry["inputs"]
    rows = x.get("pairs") or x["rows"]
    got = [degree_days([0, days * DAY_MS], [float(t)] * 2, x["T0"]) for t, days in rows]
    yield "units", got, entry["expected"]


def _gradient(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    low, high = 1.0 / StraightLine(x["T0"], x["K"], 20.0, 35.0).rate_per_day([x["T_low"], x["T_high"]])
    yield "days_low", low, expected["days_low"]
    yield "days_high", high, expected["days_high"]
    yield "shift", low - high, expected["shift"]


def _lag(entry: Entry) -> Got:
    x, expected = entry["inputs"], entry["expected"]
    if "t_min" in x:
        got = [lags.step_response_c(60.0 * t, x["T_initial"], x["T_final"], 60.0 * x["tau_min"]) for t in x["t_min"]]
        yield "step", got, expected
    elif "ramp_C_per_min" in x:
        yield (
            "steady_lag_C",
            lags.ramp_lag_c(1e9, x["ramp_C_per_min"] / 60.0, 60.0 * x["tau_min"]),
            expected["steady_lag_C"],
        )
    else:
        period, tau = 3600.0 * x["period_h"], 3600.0 * x["tau_h"]
        yield "gain", lags.sine_gain(period, tau), expected["gain"]
        yield "phase_lag_h", lags.sine_delay_s(period, tau) / 3600.0, expected["phase_lag_h"]


def _time_to_limit(entry: Entry) -> Got:
    x = entry["inputs"]
    got = lags.time_to_limit_s(x["T_start"], x["T_ambient"], x["T_limit"], 3600.0 * x["tau_h"])
    yield "hours", None if got is None else got / 3600.0, entry["expected"]


def _room_then_box(entry: Entry) -> Got:
    x = entry["inputs"]
    case = (x["T_start"], x["T_ambient"])
    tau = (3600.0 * x["tau_room_h"], 3600.0 * x["tau_box_h"])
    if "t_h" in x:
        got = [two_lag_temperature_c(3600.0 * t, *case, *tau) for t in x["t_h"]]
        yield "temperatures", got, entry["expected"]
    else:
        hours = lags.two_lag_time_to_limit_s(*case, x["T_limit"], *tau)
        assert hours is not None
        yield "hours", hours / 3600.0, entry["expected"]


def _saturation(entry: Entry) -> Got:
    got = float(humid_air.saturation_vapour_pressure_hpa(entry["inputs"]["T"]))
    yield "magnus_wmo", got, entry["expected"]["magnus_wmo"]


def _vapour_at_dew_point(entry: Entry) -> Got:
    got = float(humid_air.saturation_vapour_pressure_hpa(entry["inputs"]["Tdew"])) / 10.0
    yield "vapour pressure", got, entry["expected"]


def _damp_air(entry: Entry) -> Got:
    t, h, expected = entry["inputs"]["T"], 100.0 * entry["inputs"]["RH"], entry["expected"]
    yield "dewpoint_magnus", float(humid_air.dew_point_c(t, h)), expected["dewpoint_magnus"]
    yield "vpd_kPa_magnus", float(humid_air.vapour_pressure_deficit_kpa(t, t, h)), expected["vpd_kPa_magnus"]
    yield "abs_humidity_g_m3", float(absolute_humidity_g_m3(t, h)), expected["abs_humidity_g_m3"]


# Least squares through the published days of Chrysemys picta, so that the signs are asked where the animals were.
PAINTED_TURTLE: Final = Schoolfield(0.0154, 25_500.0, 50_000.0, 305.3, 22.0, 32.0)
PAINTED_TURTLE_DAYS: Final = {22.0: 98.0, 23.0: 102.0, 27.0: 52.5, 28.5: 56.0, 31.0: 48.0, 32.0: 43.7}


def _jensen_sign(entry: Entry) -> Got:
    """Which way a fluctuation about a mean moves development; the entries have words, no numbers."""
    minutes = np.arange(1441)

    def ratio(curve: Schoolfield, mean: float, swing: float, *, square: bool) -> float:
        sine = np.sin(minutes * 2.0 * math.pi / 1440.0)
        wave = mean + swing * (np.sign(sine) if square else sine)
        return integrate_rate(minutes * 60_000, wave, curve) / float(curve.rate_per_day(mean))

    if entry["id"] == "qual-les2009":
        yield "cool: faster", ratio(PAINTED_TURTLE, 23.0, 3.0, square=False) > 1.0, True
        yield "warm: slower", ratio(PAINTED_TURTLE, 31.0, 3.0, square=False) < 1.0, True
    else:
        insect = _biophysical({"phi": 19.43, "dHA": 10490, "dSL": -156.9, "dHL": -44373, "dSH": 226.6, "dHH": 69113})
        yield "20/10 against 15", ratio(insect, 15.0, 5.0, square=True) > 1.0, True
        yield "30/20 against 25", ratio(insect, 25.0, 5.0, square=True) < 1.0, True


MAPPED: Final[dict[str, Callable[[Entry], Got]]] = {
    "single_triangle": _daily("single triangle"),
    "double_triangle": _daily("double triangle"),
    "single_sine": _daily("single sine"),
    "double_sine": _daily("double sine"),
    "single_sine_lower_only": _lower_only,
    "all_four_shapes_x_three_cutoffs": _shapes_and_cutoffs,
    "mcmaster_wilhelm_methods_1_2": _mean_rule,
    "hourly_mean_above_threshold": _hourly_mean,
    "degree_hours_lower": _hourly_sum,
    "degree_hours_horizontal_upper": _hourly_sum,
    "time_series_linear_interpolation": _time_series,
    "sharpe_demichele": _sharpe_demichele,
    "schoolfield_vs_sdm": _both_forms,
    "schoolfield6": _schoolfield6,
    "linear": _linear,
    "q10": _q10,
    "q10_from_activation_energy": _q10_arrhenius,
    "mean_kinetic_temperature": _mkt,
    "cte_sine_linear_rate": _rate_equivalent,
    "rate_summation_sine": _summed_sine,
    "rate_summation_square_wave": _summed_square,
    "jensen_sign": _jensen_sign,
    "x_intercept_campbell1974": _campbell,
    "fieller_95ci_T0": _fieller,
    "ikemoto_takai_rma": _ikemoto,
    "linear_extrapolation_failure": _extrapolated,
    "remaining_days": _remaining,
    "accumulate": _accumulated,
    "atu": _temperature_units,
    "hatch_shift_from_vertical_gradient": _gradient,
    "first_order_lag": _lag,
    "time_to_limit": _time_to_limit,
    "room_then_box": _room_then_box,
    "saturation_vapour_pressure_hPa": _saturation,
    "ea_from_tdew_kPa": _vapour_at_dew_point,
    "dewpoint_vpd_wetbulb": _damp_air,
}


def _entries() -> list[Entry]:
    if not SHEET.is_file():
        return []
    entries: list[Entry] = json.loads(SHEET.read_text(encoding="utf-8"))
    return entries


def _not_shipped(entry: Entry) -> bool:
    return entry["id"] in NOT_SHIPPED or entry["model"] in NOT_SHIPPED


def _tolerance(entry: Entry, key: str) -> float:
    tolerance = entry["tolerance"]
    if isinstance(tolerance, dict):
        return float(tolerance[key])
    return 0.0 if tolerance is None else float(tolerance)


@pytest.mark.parametrize(
    "entry", [e for e in _entries() if not _not_shipped(e)] or [None], ids=lambda e: e["id"] if e else "no sheet"
)
def test_a_check_value_is_met(entry: Entry | None) -> None:
    if entry is None:
        shared("reference", "checks_development.json")
        pytest.fail("the sheet has no entry that is shipped")
    assert entry["model"] in MAPPED, (
        f"{entry['id']}: {entry['model']} is neither computed here nor listed as not shipped"
    )
    met: set[str] = set()
    for key, got, expected in MAPPED[entry["model"]](entry):
        met.add(key)
        if expected is None or isinstance(expected, bool):
            assert got is expected, key
        else:
            assert got == pytest.approx(expected, rel=0.0, abs=_tolerance(entry, key) + 1e-12), key
    assert met
    left = _parts(entry) - met - set(PARTS_NOT_SHIPPED)
    assert not left, f"{entry['id']}: {sorted(left)} neither computed here nor listed as not shipped"


def _parts(entry: Entry) -> set[str]:
    """The named values of an entry; the two on signs have sentences instead."""
    return set(entry["expected"]) if isinstance(entry["expected"], dict) and entry["tolerance"] is not None else set()


def test_every_entry_is_either_computed_or_listed_with_its_reason_and_no_listing_is_idle() -> None:
    shared("reference", "checks_development.json")
    entries = _entries()
    assert len(entries) == 206
    assert len({e["id"] for e in entries}) == 206
    models, ids = {e["model"] for e in entries}, {e["id"] for e in entries}
    left = sorted(e["id"] for e in entries if e["model"] not in MAPPED and not _not_shipped(e))
    assert left == []
    assert sorted(set(NOT_SHIPPED) - models - ids) == []
    assert sorted(set(MAPPED) - models) == []
    assert sorted(set(MAPPED) & set(NOT_SHIPPED)) == []
    listed = [e for e in entries if _not_shipped(e)]
    assert (len(entries) - len(listed), len(listed)) == (165, 41)
    parts = {key for e in entries if not _not_shipped(e) for key in _parts(e)}
    assert sorted(set(PARTS_NOT_SHIPPED) - parts) == []


def test_the_curve_the_signs_are_asked_of_lies_near_the_animals_it_is_named_for() -> None:
    # Chrysemys picta: Gutzke et al. 1987 (22, 27, 32 C), Les et al. 2007 (28.5 C), Les et al. 2009 (23, 31 C).
    days = 1.0 / PAINTED_TURTLE.rate_per_day(list(PAINTED_TURTLE_DAYS))
    assert days == pytest.approx(list(PAINTED_TURTLE_DAYS.values()), rel=0.13)


# --- the published tables -----------------------------------------------------------------------------------------


def _rows(name: str) -> list[dict[str, str]]:
    with shared("data", name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _uc_ipm_days() -> list[tuple[float, float, float, dict[str, str]]]:
    """Lowest, highest, next day's lowest (the last day: its own), and the printed columns."""
    rows = _rows("degree_days_ucipm_low50_high70.csv")
    lowest = [float(row["tmin"]) for row in rows]
    following = [*lowest[1:], lowest[-1]]
    return [(low, float(row["tmax"]), after, row) for low, after, row in zip(lowest, following, rows, strict=True)]


COLUMN_SHAPES: Final[dict[str, Shape]] = {
    "sngsine": "single sine",
    "dblsine": "double sine",
    "sngtri": "single triangle",
    "dbltri": "double triangle",
}


@pytest.mark.parametrize("prefix", list(COLUMN_SHAPES))
@pytest.mark.parametrize(
    ("suffix", "cutoff"), [("horiz", "horizontal"), ("vert", "vertical"), ("intrmd", "intermediate")]
)
def test_a_year_of_published_degree_days_is_met_to_the_printed_digit(prefix: str, suffix: str, cutoff: Any) -> None:
    # University of California IPM output, Esparto 2020, thresholds 50 and 70 F (degree-day-challenge, MIT licence).
    days = _uc_ipm_days()
    assert len(days) == 366
    off = [
        daily_degree_days(COLUMN_SHAPES[prefix], low, high, after, 50.0, 70.0, cutoff)
        - float(row[f"{prefix}_{suffix}"])
        for low, high, after, row in days
    ]
    # Two decimals are printed, so half a unit is 0.005. One column is looser on 4 of its 366 days, by up to 0.0090:
    # its half-days were evidently rounded before they were averaged.
    assert max(abs(x) for x in off) < (0.0091 if (prefix, suffix) == ("dblsine", "intrmd") else 0.00503)
    assert sum(abs(x) > 0.00503 for x in off) <= 4
    assert abs(sum(off)) < 0.12


def test_the_floor_at_0_for_eggs_departs_from_the_published_cut_off_on_days_above_90_f_only() -> None:
    # 90 F is twice the upper threshold minus the base, where the published intermediate cut-off goes below 0.
    for low, high, after, row in _uc_ipm_days():
        floored = degree_days([0, DAY_MS // 2, DAY_MS], [low, high, after], 50.0, 70.0, "intermediate")
        more = floored - float(row["dbltri_intrmd"])
        assert more > 0.01 if high > 90.0 else abs(more) < 0.00503, row["date"]


@pytest.mark.parametrize("cutoff", ["horizontal", "vertical"])
def test_a_series_of_three_readings_is_the_published_double_triangle(cutoff: Any) -> None:
    column = {"horizontal": "dbltri_horiz", "vertical": "dbltri_vert"}[cutoff]
    t = np.array([0, DAY_MS // 2, DAY_MS])
    off = [
        degree_days(t, [low, high, after], 50.0, 70.0, cutoff) - float(row[column])
        for low, high, after, row in _uc_ipm_days()
    ]
    assert max(abs(x) for x in off) < 0.01


ZALOM_COLUMNS: Final[dict[str, Shape]] = {
    "sng_tri": "single triangle",
    "dbl_tri": "double triangle",
    "sng_sine": "single sine",
    "dbl_sine": "double sine",
}


def test_the_table_of_zalom_and_others_is_met_but_for_one_misprint() -> None:
    # Zalom, Goodell, Wilson, Barnett & Bentley 1983, UC DANR Leaflet 21373, Table 7: thresholds 55 and 90 F.
    off: dict[tuple[str, str, str], float] = {}
    for row in _rows("degree_days_zalom1983_table7.csv"):
        low, high, after = float(row["temp_min"]), float(row["temp_max"]), float(row["temp_nextmin"])
        for column, shape in ZALOM_COLUMNS.items():
            got = daily_degree_days(shape, low, high, after, 55.0, 90.0, "horizontal")
            off[(row["temp_min"], row["temp_max"], column)] = got - float(row[column])
    assert len(off) == 48
    misprint = off.pop(("60.0", "100.0", "dbl_tri"))
    assert misprint == pytest.approx(27.125 - 24.88, abs=1e-9)
    assert max(abs(x) for x in off.values()) < 0.0051


def test_the_printed_misprint_cannot_be_right() -> None:
    # Both halves of that day are single triangles of the same table's rule, and the second is warmer than the first.
    first = daily_degree_days("single triangle", 60.0, 100.0, 60.0, 55.0, 90.0, "horizontal")
    second = daily_degree_days("single triangle", 75.0, 100.0, 75.0, 55.0, 90.0, "horizontal")
    assert first == pytest.approx(23.75)  # as printed beside it
    assert 0.5 * (first + second) == pytest.approx(27.125)
    assert second == pytest.approx(30.5)


def test_the_table_of_mcmaster_and_wilhelm_is_met() -> None:
    # McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300, Table 1, base 0 C.
    rows = _rows("degree_days_mcmaster_wilhelm1997_table1.csv")
    assert len(rows) == 10
    for row in rows:
        got = mean_rule_degree_days(float(row["tmin"]), float(row["tmax"]), 0.0)
        assert got == (float(row["gdd_method1"]), float(row["gdd_method2"]))


# --- is the claimed error of a curve the true one? ----------------------------------------------------------------


def test_nine_of_ten_left_out_temperatures_lie_within_the_error_the_curve_claims() -> None:
    # Reptile Development Database (Noble et al. 2018, Scientific Data 5:180138): every study with four temperatures or
    # more, each temperature left out in turn and predicted from the others.
    studies: dict[tuple[str, ...], list[tuple[float, float, float]]] = {}
    for row in _rows("species_constant_temperature_points.csv"):
        key = (row["species"], row["study"], row["year"], row["population"])
        eggs = float(row["n_eggs"] or 1.0) or 1.0
        studies.setdefault(key, []).append((float(row["temperature_c"]), float(row["mean_incubation_days"]), eggs))
    z: dict[str, list[float]] = {"inside": [], "below": [], "above": []}
    for rows in studies.values():
        table = np.array(rows)
        temperatures = np.unique(table[:, 0])
        if temperatures.size < 4:
            continue
        for left_out in temperatures:
            here = table[:, 0] == left_out
            try:
                curve = PublishedRates(*table[~here].T)
            except ModelOutOfRange:
                continue
            rate = float(curve.rate_per_day(left_out))
            if curve.line.problem() or rate <= 0.0:
                continue
            observed = np.average(table[here, 1], weights=table[here, 2])
            where = "below" if left_out < curve.low_c else "above" if left_out > curve.high_c else "inside"
            z[where].append(math.log(1.0 / rate / observed) / float(curve.rate_sd_relative(left_out)))
    assert {where: len(values) for where, values in z.items()} == {"inside": 158, "below": 38, "above": 40}
    for where, values in z.items():
        outside = float(np.mean(np.abs(values) > 1.645))
        assert 0.02 < outside < 0.17, (where, outside)
        typical = 1.4826 * float(np.median(np.abs(values)))
        assert 0.5 < typical < 1.2, (where, typical)
