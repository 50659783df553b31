"""Keys of the configuration as they hold in a room: as the keeper wrote them, else the usual value."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import BeforeValidator

from monitor.config.shape import TABLES
from monitor.config.values import seconds
from monitor.values import dataclass


@dataclass(frozen=True, slots=True)
class InForce:
    """One key, such as ``limits.on_delay``, its value as it would stand in the file, and whether it stands there."""

    key: str
    value: str
    own: bool


def in_force(keys: Sequence[str], path: Path | None) -> list[InForce]:
    """What holds for each key ("part.key" of a part that is there once).

    ``path``: the room's file; without one, or where it cannot be read, the usual values are told. A limit may stand
    there in the other unit.
    """
    tables: dict[str, Any] = {}
    if path is not None:
        try:
            tables = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except (OSError, ValueError, RecursionError):
            tables = {}
    return [_one(key, tables) for key in keys]


def _one(key: str, tables: dict[str, Any]) -> InForce:
    part, name = key.split(".")
    written = tables.get(part, {})
    if isinstance(written, dict):
        for told in (name, name.removesuffix("_c") + "_f"):
            if told in written and told in TABLES[part].model_fields:
                return InForce(f"{part}.{told}", str(written[told]), own=True)
    field = TABLES[part].model_fields[name]
    if field.default is None:
        return InForce(key, "not set", own=False)
    span = any(isinstance(m, BeforeValidator) and m.func is seconds for m in field.metadata)
    return InForce(key, _span(field.default) if span else f"{field.default:g}", own=False)


def _span(length_s: float) -> str:
    """A time span as the file has it."""
    for unit, size in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if length_s >= size and length_s % size == 0:
            return f"{length_s / size:g} {unit}"
    return f"{length_s:g} s"
