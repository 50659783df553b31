"""What can happen: readings, and what the keeper tells; and the clutches and lots that follow from it.

Readings and events are facts and never change. A wrong event is corrected by a further event that names it, so
that the account of every egg stays whole (append-only). Clutches and lots are not stored: they are made of the events
(``projection``).

Times are integer milliseconds since the Unix epoch, UTC.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import field
from typing import Final, NamedTuple

from monitor.errors import UnknownSubject
from monitor.values import dataclass


class Flag(enum.IntEnum):
    """Quality of a reading, the open QARTOD scheme (IOOS manuals)."""

    GOOD = 1
    NOT_JUDGED = 2
    SUSPECT = 3
    BAD = 4
    MISSING = 9

    @property
    def usable(self) -> bool:
        """Whether a reading so flagged may add development or clear a condition."""
        return self in (Flag.GOOD, Flag.NOT_JUDGED)


class Reading(NamedTuple):
    """One value of one probe. A named tuple, since thousands a second are made while a backlog comes in.

    ``value`` is in degrees Celsius or per cent, as the probe said it: corrections are applied when read.
    ``timed`` tells whether the payload carried ``at_ms`` itself; otherwise the received time serves.
    """

    probe: str
    at_ms: int
    value: float
    received_ms: int
    flag: Flag = Flag.NOT_JUDGED
    test: str = ""
    timed: bool = True


class EventKind(enum.StrEnum):
    """What a keeper can tell."""

    LAID = "laid"
    SET = "set"
    MOVED = "moved"
    SPLIT = "split"
    CANDLED = "candled"
    LOOKED = "looked"
    REMOVED = "removed"
    PIPPED = "pipped"
    HATCHED = "hatched"
    DEAD = "dead"
    WEIGHED = "weighed"
    WATERED = "watered"
    SHED = "shed"
    FED = "fed"
    NOTE = "note"
    FINISHED = "finished"
    CORRECT = "correct"


# What is told of a box and not of a clutch.
OF_BOXES: Final = (EventKind.WEIGHED, EventKind.WATERED)
# What is counted at a candling.
COUNTED: Final = ("fertile", "alive", "doubtful", "clear")
# How an egg is lost, and what that is called. An egg of which nobody said how counts as the last.
LOST: Final[Mapping[str, str]] = {
    "slug": "slug or infertile",
    "mould": "mould",
    "dried-out": "dried out",
    "in-egg": "dead in egg",
    "in-shell": "dead in shell",
    "other": "lost otherwise",
}


@dataclass(frozen=True, slots=True)
class KeeperEvent:
    """One line of the keeper's account.

    ``at_ms`` is when it happened or was seen; ``not_yet_at_ms`` the last look at which it had not happened yet
    (interval data). ``eggs`` counts the eggs it is about. ``box`` is where, ``to_box`` where to (moved).
    ``corrects`` names the event that this one replaces; ``withdrawn`` marks a correction that only takes back.
    ``developed`` is how far the eggs were when laid, as a share of the whole development (laid). ``alive``: of those
    that lie still, how many were seen alive, ``doubtful``: of how many it could not be told, ``clear``: how many show
    nothing (candled). ``slugs`` were laid beside the ``eggs``; ``gone``: so many of the eggs were gone before the
    account began; ``dam``, ``sire``, ``line`` as the keeper names them (laid). ``how`` an egg was lost, of ``LOST``
    (dead). ``not_set``: it is about eggs that are in no box yet. ``grams``: what a box weighed, or the water that it
    was given (1 g = 1 ml). ``by``: who told it.
    """

    kind: EventKind
    clutch: str
    at_ms: int
    recorded_ms: int
    id: int = 0
    box: str = ""
    to_box: str = ""
    eggs: int | None = None
    not_yet_at_ms: int | None = None
    day_only: bool = False
    species: str = ""
    fertile: int | None = None
    text: str = ""
    corrects: int | None = None
    withdrawn: bool = False
    developed: float = 0.0
    alive: int | None = None
    doubtful: int | None = None
    clear: int | None = None
    slugs: int = 0
    gone: int = 0
    dam: str = ""
    sire: str = ""
    line: str = ""
    how: str = ""
    not_set: bool = False
    grams: float | None = None
    by: str = ""

    @property
    def counts(self) -> tuple[tuple[str, int], ...]:
        """What was counted at a candling, and how many, in the order in which it is told."""
        return tuple((what, count) for what in COUNTED if (count := getattr(self, what)) is not None)


@dataclass(frozen=True, slots=True)
class Stay:
    """Eggs in one box from ``from_ms`` on, until ``to_ms`` (None: still there)."""

    box: str
    from_ms: int
    to_ms: int | None


@dataclass(frozen=True, slots=True)
class PipSeen:
    """``count`` eggs seen pipped at ``by_ms`` that were not at ``after_ms`` (None: no earlier look is known)."""

    after_ms: int | None
    by_ms: int
    count: int


@dataclass(frozen=True, slots=True)
class SeenAlive:
    """``count`` eggs of those that still have not pipped were seen alive at ``at_ms``."""

    at_ms: int
    count: int


@dataclass(frozen=True, slots=True)
class Lot:
    """The eggs of one clutch in one box over one span of time, with all that they went through before.

    ``looked_ms``: the last look at the eggs that was told. ``alive``: what was seen alive, oldest first;
    ``none_alive_ms``: when since then none of those that lie still was, None: that was not told. ``lost``: how many
    eggs were lost in which way, by the order of ``LOST``; ``dead_pipped``: of these had pipped.
    """

    id: str
    clutch: str
    box: str
    path: tuple[Stay, ...]
    eggs_set: int
    removed: int = 0
    lost: tuple[tuple[str, int], ...] = ()
    dead_pipped: int = 0
    infertile: int = 0
    pips: tuple[PipSeen, ...] = ()
    hatched: int = 0
    looked_ms: int | None = None
    alive: tuple[SeenAlive, ...] = ()
    none_alive_ms: int | None = None
    closed_ms: int | None = None
    moved_on: bool = False

    @property
    def from_ms(self) -> int:
        return self.path[0].from_ms

    @property
    def pipped(self) -> int:
        return sum(p.count for p in self.pips)

    @property
    def dead(self) -> int:
        """Eggs that were lost, slugs and infertile ones among them."""
        return sum(count for _, count in self.lost)

    @property
    def failed(self) -> int:
        """Eggs that were lost and could have lived."""
        return self.dead - dict(self.lost).get("slug", 0)

    @property
    def eggs(self) -> int:
        """Eggs in the box now: set, less those taken out, lost or hatched."""
        return self.eggs_set - self.removed - self.dead - self.hatched

    @property
    def inside(self) -> int:
        """Eggs that have pipped, and whose hatchlings are still in them."""
        return min(max(self.pipped - self.hatched - self.dead_pipped, 0), self.eggs)

    @property
    def still(self) -> int:
        """Eggs in the box that have not pipped."""
        return self.eggs - self.inside

    @property
    def waiting(self) -> int:
        """Eggs that may still pip."""
        return max(self.still - self.infertile, 0)

    @property
    def open(self) -> bool:
        return self.closed_ms is None


@dataclass(frozen=True, slots=True)
class Clutch:
    """Eggs laid together.

    ``eggs`` were laid to be set, ``slugs`` beside them. ``unplaced``: in no box yet. ``gone``: taken out, ``lost``:
    lost, both before they were in a box. ``shed``, ``fed``: hatchlings that have shed, and that have eaten.
    """

    id: str
    species: str
    laid_ms: int
    laid_day_only: bool
    eggs: int
    lots: tuple[Lot, ...] = ()
    unplaced: int = 0
    notes: tuple[tuple[int, str], ...] = ()
    events: tuple[KeeperEvent, ...] = field(default=(), repr=False)
    developed: float = 0.0
    slugs: int = 0
    gone: int = 0
    lost: tuple[tuple[str, int], ...] = ()
    shed: int = 0
    fed: int = 0
    finished_ms: int | None = None

    def lot(self, lot_id: str) -> Lot:
        for lot in self.lots:
            if lot.id == lot_id:
                return lot
        raise UnknownSubject(
            f"clutch {self.id} has no eggs called {lot_id!r}",
            fix=f"it has: {', '.join(x.id for x in self.lots) or 'none yet'}",
        )
