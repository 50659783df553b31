"""``warmtally rooms history``: what it shows, and what it says when it cannot."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import history as adapter
from monitor.adapters.history import HistoryStep, ShippedReading
from monitor.cli.main import main
from monitor.cli.rooms_history import _step_ms
from monitor.config.overview_file import load_overview
from monitor.core.terms.settings import HistoryAt
from monitor.core.terms.times import DAY_MS
from monitor.errors import UsageError
from tests.cli.test_rooms import FILE

T0 = 1_780_000_000_000
STEPS = [HistoryStep(T0, 60, 28.0, 27.5, 28.5), HistoryStep(T0 + 3_600_000, 30, 30.0, 29.0, 31.5)]


class Known:
    """A database that answers the same each time, and remembers what it was asked."""

    asked: tuple[Any, ...] = ()

    def __init__(self, place: HistoryAt, room: str) -> None:
        Known.asked = (place, room)

    def boxes(self, *span: int) -> dict[str, HistoryStep]:
        Known.asked += span
        return {"lower": STEPS[0], "upper": STEPS[1]}

    def box(self, box: str, *span: int) -> list[HistoryStep]:
        Known.asked += (box, *span)
        return [] if box == "empty" else STEPS

    def readings(self, probe: str, *span: int) -> list[ShippedReading]:
        Known.asked += (probe, *span)
        return [ShippedReading(T0, 28.25, 1), ShippedReading(T0 + 1, 99.0, 4)]


@pytest.fixture(autouse=True)
def known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(adapter, "RoomHistory", Known)
    monkeypatch.delenv("WARMTALLY_ROOMS", raising=False)


def history(*words: str, url: str = "http://192.0.2.6:8086") -> int:
    return main(["rooms", "history", *words, "--url", url])


def test_a_room_is_shown_by_its_boxes_and_a_box_by_steps(capsys: pytest.CaptureFixture[str]) -> None:
    assert history("attic", "--from", "2026-05-28", "--to", "2026-05-29") == 0
    out = capsys.readouterr().out
    assert "from 27.5 °C to 31.5 °C" in out
    assert [line.split()[0] for line in out.splitlines()[-2:]] == ["lower", "upper"]
    assert Known.asked[0] == HistoryAt("http://192.0.2.6:8086")
    assert Known.asked[3] - Known.asked[2] == DAY_MS
    assert history("attic", "upper", "--every", "1h") == 0
    lines = capsys.readouterr().out.splitlines()
    # The lowest of all at the left end, the highest at the right.
    assert lines[-2].split()[-1].startswith("-")
    assert lines[-1].split()[-1].endswith("-")
    assert Known.asked[-1] == 3_600_000
    assert history("attic", "empty") == 0
    assert capsys.readouterr().out == "nothing of attic empty lies there in this span\n"


def test_other_programs_get_json_and_csv(capsys: pytest.CaptureFixture[str]) -> None:
    assert history("attic", "upper", "--json") == 0
    assert json.loads(capsys.readouterr().out)[1] == {
        "at_ms": T0 + 3_600_000,
        "n": 30,
        "mean_c": 30.0,
        "low_c": 29.0,
        "high_c": 31.5,
    }
    assert history("attic", "--probe", "p", "--csv") == 0
    rows = list(csv.reader(io.StringIO(capsys.readouterr().out)))
    assert rows == [
        ["at", "value", "flag"],
        ["2026-05-28T20:26:40.000+00:00", "28.25", "1"],
        ["2026-05-28T20:26:40.001+00:00", "99.0", "4"],
    ]
    assert history("attic", "--json") == 0
    assert [x["box"] for x in json.loads(capsys.readouterr().out)] == ["lower", "upper"]


def test_the_overviews_file_names_the_database(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "rooms.toml"
    file.write_text(FILE.format(port=1))
    assert main(["rooms", "history", "attic", "--file", str(file)]) == 3
    assert "add [history]" in capsys.readouterr().err
    file.write_text(
        FILE.format(port=1) + '[history]\nurl = "http://192.0.2.6:8086"\ndatabase = "egg-{room}"\ntoken_file = "t"\n'
    )
    assert main(["rooms", "history", "attic", "--file", str(file)]) == 22
    capsys.readouterr()
    (tmp_path / "t").write_text("s3cret\n")
    (tmp_path / "t").chmod(0o600)
    assert main(["rooms", "history", "attic", "--file", str(file)]) == 0
    assert Known.asked[0] == HistoryAt("http://192.0.2.6:8086", "egg-{room}", "s3cret")
    assert "s3cret" not in repr(load_overview(file))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["attic", "upper", "--probe", "p"], "a box and a probe"),
        (["attic", "--from", "2026-05-02", "--to", "2026-05-01"], "--from is not before --to"),
        (["attic", "upper", "--every", "0h"], "no step of time"),
        (["attic", "upper", "--every", "soon"], "no step of time"),
        (["attic", "--zone", "Nowhere/At_All"], "no time zone"),
    ],
)
def test_what_does_not_fit_is_said(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert history(*words) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("url", ["file:///etc/passwd", "192.0.2.6", "http://a@b", "http://a/?q=1", "http://a b"])
def test_an_address_that_is_none_is_not_opened(url: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert history("attic", url=url) == 2
    assert "no address of a database" in capsys.readouterr().err


def test_a_step_that_nobody_gave_makes_some_forty_lines() -> None:
    for days in (0.1, 1, 7, 40, 365):
        span = round(days * DAY_MS)
        assert 5 <= span / _step_ms(None, 0, span) <= 60
    with pytest.raises(UsageError):
        _step_ms("1w", 0, DAY_MS)
