"""Water: what a closed box loses in weight is water, which is given back; and when a box loses unlike the others.

A closed box with eggs and substrate is weighed when set and then weekly; what it lost is water, and is given back
(1 g = 1 ml): common practice, no source. What an egg weighs is not known here. So a span between two weighings in which
eggs came or went is left out; whoever weighs before and after leaves nothing out but minutes. A scale under a box is a
series of weighings of its own: two scales are not compared.

Times are ms UTC, weights in grams.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.settings import RESOLUTION_G, scale_sd
from monitor.core.terms.times import DAY_MS
from monitor.values import dataclass

COARSE_G: Final = (20.0, 10.0, 5.0, 2.0)
"""Digits of coarser scales. Common practice, no source."""
WEEK_MS: Final = 7 * DAY_MS
TOLD_OVER_MS: Final = 4 * WEEK_MS
"""The loss a week is that of the last four weeks: a season changes it. Judgement, no source."""
NEWEST_DAYS: Final = 6.0
LEAST_DAYS: Final = 2.9
"""Whether a box loses as it should is judged on so many of its newest days, or on what there is of them, but for fewer
nothing is said: a gram of a scale would be grams a week. Judgement, no source."""
STALE_MS: Final = 2 * WEEK_MS
"""After that what was weighed last tells nothing of now. Judgement, no source."""
MOST_STEP: Final = 0.25
"""No box loses such a part of its weight in water between two weighings: another box was weighed, the scale was zeroed,
a lid was off. Judgement, no source."""
GAIN_G: Final = 2.0
"""Heavier by more, beyond what weighing is uncertain by: water was given and not told. Judgement, no source."""
OTHERS_LEAST: Final = 2
OWN_LEAST: Final = 3
"""So many other boxes, or so many earlier weeks of its own, say what is usual. Judgement, no source."""
UNLIKE_SHARE: Final = 0.5
UNLIKE_G_WEEK: Final = 3.0
UNLIKE_SDS: Final = 3.0
"""Unlike is what differs from the usual by half of it, by three grams a week, by three times what weighing is uncertain
by, and by three times how far the others lie apart. Judgement, no source."""
BACK_SHARE: Final = 0.6
"""Of that it may still differ when it is alike again. Judgement, no source."""
HATCHING_DAYS: Final = 3
"""Hatchlings leave the box so many days after they were told as hatched. Common practice, no source."""

_OF_EGGS: Final = (
    EventKind.SET, EventKind.MOVED, EventKind.SPLIT, EventKind.REMOVED, EventKind.DEAD, EventKind.HATCHED,
)  # fmt: skip
Sort = Literal["measured", "eggs", "gain", "step"]
LEFT_OUT: Final[Mapping[Sort, str]] = {
    "eggs": "eggs came or went",
    "gain": "it got heavier: was water given that nobody told of?",
    "step": "a step that no water makes: another box, a lid off, or the scale was zeroed",
}


@dataclass(frozen=True, slots=True)
class Weighing:
    """A box's weight. ``scale``: the probe that told it, empty for one by hand; ``order`` parts those of one moment.
    What stands on another ``level`` of a scale is not compared."""

    at_ms: int
    grams: float
    sd_g: float = scale_sd()
    scale: str = ""
    order: int = 0
    level: int = 0


@dataclass(frozen=True, slots=True)
class Given:
    """Water that was given to a box."""

    at_ms: int
    grams: float
    order: int = 0


@dataclass(frozen=True, slots=True)
class OnScale:
    """What a scale says: weighings, and the water that was told, at the time at which the scale saw it."""

    weighings: Sequence[Weighing] = ()
    given: Sequence[Given] = ()


OfScale = Callable[[str, int, Sequence[int], Sequence[Given]], OnScale]
"""Of a box, since a moment, with the moments at which eggs came or went and the water that was told."""


@dataclass(frozen=True, slots=True)
class Span:
    """From one weighing to the next: what was lost between them, with the water that was given added, in grams."""

    first: Weighing
    last: Weighing
    given: tuple[Given, ...]
    sort: Sort

    @property
    def loss_g(self) -> float:
        return self.first.grams + sum(g.grams for g in self.given) - self.last.grams

    @property
    def days(self) -> float:
        return (self.last.at_ms - self.first.at_ms) / DAY_MS


@dataclass(frozen=True, slots=True)
class Loss:
    """Grams a week over ``days``, with the standard uncertainty that weighing leaves."""

    per_week_g: float
    sd_g: float
    days: float


@dataclass(frozen=True, slots=True)
class BoxWater:
    """The weight of one box since eggs lie in it.

    ``weighings`` in order of time, of one scale; ``spans`` between them. ``given``: all water of that time;
    ``before``: a weighing that is older than the eggs in it and does not count. ``owed_g`` is what it lost since its
    first weighing and was not given back (negative: it is heavier), ``owed_sd_g`` its standard uncertainty.
    """

    box: str
    weighings: tuple[Weighing, ...]
    spans: tuple[Span, ...] = ()
    given: tuple[Given, ...] = ()
    before: Weighing | None = None
    owed_g: float = 0.0
    owed_sd_g: float = 0.0
    week: Loss | None = None
    newest: Loss | None = None
    weeks_before: tuple[Loss, ...] = field(default=(), repr=False)

    @property
    def last(self) -> Weighing | None:
        return self.weighings[-1] if self.weighings else None

    @property
    def weight_g(self) -> float | None:
        """What it weighs by its last weighing and the water since: the base line of what it loses from now on."""
        return None if self.last is None else self.last.grams + sum(g.grams for g in self.given_since)

    @property
    def given_since(self) -> tuple[Given, ...]:
        """The water since its last weighing."""
        last = self.last
        return () if last is None else tuple(g for g in self.given if _key(g) > _key(last))

    @property
    def give_ml(self) -> int:
        """The water to give back, whole ml (1 g = 1 ml); 0 where no more is missing than twice the standard uncertainty
        of weighing."""
        return max(round(self.owed_g), 0) if self.owed_g > 2 * self.owed_sd_g else 0

    def fresh(self, now_ms: int) -> bool:
        return self.last is not None and now_ms - self.last.at_ms <= STALE_MS


@dataclass(frozen=True, slots=True)
class Usual:
    """What a box is compared with: grams a week, what it may differ by, and whose that is."""

    per_week_g: float
    may_differ_g: float
    whose: str


# ------------------------------------------------------------------------------------------- from the account


def eggs_in(clutches: Iterable[Clutch], box: str, now_ms: int) -> tuple[int | None, list[tuple[int, int]]]:
    """Since when eggs lie in a box without a break (None: none do now), and when eggs came or went: (time, order)."""
    stays: list[tuple[int, int]] = []
    moves: set[tuple[int, int]] = set()
    for clutch in clutches:
        for lot in clutch.lots:
            for stay in lot.path:
                if stay.box == box and stay.from_ms <= now_ms:
                    ends = [t for t in (stay.to_ms, lot.closed_ms) if t is not None]
                    stays.append((stay.from_ms, min(ends, default=2**62)))
        for event in clutch.events:
            if event.kind in _OF_EGGS and event.at_ms <= now_ms and box in _boxes_of(event, clutch):
                moves.add((event.at_ms, event.id))
                if event.kind is EventKind.HATCHED:
                    moves |= {(event.at_ms + n * DAY_MS, event.id) for n in range(1, HATCHING_DAYS + 1)}
    since: int | None = None
    until = -1
    for begins, ends_ms in sorted(stays):
        since, until = (begins if begins > until or since is None else since), max(until, ends_ms)
    return (since if until > now_ms else None), sorted(moves)


def _boxes_of(event: KeeperEvent, clutch: Clutch) -> set[str]:
    """The boxes whose eggs an event changes; all that the clutch may have lain in where it names none."""
    if event.not_set:
        return set()
    named = {lot.box for lot in clutch.lots if lot.id == event.box} or {event.box}
    if event.box:
        return named | {event.to_box} - {""}
    there = {s.box for x in clutch.lots for s in x.path if s.from_ms <= event.at_ms <= (s.to_ms or 2**62)}
    return there | {event.to_box} - {""}


def digit_g(grams: Iterable[float]) -> float:
    """What one digit of the scale is on which these were weighed: a coarser one than is usual only where so many
    weighings can hardly be multiples of it by chance (one in a hundred)."""
    known = list(grams)
    for digit in COARSE_G:
        if digit ** len(known) >= 100 and all(g % digit == 0 for g in known):
            return digit
    return RESOLUTION_G


def by_hand(events: Iterable[KeeperEvent], box: str, now_ms: int) -> tuple[list[Weighing], list[Given]]:
    """The weighings of a box and the water it was given, as told; ``events`` as they stand after corrections."""
    known = [e for e in events if e.grams is not None and e.at_ms <= now_ms]
    sd_g = scale_sd(digit_g(e.grams or 0.0 for e in known if e.kind is EventKind.WEIGHED))
    told = [e for e in known if e.box == box]
    weighed = [Weighing(e.at_ms, e.grams or 0.0, sd_g, order=e.id) for e in told if e.kind is EventKind.WEIGHED]
    return weighed, [Given(e.at_ms, e.grams or 0.0, e.id) for e in told if e.kind is EventKind.WATERED]


# ------------------------------------------------------------------------------------------------- what it lost


def _key(told: Weighing | Given) -> tuple[int, int]:
    return told.at_ms, told.order


def box_water(
    box: str,
    weighings: Iterable[Weighing],
    given: Iterable[Given],
    moves: Sequence[tuple[int, int]],
    since_ms: int,
) -> BoxWater:
    """What is known of a box from all weighings of one scale, the water given, and when eggs came or went.

    ``since_ms``: since when eggs lie in it; what was weighed before does not count.
    """
    ordered = sorted(weighings, key=_key)
    began = min((m for m in moves if m[0] >= since_ms), default=(since_ms, 0))
    counted = [w for w in ordered if _key(w) >= began]
    before = next((w for w in reversed(ordered) if _key(w) < began), None)
    water = sorted((g for g in given if g.at_ms >= since_ms), key=_key)
    spans = tuple(_span(a, b, water, moves) for a, b in pairwise(counted))
    if not counted:
        return BoxWater(box, (), before=before, given=tuple(water))
    last = counted[-1]
    # Water that was given between two weighings is in the later one.
    dry = [replace(s, given=()) for s in spans if s.sort in ("measured", "gain")]
    owed_g, owed_sd_g, _ = _sum(dry)
    # What such a span lost is not known, but what was given in it is.
    blind = [g for s in spans if s.sort not in ("measured", "gain") for g in s.given]
    after = [g for g in water if _key(g) > _key(last)] + blind
    owed_g -= sum(g.grams for g in after)
    owed_sd_g = math.hypot(owed_sd_g, scale_sd() * math.sqrt(len(after)))
    measured = [s for s in spans if s.sort == "measured"]
    week = _loss([s for s in measured if s.last.at_ms > last.at_ms - TOLD_OVER_MS], 0.9)
    weeks = _weeks(measured)
    return BoxWater(
        box,
        tuple(counted),
        spans,
        tuple(water),
        before,
        owed_g,
        owed_sd_g,
        week,
        weeks[0] if weeks else None,
        tuple(weeks[1:]),
    )


def _span(a: Weighing, b: Weighing, water: Sequence[Given], moves: Sequence[tuple[int, int]]) -> Span:
    between = tuple(g for g in water if _key(a) < _key(g) <= _key(b))
    span = Span(a, b, between, "measured")
    if any(_key(a) < move <= _key(b) for move in moves):
        return Span(a, b, between, "eggs")
    if abs(span.loss_g) > MOST_STEP * (a.grams + sum(g.grams for g in between)):
        return Span(a, b, between, "step")
    if a.level != b.level:
        return Span(a, b, between, "gain" if span.loss_g < 0 else "step")
    if a.scale:
        # Water that is poured makes a step. What goes up slowly goes down as well: left out alone it would be a loss.
        return span
    _, sd_g, _ = _sum([span])
    return Span(a, b, between, "gain") if -span.loss_g > max(UNLIKE_SDS * sd_g, GAIN_G) else span


def _sum(spans: Sequence[Span]) -> tuple[float, float, float]:
    """Grams lost in spans with their standard uncertainty, and days. Of two spans that meet, the weighing between them
    counts in neither."""
    weights: dict[Weighing, int] = defaultdict(int)
    variance = 0.0
    for span in spans:
        weights[span.first] += 1
        weights[span.last] -= 1
        variance += len(span.given) * scale_sd() ** 2
    variance += sum((n * w.sd_g) ** 2 for w, n in weights.items())
    return sum(s.loss_g for s in spans), math.sqrt(variance), sum(s.days for s in spans)


def _loss(spans: Sequence[Span], least_days: float) -> Loss | None:
    loss_g, sd_g, days = _sum(spans)
    return Loss(7 * loss_g / days, 7 * sd_g / days, days) if days >= least_days else None


def _weeks(spans: Sequence[Span]) -> list[Loss]:
    """The losses of weeks, or what comes nearest to them, newest first; the last of them may be shorter."""
    found: list[Loss] = []
    gathered: list[Span] = []
    for span in reversed(spans):
        gathered.append(span)
        if sum(s.days for s in gathered) >= NEWEST_DAYS:
            found += [x for x in [_loss(gathered, LEAST_DAYS)] if x is not None]
            gathered = []
    return found + [x for x in [_loss(gathered, LEAST_DAYS)] if x is not None]


# ------------------------------------------------------------------------------------------- beside the others


def usual(box: BoxWater, others: Iterable[BoxWater], now_ms: int) -> Usual | None:
    """What a box could lose: the median of the others that were weighed lately, two at least; where there are fewer
    that of its own weeks before, three at least. None: too little is known to say anything."""
    losses = [o.newest for o in others if o.box != box.box and o.newest is not None and o.fresh(now_ms)]
    whose = f"the other {len(losses)} boxes"
    if len(losses) < OTHERS_LEAST:
        losses, whose = list(box.weeks_before), "its own weeks before"
        if len(losses) < OWN_LEAST:
            return None
    if box.newest is None or not box.fresh(now_ms):
        return None
    values = np.array([x.per_week_g for x in losses])
    middle = float(np.median(values))
    apart_g = 1.4826 * float(np.median(np.abs(values - middle)))
    of_middle = float(np.median([x.sd_g for x in losses])) / math.sqrt(len(losses))
    may = max(
        UNLIKE_SHARE * abs(middle), UNLIKE_G_WEEK, UNLIKE_SDS * math.hypot(box.newest.sd_g, of_middle),
        UNLIKE_SDS * apart_g,
    )  # fmt: skip
    return Usual(middle, may, whose)


def waters(
    events: Sequence[KeeperEvent],
    clutches: Iterable[Clutch],
    boxes: Iterable[str],
    now_ms: int,
    of_scale: OfScale | None = None,
) -> tuple[BoxWater, ...]:
    """Every box with eggs in it that was weighed, in the order of ``boxes``.

    ``events`` as they stand after corrections. ``of_scale``: what the scale of a box says; it goes before weighings by
    hand, unless the scale was silent for longer.
    """
    clutches = list(clutches)
    found: list[BoxWater] = []
    for box in boxes:
        since_ms, moves = eggs_in(clutches, box, now_ms)
        if since_ms is None:
            continue
        weighed, given = by_hand(events, box, now_ms)
        if of_scale is not None:
            scale = of_scale(box, since_ms, [t for t, _ in moves], given)
            newest_ms = max((w.at_ms for w in scale.weighings), default=-(2**62))
            if scale.weighings and all(w.at_ms < newest_ms + WEEK_MS for w in weighed):
                weighed, given = list(scale.weighings), list(scale.given)
        water = box_water(box, weighed, given, moves, since_ms)
        if water.weighings or water.before is not None:
            found.append(water)
    return tuple(found)
