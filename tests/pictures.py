"""The pictures of README.md: ``python -m tests.pictures`` plays the rehearsal and takes them from its page, as it is at
the end of the five days. They show the invented room and nothing else."""

from __future__ import annotations

import logging
import tempfile
from pathlib import Path
from typing import Final

from playwright.sync_api import sync_playwright

from monitor.cli.rehearse import Silent
from monitor.core.terms.settings import PagePlace
from monitor.service.start import RoomService
from monitor.simulation.rehearsal import Rehearsal, Summary
from tests.peers import PROJECT, free_port, need

FOLDER: Final = PROJECT / "deploy" / "pictures"
# Name of the file: path of the page, width and height of the screen, dark or light.
TAKEN: Final = {
    "room": ("/", 390, 1240, "light"),
    "box": ("/box/lower", 390, 1240, "dark"),
    "room-wide": ("/", 1180, 760, "light"),
}


def take(place: PagePlace, folder: Path) -> None:
    """All of them, by a real browser."""
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(need("chromium", "chromium")),
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"],
        )
        for name, (path, width, height, scheme) in TAKEN.items():
            page = browser.new_page(
                viewport={"width": width, "height": height},
                color_scheme=scheme,  # type: ignore[arg-type]
                device_scale_factor=1.25,
            )
            page.goto(f"{place.here}{path}", wait_until="load")
            page.screenshot(path=folder / f"{name}.png")
            page.close()
        browser.close()


def main() -> None:
    logging.basicConfig(level=logging.ERROR)
    FOLDER.mkdir(exist_ok=True)
    place = PagePlace(("127.0.0.1", free_port()))

    def stays(_app: RoomService, summary: Summary) -> None:
        assert summary.ok
        take(place, FOLDER)

    with tempfile.TemporaryDirectory() as folder:
        Rehearsal(Path(folder), Silent(), page=place, stays=stays).play()


if __name__ == "__main__":
    main()
