"""A reading in its context: a flag, and the name of the test that gave it.

The flags and the way of flagging are the open QARTOD scheme (IOOS manuals: gross range, rate of change and so on),
the numbers are for egg boxes. Each test is one function; :data:`TESTS` lists them in the order in which they are
asked. The worst answer wins, the first among equals names itself. A test that cannot be run says nothing.

A flag never changes a value. Flags 3, 4 and 9 keep a reading out of development and out of the clearing of
conditions, so a test here must be sure: what only looks odd is left to the tests that see the other probes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Flags, Values
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe
from monitor.values import dataclass

RANGE_C: Final = (-40.0, 80.0)
"""What an egg room's thermometer can honestly say; small digital thermometers end at -40 or -55 C (from memory)."""
RANGE_PCT: Final = (0.0, 100.0)
RANGE_V: Final = (0.0, 60.0)
RANGE_G: Final = (0.0, 100_000.0)
"""What a scale under an egg box can honestly say: less than nothing is one that was zeroed with the box on it."""
RANGES: Final = {"V": RANGE_V, "g": RANGE_G}
POWER_ON_C: Final = 85.0
"""What a common one-wire thermometer says before its first conversion (from memory of its data sheet)."""
ERROR_VALUES: Final = (
    -127.0, -200.0, -999.0, -9999.0, 999.0, 9999.0,
    65535.0, 6553.5, 655.35, 32767.0, 3276.7, 327.67, -32768.0, -3276.8, -327.68,
)  # fmt: skip
"""Values by which drivers and loggers say "no probe": -127 and the all-ones codes, whole and scaled (common
practice, no source), -200 (seen in a published series of forest microclimate, package myClim)."""
PLAIN_C: Final = (-40.0, 54.0)
"""Temperatures that the instrument can say and that are no error value in any unit: only a step could be wrong."""

STEP_C: Final = 5.0
"""A step within a minute that no egg box can make. Published minute series of rooms: at most 0.16 C/min quiet,
2.2 C in ten minutes heated (UCI occupancy detection, Candanedo 2016; IEA Annex 58 twin houses)."""
STEP_S: Final = 60.0
STEP_HOLDS_S: Final = 600.0
STEP_READINGS: Final = 3
"""A new level is believed once it has been told so often, or for so long: then the probe was moved."""
GAP_INTERVALS: Final = 3.0

# A member of an enumeration is slow to look up, and these are asked for with every reading.
_GOOD: Final = Flag.GOOD
_NOT_JUDGED: Final = Flag.NOT_JUDGED


class Context(NamedTuple):
    """What is remembered of one probe. ``last_*``: its newest believed reading; ``seen_ms`` its newest of any kind.

    ``level``, ``level_since_ms`` and ``level_count`` describe a new level that is not believed yet.
    """

    last_ms: int | None = None
    last_value: float | None = None
    seen_ms: int | None = None
    level: float | None = None
    level_since_ms: int = 0
    level_count: int = 0


@dataclass(frozen=True, slots=True)
class _InContext:
    """A reading as a test sees it."""

    reading: Reading
    context: Context
    probe: Probe

    @property
    def since_seen_s(self) -> float | None:
        seen = self.context.seen_ms
        return None if seen is None else (self.reading.at_ms - seen) / 1000.0

    @property
    def late(self) -> bool:
        """Measured before one that came earlier: its neighbours in time are not at hand here."""
        seen = self.context.seen_ms
        return seen is not None and self.reading.at_ms <= seen

    @property
    def as_said(self) -> float:
        """The value as the probe wrote it: an error value is one in its own unit."""
        value = self.reading.value
        if self.probe.unit == "F":
            return round(value * 1.8 + 32.0, 4)
        if self.probe.unit == "K":
            return round(value + 273.15, 4)
        return value


def not_a_number(look: _InContext) -> Flag | None:
    return None if math.isfinite(look.reading.value) else Flag.BAD


def power_on(look: _InContext) -> Flag | None:
    """Exactly 85.0 as the first word, or after a gap: a thermometer that has not measured yet."""
    if look.probe.quantity != "temperature" or abs(look.reading.value - POWER_ON_C) > 1e-4:
        return None
    since = look.since_seen_s
    return Flag.BAD if since is None or since > GAP_INTERVALS * look.probe.interval_s else None


def error_value(look: _InContext) -> Flag | None:
    """A number by which the probe's driver says that there is no probe, in Celsius or in the probe's own unit. A
    box may weigh as much."""
    if look.probe.quantity == "weight":
        return None
    said = (look.reading.value, look.as_said)
    return Flag.BAD if any(abs(value - known) <= 1e-4 for value in said for known in ERROR_VALUES) else None


def gross_range(look: _InContext) -> Flag | None:
    """QARTOD gross range: outside what the instrument can say."""
    low, high = RANGE_C if look.probe.quantity == "temperature" else RANGE_PCT
    if look.probe.unit in RANGES:
        low, high = RANGES[look.probe.unit]
    return None if low <= look.reading.value <= high else Flag.BAD


def step(look: _InContext) -> Flag | None:
    """QARTOD rate of change, against the last believed reading.

    Up to a minute apart the bound is 5 C, beyond it 5 C per minute. A new level is suspect until it was told
    three times or has held for ten minutes.
    """
    if look.probe.quantity != "temperature" or look.late or not _steps(look):
        return None
    reading, context = look.reading, look.context
    if context.level is not None and abs(reading.value - context.level) <= STEP_C:
        held_s = (reading.at_ms - context.level_since_ms) / 1000.0
        if context.level_count + 1 >= STEP_READINGS or held_s >= STEP_HOLDS_S:
            return None
    return Flag.SUSPECT


def _steps(look: _InContext) -> bool:
    last_ms, last = look.context.last_ms, look.context.last_value
    if last_ms is None or last is None:
        return False
    minutes = max((look.reading.at_ms - last_ms) / 1000.0 / STEP_S, 1.0)
    return abs(look.reading.value - last) > STEP_C * minutes


TESTS: Final[tuple[tuple[str, Callable[[_InContext], Flag | None]], ...]] = (
    ("not-a-number", not_a_number),
    ("power-on", power_on),
    ("error-value", error_value),
    ("gross-range", gross_range),
    ("step", step),
)


def judge(reading: Reading, previous: Context, probe: Probe) -> tuple[Reading, Context]:
    """The reading with its flag and the test that gave it, and the context for the next one.

    Flag 1 good: everything ran and passed. 2 not judged: nothing spoke against it, but there was nothing recent to
    compare it with (the first, one after a long gap, or one that came late). 3 suspect and 4 bad carry the name
    of the test. A flag that the reading already has (suspect or worse) is never improved.
    """
    late = previous.seen_ms is not None and reading.at_ms <= previous.seen_ms
    flag, name = reading.flag, reading.test
    if flag <= _NOT_JUDGED:
        flag, name = (_GOOD if not late and _recent(reading, previous, probe) else _NOT_JUDGED), ""
    if not _plain(reading, previous, probe):
        look = _InContext(reading, previous, probe)
        for test_name, test in TESTS:
            found = test(look)
            if found is not None and found > flag:
                flag, name = found, test_name
    judged = Reading(*reading[:4], flag, name, reading.timed)
    return judged, previous if late else _next(judged, previous)


def _plain(reading: Reading, context: Context, probe: Probe) -> bool:
    """Whether no test can object, as with nearly every reading: then none needs to be asked."""
    warm = probe.quantity == "temperature"
    low, high = PLAIN_C if warm else RANGE_PCT
    if not low <= reading.value <= high:
        return False
    return not warm or context.last_value is None or abs(reading.value - context.last_value) <= STEP_C


def _recent(reading: Reading, context: Context, probe: Probe) -> bool:
    """Whether there is a believed reading near enough for the step test to mean something."""
    if context.last_ms is None:
        return False
    reach_s = max(STEP_HOLDS_S, GAP_INTERVALS * probe.interval_s)
    return reading.at_ms - context.last_ms <= reach_s * 1000.0


def _next(judged: Reading, context: Context) -> Context:
    """What is remembered after a reading that did not come late."""
    if judged.flag <= _NOT_JUDGED:
        return Context(judged.at_ms, judged.value, judged.at_ms)
    if judged.test != "step":
        return context._replace(seen_ms=judged.at_ms)
    if context.level is not None and abs(judged.value - context.level) <= STEP_C:
        return context._replace(seen_ms=judged.at_ms, level_count=context.level_count + 1)
    return context._replace(seen_ms=judged.at_ms, level=judged.value, level_since_ms=judged.at_ms, level_count=1)


# --- tests of a whole series (QARTOD manuals of the IOOS) ------------------------------------------------------------
#
# They need the readings after the one that is judged, so they do not flag what arrives; the tests that look at a probe
# beside the others (core.suspicion) are built on them.


def spike(value: Values, suspect: float, fail: float) -> Flags:
    """QARTOD spike test: |x - (previous + next) / 2| above ``suspect`` or ``fail``; the ends are not judged.

    Shape (n,); flags 1, 2, 3 and 4 of :class:`Flag`.
    """
    flags = np.full(len(value), int(Flag.NOT_JUDGED), np.uint8)
    if len(value) > 2:
        away = np.abs(value[1:-1] - 0.5 * (value[:-2] + value[2:]))
        flags[1:-1] = _graded(away > suspect, away > fail)
    return flags


def flat_line(time_s: Values, value: Values, suspect_s: float, fail_s: float, tolerance: float) -> Flags:
    """QARTOD flat line: suspect or bad where a value and all before it within a time differ by less than a tolerance.

    The times are counted in readings, by the median interval, rounded down.
    """
    flags = np.full(len(value), int(Flag.GOOD), np.uint8)
    if len(value) < 2:
        return flags
    interval_s = float(np.median(np.diff(time_s)))
    for after_s, flag in ((suspect_s, Flag.SUSPECT), (fail_s, Flag.BAD)):
        width = int(after_s / interval_s) + 1
        if 1 < width <= len(value):
            flags[width - 1 :][_spans(value, width) < tolerance] = int(flag)
    return flags


def _spans(value: Values, width: int) -> Values:
    """Highest minus lowest of each window of so many values, shape (n - width + 1,), in a time that grows as n.

    Each window is the end of one block of that width and the beginning of the next (van Herk 1992).
    """
    n = len(value)
    blocks = np.append(value, np.full(-n % width, value[-1])).reshape(-1, width)
    ends: list[Values] = []
    for running in (np.maximum, np.minimum):
        before = running.accumulate(blocks, axis=1).ravel()[width - 1 : n]
        after = running.accumulate(blocks[:, ::-1], axis=1)[:, ::-1].ravel()[: n - width + 1]
        ends.append(running(before, after))
    return ends[0] - ends[1]


def _graded(suspect: NDArray[np.bool_], bad: NDArray[np.bool_]) -> Flags:
    return np.where(bad, int(Flag.BAD), np.where(suspect, int(Flag.SUSPECT), int(Flag.GOOD))).astype(np.uint8)
