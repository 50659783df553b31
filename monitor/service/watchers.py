"""What watches the watcher: the service manager's watchdog, an outside heartbeat, the clock, the disk.

Both signs of life are given only after a whole round, so that a service which runs but no longer works falls
silent. The service manager restarts a silent service; the outside address tells somebody when the computer, its
power or its network is gone, which nothing on the computer itself can tell.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import shutil
import socket
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final, Protocol
from urllib.parse import urlsplit

from monitor.core.terms.settings import HeartbeatTarget
from monitor.errors import ConfigError, StoreError
from monitor.values import dataclass

log = logging.getLogger("warmtally.watchers")


# -- the service manager ----------------------------------------------------------------------------------------


class Notifier:
    """Tells systemd that the service is ready, how it fares, and that it lives. Without systemd it does nothing.

    ``watchdog_s`` is the time of silence after which systemd acts (WATCHDOG_USEC), None when no watchdog is set for
    this process. systemd advises to give a sign every half of it (sd_watchdog_enabled(3)); here each whole round
    gives one, so rounds must not be further apart than ``longest_round_s``.

    Nothing here ever waits: where nobody reads the socket, a sign is dropped and counted in ``unheard``.
    """

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        self._there = bool(self._address)
        self.unheard = 0
        # Of all signs the one that must be heard: without it the service manager ends what it started.
        self._ready: tuple[str, ...] = ()
        self.watchdog_s: float | None = None
        microseconds = environ.get("WATCHDOG_USEC", "")
        mine = environ.get("WATCHDOG_PID", "") in ("", str(os.getpid()))
        if self._there and mine and microseconds.isdecimal() and int(microseconds) > 0:
            self.watchdog_s = int(microseconds) / 1e6

    @property
    def longest_round_s(self) -> float | None:
        return None if self.watchdog_s is None else self.watchdog_s / 2.0

    def ready(self, text: str = "") -> None:
        """All is started: said with the first whole round, so that what never finishes one never counts as started."""
        self._ready = ("READY=1", _status(text)) if text else ("READY=1",)

    def status(self, text: str) -> None:
        """One line that ``systemctl status`` shows."""
        self._tell(_status(text))

    def round_done(self) -> None:
        """A whole round has passed: the only thing that feeds the watchdog."""
        if self._ready and self._tell(*self._ready):
            self._ready = ()
        if self.watchdog_s is not None:
            self._tell("WATCHDOG=1")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def _tell(self, *lines: str) -> bool:
        """Whether it was heard, or nobody wants to hear it."""
        if not self._there:
            return True
        # A leading @ stands for a name outside of the file system (sd_notify(3)). Connected anew each time: systemd
        # may have been started anew meanwhile.
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as own:
                own.setblocking(False)
                own.sendto("\n".join(lines).encode(), address)
        except OSError as error:
            self.unheard += 1
            if self.unheard == 1:
                log.warning("the service manager does not hear our signs of life (%s)", error.strerror)
            return False
        return True


def _status(text: str) -> str:
    return f"STATUS={' '.join(text.split())}"


# -- the outside heartbeat --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeartbeatStatus:
    """``failing_since_ms`` None: the last call was answered, or none was due yet."""

    last_ok_ms: int | None
    failing_since_ms: int | None
    last_error: str


def _opener() -> urllib.request.OpenerDirector:
    """http and https alone, and no redirects: a provider's log-in page would count as an answer."""
    opener = urllib.request.OpenerDirector()
    for handler in (
        urllib.request.ProxyHandler,
        urllib.request.HTTPHandler,
        urllib.request.HTTPSHandler,
        urllib.request.HTTPDefaultErrorHandler,
        urllib.request.HTTPErrorProcessor,
    ):
        opener.add_handler(handler())
    return opener


class Heartbeat:
    """Calls an outside address after whole rounds, at most every ``every_s`` seconds, in a thread of its own.

    The address may hold a token: only its host is ever logged. Raises ConfigError for an address that is not plain
    http or https. ``now_ms`` is the wall clock, ``monotonic`` a clock in seconds that is never set.
    """

    TIMEOUT_S: Final = 10.0
    AGAIN_S: Final = 30.0
    """After a call that failed the next comes sooner than ``every_s``, when that is longer."""

    def __init__(
        self,
        settings: HeartbeatTarget,
        now_ms: Callable[[], int],
        *,
        monotonic: Callable[[], float] = time.monotonic,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self.host = _host(settings.url)
        self._url = settings.url
        self._every_s = settings.every_s
        self._now_ms = now_ms
        self._monotonic = monotonic
        self._timeout_s = timeout_s
        self._opener = _opener()
        self._lock = threading.Lock()
        self._signal = threading.Event()
        self._stopping = False
        self._next: float | None = None
        # When the call that is under way began: (monotonic, wall).
        self._began: tuple[float, int] | None = None
        self._last_ok_ms: int | None = None
        self._failing_since_ms: int | None = None
        self._last_error = ""
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def round_done(self) -> None:
        """A whole round has passed and the real path is healthy: call outside, if it is time. Returns at once."""
        with self._lock:
            now = self._monotonic()
            if self._began is not None or (self._next is not None and now < self._next):
                return
            self._began = (now, self._now_ms())
        self._signal.set()

    def status(self) -> HeartbeatStatus:
        with self._lock:
            since, error = self._failing_since_ms, self._last_error
            # Time-outs bound each step of a call, not the whole: one that hangs is a failure as well.
            began = self._began
            if since is None and began is not None and self._monotonic() - began[0] > 3.0 * self._timeout_s:
                since, error = began[1], "no answer yet"
            return HeartbeatStatus(self._last_ok_ms, since, error)

    def stop(self, within_s: float = 0.5) -> None:
        """A call under way is left behind: nothing hangs on its answer any more."""
        self._stopping = True
        self._signal.set()
        if self._thread.ident is not None:
            self._thread.join(min(within_s, 0.5))

    def _run(self) -> None:
        while True:
            self._signal.wait()
            self._signal.clear()
            if self._stopping:
                return
            error = self._call()
            with self._lock:
                began_ms = self._began[1] if self._began is not None else self._now_ms()
                self._began = None
                first = self._failing_since_ms is None
                if error:
                    self._failing_since_ms = began_ms if first else self._failing_since_ms
                else:
                    self._last_ok_ms, self._failing_since_ms = self._now_ms(), None
                self._last_error = error
                self._next = self._monotonic() + (min(self._every_s, self.AGAIN_S) if error else self._every_s)
            if error and first:
                log.warning("no answer from the outside heartbeat at %s: %s", self.host, error)
            elif not error and not first:
                log.info("the outside heartbeat at %s answers again", self.host)

    def _call(self) -> str:
        """GET; "" when answered with 2xx, else a reason without the address."""
        try:
            request = urllib.request.Request(self._url, headers={"User-Agent": "Warmtally"})  # noqa: S310 - checked
            with self._opener.open(request, timeout=self._timeout_s):
                return ""
        except urllib.error.HTTPError as error:
            error.close()
            hint = "; give the address it leads to" if 300 <= error.code < 400 else ""
            return f"answered with HTTP {error.code}{hint}"
        except urllib.error.URLError as error:
            return _plain(error.reason)
        except Exception as error:  # noqa: BLE001 - the text of an error may hold the address
            return _plain(error)


def _plain(reason: object) -> str:
    if isinstance(reason, TimeoutError):
        return "no answer in time"
    if isinstance(reason, OSError) and reason.strerror:
        return reason.strerror
    if isinstance(reason, ConnectionError):
        return "the connection was cut"
    return type(reason).__name__


def _host(url: str) -> str:
    """Host and port of an http or https address. Raises ConfigError, whose text does not hold the address."""
    fix = "write it as https://host/path"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise ConfigError("its address cannot be read", where="heartbeat", fix=fix) from None
    if parts.scheme not in ("http", "https") or not parts.hostname or re.search(r"[\x00-\x20\x7f]", url):
        raise ConfigError("its address is not plain http or https", where="heartbeat", fix=fix)
    if parts.username is not None:
        raise ConfigError("a name or password before the host is not supported", where="heartbeat", fix=fix)
    return f"{parts.hostname}:{port}" if port else parts.hostname


# -- the clock --------------------------------------------------------------------------------------------------

EARLIEST_MS: Final = 1_767_225_600_000
"""2026-01-01 UTC: this program did not exist before, so a clock that says so is wrong."""


@dataclass(frozen=True, slots=True)
class ClockLook:
    """One look at the clock. ``step_s``: by how much it was set since the last look (0.0: not); ``why``: in words."""

    step_s: float
    trusted: bool
    why: str


class JudgedClock(Protocol):
    """What can be asked of a clock. ``last``: what the last look found."""

    @property
    def last(self) -> ClockLook: ...

    def look(self) -> ClockLook:
        """To be called once a round."""

    def stepped(self) -> bool:
        """Whether it was set since the last look; in any thread."""


class RightClock:
    """The clock of a simulation: right, and never set."""

    last: Final = ClockLook(0.0, True, "")

    def look(self) -> ClockLook:
        return self.last

    def stepped(self) -> bool:
        return False


class ClockWatch:
    """Compares the wall clock with a clock that is never set, and judges whether the wall clock can be trusted.

    A computer without a battery clock starts with the time of its last shutdown, or in 1970, until the network
    tells better. So:

    1. ``synchronised``: systemd-timesyncd has left its mark, or timedatectl says NTPSynchronized=yes (which covers
       other time services as well): trusted.
    2. Otherwise a clock that is behind the newest reading in the store by more than ten minutes, or earlier than this
       program, is wrong: not trusted, however long it lasts.
    3. A time service that is there and has not synchronised yet gets ten minutes; then the clock is taken as it is,
       because a room without internet must work as well.
    4. Where nobody can say (no systemd: a container), the clock is taken as it is: the host keeps it.
    5. A clock that was set back by more than ten minutes while the service runs is not trusted until a time service
       has said since that it is right, or it has come to where it stood before. It may be set back to where it would
       have been without being set forward.

    ``wall_ms`` and ``monotonic`` (seconds) are the two clocks; ``newest_ms`` the newest reading's time when the
    service started. A sleep of the computer shows as a step forward, rightly: readings are missing and waits are stale.
    """

    STEP_S: Final = 2.0
    BEHIND_S: Final = 600.0
    PATIENCE_S: Final = 600.0
    ASK_EVERY_S: Final = 60.0

    def __init__(
        self,
        wall_ms: Callable[[], int],
        monotonic: Callable[[], float] = time.monotonic,
        *,
        newest_ms: int | None = None,
        mark: Path = Path("/run/systemd/timesync/synchronized"),
        ask: Callable[[], bool | None] | None = None,
    ) -> None:
        self._wall_ms = wall_ms
        self._monotonic = monotonic
        self._newest_ms = newest_ms
        self._mark = mark
        self._ask = ask or _timedatectl
        self._said: bool | None = None
        self._asked: float | None = None
        self._began = monotonic()
        self._read = (wall_ms(), self._began)
        # Where it stood before it was set back; the mark as it was then; and how far it was from the other clock when
        # nothing was said against it.
        self._stood_ms = 0
        self._void = 0.0
        self._apart_ms = wall_ms() - self._began * 1000
        self._marked = self._mark_at()
        self.last = ClockLook(0.0, *self._judge(*self._read))

    def look(self) -> ClockLook:
        """To be called once a round."""
        wall, now = self._wall_ms(), self._monotonic()
        step_s = self._step_s(wall, now)
        stood_ms = wall - round(step_s * 1000)
        self._read = (wall, now)
        if abs(step_s) <= self.STEP_S:
            step_s = 0.0
        else:
            log.warning("the clock was set by %+.1f s", step_s)
        if step_s < -self.BEHIND_S:
            # Whatever was said of it was said of the time before.
            self._said = self._asked = None
            self._stood_ms, self._void = max(stood_ms, self._stood_ms), self._marked
        self._marked = self._mark_at()
        self.last = ClockLook(step_s, *self._judge(wall, now))
        return self.last

    def stepped(self) -> bool:
        return abs(self._step_s(self._wall_ms(), self._monotonic())) > self.STEP_S

    def _step_s(self, wall: int, now: float) -> float:
        read_ms, read_s = self._read
        return (wall - read_ms) / 1000.0 - (now - read_s)

    def _mark_at(self) -> float:
        """When the time service left its mark, by whatever clock; 0.0: it has not."""
        try:
            return self._mark.stat().st_mtime
        except OSError:
            return 0.0

    def _judge(self, wall: int, now: float) -> tuple[bool, str]:
        synchronised = self._synchronised(now)
        apart_ms = wall - now * 1000
        if synchronised:
            self._stood_ms, self._apart_ms = 0, apart_ms
            return True, "synchronised"
        if wall < self._stood_ms and apart_ms < self._apart_ms - self.BEHIND_S * 1000:
            return False, "set back while the service runs"
        if wall < EARLIEST_MS:
            return False, "earlier than this program"
        # As the clock would have stood when the service started: time that passes does not make it right.
        at_start = wall - (now - self._began) * 1000
        if self._newest_ms is not None and at_start < self._newest_ms - self.BEHIND_S * 1000:
            return False, "behind the newest reading in the store"
        if synchronised is None:
            return True, "no time service to ask; taken as it is"
        if now - self._began < self.PATIENCE_S:
            return False, "not synchronised yet"
        return True, f"not synchronised within {self.PATIENCE_S / 60:.0f} min; taken as it is"

    def _synchronised(self, now: float) -> bool | None:
        """None: nobody can say."""
        if self._said:
            return True
        marked = self._mark_at()
        if marked and marked != self._void:
            self._said = True
        elif self._asked is None or now - self._asked >= self.ASK_EVERY_S:
            self._asked = now
            self._said = self._ask()
        return self._said


def _timedatectl() -> bool | None:
    """What systemd knows about the clock; None where it is not there or does not answer."""
    try:
        answer = subprocess.run(
            ["timedatectl", "show", "-p", "NTP", "-p", "NTPSynchronized"],
            # It would tell the service manager of its own failure, as if it were ours.
            env={name: value for name, value in os.environ.items() if name != "NOTIFY_SOCKET"},
            capture_output=True,
            text=True,
            timeout=5,
            check=False,
        )
    except (OSError, subprocess.SubprocessError):
        return None
    return told(answer.stdout) if answer.returncode == 0 else None


def told(answer: str) -> bool | None:
    """timedatectl's answer. Without a time service (NTP=no) and not synchronised, nobody can say: None."""
    facts = dict(line.partition("=")[::2] for line in answer.splitlines())
    if facts.get("NTPSynchronized") == "yes":
        return True
    return False if facts.get("NTP") == "yes" else None


# -- the disk ---------------------------------------------------------------------------------------------------


class Reserve:
    """Room kept on the disk so that it can still be told when it is full.

    Two files: the first for whatever is to be told when nothing fits any more (that the disk is low), the second for
    what is urgent alone (that readings cannot be written). They are made again when there is room.
    """

    SIZES: Final = {"reserve": 8_000_000, "reserve.last": 4_000_000}

    def __init__(self, folder: str | Path) -> None:
        self._folder = Path(folder)

    def keep(self, least_mb: float) -> None:
        """Make what is missing, if more than ``least_mb`` stay free."""
        for name, size in self.SIZES.items():
            path = self._folder / name
            with contextlib.suppress(OSError, StoreError):
                if path.exists() and path.stat().st_size >= size:
                    continue
                if free_mb(self._folder) > least_mb + size / 1e6:
                    # Not zeros: a file system may keep those without taking any room.
                    path.write_bytes(os.urandom(size))

    def spend(self, *, urgent: bool) -> bool:
        """Give one file up; whether there was one."""
        for name in self.SIZES if urgent else list(self.SIZES)[:1]:
            with contextlib.suppress(OSError):
                (self._folder / name).unlink()
                log.warning("the disk is full; the file %s is given up so that this can be told", name)
                return True
        return False


def free_mb(folder: str | Path) -> float:
    """Megabytes (10^6 bytes) that this user may still write where the store lies. Raises StoreError."""
    try:
        return shutil.disk_usage(folder).free / 1e6
    except OSError as error:
        raise StoreError(
            f"the free space cannot be read ({error.strerror})", where=str(folder), fix="check the data directory"
        ) from error
