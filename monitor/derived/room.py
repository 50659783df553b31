"""Everything known of one room at a moment, from the store: it can all be thrown away and computed anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace

from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.climate.heater import HeaterNow
from monitor.core.development.lots import LotNow
from monitor.core.development.plans import Plan
from monitor.core.development.species import Profile
from monitor.core.notices.conditions import Condition
from monitor.core.notices.snapshot import Service, Snapshot
from monitor.core.terms.events import Clutch, Lot
from monitor.core.terms.settings import Settings
from monitor.derived.boxes import Boxes
from monitor.derived.heaters import Heaters
from monitor.derived.hours import Hours
from monitor.derived.lots import Lots, present
from monitor.derived.probes import Probes
from monitor.derived.readings import RoomReadings
from monitor.derived.species import SpeciesBook
from monitor.derived.unwatched import Unwatched
from monitor.derived.weights import Weights
from monitor.errors import StoreCorrupt


class Derived:
    """One room, derived from its store. Belongs to one thread, like its store.

    Each part rests on those before it: ``readings`` and ``book`` (the species), ``hours``, ``histories`` (the lots),
    ``boxes``, ``probes`` and ``weights``. ``judged``: conditions as last judged; newer than the ledger's by what is
    not worth a write (see the service's round). ``known_by_ms``: with the corrections of probes as they stood at that
    moment.
    """

    def __init__(
        self,
        store: Store,
        settings: Settings,
        profiles: Callable[[str], Profile],
        *,
        known_by_ms: int | None = None,
        book: SpeciesBook | None = None,
    ) -> None:
        room = self.room = settings.room
        self._store = store
        self._settings = settings
        self._profiles = profiles
        self.readings = RoomReadings(store, room, known_by_ms=known_by_ms)
        self.book = book or SpeciesBook(profiles, settings.profiles_dir)
        self.hours = Hours(store, room, self.readings, self.book)
        self.histories = Lots(store, room, self.readings, self.book, self.hours)
        self.boxes = Boxes(room, self.readings, self.book)
        self.probes = Probes(store, room, self.readings)
        self._unwatched = Unwatched(store, room, self.readings)
        self._heaters = Heaters(room)
        self.weights = Weights(store, room, self.readings)
        self.judged: dict[tuple[str, str], Condition] = {}
        # As of the last look at boxes.
        self._clutches: dict[str, Clutch] | None = None

    @contextmanager
    def looking_back(self) -> Iterator[Callable[[int], Derived]]:
        """The same room with what was known of its probes at a moment, whichever is asked for.

        Between two moments at which the same was known nothing is read or computed twice.
        """
        known: dict[tuple[int, int], Derived] = {}
        with ExitStack() as sweeps:

            def then(at_ms: int) -> Derived:
                version = self._store.corrections.version(at_ms), self._store.disbeliefs.version(at_ms)
                if version not in known:
                    room = Derived(self._store, self._settings, self._profiles, known_by_ms=at_ms, book=self.book)
                    sweeps.enter_context(room.hours.sweep())
                    known[version] = room
                return known[version]

            yield then

    def follow(self, now_ms: int) -> None:
        """Bring what is in memory up to date: readings, corrections, profiles."""
        self.readings.follow(now_ms)
        self.book.follow()

    def lots(self, now_ms: int, *, plan: Plan | None = None, clutch: str | None = None) -> list[LotNow]:
        """Every lot that is or was there by ``now_ms``, with development and window as known then."""
        return self.histories.now(now_ms, plan=plan, clutch=clutch)

    def heaters(self, now_ms: int) -> dict[str, HeaterNow]:
        """Each stack's heater, by its air probe; by whole days, looked at once a day."""
        return self._heaters.now(self._store.readings, self.readings.corrections, self.readings.belief, now_ms)

    def snapshot(self, now_ms: int, service: Service) -> Snapshot:
        """Everything known at ``now_ms``. Call :meth:`follow` before."""
        return self.whole(self.of_boxes(now_ms, service), service)

    def of_boxes(self, now_ms: int, service: Service) -> Snapshot:
        """What limits are judged by: probes and boxes, and nothing else. Call :meth:`follow` before."""
        room = self.room
        conditions = self._store.ledger.conditions()
        for key, judged in self.judged.items():
            conditions[key] = conditions.get(key, Condition(*key)).judged_on(judged)
        inside: dict[str, list[tuple[Clutch, Lot]]] = {}
        try:
            self._clutches = self._store.account.clutches(now_ms)
        except StoreCorrupt:
            # Limits go on being judged by what was known before; whoever asks for the eggs is told of the damage.
            if self._clutches is None:
                raise
        for clutch in self._clutches.values():
            for lot in present(clutch):
                if lot.open and lot.eggs:
                    inside.setdefault(lot.box, []).append((clutch, lot))
        probes = self.probes.now(now_ms)
        return Snapshot(
            now_ms=now_ms,
            room=replace(room, probes=tuple(p.probe for p in probes)),
            zone=zone_of(room.zone),
            service=service,
            probes=probes,
            boxes=tuple(self.boxes.now(box, now_ms, inside.get(box.id, ())) for box in room.boxes),
            conditions=conditions,
            belief=self.readings.belief,
        )

    def whole(self, of_boxes: Snapshot, service: Service) -> Snapshot:
        """With all that is known beside, at the same moment."""
        room, now_ms, probes = self.room, of_boxes.now_ms, of_boxes.probes
        lots = self.lots(now_ms)
        species = {lot.clutch.species for lot in lots}
        return replace(
            of_boxes,
            service=service,
            lots=tuple(lots),
            stacks=tuple(p for s in room.stacks if (p := self.boxes.stack_profile(s, now_ms)) is not None),
            gateways=tuple(self.probes.gateway(g, probes) for g in room.gateways),
            batteries=tuple(self.probes.battery(b, now_ms) for b in room.batteries),
            waters=self.weights.now(now_ms),
            care={s: x.care for s in species if (x := self.book.of(s).profile) is not None},
            away=self._unwatched.now(service, now_ms),
            heaters=self.heaters(now_ms) if room.watch.heater_since_ms is not None else {},
        )
