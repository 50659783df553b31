"""The composition root: what is started in which order, the round, and how it all stops.

One round is: read what is new, take a snapshot, evaluate it, commit what changed together with its notices (T2), wake
the senders. The watchdog and the outside heartbeat are fed only after a whole round. Ingest never waits for a
round, a round never waits for a channel.

With a clock of its own (``now_ms``) the service runs a rehearsal or a replay: then nothing runs by itself, and
whoever made it calls :meth:`App.round` at the moments it chooses.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.adapters.delivery.senders import Delivery, recipients
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.mqtt.line import ANSWER_S
from monitor.adapters.store import ServiceLock, Store
from monitor.config.library import load_profile
from monitor.core.notices.conditions import Condition
from monitor.core.notices.evaluation import Outcome, evaluate, place_of
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.kinds.checks import CHECKS, WHOLE
from monitor.core.notices.notices import Notice, Route, daily, drill
from monitor.core.notices.routing import LOG, audiences, quiet_end_ms, routes
from monitor.core.notices.snapshot import ClockNow, Health, LinkNow, Service, Snapshot, StoreNow
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Settings, Urgency
from monitor.core.terms.times import HOUR_MS
from monitor.derived.room import Derived, zone_of
from monitor.errors import MonitorError, StoreError, StoreFull
from monitor.service.answering import WaysBack
from monitor.service.calendar import CalendarJobs
from monitor.service.unwatched import Absence
from monitor.service.watchers import ClockWatch, Heartbeat, Notifier, Reserve, free_mb

if TYPE_CHECKING:
    # Its library is large, and loaded only where readings are shipped.
    from monitor.adapters.shipping import Shipper

log = logging.getLogger("warmtally")

# What can still be looked at when the boxes cannot.
OF_SERVICE = {
    "broker-refused",
    "store-failing",
    "disk-low",
    "notices-stuck",
    "shipping-behind",
    "heartbeat-unanswered",
    CHECKS,
}
# A round that takes longer than this is worth a line in the log.
SLOW_ROUND_S = 5.0


def wall_ms() -> int:
    """The wall clock, UTC, ms since 1970."""
    return time.time_ns() // 1_000_000


class App:
    """One room's service."""

    def __init__(self, settings: Settings, *, now_ms: Callable[[], int] | None = None) -> None:
        self.settings = settings
        self.simulated = now_ms is not None
        self.now_ms = now_ms or wall_ms
        self._undo = contextlib.ExitStack()
        self._orders: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._near: dict[str, tuple[float, float]] = {}
        self._folded_hour = -1
        self._trusted, self._trust_detail = True, ""
        self._error = ""
        self._shipper: Shipper | None = None
        self._latest: Snapshot | None = None
        self.heartbeat: Heartbeat | None = None
        self.calendar: CalendarJobs | None = None
        self.notifier = Notifier()
        self.reserve = Reserve(settings.data_dir)
        self._failed: dict[str, str] = {}
        self._blind = False
        self._untidy = ""

    # -- start and stop -----------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the store and start every part. What was started is stopped again if a later part fails."""
        settings = self.settings
        with contextlib.ExitStack() as undo:
            lock = ServiceLock(settings.data_dir)
            undo.callback(lock.release)
            self.store = Store(settings.data_dir)
            undo.callback(self.store.close)
            self.store.readings.damaged = {}
            self.started_ms = self.now_ms()
            self.absence = Absence(self.store)
            undo.callback(self._note_end)
            self.derived = Derived(self.store, settings, lambda name: load_profile(name, settings.profiles_dir))
            self.reserve.keep(settings.room.watch.disk_low_mb)
            newest = max(self.store.readings.last_at().values(), default=None)
            self.clock = None if self.simulated else ClockWatch(self.now_ms, newest_ms=newest)
            self._tidy(self.now_ms())
            self.ways_back = WaysBack(settings, self.now_ms)
            zone, watch = zone_of(settings.room.zone), settings.room.watch
            self.delivery = Delivery(
                settings.data_dir,
                settings.channels,
                self.now_ms,
                invite=self.ways_back.invite,
                zone=zone,
                quiet_until=lambda now: quiet_end_ms(now, watch, zone),
                texts=settings.room.texts,
            )
            self.delivery.start()
            undo.callback(self.delivery.stop)
            self._start_shipping(undo)
            if settings.heartbeat is not None and not self.simulated:
                self.heartbeat = Heartbeat(settings.heartbeat, self.now_ms)
                self.heartbeat.start()
                undo.callback(self.heartbeat.stop)
            self.intake = Intake(
                settings,
                now_ms=self.now_ms,
                urgent=self._urgent,
                clock_trusted=lambda: self._trusted,
                # A rehearsal's broker is on this computer, and silent to MQTT 5.
                answer_s=1.5 if self.simulated else ANSWER_S,
                answering=self.ways_back.topic,
            )
            self.intake.start()
            undo.callback(self.intake.stop)
            self.ways_back.start()
            undo.callback(self.ways_back.stop)
            if not self.simulated:
                self.calendar = CalendarJobs(settings.calendar, settings.room.zone, self._orders.put)
                undo.callback(self.calendar.stop)
            self._undo = undo.pop_all()
        log.info(
            "watching room %s: %d probes, %d boxes, %d channels",
            settings.room.name,
            len(settings.room.probes),
            len(settings.room.boxes),
            len(settings.channels),
        )
        for line in settings.room.texts.left_out:
            log.warning("%s (until then the usual text is used)", line)

    def _start_shipping(self, undo: contextlib.ExitStack) -> None:
        if self.settings.shipping is None:
            self.store.shipping.forget()
            return
        from monitor.adapters.shipping import Shipper, derived_points

        shipper = Shipper(
            self.settings.shipping,
            self.settings.data_dir,
            self.now_ms,
            quantities={p.id: p.quantity for p in self.settings.room.all_probes},
            units={b.id: b.unit for b in self.settings.room.batteries},
            derived=lambda: derived_points(self._latest) if self._latest is not None else [],
        )
        shipper.start()
        undo.callback(shipper.stop)
        self._shipper = shipper

    def stop(self) -> None:
        """Stop every part in the opposite order. May be called twice."""
        self.notifier.stopping()
        self._undo.close()

    def _note_end(self) -> None:
        """The last moment at which somebody watched; a store that takes nothing any more only makes it earlier."""
        if self._trusted:
            with contextlib.suppress(StoreError):
                self.absence.note(self.now_ms())

    # -- the round ----------------------------------------------------------------------------------------

    def round(self) -> Outcome:
        """One whole round at this moment. Raises StoreError when its outcome could not be committed."""
        began = time.monotonic()
        now = self.now_ms()
        self._look_at_clock()
        service = self._service()
        snapshot, whole = self._snapshot(now, service)
        if whole:
            self._latest = snapshot
            self._near = _near_limits(snapshot)
        outcome = evaluate(snapshot, None if whole else [k for k in all_kinds() if k.name in OF_SERVICE])
        self._tell_failed(outcome)
        made = self._commit(outcome)
        if whole:
            made += self._carry_out(snapshot)
        if made:
            self.delivery.wake()
        self.reserve.keep(1.1 * self.settings.room.watch.disk_low_mb)
        if now // HOUR_MS != self._folded_hour:
            self._tidy(now)
        if self.heartbeat is not None and whole and service.link.state == "up" and not service.store.error:
            self.heartbeat.round_done()
        if whole:
            self.notifier.round_done()
        took = time.monotonic() - began
        if took > SLOW_ROUND_S:
            log.warning("a round took %.1f s", took)
        return replace(outcome, notices=tuple(made))

    def _snapshot(self, now: int, service: Service) -> tuple[Snapshot, bool]:
        """All that is known, and True; or the service alone where the rest cannot be looked at, and False.

        Then the service tells that, and goes on with taking in readings and with notices on their way. The service
        manager is not told that it lives, and starts it anew after a while: what was wrong may have been in memory.
        """
        apart = audiences(self.settings.channels, self.settings.room.stacks)
        try:
            self.derived.follow(now)
            snapshot = replace(self.derived.snapshot(now, service), audiences=apart)
            self._blind = False
            return snapshot, True
        except Exception as error:
            # Whatever keeps the boxes from being looked at, it must be told.
            if not self._blind:
                log.exception("the boxes cannot be looked at")
            self._blind = True
            why = _why(error)
            service = replace(service, checks_failed={WHOLE: why})
            conditions = self.store.ledger.conditions()
            zone = zone_of(self.settings.room.zone)
            return Snapshot(now, self.settings.room, zone, service, conditions=conditions, audiences=apart), False

    def _damage(self) -> dict[str, str]:
        """Checks that suffer from damage in the store, each with the reason."""
        found = {f"the readings of {probe}": why for (probe, _), why in (self.store.readings.damaged or {}).items()}
        return found | ({"hourly sums": self._untidy} if self._untidy else {})

    def _tell_failed(self, outcome: Outcome) -> None:
        for name, why in outcome.failed.items():
            if self._failed.get(name) != why:
                log.error("the check %s cannot be made: %s", name, why)
        self._failed = dict(outcome.failed)

    def _commit(self, outcome: Outcome) -> list[Notice]:
        """T2, when anything changed that must survive."""
        self.derived.judged |= {c.key: c for c in outcome.conditions}
        before = outcome.snapshot.conditions
        worth = tuple(c for c in outcome.conditions if c.differs(before.get(c.key, Condition(*c.key))))
        if not (worth or outcome.transitions or outcome.notices):
            return []
        outcome = replace(outcome, conditions=worth, notices=tuple(self._routed(outcome.notices, outcome.snapshot)))
        channels = recipients(self.settings.channels)
        try:
            return self._commit_all(outcome, channels)
        except StoreFull:
            # The reserve is for this: that a full disk can be told.
            if not self.reserve.spend(urgent=any(n.urgency == "now" for n in outcome.notices)):
                raise
            return self._commit_all(outcome, channels)

    def _routed(self, notices: Iterable[Notice], snapshot: Snapshot) -> list[Notice]:
        """Notices with their ways to the channels: by urgency, kind and stack, quiet hours and further steps."""
        watch, channels = self.settings.room.watch, self.settings.channels
        ledger = self.store.ledger
        routed = []
        for notice in notices:
            try:
                ways = routes(
                    notice,
                    channels,
                    watch,
                    snapshot.zone,
                    snapshot.stack_of,
                    lambda over: ledger.reached(over.kind, over.subjects),
                )
            except Exception:
                # Whatever is wrong with the ways of a notice: rather through all channels than through none.
                log.exception("the ways of %s cannot be told; it goes to every channel", notice.key)
                ways = (Route(LOG), *(Route(channel.id) for channel in channels))
            routed.append(replace(notice, routes=ways))
        return routed

    def _commit_all(self, outcome: Outcome, channels: Mapping[str, tuple[Urgency, ...]]) -> list[Notice]:
        return self.store.ledger.commit(outcome.conditions, outcome.transitions, outcome.notices, channels)

    def _carry_out(self, snapshot: Snapshot) -> list[Notice]:
        """What the calendar ordered since the last round."""
        made: list[Notice] = []
        while True:
            try:
                order = self._orders.get_nowait()
            except queue.Empty:
                return made
            if order == "daily":
                made += self.store.ledger.commit((), (), self._routed([daily(snapshot)], snapshot), {})
            elif order == "drill":
                made += self.store.ledger.commit((), (), self._routed([drill(snapshot)], snapshot), {})
            elif order == "retention":
                log.info("retention: %s", self.store.forget(snapshot.now_ms, self.settings.calendar.keep_days))

    def _tidy(self, now: int) -> None:
        """Once an hour: fold the journal into chunks and write the finished hours' sums."""
        if not self._trusted:
            return
        try:
            self.store.folding.fold(now, self.derived.seen_seq if self.derived.seen_seq >= 0 else 2**62)
            self.derived.refresh(now)
            self.store.db.checkpoint()
            self._folded_hour = now // HOUR_MS
            self._untidy = ""
        except StoreFull as error:
            log.error("%s", error)  # noqa: TRY400 - the message is the whole story
            self._folded_hour = now // HOUR_MS
        except Exception as error:  # noqa: BLE001 - one damaged hour must not end the watch; it is told as a check
            self._untidy = _why(error)
            log.error("the hour's sums cannot be written: %s", self._untidy)  # noqa: TRY400
            self._folded_hour = now // HOUR_MS

    def _look_at_clock(self) -> None:
        if self.clock is None:
            return
        look = self.clock.look()
        if look.step_s:
            # What was heard before the step has a time of the old clock: everything is given its time again.
            self.started_ms = self.now_ms()
            self.delivery.clock_set(look.step_s)
            if self.calendar is not None:
                self.calendar.stop()
        self._trusted, self._trust_detail = look.trusted, look.why
        if look.trusted and self.calendar is not None and not self.calendar.running:
            self.calendar.start(self.now_ms())

    def _service(self) -> Service:
        """How the service itself fares, as facts."""
        link = self.intake.link()
        channels = self.delivery.status()
        shipping = self._shipper.status() if self._shipper is not None else None
        heartbeat = self.heartbeat.status() if self.heartbeat is not None else None
        return Service(
            started_ms=self.started_ms,
            link=LinkNow(link.state, link.since_ms, link.detail, link.last_live_ms, link.session_lost_ms),
            store=StoreNow(link.store_error or self._error, free_mb(self.settings.data_dir)),
            clock=ClockNow(self._trusted, self._trust_detail),
            channels={name: Health(c.failing_since_ms, c.last_error) for name, c in channels.items()},
            shipping=Health(shipping.behind_since_ms, shipping.last_error) if shipping is not None else None,
            heartbeat=Health(heartbeat.failing_since_ms, heartbeat.last_error) if heartbeat is not None else None,
            answers=self.ways_back.health(),
            away=self.absence.look(self.now_ms(), self.started_ms, trusted=self._trusted),
            checks_failed=self._damage(),
        )

    def _urgent(self, reading: Reading) -> bool:
        """Whether a reading is so near a limit that it is committed at once."""
        low, high = self._near.get(reading.probe, (-1e9, 1e9))
        return not low < reading.value < high

    # -- running by itself --------------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Rounds on a monotonic loop until told to stop. Raises when a part has died, so that the process ends
        and is started anew: starting is the way to recover that is exercised every day."""
        self.notifier.ready(f"watching room {self.settings.room.name}")
        every_s = self.settings.tick_s
        longest = self.notifier.longest_round_s
        if longest is not None:
            every_s = min(every_s, 0.8 * longest)
        due = time.monotonic()
        while not stop.is_set():
            try:
                self.round()
                self._error = ""
            except StoreError as error:
                # The readings are safe at the broker; the round is tried again, and systemd hears that we live.
                self._error = error.what
                log.error("the round could not be finished: %s", error)  # noqa: TRY400
                self.notifier.round_done()
            self.ways_back.tend()
            if not self.intake.alive():
                raise StoreError("the intake of readings has stopped", fix="the service is started anew by systemd")
            due = max(due + every_s, time.monotonic())
            stop.wait(due - time.monotonic())


def _why(error: Exception) -> str:
    """What failed, in the words of the error where it has some, else the place in the program."""
    return f"{error.what} ({error.where})" if isinstance(error, MonitorError) else place_of(error)


def _near_limits(snapshot: Snapshot) -> dict[str, tuple[float, float]]:
    """Probe -> temperatures outside of which its readings are committed at once."""
    result = {}
    for box in snapshot.boxes:
        band = box.limits.deadband_c
        low = box.limits.too_cool_c + band if box.limits.too_cool_c is not None else -1e9
        high = box.limits.too_warm_c - band if box.limits.too_warm_c is not None else 1e9
        for probe in snapshot.room.probes_in(box.box.id):
            result[probe.id] = low - probe.correction, high - probe.correction
    return result


def serve(settings: Settings) -> int:
    """Run the service until SIGTERM or SIGINT; the exit code."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    app = App(settings)
    try:
        app.start()
        app.run(stop)
    except MonitorError as error:
        log.error("%s", error)  # noqa: TRY400
        return error.exit_code
    finally:
        app.stop()
    return 0
