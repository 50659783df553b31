"""The silent sibling: one box of a clutch has pipped, another lies still. Wait or worry?

The wait is taken apart into what the temperatures explain, what the probes may hide and what is ordinary spread
between eggs and boxes. What is due when, and how likely it is that the silent box is only late, comes from the
model of ``forecast.py``, in which the pips of one box tell of the other.

Common practice in the trade, no source: half a degree between two stacked boxes of one clutch has been seen to part
them by four to five days, and all the late eggs but few hatched well. Published curves explain about two of those days
(a median of 3.7 days per degree for an incubation of about 52 days, computed over published constant-temperature
studies); the rest lies within ordinary spread and within what two cheap probes may differ by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.lots import LotNow
from monitor.core.development.window import EGGS, PLACE
from monitor.core.terms.times import DAY_MS

TO_DO: Final = (
    "wait; a late box is waited for until far beyond its window",
    "look in once or twice a day, and record each look that finds nothing: it sharpens the answer",
    "candle without turning the egg: pink with vessels is alive; firm and without smell is a good sign",
    "ask an experienced keeper or a reptile veterinarian before anything else is done",
)
NOT_TO_DO: Final = (
    "do not open an egg, and do not raise the temperature to hurry it",
    "do not discard an egg that is firm and does not smell",
)


@dataclass(frozen=True)
class Story:
    """A pipped lot and a silent one of the same clutch.

    ``waited_days`` since the middle of the time in which the first pip of the early lot fell.
    ``temperature_days`` is how much later the silent lot is expected by its temperatures alone (negative:
    earlier), ``probe_days`` the standard uncertainty of that from the probes. ``spread_days`` is the ordinary
    spread between eggs and boxes, as standard deviation. ``offset_p10_days`` .. ``offset_p90_days`` is the 10
    to 90 % interval of the difference between the first pips, from everything but the silent lot's own looks.
    ``due_*`` is when the silent lot is due, its looks included; ``chance_only_late`` that it has not failed.
    """

    early: str
    late: str
    waited_days: float
    temperature_days: float
    probe_days: float
    probes_explain: bool
    spread_days: float
    offset_p10_days: float
    offset_p50_days: float
    offset_p90_days: float
    due_p10_ms: int
    due_p50_ms: int
    due_p90_ms: int
    chance_only_late: float
    compared: bool


def stories(lots: Sequence[LotNow], now_ms: int) -> list[Story]:
    """A story for every silent lot whose clutch has pipped elsewhere; the earliest pip counts."""
    told = []
    for late in lots:
        if not late.lot.open or late.lot.pipped or not late.lot.waiting or late.first_pip is None:
            continue
        pipped = [x for x in lots if x.clutch.id == late.clutch.id and x.lot.pipped and x.first_pip is not None]
        if pipped:
            early = min(pipped, key=_pip_ms)
            told.append(_story(early, late, now_ms))
    return told


def apart(early: LotNow, late: LotNow) -> tuple[float, float]:
    """Days by which the second lot reaches development 1 after the first, by their temperatures, and the standard
    uncertainty that the probes give it.

    The probes' errors are independent (JCGM 100:2008 eq. 10), but for the part that probes of one session of
    comparison share: it moves both boxes alike, and parts them only where a degree is worth other days. Eggs, curve
    and weather are left out: both boxes share them. Both lots need a rate to come.
    """
    (early_days, early_error), (late_days, late_error) = _due(early), _due(late)
    return late_days - early_days, late_error.against(early_error)


def _due(lot: LotNow) -> tuple[float, ProbesError]:
    """Days to development 1, and what the probes may put into them."""
    assert lot.past is not None
    assert lot.ahead is not None
    assert lot.ahead.rates is not None
    return lot.ahead.rates.days_to(1.0 - lot.past.development), lot.past.error.times(lot.ahead.days_per_c or 0.0)


def _pip_ms(lot: LotNow) -> float:
    """Middle of the time in which the first pip of a lot fell."""
    seen = min(lot.lot.pips, key=lambda p: p.by_ms)
    if seen.after_ms is not None:
        return (seen.after_ms + seen.by_ms) / 2.0
    assert lot.first_pip is not None
    return float(lot.first_pip.window.p50_ms)


def _story(early: LotNow, late: LotNow, now_ms: int) -> Story:
    assert late.first_pip is not None
    pip_ms = _pip_ms(early)
    days, probe_days = apart(early, late)
    due, open_window = late.first_pip.window, late.first_pip.open_window
    chance = late.first_pip.chance_only_late
    causes = {c.name: c.days for c in open_window.causes}
    # A cause's days belong to the 10-90 half-width, which is 1.2816 standard deviations of a normal spread.
    spread = math.hypot(causes.get(EGGS, 0.0), causes.get(PLACE, 0.0)) / 1.2816
    return Story(
        early=early.lot.id,
        late=late.lot.id,
        waited_days=(now_ms - pip_ms) / DAY_MS,
        temperature_days=days,
        probe_days=probe_days,
        probes_explain=abs(days) <= 2.0 * probe_days,
        spread_days=spread,
        offset_p10_days=(open_window.p10_ms - pip_ms) / DAY_MS,
        offset_p50_days=(open_window.p50_ms - pip_ms) / DAY_MS,
        offset_p90_days=(open_window.p90_ms - pip_ms) / DAY_MS,
        due_p10_ms=due.p10_ms,
        due_p50_ms=due.p50_ms,
        due_p90_ms=due.p90_ms,
        chance_only_late=chance if chance is not None else 1.0,
        compared=all(x.past is not None and x.past.compared for x in (early, late)),
    )
