"""The way in: messages from the broker become readings on the disk, and only then are acknowledged.

One thread, the writer, reads from the broker, gathers, stores in one transaction (T1), and acknowledges after the
COMMIT (:mod:`monitor.adapters.mqtt.keeping`). While it is at the disk for long another one keeps the line
(:mod:`monitor.adapters.mqtt.drive`), and puts what comes into a bounded queue. Whatever happens in between, the broker
still has the message and sends it again; :mod:`monitor.core.readings.arrivals` knows it then.

Messages that were published with QoS 0 are outside these promises: no broker keeps or repeats them.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from monitor.adapters.mqtt.answers import AnswerTopic
from monitor.adapters.mqtt.arrival_queue import ArrivalQueue
from monitor.adapters.mqtt.keeping import Keeping, SinceStart
from monitor.adapters.mqtt.line import ANSWER_S, Connected, Line
from monitor.adapters.mqtt.line_states import LinePhase, LineStatus, Protocol
from monitor.adapters.mqtt.persistence import Persistence
from monitor.adapters.mqtt.standing import StandingMessages
from monitor.adapters.mqtt.wills import Wills
from monitor.core.readings.arrivals import Arrival
from monitor.core.readings.decode import Decoded
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Settings
from monitor.values import dataclass

_log = logging.getLogger(__name__)

BATCH: Final = 500
BATCH_READINGS: Final = 20_000
# Brokers let at least so many messages be under way (20 is the usual bound with MQTT 3.1.1): when that many are
# here and no more comes, the broker may be waiting for us. No more: for four times as long as they came apart.
WINDOW: Final = 20
IDLE_S: Final = 0.05
IDLE_GAPS: Final = 4.0
URGENT_EVERY_S: Final = 0.25
# Longer than the store waits for another writer (30 s), so that a slow commit is not taken for a hung one.
ALIVE_S: Final = 90.0
STOP_S: Final = 40.0


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


class Intake:
    """Receives, stores, acknowledges. ``start`` once, then ``stop``.

    ``now_ms`` is the clock of received times (a rehearsal brings its own). ``urgent`` tells which readings are worth a
    commit at once, ``kept`` is told of each commit. While ``clock_trusted`` says False, measured times are not compared
    with this computer's. After ``answer_s`` without an answer to the greeting the other version of the protocol is
    tried.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        now_ms: Callable[[], int],
        urgent: Callable[[Reading], bool] = lambda _: False,
        kept: Callable[[], None] = lambda: None,
        clock_trusted: Callable[[], bool] = lambda: True,
        answer_s: float = ANSWER_S,
        answering: AnswerTopic | None = None,
    ) -> None:
        self._settings = settings
        self._urgent = urgent
        self._kept = kept
        self._clock_trusted = clock_trusted
        self._answering = answering
        self._queue = ArrivalQueue()
        self._ending = threading.Event()
        self._persistence: Persistence | None = None
        self._keeping: Keeping | None = None
        self._writer: threading.Thread | None = None
        self._wills = Wills(settings.room.gateways)
        self._standing = StandingMessages(Path(settings.data_dir))
        topics = tuple(dict.fromkeys(p.topic for p in settings.room.all_probes))
        if answering is not None:
            topics = (*topics, answering.topic)
        self._line = Line(
            settings.broker,
            topics,
            self._queue.put,
            now_ms=now_ms,
            room=self._queue.has_room,
            states=self._wills.topics,
            standing=self._standing,
            config_file=settings.file,
            answer_s=answer_s,
        )

    # ------------------------------------------------------------ what the service calls, in any thread

    def start(self) -> None:
        """Open the store, begin to connect. Raises StoreError; a broker that is not there is no error here."""
        settings = self._settings
        persistence = Persistence(settings.data_dir, self._ending)
        try:
            self._keeping = Keeping(
                persistence,
                self._line,
                settings.broker,
                settings.room.all_probes,
                self._wills,
                self._answering,
                self._clock_trusted,
            )
        except BaseException:
            persistence.store.close()
            raise
        self._persistence = persistence
        self._line.open()
        self._writer = threading.Thread(
            target=self._write, args=(persistence, self._keeping), name="warmtally-writer", daemon=True
        )
        self._writer.start()

    def stop(self, within_s: float = STOP_S) -> bool:
        """Store and acknowledge what is here, then part from the broker. Takes no longer than ``within_s``; False when
        that did not end in time: what is left is at the broker. In any thread; may be called twice."""
        self._ending.set()
        if self._writer is None:
            return True
        self._writer.join(within_s)
        return not self._writer.is_alive()

    def link(self) -> Link:
        """A snapshot."""
        line, queue = self._line.state(), self._queue
        kept = self._keeping.kept if self._keeping is not None else SinceStart()
        return Link(
            state=line.status,
            since_ms=line.since_ms,
            detail=self._line.detail(line),
            protocol=line.protocol,
            counts=Counts(
                received=queue.received,
                stored=kept.stored,
                quarantined=kept.quarantined,
                repeated=kept.repeated,
                retained=kept.retained,
                without_ack=queue.without_ack,
                overflows=queue.overflows,
            ),
            last_message_ms=queue.last_message_ms,
            last_live_ms=kept.live_ms,
            refused_topics=line.refused_topics,
            store_error=self._persistence.error if self._persistence is not None else "",
            session_lost_ms=kept.session_lost_ms,
        )

    def stand(self, messages: Mapping[str, bytes]) -> None:
        """What stands at the broker from now on, see :class:`StandingMessages`; said when no reading waits."""
        self._standing.stand(messages)

    def alive(self) -> bool:
        """Whether the writer makes its rounds; it replaces a dead network thread itself."""
        return self._writer is not None and self._writer.is_alive() and self.heartbeat_age_s() < ALIVE_S

    def heartbeat_age_s(self) -> float:
        """Seconds since the writer last made its round."""
        return time.monotonic() - self._persistence.beat_s if self._persistence is not None else 0.0

    # ------------------------------------------------------------ the writer

    def _write(self, persistence: Persistence, keeping: Keeping) -> None:
        try:
            self._rounds(persistence, keeping)
        except Exception:  # noqa: BLE001
            _log.exception("the writer ended; nothing that is not stored was acknowledged")
        finally:
            # The store first: parting may have to wait for a network thread that looks up the broker's name.
            persistence.store.close()
            self._line.close()

    def _rounds(self, persistence: Persistence, keeping: Keeping) -> None:
        batch: list[tuple[Arrival, Decoded]] = []
        readings = 0
        due = began = idle = time.monotonic()
        flushed = began - URGENT_EVERY_S
        while True:
            item = self._next(persistence, batch, min(due, idle) if len(batch) >= WINDOW else due)
            if isinstance(item, Arrival):
                decoded, now = keeping.read(item), time.monotonic()
                if not batch:
                    began, due = now, now + self._settings.commit_every_s
                batch.append((item, decoded))
                idle = now + max(IDLE_S, IDLE_GAPS * (now - began) / len(batch))
                readings += len(decoded.readings)
                for reading in decoded.readings:
                    if self._is_urgent(reading):
                        due = min(due, flushed + URGENT_EVERY_S)
                if keeping.is_answer(item):
                    due = min(due, flushed + URGENT_EVERY_S)
            # The broker may be holding back until we acknowledge; then it is not the end of what it has.
            stalled = item is None and len(batch) >= WINDOW and time.monotonic() >= idle
            full = len(batch) >= BATCH or readings >= BATCH_READINGS
            ending = item is None and self._ending.is_set()
            if full or stalled or ending or isinstance(item, Connected) or time.monotonic() >= due:
                dry = isinstance(item, Connected) or not (full or stalled or self._more())
                if not keeping.keep(batch, dry=dry):
                    return
                self._kept()
                if batch:
                    # What nothing was stored at puts off nothing.
                    batch, readings, flushed = [], 0, time.monotonic()
            if isinstance(item, Connected) and not keeping.begin(item):
                return
            if ending:
                return

    def _next(self, persistence: Persistence, batch: Sequence[object], due: float) -> Arrival | Connected | None:
        """What is next in the queue; None when nothing came for a while."""
        item = self._queue.take()
        if item is not None:
            return item
        persistence.beat()
        if not self._ending.is_set():
            self._tend()
        wait = 0.2
        if batch:
            wait = max(min(wait, due - time.monotonic()), 0.0)
        self._line.turn(wait, BATCH)
        return self._queue.take()

    def _more(self) -> bool:
        """Whether more is here already."""
        if not self._queue.qsize():
            self._line.turn(0.0, BATCH)
        return self._queue.qsize() > 0

    def _tend(self) -> None:
        """The line's needs, while nothing waits in the queue."""
        if self._line.state().phase is not LinePhase.OVERFULL:
            self._line.tend()
        elif not self._queue.qsize():
            self._line.resume()

    def _is_urgent(self, reading: Reading) -> bool:
        try:
            return self._urgent(reading)
        except Exception:  # noqa: BLE001
            _log.exception("telling whether a reading is urgent failed")
            return True
