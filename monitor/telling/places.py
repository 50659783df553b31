"""Boxes and stacks by the names that somebody asks for."""

from __future__ import annotations

from monitor.core.terms.settings import Box, Room
from monitor.errors import UnknownSubject


def box_named(room: Room, name: str) -> Box:
    """A box of the room. Raises UnknownSubject."""
    box = room.box(name)
    if box is None:
        known = ", ".join(b.id for b in room.boxes)
        raise UnknownSubject(f"no box {name!r} in the configuration", fix=f"boxes: {known}")
    return box


def stack_named(room: Room, name: str) -> str:
    """A stack of the room. Raises UnknownSubject."""
    if name not in room.stacks:
        raise UnknownSubject(f"no stack {name!r} in the configuration", fix=f"stacks: {', '.join(room.stacks)}")
    return name
