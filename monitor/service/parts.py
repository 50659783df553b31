"""What the service is made of: each part started after what it needs, all of it stopped in one go."""

from __future__ import annotations

import logging
import queue
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.delivery.senders import Delivery
from monitor.adapters.mqtt.intake import Intake
from monitor.adapters.mqtt.line import ANSWER_S
from monitor.adapters.store import ServiceLock, Store
from monitor.config.library import load_profile
from monitor.config.zones import zone_of
from monitor.core.notices.routing import quiet_end_ms
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Settings
from monitor.derived.room import Derived
from monitor.page.room import LOOK_S, REHEARSED_LOOK_S, LatestRound
from monitor.service.answering import WaysBack
from monitor.service.calendar import CalendarJobs
from monitor.service.feed import CalendarFeed
from monitor.service.safekeeping import OF_SAFEKEEPING, Safekeeping, refuse_to_begin_anew
from monitor.service.state import StateAtBroker
from monitor.service.stopping import Stops
from monitor.service.unwatched import Absence
from monitor.service.watchers import Heartbeat, JudgedClock, Notifier, Reserve
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.adapters.shipping import Shipper

log = logging.getLogger("warmtally")

ASKED_APART_S: Final = 3.0


class LastRound(LatestRound):
    """What the last whole round saw: what is shown and shipped, and near which values a reading is committed at once.

    Written by the round, read by the threads of the intake, the shipping and the page; each is replaced as a whole.
    """

    def __init__(self) -> None:
        super().__init__()
        self._near: dict[str, tuple[float, float]] = {}
        # The intake's own: probes whose newest reading was near a limit, and whether one came to be so.
        self._there: set[str] = set()
        self._came = False
        self._asked_s = -ASKED_APART_S
        # Of what is asked: that it is for a reading near a limit, which waits for nothing.
        self.pressing = False

    def see(self, snapshot: Snapshot) -> None:
        self._near = _near_limits(snapshot)
        super().see(snapshot)

    def urgent(self, reading: Reading) -> bool:
        """Whether a reading is so near a limit that it is committed at once."""
        low, high = self._near.get(reading.probe, (-1e9, 1e9))
        if low < reading.value < high:
            self._there.discard(reading.probe)
            return False
        if reading.probe not in self._there:
            self._there.add(reading.probe)
            self._came = True
        return True

    def kept(self) -> None:
        """Readings were committed: where one came near a limit a round is asked for, but not for each that sways."""
        now_s = time.monotonic()
        if self._came and now_s - self._asked_s >= ASKED_APART_S:
            self._came, self._asked_s = False, now_s
            self.pressing = True
            self.asked.set()


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


@dataclass(frozen=True)
class ServiceParts:
    """The parts of one room's running service. ``heartbeat``, ``shipper``, ``calendar``, ``safekeeping``: None where
    there is none."""

    settings: Settings
    now_ms: Callable[[], int]
    store: Store
    derived: Derived
    reserve: Reserve
    absence: Absence
    clock: JudgedClock
    ways_back: WaysBack
    delivery: Delivery
    shipper: Shipper | None
    heartbeat: Heartbeat | None
    intake: Intake
    calendar: CalendarJobs | None
    safekeeping: Safekeeping | None
    notifier: Notifier
    orders: queue.SimpleQueue[str]
    last: LastRound
    feed: CalendarFeed
    state: StateAtBroker


def start_parts(
    settings: Settings,
    now_ms: Callable[[], int],
    stops: Stops,
    *,
    simulated: bool,
    clock: Callable[[int | None], JudgedClock],
) -> ServiceParts:
    """Start every part and enter it in ``stops``; whoever called stops those again if a later one fails.

    ``simulated``: nothing runs by itself. ``clock``: what watches the clock, made from the newest reading's time.
    """
    refuse_to_begin_anew(settings)
    lock = ServiceLock(settings.data_dir)
    stops.floor(lock.release)
    store = Store(settings.data_dir)
    stops.floor(store.close)
    store.make_all()
    store.readings.damaged, store.batches.damaged = {}, {}
    derived = Derived(store, settings, lambda name: load_profile(name, settings.profiles_dir))
    watched = clock(store.readings.newest_come_ms())
    absence = Absence(store)
    stops.floor(lambda: absence.end(now_ms(), trusted=watched.last.trusted))
    reserve = Reserve(settings.data_dir)
    reserve.keep(settings.room.watch.disk_low_mb)
    last, orders = LastRound(), queue.SimpleQueue[str]()
    feed = CalendarFeed(settings)
    ways_back = WaysBack(settings, now_ms, last, lambda: feed.text, waits_s=REHEARSED_LOOK_S if simulated else LOOK_S)
    delivery = _delivery(settings, now_ms, ways_back)
    delivery.start()
    stops.part("delivery", delivery.stop)
    shipper = _shipper(settings, now_ms, store, last)
    if shipper is not None:
        shipper.start()
        stops.part("shipping", shipper.stop)
    heartbeat = None
    if settings.heartbeat is not None and not simulated:
        heartbeat = Heartbeat(settings.heartbeat, now_ms)
        heartbeat.start()
        stops.part("the heartbeat", heartbeat.stop)
    intake = Intake(
        settings,
        now_ms=now_ms,
        urgent=last.urgent,
        kept=last.kept,
        clock_trusted=lambda: watched.last.trusted and not watched.stepped(),
        # A rehearsal's broker is on this computer, and silent to MQTT 5.
        answer_s=1.5 if simulated else ANSWER_S,
        answering=ways_back.topic,
    )
    intake.start()
    stops.part("the intake", intake.stop)
    ways_back.start()
    stops.part("the page", ways_back.stop)
    crash_point("in-start")
    calendar, safekeeping = (None, None) if simulated else _by_calendar(settings, now_ms, orders, stops)
    return ServiceParts(
        settings,
        now_ms,
        store,
        derived,
        reserve,
        absence,
        watched,
        ways_back,
        delivery,
        shipper,
        heartbeat,
        intake,
        calendar,
        safekeeping,
        Notifier(),
        orders,
        last,
        feed,
        StateAtBroker(settings, intake.stand, ways_back.secret),
    )


def _by_calendar(
    settings: Settings, now_ms: Callable[[], int], orders: queue.SimpleQueue[str], stops: Stops
) -> tuple[CalendarJobs, Safekeeping]:
    safekeeping = Safekeeping(settings, now_ms)
    safekeeping.start()
    stops.part("the safekeeping", safekeeping.stop)

    def order(job: str) -> None:
        (safekeeping.order if job in OF_SAFEKEEPING else orders.put)(job)

    calendar = CalendarJobs(settings.calendar, settings.room.zone, order, settings.backup)
    stops.part("the calendar", lambda _: calendar.stop())
    return calendar, safekeeping


def _delivery(settings: Settings, now_ms: Callable[[], int], ways_back: WaysBack) -> Delivery:
    zone, watch = zone_of(settings.room.zone), settings.room.watch
    return Delivery(
        settings.data_dir,
        settings.channels,
        now_ms,
        invite=ways_back.invite,
        zone=zone,
        quiet_until=lambda now: quiet_end_ms(now, watch, zone),
        texts=settings.room.texts,
    )


def _shipper(settings: Settings, now_ms: Callable[[], int], store: Store, last: LastRound) -> Shipper | None:
    if settings.shipping is None:
        store.shipping.forget()
        return None
    # Its library is large, and loaded only where readings are shipped.
    from monitor.adapters.shipping import Shipper, derived_points

    return Shipper(
        settings.shipping,
        settings.data_dir,
        now_ms,
        quantities={p.id: p.quantity for p in settings.room.all_probes},
        units={p.id: p.unit for p in (*settings.room.batteries, *settings.room.scales)},
        derived=lambda: derived_points(last.snapshot) if last.snapshot is not None else [],
    )
