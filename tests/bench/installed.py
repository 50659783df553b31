"""An installed Warmtally for tests: on a computer inside this one, from checkouts that differ, with a probe that
reports."""

from __future__ import annotations

import re
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.bench.process import Beat, Publisher, message, now_ms
from tests.machine import Machine
from tests.peers import PROJECT, wait_for

ROOM = "/etc/warmtally/room.toml"
HOME, DATA = "/opt/warmtally", "/var/lib/warmtally"
PROBE = "upper-t"


def first_checkout(checkouts: Path) -> Path:
    """A copy of what deploy/install needs, as it is now."""
    first = checkouts / "first"
    ignore = shutil.ignore_patterns("__pycache__", "data")
    for name in ("monitor", "config", "deploy"):
        shutil.copytree(PROJECT / name, first / name, ignore=ignore)
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy(PROJECT / name, first)
    return first


@dataclass
class Installed:
    """A computer on which Warmtally is installed from one of several checkouts, a broker, and what was published."""

    computer: Machine
    checkouts: Path
    port: int
    login: tuple[str, str] | None = None
    sent: int = 0

    def checkout(self, name: str, **changes: tuple[str, str]) -> str:
        """Another version: files of the package with a piece replaced ("" : the file is new)."""
        place = self.checkouts / name
        shutil.copytree(self.checkouts / "first", place)
        for file, (old, new) in changes.items():
            path = place / "monitor" / file
            text = path.read_text("utf-8") if old else ""
            assert old in text, file
            path.write_text(text.replace(old, new, 1) if old else new, "utf-8")
        return f"/checkouts/{name}/deploy/install"

    def ready_made(self, install: str, name: str) -> str:
        """The same with its environment made already, from the installed one: what making it takes is shown once."""
        (place,) = re.findall(
            r"^install: version (\S+): will be made", self.computer.says(f"{install} --dry-run"), re.M
        )
        site = f"{place}/lib/python3.{sys.version_info.minor}/site-packages"
        self.computer.says(
            f"cp -al $(readlink {HOME}/current) {place} && cp -r --remove-destination /checkouts/{name}/monitor {site}/"
            f" && sed -i '1s|.*|#!{place}/bin/python|' {place}/bin/warmtally && touch {place}/made-from"
        )
        return str(place)

    def pid(self) -> int:
        return int(self.computer.says("systemctl show --property MainPID --value warmtally"))

    def running(self) -> str:
        assert self.computer.says("systemctl is-active warmtally") == "active\n"
        return self.computer.says(f"readlink {HOME}/current").strip()

    def values(self) -> list[float]:
        """Every stored reading, as often as it is stored."""
        rows = self.computer.says(f"warmtally export --probe {PROBE}").splitlines()[1:]
        return sorted(float(row.split(",")[2]) for row in rows)

    def published(self) -> list[float]:
        return [20.0 + n / 1000 for n in range(self.sent)]

    def while_probes_report(self, command: str, code: int) -> str:
        """What a command says while readings pour in, all of which must be in the store in the end, once each."""
        with Publisher(self.port, login=self.login) as gateway:

            def publish(_: int) -> None:
                gateway.publish(f"eggs/{PROBE}", message(now_ms(), 20.0 + self.sent / 1000))
                self.sent += 1

            beat = Beat(publish, 0.05)
            try:
                said = self.computer.says(command, code=code)
            finally:
                beat.stop()
            gateway.wait_acknowledged()
        wait_for(lambda: len(self.values()) >= self.sent, "all readings to be stored")
        assert self.values() == pytest.approx(self.published())
        return said
