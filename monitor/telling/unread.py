"""Messages that could not be read, shown so that nothing in them does harm."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from monitor.core.readings.decode import KEPT_BYTES
from monitor.telling.as_json import utc

if TYPE_CHECKING:
    from monitor.adapters.store import Quarantined, UnreadSource
    from monitor.telling.forms_room import UnreadMessageJson, UnreadSourceJson

# So much of a payload is shown to other programs.
SHOWN_BYTES_JSON: Final = 1000


def plain(text: str, length: int = 100) -> str:
    """A text from outside on one line, with nothing in it that a terminal would obey."""
    shown = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text[:length])
    return shown if len(text) <= length else shown + " ..."


def start_of(payload: bytes, length: int) -> str:
    """The first bytes: letters of ASCII as they are, a backslash doubled, all others as \\xNN."""
    shown = payload[:length].decode("latin-1").replace("\\", "\\\\")
    shown = "".join(c if " " <= c <= "~" else f"\\x{ord(c):02x}" for c in shown)
    return shown if len(payload) <= length else shown + " ..."


def unread_source_json(s: UnreadSource) -> UnreadSourceJson:
    """From where, how many, and why the last could not be read."""
    return {
        "probe": s.probe or None,
        "topic": s.topic,
        "messages": s.n,
        "first": utc(s.first_ms),
        "last": utc(s.last_ms),
        "kept_bytes": s.kept_bytes,
        "reason": s.reason,
    }


def unread_message_json(m: Quarantined) -> UnreadMessageJson:
    """One message, and how it begins."""
    return {
        "at": utc(m.received_ms),
        "probe": m.probe or None,
        "topic": m.topic,
        "reason": m.reason,
        "bytes": len(m.payload),
        "cut": len(m.payload) >= KEPT_BYTES,
        "payload_start": start_of(m.payload, SHOWN_BYTES_JSON),
    }
