"""The worried keeper: one box has hatched, the other lies still. What is said, whether it is so, and whom it costs.

Three parts. The story: of twelve eggs at 28.5 C ten have pipped within two days, the others lie at 28.0 C; by what the
keeper told, what stands there each day. Then clutches drawn from the published spreads and hatching success, dead boxes
among them: of those of which a band of words was said, how many were only late. And keepers who follow the text to the
letter, beside those who give up a week or two after the first box is done.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from monitor.config.library import load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import update
from monitor.core.development.gaps import HourTable
from monitor.core.development.history import History, StayTable, Way
from monitor.core.development.lots import WAIT_UNTIL, forecast_clutch
from monitor.core.development.siblings import BANDS, Story, stories, verdict
from monitor.core.terms.events import Clutch, Lot, PipSeen, SeenAlive, Stay
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench import Figures

PROFILE = load_profile("elaphe-taeniura")
CURVE = PROFILE.curve()
START = 1_780_000_000_000 // DAY_MS * DAY_MS
UPPER_C, LOWER_C, ABOVE, LIVING = 28.5, 28.0, 12, 10
PROBES: Final = {"compared": 0.1, "as_bought": 0.5 / math.sqrt(3.0)}
Found = dict[str, float | int | str]
Keeper = Literal["nothing", "looks", "alive", "hatched"]
KEEPERS: Final[tuple[Keeper, ...]] = ("nothing", "looks", "alive", "hatched")
EGGS: Final = (2, 4, 8, 12)
DAYS: Final = (0, 2, 4, 6, 8, 10)
# Of eggs that live each is seen to at a candling with such a chance; of dead ones none is. Judgement, no source.
CANDLING: Final = 0.9
EVENINGS: Final = 3
NAIVE_DAYS: Final = (7, 14)
ENOUGH: Final = 60
WITHIN: Final = 0.05


# -- the story ----------------------------------------------------------------------------------------------------


def _history(temperature_c: float, now_ms: int, u_c: float) -> History:
    hours = -(-(now_ms - START) // HOUR_MS)
    t = np.full(hours, temperature_c)
    need = np.full(hours, 3600.0)
    need[-1] = (now_ms - START - (hours - 1) * HOUR_MS) / 1000.0
    rate = CURVE.rate_per_day(t) * need / 86_400.0
    table = HourTable(START // HOUR_MS, rate, (t - CURVE.base_c) * need / 86_400.0, t, need, need)
    return History.of(Way((StayTable(table, (), START),), now_ms, ProbesError(u_c), u_c <= 0.1), CURVE)


def pips_of_the_upper() -> list[int]:
    """When its living eggs are seen to have pipped, on three evenings about the typical day: the first one, then most
    of them, the last."""
    typical = 1.0 / float(CURVE.rate_per_day(np.array([UPPER_C]))[0])
    middle = START + round(typical) * DAY_MS
    return [middle - DAY_MS] * 3 + [middle] * (LIVING - 5) + [middle + DAY_MS] * 2


def told(keeper: Keeper, u_c: float, eggs: int, days: int) -> Story:
    """What is said so many days after the upper box is done."""
    seen = pips_of_the_upper()
    done = seen[-1]
    now = done + days * DAY_MS
    pips = tuple(PipSeen(by - DAY_MS, by, seen.count(by)) for by in sorted(set(seen)))
    if keeper == "hatched":
        pips = (PipSeen(None, done, LIVING),)
    upper = Lot("C/upper", "C", "upper", (Stay("upper", START, done),), ABOVE, pips=pips,
                lost=(("other", ABOVE - LIVING),), hatched=LIVING, looked_ms=done, closed_ms=done)  # fmt: skip
    alive = (SeenAlive(now, eggs),) if keeper == "alive" else ()
    looked = None if keeper == "nothing" else now
    lower = Lot("C/lower", "C", "lower", (Stay("lower", START, None),), eggs, looked_ms=looked, alive=alive)
    clutch = Clutch("C", PROFILE.id, START, False, ABOVE + eggs, (upper, lower))
    histories = {"C/upper": _history(UPPER_C, done, u_c), "C/lower": _history(LOWER_C, now, u_c)}
    found = stories(forecast_clutch(clutch, [upper, lower], histories, PROFILE, CURVE, now), now, UTC)
    (story,) = found
    return story


def the_story(figures: Found, short: list[str]) -> None:
    done = pips_of_the_upper()[-1]
    for probe, u_c in PROBES.items():
        for keeper in KEEPERS:
            for eggs in EGGS:
                rows, until = [], set()
                for days in DAYS:
                    story = told(keeper, u_c, eggs, days)
                    where = f"{probe}, {keeper}, {eggs} eggs, {days} days after"
                    wait = (story.silence.wait_until_ms - done) / DAY_MS
                    until.add(round(wait, 1))
                    rows.append(f"+{days}: {story.verdict} [{100 * story.silence.chance:.1f}]")
                    short += _kept(story, keeper, probe, eggs, days, where)
                if len(until) > 1 and max(until) - min(until) > 0.3:
                    short.append(f"{probe}, {keeper}, {eggs} eggs: its wait-until date moved: {sorted(until)}")
                figures[f"{probe} {keeper} {eggs} eggs"] = f"until +{max(until):.1f} d; " + "; ".join(rows)
    for probe, u_c in PROBES.items():
        for days in DAYS:
            full, less = (told(k, u_c, 8, days).silence.chance for k in ("looks", "hatched"))
            if less < full - 0.02:
                short.append(
                    f"{probe}, {days} days after: telling only of hatching made it grimmer: {full:.2f}, {less:.2f}"
                )


def _kept(story: Story, keeper: Keeper, probe: str, eggs: int, days: int, where: str) -> Iterator[str]:
    """A sentence for each promise that this does not keep."""
    chance, said = story.silence.chance, story.verdict
    if keeper == "alive" and chance < 0.95:
        yield f"{where}: eggs were seen alive, and it says {100 * chance:.0f} %"
    if keeper == "looks" and eggs == 8 and chance < {4: 0.75, 6: 0.55}.get(days, 0.0):
        yield f"{where}: {100 * chance:.0f} %"
    if story.waits and said is not None and said.chance is not None and said.chance < 0.5:
        yield f"{where}: {said} though it is waited"
    if said is not None and "100 %" in str(said):
        yield f"{where}: {said}"


# -- drawn clutches -----------------------------------------------------------------------------------------------

TYPICAL = (59.0, 61.3)
MOST_DAYS = 40


@dataclass
class Drawn:
    """A clutch as it truly is. ``pips``: by box, the day of each living egg's pip, rising. ``dies`` and ``lower_pips``:
    of each egg of the lower box, the day on which it fails (infinite: never), and on which it would pip."""

    u: float
    eggs: tuple[int, int]
    pips: tuple[NDArray[np.float64], NDArray[np.float64]]
    dies: NDArray[np.float64]
    lower_pips: NDArray[np.float64]

    @property
    def done(self) -> float:
        return math.ceil(float(self.pips[0][-1]))

    def alive(self, day: float) -> int:
        """Eggs of the lower box that live and have not pipped."""
        return int(((self.dies > day) & (self.lower_pips > day)).sum())

    @property
    def lives(self) -> bool:
        return len(self.pips[1]) > 0


def draw(rng: np.random.Generator, spread: Spread, u_c: float) -> Drawn | None:
    """None where the upper box does not do well: then nobody knows when it is done."""
    u = 0.076 * u_c
    m, q = rng.normal(0.0, spread.sigma_m), rng.beta(spread.survival.alive, spread.survival.failed)
    eggs = (ABOVE, int(rng.integers(2, 13)))
    pips: list[NDArray[np.float64]] = []
    for box in (0, 1):
        b = rng.normal(0.0, u) + spread.scale_box * rng.standard_t(4)
        all_pips = TYPICAL[box] * np.exp(m + spread.scale_egg * rng.standard_t(4, eggs[box]) - b)
        dies = np.where(rng.random(eggs[box]) < q, np.inf, rng.random(eggs[box]) * all_pips)
        if box == 1 and rng.random() < spread.survival.box_fails:
            dies = np.minimum(dies, rng.random() * TYPICAL[1] * math.exp(m - b))
        pips.append(np.sort(all_pips[dies > all_pips]))
    if len(pips[0]) < ABOVE / 2:
        return None
    return Drawn(u, eggs, (pips[0], pips[1]), dies, all_pips)


def seen(clutch: Drawn, day: float, *, candled: bool) -> list[BoxEvidence]:
    """What a keeper who looks each evening knows; ``candled``: how many eggs live, too."""
    boxes = []
    for box, name in enumerate(("upper", "lower")):
        counts: dict[int, int] = defaultdict(int)
        for at in clutch.pips[box][clutch.pips[box] <= day]:
            counts[math.ceil(at)] += 1
        out = tuple(PipInterval((d - 1) / TYPICAL[box], d / TYPICAL[box], n) for d, n in sorted(counts.items()))
        boxes.append(BoxEvidence(name, clutch.eggs[box], clutch.u, out, day / TYPICAL[box]))
    if candled and (living := clutch.alive(day)):
        boxes[1] = replace(boxes[1], alive=((day / TYPICAL[1], living),))
    # The upper box is done: what is left of it was taken out, as having failed.
    upper = boxes[0]
    boxes[0] = replace(upper, eggs=upper.pipped_count, dead=upper.rest, none_by=0.0)
    return boxes


def wait_until(boxes: Sequence[BoxEvidence], spread: Spread) -> float:
    """In days since laying."""
    told = update([b.without_looks() for b in boxes], spread)
    return float(told.first("lower", (WAIT_UNTIL,))[0]) * TYPICAL[1]


def calibration(
    rng: np.random.Generator, clutches: int, figures: dict[str, float | int | str], short: list[str]
) -> None:
    """Of each band of words, how many of those of which it was said were only late."""
    spread = Spread()
    for probe, u_c in PROBES.items():
        for candled in (False, True):
            cases: dict[int, list[tuple[float, bool]]] = defaultdict(list)
            for _ in range(clutches):
                clutch = draw(rng, spread, u_c)
                if clutch is None:
                    continue
                day = clutch.done + int(rng.integers(0, 14))
                if clutch.lives and clutch.pips[1][0] <= day:
                    continue
                if candled and not clutch.alive(day):
                    # That none shows is doubt and not death: on purpose it says nothing.
                    continue
                chance = update(seen(clutch, day, candled=candled), spread).chance_only_late("lower")
                cases[next(i for i, (least, _) in enumerate(BANDS) if chance >= least)].append((chance, clutch.lives))
            for band, found in sorted(cases.items()):
                stated, true = float(np.mean([c for c, _ in found])), float(np.mean([x for _, x in found]))
                name = f"{probe} {'candled' if candled else 'looked'}: {BANDS[band][1].partition(':')[0]}"
                figures[name] = f"{len(found)} boxes, stated {100 * stated:.1f} %, only late {100 * true:.1f} %"
                error = math.sqrt(true * (1.0 - true) / len(found))
                if len(found) >= ENOUGH and abs(stated - true) > WITHIN + 2.0 * error:
                    short.append(f"{name}: {figures[name]}")


# -- keepers ------------------------------------------------------------------------------------------------------


@dataclass
class Kept:
    """What came of keepers of one kind: boxes that were late, of which such that held living eggs were given up, and
    how long a dead one was kept, in days after the other was done."""

    late: int = 0
    lost: int = 0
    dead_kept: list[float] = field(default_factory=list)


def given_up(rng: np.random.Generator, clutch: Drawn, spread: Spread) -> float:
    """The day on which one who follows the text gives the lower box up; infinite: never, since it pips before.

    It is waited until the date. After it, while the words are the last of all and candling shows no egg alive on three
    evenings one after the other, a keeper may take the box for dead: the text itself never says so.
    """
    boxes = seen(clutch, clutch.done, candled=False)
    day, dark = math.ceil(max(wait_until(boxes, spread), clutch.done)), 0
    while day < clutch.done + MOST_DAYS * 3:
        if clutch.lives and clutch.pips[1][0] <= day:
            return math.inf
        shows = rng.binomial(clutch.alive(day), CANDLING) > 0
        dark = 0 if shows else dark + 1
        if dark >= EVENINGS:
            chance = update(seen(clutch, day, candled=False), spread).chance_only_late("lower")
            if verdict(chance, waits=False).words == BANDS[-1][1]:
                return day
        day += 1
    return float(day)


def keepers(rng: np.random.Generator, clutches: int, figures: Found, short: list[str]) -> None:
    spread = Spread()
    rules: dict[str, Kept] = defaultdict(Kept)
    for _ in range(clutches):
        clutch = draw(rng, spread, PROBES["compared"])
        if clutch is None or (clutch.lives and clutch.pips[1][0] <= clutch.done + 1):
            continue
        ends = {f"{days}_days": clutch.done + days for days in NAIVE_DAYS}
        ends["the_text"] = given_up(rng, clutch, spread)
        for rule, end in ends.items():
            kept = rules[rule]
            if clutch.lives:
                kept.late += 1
                kept.lost += bool(clutch.pips[1][0] > end)
            else:
                kept.dead_kept.append(end - clutch.done)
    for rule, kept in sorted(rules.items()):
        figures[f"{rule}_late_boxes"] = kept.late
        figures[f"{rule}_given_up_of_1000"] = round(1000.0 * kept.lost / max(kept.late, 1), 2)
        figures[f"{rule}_dead_box_kept_days"] = round(float(np.median(kept.dead_kept or [math.nan])), 1)
        figures[f"{rule}_dead_box_kept_days_90_pct"] = round(float(np.quantile(kept.dead_kept or [math.nan], 0.9)), 1)
    followed = rules["the_text"]
    if 1000 * followed.lost >= max(followed.late, 1):
        short.append(f"by the text {followed.lost} of {followed.late} late boxes were given up")


def measure(clutches: int = 24_000, seed: int = 20261) -> Figures:
    """``clutches`` for each kind of probe and keeper, and for the rules."""
    figures: Found = {}
    short: list[str] = []
    the_story(figures, short)
    calibration(np.random.default_rng([seed, 1]), clutches, figures, short)
    keepers(np.random.default_rng([seed, 2]), clutches, figures, short)
    notes = [
        "story: days after the upper box is done; in brackets the chance in per cent, also where it is not told",
        "spreads, hatching success and failures of whole boxes as the program takes them; looks each evening",
        f"calibration: at a day drawn from the first two weeks, within {100 * WITHIN:.0f} points each band; candled:",
        "where an egg was seen alive that day (where none shows nothing follows: a dark egg is not a dead one)",
        "the text: waits until its date, then gives up when the words are the last and three candlings show no egg",
        f"alive, each of which shows with {CANDLING:g}; naive: gives up so many days after the upper box is done",
    ]
    return Figures(figures, short, notes)
