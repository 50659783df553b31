"""Eggs that lie still while others have pipped, or past their window. Wait or worry?

What is said first is until when to wait: the day by which 99 of 100 living boxes would have pipped, by all that is
known without the silence itself. How likely it is that they are only late comes second, in words (:data:`BANDS`), and
never before their window opens.

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
from datetime import datetime, tzinfo
from typing import Final

from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.lots import LotNow, Silence
from monitor.core.development.window import EGGS, PLACE
from monitor.core.terms.events import Lot, SeenAlive
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

TO_DO: Final = (
    "look in once or twice a day, and record each look that finds nothing: it sharpens the answer",
    "candle without turning the egg: pink with vessels is alive; firm and without smell is a good sign",
    "ask an experienced keeper or a reptile veterinarian before anything else is done",
)
NOT_TO_DO: Final = (
    "do not open an egg, and do not raise the temperature to hurry it",
    "do not discard an egg that is firm and does not smell",
)
BANDS: Final = (
    (0.95, "very likely only late"),
    (0.8, "probably only late"),
    (0.5, "open: wait and candle"),
    (0.2, "probably failed: candle, wait, ask; do not cut, do not throw away"),
    (0.0, "very likely failed: candle, wait, ask; do not cut, do not throw away"),
)
"""Least chance that it is only late -> what is said of it. Judgement, no source."""
OPEN: Final = 2
NO_LOOK: Final = "not known: nobody has looked since"


@dataclass(frozen=True)
class LateOrFailed:
    """In words, and as a chance where it is worth one: before the date until which one waits a chance of less than a
    half is not told, since it would only be acted upon."""

    words: str
    chance: float | None

    def __str__(self) -> str:
        if self.chance is None:
            return self.words
        of_what = "" if self.chance >= BANDS[OPEN - 1][0] else " only late"
        return f"{self.words} ({in_percent(self.chance)}{of_what})"


def in_percent(chance: float) -> str:
    """Never 0 %, and never 100 %: nobody is that sure of an egg."""
    return f"{min(max(round(100 * chance), 1), 99)} %"


def verdict(chance: float, *, waits: bool, looked: bool = True, none_alive: bool = False) -> LateOrFailed:
    """What is said of a chance that eggs are only late. ``waits``: the date until which one waits is still to come;
    ``looked``: else somebody has looked since, without which nobody knows that they lie still; ``none_alive``: the
    last candling saw none alive. That says more than the chance, which does not know of it, and is no proof."""
    if not (waits or looked):
        return LateOrFailed(NO_LOOK, None)
    if none_alive and chance >= BANDS[OPEN][0]:
        return LateOrFailed(BANDS[OPEN][1], None)
    place = next(i for i, (least, _) in enumerate(BANDS) if chance >= least)
    if waits and place > OPEN:
        return LateOrFailed(BANDS[OPEN][1], None)
    return LateOrFailed(BANDS[place][1], chance)


@dataclass(frozen=True)
class GoneBefore:
    """A pipped lot of the same clutch, and what it tells of a silent one.

    ``waited_days`` since the middle of the time in which its first pip fell; ``done_ms``: when all of its eggs were
    done, None: not yet. ``temperature_days`` is how much later the silent lot is expected by its temperatures alone
    (negative: earlier), ``probe_days`` the standard uncertainty of that from the probes. ``spread_days`` is the
    ordinary spread between eggs and boxes, as standard deviation. ``offset_p10_days`` .. ``offset_p90_days`` is the 10
    to 90 % interval of the difference between the first pips, from everything but the silent lot's own looks.
    """

    early: str
    waited_days: float
    done_ms: int | None
    temperature_days: float
    probe_days: float
    probes_explain: bool
    spread_days: float
    offset_p10_days: float
    offset_p50_days: float
    offset_p90_days: float
    compared: bool


@dataclass(frozen=True)
class Story:
    """A lot that lies still while another of its clutch has pipped (``beside``), or past its window.

    ``due_*`` is when it is due, its looks included. ``verdict`` is None before its window opens; ``opens_ms``: when
    that is. ``looked_ms``: the last look that was told, None: none; ``alive``: how many eggs were seen alive last, and
    when, None: never told; ``none_alive_ms``: when since then none was. ``waits``: the day until which one waits is not
    over.
    """

    late: str
    eggs: int
    silence: Silence
    verdict: LateOrFailed | None
    opens_ms: int
    due_p10_ms: int
    due_p50_ms: int
    due_p90_ms: int
    looked_ms: int | None
    alive: SeenAlive | None
    none_alive_ms: int | None
    beside: GoneBefore | None
    waits: bool


def waits_until(until_ms: int, now_ms: int, zone: tzinfo) -> bool:
    """Whether the day until which one waits is still to come, or is today."""
    until, now = (datetime.fromtimestamp(ms / 1000, zone).date() for ms in (until_ms, now_ms))
    return now <= until


def looked_since(lot: Lot, silence: Silence) -> bool:
    """Whether somebody looked about when 99 of 100 living boxes would have pipped, or later."""
    return lot.looked_ms is not None and lot.looked_ms >= silence.wait_until_ms - DAY_MS


def stories(lots: Sequence[LotNow], now_ms: int, zone: tzinfo) -> list[Story]:
    """A story for every silent lot whose clutch has pipped elsewhere (the earliest pip counts), until it is finished
    itself; and for each that is past its window, with or without others. ``zone``: that of the keeper's days."""
    told = []
    for late in lots:
        pip = late.first_pip
        if not late.lot.open or late.lot.pipped or pip is None or pip.silence is None:
            continue
        pipped = [x for x in lots if x.clutch.id == late.clutch.id and x.lot.pipped and x.first_pip is not None]
        if pipped or now_ms > pip.open_window.p90_ms:
            beside = _beside(min(pipped, key=_pip_ms), late, now_ms) if pipped else None
            told.append(_story(late, beside, now_ms, zone))
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


def measured_a_day(lot: LotNow, now_ms: int) -> bool:
    """Whether a lot was measured for a day in all: a box takes hours to come to where it will be, and until then its
    days are those of how it warmed."""
    filled = lot.past.filled_share if lot.past is not None else 1.0
    return (1.0 - filled) * (now_ms - lot.lot.from_ms) >= DAY_MS


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


def _beside(early: LotNow, late: LotNow, now_ms: int) -> GoneBefore:
    assert late.first_pip is not None
    pip_ms = _pip_ms(early)
    days, probe_days = apart(early, late)
    if early.lot.closed_ms is not None:
        # What has ended was asked for its days as it stood then.
        days += max(now_ms - early.lot.closed_ms, 0) / DAY_MS
    open_window = late.first_pip.open_window
    causes = {c.name: c.days for c in open_window.causes}
    # A cause's days belong to the 10-90 half-width, which is 1.2816 standard deviations of a normal spread.
    spread = math.hypot(causes.get(EGGS, 0.0), causes.get(PLACE, 0.0)) / 1.2816
    done_ms = max(p.by_ms for p in early.lot.pips) if not early.lot.waiting or not early.lot.open else None
    return GoneBefore(
        early=early.lot.id,
        waited_days=(now_ms - pip_ms) / DAY_MS,
        done_ms=done_ms,
        temperature_days=days,
        probe_days=probe_days,
        probes_explain=abs(days) <= 2.0 * probe_days,
        spread_days=spread,
        offset_p10_days=(open_window.p10_ms - pip_ms) / DAY_MS,
        offset_p50_days=(open_window.p50_ms - pip_ms) / DAY_MS,
        offset_p90_days=(open_window.p90_ms - pip_ms) / DAY_MS,
        compared=all(x.past is not None and x.past.compared for x in (early, late)),
    )


def _story(late: LotNow, beside: GoneBefore | None, now_ms: int, zone: tzinfo) -> Story:
    assert late.first_pip is not None
    silence = late.first_pip.silence
    assert silence is not None
    due, open_window = late.first_pip.window, late.first_pip.open_window
    waits = waits_until(silence.wait_until_ms, now_ms, zone)
    said = None
    if now_ms >= open_window.p10_ms:
        said = verdict(
            silence.chance,
            waits=waits,
            looked=looked_since(late.lot, silence),
            none_alive=late.lot.none_alive_ms is not None,
        )
    return Story(
        late=late.lot.id,
        eggs=late.lot.waiting,
        silence=silence,
        verdict=said,
        opens_ms=open_window.p10_ms,
        due_p10_ms=due.p10_ms,
        due_p50_ms=due.p50_ms,
        due_p90_ms=due.p90_ms,
        looked_ms=late.lot.looked_ms,
        alive=late.lot.alive[-1] if late.lot.alive else None,
        none_alive_ms=late.lot.none_alive_ms,
        beside=beside,
        waits=waits,
    )
