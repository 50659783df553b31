"""Measurements, for ``deploy/measure NAME``. Each module here that has a function ``measure`` is one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Figures:
    """What one measurement found.

    ``figures`` are its values by name, with the unit at the name's end (``resident_mb``, ``start_s``).
    ``falls_short`` has a sentence for each promise that was not kept; ``notes`` say how the figures came about.
    """

    figures: Mapping[str, float | int | str | bool | None]
    falls_short: Sequence[str]
    notes: Sequence[str] = ()
