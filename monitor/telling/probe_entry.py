"""The entry of a probe in the room's file, as its text."""

from __future__ import annotations

from collections.abc import Mapping

Value = str | float | bool


def entry(keys: Mapping[str, Value | None], remarks: Mapping[str, str]) -> str:
    """A part of [[probes]]: its keys but those that are None, each with what is to be said of it behind it."""
    # What reads the room's file is large, and not loaded by a page that nobody enters a probe on.
    from monitor.config.room_edit import toml

    lines = ["[[probes]]"]
    for key, value in keys.items():
        if value is not None:
            lines.append(f"{key} = {toml(value)}" + (f"  # {remarks[key]}" if key in remarks else ""))
    return "\n".join(lines) + "\n"
