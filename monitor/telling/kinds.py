"""Kinds of conditions, explained."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.core.notices.kinds import Kind
    from monitor.telling.forms import KindJson


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
