"""What the pages say of eggs: as the commands do."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from html import unescape
from pathlib import Path

from monitor.page.said import days_said
from monitor.page.texts import saying
from tests.page.rooms import ShownRoom


def test_a_box_tells_of_its_eggs_what_the_forecast_tells(shown: ShownRoom, folder: Path) -> None:
    at = "2026-06-01 08:00"
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "forecast", "K01/left-lower", "--at", at],
        env={"WARMTALLY_CONFIG": str(folder / "room.toml"), "PATH": "/usr/bin:/bin"},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    said = next(line.strip() for line in done.stdout.splitlines() if line.startswith("  first pip"))
    said = days_said(said, date(2026, 6, 1), saying("en"))
    assert said in shown.text("/box/left-lower")
    assert said in shown.text("/clutch/K01")
    assert "K01" not in shown.text("/box/right-lower")


def test_a_clutch_has_its_account_with_every_entry(shown: ShownRoom) -> None:
    page = shown.text("/clutch/K01")
    assert "12 laid: 12 in boxes" in page
    assert page.count("set, 6 eggs") == 2
    assert "laid, 12 eggs, natrix-natrix" in page
    assert "no clutch 'zz'" in unescape(shown.client().get("/clutch/zz").text)


def test_all_clutches_lead_to_theirs(shown: ShownRoom) -> None:
    page = shown.text("/clutches")
    assert 'href="/clutch/K01"' in page
    assert "left-upper (6), left-lower (6)" in page
