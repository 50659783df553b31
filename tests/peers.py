"""Real peers for tests: skipped with a reason on a laptop that lacks them, fatal in CI (``CI=true``)."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]
SHARED = PROJECT.parent / "shared"


def need(program: str, package: str) -> str:
    """Path of a program, or skip (laptop) or fail (CI) with the command that brings it."""
    found = shutil.which(program) or next(
        (str(p) for d in ("/usr/sbin", "/usr/local/sbin") if (p := Path(d) / program).exists()), None
    )
    if found is None:
        text = f"{program} is not installed (apt-get install {package})"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    return found


def shared(*parts: str) -> Path:
    """A file of the reference material beside the project: skip without the folder, fail without the file."""
    if not SHARED.is_dir():
        pytest.skip(f"no reference material at ../{SHARED.name} beside the project")
    path = SHARED.joinpath(*parts)
    if not path.is_file():
        pytest.fail(f"../shared is there, but not {'/'.join(parts)}")
    return path


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


MOMENT_S = 60.0
"""Longer than anything takes that happens at once, however busy the machine is. Whoever tests that something does not
wait makes the wait longer than this."""


def wait_for(check: Callable[[], bool], what: str = "the expected state", seconds: float = MOMENT_S) -> None:
    """Poll until true; fail with a sentence after the deadline."""
    began = time.monotonic()
    while (at := time.monotonic()) < began + seconds:
        if check():
            return
        # What is asked for takes time away from what is waited for.
        time.sleep(max(0.005, 2.0 * (time.monotonic() - at)))
    pytest.fail(f"waited {seconds} s for {what}")


def answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=0.5):
        return True
    return False


@dataclass
class Mosquitto:
    """A real broker in a folder of its own; may be killed, stopped and started again."""

    folder: Path
    port: int = field(default_factory=free_port)
    login: tuple[str, str] | None = None
    extra: str = ""
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = need("mosquitto", "mosquitto")
        self.folder.mkdir(parents=True, exist_ok=True)
        lines = [
            f"listener {self.port} 127.0.0.1",
            "persistence true",
            f"persistence_location {self.folder}/",
            "autosave_interval 1",
            "autosave_on_changes true",
            "max_queued_messages 0",
            "user root" if os.geteuid() == 0 else "",
            self.extra,
        ]
        if self.login is None:
            lines.append("allow_anonymous true")
        else:
            passwords = self.folder / "passwords"
            subprocess.run([need("mosquitto_passwd", "mosquitto"), "-b", "-c", passwords, *self.login], check=True)
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join(lines) + "\n")
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([program, "-c", str(config)], stdout=log, stderr=log)
        wait_for(lambda: answers(self.port), f"mosquitto on port {self.port}")

    def stop(self, *, kill: bool = False) -> None:
        if self.process is not None:
            (self.process.kill if kill else self.process.terminate)()
            self.process.wait(MOMENT_S)
            self.process = None


@contextlib.contextmanager
def mosquitto(folder: Path, **settings: object) -> Iterator[Mosquitto]:
    broker = Mosquitto(folder, **settings)  # type: ignore[arg-type]
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
