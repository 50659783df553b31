"""Notices on their way: a channel that fails or is dead, quiet hours when clocks change, escalation, reminders.

The real service on a simulated clock, a round every ten minutes, real HTTP receivers. What must arrive, where and when
is worked out here from the local time of each event, not from a run.
"""

from __future__ import annotations

import contextlib
import itertools
import random
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from monitor.core.terms.settings import Box, Broker, Channel, Limits, Probe, Room, Settings, Watch
from tests.bench import Figures
from tests.bench.stepped import Stepped, stepped
from tests.sinks import Sink, http_sink

MINUTE_MS: Final = 60_000
STEP_MIN: Final = 10
BOXES: Final = ("a", "b", "c", "d")
START_MS: Final = int(datetime(2026, 9, 1, 12, tzinfo=UTC).timestamp() * 1000)
NIGHTS: Final = {
    "clocks go forward": datetime(2026, 3, 28, 20, tzinfo=ZoneInfo("Europe/Vienna")),
    "clocks go back": datetime(2026, 10, 24, 20, tzinfo=ZoneInfo("Europe/Vienna")),
}


def settings(channels: tuple[Channel, ...], watch: Watch) -> Settings:
    """Four boxes, each in a stack of its own, so that each is told for itself."""
    return Settings(
        room=Room(
            name="room",
            zone="Europe/Vienna",
            display_unit="C",
            stacks=BOXES,
            boxes=tuple(Box(b, b, 100.0) for b in BOXES),
            probes=tuple(
                Probe(f"{b}-t", f"room/{b}", pointer="/value", time_pointer="/at", box=b, interval_s=600.0,
                      quiet_after_s=1800.0)
                for b in BOXES
            ),
            # No trend is told here: a box jumps to where it is wanted.
            limits=Limits(too_warm_c=32.0, on_delay_s=600.0, off_delay_s=600.0),
            watch=watch,
        ),
        broker=Broker(),
        channels=channels,
    )  # fmt: skip


@dataclass(frozen=True)
class Got:
    """One message at one receiver: when it came, by the simulated clock, and whether the sender heard that it did."""

    at_ms: int
    channel: str
    key: str
    taken: bool


@dataclass
class Course:
    """The service, its receivers, and what each got."""

    run: Stepped
    sinks: Mapping[str, Sink]
    now_ms: int
    got: list[Got] = field(default_factory=list)
    _counted: Counter[str] = field(default_factory=Counter)

    def step(self, warm: tuple[str, ...] = (), silent: tuple[str, ...] = ()) -> None:
        """Ten minutes on: boxes that are too warm, and probes that say nothing."""
        self.now_ms += STEP_MIN * MINUTE_MS
        values = {f"room/{b}": 32.2 if b in warm else 31.6 for b in BOXES if b not in silent}
        self.run.step(self.now_ms, values)
        self.run.app.parts.delivery.drain(30)
        for name, sink in self.sinks.items():
            for arrival in list(sink.arrivals)[self._counted[name] :]:
                self.got.append(Got(self.now_ms, name, arrival.key, arrival.sign in ".h"))
                self._counted[name] += 1

    def steps(self, minutes: int, warm: tuple[str, ...] = (), silent: tuple[str, ...] = ()) -> None:
        for _ in range(minutes // STEP_MIN):
            self.step(warm, silent)

    def times(self, channel: str, begin: str) -> list[int]:
        """When messages came whose key begins so."""
        return [g.at_ms for g in self.got if g.channel == channel and g.key.startswith(begin)]

    def answer(self, kind: str) -> None:
        number = next(n.id for n in reversed(self.run.notices) if n.kind == kind)
        self.run.app.parts.store.ledger.answer(number, self.now_ms, "the keeper")


@contextmanager
def course(
    start_ms: int, watch: Watch, delays: Mapping[str, float], script: str = "", timeout_s: float = 5.0
) -> Iterator[Course]:
    """Channels by name with the seconds after which each is used; the first answers by ``script``."""
    with contextlib.ExitStack() as stack:
        name = stack.enter_context(tempfile.TemporaryDirectory())
        scripts = {channel: script if i == 0 else "" for i, channel in enumerate(delays)}
        sinks = {channel: stack.enter_context(http_sink(s)) for channel, s in scripts.items()}
        channels = tuple(
            Channel(c, f"json://127.0.0.1:{sinks[c].port}/{c}", timeout_s=timeout_s, after_s=after_s)
            for c, after_s in delays.items()
        )
        run = stack.enter_context(stepped(settings(channels, watch), Path(name), start_ms))
        begun = Course(run, sinks, start_ms)
        # The probes are given their time after a start.
        begun.steps(60)
        yield begun


# -- a channel that fails by a script --------------------------------------------------------------------------------


def failing(figures: dict[str, float | str], short: list[str], changes: int) -> None:
    """A box gets too warm and cools down again, over and over; of five messages three fail in one way or another."""
    dice = random.Random(11)
    # Refused, cut, led elsewhere, refused for now, taken; and twice taken without an answer to the sender.
    signs = [dice.choice("55xx34....") for _ in range(6 * changes)]
    signs[3] = signs[17] = "t"
    script = "".join(signs)
    watch = Watch(heading_s=0.0, repeat_now_s=0.0, repeat_today_s=0.0, stuck_after_s=1e9)
    with course(START_MS, watch, {"hook": 0.0}, script, timeout_s=0.5) as at:
        for n in range(changes // 2):
            box = BOXES[n % len(BOXES)]
            at.steps(40, warm=(box,))
            at.steps(30)
        at.steps(6 * 60)
        told: Counter[tuple[str, str, str]] = Counter((n.kind, s, n.change) for n in at.run.notices for s in n.subjects)
        changed: Counter[tuple[str, str, str]] = Counter(
            (t.kind, t.subject, t.change) for t in at.run.app.parts.store.ledger.history(10_000)
        )
        keys = {n.key for n in at.run.notices}
        taken = Counter(g.key for g in at.got if g.taken)
        # What the receiver took without an answer, or was cut off from, a person may have seen as well.
        seen = Counter(g.key for g in at.got if g.taken or _seen(at, g))
        figures["failing: state changes"] = changed.total()
        figures["failing: changes of boxes"] = sum(n for (kind, _, _), n in changed.items() if kind == "too-warm")
        figures["failing: notices"] = len(keys)
        figures["failing: messages sent"] = len(at.got)
        figures["failing: failed"] = sum(not g.taken for g in at.got)
        figures["failing: taken"] = len(taken)
        figures["failing: lost"] = len(keys - taken.keys())
        figures["failing: doubled, by the sender's knowledge"] = sum(n - 1 for n in taken.values())
        figures["failing: doubled, as seen by the receiver"] = sum(n - 1 for n in seen.values())
        if figures["failing: changes of boxes"] != changes // 2 * 2:
            short.append(f"failing: {figures['failing: changes of boxes']} changes of boxes, {changes // 2 * 2} made")
        if told != changed:
            short.append(f"failing: changes without a notice, or the other way: {(told - changed) | (changed - told)}")
        if keys != taken.keys():
            short.append(f"failing: {len(keys - taken.keys())} notices lost, {len(taken.keys() - keys)} never made")
        if figures["failing: doubled, by the sender's knowledge"]:
            short.append("failing: a message was sent again though the sender knew that it was taken")


def _seen(at: Course, got: Got) -> bool:
    """Whether the receiver had the whole of a message that the sender thinks failed."""
    arrivals = at.sinks[got.channel].arrivals
    return arrivals[[g for g in at.got if g.channel == got.channel].index(got)].sign in "tx"


# -- a channel that is dead for a night ------------------------------------------------------------------------------


def dead_night(figures: dict[str, float | str], short: list[str]) -> None:
    """Two boxes get too warm and cool down, a third stays warm, while the channel takes nothing for eight hours.

    Afterwards what is over comes as one digest, what is still true by itself and first, and nothing is missing.
    """
    watch = Watch(heading_s=0.0, repeat_now_s=1800.0, repeat_today_s=0.0, stuck_after_s=1e9)
    with course(START_MS, watch, {"hook": 0.0}) as at:
        sink = at.sinks["hook"]
        sink.then = "5"
        for box in ("a", "b"):
            at.steps(60, warm=(box,))
            at.steps(60)
        at.steps(240, warm=("c",))
        died = len(sink.arrivals)
        sink.then = "."
        at.steps(60, warm=("c",))
        later = [a for a in list(sink.arrivals)[died:] if a.sign == "."]
        digests = [a.text for a in later if a.key.startswith("digest/")]
        keys = [a.key for a in later]
        missing = [n.key for n in at.run.notices if n.key not in keys and not any(n.title in t for t in digests)]
        figures["dead night: notices"] = len(at.run.notices)
        figures["dead night: messages afterwards"] = len(later)
        figures["dead night: digests"] = len(digests)
        figures["dead night: missing"] = len(missing)
        figures["dead night: doubled"] = len(keys) - len(set(keys))
        if len(digests) != 1 or missing or len(set(keys)) != len(keys):
            short.append(f"dead night: {len(digests)} digests, missing {missing}, came {keys}")
        if not keys or not keys[0].startswith("too-warm/c/"):
            short.append(f"dead night: what is still true did not come first: {keys[:1]}")


# -- quiet hours -----------------------------------------------------------------------------------------------------


def quiet_night(name: str, evening: datetime, figures: dict[str, float | str], short: list[str]) -> None:
    """22:00 to 07:00 by the clock on the wall, on a night on which that clock is changed.

    Probes fall silent at 20:30, at 23:00 and at 02:00; a box gets too warm at 04:00. The first is told at once, the
    second and third at 07:00 sharp, the box at once.
    """
    zone = evening.tzinfo
    start = round(evening.timestamp() * 1000) - 60 * MINUTE_MS
    watch = Watch(heading_s=0.0, repeat_now_s=0.0, repeat_today_s=0.0, quiet_from="22:00", quiet_until="07:00")
    day = evening.date().toordinal() + 1

    def at_ms(hour: int, minute: int = 0) -> int:
        """On the morning after, by the clock on the wall."""
        moment = datetime.fromordinal(day).replace(hour=hour, minute=minute, tzinfo=zone)
        return round(moment.timestamp() * 1000)

    events = {"a": round(evening.timestamp() * 1000) + 30 * MINUTE_MS, "b": at_ms(0) - 60 * MINUTE_MS, "c": at_ms(2)}
    with course(start, watch, {"hook": 0.0}) as at:
        while at.now_ms < at_ms(9):
            next_ms = at.now_ms + STEP_MIN * MINUTE_MS
            silent = tuple(b for b, began in events.items() if next_ms > began)
            at.step(("d",) if at_ms(4) <= next_ms < at_ms(5) else (), silent)
        # A notice is made at the first round after its time: quiet for half an hour, too warm for ten minutes.
        wanted = {
            "probe-quiet/a-t/raised": (events["a"] + 20 * MINUTE_MS, events["a"] + 50 * MINUTE_MS),
            "probe-quiet/b-t/raised": (at_ms(7), at_ms(7)),
            "probe-quiet/c-t/raised": (at_ms(7), at_ms(7)),
            "too-warm/d/raised": (at_ms(4) + 10 * MINUTE_MS, at_ms(4) + 20 * MINUTE_MS),
            # That it is over is for "today": it waits as well.
            "too-warm/d/cleared": (at_ms(7), at_ms(7)),
        }
        for begin, (first, last) in wanted.items():
            came = at.times("hook", begin)
            shown = [datetime.fromtimestamp(t / 1000, zone).strftime("%H:%M%z") for t in came]
            figures[f"{name}: {begin}"] = ", ".join(shown) or "never"
            if len(came) != 1 or not first <= came[0] <= last:
                short.append(f"{name}: {begin} came {', '.join(shown) or 'never'}")
        others = {g.key for g in at.got if not g.key.startswith(tuple(wanted))}
        if others:
            short.append(f"{name}: unexpected: {', '.join(sorted(others))}")


# -- escalation -----------------------------------------------------------------------------------------------------

STEPS_S: Final = {"phone": 0.0, "second": 1800.0, "person": 5400.0}


def further_steps(figures: dict[str, float | str], short: list[str]) -> None:
    """Channels used after half an hour and after an hour and a half, if nobody has answered by then."""
    # (what happens, minutes until it does) -> minutes after the notice at which each channel is used.
    cases: dict[str, tuple[int, bool, dict[str, list[int]]]] = {
        "unanswered": (0, False, {"phone": [0], "second": [30], "person": [90]}),
        "answered after 20 min": (20, True, {"phone": [0], "second": [], "person": []}),
        "answered after 60 min": (60, True, {"phone": [0], "second": [30], "person": []}),
        "over after 20 min": (20, False, {"phone": [0], "second": [], "person": []}),
    }
    for name, (after_min, answered, wanted) in cases.items():
        watch = Watch(heading_s=0.0, repeat_now_s=0.0, repeat_today_s=0.0)
        with course(START_MS, watch, STEPS_S) as at:
            while not at.times("phone", "too-warm"):
                at.step(("a",))
            told_ms = at.now_ms
            if after_min:
                # The end is told ten minutes after the first reading that is back.
                at.steps(after_min - (0 if answered else 20), ("a",))
                if answered:
                    at.answer("too-warm")
            over = not answered and after_min > 0
            at.steps(180, () if over else ("a",))
            for channel, minutes in wanted.items():
                came = [(t - told_ms) // MINUTE_MS for t in at.times(channel, "too-warm/a/raised")]
                figures[f"{name}: {channel} after min"] = ", ".join(map(str, came)) or "not used"
                if came != minutes:
                    short.append(f"{name}: {channel} was used after {came or 'no'} min, {minutes or 'no'} wanted")


# -- repeats ---------------------------------------------------------------------------------------------------------


REPEATS: Final = Watch(heading_s=0.0, repeat_now_s=1800.0, repeat_today_s=21_600.0)


def repeats_now(figures: dict[str, float | str], short: list[str], repeats: int) -> None:
    """Told again at doubling distances, so many times, while nobody answers; never after an answer; and from the start
    when it is raised anew."""
    wanted = [30 * 2**n for n in range(repeats)]
    with course(START_MS, REPEATS, {"hook": 0.0}) as at:
        while not at.times("hook", "too-warm"):
            at.step(("a",))
        at.steps(sum(wanted) + 70, ("a",))
        at.answer("too-warm")
        before = len(at.times("hook", "too-warm/a"))
        # For as long as until the next repeat, had nobody answered.
        at.steps(2 * wanted[-1] + 40, ("a",))
        _distances("now", at.times("hook", "too-warm/a")[:before], wanted, figures, short)
        _none_after("now", len(at.times("hook", "too-warm/a")) - before, figures, short)
        at.steps(60)
        before = len(at.times("hook", "too-warm/a"))
        at.steps(120, ("a",))
        _distances("now, raised anew", at.times("hook", "too-warm/a")[before:], [30, 60], figures, short)


def repeats_today(figures: dict[str, float | str], short: list[str]) -> None:
    """The same of what is for today, over five days."""
    with course(START_MS, REPEATS, {"hook": 0.0}) as at:
        while not at.times("hook", "probe-quiet"):
            at.step(silent=("b",))
        at.steps(70 * 60, silent=("b",))
        at.answer("probe-quiet")
        before = len(at.times("hook", "probe-quiet/b"))
        at.steps(30 * 60, silent=("b",))
        wanted = [360, 720, 1440, 1440]
        _distances("today", at.times("hook", "probe-quiet/b")[:before], wanted, figures, short)
        _none_after("today", len(at.times("hook", "probe-quiet/b")) - before, figures, short)


def _distances(
    name: str, times: list[int], wanted: list[int], figures: dict[str, float | str], short: list[str]
) -> None:
    minutes = [(b - a) // MINUTE_MS for a, b in itertools.pairwise(times)]
    figures[f"repeats, {name}: min between"] = ", ".join(map(str, minutes))
    if minutes != wanted:
        short.append(f"repeats, {name}: {minutes} min between, {wanted} wanted")


def _none_after(name: str, count: int, figures: dict[str, float | str], short: list[str]) -> None:
    figures[f"repeats, {name}: after the answer"] = count
    if count:
        short.append(f"repeats, {name}: {count} after the answer")


def measure(changes: int = 40, repeats: int = 5, only: str = "", nights: Sequence[str] = tuple(NIGHTS)) -> Figures:
    """``changes`` of boxes under the failing channel, ``repeats`` of what nobody answers; ``only``: failing, dead
    night, night, steps, repeats now or repeats today; ``nights``: which of them."""
    figures: dict[str, float | str] = {}
    short: list[str] = []
    if only in "failing":
        failing(figures, short, changes)
    if only in "dead night":
        dead_night(figures, short)
    for name in nights if only in "night" else ():
        quiet_night(name, NIGHTS[name], figures, short)
    if only in "steps":
        further_steps(figures, short)
    if only in "repeats now":
        repeats_now(figures, short, repeats)
    if only in "repeats today":
        repeats_today(figures, short)
    notes = ["simulated time, a round every ten minutes; a time such as 07:00+0200 is that of the clock on the wall"]
    return Figures(figures, short, notes)
