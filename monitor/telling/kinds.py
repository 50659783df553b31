"""Kinds of conditions, explained."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.core.terms.formats import differences_in
from monitor.core.terms.settings import DisplayUnit

if TYPE_CHECKING:
    from monitor.core.notices.kinds import Kind
    from monitor.telling.forms import KindJson


def explained(kind: Kind, unit: DisplayUnit) -> list[tuple[str, str]]:
    """What raises and clears a kind, why it is told, and what to do; each under its label."""
    told = (
        ("raised by", kind.raises),
        ("cleared by", kind.clears),
        ("why", kind.why),
        ("first", kind.first),
        ("if nothing is done", kind.otherwise),
    )
    return [(label, differences_in(text, unit)) for label, text in told]


def told_how(kind: Kind) -> list[str]:
    """Whether several are told together, and whether it is told again."""
    lines = ["what one cause does to several boxes or probes is told in one notice"] if kind.groups else []
    if kind.urgency != "later":
        lines.append("told again while nobody answers, at doubling distances ([watch] repeat_now, repeat_today)")
    return lines


def kind_json(kind: Kind) -> KindJson:
    """What raises and clears it, why it is told, and what to do."""
    return {
        "kind": kind.name,
        "says": kind.says,
        "urgency": kind.urgency,
        "raises": kind.raises,
        "clears": kind.clears,
        "why": kind.why,
        "first": kind.first,
        "otherwise": kind.otherwise,
        "groups": kind.groups,
        "repeats": kind.urgency != "later",
    }
