"""On which days something is to be done with eggs and hatchlings: of a species, settable in its file."""

from __future__ import annotations

from typing import Final

from monitor.values import dataclass

MOST_CANDLINGS: Final = 12
# Of these orders hatchlings shed as a whole about a week after hatching; turtles and crocodiles do not. Common
# practice, no source.
SHEDDING: Final = ("", "Squamata", "Rhynchocephalia")


@dataclass(frozen=True, slots=True)
class Care:
    """Days after laying on which eggs are candled, days after hatching until the first shed (0: none is waited for),
    and days after that (or after hatching) until the first meal. Common practice, no source."""

    candle_days: tuple[float, ...] = (7.0, 30.0)
    first_shed_days: float = 7.0
    first_meal_days: float = 3.0


USUAL_CARE: Final = Care()


def usual_care(order: str) -> Care:
    """What holds where a species' file does not say."""
    return Care() if order in SHEDDING else Care(first_shed_days=0.0)
