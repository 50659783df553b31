"""A species' profile as the text of its file, which ``profile_file.parse_profile`` reads back to the same."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

from monitor.core.development.care import usual_care
from monitor.core.development.sex import Turn
from monitor.core.development.species import VENOMOUS_FAMILIES, Profile, Row


def profile_text(profile: Profile, heading: Sequence[str] = ()) -> str:
    """The profile as a file that ``species.parse_profile`` reads back to the same."""

    def text(value: str) -> str:
        # What JSON writes between quotes is a basic string of TOML.
        return json.dumps(value, ensure_ascii=False)

    lines = [f"# {line}" for line in heading] + ([""] if heading else [])
    for key in ("scientific_name", "common_name", "order", "family", "group", "status", "reason", "counts", "grade"):
        if value := getattr(profile, key):
            lines.append(f"{key} = {text(value)}")
    if profile.other_names:
        lines.append(f"other_names = [{', '.join(text(name) for name in profile.other_names)}]")
    if profile.venomous or profile.family in VENOMOUS_FAMILIES:
        lines.append(f"venomous = {'true' if profile.venomous else 'false'}")
    lines += ["notes = [", *(f"  {text(note)}," for note in profile.notes), "]"]
    if profile.rows:
        lines += ["rows = [", *(f"  {{ {_row_text(row, text)} }}," for row in profile.rows), "]"]
    lines.append("")
    limits = {"low_c": profile.low_limit_c, "high_c": profile.high_limit_c}
    told = {"source": profile.limits_source, "lethal": profile.lethal}
    lines.append("[limits]")
    lines += [f"{key} = {float(value)!r}" for key, value in limits.items() if value is not None]
    lines += [f"{key} = {text(value)}" for key, value in told.items() if value]
    lines += ["", "[spread]"]
    lines += [f"{key} = {getattr(profile.spread, key)!r}" for key in ("shared", "egg", "box")]
    lines.append(f"source = {text(profile.spread.source)}")
    if profile.spread.probes:
        shares = [(text(one.behind), one.share, one.error_c) for one in profile.spread.probes]
        lines.append("probes = [")
        lines += [f"  {{ behind = {behind}, share = {share!r}, error_c = {u!r} }}," for behind, share, u in shares]
        lines.append("]")
    if (rule := profile.sex) is not None:
        lines += ["", "[sex]", f"by = {text(rule.by)}", f"papers = [{', '.join(text(key) for key in rule.papers)}]"]
        lines.append(f"sensitive = [{rule.sensitive[0]!r}, {rule.sensitive[1]!r}]")
        lines += [f"text = {text(rule.text)}"] if rule.text else []
        lines += ["turns = [", *(f"  {{ {_turn_text(turn)} }}," for turn in rule.turns), "]"] if rule.turns else []
    if profile.care != usual_care(profile.order):
        days = ", ".join(repr(day) for day in profile.care.candle_days)
        lines += ["", "[care]", f"candle_days = [{days}]"]
        lines += [f"{key} = {getattr(profile.care, key)!r}" for key in ("first_shed_days", "first_meal_days")]
    for paper in profile.papers:
        lines += ["", f"[papers.{text(paper.key)}]", f"year = {paper.year}"]
        for key in ("authors", "title", "journal", "note"):
            if value := getattr(paper, key):
                lines.append(f"{key} = {text(value)}")
    return "\n".join(lines) + "\n"


def _row_text(row: Row, text: Callable[[str], str]) -> str:
    parts = [f"temperature_c = {row.temperature_c!r}", f"days = {row.days!r}"]
    if row.eggs is not None:
        parts.append(f"eggs = {row.eggs}")
    if row.sd_days is not None:
        parts.append(f"sd_days = {row.sd_days!r}")
    parts.append(f"paper = {text(row.paper)}")
    if row.population:
        parts.append(f"population = {text(row.population)}")
    return ", ".join(parts)


def _turn_text(turn: Turn) -> str:
    range_c = f", range_c = {turn.range_c!r}" if turn.range_c is not None else ""
    return f'pivotal_c = {turn.pivotal_c!r}, warm = "{turn.warm}"{range_c}, pivotal_sd_c = {turn.pivotal_sd_c!r}'
