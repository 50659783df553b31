"""What could not be read: messages that came and made no reading, kept as they came, with the reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.adapters.store.database import Database


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A message that could not become a reading, kept as it came."""

    received_ms: int
    topic: str
    payload: bytes
    reason: str
    probe: str = ""


class Unread:
    """Messages that could not be read."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def keep(self, messages: Sequence[Quarantined]) -> None:
        """Keep messages; only inside a transaction of the caller (``db.write()``)."""
        self.db.connection.executemany(
            "INSERT INTO quarantine(received, topic, payload, reason, probe) VALUES (?,?,?,?,?)",
            [(q.received_ms, q.topic, q.payload, q.reason, q.probe) for q in messages],
        )

    def since(self, since_ms: int) -> dict[str, tuple[int, str]]:
        """Probe -> (number, newest reason) of messages that could not be read since a moment."""
        return {
            str(p): (int(n), str(why))
            for p, n, why, _ in self.db.rows(
                "SELECT probe, COUNT(*), reason, MAX(seq) FROM quarantine "
                "WHERE received>=? AND probe<>'' GROUP BY probe",
                since_ms,
            )
        }

    def messages(self, limit: int = 100) -> list[Quarantined]:
        """Newest first."""
        return [
            Quarantined(int(r), str(t), bytes(p), str(why), str(probe))
            for r, t, p, why, probe in self.db.rows(
                "SELECT received, topic, payload, reason, probe FROM quarantine ORDER BY seq DESC LIMIT ?", limit
            )
        ]
