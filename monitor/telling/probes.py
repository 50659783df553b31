"""Each probe: where it lies, whether it is heard and can be believed, and what it is corrected by."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from monitor.adapters.store import Columns
from monitor.core.maths.robust import median
from monitor.core.notices.conditions import Condition
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.snapshot import DUE_INTERVALS, UNREAD_LEAST
from monitor.core.readings.batteries import BatteryNow
from monitor.core.readings.batteries import say as say_battery
from monitor.core.readings.calibration import step_of
from monitor.core.readings.corrections import Correction
from monitor.core.terms.arrays import Values
from monitor.core.terms.events import Flag
from monitor.core.terms.formats import show_difference, show_span, show_temperature, show_time
from monitor.core.terms.settings import DisplayUnit, Probe
from monitor.core.terms.times import DAY_MS
from monitor.derived.departures import Peer, levels_of
from monitor.telling.as_json import rounded, utc
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.core.readings.drift import HeldLevel
    from monitor.telling.at_hand import Reader, RoomAtHand
    from monitor.telling.forms_room import BatteryJson, ProbeJson, ProbesJson

# Messages that could not be read count for so long, and a clock may be so far ahead.
UNREAD_MS: Final = 900_000
CLOCK_AHEAD_MS: Final = 300_000
PROBE_HEAD: Final = (
    "probe", "place", "health", "last said", "good (24 h)", "noise", "correction", "among its peers",
)  # fmt: skip
BATTERY_HEAD: Final = ("battery", "of probe", "last heard", "level", "low at", "how long")


@dataclass(frozen=True)
class ProbeSummary:
    """What is known of one probe."""

    probe: Probe
    last_ms: int | None
    last_value: float | None
    readings: int
    good_share: float | None
    objections: dict[str, int]
    noise: float | None
    step: float | None
    correction: Correction | None
    peer: Peer
    told_of: tuple[Condition, ...] = ()
    unread: tuple[int, str] = (0, "")

    def age_s(self, now_ms: int) -> float | None:
        return None if self.last_ms is None else max(now_ms - self.last_ms, 0) / 1000.0


def noise_of(values: Values) -> float | None:
    """Robust standard deviation of first differences over sqrt(2): what a probe flickers by, whatever its place does.

    From the median absolute difference (Rousseeuw and Croux 1993: 1.4826 MAD); 0 for one that mostly repeats its code.
    """
    if len(values) < 10:
        return None
    d = np.diff(values)
    return float(1.4826 * median(np.abs(d - median(d))) / np.sqrt(2.0))


@dataclass(frozen=True)
class ProbesKnown:
    """All probes of a room, its batteries with when each was heard, and how warm each stack was by its days."""

    probes: tuple[ProbeSummary, ...]
    batteries: tuple[tuple[BatteryNow, int | None], ...]
    levels: Mapping[str, HeldLevel]

    @property
    def never_compared(self) -> list[str]:
        """The probes of warmth that were never compared with another."""
        return [x.probe.id for x in self.probes if x.probe.quantity == "temperature" and not compared(x)]


def probes_known(room: RoomAtHand, now: int) -> ProbesKnown:
    """All of them as they stand, with their last day."""
    # Not all that the service holds in memory, and one day after the other: many probes would take much of it.
    room.derived.readings.follow_corrections()
    last = room.store.readings.last_at(now)
    peers = room.derived.probes.peers(now)
    told_of = _told_of(room)
    unread = room.store.unread.since(now - UNREAD_MS, now + CLOCK_AHEAD_MS)
    lines = tuple(
        _summed_up(
            room,
            p,
            now,
            last.get(p.id),
            room.store.readings.load([p.id], now - DAY_MS, now + 1)[p.id],
            peers.get(p.id, Peer()),
            told_of.get(p.id, ()),
            unread.get(p.id, (0, "")),
        )
        for p in room.settings.room.probes
    )
    batteries = tuple((room.derived.probes.battery(b, now), last.get(b.id)) for b in room.settings.room.batteries)
    known = room.derived.readings
    levels = levels_of(room.store.readings, room.settings.room, known.corrections, known.belief, now)
    return ProbesKnown(lines, batteries, levels)


def _summed_up(
    room: RoomAtHand,
    probe: Probe,
    now: int,
    last_ms: int | None,
    columns: Columns,
    peer: Peer,
    told_of: tuple[Condition, ...],
    unread: tuple[int, str],
) -> ProbeSummary:
    usable = columns.usable
    bad = Counter(
        test or Flag(int(flag)).name.lower().replace("_", " ")
        for flag, test, ok in zip(columns.flag, columns.test, usable, strict=True)
        if not ok
    )
    values = columns.value[usable]
    value = None
    if last_ms is not None:
        newest = room.store.readings.load([probe.id], last_ms, last_ms + 1)[probe.id]
        if len(newest) and bool(newest.usable[-1]):
            value = float(newest.value[-1]) + room.derived.readings.effective(probe, now).correction
    return ProbeSummary(
        probe,
        last_ms,
        value,
        len(columns),
        float(usable.mean()) if len(columns) else None,
        dict(bad),
        noise_of(values),
        step_of(values) if len(values) else None,
        room.derived.readings.corrections.holding(probe.id, now) if probe.quantity == "temperature" else None,
        peer,
        told_of,
        unread,
    )


def _told_of(room: RoomAtHand) -> dict[str, tuple[Condition, ...]]:
    """What is true of each probe now, as the keeper was told of it; what is true of two is so of each."""
    found: dict[str, tuple[Condition, ...]] = {}
    for c in room.store.ledger.conditions().values():
        if c.up and c.kind.startswith("probe"):
            for name in c.subject.split("/") if c.kind == "probes-swapped" else (c.subject,):
                found[name] = (*found.get(name, ()), c)
    return found


def probe_row(line: ProbeSummary, reader: Reader, now: int) -> list[str]:
    """What is known of it, under ``PROBE_HEAD``."""
    warm = line.probe.quantity == "temperature"

    def size(value: float, places: int = 2) -> str:
        return show_difference(value, reader.unit, places) if warm else f"{value:.{places}f} %"

    said = "-"
    if line.last_value is not None:
        said = show_temperature(line.last_value, reader.unit, 2) if warm else f"{line.last_value:.1f} %"
    good = "-" if line.good_share is None else f"{100 * line.good_share:.0f} %"
    if line.objections:
        good += f" ({', '.join(f'{n} {t}' for t, n in sorted(line.objections.items()))})"
    noise = "-" if line.noise is None else size(line.noise)
    if line.noise == 0.0 and line.step is not None:
        noise = f"below its step of {size(line.step)}"
    c = line.correction
    fixed = f", {size(line.probe.correction)} as configured" if line.probe.correction else ""
    if c is not None:
        sign = "+" if c.offset_c >= 0 else ""
        corrected = (
            f"{sign}{size(c.offset_c)} ± {size(2 * c.total_c)}, {c.how}, {show_span((now - c.from_ms) / 1000)} ago"
        )
    else:
        corrected = f"none, ± {size(2 * line.probe.standard_uncertainty)}"
    state = line.peer.state or "-"
    if line.peer.departure is not None:
        left = line.peer.departure
        how = "at once" if left.rate_c_per_day is None else f"{size(left.rate_c_per_day, 3)} a day"
        state = f"departing: {'+' if left.shift_c >= 0 else ''}{size(left.shift_c)}, {how}"
        if left.or_probe:
            state += f", or it is {left.or_probe}"
    age_s = line.age_s(now)
    heard = "never" if age_s is None else f"{show_span(age_s)} ago"
    return [
        line.probe.id,
        place_words(line.probe),
        health_words(line, reader, now),
        heard if said == "-" else f"{said}, {heard}",
        good,
        noise,
        corrected + fixed,
        state,
    ]


def place_words(probe: Probe) -> str:
    """Where it lies."""
    if probe.box is not None:
        return f"box {probe.box}"
    return f"air of {probe.stack}, {probe.height_cm:.0f} cm" if probe.height_cm is not None else "-"


def compared(line: ProbeSummary) -> bool:
    """Whether it was compared with another."""
    return line.probe.compared or (line.correction is not None and line.correction.how == "side by side")


def health_words(line: ProbeSummary, reader: Reader, now: int) -> str:
    """What is told of it, with since when; else whether it is heard, and can be read."""
    if line.told_of:
        says = {kind.name: kind.says for kind in all_kinds()}
        since = {c.kind: show_time(c.since_ms, reader.zone, now) for c in line.told_of if c.since_ms is not None}
        return ", ".join(f"{says.get(c.kind, c.kind)} since {since.get(c.kind, '?')}" for c in line.told_of)
    return hearing_words(line, now)


def hearing_words(line: ProbeSummary, now_ms: int) -> str:
    """Whether a probe is heard now, and can be read: "well" is said of that alone."""
    count, reason = line.unread
    age_s = line.age_s(now_ms)
    if count >= UNREAD_LEAST:
        return f"cannot be read: {reason}"
    if age_s is None:
        return "never heard"
    if age_s >= line.probe.quiet_after_s:
        return f"silent for {show_span(age_s)}"
    if age_s > DUE_INTERVALS * line.probe.interval_s:
        return f"late: due every {show_span(line.probe.interval_s)}"
    return "well"


def battery_rows(batteries: Sequence[tuple[BatteryNow, int | None]], now: int) -> list[list[str]]:
    """A line for each, under ``BATTERY_HEAD``."""
    rows = []
    for battery, heard_ms in batteries:
        b, level = battery.battery, battery.level
        heard = "never" if heard_ms is None else f"{show_span(max(now - heard_ms, 0) / 1000)} ago"
        said = "-" if level is None else battery.shown(level) + (" LOW" if level <= battery.low else "")
        rows.append([b.id, b.battery_of or "-", heard, said, battery.shown(battery.low), say_battery(battery) or "-"])
    return rows


def level_lines(levels: Mapping[str, HeldLevel], unit: DisplayUnit) -> list[str]:
    """Of each stack that is by its days off what its limits want."""
    return [
        f"stack {stack}: by its days {show_difference(abs(x.off_c), unit)} "
        f"{'warmer' if x.off_c > 0 else 'cooler'} than the middle of the limits ({show_temperature(x.set_c, unit)})"
        for stack, x in levels.items()
        if x.since_day is not None
    ]


def probes_json(known: ProbesKnown, now: int) -> ProbesJson:
    """All of them, with batteries and the levels of stacks."""
    return {
        "probes": [probe_json(x, now) for x in known.probes],
        "batteries": [battery_json(battery, heard) for battery, heard in known.batteries],
        "stacks": [
            {
                "stack": stack,
                "level_c": rounded(x.mean_c, 3),
                "middle_of_limits_c": rounded(x.set_c, 3),
                "within_c": rounded(x.within_c, 3),
                "off": x.since_day is not None,
            }
            for stack, x in known.levels.items()
        ],
    }


def probe_json(line: ProbeSummary, now: int) -> ProbeJson:
    """What is known of a probe; keys of warmth end in ``_c``, of humidity in ``_pct``."""
    c, left = line.correction, line.peer.departure
    unit = "c" if line.probe.quantity == "temperature" else "pct"
    told = {
        "probe": line.probe.id,
        "quantity": line.probe.quantity,
        "box": line.probe.box,
        "stack": line.probe.stack,
        "height_cm": line.probe.height_cm,
        "last_at": utc(line.last_ms),
        f"last_{unit}": rounded(line.last_value, 3),
        "age_s": rounded(line.age_s(now), 1),
        "health": hearing_words(line, now),
        "readings_24h": line.readings,
        "good_share_24h": rounded(line.good_share, 4),
        "objections_24h": line.objections,
        f"noise_{unit}": rounded(line.noise, 4),
        f"step_{unit}": rounded(line.step, 4),
        f"configured_correction_{unit}": line.probe.correction,
        f"standard_uncertainty_{unit}": rounded(c.total_c if c else line.probe.standard_uncertainty, 4),
        "compared": compared(line),
        "correction": None
        if c is None
        else {
            "id": c.id,
            "offset_c": rounded(c.offset_c, 4),
            "uncertainty_c": rounded(c.uncertainty_c, 4),
            "common_c": rounded(c.common_c, 4),
            "how": c.how,
            "from": utc(c.from_ms),
            "age_days": rounded((now - c.from_ms) / DAY_MS, 2),
        },
        "told_of": [{"kind": c.kind, "since": utc(c.since_ms)} for c in line.told_of],
        "among_peers": line.peer.state or None,
        "drift": None
        if left is None
        else {
            "shift_c": rounded(left.shift_c, 3),
            "rate_c_per_day": rounded(left.rate_c_per_day, 4),
            "since": utc(left.since_day * DAY_MS),
            "until": utc(left.until_day * DAY_MS),
            "or_probe": left.or_probe or None,
        },
    }
    return cast("ProbeJson", told)


def battery_json(battery: BatteryNow, heard_ms: int | None) -> BatteryJson:
    """A battery; ``heard_ms``: when it said something last."""
    b, found = battery.battery, battery.trend
    return {
        "battery": b.id,
        "battery_of": b.battery_of,
        "unit": b.unit,
        "last_at": utc(heard_ms),
        "level": rounded(battery.level, 3),
        "low": b.low,
        "per_day": rounded(found.per_day, 5) if found else None,
        "until": found.until if found else None,
        "days_left": rounded(found.days, 1) if found else None,
        "days_left_95": [rounded(d, 1) if math.isfinite(d) else None for d in (found.days_low, found.days_high)]
        if found
        else None,
        "untold": battery.untold or None,
    }
