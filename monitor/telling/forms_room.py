"""Forms of what is told of the room: boxes with their course, probes, stacks, weights."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from monitor.telling.forms import FromJson, Moment, SpanJson
from monitor.telling.forms_eggs import LotJson


class HeatJson(TypedDict):
    """Hours at or above the highest temperature of the profile."""

    limit_c: float | None
    total_h: float
    longest_h: float
    lasting_h: float


class EtaJson(TypedDict):
    """In how many hours a limit is reached; ``p90`` is null where it may never be."""

    p10: float
    p50: float
    p90: float | None


HeadingFromJson = TypedDict("HeadingFromJson", {"from": str})


class HeadingJson(HeadingFromJson):
    """Where a box is heading, ``from`` which reckoning, and in how many hours a limit is reached; null: it is not."""

    rate_c_per_h: float
    too_cool_in_h: EtaJson | None
    too_warm_in_h: EtaJson | None


class BoxJson(TypedDict):
    """A box; without a temperature of now the last one stands under its own key with its time."""

    box: str
    stack: str
    height_cm: float
    temperature_c: float | None
    temperature_at: Moment | None
    age_s: float | None
    estimated: bool
    source: str | None
    last_c: float | None
    last_at: Moment | None
    uncertainty_c: float | None
    humidity_pct: float | None
    dew_point_c: float | None
    vapour_pressure_deficit_kpa: float | None
    too_cool_c: float | None
    too_warm_c: float | None
    limits_from: str
    heat_last_day: HeatJson | None
    course: HeadingJson | None
    conditions: list[str]
    lots: list[LotJson]


class WeighingJson(TypedDict):
    """A weighing of a box with its eggs and substrate; ``scale``: null when it was told by hand."""

    at: Moment
    grams: float
    scale: str | None


class WateredJson(TypedDict):
    """Water that was given."""

    at: Moment
    grams: float


class NotCountedJson(SpanJson):
    """A span of weighings that does not count, and why."""

    why: str


class WeightsJson(TypedDict):
    """What a box weighed when set and last, what it loses a week, and the water to give back."""

    box: str
    first_g: float | None
    first_at: Moment | None
    last_g: float | None
    last_at: Moment | None
    weight_g: float | None
    loss_g_week: float | None
    loss_standard_uncertainty_g_week: float | None
    newest_loss_g_week: float | None
    usual_loss_g_week: float | None
    give_back_ml: int | None
    missing_g: float | None
    weighings: list[WeighingJson]
    watered: list[WateredJson]
    not_counted: list[NotCountedJson]


class UnreadSourceJson(TypedDict):
    """From where messages came that could not be read; the reason of the last."""

    probe: str | None
    topic: str
    messages: int
    first: Moment
    last: Moment
    kept_bytes: int
    reason: str


class UnreadMessageJson(TypedDict):
    """A message that could not be read, and how it begins."""

    at: Moment
    probe: str | None
    topic: str
    reason: str
    bytes: int
    cut: bool
    payload_start: str


class UnreadJson(TypedDict):
    """Where messages came from that could not be read, and the last of them."""

    sources: list[UnreadSourceJson]
    messages: list[UnreadMessageJson]


class CorrectionOfProbeJson(FromJson):
    """The correction that holds for a probe, since when, and how it was found."""

    id: int
    offset_c: float
    uncertainty_c: float
    common_c: float
    how: str
    age_days: float


class ToldOfProbeJson(TypedDict):
    """A condition of a probe that is true, and since when."""

    kind: str
    since: Moment | None


class DriftJson(TypedDict):
    """How a probe departs from the others of its stack; ``or_probe``: it may be that one instead."""

    shift_c: float
    rate_c_per_day: float | None
    since: Moment
    until: Moment
    or_probe: str | None


class ProbeJson(TypedDict):
    """What is known of a probe; keys of warmth end in ``_c``, of humidity in ``_pct``."""

    probe: str
    quantity: str
    box: str | None
    stack: str | None
    height_cm: float | None
    last_at: Moment | None
    last_c: NotRequired[float | None]
    last_pct: NotRequired[float | None]
    age_s: float | None
    health: str
    readings_24h: int
    good_share_24h: float | None
    objections_24h: dict[str, int]
    noise_c: NotRequired[float | None]
    noise_pct: NotRequired[float | None]
    step_c: NotRequired[float | None]
    step_pct: NotRequired[float | None]
    configured_correction_c: NotRequired[float]
    configured_correction_pct: NotRequired[float]
    standard_uncertainty_c: NotRequired[float]
    standard_uncertainty_pct: NotRequired[float]
    compared: bool
    correction: CorrectionOfProbeJson | None
    told_of: list[ToldOfProbeJson]
    among_peers: str | None
    drift: DriftJson | None


class BatteryJson(TypedDict):
    """A battery, and how long it will last; ``days_left_95``: null where it has no end."""

    battery: str
    battery_of: str | None
    unit: str
    last_at: Moment | None
    level: float | None
    low: float | None
    per_day: float | None
    until: float | None
    days_left: float | None
    days_left_95: list[float | None] | None
    untold: str | None


class StackLevelJson(TypedDict):
    """How warm a stack was by its days, against the middle of the room's limits."""

    stack: str
    level_c: float
    middle_of_limits_c: float
    within_c: float
    off: bool


class ProbesJson(TypedDict):
    """Every probe and battery, and the level of each stack."""

    probes: list[ProbeJson]
    batteries: list[BatteryJson]
    stacks: list[StackLevelJson]


class HappenedJson(TypedDict):
    """What happened in a box."""

    at: Moment
    what: str


class CoursePointJson(TypedDict):
    """The mean of a while, with its lowest and highest."""

    at: Moment
    mean_c: float
    lowest_c: float
    highest_c: float


class CourseJson(SpanJson):
    """How warm a box was over a span, the times when nothing was heard, and what happened in it."""

    box: str
    stack: str
    height_cm: float
    measured_by: str
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    axis_c: list[float]
    too_cool_c: float | None
    too_warm_c: float | None
    above_h: float
    below_h: float
    gaps: list[SpanJson]
    events: list[HappenedJson]
    course: list[CoursePointJson]
