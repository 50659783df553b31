"""Forms of what is told of a season looked back on."""

from __future__ import annotations

from typing import TypedDict

from monitor.core.terms.settings import Urgency
from monitor.telling.forms import Moment, SpanJson


class BetweenLooksJson(TypedDict):
    """Between which looks the first pip came."""

    after: Moment | None
    by: Moment


class WindowToldJson(TypedDict):
    """What the forecast said when so much of the development had passed, and when the pip came."""

    development: float
    at: Moment
    p10: Moment | None
    p50: Moment | None
    p90: Moment | None
    refused: str | None
    came: str | None
    later_days: float | None


class EggsInBoxJson(TypedDict):
    """What became of the eggs of a clutch in a box, and how warm they lay."""

    lot: str
    box: str
    eggs_set: int
    hatched: int
    lost: dict[str, int]
    removed: int
    first_pip: BetweenLooksJson | None
    days_to_first_pip: float | None
    development: float | None
    mean_c: float | None
    coldest_hour_c: float | None
    warmest_hour_c: float | None
    degree_days: float | None
    base_c: float | None
    filled_share: float
    told: list[WindowToldJson]
    refused: str | None


class ClutchSeasonJson(TypedDict):
    """What became of a clutch. ``notices``: the numbers of those that concerned it."""

    clutch: str
    species: str
    laid_at: Moment
    ended: Moment | None
    laid: int
    fertile: int
    not_set: int
    in_boxes: int
    hatched: int
    lost: dict[str, int]
    removed: int
    not_accounted_for: int
    days_to_first_pip: float | None
    days_to_last_hatched: float | None
    mean_c: float | None
    coldest_hour_c: float | None
    warmest_hour_c: float | None
    degree_days: float | None
    eggs: list[EggsInBoxJson]
    notices: list[int]


class BoxSeasonJson(SpanJson):
    """How warm a box was while eggs of the season lay in it."""

    box: str
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    too_warm_c: float | None
    too_cool_c: float | None
    above_h: float
    below_h: float
    gaps: list[SpanJson]
    measured_by: str


class NoStackSpanJson(TypedDict):
    """A week of a stack of which too little was measured."""

    to: Moment
    difference_c: None


class StackSpanJson(SpanJson):
    """How even a stack was over a span."""

    warmest: str
    coolest: str
    difference_c: float
    difference_standard_uncertainty_c: float
    gradient_c_per_m: float | None
    beyond_probes: bool
    compared: bool


class StackCostJson(TypedDict):
    """What the difference of a stack is worth in days of a species."""

    species: str
    days_at_coolest: float
    days_at_warmest: float


class ApartJson(TypedDict):
    """Two lots of a clutch that were expected apart."""

    clutch: str
    early: str
    late: str
    days: float
    first_pips_apart_days: float | None


class StackSeasonJson(TypedDict):
    """How even a stack was, over the season and by its weeks, and what that cost."""

    stack: str
    season: StackSpanJson | None
    weeks: list[StackSpanJson | NoStackSpanJson]
    costs: list[StackCostJson]
    apart: list[ApartJson]


class SpeciesSeasonJson(TypedDict):
    """What own clutches say of a species; ``later``: than its table, as a share."""

    species: str
    clutches: int
    later: float | None
    later_sd: float | None
    error_before_days: float | None
    error_by_others_days: float | None
    in_use: bool
    refused: str | None


class MatterJson(TypedDict):
    """Something that was told, and how it was met."""

    notice: int
    kind: str
    subjects: list[str]
    urgency: Urgency
    title: str
    told: Moment
    messages: int
    answered: bool
    answered_after_s: float | None
    answered_by: str | None
    over: Moment | None


class AdvisedJson(TypedDict):
    """What to change next season, and why."""

    what: str
    why: str


class SeasonJson(SpanJson):
    """A season looked back on."""

    season: str
    clutches: list[ClutchSeasonJson]
    boxes: list[BoxSeasonJson]
    stacks: list[StackSeasonJson]
    species: list[SpeciesSeasonJson]
    notices: list[MatterJson]
    notices_whole: bool
    next_season: list[AdvisedJson]
