"""Installing from nothing, and updates that fail: on a fresh Debian under a real systemd, and what is lost.

debootstrap makes a small Debian from the archive that apt of this computer uses, with Python and nothing else that is
needed. There deploy/install brings the broker and the program with all its libraries, an update takes its place, and
one version after the other fails in its own way while a probe reports. Each time the version before must run again, and
no reading may be lost or doubled. Needs root, debootstrap, the archive and the package index.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.bench import Figures
from tests.bench.installed import DATA, HOME, PROBE, ROOM, Installed, first_checkout
from tests.bench.process import room, timed, toml
from tests.machine import machine
from tests.peers import free_port

Found = dict[str, float | int | str | bool | None]
Changes = Mapping[str, tuple[str, str]]

BEGINS = "        began = time.monotonic()\n"
DIES = "raise RuntimeError('this version is no good')"
MOVES: Changes = {"adapters/store/schema/0900_later.sql": ("", "CREATE TABLE of_later (a INTEGER);\n")}


@dataclass(frozen=True)
class Failure:
    """A version that fails. ``early``: it is refused while the old one goes on; ``says``: what is told of it."""

    name: str
    changes: Changes
    says: str
    early: bool = False


FAILURES = (
    Failure(
        "cannot read the store",
        {"adapters/store/schema/0900_broken.sql": ("", "CREATE TABLE probe (a INTEGER);\n")},
        "cannot use the store",
        early=True,
    ),
    Failure(
        "cannot show the boxes", {"cli/show.py": ("def run_boxes(", f"{DIES}\n\n\ndef run_boxes(")}, "", early=True
    ),
    Failure("dies at its start", {"service/start.py": ("    stop = threading.Event()\n", f"    {DIES}\n")}, "no good"),
    Failure("dies in its first round", {"service/round.py": (BEGINS, f"        {DIES}\n")}, "no good"),
    Failure("hangs in its first round", {"service/round.py": (BEGINS, "        time.sleep(900)\n")}, "timed out"),
    Failure(
        "dies after its first round",
        {
            "service/start.py": (
                "            parts.ways_back.tend()\n",
                f"            time.sleep(1)\n            {DIES}\n",
            )
        },
        "no good",
    ),
    Failure(
        "writes no round down",
        {"service/round.py": ("        parts.derived.judged |=", "        raise StoreError('no good')\n        #")},
        "could not be finished: no good",
    ),
    Failure(
        "moves the store and dies",
        {**MOVES, "service/parts.py": ("    store.readings.damaged = {}\n", f"    {DIES}\n")},
        "the copy from before is back",
    ),
    Failure(
        "moves the store, takes readings and dies",
        {**MOVES, "service/round.py": (BEGINS, f"        time.sleep(2)\n        {DIES}\n")},
        "its readings are in the old store now",
    ),
)


def debian(folder: Path) -> None:
    """A Debian of the smallest kind with systemd and Python in ``folder``, of the release and archive that apt uses."""
    program = shutil.which("debootstrap", path=f"{os.environ['PATH']}:/usr/sbin")
    if program is None:
        pytest.skip("debootstrap is not installed (apt-get install debootstrap)")
    asked = ["apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME)", "Created-By: Packages"]
    archive, release = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split()[:2]
    command = [
        program,
        "--variant=minbase",
        "--include=systemd,systemd-sysv,python3,sudo",
        release,
        str(folder),
        archive,
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:]


def as_here() -> tuple[dict[str, str], dict[str, str]]:
    """How pip and apt reach the network here: files (from, to), and variables."""
    known = ("PIP_", "HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy", "NO_PROXY", "no_proxy")
    environ = {key: value for key, value in os.environ.items() if key.startswith(known)}
    # Not in the place of the system's own, which packages write anew.
    trusted = environ.get("PIP_CERT", "/etc/ssl/certs/ca-certificates.crt")
    files = {"/etc/resolv.conf": "/etc/resolv.conf", "/etc/pip.conf": "/etc/pip.conf", trusted: "/trusted.crt"}
    environ["PIP_CERT"] = "/trusted.crt"
    return {file: seen for file, seen in files.items() if Path(file).is_file()}, environ


def measure() -> Figures:
    """Install, update, and fail; a Debian of its own each time."""
    figures: Found = {}
    short: list[str] = []
    with tempfile.TemporaryDirectory() as folder_name:
        folder = Path(folder_name)
        began = time.monotonic()
        debian(folder / "debian")
        figures["a Debian from nothing_s"] = round(time.monotonic() - began, 1)
        first_checkout(folder / "checkouts")
        files, environ = as_here()
        binds = {str(folder / "checkouts"): "/checkouts", **files}
        with machine(folder / "computer", lower=str(folder / "debian"), binds=binds, environ=environ) as computer:
            house = Installed(computer, folder / "checkouts", free_port())
            _install(house, figures, short)
            _update(house, figures, short)
            for failure in FAILURES:
                _fail(house, failure, figures, short)
            _interrupt(house, figures, short)
            _remove(house, short)
    return Figures(figures, short)


def _install(house: Installed, figures: Found, short: list[str]) -> None:
    says, install = house.computer.says, "/checkouts/first/deploy/install"
    says("useradd --create-home --shell /bin/bash anna")
    began = time.monotonic()
    says(f"{install} --broker -- --make-passwords --topic eggs --port {house.port}", environ={"SUDO_USER": "anna"})
    figures["install with broker_s"] = round(time.monotonic() - began, 1)
    house.login = ("probes", says("cat /etc/warmtally/probes.password").strip())
    broker = {"username": "warmtally", "password_file": "/etc/warmtally/broker.password"}
    if broker["password_file"] not in says(f"cat {ROOM}"):
        short.append("the example does not name the broker that was set up")
    tables = room(["upper"], [timed(PROBE, "upper")], port=house.port, broker=broker)
    text = toml({name: table for name, table in tables.items() if name != "pace"})
    says(f"cat >{ROOM} <<'END'\n{text}END", user="anna")
    began = time.monotonic()
    says(f"{install} --watch 0")
    figures["start_s"] = round(time.monotonic() - began, 1)
    figures["installed_mb"] = int(says(f"du -sm {HOME}").split()[0])
    pid = house.pid()
    again = says(install)
    if "nothing to do" not in again or house.pid() != pid:
        short.append("installed a second time, something was changed")
    if says("systemd-analyze verify --man=no warmtally.service 2>&1 | grep warmtally || true"):
        short.append("systemd finds a fault in the unit")
    exposure = says("systemd-analyze security --offline=true warmtally.service").splitlines()[-1]
    figures["exposure (0 to 10)"] = float(exposure.split(":")[1].split()[0])
    # What hangs at its start is given up after two minutes; here sooner.
    part = "/etc/systemd/system/warmtally.service.d"
    sooner = "[Service]\\nTimeoutStartSec=10\\nTimeoutStopSec=5\\n"
    says(f"mkdir -p {part} && printf '{sooner}' >{part}/test.conf && systemctl daemon-reload")


def _update(house: Installed, figures: Found, short: list[str]) -> None:
    install = house.checkout("second", **{"__init__.py": ('"0.', '"1.0.')})
    before = house.running()
    began = time.monotonic()
    house.while_probes_report(f"{install} --watch 3", 0)
    figures["update, its 3 s of watching included_s"] = round(time.monotonic() - began, 1)
    asked = "systemctl show --property {} --value warmtally"
    stopped, started = (
        int(house.computer.says(asked.format(f"{name}TimestampMonotonic"))) for name in ("InactiveEnter", "ActiveEnter")
    )
    figures["update, nobody watching_s"] = round((started - stopped) / 1e6, 1)
    if house.running() == before:
        short.append("the update did not take the old version's place")


def _fail(house: Installed, failure: Failure, figures: Found, short: list[str]) -> None:
    before, pid, name = house.running(), house.pid(), failure.name.replace(" ", "-").replace(",", "")
    install = house.checkout(name, **failure.changes)
    place = house.ready_made(install, name)
    began = time.monotonic()
    said = house.while_probes_report(f"{install} --watch 3", 1)
    figures[f"{failure.name}, until the old one runs as before_s"] = round(time.monotonic() - began, 1)
    if failure.says not in said:
        short.append(f"{failure.name}: nothing is said of {failure.says!r}: {said[-600:]}")
    if house.running() != before or (house.pid() == pid) != failure.early:
        short.append(f"{failure.name}: the version before does not run as it should: {said[-600:]}")
    house.computer.says(f"rm -rf {place}")


def _interrupt(house: Installed, figures: Found, short: list[str]) -> None:
    """Ended while the old version is stopped or the new one watched: by a signal it goes back; where it is killed the
    service is started all the same, and it goes on when run again."""
    for signal, code in (("TERM", 1), ("KILL", 137)):
        before, name = house.running(), f"ended by {signal}"
        install = house.checkout(signal, **{"__init__.py": ('"0.', f'"{code}.')})
        house.ready_made(install, signal)
        ends = f"{install} --watch 60 & until [ -e /run/warmtally.updating ]; do sleep 0.1; done; sleep 1"
        began = time.monotonic()
        said = house.while_probes_report(f"set -m; {ends}; kill -{signal} -- -$!; wait $!", code)
        figures[f"{name}, until the service runs_s"] = round(time.monotonic() - began, 1)
        if signal == "TERM" and house.running() != before:
            short.append(f"{name}: the version before does not run: {said[-600:]}")
        house.computer.says(f"{install} --watch 0")
        if house.running() == before:
            short.append(f"{name}: run again, it does not go on")


def _remove(house: Installed, short: list[str]) -> None:
    says = house.computer.says
    says("/checkouts/first/deploy/remove --yes --user")
    left = says(f"ls -d {HOME} /usr/local/bin/warmtally /etc/systemd/system/warmtally.service 2>/dev/null || true")
    if left:
        short.append(f"removed, there is still {left}")
    if says(f"ls {DATA}/warmtally.db {ROOM} | wc -l").strip() != "2":
        short.append("removed, the store or the room's file is gone")
