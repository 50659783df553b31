"""The outbox: each notice on its way to each channel.

T3: a channel's row is leased, sent, and then marked; a crash between sending and marking sends once more, never not at
all. What has waited there for long is dealt with in :mod:`monitor.adapters.store.backlog`.
"""

from __future__ import annotations

from monitor.adapters.store.database import Database
from monitor.adapters.store.ledger import read_notice
from monitor.core.notices.notice import Notice
from monitor.values import dataclass


@dataclass(frozen=True, slots=True)
class Waiting:
    """One notice on its way to one channel."""

    id: int
    channel: str
    attempts: int
    notice: Notice


@dataclass(frozen=True, slots=True)
class Outgoing:
    """How one notice fares on one channel."""

    notice: int
    channel: str
    state: str
    attempts: int
    delivered_ms: int | None
    error: str


class Outbox:
    """Notices on their way."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def release_leases(self, channel: str | None = None) -> int:
        """At start: whatever was being sent when the service ended is sent again. ``channel`` None: of all."""
        with self.db.write() as c:
            return c.execute(
                "UPDATE outbox SET state='waiting' WHERE state='leased' AND (? IS NULL OR channel=?)",
                (channel, channel),
            ).rowcount

    def queue(self) -> dict[str, tuple[int, int]]:
        """Channel -> (rows on their way, earliest time at which one of them may be tried); empty channels left out."""
        return {
            str(channel): (int(n), int(due))
            for channel, n, due in self.db.rows(
                "SELECT channel, COUNT(*), MIN(not_before) FROM outbox WHERE state IN ('waiting','leased') "
                "GROUP BY channel"
            )
        }

    def lease(self, channel: str, now_ms: int, limit: int = 20) -> list[Waiting]:
        """Take due rows of a channel for sending, "now" before "today" before "later".

        Its commit is not waited for to be on the disk: after a cut of the power that took it back the row waits, as one
        whose lease is released.
        """
        with self.db.write(lasting=False) as c:
            rows = c.execute(
                "SELECT o.id, o.channel, o.attempts, n.id, n.key, n.at, n.kind, n.subjects, n.change, n.urgency, "
                "n.title, n.text, n.story, n.answered, n.answer, '', '' FROM outbox o JOIN notice n ON n.id=o.notice "
                "WHERE o.state='waiting' AND o.channel=? AND o.not_before<=? ORDER BY "
                "CASE n.urgency WHEN 'now' THEN 0 WHEN 'today' THEN 1 ELSE 2 END, o.id LIMIT ?",
                (channel, now_ms, limit),
            ).fetchall()
            c.executemany("UPDATE outbox SET state='leased', leased=? WHERE id=?", [(now_ms, r[0]) for r in rows])
        return [Waiting(int(r[0]), str(r[1]), int(r[2]), read_notice(r[3:])) for r in rows]

    def delivered(self, outbox_id: int, now_ms: int) -> None:
        with self.db.write() as c:
            c.execute(
                "UPDATE outbox SET state='delivered', delivered=?, attempts=attempts+1, error='' WHERE id=?",
                (now_ms, outbox_id),
            )
            # What a digest stands for has arrived with it.
            c.execute("UPDATE outbox SET state='delivered', delivered=?, error='' WHERE folded=?", (now_ms, outbox_id))

    def failed(self, outbox_id: int, error: str, not_before_ms: int, *, give_up: bool = False) -> None:
        with self.db.write() as c:
            c.execute(
                "UPDATE outbox SET state=?, attempts=attempts+1, error=?, not_before=? WHERE id=?",
                ("given-up" if give_up else "waiting", error, not_before_ms, outbox_id),
            )
            if give_up:
                c.execute("UPDATE outbox SET state='given-up', error=? WHERE folded=?", (error, outbox_id))

    def retry_at_once(self, channel: str | None = None) -> None:
        """Forget the waits after failed tries, of a channel or of all.

        When the service starts or the clock is stepped, waits that were set on the old clock mean nothing; when a
        channel takes a notice again after failing, the others need not wait either. What waits for the end of quiet
        hours or for its turn as an escalation was not tried yet, and goes on waiting (``Backlog.replan``).
        """
        with self.db.write() as c:
            c.execute(
                "UPDATE outbox SET not_before=0 WHERE state='waiting' AND attempts>0 AND (? IS NULL OR channel=?)",
                (channel, channel),
            )

    def outgoing(self, notice: int | None = None) -> list[Outgoing]:
        where, values = ("WHERE notice=?", (notice,)) if notice is not None else ("", ())
        return [
            Outgoing(int(n), str(ch), str(st), int(a), d, str(e))
            for n, ch, st, a, d, e in self.db.rows(
                f"SELECT notice, channel, state, attempts, delivered, error FROM outbox {where} ORDER BY id",  # noqa: S608
                *values,
            )
        ]

    def undelivered(self) -> dict[str, tuple[int, int, str]]:
        """Channel -> (rows waiting after a failed try, time of the oldest such notice, last error)."""
        return {
            str(channel): (int(n), int(oldest), str(error))
            for channel, n, oldest, error in self.db.rows(
                "SELECT o.channel, COUNT(*), MIN(n.at), MAX(o.error) FROM outbox o JOIN notice n ON n.id=o.notice "
                "WHERE o.state IN ('waiting','leased') AND o.attempts>0 GROUP BY o.channel"
            )
        }
