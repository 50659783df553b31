"""Notices on their way to the keeper: from the outbox, through each channel, at least once.

Every channel has a thread and a store connection of its own, so that a channel that hangs holds up neither another
channel nor the service. A row is leased, sent, and marked; whoever dies between sending and marking sends once
more after the restart, never not at all. Each message ends with the notice's number, by which a person knows a
duplicate; a program finds its key in the header of a mail or a web hook.
How one message goes to one address is :mod:`monitor.adapters.delivery.attempts`. What is logged here names a channel
and a reason, never an address.
"""

from __future__ import annotations

import logging
import random
import re
import threading
import time
from collections.abc import Callable, Container, Mapping, Sequence
from datetime import UTC, tzinfo
from functools import partial
from pathlib import Path
from typing import Final

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.delivery.attempts import Attempt, Spare
from monitor.adapters.delivery.text_message import short_form
from monitor.adapters.store import Store, Waiting
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import digest
from monitor.core.notices.routing import LOG
from monitor.core.terms.settings import URGENCIES, Channel, Form, Urgency
from monitor.core.terms.texts import Texts
from monitor.errors import ConfigError, MonitorError
from monitor.values import dataclass

log = logging.getLogger("warmtally.delivery")
notices_log = logging.getLogger("warmtally.notices")

SHORTEST_WAIT_S: Final = 5.0
LONGEST_WAIT_S: Final = 900.0
GIVE_UP_AFTER_S: Final[Mapping[Urgency, float]] = {"now": 7 * 86400.0, "today": 7 * 86400.0, "later": 2 * 86400.0}
TRIES_BEFORE_GIVING_UP: Final = 5
"""A notice that is old because the clock was stepped, or because the power was off, still gets its tries."""

STOP_S: Final = 5.0
LEAVE_S: Final = 0.5
_LOOK_EVERY_S: Final = 5.0
_STORE_PAUSE_S: Final = 5.0
_MOST_HANGING: Final = 3
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """How a channel fares. ``waiting``: notices on their way; ``failing_since_ms`` None: nothing has failed."""

    last_ok_ms: int | None
    failing_since_ms: int | None
    last_error: str
    waiting: int


def recipients(channels: Sequence[Channel]) -> dict[str, tuple[Urgency, ...]]:
    """Which urgencies each channel takes, the log included: what the ledger's ``commit`` wants."""
    return {LOG: URGENCIES, **{c.id: c.urgencies for c in channels}}


def wait_s(attempt: int, rng: random.Random) -> float:
    """Seconds until the next try after ``attempt`` failed ones (1, 2, ...).

    Exponential back-off with full jitter: uniform between 5 s and a ceiling that doubles from 10 s up to 15 min.
    Jitter keeps several channels from knocking at the same moment after an outage.
    """
    ceiling = min(LONGEST_WAIT_S, SHORTEST_WAIT_S * 2.0 ** min(attempt, 16))
    return rng.uniform(SHORTEST_WAIT_S, ceiling)


Inviting = Callable[[Notice, str], str]
"""The line with which a notice asks for an answer through a channel; empty for none. The log never gets one."""


def _uninvited(_notice: Notice, _channel: str) -> str:
    return ""


def wording(notice: Notice, invitation: str = "", form: Form = "usual") -> tuple[str, str]:
    """Title (one line) and body of a message; the body's last line is the same each time the notice is sent.

    ``form`` "short": both together fit into one text message.
    """
    title = _CONTROL.sub(" ", notice.title).strip()
    if form == "short":
        return short_form(title, notice.text, invitation, f"notice {notice.id}")
    more = f" - all of it: warmtally notices {notice.id}" if notice.story else ""
    parts = [notice.text.rstrip(), invitation, f"notice {notice.id}{more}"]
    return title, "\n\n".join(p for p in parts if p)


def log_line(notice: Notice) -> str:
    """A notice as one line."""
    title, body = wording(notice)
    parts = [title, *(p for line in body.splitlines() if (p := _CONTROL.sub(" ", line).strip()))]
    parts.append(f"key {_CONTROL.sub(' ', notice.key)}")
    return f"[{notice.urgency}] " + " / ".join(parts)


# -- a channel --------------------------------------------------------------------------------------------------


class _Sender:
    """The thread of one channel; ``channel`` None: the log."""

    def __init__(
        self,
        data_dir: str | Path,
        channel: Channel | None,
        now_ms: Callable[[], int],
        rng: random.Random,
        invite: Inviting,
        zone: tzinfo,
        quiet_until: Callable[[int], int],
        texts: Texts,
    ) -> None:
        self.id = LOG if channel is None else channel.id
        self.last_ok_ms: int | None = None
        self.failing_since_ms: int | None = None
        self.last_error = ""
        self.stop_at: float | None = None
        self._data_dir = data_dir
        self._channel = channel
        self._now_ms = now_ms
        self._rng = rng
        self._invite = invite
        self._zone = zone
        self._texts = texts
        self._quiet_until = quiet_until
        self._signal = threading.Event()
        # Nothing is to be sent just now, or it does not go.
        self.idle = threading.Event()
        self._hanging: list[Attempt] = []
        self._spare = Spare(channel) if channel is not None else None
        # What is known of a row that was sent and could not be marked: marked before anything else is done.
        self._unmarked: Callable[[Store], None] | None = None
        self._shaken = False
        self._began_s = time.monotonic()
        self.thread = threading.Thread(target=self._run, name=f"channel-{self.id}", daemon=True)

    def wake(self) -> None:
        self.idle.clear()
        self._signal.set()

    def stop(self, at: float) -> None:
        self.stop_at = at
        self._signal.set()

    def _run(self) -> None:
        store: Store | None = None
        while self.stop_at is None:
            pause_s = _STORE_PAUSE_S
            self._signal.clear()
            try:
                if self._shaken and store is not None:
                    store.close()
                    store = None
                if store is None:
                    store = Store(self._data_dir)
                pause_s = self._once(store)
            except MonitorError as error:
                log.warning("channel %s: the store does not answer (%s); notices wait", self.id, error.id)
                self._shaken = True
            except Exception as error:
                log.exception("channel %s: unexpected %s; notices wait", self.id, type(error).__name__)
                self._shaken = True
            if self.stop_at is None and pause_s > 0:
                self.idle.set()
                self._signal.wait(pause_s)
        if store is not None:
            store.close()

    def _once(self, store: Store) -> float:
        """Deal with at most one row. Returns how long to wait before the next look, in seconds."""
        outbox = store.outbox
        if self._unmarked is not None:
            self._unmarked(store)
            self._unmarked = None
        if self._shaken:
            outbox.release_leases(self.id)
            self._shaken = False
        now_ms = self._now_ms()
        # Looking takes no lock; leasing does.
        _, due_ms = outbox.queue().get(self.id, (0, None))
        if due_ms is None or due_ms > now_ms:
            self._make_ready()
        if due_ms is None:
            return _LOOK_EVERY_S
        if due_ms > now_ms:
            return min(_LOOK_EVERY_S, (due_ms - now_ms) / 1000.0 + 0.001)
        if self._channel is not None and store.backlog.fold(self.id, now_ms, self._digest, self._quiet_until(now_ms)):
            crash_point("after-fold-before-lease")
        # One at a time: what is raised meanwhile and more urgent goes first.
        for row in outbox.lease(self.id, now_ms, limit=1):
            crash_point("after-lease-before-send")
            error = self._deliver(row)
            if error is None:
                return 0.0  # Stopping; the next start releases the lease.
            crash_point("after-send-before-mark")
            self._unmarked = self._verdict(row, error)
            self._unmarked(store)
            self._unmarked = None
        return 0.0

    def _make_ready(self) -> None:
        """Nothing is to be sent now: what the next send needs is made, but for the first moments, which are the
        start's."""
        if self._spare is not None and time.monotonic() - self._began_s >= _LOOK_EVERY_S:
            self._spare.fill()

    def _digest(self, notices: Sequence[Notice]) -> Notice:
        return digest(notices, self.id, self._now_ms(), self._zone, self._texts)

    def _deliver(self, row: Waiting) -> str | None:
        """Send; "" when taken, a reason when not, None when the service stops meanwhile."""
        if self._channel is None:
            level = logging.WARNING if row.notice.urgency == "now" else logging.INFO
            notices_log.log(level, "%s", log_line(row.notice))
            return ""
        self._hanging = [a for a in self._hanging if a.thread.is_alive()]
        if len(self._hanging) >= _MOST_HANGING:
            return f"{len(self._hanging)} earlier sends still hang"
        message = wording(row.notice, self._invite(row.notice, self.id), self._channel.form)
        attempt = Attempt(self._channel, *message, row.notice.key, self._signal.set, self._spare)
        while attempt.error is None:
            end = attempt.deadline if self.stop_at is None else min(attempt.deadline, self.stop_at)
            left_s = end - time.monotonic()
            if left_s <= 0:
                break
            self._signal.wait(left_s)
            self._signal.clear()
        if attempt.error is not None:
            return attempt.error
        if self.stop_at is not None:
            return None
        self._hanging.append(attempt)
        return attempt.too_late

    def _verdict(self, row: Waiting, error: str) -> Callable[[Store], None]:
        """Remember how the send went, log it, and return what marks the row."""
        now_ms = self._now_ms()
        number, attempt = row.notice.id, row.attempts + 1
        if not error:
            recovered = self.failing_since_ms is not None
            self.last_ok_ms, self.failing_since_ms, self.last_error = now_ms, None, ""
            if recovered:
                log.info("channel %s takes notices again", self.id)
            return partial(_mark_delivered, row=row, now_ms=now_ms, recovered=recovered)
        first = self.failing_since_ms is None
        self.failing_since_ms = now_ms if first else self.failing_since_ms
        self.last_error = error
        age_s = (now_ms - row.notice.at_ms) / 1000.0
        if age_s > GIVE_UP_AFTER_S[row.notice.urgency] and attempt >= TRIES_BEFORE_GIVING_UP:
            log.error(
                "channel %s: notice %d given up after %d tries in %.1f days: %s",
                self.id,
                number,
                attempt,
                age_s / 86400.0,
                error,
            )
            return partial(_mark_failed, row=row, error=error, not_before_ms=now_ms, give_up=True)
        pause_s = wait_s(attempt, self._rng)
        log.log(
            logging.WARNING if first else logging.INFO,
            "channel %s: notice %d, try %d: %s; again in %.0f s",
            self.id,
            number,
            attempt,
            error,
            pause_s,
        )
        return partial(_mark_failed, row=row, error=error, not_before_ms=now_ms + round(pause_s * 1000), give_up=False)


def _mark_delivered(store: Store, *, row: Waiting, now_ms: int, recovered: bool) -> None:
    # The others first: whoever waits for the queue to be empty must not look between the two.
    if recovered:
        store.outbox.retry_at_once(row.channel)
    store.outbox.delivered(row.id, now_ms)


def _mark_failed(store: Store, *, row: Waiting, error: str, not_before_ms: int, give_up: bool) -> None:
    store.outbox.failed(row.id, error, not_before_ms, give_up=give_up)


# -- all channels -----------------------------------------------------------------------------------------------


class Delivery:
    """All channels of the service, and the log.

    ``now_ms`` is the wall clock (UTC, ms); ``rng`` gives the jitter; ``invite`` the line that asks for an answer;
    ``zone`` and ``quiet_until`` (a moment -> the end of the quiet hours it lies in, or 0) are the room's, as ``texts``.
    Raises ConfigError for channels of one name.
    An address that cannot be used is logged at start and its notices fail with that reason: the others go on.
    """

    def __init__(
        self,
        data_dir: str | Path,
        channels: Sequence[Channel],
        now_ms: Callable[[], int],
        *,
        rng: random.Random | None = None,
        invite: Inviting = _uninvited,
        zone: tzinfo = UTC,
        quiet_until: Callable[[int], int] = lambda _: 0,
        texts: Texts | None = None,
    ) -> None:
        names = [LOG, *(c.id for c in channels)]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ConfigError(
                f"channels of one name: {', '.join(twice)} ({LOG} is always there)", fix="give each channel its own id"
            )
        self._data_dir = data_dir
        self._now_ms = now_ms
        rng = rng or random.Random()  # noqa: S311 - jitter, not a secret
        own = texts or Texts()
        self._senders = {
            s.id: s
            for s in (_Sender(data_dir, c, now_ms, rng, invite, zone, quiet_until, own) for c in (None, *channels))
        }
        self._channels = channels
        self._quiet_until = quiet_until
        self._store: Store | None = None
        self._lock = threading.Lock()

    def start(self) -> None:
        """Release what was being sent when the last service ended, forget old waits, and begin."""
        with self._lock:
            self._store = Store(self._data_dir)
            outbox = self._store.outbox
            again = outbox.release_leases()
            if again:
                log.info("%d notices were being sent when the service ended; they are sent again", again)
            outbox.retry_at_once()
            now_ms = self._now_ms()
            self._store.backlog.replan(now_ms, now_ms, self._quiet_until(now_ms))
            for name in sorted(outbox.queue().keys() - self._senders.keys()):
                count, given = self._store.backlog.adopt(name, self._channels)
                log.warning(
                    "%d notices given up: channel %s is no longer configured; %d that reached nobody go to the others",
                    count,
                    name,
                    given,
                )
        for sender in self._senders.values():
            sender.thread.start()

    def wake(self, channels: Container[str] | None = None, within_s: float = 0.0) -> None:
        """Something was committed, for some channels or for all of them: look at once.

        Returns when they have sent it, or after ``within_s``.
        """
        woken = [s for name, s in self._senders.items() if channels is None or name in channels]
        for sender in woken:
            sender.wake()
        by_s = time.monotonic() + within_s
        for sender in woken if within_s else ():
            sender.idle.wait(max(by_s - time.monotonic(), 0.0))

    def clock_set(self, step_s: float) -> None:
        """The clock was set by so much: waits after failures end, and plans are made again on the new clock."""
        with self._lock:
            if self._store is not None:
                now_ms = self._now_ms()
                self._store.outbox.retry_at_once()
                self._store.backlog.replan(now_ms - round(step_s * 1000), now_ms, self._quiet_until(now_ms))
        self.wake()

    def status(self) -> dict[str, ChannelStatus]:
        """Of every channel, the log included; from the ledger and from what this run saw. Raises StoreError."""
        with self._lock:
            queue = self._store.outbox.queue() if self._store is not None else {}
            stuck = self._store.outbox.undelivered() if self._store is not None else {}
        result = {}
        for name, sender in self._senders.items():
            since = [t for t in (sender.failing_since_ms,) if t is not None]
            error = sender.last_error
            if name in stuck:
                since.append(stuck[name][1])
                error = error or stuck[name][2]
            result[name] = ChannelStatus(
                sender.last_ok_ms, min(since) if since else None, error, queue.get(name, (0, 0))[0]
            )
        return result

    def drain(self, timeout_s: float) -> bool:
        """Wait until nothing is due: all is delivered, given up, or waits for its next try. False: time ran out."""
        deadline = time.monotonic() + timeout_s
        self.wake()
        while True:
            with self._lock:
                queue = self._store.outbox.queue() if self._store is not None else {}
            now_ms = self._now_ms()
            if not any(due <= now_ms for name, (_, due) in queue.items() if name in self._senders):
                return True
            if time.monotonic() >= deadline:
                return False
            time.sleep(0.01)

    def stop(self, within_s: float = STOP_S) -> bool:
        """Give a send that is under way so long, then leave: what is not marked is sent again after the start.

        Takes no longer. False when a part is left behind. In any thread; may be called twice.
        """
        by_s = time.monotonic() + within_s
        # A moment is left in which a sender whose time is over can put its store in order.
        for sender in self._senders.values():
            sender.stop(by_s - min(LEAVE_S, within_s / 2))
        for sender in self._senders.values():
            if sender.thread.ident is not None:
                sender.thread.join(max(0.0, by_s - time.monotonic()))
        ended = not any(sender.thread.is_alive() for sender in self._senders.values())
        if not self._lock.acquire(timeout=max(0.0, by_s - time.monotonic())):
            return False
        try:
            if self._store is not None:
                self._store.close()
                self._store = None
        finally:
            self._lock.release()
        return ended
