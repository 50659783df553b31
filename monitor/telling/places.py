"""Boxes and stacks by the names that somebody asks for."""

from __future__ import annotations

from typing import Final

from monitor.core.terms.settings import Box, Room
from monitor.errors import UnknownSubject

MOST_SIGNS: Final = 400
"""So much of the names that there are is told to whoever asks for another."""


def box_named(room: Room, name: str) -> Box:
    """A box of the room. Raises UnknownSubject."""
    box = room.box(name)
    if box is None:
        known = ", ".join(b.id for b in room.boxes)
        raise UnknownSubject(f"no box {name[:60]!r} in this room", fix=f"boxes: {known[:MOST_SIGNS]}")
    return box


def stack_named(room: Room, name: str) -> str:
    """A stack of the room. Raises UnknownSubject."""
    if name not in room.stacks:
        known = ", ".join(room.stacks)
        raise UnknownSubject(f"no stack {name[:60]!r} in this room", fix=f"stacks: {known[:MOST_SIGNS]}")
    return name
