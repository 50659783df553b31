"""The species of a room: each profile with its curve, read once and read again when its file was written anew."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import numpy as np

from monitor.config.library import own_stamp
from monitor.core.development.curves import RateCurve
from monitor.core.development.species import Profile
from monitor.errors import ConfigError, MonitorError
from monitor.values import dataclass

# Where a curve is asked for its digest: closer than published temperatures lie.
ASKED_C = np.arange(0.0, 50.0, 0.05)


@dataclass(frozen=True)
class Species:
    """A profile with its curve, or why there is none. ``digest``: of what the curve says, so that sums that were made
    with another table, or by another way of joining it, are made again."""

    profile: Profile | None
    curve: RateCurve | None
    refused: str
    digest: str


class SpeciesBook:
    """Species by name. ``stamp`` changes when a file of the keeper's own profiles does."""

    def __init__(self, load: Callable[[str], Profile], own_folder: str | None) -> None:
        self._load = load
        self._folder = own_folder
        self._known: dict[str, Species] = {}
        self.stamp = own_stamp(own_folder)

    def follow(self) -> None:
        """Profiles that were written anew since they were read are read again, for instance learned ones.

        One that cannot be read any more, since it is being edited or has a mistake, serves on as it was.
        """
        stamp = own_stamp(self._folder)
        if stamp == self.stamp:
            return
        # Here: a command is over before a profile is written anew.
        from logging import getLogger

        log = getLogger("warmtally.species")
        self.stamp = stamp
        before, self._known = self._known, {}
        for name, old in before.items():
            try:
                changed = self._load(name) != old.profile
            except ConfigError as error:
                log.warning("the profile %s has a mistake now and serves on as it was: %s", name, error)
                self._known[name] = old
            except MonitorError as error:
                log.warning("the profile %s does not serve any more: %s", name, error)
            else:
                if changed:
                    log.info("the profile %s was changed and serves as it is now", name)

    def of(self, name: str) -> Species:
        if name not in self._known:
            try:
                profile = self._load(name)
                curve = profile.curve()
                told = repr((curve.base_c, curve.rate_per_day(ASKED_C).round(12).tolist()))
                digest = hashlib.blake2b(told.encode(), digest_size=6).hexdigest()
                self._known[name] = Species(profile, curve, "", digest)
            except MonitorError as error:
                self._known[name] = Species(None, None, error.what, "")
        return self._known[name]
