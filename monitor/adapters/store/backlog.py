"""What has waited in the outbox: stale notices become one digest, and plans that were made on another clock are mended.

When a channel was dead for a night, or the service away for a day, much of what waits is over. That is told in one
message with a line for each; what is still true comes as itself. The digest is a notice like any other, with a key and
a row of its own, made in one transaction with the marking of the rows it stands for, so that a crash at any moment
leaves the one or the other.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

from monitor.adapters.store.database import Database
from monitor.adapters.store.ledger import NOTICE_ROW, read_notice, values_of
from monitor.core.notices.conditions import Phase
from monitor.core.notices.notice import Notice
from monitor.core.terms.settings import Channel
from monitor.values import dataclass

# A notice that has waited for less comes as itself, whatever became of it. Judgement, no source.
STALE_MS: Final = 30 * 60_000
_WAITING: Final = (
    "SELECT o.id, o.attempts, n.id, n.key, n.at, n.kind, n.subjects, n.change, n.urgency, n.title, n.text, n.story, "
    "n.answered, n.answer, '', '' FROM outbox o JOIN notice n ON n.id=o.notice "
)


@dataclass(frozen=True, slots=True)
class _Waited:
    id: int
    notice: Notice


class Backlog:
    """The outbox's rows that have waited."""

    def __init__(self, db: Database) -> None:
        self.db = db

    # -- the digest ----------------------------------------------------------------------------------------

    def fold(self, channel: str, now_ms: int, make: Callable[[Sequence[Notice]], Notice], not_before_ms: int) -> int:
        """Put what is due, stale and over into one digest; returns how many rows it stands for, 0: none was made.

        ``make`` writes the digest of some notices, oldest first. An older digest that is not delivered goes into the
        new one. A single notice comes as itself.
        """
        if len(self._over(channel, now_ms)) < 2:
            return 0
        with self.db.write() as c:
            over = self._over(channel, now_ms)
            digests = [row for row in over if row.notice.change == "digest"]
            if len(over) < 2 or len(digests) == len(over):
                return 0
            notices = {row.notice.id: row.notice for row in over if row.notice.change != "digest"}
            marks = ",".join("?" * len(digests))
            inside = self.db.rows(f"{_WAITING} WHERE o.folded IN ({marks})", *(d.id for d in digests))
            notices |= {n.id: n for n in (read_notice(r[2:]) for r in inside)}
            digest = make([notices[number] for number in sorted(notices)])
            number = c.execute(f"INSERT {NOTICE_ROW}", values_of(digest)).lastrowid
            row = c.execute(
                "INSERT INTO outbox(notice, channel, not_before) VALUES (?,?,?)", (number, channel, not_before_ms)
            ).lastrowid
            c.executemany("UPDATE outbox SET state='folded', folded=? WHERE id=?", [(row, o.id) for o in over])
            c.executemany("UPDATE outbox SET folded=? WHERE folded=?", [(row, d.id) for d in digests])
        return len(notices)

    def _over(self, channel: str, now_ms: int) -> list[_Waited]:
        """Rows that are due, of what is over or was told again since."""
        rows = [
            _Waited(int(r[0]), read_notice(r[2:]))
            for r in self.db.rows(
                f"{_WAITING} WHERE o.state='waiting' AND o.channel=? AND o.not_before<=? ORDER BY n.id DESC",
                channel,
                now_ms,
            )
        ]
        if len(rows) < 2:
            return []
        up = self._up({row.notice.kind for row in rows})
        over, covered, daily = [], set[tuple[str, str]](), False
        for row in rows:
            n = row.notice
            stale = n.change == "digest" or now_ms - n.at_ms >= STALE_MS
            true = {
                (n.kind, s)
                for s in n.subjects
                if n.change in ("raised", "still") and up.get((n.kind, s), 2**62) <= n.at_ms
            }
            # What nothing is known of comes as itself.
            known = n.change not in ("raised", "still") or all((n.kind, s) in up for s in n.subjects)
            newest_daily = n.change == "daily" and not daily
            daily = daily or n.change == "daily"
            if stale and known and not newest_daily and true <= covered:
                over.append(row)
            covered |= true
        return over

    def _up(self, kinds: Iterable[str]) -> Mapping[tuple[str, str], int]:
        """(kind, subject) -> since when it is raised; the end of time for what is not."""
        found = {}
        for kind in kinds:
            for subject, body in self.db.rows("SELECT subject, body FROM condition WHERE kind=?", kind):
                fields = json.loads(body)
                raised = fields["phase"] in (Phase.RAISED, Phase.FALLING)
                found[kind, str(subject)] = int(fields["changed_ms"] or 0) if raised else 2**62
        return found

    # -- plans ---------------------------------------------------------------------------------------------

    def replan(self, before_ms: int, now_ms: int, quiet_until_ms: int) -> int:
        """The clock was set, or the service starts: what waits for its time waits no longer than was planned.

        ``before_ms``: what the old clock would say now. Escalations keep what was left of their wait, quiet hours
        are those of the new clock. Returns how many rows have another time.
        """
        moved = []
        rows = self.db.rows(
            "SELECT o.id, o.not_before, o.if_open, n.at, n.urgency FROM outbox o JOIN notice n ON n.id=o.notice "
            "WHERE o.state='waiting' AND o.attempts=0 AND o.not_before>?",
            before_ms,
        )
        for number, not_before, if_open, at, urgency in rows:
            start = 0
            if if_open:
                start = now_ms + min(int(not_before) - before_ms, max(int(not_before) - int(at), 0))
            if urgency != "now":
                start = max(start, quiet_until_ms)
            if start != not_before:
                moved.append((start, number))
        if moved:
            with self.db.write() as c:
                c.executemany("UPDATE outbox SET not_before=? WHERE id=? AND state='waiting'", moved)
        return len(moved)

    def adopt(self, gone: str, channels: Sequence[Channel]) -> tuple[int, int]:
        """A channel is no longer configured: what waits for it and reached nobody goes to the others instead.

        Returns how many rows were given up, and how many notices the others were given.
        """
        rows = [
            _Waited(int(r[0]), read_notice(r[2:]))
            for r in self.db.rows(f"{_WAITING} WHERE o.state IN ('waiting','leased') AND o.channel=?", gone)
        ]
        there = {c.id for c in channels}
        given = 0
        with self.db.write() as c:
            for row in rows:
                ways = c.execute(
                    "SELECT channel, state FROM outbox WHERE notice=? AND id<>?", (row.notice.id, row.id)
                ).fetchall()
                reached = any(
                    channel in there or (channel != "log" and state == "delivered") for channel, state in ways
                )
                if not reached and row.notice.change in ("raised", "still", "cleared", "digest"):
                    takers = [x.id for x in channels if row.notice.urgency in x.urgencies] or [x.id for x in channels]
                    c.executemany(
                        "INSERT OR IGNORE INTO outbox(notice, channel) VALUES (?,?)",
                        [(row.notice.id, name) for name in takers],
                    )
                    given += bool(takers)
                c.execute(
                    "UPDATE outbox SET state='given-up', error='the channel is no longer configured' "
                    "WHERE id=? OR folded=?",
                    (row.id, row.id),
                )
        return len(rows), given
