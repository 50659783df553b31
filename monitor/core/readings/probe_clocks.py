"""Clocks of probes and gateways that are wrong by a constant time, and what their readings' times are rightly.

A clock is known to be wrong by what it says of messages that have just come. It is **ahead** as soon as one of them
carries a time that is still to come. It is **behind** when all messages of 25 minutes, four at least, come late by the
same time or some minutes more: what is given back after an outage comes late by less and less. From then on the
constant is added to the times that are read; what is stored stays as it came.

Whether the clock of the probe is wrong or that of this computer does not matter for the watch, which has to be made by
one clock. When this computer's is set, what came of it is taken back (:func:`after_step`).

Times are int64 milliseconds, all arrays of equal shape (n,). A lag is the time of arrival less the measured one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.core.readings.decode import AHEAD_MS
from monitor.core.terms.arrays import Times
from monitor.values import dataclass

CLOCK_S: Final = 600.0
"""A clock that is behind by less makes nothing late enough to matter (judgement)."""
CLOCK_SWAYS_S: Final = 120.0
CLOCK_SPAN_S: Final = 1500.0
CLOCK_MESSAGES: Final = 4
CLOCK_TREND_S: Final = 30.0
"""Within the span a queue that empties loses more than this: no clock gains two per cent (judgement)."""
CLOCK_WAITS_S: Final = 300.0
"""A message of a clock that is behind may besides have waited for so long on its way (judgement)."""
SLOT_MS: Final = 30_000
LOG_SLOTS: Final = 64
MOST_CLOCKS: Final = 200
"""Of one probe; a clock that jumps again and again is not followed for ever."""
_SWAYS_MS: Final = round(CLOCK_SWAYS_S * 1000)
_WAITS_MS: Final = round(CLOCK_WAITS_S * 1000)


@dataclass(frozen=True, slots=True)
class WrongClock:
    """A probe's clock that was behind by ``behind_ms`` (less than 0: ahead) for all that came from ``from_ms`` to
    ``to_ms`` (None: it still is). ``trusted``: this computer's clock was, when that was found."""

    probe: str
    from_ms: int
    behind_ms: int
    to_ms: int | None = None
    trusted: bool = True
    id: int = 0

    def covers(self, time_ms: Times, received_ms: Times) -> NDArray[np.bool_]:
        """Which readings were dated by it: those that it does not put into the future."""
        inside = (received_ms >= self.from_ms) & (time_ms + self.behind_ms <= received_ms + _SWAYS_MS)
        return inside if self.to_ms is None else inside & (received_ms <= self.to_ms)


def righted(time_ms: Times, received_ms: Times, timed: NDArray[np.bool_], clocks: Iterable[WrongClock]) -> Times:
    """The times of a probe's readings as they are used: with what its clock was behind by."""
    right = time_ms
    for clock in clocks:
        wrong = timed & clock.covers(time_ms, received_ms)
        if wrong.any():
            right = np.where(wrong, np.minimum(time_ms + clock.behind_ms, received_ms), right)
    return right


class Log(NamedTuple):
    """A probe's newest arrivals, in order: of each half minute when the first came, and the least lag."""

    received_ms: Times
    lag_ms: Times

    @staticmethod
    def empty() -> Log:
        return Log(np.empty(0, np.int64), np.empty(0, np.int64))

    def with_more(self, time_ms: Times, received_ms: Times) -> Log:
        """With what came; it does not matter in how many pieces."""
        came = np.concatenate((self.received_ms, received_ms))
        lag = np.concatenate((self.lag_ms, received_ms - time_ms))
        order = np.argsort(came, kind="stable")
        came, lag = came[order], lag[order]
        begins = np.flatnonzero(np.diff(came // SLOT_MS, prepend=-1))
        if not len(begins):
            return Log.empty()
        return Log(came[begins][-LOG_SLOTS:], np.minimum.reduceat(lag, begins)[-LOG_SLOTS:])


def looked_at(
    probe: str, clock: WrongClock | None, log: Log, *, trusted: bool
) -> tuple[WrongClock | None, WrongClock | None]:
    """What is known of a probe's clock after its newest arrivals: the former one if it has ended, and the one that is
    wrong now. ``clock``: the one that was wrong so far, None: none."""
    ended: WrongClock | None = None
    came, lag = log
    if clock is not None:
        against = (came >= clock.from_ms) & (lag < clock.behind_ms - _SWAYS_MS)
        if clock.behind_ms < 0:
            # What comes at once and in time was dated by a right clock.
            against |= (came >= clock.from_ms) & (lag > clock.behind_ms + _SWAYS_MS)
        if against.any():
            first = int(np.argmax(against))
            ended, clock = replace(clock, to_ms=max(int(came[first]) - 1, clock.from_ms)), None
            came, lag = came[first:], lag[first:]
    found = _found(came, lag)
    if found is None or (clock is not None and abs(found[1] - clock.behind_ms) <= _SWAYS_MS // 2):
        return ended, clock
    if clock is not None:
        ended = replace(clock, to_ms=max(found[0] - 1, clock.from_ms))
    return ended, WrongClock(probe, found[0], found[1], None, trusted)


def _found(came: Times, lag: Times) -> tuple[int, int] | None:
    """From which arrival on a clock is wrong, and by how much it is behind: by the least lag, since a message takes
    some time."""
    if not len(came):
        return None
    some = _constant(came, lag)
    if some is not None:
        least = int(some.min())
        same = (lag >= least - _SWAYS_MS) & (lag <= least + _WAITS_MS)
    elif lag[-1] < -AHEAD_MS:
        same = np.abs(lag - lag[-1]) <= _SWAYS_MS
    else:
        return None
    first = int(np.flatnonzero(~same)[-1]) + 1 if not same.all() else 0
    return int(came[first]), int(lag[first:].min())


def _constant(came: Times, lag: Times) -> Times | None:
    """The lags of the newest messages, all of a span, where they are those of a clock that is behind: the least of the
    first half of them is that of the last, and none waited for long besides."""
    if len(came) < CLOCK_MESSAGES or came[-1] - came[0] < CLOCK_SPAN_S * 1000:
        return None
    from_ms = min(int(came[-1]) - round(CLOCK_SPAN_S * 1000), int(came[-CLOCK_MESSAGES]))
    # The one before as well, so that the whole span is covered.
    some = lag[max(int(np.searchsorted(came, from_ms)), 0) :]
    if some.min() < CLOCK_S * 1000 or np.ptp(some) > _WAITS_MS:
        return None
    half = len(some) // 2
    return some if abs(some[:half].min() - some[-half:].min()) <= CLOCK_TREND_S * 1000 else None


def late_by_s(time_ms: Times, received_ms: Times) -> float | None:
    """How much a clock is behind by all that came, in seconds; None: that does not show."""
    arrived, first = np.unique(received_ms[::-1], return_index=True)
    some = _constant(arrived, arrived - time_ms[::-1][first])
    return None if some is None else float(np.median(some)) / 1000.0


def after_step(clocks: Iterable[WrongClock], step_ms: int) -> tuple[list[WrongClock], list[WrongClock]]:
    """When this computer's clock was set by ``step_ms``: those that are taken back, since by the new one the probe's is
    right; and those that end, to be found anew."""
    back: list[WrongClock] = []
    end: list[WrongClock] = []
    for clock in clocks:
        left_ms = clock.behind_ms + step_ms
        (back if -AHEAD_MS <= left_ms < CLOCK_S * 1000 else end).append(clock)
    return back, end


def one_clock_s(clocks: Sequence[WrongClock | None]) -> float | None:
    """By how much the clocks of all probes are behind, where they are as one, in seconds: then it may be this
    computer's that is wrong. None: they are not, or there are fewer than two."""
    behind = [c.behind_ms for c in clocks if c is not None]
    if len(behind) < max(len(clocks), 2) or max(behind) - min(behind) > 2 * _SWAYS_MS:
        return None
    return float(np.median(behind)) / 1000.0
