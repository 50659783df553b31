"""A simulated heated room with its stack of egg boxes, its heater, its probes, and everything that breaks in it.

Pure: numbers in, numbers out, repeatable for one seed. The room is a chain of first-order lags,
``tau dT/dt = T_surroundings - T`` (Newton's law of cooling): outdoors -> room air (with a heater) -> vertical
difference -> boxes -> probes. All of it together with the daily wave of the outdoors is one linear system
``dx/dt = A x``, stepped exactly by its matrix exponential; only the thermostat acts at its own moments, as a real one
does. Times are seconds since the start of the simulation; temperatures in degrees Celsius, heights in cm.

What is left out: latent heat, the eggs' own warmth, radiation, and the exchange of moisture between box and room
as long as the lid is closed.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from typing import Final, Literal

import numpy as np

from monitor.core.terms.arrays import Values
from monitor.core.terms.settings import Quantity
from monitor.values import dataclass

DAY_S: Final = 86_400.0

# Kept codes of a common 12-bit digital sensor: 1/16 degree; 85 is what it says before its first conversion. The
# value of a missing device is a habit of programs that read such sensors (common practice, no source).
LSB_C: Final = 0.0625
POWER_ON_C: Final = 85.0
MISSING_C: Final = -127.0


class Act(enum.StrEnum):
    """What can be done to the room. ``subject`` is a box or a probe where one is meant, ``value`` a number."""

    HEATER_STICKS_ON = "heater sticks on"
    HEATER_DIES = "heater dies"
    HEATER_WORKS = "heater works"
    HEATER_FADES = "heater fades"  # value: share of its first power that it loses each day from now on
    THERMOSTAT_SET = "thermostat is set"  # value: degrees Celsius
    FAN_STOPS = "fan stops"
    FAN_RUNS = "fan runs"
    DOOR_OPENS = "door opens"
    DOOR_CLOSES = "door closes"
    OUTDOORS = "outdoors changes"  # value: daily mean, degrees Celsius
    POWER_FAILS = "power fails"
    POWER_RETURNS = "power returns"
    LID_OPENS = "lid opens"  # subject: box
    LID_CLOSES = "lid closes"
    WETNESS = "substrate is wetter or drier"  # subject: box; value: per cent it tends to under its lid
    PROBE_QUIET = "probe goes quiet"  # subject: probe, here and below
    PROBE_WORKS = "probe works"  # ends quiet, a constant error value, a stuck code, Fahrenheit
    PROBE_RESTARTS = "probe restarts"  # says its power-on value once
    PROBE_SAYS_POWER_ON = "probe says its power-on value"
    PROBE_SAYS_MISSING = "probe says it is missing"
    PROBE_STICKS = "probe sticks at its last code"
    PROBE_IN_FAHRENHEIT = "probe speaks Fahrenheit"
    PROBE_FALLS_OUT = "probe falls out of its box"
    PROBE_LIES_ELSEWHERE = "probe lies elsewhere"  # value: K that it is warmer there than the air beside its box
    PROBE_BACK_IN = "probe is put back"
    PROBE_OFFSET = "probe is off"  # value: K added to what it measures
    PROBE_DRIFTS = "probe drifts"  # value: K per day


_OF_PROBE: Final = frozenset(a for a in Act if a.name.startswith("PROBE_"))
_OF_BOX: Final = frozenset({Act.LID_OPENS, Act.LID_CLOSES, Act.WETNESS})
_WITH_VALUE: Final = frozenset(
    {
        Act.HEATER_FADES,
        Act.THERMOSTAT_SET,
        Act.OUTDOORS,
        Act.WETNESS,
        Act.PROBE_OFFSET,
        Act.PROBE_DRIFTS,
        Act.PROBE_LIES_ELSEWHERE,
    }
)


@dataclass(frozen=True, slots=True)
class Action:
    """One line of a script: at a time of the simulation something happens."""

    at_s: float
    act: Act
    subject: str = ""
    value: float | None = None

    def __post_init__(self) -> None:
        if (self.value is not None) != (self.act in _WITH_VALUE):
            raise ValueError(f"{self.act.value}: {'needs a' if self.act in _WITH_VALUE else 'takes no'} value")
        if bool(self.subject) != (self.act in _OF_PROBE or self.act in _OF_BOX):
            raise ValueError(f"{self.act.value}: {'takes no subject' if self.subject else 'names no subject'}")


@dataclass(frozen=True, slots=True)
class SimBox:
    """A box of damp substrate: its height and how slowly it follows the air there."""

    id: str
    height_cm: float
    tau_s: float = 5 * 3600.0
    wetness_pct: float = 92.0


@dataclass(frozen=True, slots=True)
class SimProbe:
    """A probe in a box, or in the air at a height when ``box`` is empty.

    ``noise`` is the standard deviation and ``lsb`` the step of its code, both in its unit.
    """

    id: str
    box: str = ""
    height_cm: float = 0.0
    quantity: Quantity = "temperature"
    offset: float = 0.0
    noise: float = 0.02
    lsb: float = LSB_C
    tau_s: float = 120.0


@dataclass(frozen=True, slots=True)
class Heater:
    """A heater with its thermostat.

    At full power it lifts the room ``lift_c`` above the outdoors in the end. "switching" turns on below the set
    point less half the differential and off above it plus half; "proportional" goes from full to none over ``band_c``.
    """

    set_c: float = 28.0
    kind: Literal["switching", "proportional"] = "switching"
    differential_c: float = 0.6
    band_c: float = 2.0
    lift_c: float = 22.0
    tau_s: float = 300.0
    height_cm: float = 100.0
    looks_every_s: float = 30.0


@dataclass(frozen=True, slots=True)
class SimSetting:
    """The whole room. ``warmest_at_s`` is the warmest moment outdoors, seconds after the start.

    Still air is ``gradient_k_per_m`` warmer per metre of height, and ``gradient_heated_k_per_m`` more at full
    power; the fan leaves ``fan_leaves`` of that. Heated rooms without a fan were seen at 0.4 to 1.3 K/m on average.
    """

    boxes: tuple[SimBox, ...]
    probes: tuple[SimProbe, ...]
    heater: Heater = Heater()
    outdoors_c: float = 12.0
    outdoors_swing_c: float = 4.0
    warmest_at_s: float = 15 * 3600.0
    room_tau_s: float = 3 * 3600.0
    door_tau_s: float = 1800.0
    gradient_k_per_m: float = 0.2
    gradient_heated_k_per_m: float = 2.0
    gradient_tau_s: float = 1800.0
    fan_leaves: float = 0.15
    middle_height_cm: float = 100.0
    lid_tau_s: float = 1800.0
    humidity_tau_s: float = 4 * 3600.0
    air_humidity_pct: float = 55.0


@dataclass(frozen=True)
class Recorded:
    """``at_s`` of length n and, for each probe, values of length n: NaN where it said nothing."""

    at_s: Values
    values: dict[str, Values]


def matrix_exponential(matrix: Values) -> Values:
    """exp(A) of a square matrix by Taylor series with scaling and squaring (Moler and Van Loan 2003, method 3)."""
    norm = float(np.abs(matrix).sum(axis=1).max(initial=0.0))
    halvings = max(0, math.ceil(math.log2(norm / 0.25))) if norm > 0.25 else 0
    small = matrix / 2.0**halvings
    term: Values = np.eye(len(matrix))
    total = term.copy()
    for k in range(1, 15):  # 0.25^15 / 15! is below 1e-21
        term = term @ small / k
        total += term
    for _ in range(halvings):
        total = total @ total
    return total


def saturation_pressure_hpa(temperature_c: float) -> float:
    """Over water, Magnus form of WMO-No. 8 (Sonntag 1990): 6.112 exp(17.62 t / (243.12 + t)).

    Written out here once more, so that the room does not stand on the physics by which it is judged.
    """
    return 6.112 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))


# Places in the state vector; boxes and then temperature probes follow. Held inputs are states that do not change.
_ONE, _MEAN, _COS, _SIN, _DEMAND, _POWER, _ROOM, _GRADIENT, _FIRST = range(9)


@dataclass(slots=True)
class _Voice:
    """How a probe speaks just now."""

    quiet: bool = False
    constant: float | None = None
    fahrenheit: bool = False
    restarts: bool = False
    inside: bool = True
    beside_c: float = 0.0
    offset: float = 0.0
    drift_per_s: float = 0.0
    drift_from_s: float = 0.0
    said: float | None = None


@dataclass(frozen=True, slots=True)
class _Move:
    """What a step of one length does to the room as it stands: the matrix that moves it, how quickly air is exchanged,
    and which share of its moisture the air and each box keep."""

    moves: Values
    leak_per_s: float
    air_keeps: float
    boxes_keep: Mapping[str, float]


def _move(system: Values, dt_s: float, s: SimSetting, lids: AbstractSet[str], *, door: bool) -> _Move:
    leak = 1 / s.room_tau_s + (1 / s.door_tau_s if door else 0.0)
    keep = {b.id: math.exp(-dt_s / (s.lid_tau_s if b.id in lids else s.humidity_tau_s)) for b in s.boxes}
    return _Move(matrix_exponential(system * dt_s), leak, math.exp(-dt_s * leak), keep)


class SimRoom:
    """The room at a moment; :meth:`advance` brings it to a later one through everything the script says."""

    def __init__(
        self, setting: SimSetting, script: Iterable[Action] = (), *, seed: int = 0, start_c: float | None = None
    ) -> None:
        self.setting = setting
        self.script: tuple[Action, ...] = tuple(sorted(script, key=lambda a: a.at_s))
        self.at_s = 0.0
        self.heater: Literal["works", "sticks on", "dead"] = "works"
        self.fan = True
        self.door_open = False
        self.power = True
        self.set_c = setting.heater.set_c
        self._fades = (1.0, 0.0, 0.0)  # strength then, lost per second, since when
        self._next = 0
        self._box_at = {b.id: _FIRST + i for i, b in enumerate(setting.boxes)}
        warm = [p for p in setting.probes if p.quantity == "temperature"]
        self._probe_at = {p.id: _FIRST + len(setting.boxes) + i for i, p in enumerate(warm)}
        self._lids: set[str] = set()
        self._voice = {p.id: _Voice(offset=p.offset) for p in setting.probes}
        # One stream of noise for each probe, drawn at each look, so that a fault of one leaves the others as they were.
        self._noise = {p.id: np.random.default_rng([seed, i]) for i, p in enumerate(setting.probes)}
        # By how the room stands and by length; those of how it stands now, until something is done.
        self._steps: dict[tuple[object, ...], dict[float, _Move]] = {}
        self._steps_now: dict[float, _Move] | None = None
        start = setting.heater.set_c if start_c is None else start_c
        self._x: Values = np.full(_FIRST + len(setting.boxes) + len(warm), start)
        phase = 2 * math.pi * setting.warmest_at_s / DAY_S
        self._x[:_FIRST] = (1.0, setting.outdoors_c, math.cos(phase), -math.sin(phase), 0.0, 0.0, start, 0.0)
        self._wetness = {b.id: b.wetness_pct for b in setting.boxes}
        self._box_pct = dict(self._wetness)
        self._vapour_hpa = setting.air_humidity_pct / 100 * saturation_pressure_hpa(start)
        self._moisture_hpa = self._vapour_hpa - self._outdoor_vapour_hpa()
        for action in self.script:
            self._check(action)

    def _check(self, action: Action) -> None:
        known: Sequence[str] = list(self._voice) if action.act in _OF_PROBE else list(self._box_at)
        if action.subject and action.subject not in known:
            raise ValueError(f"{action.act.value}: no {action.subject!r} here; there are {', '.join(known)}")

    # -- what is so now ------------------------------------------------------------------------------------

    @property
    def outdoors_c(self) -> float:
        return float(self._x[_MEAN] + self.setting.outdoors_swing_c * self._x[_COS])

    @property
    def room_c(self) -> float:
        """Air at the middle height."""
        return float(self._x[_ROOM])

    @property
    def gradient_k_per_m(self) -> float:
        return float(self._x[_GRADIENT])

    @property
    def heater_strength(self) -> float:
        """Its full power now, as a share of what it first was."""
        then, rate, from_s = self._fades
        return max(0.0, then - rate * (self.at_s - from_s))

    @property
    def heater_power(self) -> float:
        """0 to 1, as warm as the heater is."""
        return float(self._x[_POWER])

    def air_c(self, height_cm: float) -> float:
        return float(self._x[_ROOM] + self._x[_GRADIENT] * (height_cm - self.setting.middle_height_cm) / 100)

    def box_c(self, box: str) -> float:
        return float(self._x[self._box_at[box]])

    def air_humidity_pct(self, height_cm: float | None = None) -> float:
        height = self.setting.middle_height_cm if height_cm is None else height_cm
        return min(100.0, 100 * self._vapour_hpa / saturation_pressure_hpa(self.air_c(height)))

    def box_humidity_pct(self, box: str) -> float:
        return self._box_pct[box]

    # -- time ----------------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> list[Action]:
        """Go on to a later moment; returns what the script did on the way (actions at ``to_s`` included)."""
        if to_s < self.at_s:
            raise ValueError(f"the room is at {self.at_s} s already, and does not go back to {to_s} s")
        done: list[Action] = []
        while True:
            while self._next < len(self.script) and self.script[self._next].at_s <= self.at_s:
                self.do(self.script[self._next])
                done.append(self.script[self._next])
                self._next += 1
            if self.at_s >= to_s:
                return done
            looks = self.setting.heater.looks_every_s
            on_beat = self.at_s / looks
            self._x[_DEMAND] = self._demand(look=on_beat == math.floor(on_beat))
            stops = [to_s, (math.floor(on_beat) + 1) * looks]
            if self._next < len(self.script):
                stops.append(self.script[self._next].at_s)
            upto = min(stops)
            self._step(upto - self.at_s)
            self.at_s = upto

    def _demand(self, *, look: bool) -> float:
        if not self.power or self.heater == "dead":
            return 0.0
        full = self.heater_strength
        if self.heater == "sticks on":
            return full
        before = float(self._x[_DEMAND])
        if not look:
            return before
        heater = self.setting.heater
        below_c = self.set_c - self.air_c(heater.height_cm)
        if heater.kind == "proportional":
            return full * min(1.0, max(0.0, 0.5 + below_c / heater.band_c))
        if abs(below_c) < heater.differential_c / 2:
            return full if before > 0.0 else 0.0
        return full if below_c > 0 else 0.0

    def _step(self, dt_s: float) -> None:
        if self._steps_now is None:
            placed = tuple((v.inside, v.beside_c) for v in self._voice.values())
            stands = (self.fan and self.power, self.door_open, frozenset(self._lids), placed)
            self._steps_now = self._steps.setdefault(stands, {})
        step = self._steps_now.get(dt_s)
        if step is None:
            step = self._steps_now[dt_s] = _move(self._system(), dt_s, self.setting, self._lids, door=self.door_open)
        self._moisten(step)
        self._x = step.moves @ self._x

    def _system(self) -> Values:
        """A of ``dx/dt = A x`` as things stand; all inputs are states, held or (the daily wave) turning."""
        s = self.setting
        a = np.zeros((len(self._x), len(self._x)))
        omega = 2 * math.pi / DAY_S
        a[_COS, _SIN], a[_SIN, _COS] = -omega, omega
        a[_POWER, _DEMAND], a[_POWER, _POWER] = 1 / s.heater.tau_s, -1 / s.heater.tau_s
        leak = 1 / s.room_tau_s + (1 / s.door_tau_s if self.door_open else 0.0)
        a[_ROOM, _MEAN], a[_ROOM, _COS], a[_ROOM, _ROOM] = leak, leak * s.outdoors_swing_c, -leak
        a[_ROOM, _POWER] = s.heater.lift_c / s.room_tau_s
        stirred = s.fan_leaves if self.fan and self.power else 1.0
        a[_GRADIENT, _ONE] = stirred * s.gradient_k_per_m / s.gradient_tau_s
        a[_GRADIENT, _POWER] = stirred * s.gradient_heated_k_per_m / s.gradient_tau_s
        a[_GRADIENT, _GRADIENT] = -1 / s.gradient_tau_s
        heights = {b.id: b.height_cm for b in s.boxes}
        for box in s.boxes:
            tau_s = 1 / (1 / box.tau_s + 1 / s.lid_tau_s) if box.id in self._lids else box.tau_s
            self._follow_air(a, self._box_at[box.id], box.height_cm, tau_s)
        for probe in s.probes:
            if probe.quantity != "temperature":
                continue
            row = self._probe_at[probe.id]
            if probe.box and self._voice[probe.id].inside:
                a[row, self._box_at[probe.box]], a[row, row] = 1 / probe.tau_s, -1 / probe.tau_s
            else:
                self._follow_air(a, row, heights.get(probe.box, probe.height_cm), probe.tau_s)
                a[row, _ONE] = self._voice[probe.id].beside_c / probe.tau_s
        return a

    def _follow_air(self, a: Values, row: int, height_cm: float, tau_s: float) -> None:
        a[row, _ROOM] = 1 / tau_s
        a[row, _GRADIENT] = (height_cm - self.setting.middle_height_cm) / 100 / tau_s
        a[row, row] = -1 / tau_s

    def _outdoor_vapour_hpa(self) -> float:
        return 0.75 * saturation_pressure_hpa(self.outdoors_c)

    def _moisten(self, step: _Move) -> None:
        """Moisture over one step, with temperatures held: exact for held inputs, and slow beside the step."""
        s = self.setting
        target = self._outdoor_vapour_hpa() + self._moisture_hpa / s.room_tau_s / step.leak_per_s
        self._vapour_hpa = target + (self._vapour_hpa - target) * step.air_keeps
        for box in s.boxes:
            to_pct = self.air_humidity_pct(box.height_cm) if box.id in self._lids else self._wetness[box.id]
            self._box_pct[box.id] = to_pct + (self._box_pct[box.id] - to_pct) * step.boxes_keep[box.id]

    # -- what happens --------------------------------------------------------------------------------------

    def do(self, action: Action) -> None:
        """Let something happen now."""
        self._check(action)
        self._steps_now = None
        act, value = action.act, action.value
        if act in _OF_PROBE:
            self._do_to_probe(self._voice[action.subject], act, value)
            return
        match act:
            case Act.HEATER_STICKS_ON:
                self.heater = "sticks on"
            case Act.HEATER_DIES:
                self.heater = "dead"
            case Act.HEATER_WORKS:
                self.heater, self._fades = "works", (1.0, 0.0, self.at_s)
            case Act.HEATER_FADES:
                assert value is not None
                self._fades = self.heater_strength, value / DAY_S, self.at_s
            case Act.FAN_STOPS | Act.FAN_RUNS:
                self.fan = act is Act.FAN_RUNS
            case Act.DOOR_OPENS | Act.DOOR_CLOSES:
                self.door_open = act is Act.DOOR_OPENS
            case Act.POWER_FAILS:
                self.power = False
            case Act.POWER_RETURNS:
                self.power = True
                for voice in self._voice.values():
                    voice.restarts = True
            case Act.LID_OPENS:
                self._lids.add(action.subject)
            case Act.LID_CLOSES:
                self._lids.discard(action.subject)
            case Act.THERMOSTAT_SET:
                assert value is not None
                self.set_c = value
            case Act.OUTDOORS:
                assert value is not None
                self._x[_MEAN] = value
            case Act.WETNESS:
                assert value is not None
                self._wetness[action.subject] = value

    def _do_to_probe(self, voice: _Voice, act: Act, value: float | None) -> None:
        match act:
            case Act.PROBE_QUIET:
                voice.quiet = True
            case Act.PROBE_WORKS:
                voice.quiet, voice.constant, voice.fahrenheit = False, None, False
            case Act.PROBE_RESTARTS:
                voice.restarts = True
            case Act.PROBE_SAYS_POWER_ON:
                voice.constant = POWER_ON_C
            case Act.PROBE_SAYS_MISSING:
                voice.constant = MISSING_C
            case Act.PROBE_STICKS:
                voice.constant = voice.said
            case Act.PROBE_IN_FAHRENHEIT:
                voice.fahrenheit = True
            case Act.PROBE_FALLS_OUT | Act.PROBE_BACK_IN:
                voice.inside, voice.beside_c = act is Act.PROBE_BACK_IN, 0.0
            case Act.PROBE_LIES_ELSEWHERE:
                assert value is not None
                voice.inside, voice.beside_c = False, value
            case Act.PROBE_OFFSET:
                assert value is not None
                voice.offset += value
            case Act.PROBE_DRIFTS:
                assert value is not None
                # What it drifted so far stays.
                voice.offset += voice.drift_per_s * (self.at_s - voice.drift_from_s)
                voice.drift_per_s, voice.drift_from_s = value / DAY_S, self.at_s

    # -- what the probes say -------------------------------------------------------------------------------

    def read(self) -> dict[str, float]:
        """What each probe that speaks says now, in its unit."""
        said: dict[str, float] = {}
        for probe in self.setting.probes:
            voice = self._voice[probe.id]
            noise = probe.noise * float(self._noise[probe.id].standard_normal())
            if not self.power or voice.quiet:
                continue
            if voice.restarts and probe.quantity == "temperature":
                voice.restarts = False
                said[probe.id] = POWER_ON_C
                continue
            if voice.constant is not None:
                said[probe.id] = voice.constant
                continue
            drifted = voice.drift_per_s * (self.at_s - voice.drift_from_s)
            value = self._measured(probe) + voice.offset + drifted + noise
            if probe.quantity == "humidity":
                value = min(100.0, max(0.0, value))
            value = round(value / probe.lsb) * probe.lsb
            if voice.fahrenheit:
                value = value * 9 / 5 + 32
            voice.said = said[probe.id] = round(value, 6)
        return said

    def _measured(self, probe: SimProbe) -> float:
        if probe.quantity == "temperature":
            return float(self._x[self._probe_at[probe.id]])
        if probe.box and self._voice[probe.id].inside:
            return self._box_pct[probe.box]
        heights = {b.id: b.height_cm for b in self.setting.boxes}
        return self.air_humidity_pct(heights.get(probe.box, probe.height_cm))

    def record(self, to_s: float, every_s: float) -> Recorded:
        """Go on to ``to_s`` and keep what the probes said each ``every_s``, the first after one such step."""
        count = math.floor((to_s - self.at_s) / every_s + 1e-9)
        at: Values = self.at_s + every_s * np.arange(1, count + 1, dtype=np.float64)
        values = {p.id: np.full(count, np.nan) for p in self.setting.probes}
        for i, moment in enumerate(at):
            self.advance(float(moment))
            for probe, value in self.read().items():
                values[probe][i] = value
        self.advance(to_s)
        return Recorded(at, values)
