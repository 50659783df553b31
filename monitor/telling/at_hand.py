"""A room with its store at hand, for one command or one page."""

from __future__ import annotations

from datetime import tzinfo
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.terms.settings import DisplayUnit, Settings
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.core.notices.snapshot import Snapshot
    from monitor.derived.room import Derived


class Reader(Protocol):
    """How the keeper of a room reads: times in its zone, temperatures in °C or °F."""

    @property
    def zone(self) -> tzinfo: ...

    @property
    def unit(self) -> DisplayUnit: ...


@dataclass()
class RoomAtHand:
    """A loaded room with its store, for one command. ``known_by_ms``: with the corrections of probes as they stood at
    that moment; None: as they stand."""

    settings: Settings
    store: Store
    known_by_ms: int | None = None

    @cached_property
    def zone(self) -> tzinfo:
        return zone_of(self.settings.room.zone)

    @cached_property
    def derived(self) -> Derived:
        """What follows from readings. Loaded when it is asked for: who enters a pip or answers a notice needs none."""
        from monitor.config.library import load_profile
        from monitor.derived.room import Derived

        folder = self.settings.profiles_dir
        return Derived(self.store, self.settings, lambda name: load_profile(name, folder), known_by_ms=self.known_by_ms)

    @property
    def unit(self) -> DisplayUnit:
        return self.settings.room.display_unit

    def picture(self, at_ms: int) -> Snapshot:
        """Everything known of the room at a moment, but for the service, which is not asked."""
        from monitor.core.notices.snapshot import Service

        self.derived.follow(at_ms)
        return self.derived.snapshot(at_ms, Service(started_ms=0))

    def as_of(self, at_ms: int) -> RoomAtHand:
        """The same room and store, with the corrections of probes as they stood at a moment."""
        return RoomAtHand(self.settings, self.store, at_ms)
