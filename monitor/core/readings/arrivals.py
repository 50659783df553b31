"""What came from the broker, told apart: new, sent again, retained, or old because it had to wait there.

At least once is what the broker promises; exactly once is made here. A message that is sent again after a crash has
the packet identifier and the content of one that was stored. Only readings without a time of their own need that: with
one, the store itself knows a reading by its probe and its millisecond.

Known limits. A broker that sends a message again without saying so (against [MQTT-3.3.1-1]) doubles a reading that
has no time of its own. A broker that gives the same packet identifier to the next message, loses the connection
before that one arrives, and finds in it exactly the same content as in the one before, loses the repetition.
One of a probe that sends more than a thousand a second for long is dated ahead, by as long as it takes to have a
millisecond for each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from hashlib import blake2b
from typing import Final, NamedTuple, TypeAlias

import numpy as np

from monitor.core.readings.decode import KEPT_BYTES, Decoded, decode
from monitor.core.readings.quality import Context, judge
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import Probe
from monitor.errors import PayloadError
from monitor.values import dataclass

WAITED: Final = "waited-at-broker"
"""Name of the test that flags a reading whose time is unknown because its message waited at the broker."""
IDENTIFIERS: Final = 65_536
"""Packet identifiers are 16 bits (MQTT 5.0, 2.2.1)."""
AGAIN_WITHIN: Final = IDENTIFIERS // 2
"""Half a round of packet identifiers later an equal one is another message's."""
DIGEST_BYTES: Final = 5
"""So much of a digest is kept: of two messages with one packet identifier one in 2**40 would be taken for the other."""
AWAY_INTERVALS: Final = 1.5
_UNHEARD: Final = Context()
SAID: Final = 2048
"""So many of a probe's newest times are remembered: an hour of one that reports each two seconds."""
MOST_RUNS: Final = 128
FORGOTTEN_MS: Final = 0
RUNS_AHEAD_MS: Final = 60_000
AROUND_MS: Final = 13_000
"""So much before and after a moment is looked up where it is not known what lies there. Longer than from one commit to
the next, or each would be two."""
Runs: TypeAlias = tuple[tuple[int, int], ...]
"""Moments that are taken, as runs of milliseconds without a gap, rising: first and last of each, the newest few."""


class Arrival(NamedTuple):
    """One message as it came. ``mid`` 0: sent without acknowledgement (QoS 0). ``connection`` counts connects."""

    topic: str
    payload: bytes
    received_ms: int
    mid: int = 0
    again: bool = False
    retained: bool = False
    connection: int = 0

    @property
    def digest(self) -> bytes:
        whole = blake2b(self.topic.encode("utf-8", "surrogateescape") + b"\0" + self.payload, digest_size=16).digest()
        return whole[:DIGEST_BYTES]


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A message, or its part for one probe, that could not become a reading."""

    received_ms: int
    topic: str
    payload: bytes
    reason: str
    probe: str = ""


class _TopicHeard(NamedTuple):
    """One topic: when it was heard last, and whether what comes now waited at the broker.

    ``before_ms`` is when it was heard last before this connection, ``came`` how many came in this connection.
    """

    last_ms: int | None = None
    before_ms: int | None = None
    previous_ms: int = 0
    came: int = 0
    waiting: bool = False


@dataclass(frozen=True, slots=True)
class Settled:
    """A batch made ready to be stored as a whole; nothing is remembered of it before :meth:`Arrivals.stored`."""

    readings: tuple[Reading, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    marks: tuple[tuple[int, bytes], ...] = ()
    repeated: int = 0
    retained: int = 0
    strangers: tuple[str, ...] = ()
    retained_untimed: tuple[str, ...] = ()
    live_ms: int | None = None
    _contexts: Mapping[str, Context] = field(default_factory=dict, repr=False)
    _lines: Mapping[str, _TopicHeard] = field(default_factory=dict, repr=False)
    _taken: Mapping[str, Runs] = field(default_factory=dict, repr=False)
    _said: Mapping[str, Mapping[int, float]] = field(default_factory=dict, repr=False)


class Marks:
    """Packet identifier -> place in the order of storing and digest of the last message that had it.

    A broker goes through all identifiers: as arrays they take one megabyte from the start, as objects thirteen in time.
    """

    def __init__(self, marks: Mapping[int, tuple[int, bytes]]) -> None:
        # 0: none had it.
        self._ordinal = np.zeros(IDENTIFIERS, np.int64)
        self._digest = np.zeros(IDENTIFIERS, np.uint64)
        for mid, (ordinal, digest) in marks.items():
            if 0 < mid < IDENTIFIERS:
                self._ordinal[mid], self._digest[mid] = ordinal, int.from_bytes(digest[:DIGEST_BYTES], "big")
        self.top = int(self._ordinal.max())

    def ordinal(self, mid: int, digest: bytes) -> int | None:
        """The place of the last message that had this identifier, if it was one like this."""
        found = int(self._ordinal[mid])
        return found if found and int(self._digest[mid]) == int.from_bytes(digest, "big") else None

    def put(self, marks: Sequence[tuple[int, bytes]]) -> None:
        """Of messages that were stored after all others, in their order."""
        if not marks:
            return
        mids = np.array([mid for mid, _ in marks], np.intp)
        # Of an identifier that comes twice the last one stays.
        self._ordinal[mids] = self.top + 1 + np.arange(len(marks))
        self._digest[mids] = [int.from_bytes(digest, "big") for _, digest in marks]
        self.top += len(marks)


class Arrivals:
    """The memory that tells messages apart. :meth:`settle` looks, :meth:`stored` remembers.

    ``contexts``: the quality context of each probe. ``marks``: packet identifier to (ordinal, digest) of what was
    stored in this broker session. ``heard_ms``: when each probe was heard last, from the store.
    ``said``: the times that each probe's newest readings carried, with the value. What moments are taken is told by
    :meth:`remember`, for those that :meth:`unsure` names.
    """

    def __init__(
        self,
        probes: Sequence[Probe],
        *,
        contexts: Mapping[str, Context] | None = None,
        marks: Mapping[int, tuple[int, bytes]] | None = None,
        heard_ms: Mapping[str, int] | None = None,
        said: Mapping[str, Mapping[int, float]] | None = None,
    ) -> None:
        self._probes = {p.id: p for p in probes}
        self._by_topic: dict[str, tuple[Probe, ...]] = {}
        for probe in probes:
            self._by_topic[probe.topic] = (*self._by_topic.get(probe.topic, ()), probe)
        self._contexts = dict(contexts or {})
        self._marks = Marks(marks or {})
        heard = heard_ms or {}
        self._lines = {
            topic: _TopicHeard(last_ms=max((heard[p.id] for p in claiming if p.id in heard), default=None))
            for topic, claiming in self._by_topic.items()
        }
        self._taken: dict[str, Runs] = {}
        # From where to where it is known what is taken.
        self._sure: dict[str, tuple[int, int]] = {}
        self._said = {probe: dict(values) for probe, values in (said or {}).items()}
        self._intervals_ms = {
            topic: min(p.interval_s for p in claiming) * 1000.0 for topic, claiming in self._by_topic.items()
        }

    @property
    def topics(self) -> tuple[str, ...]:
        return tuple(self._by_topic)

    def read(self, arrival: Arrival, *, clock_trusted: bool = True) -> Decoded:
        """Decode one message for all probes that claim its topic; what cannot be read at all is refused for each."""
        claiming = self._by_topic.get(arrival.topic, ())
        try:
            return decode(claiming, arrival.payload, arrival.received_ms, clock_trusted=clock_trusted)
        except PayloadError as error:
            return Decoded(refused=tuple((p.id, error.what) for p in claiming))

    def connected(self, at_ms: int, *, session_present: bool) -> None:
        """A connection began. With a session present, topics not heard for a while may have messages waiting."""
        if not session_present:
            self._marks = Marks({})
        for topic, line in self._lines.items():
            away = line.last_ms is None or at_ms - line.last_ms > AWAY_INTERVALS * self._intervals_ms[topic]
            self._lines[topic] = _TopicHeard(line.last_ms, line.last_ms, at_ms, 0, session_present and away)

    def unsure(self, batch: Sequence[tuple[Arrival, Decoded]]) -> dict[str, tuple[int, int]]:
        """Probe -> first and last moment of its readings without a time of their own, where it is not known of one
        whether another reading has it: after a start, and where the clock was set. The batch is one of :func:`parted`.
        """
        moments: dict[str, list[int]] = {}
        for arrival, decoded in batch:
            for reading in decoded.readings if not arrival.retained else ():
                if not reading.timed:
                    moments.setdefault(reading.probe, []).append(reading.at_ms)
        found: dict[str, tuple[int, int]] = {}
        for probe, times in moments.items():
            runs = self._taken.get(probe, ())
            first_ms, last_ms = self._sure.get(probe, (0, -1))
            if runs and runs[0][0] == FORGOTTEN_MS:
                # Safe, for all of that counts as taken; only the date would be far off.
                first_ms = runs[0][1] - RUNS_AHEAD_MS
            if not first_ms <= min(times) <= max(times) <= last_ms:
                found[probe] = min(times), max(times)
        return found

    def remember(self, probe: str, first_ms: int, last_ms: int, moments: Sequence[int]) -> None:
        """All moments of a span that are taken, in place of what was known."""
        self._sure[probe] = first_ms, last_ms
        runs: list[tuple[int, int]] = []
        for at_ms in sorted(set(moments)):
            if runs and runs[-1][1] == at_ms - 1:
                runs[-1] = runs[-1][0], at_ms
            else:
                runs.append((at_ms, at_ms))
        self._taken[probe] = _newest(tuple(runs))

    def settle(self, batch: Sequence[tuple[Arrival, Decoded]], *, dry: bool) -> Settled:
        """Make a batch ready. ``dry``: nothing more was there when it was closed, so the last of each topic is its
        newest; else messages that follow may be of the same kind."""
        marks: dict[int, tuple[int, bytes]] = {}
        new_marks: list[tuple[int, bytes]] = []
        lines: dict[str, _TopicHeard] = {}
        untimed: dict[str, list[int]] = {}
        said: dict[str, dict[int, float]] = {}
        fresh: list[tuple[Arrival, Decoded]] = []
        strangers: list[str] = []
        untimed_retained: list[str] = []
        unreadable: list[Unreadable] = []
        repeated = retained = 0
        live_ms: int | None = None
        for arrival, decoded in batch:
            if arrival.mid:
                digest = arrival.digest
                if arrival.again and self._known(arrival.mid, digest, marks, len(new_marks)):
                    repeated += 1
                    continue
                new_marks.append((arrival.mid, digest))
                marks[arrival.mid] = (self._marks.top + len(new_marks), digest)
            if arrival.topic not in self._by_topic:
                strangers.append(arrival.topic)
                continue
            retained += arrival.retained
            if not arrival.retained:
                live_ms = arrival.received_ms if live_ms is None else max(live_ms, arrival.received_ms)
            if decoded.refused:
                unreadable += _unreadable(arrival, decoded)
            fresh.append((arrival, decoded))
        followed = self._followed(fresh)
        found: list[Reading] = []
        for index, (arrival, decoded) in enumerate(fresh):
            waited = False
            if not arrival.retained:
                line = lines.get(arrival.topic, self._lines[arrival.topic])
                line, waited = self._advance(arrival, line, followed=index in followed, dry=dry)
                lines[arrival.topic] = line
            for reading in decoded.readings:
                if reading.timed:
                    found.append(self._apart(reading, said))
                elif arrival.retained:
                    untimed_retained.append(arrival.topic)
                else:
                    untimed.setdefault(reading.probe, []).append(len(found))
                    found.append(reading._replace(flag=Flag.SUSPECT, test=WAITED) if waited else reading)
        taken = {probe: self._place(found, indices) for probe, indices in untimed.items()}
        readings, contexts = self._judged(found)
        return Settled(
            readings,
            tuple(unreadable),
            tuple(new_marks),
            repeated,
            retained,
            tuple(strangers),
            tuple(dict.fromkeys(untimed_retained)),
            live_ms,
            contexts,
            lines,
            taken,
            said,
        )

    def stored(self, settled: Settled) -> None:
        """The batch is on the disk: remember it."""
        self._marks.put(settled.marks)
        self._contexts.update(settled._contexts)
        self._lines.update(settled._lines)
        for probe, runs in settled._taken.items():
            before = self._taken.get(probe)
            if before and before[-1][1] > runs[-1][1]:
                # What lies far ahead is no longer remembered.
                self._sure[probe] = self._sure.get(probe, (0, 0))[0], runs[-1][1]
            self._taken[probe] = runs
        for probe, values in settled._said.items():
            known = self._said.setdefault(probe, {})
            known |= values
            for at_ms in list(known)[: max(len(known) - SAID, 0)]:
                del known[at_ms]

    # ------------------------------------------------------------ the parts of settle

    def _known(self, mid: int, digest: bytes, marks: Mapping[int, tuple[int, bytes]], added: int) -> bool:
        if mid in marks:
            ordinal = marks[mid][0] if marks[mid][1] == digest else None
        else:
            ordinal = self._marks.ordinal(mid, digest)
        return ordinal is not None and self._marks.top + added - ordinal < AGAIN_WITHIN

    def _followed(self, fresh: Sequence[tuple[Arrival, Decoded]]) -> set[int]:
        """Indices of messages that are followed by another of their topic much sooner than the probe reports.

        Asked only of topics that may have had messages waiting.
        """
        result: set[int] = set()
        waiting = {topic for topic, line in self._lines.items() if line.waiting}
        next_of: dict[str, int] = {}
        for index in range(len(fresh) - 1 if waiting else -1, -1, -1):
            arrival = fresh[index][0]
            if arrival.retained or arrival.topic not in waiting:
                continue
            after_ms = next_of.get(arrival.topic)
            if after_ms is not None and after_ms - arrival.received_ms < self._intervals_ms[arrival.topic] / 2:
                result.add(index)
            next_of[arrival.topic] = arrival.received_ms
        return result

    def _advance(self, arrival: Arrival, line: _TopicHeard, *, followed: bool, dry: bool) -> tuple[_TopicHeard, bool]:
        """The topic's state after this message, and whether the message waited at the broker.

        It did if another follows at once. Where the batch was cut off, so that nobody can tell yet, the number of
        messages that must have gathered decides: the time away over the interval.
        """
        interval_ms = self._intervals_ms[arrival.topic]
        waiting = line.waiting and arrival.received_ms - line.previous_ms < interval_ms / 2
        came = line.came + 1
        waited = False
        if waiting:
            waited = followed
            if not followed and not dry:
                away_ms = None if line.before_ms is None else arrival.received_ms - line.before_ms
                waited = away_ms is None or away_ms - came * interval_ms > AWAY_INTERVALS * interval_ms
        return _TopicHeard(arrival.received_ms, line.before_ms, arrival.received_ms, came, waiting), waited

    def _apart(self, reading: Reading, said: dict[str, dict[int, float]]) -> Reading:
        """A reading with a time of its own, at the next millisecond that is free where its own had another value: a
        clock that was set back by an hour says the same times again."""
        known, new = self._said.get(reading.probe, {}), said.setdefault(reading.probe, {})
        at_ms = reading.at_ms
        while (value := new.get(at_ms, known.get(at_ms))) is not None and value != reading.value:
            at_ms += 1
        new[at_ms] = reading.value
        return reading if at_ms == reading.at_ms else reading._replace(at_ms=at_ms)

    def _place(self, found: list[Reading], indices: Sequence[int]) -> Runs:
        """Readings of one probe without a time of their own, each at a millisecond that is free, in the order in which
        they came and none later than it came; what is taken then."""
        runs = self._taken.get(found[indices[0]].probe, ())
        moments = []
        for index in indices:
            at_ms, runs = _free(runs, found[index].at_ms)
            moments.append(at_ms)
        for index, at_ms in zip(indices, sorted(moments), strict=True):
            if at_ms != found[index].at_ms:
                found[index] = found[index]._replace(at_ms=at_ms)
        return runs

    def _judged(self, found: Sequence[Reading]) -> tuple[tuple[Reading, ...], dict[str, Context]]:
        """Flagged in the order in which they were measured, given back in the order in which they came.

        One that carries a time still to come counts for when it came: else all others would count as late until then.
        """
        contexts: dict[str, Context] = {}
        judged = list(found)
        measured = [min(reading.at_ms, reading.received_ms) for reading in found]
        for index in sorted(range(len(found)), key=measured.__getitem__):
            reading, at_ms = found[index], measured[index]
            context = contexts.get(reading.probe) or self._contexts.get(reading.probe, _UNHEARD)
            ahead = reading.at_ms != at_ms
            if ahead:
                reading = reading._replace(at_ms=at_ms)
            told, contexts[reading.probe] = judge(reading, context, self._probes[reading.probe])
            judged[index] = told._replace(at_ms=found[index].at_ms) if ahead else told
        return tuple(judged), contexts


def parted(batch: Sequence[tuple[Arrival, Decoded]]) -> list[Sequence[tuple[Arrival, Decoded]]]:
    """A batch in parts, each of messages that came within some seconds: the clock may have been set between two."""
    if not batch:
        return [batch]
    parts, begins = [], 0
    for index, (arrival, _) in enumerate(batch):
        if abs(arrival.received_ms - batch[begins][0].received_ms) > AROUND_MS:
            parts.append(batch[begins:index])
            begins = index
    return [*parts, batch[begins:]]


def _free(runs: Runs, at_ms: int) -> tuple[int, Runs]:
    """The newest free millisecond at or before a moment, and the runs with it. Where all that is remembered before it
    is taken, the next free one after it: two readings on one millisecond would be one."""
    if not runs or at_ms > runs[-1][1] + 1:
        return at_ms, _newest((*runs, (at_ms, at_ms)))
    first, last = runs[-1]
    if FORGOTTEN_MS < first <= at_ms:
        # As with nearly each in a flood: at the end of the newest run, or just before it.
        low, high = (first, at_ms) if at_ms > last else (first - 1, last)
        kept = runs[:-1]
        if kept and kept[-1][1] == low - 1:
            low, kept = kept[-1][0], kept[:-1]
        return (at_ms if at_ms > last else first - 1), _newest((*kept, (low, high)))
    before = [run for run in runs if run[0] <= at_ms]
    # What lies far ahead was given before the clock was set back.
    after = [run for run in runs if at_ms < run[0] <= at_ms + RUNS_AHEAD_MS]
    free_ms = high = at_ms
    while before and before[-1][1] >= free_ms:
        first, last = before.pop()
        high, free_ms = max(high, last), first - 1
    if free_ms < FORGOTTEN_MS:
        next_ms = high + 1
        while after and after[0][0] <= next_ms:
            next_ms = after.pop(0)[1] + 1
        return next_ms, _newest(((FORGOTTEN_MS, next_ms), *after))
    low = free_ms
    if before and before[-1][1] == free_ms - 1:
        low = before.pop()[0]
    if after and after[0][0] == high + 1:
        high = after.pop(0)[1]
    return free_ms, _newest((*before, (low, high), *after))


def _newest(runs: Runs) -> Runs:
    """The newest of them; all before the oldest that is kept counts as taken."""
    if len(runs) <= MOST_RUNS:
        return runs
    return ((FORGOTTEN_MS, runs[-MOST_RUNS][1]), *runs[1 - MOST_RUNS :])


def _unreadable(arrival: Arrival, decoded: Decoded) -> list[Unreadable]:
    """One entry for each probe that was refused something, with all its reasons."""
    reasons: dict[str, list[str]] = {}
    for probe, reason in decoded.refused:
        reasons.setdefault(probe, []).append(reason)
    return [
        Unreadable(arrival.received_ms, arrival.topic, arrival.payload[:KEPT_BYTES], "; ".join(why), probe)
        for probe, why in reasons.items()
    ]
