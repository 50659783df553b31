"""``warmtally stack`` as a keeper meets it: in words, as a plot, as JSON, and what it does not say."""

from __future__ import annotations

import random
import re
import shutil
import time
import xml.etree.ElementTree as ET
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import pytest

from tests.desk import Desk

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("stack-verb")

TODAY = datetime(2026, 6, 20, 12, tzinfo=UTC)
HEIGHTS = {"top": 170, "upper": 130, "middle": 90, "lower": 50}
CONFIG = (
    """
[room]
name = "Back room"
time_zone = "Europe/Vienna"
display_unit = "{unit}"
[broker]
host = "127.0.0.1"
[[stacks]]
id = "left"
"""
    + "".join(f'[[stacks.boxes]]\nid = "{b}"\nheight_cm = {h}\n' for b, h in HEIGHTS.items())
    + "".join(
        f'[[probes]]\nid = "{b}-warmth"\ntopic = "room/{b}"\nunit = "C"\nbox = "{b}"\naccuracy_c = {{accuracy}}\n'
        for b in HEIGHTS
    )
    + """
[[probes]]
id = "air-warmth"
topic = "room/air"
unit = "C"
stack = "left"
height_cm = 110
[limits]
too_warm_c = 31.0
too_cool_c = 25.0
"""
)


@pytest.fixture(autouse=True)
def _today(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: round(TODAY.timestamp() * 1e9))


def desk(folder: Path, more: dict[str, float], *, unit: str = "C", accuracy: float = 0.1) -> Desk:
    """Twenty days of a stack so much warmer than 28 C, with a clutch in its top and its lower box."""
    (folder / "room.toml").write_text(CONFIG.format(unit=unit, accuracy=accuracy))
    dice, lines = random.Random(1), ["time," + ",".join([*HEIGHTS, "air"])]
    for i in range(20 * 48 + 1):
        at = TODAY - timedelta(days=20) + timedelta(minutes=30 * i)
        said = [round((28.0 + more.get(b, 0.0) + dice.gauss(0.0, 0.05)) * 16) / 16 for b in [*HEIGHTS, "air"]]
        lines.append(f"{at:%Y-%m-%dT%H:%M:%SZ}," + ",".join(f"{x:g}" for x in said))
    (folder / "log.csv").write_text("\n".join(lines) + "\n")
    made = Desk(folder)
    for b in [*HEIGHTS, "air"]:
        made.does(f'import "{folder}/log.csv" --probe {b}-warmth --time-column time --value-column {b} --unit C')
    made.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-31 --eggs 12")
    made.does('record set K01 --box top --eggs 6 --at "2026-05-31 15:00"')
    made.does('record set K01 --box lower --eggs 6 --at "2026-05-31 15:00"')
    return made


UNEVEN = {"top": 0.8, "upper": 0.3, "middle": -0.2, "lower": -0.6}


@pytest.fixture(scope="module")
def uneven(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """An uneven stack, made once: nothing that is asked of it writes anything."""
    with mock.patch.object(time, "time_ns", return_value=round(TODAY.timestamp() * 1e9)):
        return desk(tmp_path_factory.mktemp("uneven"), UNEVEN)


def test_a_stack_is_told_by_height_with_what_would_mend_it(uneven: Desk) -> None:
    told = uneven.does("stack")
    assert "stack left, 2026-06-19 14:00 to 2026-06-20 14:00; 24 hours" in told
    assert re.search(r"170 cm  box top +28\.\d\d °C ± 0\.1\d °C  0\.5\d °C ± 0\.1\d °C warmer: sure, >99 %", told)
    assert "warmer: sure, >99 %" in told
    assert "warmer for each metre up" in told
    assert "x air at 110 cm" not in told
    assert "air at 110 cm" in told
    assert "swap boxes top and lower in" in told
    assert "a fan that stirs the air" in told
    assert "dries eggs" in told
    assert "days apart remain (gains" in told
    assert "o box, with twice its standard uncertainty" in told


def test_the_numbers_for_scripts_are_sane_and_those_of_the_words(uneven: Desk) -> None:
    (found,) = uneven("stack left --json --wanted 28.0").json
    levels = found["profile"]["levels"]
    assert [x["level"] for x in levels] == ["box lower", "box middle", "box upper", "box top"]
    assert [x["mean_c"] for x in levels] == pytest.approx([27.4, 27.8, 28.3, 28.8], abs=0.03)
    gradient = found["profile"]["gradient_c_per_m"]
    assert gradient["low"] < 1.4 / 1.2 < gradient["high"]
    assert found["wanted"]["height_cm"] == pytest.approx(106.0, abs=4.0)
    (pair,) = found["siblings"]
    assert (pair["early"], pair["late"]) == ("K01/top", "K01/lower")
    ways = {x["way"]: x for x in pair["remedies"]}
    assert ways["swap"]["gains_days"] == pytest.approx(pair["apart_days"], abs=0.05)
    assert 0.0 < ways["fan"]["remains_days"] < pair["apart_days"]
    assert ways["fan"]["later_days"][0] > 0.0 > ways["fan"]["later_days"][1]


def test_a_box_that_is_heard_no_more_is_named_beside_the_mean_of_the_hours_before(uneven: Desk) -> None:
    (now,) = uneven("stack left --json").json
    assert now["no_reading"] == []
    assert "no reading" not in uneven.does("stack left")
    with mock.patch.object(time, "time_ns", return_value=round((TODAY + timedelta(hours=3)).timestamp() * 1e9)):
        (then,) = uneven("stack left --json").json
        told = uneven.does("stack left")
    assert sorted(then["no_reading"]) == sorted(HEIGHTS)
    assert told.count(": no reading since 14:00") == len(HEIGHTS)


def test_nothing_is_advised_where_the_probes_could_explain_it_and_comparing_is_named(tmp_path: Path) -> None:
    room = desk(tmp_path, {"top": 0.2, "lower": -0.2}, accuracy=0.5)
    told = room.does("stack --wanted 28.0")
    assert "cannot be told" in told
    assert "no advice for K01 in top and K01 in lower: the probes alone could explain it; compare them" in told
    assert "not told, since the probes alone could explain it" in told
    assert "a fan" not in told


def test_a_probe_that_stands_out_is_named_before_anything_is_advised(tmp_path: Path) -> None:
    room = desk(tmp_path, UNEVEN | {"upper": 2.4}, accuracy=0.5)
    told = room.does("stack")
    assert "box upper stands out: 2." in told
    assert "First look at its probe" in told
    assert "swap boxes" not in told
    assert room("stack --json").json[0]["profile"]["stands_out"]["level"] == "box upper"


def test_the_profile_is_drawn_in_the_keepers_unit(uneven: Desk, tmp_path: Path) -> None:
    shutil.copytree(uneven.folder, tmp_path, dirs_exist_ok=True)
    (tmp_path / "room.toml").write_text(CONFIG.format(unit="F", accuracy=0.1))
    told = Desk(tmp_path).does(f"stack left --svg {tmp_path}/left.svg --wanted 82.4")
    assert "where it is 82.4 °F: at about" in told
    assert "°C" not in told
    drawn = (tmp_path / "left.svg").read_text()
    ET.fromstring(drawn)
    assert "temperature, °F" in drawn
    assert "°C" not in drawn


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("stack right", "no stack 'right'"),
        ("stack --hours 0", "none to look at"),
        ("stack --svg /nowhere/there.svg", "cannot be written"),
        ('stack --at "2026-05-20" --svg x.svg', "no profile to draw"),
    ],
)
def test_what_cannot_be_answered_is_said_with_a_way_out(uneven: Desk, line: str, says: str) -> None:
    answer = uneven(line)
    assert answer.code != 0
    assert says in answer.err


def test_a_stack_without_readings_says_so(uneven: Desk) -> None:
    told = uneven.does('stack --at "2026-05-20"')
    assert "no profile; two levels at least must be measured in the same hours" in told
    (found,) = uneven('stack --at "2026-05-20" --json').json
    assert found["profile"] is None
    assert found["heater"]["untold"]
