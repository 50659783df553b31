"""When an indicator on a vaccine shipment shows: clauses of time at or beyond a temperature, in one go or in sum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from monitor.core.climate.exposure import Side, exposure
from monitor.core.terms.arrays import Times, Values


@dataclass(frozen=True, slots=True)
class Clause:
    """So many hours at or beyond a limit, in one go or in sum; any of several that is met counts."""

    limit_c: float
    side: Side
    hours: float
    how: Literal["single", "sum"]


# WHO/PQS/E006/TR07 and the interpretation guide of a shipment indicator, as restated there.
WHO_TYPE_I: Final = (
    Clause(45.0, "above", 1.0, "single"),
    Clause(30.0, "above", 10.0, "sum"),
    Clause(-0.5, "below", 1.0, "single"),
)

WHO_TYPE_II: Final = (
    Clause(45.0, "above", 1.0, "single"),
    Clause(30.0, "above", 10.0, "sum"),
    Clause(10.0, "above", 20.0, "sum"),
)


def met(
    clauses: Sequence[Clause], time_ms: Times, temperature_c: Values, *, max_gap_s: float = 7200.0
) -> tuple[Clause, ...]:
    """Which clauses a course of temperature has met."""
    found = []
    for clause in clauses:
        e = exposure(time_ms, temperature_c, clause.limit_c, clause.side, max_gap_s=max_gap_s)
        if (e.longest_s if clause.how == "single" else e.total_s) >= clause.hours * 3600.0:
            found.append(clause)
    return tuple(found)
