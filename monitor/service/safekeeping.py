"""Backups and the weekly look through the store, by the calendar: each in a process of its own, which a thread waits
for.

A process of its own because both read every byte of the store: in the service's they would hold up rounds and stay in
its memory. It is the command that a keeper types (``warmtally backup``, ``warmtally verify``). What came of it stands
in the store, so that a restart forgets nothing, and is judged by the rounds.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from monitor.adapters import backups
from monitor.adapters.store import Store
from monitor.adapters.store.database import FILE_NAME
from monitor.config.zones import zone_of
from monitor.core.notices.snapshot import BackupNow, DamageNow
from monitor.core.terms.formats import show_time
from monitor.core.terms.settings import Settings
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import BackupUnfit, MonitorError, StoreCorrupt, StoreVanished

log = logging.getLogger("warmtally.backup")

BACKUP, VERIFY, OVERDUE = "backup", "verify", "overdue"
OF_SAFEKEEPING: Final = frozenset({BACKUP, VERIFY, OVERDUE})
AWAITED: Final = "backup_awaited"
LAST: Final = "backup_last"
FOUND: Final = "store_verified"
LONGEST_S: Final = 6 * 3600.0
"""A backup that takes longer hangs. Judgement, no source."""
LATE_MS: Final = 25 * HOUR_MS
VERIFY_MS: Final = 8 * DAY_MS
NAMED: Final = 5
"""So many things that are damaged are kept to be told."""


class Safekeeping:
    """Makes backups and looks the store through when the calendar says so. ``order`` may be called by any thread."""

    def __init__(self, settings: Settings, now_ms: Callable[[], int]) -> None:
        self._settings = settings
        self._plan = settings.backup
        self._now_ms = now_ms
        self._orders: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._ending = threading.Event()
        self._child: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._backup: BackupNow | None = None
        self._damage: DamageNow | None = None
        self._thread = threading.Thread(target=self._run, name="safekeeping", daemon=True)

    def start(self) -> None:
        """Begin; what was found before is known before the first round. Raises StoreError."""
        with Store(self._settings.data_dir) as store:
            self._remember(store)
        self._thread.start()

    def order(self, job: str) -> None:
        """One of BACKUP, VERIFY and OVERDUE (whatever should have been done already)."""
        self._orders.put(job)

    def look(self) -> tuple[BackupNow | None, DamageNow | None]:
        """How backups stand, where there are to be any, and what the last look through the store came to."""
        with self._lock:
            return self._backup, self._damage

    def stop(self, within_s: float) -> None:
        """What is under way is ended: half a backup counts for nothing, and goes with the next."""
        self._ending.set()
        self._orders.put(None)
        with self._lock:
            child = self._child
        if child is not None:
            with contextlib.suppress(OSError):
                child.terminate()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    # -- the thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        while (job := self._orders.get()) is not None and not self._ending.is_set():
            try:
                for one in self._due(job):
                    if not self._ending.is_set():
                        self._carry_out(one)
            except Exception:
                # Whatever it is: this thread is asked again tomorrow, and what is missing is told by its age.
                log.exception("the %s failed", job)

    def _due(self, job: str) -> list[str]:
        if job != OVERDUE:
            return [job] if job != BACKUP or self._plan is not None else []
        now, (backup, damage) = self._now_ms(), self.look()
        due = []
        if self._plan is not None and backup is not None and now - (backup.newest_ms or 0) > LATE_MS:
            due.append(BACKUP)
        if damage is not None and (damage.found or now - damage.at_ms > VERIFY_MS):
            # What was found is looked for again: it may have been mended.
            due.append(VERIFY)
        return due

    def _carry_out(self, job: str) -> None:
        began = time.monotonic()
        if job == BACKUP:
            why = self._made()
            told = json.dumps({"at": self._now_ms(), "why": why, "folder": self._folder})
            self._note({LAST: told})
            log.log(logging.ERROR if why else logging.INFO, "backup: %s", why or "made, and good")
        else:
            found = self._verified()
            self._note({FOUND: json.dumps({"at": self._now_ms(), "found": found})})
            log.log(logging.ERROR if found else logging.INFO, "verified: %s", "; ".join(found) or "whole")
        log.info("the %s took %.0f s", job, time.monotonic() - began)

    @property
    def _folder(self) -> str:
        return "" if self._plan is None else str(Path(self._plan.folder).absolute())

    def _made(self) -> str:
        """Make a backup; why none came of it, or empty."""
        assert self._plan is not None
        with self._lock:
            newest = self._backup.newest_ms if self._backup is not None else None
        if newest is not None and not backups.good(Path(self._folder)):
            return f"none of the backups of before is in {self._folder} (is its disk mounted?)"
        code, _, said = self._asked("backup", self._folder, "--keep", str(self._plan.keep))
        return "" if code == 0 else said

    def _verified(self) -> list[str]:
        """Look the store through, and the newest backup; what is damaged, in words."""
        told: list[str] = []
        places = [("", self._settings.data_dir)]
        if self._plan is not None:
            places += [("the newest backup: ", str(path)) for path in backups.good(Path(self._folder))[:1]]
        for prefix, place in places:
            code, answer, said = self._asked("verify", place)
            if code in (StoreCorrupt.exit_code, BackupUnfit.exit_code) and isinstance(answer, dict):
                zone = zone_of(self._settings.room.zone)
                told += [prefix + _told(one, zone) for one in answer["found"][:NAMED]]
                more = len(answer["found"]) - NAMED
                told += [f"{prefix}and {more} more"] if more > 0 else []
            elif code:
                told.append(f"{prefix}it cannot be looked through: {said}")
        return told

    def _asked(self, *words: str) -> tuple[int, Any, str]:
        """The exit code of a command, its answer (JSON), and why it failed."""
        settings = self._settings
        command = [sys.executable, "-m", "monitor", *words, "--json"]
        command += ["--config", settings.file, "--data", settings.data_dir]
        environ = {k: v for k, v in os.environ.items() if not k.startswith(("NOTIFY_", "WATCHDOG_"))}
        try:
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environ
            )
        except OSError as error:
            return 1, None, f"it cannot be started ({error.strerror})"
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, child.pid, 10)
        with self._lock:
            self._child = child
        try:
            if self._ending.is_set():
                child.terminate()
            out, err = child.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.communicate()
            return 1, None, f"it took longer than {LONGEST_S / 3600:.0f} h"
        finally:
            with self._lock:
                self._child = None
        lines = [line for line in err.decode("utf-8", "replace").splitlines() if line.startswith("warmtally: ")]
        why = lines[-1].removeprefix("warmtally: ") if lines else f"it ended with {child.returncode}"
        with contextlib.suppress(ValueError):
            return child.returncode, json.loads(out), why
        return child.returncode, None, why

    # -- what is remembered --------------------------------------------------------------------------------

    def _note(self, facts: dict[str, str]) -> None:
        """Write down what came of it, and look at all of it again; where nothing can be written it is still known."""
        try:
            with Store(self._settings.data_dir, create=False) as store:
                for name, value in facts.items():
                    store.db.set_fact(name, value)
                self._remember(store)
        except MonitorError as error:
            log.error("what came of it cannot be written down: %s", error)  # noqa: TRY400 - the message is the story
            self._take(facts.get)

    def _remember(self, store: Store) -> None:
        now = self._now_ms()
        if self._plan is not None and store.db.number(AWAITED) is None:
            store.db.set_fact(AWAITED, str(now))
        told = store.db.fact(FOUND)
        if _found(told) is None:
            # What cannot be read any more may have said anything: the store is looked through soon.
            at = now if told is None else now - VERIFY_MS - 1
            store.db.set_fact(FOUND, json.dumps({"at": at, "found": []}))
        self._take(store.db.fact)

    def _take(self, fact: Callable[[str], str | None]) -> None:
        backup: BackupNow | None = None
        if self._plan is not None:
            last = _table(fact(LAST)) or {}
            there = backups.good(Path(self._folder))
            newest = backups.manifest_of(there[0]).made_at_ms if there else None
            if newest is None and last.get("folder") == self._folder and not last.get("why"):
                newest = last.get("at")
            before = self._backup.awaited_ms if self._backup is not None else self._now_ms()
            awaited = fact(AWAITED) or ""
            backup = BackupNow(newest, int(awaited) if awaited.isdecimal() else before, str(last.get("why", "")))
        damage = _found(fact(FOUND)) or self._damage
        with self._lock:
            self._backup, self._damage = backup, damage


def _table(text: str | None) -> dict[str, Any] | None:
    """What was noted; None for nothing, or for what a flipped bit has made unreadable."""
    with contextlib.suppress(ValueError):
        told = json.loads(text or "")
        return told if isinstance(told, dict) else None
    return None


def _found(text: str | None) -> DamageNow | None:
    """What the last look through the store came to, as it was noted."""
    told = _table(text)
    if told is None or not isinstance(told.get("at"), int) or not isinstance(told.get("found"), list):
        return None
    return DamageNow(told["at"], tuple(str(x) for x in told["found"]))


def _told(found: dict[str, Any], zone: tzinfo) -> str:
    """One thing that is damaged, in a sentence."""
    where = f"probe {found['probe']}" if found["probe"] else found["table"]
    at = found["from"] and round(datetime.fromisoformat(found["from"]).timestamp() * 1000)
    when = f" from {show_time(at, zone)}" if at else ""
    return f"{where}{when}: {found['what']}" if where else str(found["what"])


def forget_backups(store: Store, now_ms: int) -> None:
    """Of a store that was put back: what it knows of backups may be of another computer's disk, where this one has none
    yet. They are awaited from now on."""
    store.db.set_fact(LAST, "")
    store.db.set_fact(AWAITED, str(now_ms))


def refuse_to_begin_anew(settings: Settings) -> None:
    """Raises StoreVanished where there is no store, and backups tell that there was one in this folder."""
    data_dir = Path(settings.data_dir)
    path = data_dir / FILE_NAME
    if settings.backup is None or (path.exists() and path.stat().st_size):
        return
    known = backups.knows(Path(settings.backup.folder), data_dir)
    if known is not None:
        raise StoreVanished(
            "there was a store here, of which there are backups, and it is gone",
            where=str(path),
            fix=f"mount its disk, or: warmtally restore {known}; to begin anew name another folder under [backup]",
        )
