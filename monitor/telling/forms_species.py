"""Forms of what is told of a species: its profile, and what own clutches say of it."""

from __future__ import annotations

from typing import TypedDict


class ListedSpeciesJson(TypedDict):
    """A profile in a list of them."""

    id: str
    scientific_name: str
    status: str
    grade: str


class SpeciesRowJson(TypedDict):
    """Days at a constant temperature, with their paper."""

    temperature_c: float
    days: float
    eggs: int | None
    sd_days: float | None
    paper: str


class TurnJson(TypedDict):
    """A temperature at which the sexes are even, and which comes above it."""

    pivotal_c: float
    warm: str
    range_c: float | None


class SexRuleJson(TypedDict):
    """What decides the sex. ``sensitive``: from which to which share of development the temperature counts."""

    by: str
    turns: list[TurnJson]
    sensitive: list[float] | None
    text: str | None
    papers: list[str]


class SpeciesJson(TypedDict):
    """A profile with its table, its limits and the papers behind it."""

    id: str
    scientific_name: str
    status: str
    reason: str | None
    other_names: list[str]
    grade: str
    venomous: bool
    counts: str
    rows: list[SpeciesRowJson]
    papers: dict[str, str]
    low_limit_c: float | None
    high_limit_c: float | None
    base_c: float | None
    base_95_c: tuple[float, float] | None
    thermal_constant_degree_days: float | None
    sex: SexRuleJson | None
    notes: list[str]


class OwnClutchJson(TypedDict):
    """A clutch of the house against its species' table."""

    clutch: str
    eggs: int
    mean_c: float
    typical_days: float
    shift_log: float
    shift_sd_log: float
    error_before_days: float | None
    error_by_others_days: float | None
    weight: float
    weighed_down_because: str | None


class LeftOutJson(TypedDict):
    """A clutch, or eggs of one in a box, that says nothing of it, and why."""

    clutch: str
    reason: str


class ShareOfProbeJson(TypedDict):
    """What a probe may be off by that is in the days already."""

    behind: str
    share: float
    error_c: float


class DaysJson(TypedDict):
    """Days at a constant temperature."""

    temperature_c: float
    days: float


class LearnedJson(TypedDict):
    """What own clutches say of a species' days."""

    species: str
    clutches: list[OwnClutchJson]
    left_out: list[LeftOutJson]
    own_table: bool
    factor: float
    shift_log: float
    shift_sd_log: float
    between_clutches_log: float | None
    between_clutches_fits_log: tuple[float, float] | None
    between_clutches_taken_log: float
    probes: list[ShareOfProbeJson]
    shared_before_log: float
    shared_after_log: float
    base_c: float | None
    thermal_constant_degree_days: float | None
    no_line_because: str | None
    error_before_days: float | None
    error_by_others_days: float | None
    rows: list[DaysJson]
    applied: str | None


class NotLearnedJson(TypedDict):
    """Why nothing can be learned of a species."""

    species: str
    refused: str
