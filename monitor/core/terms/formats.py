"""How temperatures, moments and spans are shown to a keeper: in their unit, and in the zone of their room."""

from __future__ import annotations

import math
import re
from datetime import datetime, tzinfo
from typing import Final

from monitor.core.terms.settings import DisplayUnit, Unit


def show_temperature(temperature_c: float, unit: DisplayUnit, places: int = 1) -> str:
    """A temperature in the keeper's unit."""
    value = temperature_c * 1.8 + 32 if unit == "F" else temperature_c
    return f"{value:.{places}f} °{unit}".replace("-", "−")


def show_difference(difference_c: float, unit: DisplayUnit, places: int = 1) -> str:
    """A difference of temperatures in the keeper's unit (no offset)."""
    value = difference_c * 1.8 if unit == "F" else difference_c
    return f"{value:.{places}f} °{unit}".replace("-", "−")


def show_within(temperature_c: float, half_c: float, unit: DisplayUnit) -> str:
    """A temperature with its plus and minus, both in the keeper's unit: "31.9 ± 0.6 °C"."""
    if not math.isfinite(half_c):
        return f"{show_temperature(temperature_c, unit)} (± unknown)"
    return f"{show_temperature(temperature_c, unit).removesuffix(f' °{unit}')} ± {show_difference(half_c, unit)}"


def show_within_difference(difference_c: float, half_c: float, unit: DisplayUnit) -> str:
    """A difference with its plus and minus: "1.4 ± 0.8 °C"."""
    bare = show_difference(difference_c, unit).removesuffix(f" °{unit}")
    return f"{bare} ± {show_difference(half_c, unit)}"


def show_signed(difference_c: float, unit: DisplayUnit, places: int = 1) -> str:
    """A difference with its sign."""
    return ("+" if difference_c >= 0 else "") + show_difference(difference_c, unit, places)


def in_words(words: str, difference_c: float, unit: DisplayUnit) -> str:
    """A round difference: in words where it is round, as "half a degree", and in figures in the other unit."""
    return words if unit == "C" else show_difference(difference_c, unit)


def show_bare(temperature_c: float, unit: DisplayUnit) -> str:
    """A temperature of a table, as round as it is there and without its unit."""
    return f"{round(temperature_c * 1.8 + 32, 1) if unit == 'F' else temperature_c:g}".replace("-", "−")


def show_round(temperature_c: float, unit: DisplayUnit) -> str:
    """A temperature of a table, as round as it is there."""
    return f"{show_bare(temperature_c, unit)} °{unit}"


def show_range(low_c: float, high_c: float, unit: DisplayUnit) -> str:
    """From one temperature of a table to another."""
    return f"{show_bare(low_c, unit)} to {show_round(high_c, unit)}"


def show_degree_days(
    degree_days: float, unit: DisplayUnit, places: int = 0, *, error_degree_days: float = math.nan
) -> str:
    """A sum of degree-days (°C d) in the keeper's unit, with its error where that is known."""
    size = 1.8 if unit == "F" else 1.0
    error = "" if math.isnan(error_degree_days) else f" ± {error_degree_days * size:.{places}f}"
    return f"{degree_days * size:.{places}f}{error} degree-days"


def differences_in(text: str, unit: DisplayUnit) -> str:
    """A text of the program's own in the keeper's unit: what it has in °C are differences, as in "0.25 °C or more"."""
    return re.sub(r"(\d+(?:\.(\d+))?) °C", lambda m: _difference(m, unit), text)


def _difference(found: re.Match[str], unit: DisplayUnit) -> str:
    return found[0] if unit == "C" else show_difference(float(found[1]), unit, max(len(found[2] or ""), 1))


def as_said(value: float, unit: Unit) -> str:
    """What a probe of this unit said, from what it was taken for (C, or its own unit): an error value stays one."""
    said = value * 1.8 + 32.0 if unit == "F" else value + 273.15 if unit == "K" else value
    return f"{round(said, 3):g}"


def show_developed(share: float, places: int = 0) -> str:
    """How far eggs are, in per cent without its sign. Twice past their time it says nothing any more how much."""
    return "over 200" if share > 2.0 else f"{100 * share:.{places}f}"


def show_eggs(count: int) -> str:
    """A number of eggs in words."""
    return "1 egg" if count == 1 else f"{count} eggs"


def name_eggs(lot_id: str) -> str:
    """The eggs of a clutch in a box, for titles and tables: "K01 in upper" for K01/upper, "K01 in upper (2)" for the
    second that came into that box by themselves, K01/upper#2. What is no id of such eggs stays as it is."""
    clutch, cut, box = lot_id.partition("/")
    box, again, number = box.partition("#")
    return f"{clutch} in {box}{f' ({number})' if again else ''}" if cut and clutch and box else lot_id


def tell_eggs(lot_id: str) -> str:
    """The same within a sentence: "eggs of K01 in upper"."""
    named = name_eggs(lot_id)
    return lot_id if named == lot_id else f"eggs of {named}"


def show_readings(count: int) -> str:
    """A number of readings in words."""
    return "1 reading" if count == 1 else f"{count} readings"


def show_messages(count: int) -> str:
    """A number of messages in words."""
    return "1 message" if count == 1 else f"{count} messages"


def show_time(at_ms: int, zone: tzinfo, now_ms: int | None = None) -> str:
    """A moment in the room's zone; the date is left out on the same day."""
    at = datetime.fromtimestamp(at_ms / 1000, zone)
    if now_ms is not None and datetime.fromtimestamp(now_ms / 1000, zone).date() == at.date():
        return f"{at:%H:%M}"
    return f"{at:%Y-%m-%d %H:%M}"


def show_since(at_ms: int, zone: tzinfo, now_ms: int) -> str:
    """A moment of the last days by its weekday, in the room's zone; an older one, or one to come, by its date."""
    at = datetime.fromtimestamp(at_ms / 1000, zone)
    days = (datetime.fromtimestamp(now_ms / 1000, zone).date() - at.date()).days
    return f"{at:%a %H:%M}" if 0 <= days <= 6 else f"{at:%Y-%m-%d %H:%M}"


def show_lately(at_ms: int, zone: tzinfo, now_ms: int) -> str:
    """A moment as short as one reads it: "05:40" of today, "Fri 05:40" of the last days, else with its date."""
    today = show_time(at_ms, zone, now_ms)
    return today if len(today) == len("05:40") else show_since(at_ms, zone, now_ms)


def show_day(at_ms: int, zone: tzinfo) -> str:
    """A day with its weekday, in the room's zone."""
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%a %Y-%m-%d}"


def show_date(at_ms: int, zone: tzinfo) -> str:
    """A day of the next or the last months, short: "Wed 28 Oct"."""
    at = datetime.fromtimestamp(at_ms / 1000, zone)
    return f"{at:%a} {at.day} {at:%b}"


def show_dates(from_ms: int, to_ms: int | None, zone: tzinfo) -> str:
    """From one day to another, as short as a title needs it: "28 Oct", "13 to 17 Jun", "29 Jun to 3 Jul"."""
    first = datetime.fromtimestamp(from_ms / 1000, zone)
    last = first if to_ms is None else datetime.fromtimestamp(to_ms / 1000, zone)
    day = f"{last.day} {last:%b}"
    if first.date() == last.date():
        return day
    return (
        f"{first.day} to {day}"
        if (first.year, first.month) == (last.year, last.month)
        else (f"{first.day} {first:%b} to {day}")
    )


def show_span(seconds: float) -> str:
    """A span of time in the two largest units that matter."""
    minutes = round(seconds / 60)
    if minutes < 1:
        return f"{seconds:.0f} s"
    if minutes < 120:
        return f"{minutes} min"
    hours = minutes / 60
    if hours < 48:
        return f"{int(hours)} h {minutes % 60:02d} min"
    return f"{hours / 24:.1f} days"


_NUMBERS: Final = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


def show_days_after(least: float, most: float) -> str:
    """When one thing comes beside another, in days after it (negative: before), as it is said: "from half a day before
    to ten days after", "from two to nine days after", "up to four days after"."""
    low, high = _round_days(least), _round_days(most)
    if low < 0 < high:
        return f"from {_days(-low)} before to {_days(high)} after"
    near, far = sorted((abs(low), abs(high)))
    side = "after" if high > 0 else "before"
    if far == 0:
        return "at about the same time as"
    if near == 0:
        return f"up to {_days(far)} {side}"
    if near == far:
        return f"about {_days(far)} {side}"
    return f"from {_days(near) if near <= 1 else _days(near).removesuffix(' days')} to {_days(far)} {side}"


def _round_days(days: float) -> float:
    """To half a day near by, to whole days from five on: nobody plans a look by tenths of a day."""
    return round(days) if abs(days) >= 5 else round(2 * days) / 2


def _days(days: float) -> str:
    """Days that are round, in words as far as words are short."""
    if days == 0.5:
        return "half a day"
    whole = int(days)
    number = _NUMBERS[whole] if whole < len(_NUMBERS) else str(whole)
    return f"{number}{' and a half' if days != whole else ''} day{'' if days == 1 else 's'}"
