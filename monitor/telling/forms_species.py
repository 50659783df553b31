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
