"""``warmtally species`` from the command line: lists, shows, draws, and says what it cannot do."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy import stats

from monitor.cli.main import main


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["species", *words]) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["species", *words]) != 0
    said = capsys.readouterr()
    assert said.out == ""
    return said.err


def test_all_profiles_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert "elaphe-taeniura" in told(capsys)
    assert len(json.loads(told(capsys, "--json"))) >= 60


def test_a_profile_is_shown_with_its_sources_and_what_decides_the_sex(capsys: pytest.CaptureFixture[str]) -> None:
    text = told(capsys, "Caretta caretta")
    assert "confidence: good" in text
    assert "sex: by temperature from 33 to 67 % of development: above 29 °C more females" in text
    assert "kaska-1998: Kaska Y" in text
    assert "sex: genes decide the sex" in told(capsys, "naja-atra")


def test_scripts_get_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(told(capsys, "sphenodon-guntheri", "--json"))
    assert found["rows"][0] == {
        "temperature_c": 18.3, "days": 263.0, "eggs": None, "sd_days": None, "paper": "mitchell-2006"
    }  # fmt: skip
    assert found["sex"]["turns"] == [{"pivotal_c": 21.6, "warm": "males", "range_c": None}]
    assert found["sex"]["sensitive"] == [0.25, 0.55]
    assert json.loads(told(capsys, "python-regius", "--json"))["sex"] is None


def test_the_straight_line_is_shown_with_the_bounds_of_its_base_temperature(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Mitchell et al. 2006, Frontiers in Zoology 3:9, Table 2: 263, 182, 160 and 152 days. Its line: 11.80 +/- 0.68 C.
    found = json.loads(told(capsys, "sphenodon-guntheri", "--json"))
    fit = stats.linregress([18.3, 20.9, 22.1, 23.1], [1 / 263, 1 / 182, 1 / 160, 1 / 152])
    assert found["base_c"] == pytest.approx(-fit.intercept / fit.slope)
    low, high = found["base_95_c"]
    # Fieller's bounds are where the line's own 95 % band crosses 0: there the rate is just twice t times its error.
    t, x = stats.t.ppf(0.975, 2), np.array([18.3, 20.9, 22.1, 23.1])
    s = np.std(1 / np.array([263, 182, 160, 152]) - fit.intercept - fit.slope * x) * (4 / 2) ** 0.5
    for bound in (low, high):
        error = s * (1 / 4 + (bound - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)) ** 0.5
        assert abs(fit.intercept + fit.slope * bound) == pytest.approx(t * error, rel=1e-6)
    assert low < found["base_c"] < high
    assert f"11.8 ± 0.7 °C (95 %: {low:.1f} to {high:.1f} °C)" in told(capsys, "sphenodon-guntheri")


def test_a_line_whose_base_temperature_has_no_bounds_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    unbounded = [
        p["id"]
        for p in json.loads(told(capsys, "--json"))
        if p["status"] == "table"
        and (found := json.loads(told(capsys, p["id"], "--json")))["base_c"] is not None
        and found["base_95_c"] is None
    ]
    assert unbounded
    assert "has no 95 % interval" in told(capsys, unbounded[0])


def test_a_plot_is_drawn_in_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    text = told(capsys, "elaphe-taeniura", "--plot")
    assert "o published   . curve between   - guess outside the table" in text
    assert text.count("o") > 5
    assert "du-2008: Du WG, Ji X (2008)" in text


def test_a_drawing_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "days.svg"
    assert str(file) in told(capsys, "elaphe-taeniura", "--svg", str(file))
    assert ElementTree.parse(file).getroot().attrib["role"] == "img"


def test_a_drawing_goes_together_with_a_plot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "days.svg"
    assert "published" in told(capsys, "elaphe-taeniura", "--plot", "--svg", str(file))
    assert file.exists()


def test_what_cannot_be_drawn_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "a plot is of one species" in refused(capsys, "--plot")
    assert "rests in the egg" in refused(capsys, "furcifer-pardalis", "--plot")
    assert "cannot be written" in refused(capsys, "elaphe-taeniura", "--svg", str(tmp_path / "no" / "x.svg"))
    assert "there is no species profile" in refused(capsys, "qqqq", "--plot")
