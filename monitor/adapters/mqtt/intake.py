"""The way in: messages from the broker become readings on the disk, and only then are acknowledged.

Two threads. The network thread (:mod:`monitor.adapters.mqtt.line`) puts what comes into a bounded queue; one writer
gathers, stores in one transaction (T1), and acknowledges after the COMMIT. Whatever happens in between, the broker
still has the message and sends it again; :mod:`monitor.core.readings.arrivals` knows it then.

Back-pressure is the queue: full, it holds the network thread for less than the keep-alive, then the connection is
dropped rather than a message. A broker's "receive maximum" is no bound: a widely used version, 2.0.11 of mosquitto,
was measured to exceed it as soon as messages are acknowledged.

Messages that were published with QoS 0 are outside these promises: no broker keeps or repeats them.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.mqtt.answers import AnswerTopic
from monitor.adapters.mqtt.line import ANSWER_S, Connected, Line, LineStatus, Protocol
from monitor.adapters.mqtt.wills import Wills
from monitor.adapters.store import InboxMark, Quarantined, Store
from monitor.core.readings.arrivals import Arrival, Arrivals, Settled
from monitor.core.readings.decode import Decoded
from monitor.core.readings.quality import Context
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Probe, Settings
from monitor.core.terms.times import HOUR_MS
from monitor.errors import MonitorError, StoreFull, StoreLocked

_log = logging.getLogger(__name__)

QUEUE_LENGTH: Final = 2000
QUEUE_BYTES: Final = 16 * 1024 * 1024
BATCH: Final = 500
BATCH_READINGS: Final = 20_000
# Brokers let at least so many messages be under way (20 is the usual bound with MQTT 3.1.1): when that many are
# here and no more comes, the broker may be waiting for us.
WINDOW: Final = 20
IDLE_S: Final = 0.05
# After the first message the writer waits so long for more: two threads that take turns at each message cost more
# than all that is done with it.
GATHER_S: Final = 0.003
URGENT_EVERY_S: Final = 0.25
BACK_OFF_S: Final = (0.5, 30.0)
# Longer than the store waits for another writer (30 s), so that a slow commit is not taken for a hung one.
ALIVE_S: Final = 90.0
SESSION_FACT: Final = "broker_session"
LOST_FACT: Final = "session_lost_ms"


@dataclass(frozen=True, slots=True)
class Counts:
    """Since the start. ``repeated``: sent again by the broker and already stored; ``without_ack``: sent with QoS 0;
    ``overflows``: how often the line was dropped because the queue was full."""

    received: int = 0
    stored: int = 0
    quarantined: int = 0
    repeated: int = 0
    retained: int = 0
    without_ack: int = 0
    overflows: int = 0


@dataclass(frozen=True, slots=True)
class Link:
    """How the line to the broker is, at one moment.

    ``detail`` says in plain words what is wrong and what to do. ``last_live_ms`` is the newest stored message that
    was not retained. ``store_error`` is why nothing can be stored right now, else empty.
    """

    state: LineStatus = "connecting"
    since_ms: int = 0
    detail: str = ""
    protocol: Protocol = "MQTT 5"
    counts: Counts = Counts()
    last_message_ms: int | None = None
    last_live_ms: int | None = None
    refused_topics: tuple[str, ...] = ()
    store_error: str = ""
    session_lost_ms: int | None = None


class _Waiting:
    """What waits between the network thread, which puts, and the writer, which takes: in order, bounded.

    With one thread on either side no lock is needed: each counts what it did itself.
    """

    def __init__(self) -> None:
        self._items: deque[Arrival | Connected] = deque()
        self._something = threading.Event()
        self._bytes_put = 0
        self._bytes_taken = 0
        self.received = 0
        self.without_ack = 0
        self.last_message_ms: int | None = None

    def qsize(self) -> int:
        return len(self._items)

    def put(self, item: Arrival | Connected) -> bool:
        """False when there is no room; one message is always taken, however large."""
        size = len(item.payload) if isinstance(item, Arrival) else 0
        length = len(self._items)
        if length >= QUEUE_LENGTH or (length and self._bytes_put - self._bytes_taken + size > QUEUE_BYTES):
            return False
        if isinstance(item, Arrival):
            self._bytes_put += size
            self.received += 1
            self.without_ack += item.mid == 0
            self.last_message_ms = item.received_ms
        self._items.append(item)
        if not self._something.is_set():
            self._something.set()
        return True

    def take(self) -> Arrival | Connected | None:
        """What is next, None when there is nothing."""
        if not self._items:
            return None
        item = self._items.popleft()
        if isinstance(item, Arrival):
            self._bytes_taken += len(item.payload)
        return item

    def wait(self, seconds: float) -> None:
        """Until something is there, at most so long; and a moment longer, for what comes with it."""
        self._something.clear()
        # Looked at after it was cleared: what is put between the two is seen here or wakes us.
        if self._items or self._something.wait(seconds):
            time.sleep(min(GATHER_S, seconds))


class Intake:
    """Receives, stores, acknowledges. ``start`` once, ``stop`` once.

    ``now_ms`` is the clock of received times (a rehearsal brings its own). ``urgent`` tells which readings are worth
    a commit at once. While ``clock_trusted`` says False, measured times are not compared with this computer's.
    After ``answer_s`` without an answer to the greeting the other version of the protocol is tried.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        now_ms: Callable[[], int],
        urgent: Callable[[Reading], bool] = lambda _: False,
        clock_trusted: Callable[[], bool] = lambda: True,
        answer_s: float = ANSWER_S,
        answering: AnswerTopic | None = None,
    ) -> None:
        self._settings = settings
        self._urgent = urgent
        self._clock_trusted = clock_trusted
        self._queue = _Waiting()
        self._overflows = 0
        self._lock = threading.Lock()
        self._link = Link()
        self._closing = threading.Event()
        self._beat = time.monotonic()
        self._told: set[str] = set()
        self._writer: threading.Thread | None = None
        broker = settings.broker
        self._session = f"{broker.host}:{broker.port} {broker.client_id}"
        topics = tuple(dict.fromkeys(p.topic for p in settings.room.all_probes))
        self._wills = Wills(settings.room.gateways)
        self._answering = answering
        if answering is not None:
            topics = (*topics, answering.topic)
        self._line = Line(
            broker,
            topics,
            self._put,
            now_ms=now_ms,
            states=self._wills.topics,
            config_file=settings.file,
            answer_s=answer_s,
        )

    # ------------------------------------------------------------ what the service calls

    def start(self) -> None:
        """Open the store, begin to connect. Raises StoreError; a broker that is not there is no error here."""
        self._store = Store(self._settings.data_dir)
        # An hour of the past that is damaged must not keep the present from being stored.
        self._store.readings.damaged = {}
        try:
            self._arrivals = _remembered(self._store, self._settings.room.all_probes)
        except BaseException:
            self._store.close()
            raise
        self._beat = time.monotonic()
        self._line.open()
        self._writer = threading.Thread(target=self._write, name="warmtally-writer", daemon=True)
        self._writer.start()

    def stop(self, timeout_s: float = 40.0) -> bool:
        """Store and acknowledge what is here, then part from the broker. False when that did not end in time."""
        self._closing.set()
        if self._writer is None:
            return True
        self._writer.join(timeout_s)
        return not self._writer.is_alive()

    def link(self) -> Link:
        """A snapshot, for any thread."""
        line = self._line.state()
        queue = self._queue
        with self._lock:
            counts = replace(
                self._link.counts,
                received=queue.received,
                without_ack=queue.without_ack,
                overflows=self._overflows,
            )
            return replace(
                self._link,
                counts=counts,
                last_message_ms=queue.last_message_ms,
                state=line.state,
                since_ms=line.since_ms,
                detail=line.detail,
                protocol=line.protocol,
                refused_topics=line.refused_topics,
            )

    def alive(self) -> bool:
        """Whether the writer makes its rounds; it replaces a dead network thread itself."""
        return self._writer is not None and self._writer.is_alive() and self.heartbeat_age_s() < ALIVE_S

    def heartbeat_age_s(self) -> float:
        """Seconds since the writer last made its round."""
        return time.monotonic() - self._beat

    # ------------------------------------------------------------ the network thread

    def _put(self, item: Arrival | Connected) -> bool:
        """Into the queue; False when there was no room for half the keep-alive."""
        if self._queue.put(item):
            return True
        deadline = time.monotonic() + max(self._settings.broker.keepalive_s * 0.5, 1.0)
        while not self._closing.is_set():
            time.sleep(GATHER_S)
            if self._queue.put(item):
                return True
            if time.monotonic() > deadline:
                self._overflows += 1
                return False
        return True

    # ------------------------------------------------------------ the writer

    def _write(self) -> None:
        try:
            self._rounds()
        except Exception:  # noqa: BLE001
            _log.exception("the writer ended; nothing that is not stored was acknowledged")
        finally:
            self._line.close()
            self._store.close()

    def _tend(self) -> None:
        self._beat = time.monotonic()
        if self._closing.is_set():
            return
        if self._line.dropped:
            if not self._queue.qsize():
                self._line.resume()
        else:
            self._line.tend()

    def _rounds(self) -> None:
        batch: list[tuple[Arrival, Decoded]] = []
        readings = 0
        due = flushed = time.monotonic()
        while True:
            item = self._next(batch, due)
            if isinstance(item, Arrival):
                decoded = self._read(item)
                if not batch:
                    due = time.monotonic() + self._settings.commit_every_s
                batch.append((item, decoded))
                readings += len(decoded.readings)
                for reading in decoded.readings:
                    if self._is_urgent(reading):
                        due = min(due, flushed + URGENT_EVERY_S)
                if self._is_answer(item):
                    due = min(due, flushed + URGENT_EVERY_S)
            # The broker may be holding back until we acknowledge; then it is not the end of what it has.
            stalled = item is None and len(batch) >= self._window
            full = len(batch) >= BATCH or readings >= BATCH_READINGS
            ending = item is None and self._closing.is_set()
            if full or stalled or ending or isinstance(item, Connected) or time.monotonic() >= due:
                dry = isinstance(item, Connected) or not (full or stalled or self._queue.qsize())
                if not self._flush(batch, dry=dry):
                    return
                batch, readings, flushed = [], 0, time.monotonic()
            if isinstance(item, Connected) and not self._begin(item):
                return
            if ending:
                return

    def _next(self, batch: Sequence[object], due: float) -> Arrival | Connected | None:
        """What is next in the queue; None when nothing came for a while."""
        item = self._queue.take()
        if item is not None:
            return item
        self._tend()
        wait = 0.2
        if batch:
            wait = max(min(wait, due - time.monotonic()), 0.0)
        if len(batch) >= self._window:
            wait = min(wait, IDLE_S)
        self._queue.wait(wait)
        return self._queue.take()

    @property
    def _window(self) -> int:
        """How many messages the broker may have under way at least."""
        if self._line.protocol == "MQTT 5":
            return min(WINDOW, self._settings.broker.receive_maximum)
        return WINDOW

    def _read(self, arrival: Arrival) -> Decoded:
        try:
            return self._arrivals.read(arrival, clock_trusted=self._clock_trusted())
        except Exception as error:  # noqa: BLE001
            return _failed(arrival, error)

    def _settle(self, batch: list[tuple[Arrival, Decoded]], *, dry: bool) -> Settled:
        """A mistake of ours in one message must not stop the readings of the others: it is kept as unreadable."""
        try:
            return self._arrivals.settle(batch, dry=dry)
        except Exception as error:  # noqa: BLE001
            _log.exception("a batch could not be settled; looking for the message")
            sound: list[tuple[Arrival, Decoded]] = []
            for entry in batch:
                try:
                    self._arrivals.settle([entry], dry=dry)
                except Exception as own:  # noqa: BLE001
                    sound.append((entry[0], _failed(entry[0], own)))
                else:
                    sound.append(entry)
            if sound == batch:
                sound = [(arrival, _failed(arrival, error)) for arrival, _ in batch]
            return self._arrivals.settle(sound, dry=dry)

    def _is_urgent(self, reading: Reading) -> bool:
        try:
            return self._urgent(reading)
        except Exception:  # noqa: BLE001
            _log.exception("telling whether a reading is urgent failed")
            return True

    def _is_answer(self, arrival: Arrival) -> bool:
        return self._answering is not None and arrival.topic == self._answering.topic

    def _begin(self, connected: Connected) -> bool:
        """A connection began: does the broker still have the session that the store knows of?"""

        def remember() -> None:
            known = self._store.db.fact(SESSION_FACT) == self._session
            if not connected.session_present:
                self._store.journal.forget_inbox()
                if known:
                    self._store.db.set_fact(LOST_FACT, str(connected.at_ms))
                    with self._lock:
                        self._link = replace(self._link, session_lost_ms=connected.at_ms)
                    _log.warning(
                        "the broker does not know this client's session any more: what was published while the "
                        "service was away may be missing"
                    )
            if not known:
                self._store.db.set_fact(SESSION_FACT, self._session)

        if not self._insisting(remember):
            return False
        self._arrivals.connected(connected.at_ms, session_present=connected.session_present)
        return True

    def _flush(self, batch: list[tuple[Arrival, Decoded]], *, dry: bool) -> bool:
        """Store a batch, then acknowledge it. False: the service ends and it could not be stored."""
        if not batch:
            return True
        states: list[Arrival] = []
        answers: list[Arrival] = []
        readings: list[tuple[Arrival, Decoded]] = []
        for entry in batch:
            if entry[0].topic in self._wills.topics:
                states.append(entry[0])
            elif self._is_answer(entry[0]):
                answers.append(entry[0])
            else:
                readings.append(entry)
        if states and not self._insisting(lambda: self._wills.keep(self._store, states)):
            return False
        settled = self._settle(readings, dry=dry)
        quarantined = [Quarantined(u.received_ms, u.topic, u.payload, u.reason, u.probe) for u in settled.unreadable]
        marks = [InboxMark(mid, digest) for mid, digest in settled.marks]

        def keep() -> None:
            crash_point("before-commit")
            self._store.journal.ingest(settled.readings, quarantined, marks)

        if (settled.readings or quarantined or marks) and not self._insisting(keep):
            return False
        self._arrivals.stored(settled)
        for arrival in answers:
            if not self._answer(arrival):
                return False
        crash_point("after-commit-before-ack")
        self._line.acknowledge(arrival for arrival, _ in batch)
        self._count_stored(settled)
        for topic in settled.retained_untimed:
            self._say_once(f"a retained message without a time of its own on {topic} is not taken as a reading")
        for topic in dict.fromkeys(settled.strangers):
            self._say_once(f"no probe claims the topic {topic} any more: unsubscribing")
            self._line.unsubscribe(topic)
        return True

    def _answer(self, arrival: Arrival) -> bool:
        """Answer what a message answers, then say what became of it. False as with :meth:`_flush`."""
        answering, said = self._answering, []
        assert answering is not None

        def take() -> None:
            try:
                said.append(answering.take(self._store, arrival))
            except MonitorError:
                raise
            except Exception:  # noqa: BLE001
                # A mistake of ours in one message must not keep the readings behind it.
                _log.exception("a message on %s could not be handled", arrival.topic)

        if not self._insisting(take):
            return False
        crash_point("after-answer-before-reply")
        if said and said[0]:
            self._line.publish(answering.reply_topic, said[0])
        return True

    def _count_stored(self, settled: Settled) -> None:
        with self._lock:
            c = self._link.counts
            counts = replace(
                c,
                stored=c.stored + len(settled.readings),
                quarantined=c.quarantined + len(settled.unreadable),
                repeated=c.repeated + settled.repeated,
                retained=c.retained + settled.retained,
            )
            live_ms = settled.live_ms if settled.live_ms is not None else self._link.last_live_ms
            self._link = replace(self._link, counts=counts, last_live_ms=live_ms)

    def _say_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            _log.warning("%s", text)

    def _insisting(self, work: Callable[[], None]) -> bool:
        """Do it until the store takes it. False only when the service ends meanwhile."""
        pause = BACK_OFF_S[0]
        while True:
            self._beat = time.monotonic()
            try:
                work()
            except MonitorError as error:
                if not self._link.store_error:
                    _log.error("nothing can be stored: %s", error)
                with self._lock:
                    self._link = replace(self._link, store_error=str(error))
                if self._closing.is_set():
                    return False
                self._closing.wait(pause)
                pause = min(pause * 2, BACK_OFF_S[1])
                if not isinstance(error, (StoreFull, StoreLocked)):
                    self._reopen()
                continue
            if self._link.store_error:
                with self._lock:
                    self._link = replace(self._link, store_error="")
                _log.warning("the store takes readings again")
            return True

    def _reopen(self) -> None:
        """A file that came back (a disk mounted again) needs a new connection."""
        try:
            fresh = Store(self._settings.data_dir)
        except MonitorError:
            return
        self._store.close()
        self._store = fresh


def _failed(arrival: Arrival, error: Exception) -> Decoded:
    _log.error("a message on %s could not be handled", arrival.topic, exc_info=error)
    return Decoded(refused=(("", f"a mistake in this program: {type(error).__name__}: {error}"),))


def _remembered(store: Store, probes: Sequence[Probe]) -> Arrivals:
    """What the store knows of earlier messages: contexts, packet identifiers, when each probe was heard."""
    heard = store.readings.last_at()
    contexts: dict[str, Context] = {}
    placed: dict[str, tuple[int, int]] = {}
    for probe in probes:
        last_ms = heard.get(probe.id)
        if last_ms is None:
            continue
        columns = store.readings.load([probe.id], last_ms - HOUR_MS, last_ms + 1)[probe.id]
        good = [i for i, usable in enumerate(columns.usable) if usable]
        if good:
            contexts[probe.id] = Context(int(columns.at[good[-1]]), float(columns.value[good[-1]]), last_ms)
        else:
            contexts[probe.id] = Context(seen_ms=last_ms)
        untimed = [i for i, timed in enumerate(columns.timed) if not timed]
        if untimed:
            placed[probe.id] = int(columns.received[untimed[-1]]), int(columns.at[untimed[-1]])
    return Arrivals(probes, contexts=contexts, marks=store.journal.inbox(), heard_ms=heard, placed=placed)


__all__ = ["Counts", "Intake", "Link"]
