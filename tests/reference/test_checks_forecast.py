"""The forecast against Monte Carlo values of the same model (``checks_forecast.json``, not shipped)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import update
from monitor.core.development.survival import Survival

SHARED = Path(__file__).resolve().parents[3] / "shared"
FILE = SHARED / "reference" / "checks_forecast.json"
PROBABILITIES = (0.05, 0.1, 0.5, 0.9, 0.95)
PIP_NUMBER = {"first": 1, "first_b": 1, "fourth": 4, "last": 8}


def checks() -> list[Any]:
    if not SHARED.is_dir():
        return [pytest.param({}, marks=pytest.mark.skip(reason="no folder ../shared beside the project"))]
    if not FILE.is_file():
        return [pytest.param({}, id="missing")]
    return [pytest.param(check, id=check["id"]) for check in json.loads(FILE.read_text())["checks"]]


def evidence(box: str, told: dict[str, Any], sigma_bias: float) -> BoxEvidence:
    pipped = tuple(PipInterval(after, by, count) for after, by, count in told.get("pipped", []))
    none_by = told.get("none_pipped_at", told.get("none_of_the_rest_at", 0.0))
    return BoxEvidence(box, told["eggs"], sigma_bias, pipped, none_by)


@pytest.mark.parametrize("check", checks())
def test_the_quadrature_agrees_with_monte_carlo(check: dict[str, Any]) -> None:
    assert check, f"{FILE} is missing though its folder is there"
    told = check["inputs"]
    assert told["degrees_of_freedom"] == 4
    # Every egg lives there, unless its box fails as a whole.
    lives = Survival(alive=1.0, failed=0.0, box_fails=told.get("prior_failed", 0.02))
    spread = Spread(told["sigma_m"], told["scale_egg"], told["scale_box"], lives)
    boxes = [("a", told["box_a"]), ("b", told["box_b"])] if "box_a" in told else [("b", told)]
    forecast = update([evidence(box, of_box, told["sigma_bias"]) for box, of_box in boxes], spread)
    assert check["expected"]
    tolerance = json.loads(FILE.read_text())["tolerance"]
    for name, value in check["expected"].items():
        if name == "chance_only_late":
            assert forecast.chance_only_late("b") == pytest.approx(value, abs=tolerance["chance"])
        else:
            got = forecast.kth("b", PIP_NUMBER[name], PROBABILITIES)
            np.testing.assert_allclose(got, value, rtol=0.0, atol=tolerance["development"], err_msg=name)


@pytest.mark.skipif(not SHARED.is_dir(), reason="no folder ../shared beside the project")
def test_all_forty_checks_are_there() -> None:
    names = [check["id"] for check in json.loads(FILE.read_text())["checks"]]
    assert len(set(names)) == len(names) == 40
