"""What becomes of messages: read, judged, stored in one transaction (T1), and only then acknowledged.

Belongs to the writer. Messages that gateways and keepers send go their own ways on it (:mod:`.wills`,
:mod:`.answers`). A mistake of ours in one message costs that message alone: it is kept as unreadable.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.mqtt.answers import AnswerTopic
from monitor.adapters.mqtt.line import Connected, Line
from monitor.adapters.mqtt.persistence import Persistence
from monitor.adapters.mqtt.wills import Wills
from monitor.adapters.store import InboxMark, Quarantined, Store
from monitor.core.readings.arrivals import AROUND_MS, SAID, Arrival, Arrivals, Settled, parted
from monitor.core.readings.decode import Decoded
from monitor.core.readings.quality import Context
from monitor.core.terms.settings import Broker, Probe
from monitor.core.terms.times import HOUR_MS
from monitor.errors import MonitorError
from monitor.values import dataclass

_log = logging.getLogger(__name__)

SESSION_FACT: Final = "broker_session"
LOST_FACT: Final = "session_lost_ms"
NEVER_MS: Final = 2**62

Batch = Sequence[tuple[Arrival, Decoded]]


@dataclass(frozen=True, slots=True)
class SinceStart:
    """Since the start; replaced as a whole. ``live_ms`` is the newest stored message that was not retained,
    ``session_lost_ms`` when the broker was found not to know this client's session any more."""

    stored: int = 0
    quarantined: int = 0
    repeated: int = 0
    retained: int = 0
    live_ms: int | None = None
    session_lost_ms: int | None = None


class Keeping:
    """From a message to the store and back to the broker. ``kept`` may be read by any thread.

    While ``clock_trusted`` says False, measured times are not compared with this computer's. Raises StoreError where
    the store cannot be read.
    """

    def __init__(
        self,
        persistence: Persistence,
        line: Line,
        broker: Broker,
        probes: Sequence[Probe],
        wills: Wills,
        answering: AnswerTopic | None,
        clock_trusted: Callable[[], bool],
    ) -> None:
        self.kept = SinceStart()
        self._persistence = persistence
        self._line = line
        self._session = f"{broker.host}:{broker.port} {broker.client_id}"
        self._wills = wills
        self._answering = answering
        self._clock_trusted = clock_trusted
        self._arrivals = _remembered(persistence.store, probes)
        self._told: set[str] = set()

    def is_answer(self, arrival: Arrival) -> bool:
        return self._answering is not None and arrival.topic == self._answering.topic

    def begin(self, connected: Connected) -> bool:
        """A connection began: does the broker still have the session that the store knows of? False: the service ends
        and it could not be written down."""

        def remember(store: Store) -> None:
            known = store.db.fact(SESSION_FACT) == self._session
            if not connected.session_present:
                store.journal.forget_inbox()
                if known:
                    store.db.set_fact(LOST_FACT, str(connected.at_ms))
                    self.kept = replace(self.kept, session_lost_ms=connected.at_ms)
                    _log.warning(
                        "the broker does not know this client's session any more: what was published while the "
                        "service was away may be missing"
                    )
            elif store.db.fact(SESSION_FACT) is None:
                _log.error(
                    "the broker knows this client from before, but this store is new: if there was another one, look "
                    "whether its disk is mounted"
                )
            if not known:
                store.db.set_fact(SESSION_FACT, self._session)

        if not self._persistence.insist(remember):
            return False
        self._arrivals.connected(connected.at_ms, session_present=connected.session_present)
        return True

    def read(self, arrival: Arrival) -> Decoded:
        """What a message says. Raises nothing."""
        try:
            return self._arrivals.read(arrival, clock_trusted=self._clock_trusted())
        except Exception as error:  # noqa: BLE001
            return _failed(arrival, error)

    def keep(self, batch: Batch, *, dry: bool) -> bool:
        """Store a batch, then acknowledge it. ``dry``: nothing more was there when it was closed. False: the service
        ends and it could not be stored."""
        if not batch:
            return True
        states: list[Arrival] = []
        answers: list[Arrival] = []
        readings: list[tuple[Arrival, Decoded]] = []
        for entry in batch:
            if entry[0].topic in self._wills.topics:
                states.append(entry[0])
            elif self.is_answer(entry[0]):
                answers.append(entry[0])
            else:
                readings.append(entry)
        if states and not self._persistence.insist(lambda store: self._wills.keep(store, states)):
            return False
        *before, last = parted(readings)
        if not all(self._keep_readings(part, dry=False) for part in before) or not self._keep_readings(last, dry=dry):
            return False
        for arrival in answers:
            if not self._answer(arrival):
                return False
        crash_point("after-commit-before-ack")
        self._line.acknowledge(arrival for arrival, _ in batch)
        return True

    # ------------------------------------------------------------ the parts of keep

    def _keep_readings(self, batch: Batch, *, dry: bool) -> bool:
        """Store readings that came within some seconds; as :meth:`keep`."""
        if not self._look_up(batch):
            return False
        settled = self._settle(batch, dry=dry)
        if not self._store(settled):
            return False
        self._arrivals.stored(settled)
        self._count(settled)
        for topic in settled.retained_untimed:
            self._say_once(f"a retained message without a time of its own on {topic} is not taken as a reading")
        for topic in dict.fromkeys(settled.strangers):
            self._say_once(f"no probe claims the topic {topic} any more: unsubscribing")
            self._line.unsubscribe(topic)
        return True

    def _look_up(self, batch: Batch) -> bool:
        """Which moments are taken where readings without a time of their own fall: two on one would be one."""

        def look(store: Store) -> None:
            for probe, (from_ms, to_ms) in self._arrivals.unsure(batch).items():
                first_ms, last_ms = from_ms - AROUND_MS, to_ms + AROUND_MS
                there = store.readings.load([probe], first_ms, last_ms + 1)[probe].at
                newest_ms = store.readings.last_at().get(probe, 0)
                self._arrivals.remember(probe, first_ms, last_ms if newest_ms > last_ms else NEVER_MS, there.tolist())
            # Here it is not asked again.
            store.batches.give_back(0)

        return self._persistence.insist(look)

    def _settle(self, batch: Batch, *, dry: bool) -> Settled:
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

    def _store(self, settled: Settled) -> bool:
        quarantined = [Quarantined(u.received_ms, u.topic, u.payload, u.reason, u.probe) for u in settled.unreadable]
        marks = [InboxMark(mid, digest) for mid, digest in settled.marks]

        def write(store: Store) -> None:
            crash_point("before-commit")
            store.journal.ingest(settled.readings, quarantined, marks)

        return not (settled.readings or quarantined or marks) or self._persistence.insist(write)

    def _answer(self, arrival: Arrival) -> bool:
        """Answer what a message answers, then say what became of it. False as with :meth:`keep`."""
        answering, said = self._answering, []
        assert answering is not None

        def take(store: Store) -> None:
            try:
                said.append(answering.take(store, arrival))
            except MonitorError:
                raise
            except Exception:  # noqa: BLE001
                # A mistake of ours in one message must not keep the readings behind it.
                _log.exception("a message on %s could not be handled", arrival.topic)

        if not self._persistence.insist(take):
            return False
        crash_point("after-answer-before-reply")
        if said and said[0]:
            self._line.publish(answering.reply_topic, said[0])
        return True

    def _count(self, settled: Settled) -> None:
        kept = self.kept
        self.kept = replace(
            kept,
            stored=kept.stored + len(settled.readings),
            quarantined=kept.quarantined + len(settled.unreadable),
            repeated=kept.repeated + settled.repeated,
            retained=kept.retained + settled.retained,
            live_ms=settled.live_ms if settled.live_ms is not None else kept.live_ms,
        )

    def _say_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            _log.warning("%s", text)


def _failed(arrival: Arrival, error: Exception) -> Decoded:
    _log.error("a message on %s could not be handled", arrival.topic, exc_info=error)
    return Decoded(refused=(("", f"a mistake in this program: {type(error).__name__}: {error}"),))


def _remembered(store: Store, probes: Sequence[Probe]) -> Arrivals:
    """What the store knows of earlier messages: contexts, packet identifiers, when each probe was heard.

    A reading that carries a time still to come counts for when it came.
    """
    heard: dict[str, int] = {}
    contexts: dict[str, Context] = {}
    said: dict[str, dict[int, float]] = {}
    for probe, last_ms in store.readings.last_at().items():
        columns = store.readings.load([probe], last_ms - HOUR_MS, last_ms + 1)[probe]
        came = np.minimum(columns.at, columns.received)
        heard[probe] = int(came.max())
        good = np.flatnonzero(columns.usable)
        if len(good):
            newest = good[np.argmax(came[good])]
            contexts[probe] = Context(int(came[newest]), float(columns.value[newest]), heard[probe])
        else:
            contexts[probe] = Context(seen_ms=heard[probe])
        timed = columns.timed
        said[probe] = dict(zip(columns.at[timed][-SAID:].tolist(), columns.value[timed][-SAID:].tolist(), strict=True))
    return Arrivals(probes, contexts=contexts, marks=store.journal.inbox(), heard_ms=heard, said=said)
