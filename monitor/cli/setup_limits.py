"""The limits of a new room: by the profiles of the species that lie in it, with their source."""

from __future__ import annotations

import re

from monitor.cli.asking import Asker
from monitor.cli.output import say
from monitor.cli.probe_entries import fits, plain
from monitor.config.checks import COLDEST_LIMIT_C, WARMEST_LIMIT_C, celsius
from monitor.config.library import load_profile, named
from monitor.config.room_edit import RoomFile
from monitor.core.development.species import Profile
from monitor.core.terms.formats import show_bare, show_range
from monitor.core.terms.settings import DisplayUnit
from monitor.errors import MonitorError

MOST_SPECIES = 20
# Limits nearer to each other than this leave no room for a heater's swing, nor for the deadband. Judgement, no source.
NARROWEST_C = 0.5


def ask_limits(asker: Asker, file: RoomFile, unit: DisplayUnit, own_species: str | None) -> None:
    """Ask which species lie there and from where on it is too warm and too cool, and write it."""
    profiles = _asked_species(asker, unit, own_species)
    warm_c = min((p.high_limit_c for p in profiles if p.high_limit_c is not None), default=None)
    cool_c = max((p.low_limit_c for p in profiles if p.low_limit_c is not None), default=None)
    if warm_c is not None and cool_c is not None and cool_c >= warm_c - NARROWEST_C:
        say("  What suits one of them does not suit another: give limits to single boxes, in the file.")
        warm_c = cool_c = None
    said = {"warm": _asked_limit(asker, "warm", warm_c, unit, None)}
    said["cool"] = _asked_limit(asker, "cool", cool_c, unit, said["warm"])
    limits = {f"too_{side}_{unit.lower()}": value for side, value in said.items() if value is not None}
    if not limits:
        say("  Without limits of the room those of the profile of the eggs in a box hold, where it has some.")
        return
    lines = ["# For all boxes without limits of their own. The value itself already counts as too warm or too cool."]
    for p in profiles:
        if p.low_limit_c is not None or p.high_limit_c is not None:
            lines.append(f"# By its profile, {p.id} hatches {_span(p, unit)}: {plain(p.limits_source, 300)}")
    lines += ["[limits]", *(f"{key} = {value:g}" for key, value in limits.items())]
    file.add(("\n".join(lines), lambda tables: tables.update(limits=limits)))


def _asked_species(asker: Asker, unit: DisplayUnit, own: str | None) -> list[Profile]:
    found: list[Profile] = []

    def wrong(told: str) -> str:
        found.clear()
        for name in [x.strip() for x in told.split(",") if x.strip()][:MOST_SPECIES]:
            try:
                wanted, said = named(name, own)
                if said:
                    say(f"  {said}")
                found.append(load_profile(wanted, own))
            except MonitorError as error:
                return f"{error.what}; {error.fix}"
        return ""

    asker.ask("\nWhich species lie here, with commas between (Enter: not known yet)", wrong)
    for p in found:
        if p.low_limit_c is None and p.high_limit_c is None:
            say(f"  {p.id}: its profile names no limits")
        else:
            say(f"  {p.id}: {_span(p, unit)}: {plain(p.limits_source, 300)}")
        if p.reason:
            say(f"  {p.id}: no forecast: {plain(p.reason, 300)}")
        if p.caution:
            say(f"  {p.id}: {plain(p.caution, 300)}")
    return found


def _span(p: Profile, unit: DisplayUnit) -> str:
    if p.low_limit_c is not None and p.high_limit_c is not None:
        return f"at {show_range(p.low_limit_c, p.high_limit_c, unit)}"
    known = p.low_limit_c if p.low_limit_c is not None else p.high_limit_c
    assert known is not None
    side = "from" if p.low_limit_c is not None else "up to"
    return f"{side} {show_bare(known, unit)} °{unit}"


def _asked_limit(asker: Asker, side: str, usual_c: float | None, unit: DisplayUnit, warm: float | None) -> float | None:
    """A limit in the keeper's unit; None for none."""

    doubted: set[str] = set()

    def wrong(told: str) -> str:
        if told in ("", "none"):
            return ""
        if not re.fullmatch(r"-?[0-9]{1,3}(?:\.[0-9]{1,2})?", told):
            return 'a number such as 30.5; or "none"'
        value = float(told)
        value_c = celsius(value) if unit == "F" else value
        other = "C" if unit == "F" else "F"
        meant = f": is it in °{other}?" if fits(value, other) and not fits(value, unit) else ""
        if not COLDEST_LIMIT_C <= value_c <= WARMEST_LIMIT_C:
            return f"{told} °{unit} is no limit for eggs{meant}"
        if warm is not None and value_c > (celsius(warm) if unit == "F" else warm) - NARROWEST_C:
            return f"it is too warm from {warm:g} °{unit}: this has to be less"
        if meant and told not in doubted:
            doubted.add(told)
            return f"{told} °{unit} is hardly a limit for eggs{meant} The same once more takes it as it is"
        return ""

    default = "" if usual_c is None else show_bare(usual_c, unit)
    way = "up" if side == "warm" else "down"
    more = "" if default else " (Enter: none)"
    told = asker.ask(f"Too {side} from what temperature {way}, in °{unit}{more}", wrong, default=default)
    return None if told in ("", "none") else float(told)
