"""Forms of what is told of the room: boxes with their course, probes, stacks, weights."""

from __future__ import annotations

from typing import TypedDict

from monitor.telling.forms import Moment
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


HeadingJson = TypedDict(
    "HeadingJson",
    {"from": str, "rate_c_per_h": float, "too_cool_in_h": EtaJson | None, "too_warm_in_h": EtaJson | None},
)


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


NotCountedJson = TypedDict("NotCountedJson", {"from": Moment, "to": Moment, "why": str})


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
