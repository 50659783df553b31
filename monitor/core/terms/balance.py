"""The balance of a clutch: laid = not yet set + in boxes + hatched + lost + removed, whatever was told."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.terms.events import LOST, Clutch, Lot
from monitor.core.terms.formats import show_eggs
from monitor.core.terms.projection import lose
from monitor.values import dataclass


@dataclass(frozen=True, slots=True)
class Balance:
    """What became of the eggs of a clutch, or of several. ``laid`` counts slugs; ``lost``: by how, as in ``LOST``."""

    laid: int = 0
    not_set: int = 0
    in_boxes: int = 0
    hatched: int = 0
    lost: tuple[tuple[str, int], ...] = ()
    removed: int = 0

    @property
    def dead(self) -> int:
        return sum(count for _, count in self.lost)

    @property
    def fertile(self) -> int:
        """Laid, less slugs and infertile ones and those that were taken out."""
        return self.laid - dict(self.lost).get("slug", 0) - self.removed

    @property
    def odd(self) -> int:
        """How many eggs the account has lost sight of; 0 in every account that is right."""
        return self.laid - self.not_set - self.in_boxes - self.hatched - self.dead - self.removed

    @property
    def lost_words(self) -> tuple[tuple[int, str], ...]:
        """How many were lost in which way, and how many were removed."""
        return (*((count, LOST[how]) for how, count in self.lost), (self.removed, "removed"))

    def __add__(self, other: Balance) -> Balance:
        lost = self.lost
        for how, count in other.lost:
            lost = lose(lost, how, count)
        return Balance(
            self.laid + other.laid,
            self.not_set + other.not_set,
            self.in_boxes + other.in_boxes,
            self.hatched + other.hatched,
            lost,
            self.removed + other.removed,
        )

    def words(self) -> str:
        """ "12 laid: 9 hatched, 2 slug or infertile, 1 dead in shell"; what does not add up is said."""
        there = (self.not_set, "not set yet"), (self.in_boxes, "in boxes"), (self.hatched, "hatched")
        return f"{self.laid} laid: {_listed(*there, *self.lost_words, (self.odd, 'NOT ACCOUNTED FOR'))}"


def _listed(*parts: tuple[int, str]) -> str:
    return ", ".join(f"{count} {what}" for count, what in parts if count)


def balance_of(clutch: Clutch) -> Balance:
    """The balance of one clutch as it stands."""
    own = Balance(clutch.eggs + clutch.slugs, clutch.unplaced, lost=clutch.lost, removed=clutch.gone)
    return sum((_share_of(lot) for lot in clutch.lots if not lot.moved_on), own)


def _share_of(lot: Lot) -> Balance:
    """What a lot brings to the balance of its clutch, which knows how many were laid."""
    return Balance(in_boxes=lot.eggs, hatched=lot.hatched, lost=lot.lost, removed=lot.removed)


def balance_of_all(clutches: Iterable[Clutch]) -> Balance:
    """The balance of several together."""
    return sum((balance_of(clutch) for clutch in clutches), Balance())


def ended_ms(clutch: Clutch) -> int | None:
    """When nothing more was to come of a clutch: as told, else when its last egg had gone; None: it goes on."""
    if clutch.finished_ms is not None:
        return clutch.finished_ms
    if clutch.unplaced or any(lot.open for lot in clutch.lots):
        return None
    return max((lot.closed_ms for lot in clutch.lots if lot.closed_ms is not None), default=clutch.laid_ms)


def became(clutch: Clutch) -> str:
    """What became of a clutch that has ended: "9 of 12 hatched, 2 slug or infertile, 1 dead in shell"."""
    balance = balance_of(clutch)
    lost = _listed(*balance.lost_words)
    return f"{balance.hatched} of {show_eggs(balance.laid)} hatched{', ' if lost else ''}{lost}"


def became_of_lot(lot: Lot) -> str:
    """What became of a lot's eggs: "9 hatched, 1 dead in shell, 2 infertile"; the infertile lie there as yet."""
    share = _share_of(lot)
    return _listed((share.hatched, "hatched"), *share.lost_words, (lot.infertile, "infertile"))
