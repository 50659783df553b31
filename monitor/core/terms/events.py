"""What can happen: readings, and what the keeper tells; and the clutches and lots that follow from it.

Readings and events are facts and never change. A wrong event is corrected by a further event that names it, so
that the account of every egg stays whole (append-only). Clutches and lots are not stored: they are made of the events
(``projection``).

Times are integer milliseconds since the Unix epoch, UTC.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from monitor.errors import UnknownSubject


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
    CANDLED = "candled"
    LOOKED = "looked"
    REMOVED = "removed"
    PIPPED = "pipped"
    HATCHED = "hatched"
    DEAD = "dead"
    NOTE = "note"
    CORRECT = "correct"


# What is counted at a candling.
COUNTED: Final = ("fertile", "alive", "doubtful")


@dataclass(frozen=True, slots=True)
class KeeperEvent:
    """One line of the keeper's account.

    ``at_ms`` is when it happened or was seen; ``not_yet_at_ms`` the last look at which it had not happened yet
    (interval data). ``eggs`` counts the eggs it is about. ``box`` is where, ``to_box`` where to (moved).
    ``corrects`` names the event that this one replaces; ``withdrawn`` marks a correction that only takes back.
    ``developed`` is how far the eggs were when laid, as a share of the whole development (laid). ``alive``: of those
    that lie still, how many were seen alive, ``doubtful``: of how many it could not be told (candled).
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
    ``none_alive_ms``: when since then none of those that lie still was, None: that was not told.
    """

    id: str
    clutch: str
    box: str
    path: tuple[Stay, ...]
    eggs_set: int
    removed: int = 0
    dead: int = 0
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
    def eggs(self) -> int:
        """Eggs in the box now: set, less those taken out, lost or hatched."""
        return self.eggs_set - self.removed - self.dead - self.hatched

    @property
    def waiting(self) -> int:
        """Eggs that may still pip."""
        return max(self.eggs_set - self.removed - self.dead - self.infertile - self.pipped, 0)

    @property
    def open(self) -> bool:
        return self.closed_ms is None


@dataclass(frozen=True, slots=True)
class Clutch:
    """Eggs laid together."""

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

    def lot(self, lot_id: str) -> Lot:
        for lot in self.lots:
            if lot.id == lot_id:
                return lot
        raise UnknownSubject(
            f"clutch {self.id} has no lot {lot_id!r}",
            fix=f"its lots are: {', '.join(x.id for x in self.lots) or 'none yet'}",
        )
