"""What a command prints on a narrow screen: no word cut, no figure broken, and nothing left out."""

from __future__ import annotations

import re
import time
from datetime import UTC, datetime, timedelta

import pytest

from monitor.cli.output import columns, say
from tests.desk import Desk, room_text

LAID = datetime(2026, 5, 1, 7, tzinfo=UTC)
AT = '--at "2026-07-02 08:00"'
VERBS = (
    f"forecast {AT}",
    'forecast --set-points --at "2026-06-10 08:00"',
    f"forecast --assume 24 {AT}",
    "learn",
    "species elaphe-taeniura",
    "species elaphe-taeniura --plot",
    f"stack left {AT}",
)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """Two clutches on the same shelf, one of which has begun to pip."""
    made = Desk(tmp_path_factory.mktemp("narrow"))
    made.write(room_text(zone="Europe/Vienna"))
    for box, celsius in (("upper", 27.6), ("lower", 27.0)):
        lines = ["time,c"] + [f"{LAID + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ},{celsius}" for h in range(24 * 63)]
        (made.folder / f"{box}.csv").write_text("\n".join(lines) + "\n")
        made.does(f'import "{made.folder}/{box}.csv" --probe {box}-warmth --time-column time --value-column c --unit C')
    made.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    made.does("clutch add K02 --species elaphe-taeniura --laid 2026-05-01 --eggs 4")
    for line in ("K01 --box upper --eggs 6", "K01 --box lower --eggs 6", "K02 --box lower --eggs 4"):
        made.does(f'record set {line} --at "2026-05-01 09:00"')
    made.does('record pipped K01 --box upper --eggs 1 --at "2026-07-01 08:00" --not-yet-at "2026-06-30 08:00"')
    return made


@pytest.fixture(autouse=True)
def _summer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: round(datetime(2026, 7, 3, tzinfo=UTC).timestamp() * 1e9))


def words(text: str) -> list[str]:
    """Those of the sentences; figures are drawn as wide as there is room."""
    return re.sub(r"[-=.|^o#\[\]+]", " ", text).split()


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("wide", [40, 60, 80])
def test_no_line_is_longer_than_the_screen_and_nothing_is_left_out(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, verb: str, wide: int
) -> None:
    whole = desk(verb).out
    monkeypatch.setenv("COLUMNS", str(wide))
    told = desk(verb).out
    for line in told.splitlines():
        drawn = re.search(r"\S  +\S", line)
        assert len(line) <= wide or (drawn and "=" not in line), line
    # A table is folded or becomes blocks: see the tests of tables.
    if verb != "learn" and "stack" not in verb and "--plot" not in verb:
        assert words(told) == words(whole)


def test_a_figure_is_there_at_any_width(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    for wide in (1, 40, 41, 57, 80, 103, 104, 500):
        monkeypatch.setenv("COLUMNS", str(wide))
        told = desk(f"forecast K02 {AT}").out
        (strip,) = (line for line in told.splitlines() if "=" in line and "20" in line and "|" in line)
        drawn = strip.split()[1]
        assert len(drawn) == min(56, max(wide, 40) - 24)
        assert drawn.count("^") == 1
        assert drawn.find("|") > drawn.find("=") >= 0
        (bar,) = re.findall(r"development \[([#.]+)\]", told)
        assert len(bar) == min(40, max(wide, 40) - 25)


def test_where_nobody_looks_at_a_screen_lines_are_as_long_as_they_are(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert columns(72) == 72
    long = "a sentence " * 40
    say(long)
    assert capsys.readouterr().out == long + "\n"
    monkeypatch.setenv("COLUMNS", "50")
    say(f"    {long}\n  a  table {'x' * 90}")
    *folded, last = capsys.readouterr().out.splitlines()
    assert folded[0].startswith("    a sentence")
    assert all(line.startswith("      ") and len(line) <= 50 for line in folded[1:])
    assert last.endswith("x" * 90)


@pytest.mark.parametrize("days", [30, 61, 69, 80, 200, 2000, 20_000])
def test_what_nobody_finished_says_so_instead_of_going_on_for_years(desk: Desk, days: int) -> None:
    """Readings end after 63 days, and what follows is filled for a week."""
    at = f'--at "{LAID + timedelta(days=days):%Y-%m-%d %H:%M}"'
    told, boxes = desk(f"forecast {at}").out, " ".join(desk(f"boxes {at}").out.split())
    shares = [float(x) for x in re.findall(r"([\d.]+) %", told + boxes)]
    assert all(0.0 <= share <= 115.0 for share in shares)
    assert desk(f"forecast {at} --json").json[0]["development"] == pytest.approx(min(days, 70) / 64.0, rel=0.1)
    silent = days > 70
    says = "still open: no readings since Fri 2026-07-03; finish it or say what happened"
    assert (says in told) == silent
    assert ("still open" in boxes) == silent
    forecast = desk(f"forecast {at} --json").json[1]
    assert (forecast["still_open"] == says, forecast["first_pip"] is None) == (silent, silent)
