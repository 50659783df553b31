"""The balance of a clutch: laid = not yet set + in boxes + hatched + lost + removed, whatever was told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.core.terms.events import LOST, Clutch
from monitor.core.terms.formats import show_eggs
from monitor.core.terms.projection import lose


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
        parts = [(self.not_set, "not set yet"), (self.in_boxes, "in boxes"), (self.hatched, "hatched")]
        parts += [(count, LOST[how]) for how, count in self.lost]
        parts += [(self.removed, "removed"), (self.odd, "NOT ACCOUNTED FOR")]
        return f"{self.laid} laid: {', '.join(f'{count} {what}' for count, what in parts if count)}"


def balance_of(clutch: Clutch) -> Balance:
    """The balance of one clutch as it stands."""
    present = [lot for lot in clutch.lots if not lot.moved_on]
    lost = clutch.lost
    for lot in present:
        for how, count in lot.lost:
            lost = lose(lost, how, count)
    return Balance(
        laid=clutch.eggs + clutch.slugs,
        not_set=clutch.unplaced,
        in_boxes=sum(lot.eggs for lot in present),
        hatched=sum(lot.hatched for lot in present),
        lost=lost,
        removed=clutch.gone + sum(lot.removed for lot in present),
    )


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
    parts = [f"{balance.hatched} of {show_eggs(balance.laid)} hatched"]
    parts += [f"{count} {LOST[how]}" for how, count in balance.lost]
    parts += [f"{balance.removed} removed"] if balance.removed else []
    return ", ".join(parts)
