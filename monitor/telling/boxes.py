"""Each box: its temperature, limits and air, and what develops in it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from monitor.core.climate.course import Course
from monitor.core.climate.exposure import Exposure
from monitor.core.climate.humid_air import dew_point_c, vapour_pressure_deficit_kpa
from monitor.core.development.lots import LotNow
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.terms.formats import show_date, show_range, show_temperature, show_time
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import ModelOutOfRange
from monitor.telling.as_json import rounded, utc
from monitor.telling.forecast import lot_json

if TYPE_CHECKING:
    from monitor.telling.at_hand import Reader
    from monitor.telling.forms_room import BoxJson, EtaJson, HeadingJson, HeatJson


def window_words(lot: LotNow, reader: Reader) -> str:
    """When a lot is expected, as short as it may be."""
    if lot.still_open:
        return lot.still_open
    if lot.lot.pipped:
        return f"{lot.lot.pipped} pipped"
    if lot.first_pip is None:
        return "no date"
    window = lot.first_pip.window
    return " to ".join(show_date(ms, reader.zone).partition(" ")[2] for ms in (window.p10_ms, window.p90_ms))


def now_words(box: BoxNow, reader: Reader, at: int) -> str:
    """Its temperature, or since when there is none."""
    if told := box.current(at, reader.unit):
        return told
    return "no reading" + ("" if box.at_ms is None else f" since {show_time(box.at_ms, reader.zone, at)}")


def limits_words(box: BoxNow, reader: Reader) -> str:
    """From which temperature to which it may be."""
    cool_c, warm_c = box.limits.too_cool_c, box.limits.too_warm_c
    if cool_c is not None and warm_c is not None:
        return show_range(round(cool_c, 2), round(warm_c, 2), reader.unit)
    return " to ".join("-" if x is None else show_temperature(x, reader.unit) for x in (cool_c, warm_c))


def air_of(box: BoxNow, at_ms: int) -> tuple[float, float] | None:
    """Dew point (C) of the air in a box, and its vapour pressure deficit (kPa) at eggs as warm as the box; None where
    its temperature or humidity of now is not known, or is none that an egg box can have."""
    now_c = box.current_c(at_ms)
    if now_c is None or box.humidity_pct is None:
        return None
    try:
        dew_c = float(dew_point_c(now_c, box.humidity_pct))
        return dew_c, float(vapour_pressure_deficit_kpa(now_c, now_c, box.humidity_pct))
    except ModelOutOfRange:
        return None


def air_lines(boxes: Iterable[BoxNow], unit: DisplayUnit, at_ms: int) -> list[str]:
    """Of each box in which it is known."""
    lines = []
    for box in boxes:
        air = air_of(box, at_ms)
        if air is not None:
            lines.append(
                f"air in box {box.box.id}: {box.humidity_pct:.0f} % relative humidity, dew point "
                f"{show_temperature(air[0], unit)}, vapour pressure deficit {air[1]:.2f} kPa"
            )
    return lines


def box_json(b: BoxNow, picture: Snapshot, lots: Mapping[str, LotNow], now_ms: int | None = None) -> BoxJson:
    """A box; without a temperature of now the last one stands under its own key with its time. ``now_ms``: where that
    is later than the picture, which may be the last one before the service hung."""
    at = picture.now_ms if now_ms is None else now_ms
    now_c, air = b.current_c(at), air_of(b, at)
    return {
        "box": b.box.id,
        "stack": b.box.stack,
        "height_cm": b.box.height_cm,
        "temperature_c": rounded(now_c, 3),
        "temperature_at": None if now_c is None else utc(b.at_ms),
        "age_s": rounded(b.age_s(at), 1),
        "estimated": bool(b.estimated),
        "source": b.estimated or ("its own probe" if b.at_ms is not None else None),
        "last_c": rounded(b.now_c, 3),
        "last_at": utc(b.at_ms),
        "uncertainty_c": None if now_c is None else rounded(b.uncertainty_c, 3),
        "humidity_pct": rounded(b.humidity_pct, 1),
        "dew_point_c": rounded(air[0], 2) if air else None,
        "vapour_pressure_deficit_kpa": rounded(air[1], 3) if air else None,
        "too_cool_c": b.limits.too_cool_c,
        "too_warm_c": b.limits.too_warm_c,
        "limits_from": b.limits_from,
        "heat_last_day": None if b.heat is None else _heat_json(b.heat, b.profile_high_c),
        "course": None if now_c is None else _heading_json(b, at),
        "conditions": sorted(k for (k, s), c in picture.conditions.items() if c.up and s == b.box.id),
        "lots": [lot_json(lots[i], picture.now_ms) for i in b.occupied_by],
    }


def _heat_json(heat: Exposure, limit_c: float | None) -> HeatJson:
    """Hours at or above the highest temperature of the profile."""
    return {
        "limit_c": limit_c,
        "total_h": round(heat.total_s / 3600, 2),
        "longest_h": round(heat.longest_s / 3600, 2),
        "lasting_h": round(heat.lasting_s / 3600, 2),
    }


def _heading_json(box: BoxNow, at_ms: int) -> HeadingJson | None:
    """Where a box is heading; None where no limit is passed or near."""
    if box.course is None:
        return None
    return {
        "from": box.course.way,
        "rate_c_per_h": round(box.course.rate_c_per_h, 3),
        "too_cool_in_h": _eta_json(box.course, box.limits.too_cool_c, at_ms),
        "too_warm_in_h": _eta_json(box.course, box.limits.too_warm_c, at_ms),
    }


def _eta_json(course: Course, limit_c: float | None, at_ms: int) -> EtaJson | None:
    eta = None if limit_c is None else course.time_to(limit_c, at_ms)
    if eta is None:
        return None
    return {
        "p10": round(eta.low_s / 3600, 2),
        "p50": round(eta.mid_s / 3600, 2),
        "p90": round(eta.high_s / 3600, 2) if math.isfinite(eta.high_s) else None,
    }
