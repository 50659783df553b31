"""A room with its store at hand, for one command or one page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import tzinfo
from functools import cached_property
from typing import TYPE_CHECKING

from monitor.adapters.store import Store
from monitor.config.zones import zone_of
from monitor.core.terms.settings import DisplayUnit, Settings

if TYPE_CHECKING:
    from monitor.derived.room import Derived


@dataclass
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

    def as_of(self, at_ms: int) -> RoomAtHand:
        """The same room and store, with the corrections of probes as they stood at a moment."""
        return RoomAtHand(self.settings, self.store, at_ms)
