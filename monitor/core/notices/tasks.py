"""What is to be done, and when: from the account, the windows, the weights and the comparisons of probes.

A task is done when the account says so. What nobody can tell of (preparing a place) ends by itself. Nothing is asked of
a finished clutch. Days are those of the room's zone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta, tzinfo
from typing import Final, Literal

from monitor.core.climate.water import BoxWater, Weighing
from monitor.core.development.care import Care
from monitor.core.development.lots import LotNow
from monitor.core.notices.kinds.probes import CALIBRATED_FOR_DAYS
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.events import Clutch, EventKind, KeeperEvent
from monitor.core.terms.formats import name_eggs, show_date
from monitor.values import dataclass

WEIGH_DAYS: Final = 7
"""Common practice, no source."""
EARLY_DAYS: Final = 2
"""A candling so early counts for its day. Judgement, no source."""
LEAST_ML: Final = 3
"""Less is not worth opening a box. Judgement, no source."""
SHOWN_DONE_DAYS: Final = 14
"""What was done stands so long in a calendar. Judgement, no source."""
FORGOTTEN_DAYS: Final = 30
"""Who has not told of a first shed, a first meal or a candling by then will not. Judgement, no source."""
LOOKS_AHEAD_DAYS: Final = 14
FEED_DAYS: Final = 400
"""What lies so far ahead stands in a calendar."""
MOST: Final = 500
"""So many tasks and spans at most; rooms have some dozens."""

State = Literal["overdue", "due", "coming", "done"]
CANDLING: Final = "Without turning an egg. Record it: warmtally record candled."
LOOKING: Final = "Do not disturb the eggs. Record it: warmtally record looked, or pipped."
PREPARING: Final = (
    "A clean place for each, warm and damp, with water and hides. Wash your hands after animals and eggs."
)
VENOMOUS: Final = "Have ready: hook, closed box, a second person, who has the antivenom."
WEIGHING: Final = "With its lid on, before water is given. Record it: warmtally record weighed."
SILENT_SCALE: Final = "Its scale has said nothing for a week: look at it. By hand: warmtally record weighed."
WATERING: Final = "Beside the eggs, never on them; wash your hands afterwards. Record it: warmtally record watered."
NO_EGG: Final = "An estimate: no egg is opened on its word."
_SEEN: Final = (EventKind.LOOKED, EventKind.CANDLED, EventKind.PIPPED, EventKind.HATCHED, EventKind.DEAD)


@dataclass(frozen=True, slots=True)
class Task:
    """Something to do: from ``begins`` on, by ``due``. ``id`` stays the same as long as it is the same thing to do;
    ``says`` it in a few words, ``more`` in sentences what to mind. ``done_ms``: when it was done, None: it was not."""

    id: str
    says: str
    begins: date
    due: date
    done_ms: int | None = None
    more: str = ""

    def state(self, today: date) -> State:
        if self.done_ms is not None:
            return "done"
        return "coming" if today < self.begins else "due" if today <= self.due else "overdue"


@dataclass(frozen=True, slots=True)
class Days:
    """Days of a calendar, both ends included: a window, or the day until which one waits."""

    id: str
    says: str
    more: str
    first: date
    last: date


def day_of(at_ms: float, zone: tzinfo) -> date:
    return datetime.fromtimestamp(at_ms / 1000, zone).date()


def tasks(snapshot: Snapshot, days: int = 14) -> tuple[Task, ...]:
    """All that is to be done within so many days, what is overdue, and what was done lately; the oldest first."""
    today = day_of(snapshot.now_ms, snapshot.zone)
    found: dict[str, Task] = {}
    for task in _all(snapshot, today):
        if task.done_ms is not None:
            shown = today - day_of(task.done_ms, snapshot.zone) <= timedelta(SHOWN_DONE_DAYS)
        else:
            shown = task.begins - today <= timedelta(days)
        if shown:
            found.setdefault(task.id, task)
    ordered = sorted(found.values(), key=lambda t: (t.done_ms is not None, t.due, t.id))
    return tuple(ordered[:MOST])


def due(snapshot: Snapshot) -> tuple[Task, ...]:
    """What is to be done today, and what is overdue."""
    today = day_of(snapshot.now_ms, snapshot.zone)
    return tuple(t for t in tasks(snapshot, 0) if t.state(today) in ("due", "overdue"))


def spans(snapshot: Snapshot) -> tuple[Days, ...]:
    """The window of each lot whose eggs may still pip, and until when to wait for them."""
    zone, found = snapshot.zone, list[Days]()
    for lot in snapshot.lots:
        pip = lot.first_pip
        if pip is None or not lot.lot.open or not lot.lot.waiting or lot.clutch.finished_ms is not None:
            continue
        name = name_eggs(lot.lot.id)
        if not lot.lot.pipped:
            first, last = day_of(pip.window.p10_ms, zone), day_of(pip.window.p90_ms, zone)
            days = _short(first, same=last) if first == last else f"{_short(first, same=last)} to {_short(last)}"
            more = f"That is so in 8 of 10. The middle is {show_date(pip.window.p50_ms, zone)}. {NO_EGG}"
            found.append(Days(f"window/{lot.lot.id}", f"{name}: first pip {days}", more, first, last))
        if pip.silence is not None:
            until = day_of(pip.silence.wait_until_ms, zone)
            says = f"{name}: wait until {_short(until)}"
            more = f"By then 99 of 100 living {'eggs' if lot.lot.pipped else 'boxes'} would have pipped. {NO_EGG}"
            found.append(Days(f"wait/{lot.lot.id}", says, more, until, until))
    return tuple(found[:MOST])


def _short(day: date, same: date | None = None) -> str:
    """ "29 Jun"; with the year where the other end is in another one."""
    return f"{day.day} {day:%b}" + (f" {day.year}" if same is not None and same.year != day.year else "")


# ------------------------------------------------------------------------------------------------- where they come from


def _all(snapshot: Snapshot, today: date) -> Iterator[Task]:
    zone = snapshot.zone
    clutches: dict[str, Clutch] = {}
    for lot in snapshot.lots:
        clutches[lot.clutch.id] = lot.clutch
        if lot.clutch.finished_ms is None and lot.lot.open and lot.lot.eggs:
            yield from _candle(lot, snapshot.care.get(lot.clutch.species, Care()), today, zone)
            yield from _look(lot, today, zone)
    for clutch in clutches.values():
        if clutch.finished_ms is None:
            yield from _prepare(clutch, snapshot, today)
            yield from _hatchlings(clutch, snapshot.care.get(clutch.species, Care()), today, zone)
    for water in snapshot.waters:
        yield from _weigh(water, today, zone)
    yield from _compare(snapshot)


def _of_lot(events: Iterable[KeeperEvent], lot: LotNow, kinds: Sequence[EventKind]) -> list[KeeperEvent]:
    """What was told of a lot's eggs where they lay at that time; the entry names their box, a lot, or nothing."""

    def here(event: KeeperEvent) -> bool:
        boxes = {
            s.box for s in lot.lot.path if s.from_ms <= event.at_ms and (s.to_ms is None or event.at_ms <= s.to_ms)
        }
        named = event.box.removeprefix(f"{lot.clutch.id}/").partition("#")[0]
        return event.box == lot.lot.id or (event.box == "" and bool(boxes)) or named in boxes

    return [e for e in events if e.kind in kinds and here(e)]


def _opens(lot: LotNow, zone: tzinfo) -> date | None:
    return None if lot.first_pip is None else day_of(lot.first_pip.open_window.p10_ms, zone)


def _candle(lot: LotNow, care: Care, today: date, zone: tzinfo) -> Iterator[Task]:
    """A day of its own is not asked for once the next has come, nor from the window's opening on; where no window is
    known any more, not for ever."""
    if lot.lot.pipped or not lot.lot.waiting:
        return
    candled = sorted(e.at_ms for e in _of_lot(lot.clutch.events, lot, (EventKind.CANDLED,)))
    laid, opens = day_of(lot.clutch.laid_ms, zone), _opens(lot, zone)
    dues = [(day, laid + timedelta(day)) for day in care.candle_days]
    for i, (day, on) in enumerate(dues):
        done = next((at for at in candled if day_of(at, zone) >= on - timedelta(EARLY_DAYS)), None)
        late = opens is not None and max(on, today) >= opens
        next_came = any(later <= today for _, later in dues[i + 1 :])
        if done is None and (late or next_came or today - on > timedelta(FORGOTTEN_DAYS)):
            continue
        says = f"candle {name_eggs(lot.lot.id)} (day {day:g})"
        yield Task(f"candle/{lot.lot.id}/{day:g}", says, on, on, done, CANDLING)


def _look(lot: LotNow, today: date, zone: tzinfo) -> Iterator[Task]:
    """From the window's opening on, as long as eggs lie there: yesterday's look is not asked for any more."""
    opens = today if lot.lot.pipped else _opens(lot, zone)
    if opens is None:
        return
    seen = [e.at_ms for e in _of_lot(lot.clutch.events, lot, _SEEN) if day_of(e.at_ms, zone) == today]
    ends = today if lot.first_pip is None else max(day_of(lot.first_pip.open_window.p90_ms, zone), today)
    for n in range(LOOKS_AHEAD_DAYS + 1):
        on = today + timedelta(n)
        if opens <= on <= ends:
            done = max(seen, default=None) if on == today else None
            yield Task(f"look/{lot.lot.id}/{on:%Y%m%d}", f"look at {name_eggs(lot.lot.id)}", on, on, done, LOOKING)


def _prepare(clutch: Clutch, snapshot: Snapshot, today: date) -> Iterator[Task]:
    """Nobody tells of it: it ends when the window opens."""
    own = [x for x in snapshot.lots if x.clutch.id == clutch.id]
    opens = [_opens(x, snapshot.zone) for x in own if x.lot.open and x.lot.waiting]
    first = min((x for x in opens if x is not None), default=None)
    if first is None or first < today or any(x.lot.pipped or x.lot.hatched for x in own):
        return
    begins = first - timedelta(snapshot.room.watch.window_near_days)
    venomous = any(x.venomous for x in own)
    says = f"prepare for hatchlings of {clutch.id}{' (venomous)' if venomous else ''}"
    yield Task(f"prepare/{clutch.id}", says, begins, first, more=VENOMOUS if venomous else PREPARING)


def _hatchlings(clutch: Clutch, care: Care, today: date, zone: tzinfo) -> Iterator[Task]:
    """First sheds and first meals, by the days on which they hatched or shed."""
    hatched, shed, fed = (
        _counted(clutch.events, kind) for kind in (EventKind.HATCHED, EventKind.SHED, EventKind.FED)
    )  # fmt: skip
    name = f"hatchlings of {clutch.id}"
    firsts = [("shed", f"first shed of {name}", hatched, shed, care.first_shed_days)] if care.first_shed_days else []
    after = shed if care.first_shed_days else hatched
    for what, says, begun, done, days in (*firsts, ("fed", f"first meal for {name}", after, fed, care.first_meal_days)):
        by_day = {day_of(at, zone): total for at, total in begun}
        for day, total in by_day.items():
            done_ms = next((at for at, so_far in done if so_far >= total), None)
            on = day + timedelta(days)
            if done_ms is not None or today - on <= timedelta(FORGOTTEN_DAYS):
                yield Task(f"{what}/{clutch.id}/{day:%Y%m%d}", says, on, on, done_ms)


def _counted(events: Iterable[KeeperEvent], kind: EventKind) -> list[tuple[int, int]]:
    """When how many had come to it, in order of time."""
    total, found = 0, list[tuple[int, int]]()
    for event in sorted((e for e in events if e.kind is kind), key=lambda e: (e.at_ms, e.id)):
        total += event.eggs or 1
        found.append((event.at_ms, total))
    return found


def _weigh(water: BoxWater, today: date, zone: tzinfo) -> Iterator[Task]:
    """Weekly, once a box was weighed; what is on a scale is weighed by itself, and only watered, as long as the scale
    says something."""
    last = water.last
    if last is None:
        return
    if not last.scale:
        if len(water.weighings) > 1:
            yield _weighing(water.box, water.weighings[-2], last.at_ms, zone)
        yield _weighing(water.box, last, None, zone)
    elif today - day_of(last.at_ms, zone) > timedelta(WEIGH_DAYS):
        yield replace(_weighing(water.box, last, None, zone), more=SILENT_SCALE)
    since = last.at_ms
    if last.scale:
        since = max((g.at_ms for g in water.given), default=water.weighings[0].at_ms)
    on = day_of(since, zone) + timedelta(WEIGH_DAYS if last.scale else 0)
    name = f"water/{water.box}/{day_of(since, zone):%Y%m%d}"
    if water.give_ml >= LEAST_ML:
        yield Task(name, f"give box {water.box} {water.give_ml} ml of water", on, on, more=WATERING)
    elif water.given_since and not last.scale:
        yield Task(name, f"give box {water.box} water", on, on, water.given_since[-1].at_ms, WATERING)


def _weighing(box: str, after: Weighing, done_ms: int | None, zone: tzinfo) -> Task:
    day = day_of(after.at_ms, zone)
    on = day + timedelta(WEIGH_DAYS)
    return Task(f"weigh/{box}/{day:%Y%m%d}", f"weigh box {box}", on, on, done_ms, WEIGHING)


def _compare(snapshot: Snapshot) -> Iterator[Task]:
    """A year after probes of a stack were compared; where they never were, a condition asks for it when it matters."""
    by_stack: dict[str, list[int]] = {}
    for probe in snapshot.probes:
        place = snapshot.room.height_of(probe.probe)
        found = probe.correction
        if place is not None and found is not None and found.how == "side by side":
            by_stack.setdefault(place[0], []).append(found.from_ms)
    for stack, at in by_stack.items():
        day = day_of(min(at), snapshot.zone)
        on = day + timedelta(CALIBRATED_FOR_DAYS)
        yield Task(f"compare/{stack}/{day:%Y%m%d}", f"compare the probes of stack {stack}", on, on)
