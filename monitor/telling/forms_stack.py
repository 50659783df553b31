"""Forms of what is told of a stack: its profile by height, what that comes to, and what would mend it."""

from __future__ import annotations

from typing import TypedDict

from monitor.telling.forms import Moment, SpanJson


class LevelJson(TypedDict):
    """A height at which is measured."""

    level: str
    height_cm: float
    mean_c: float
    standard_uncertainty_c: float
    common_c: float
    noise_c: float
    compared: bool


class StepJson(TypedDict):
    """Two levels, one above the other; ``chance``: that the difference has the sign that it shows."""

    lower: str
    upper: str
    difference_c: float
    standard_uncertainty_c: float
    chance: float


class GradientJson(TypedDict):
    """How much warmer it is with each metre up."""

    middle: float
    low: float
    high: float


class OddLevelJson(TypedDict):
    """A level that stands out from the line through the others."""

    level: str
    off_c: float
    standard_uncertainty_c: float


class ProfileJson(SpanJson):
    """How warm a stack was by height, over the hours in which all its levels were measured."""

    hours: int
    levels: list[LevelJson]
    air: list[LevelJson]
    steps: list[StepJson]
    warmest: str
    coolest: str
    difference_c: float
    difference_standard_uncertainty_c: float
    beyond_probes: bool
    compared: bool
    gradient_c_per_m: GradientJson | None
    stands_out: OddLevelJson | None


class WantedJson(TypedDict):
    """At which height it is so warm; null where that is not told."""

    temperature_c: float
    height_cm: float | None
    low_cm: float | None
    high_cm: float | None


class LotInStackJson(TypedDict):
    """The eggs of a clutch in a box of the stack, and the days that a degree makes."""

    lot: str
    box: str
    first_pip: Moment | None
    days_per_c: float | None


class PerDayJson(TypedDict):
    """How much a heater loses a day."""

    middle: float
    low: float
    high: float


class HeaterJson(TypedDict):
    """How a heater fares by what it gives."""

    probe: str
    c_per_h: float
    left: float
    per_day: PerDayJson
    duty: float
    most_duty: float
    weak: bool
    full_in_days: float | None
    days: int


class NoHeaterJson(TypedDict):
    """Why nothing is said of a heater."""

    untold: str


class RemedyJson(TypedDict):
    """What would bring two lots of a clutch together, and what it gains."""

    way: str
    says: str
    gains_days: float
    gains_standard_uncertainty_days: float
    remains_days: float
    remains_standard_uncertainty_days: float
    later_days: list[float]
    at: Moment | None
    height_cm: float | None
    low_cm: float | None
    high_cm: float | None
    temperature_c: float | None


class SiblingsJson(TypedDict):
    """Two lots of a clutch that are expected apart."""

    clutch: str
    early: str
    late: str
    apart_days: float
    apart_standard_uncertainty_days: float
    refused: str | None
    remedies: list[RemedyJson]
    not_advised: dict[str, str]


class FannedJson(TypedDict):
    """What a fan that stirs the air would do to a lot."""

    lot: str
    to_c: float
    later_days: float
    later_standard_uncertainty_days: float


class NoStackProfileJson(TypedDict):
    """A stack of which too little was measured."""

    stack: str
    profile: None
    heater: HeaterJson | NoHeaterJson


class StackJson(TypedDict):
    """A stack with all that is said of it."""

    stack: str
    no_reading: list[str]
    profile: ProfileJson
    wanted: WantedJson | None
    lots: list[LotInStackJson]
    heater: HeaterJson | NoHeaterJson
    no_advice: str | None
    siblings: list[SiblingsJson]
    fan: list[FannedJson]
