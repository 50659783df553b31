"""The service as a service manager keeps it: started again when it ends, ended when it gives no sign of life.

What systemd does with the unit (``Restart=always``, ``WatchdogSec``), with shorter waits, for a measurement that ends
the service again and again.
"""

from __future__ import annotations

import contextlib
import resource
import signal
import socket
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.bench.process import Service, until
from tests.peers import MOMENT_S

FINAL: Final = (2, 3, 13, 22)
"""Exit codes after which the unit starts nothing again (``RestartPreventExitStatus``)."""
AGAIN_S: Final = 0.1
SILENT_S: Final = 30.0
"""The unit gives two minutes; a round is made every fifth of a second here."""


@dataclass
class KeptAlive:
    """Starts the service and keeps it going in a thread of its own, until :meth:`end`.

    ``ready``: how often it came to be ready; ``signed_s``: its last sign of life (monotonic); ``silent``: how
    often it gave none for too long; ``codes``: how it ended, of what it did by itself.
    """

    run: Service
    ready: int = 0
    started: int = 0
    signed_s: float = 0.0
    silent: int = 0
    codes: Counter[int] = field(default_factory=Counter)
    final: int | None = None
    held: bool = False

    def __post_init__(self) -> None:
        self._lock = threading.RLock()
        self._ours = False
        self._once: dict[str, str] = {}
        self._ending = threading.Event()
        place = self.run.folder / "notify"
        place.unlink(missing_ok=True)
        self._notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._notify.bind(str(place))
        self._notify.settimeout(0.05)
        self._environ = {"NOTIFY_SOCKET": str(place), "WATCHDOG_USEC": str(round(SILENT_S * 1e6))}
        self._thread = threading.Thread(target=self._keep, daemon=True)
        self._thread.start()

    # -- what a measurement does ----------------------------------------------------------------------------------

    def kill(self, **environ: str) -> None:
        """End it at once; what is started next gets this in its environment, once."""
        with self._lock:
            self._once = environ
            self._signal(signal.SIGKILL)
        self._gone()

    def ask(self) -> None:
        """SIGTERM, as at an update; started again afterwards."""
        with self._lock:
            self._signal(signal.SIGTERM)
        if not self._gone(20.0):
            self.kill()

    def signal(self, number: int) -> int | None:
        """A signal that ends nothing; the process that got it, None: there is none."""
        with self._lock:
            process = self.run.process
            if process is None or process.poll() is not None:
                return None
            process.send_signal(number)
            return process.pid

    @contextlib.contextmanager
    def limited(self, what: int, more: int, of: str = "") -> Iterator[None]:
        """The process that runs may have ``more`` of something (setrlimit(2)), beside what ``of`` in proc(5) says."""
        with self._lock:
            process = self.run.process
            pid = 0 if process is None or process.poll() is not None else process.pid
            old = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            if pid:
                with contextlib.suppress(OSError):
                    old = resource.prlimit(pid, what)
                    resource.prlimit(pid, what, (_used(pid, of) + more, old[1]))
        yield
        with self._lock:
            if pid and self.run.process is process:
                with contextlib.suppress(OSError):
                    resource.prlimit(pid, what, old)

    def die_at(self, point: str, nth: int, seconds: float) -> bool:
        """End it, and start it so that it kills itself at a crash point; whether it did."""
        before = self.codes[-signal.SIGKILL]
        self.kill(WARMTALLY_CRASH_AT=f"{point}:{nth}")
        died = until(lambda: self.codes[-signal.SIGKILL] > before, seconds, 0.02)
        if not died:
            self.kill()
        return died

    def wait_ready(self, seconds: float = MOMENT_S) -> bool:
        before = self.ready
        return until(lambda: self.ready > before, seconds, 0.02)

    @property
    def alive(self) -> bool:
        process = self.run.process
        return process is not None and process.poll() is None

    def hold(self) -> None:
        """End it, and start nothing until :meth:`release`."""
        self.held = True
        self.kill()

    def release(self) -> None:
        self.final = None
        self.held = False

    def end(self) -> int | None:
        """SIGTERM, and the exit code; nothing is started any more."""
        self._ending.set()
        self._thread.join(10)
        code: int | None = None
        if self.run.process is not None:
            try:
                code = self.run.stop(MOMENT_S)
            except subprocess.TimeoutExpired:
                self.run.kill()
        self._notify.close()
        return code

    # -- the manager ----------------------------------------------------------------------------------------------

    def _signal(self, number: int) -> None:
        process = self.run.process
        if process is not None and process.poll() is None:
            self._ours = True
            # What is stopped gets no other signal before it goes on.
            process.send_signal(number)
            process.send_signal(signal.SIGCONT)

    def _gone(self, seconds: float = MOMENT_S) -> bool:
        process = self.run.process
        return process is None or until(lambda: process.poll() is not None, seconds, 0.01)

    def _keep(self) -> None:
        ended_s = 0.0
        while not self._ending.is_set():
            self._hear()
            with self._lock:
                process = self.run.process
                code = None if process is None else process.poll()
                if process is not None and code is None:
                    if time.monotonic() - self.signed_s > SILENT_S:
                        self.silent += 1
                        self._signal(signal.SIGKILL)
                    continue
                if process is not None:
                    self.run.process = None
                    ended_s = time.monotonic()
                    assert code is not None
                    if not self._ours:
                        self.codes[code] += 1
                        self.final = code if code in FINAL else self.final
                    self._ours = False
                if not self.held and self.final is None and time.monotonic() - ended_s >= AGAIN_S:
                    once, self._once = self._once, {}
                    self.signed_s = time.monotonic()
                    self.run.start(**self._environ, **once)
                    self.started += 1

    def _hear(self) -> None:
        with contextlib.suppress(TimeoutError, OSError):
            while told := self._notify.recv(4096):
                if b"READY=1" in told:
                    self.ready += 1
                if b"WATCHDOG=1" in told:
                    self.signed_s = time.monotonic()
                self._notify.settimeout(0.0)
        self._notify.settimeout(0.05)


def _used(pid: int, of: str) -> int:
    """So much of something a process has now: "memory" in bytes of its address space, "handles", or nothing."""
    if of == "memory":
        return int(Path(f"/proc/{pid}/statm").read_text().split()[0]) * resource.getpagesize()
    return sum(1 for _ in Path(f"/proc/{pid}/fd").iterdir()) if of == "handles" else 0
