"""The ledger: conditions, their history, and the notices that told of them.

T2: changed conditions, their history, the notices that follow and one outbox row for each channel are written in one
transaction, so that a crash leaves either all or nothing.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping, Sequence

from monitor.adapters.store.database import Database
from monitor.core.notices.answers import Answer
from monitor.core.notices.conditions import Condition, Phase, Transition, answered
from monitor.core.notices.notice import DAILY_LINE, Notice, Route
from monitor.core.terms.settings import Urgency
from monitor.errors import UnknownSubject


class Ledger:
    """Conditions and notices, and with them what is believed of probes."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def conditions(self) -> dict[tuple[str, str], Condition]:
        rows = self.db.rows("SELECT kind, subject, body FROM condition")
        return {(kind, subject): _read_condition(kind, subject, body) for kind, subject, body in rows}

    def commit(
        self,
        conditions: Iterable[Condition],
        transitions: Iterable[Transition],
        notices: Sequence[Notice],
        channels: Mapping[str, Iterable[Urgency]],
    ) -> list[Notice]:
        """T2. Returns the notices that were new; one whose key is known is not made again.

        ``channels``: which urgencies each channel takes, for notices that bring no routes of their own. Ways that
        are used only while a matter is open are closed when all that their notice told of has cleared. What was to be
        told again because nobody had answered is not, where somebody has since it was judged.
        """
        # Only who judges commits; who reads or answers has nothing to do with arrays.
        from monitor.adapters.store.disbelief import Disbeliefs

        made: list[Notice] = []
        just_answered: set[tuple[str, str]] = set()
        with self.db.write() as c:
            moves, changed = list(transitions), list(conditions)
            raised = {(t.kind, t.subject) for t in moves if t.change == "raised"}
            for condition in changed:
                row = c.execute("SELECT body FROM condition WHERE kind=? AND subject=?", condition.key).fetchone()
                kept = condition
                if row is not None:
                    stored = _read_condition(*condition.key, row[0])
                    kept = condition.with_keepers_part(stored, raised=condition.key in raised)
                    if kept.answered and not condition.answered:
                        just_answered.add(condition.key)
                c.execute(
                    "INSERT INTO condition VALUES (?,?,?) ON CONFLICT DO UPDATE SET body=excluded.body",
                    (*condition.key, _condition_body(kept)),
                )
            Disbeliefs(self.db).follow(moves, {x.key: x for x in changed})
            c.executemany(
                "INSERT INTO history(at, kind, subject, change, reason) VALUES (?,?,?,?,?)",
                [(t.at_ms, t.kind, t.subject, t.change, t.reason) for t in moves],
            )
            for notice in notices:
                if notice.change == "still" and just_answered.issuperset((notice.kind, s) for s in notice.subjects):
                    continue
                cursor = c.execute(f"INSERT OR IGNORE {NOTICE_ROW}", values_of(notice))
                if cursor.rowcount != 1:
                    continue
                number = int(cursor.lastrowid or 0)
                made.append(dataclasses.replace(notice, id=number))
                ways = notice.routes
                if ways is None:
                    ways = tuple(Route(name) for name, wanted in channels.items() if notice.urgency in set(wanted))
                c.executemany(
                    "INSERT INTO outbox(notice, channel, not_before, if_open) VALUES (?,?,?,?)",
                    [(number, way.channel, way.not_before_ms, int(way.if_open)) for way in ways],
                )
            for kind in {t.kind for t in moves if t.change == "cleared"}:
                self._drop_needless(kind)
        return made

    def _drop_needless(self, kind: str) -> None:
        """Close the escalations of notices whose subjects are all well again; inside a transaction."""
        c = self.db.connection
        up = {
            str(subject)
            for subject, body in c.execute("SELECT subject, body FROM condition WHERE kind=?", (kind,)).fetchall()
            if json.loads(body)["phase"] in (Phase.RAISED, Phase.FALLING)
        }
        rows = c.execute(
            "SELECT o.id, n.subjects FROM outbox o JOIN notice n ON n.id=o.notice "
            "WHERE o.state='waiting' AND o.if_open=1 AND n.kind=?",
            (kind,),
        ).fetchall()
        c.executemany(
            "UPDATE outbox SET state='not-needed' WHERE id=?",
            [(number,) for number, subjects in rows if up.isdisjoint(json.loads(subjects))],
        )

    def history(self, limit: int = 1000) -> list[Transition]:
        """Newest first."""
        return [
            Transition(kind, subject, change, int(at), int(at), reason)
            for at, kind, subject, change, reason in self.db.rows(
                "SELECT at, kind, subject, change, reason FROM history ORDER BY id DESC LIMIT ?", limit
            )
        ]

    def notices(self, limit: int = 200) -> list[Notice]:
        """Newest first."""
        return [read_notice(r) for r in self.db.rows(f"{_NOTICE} ORDER BY id DESC LIMIT ?", limit)]

    def since_daily_line(self, limit: int = 200) -> list[Notice]:
        """What was for later since the last daily line, oldest first; of very much the newest."""
        last = self.db.rows("SELECT coalesce(max(id), 0) FROM notice WHERE kind=?", DAILY_LINE)[0][0]
        rows = self.db.rows(f"{_NOTICE} WHERE urgency='later' AND id>? ORDER BY id DESC LIMIT ?", last, limit)
        return [n for r in reversed(rows) if (n := read_notice(r)).for_daily_line]

    def notice(self, number: int) -> Notice:
        rows = self.db.rows(f"{_NOTICE} WHERE id=?", number)
        if not rows:
            raise UnknownSubject(f"no notice {number}", fix="see: warmtally notices")
        return read_notice(rows[0])

    def answer(self, number: int, now_ms: int, by: str) -> Notice:
        """Answer with the command; see :meth:`answer_once`."""
        return self.answer_once(number, now_ms, Answer("command", by=by))[0]

    def answer_once(self, number: int, now_ms: int, answer: Answer) -> tuple[Notice, bool]:
        """Acknowledge: the notice, and the conditions it is about that are still raised.

        Returns the notice as it stands then, and whether this answer was the first: later ones change nothing of who
        answered it. A condition that cleared and was raised again, with a notice of its own, is not acknowledged by
        the answer to an older one. Raises UnknownSubject.
        """
        with self.db.write() as c:
            notice = self.notice(number)
            first = notice.answered_ms is None
            if first:
                c.execute("UPDATE notice SET answered=?, answer=? WHERE id=?", (now_ms, answer.words, number))
                c.execute(
                    "INSERT INTO answer(notice, at, way, channel, by) VALUES (?,?,?,?,?)",
                    (number, now_ms, answer.way, answer.channel, answer.by),
                )
            later = self._raised_later(notice)
            current = [s for s in notice.subjects if s not in later]
            c.execute(
                "UPDATE outbox SET state='not-needed' WHERE state='waiting' AND if_open=1 AND notice IN "
                "(SELECT id FROM notice WHERE kind=? AND subjects=? AND id<?)",
                (notice.kind, json.dumps(notice.subjects), min(later.values(), default=2**62)),
            )
            for subject in current:
                row = c.execute(
                    "SELECT body FROM condition WHERE kind=? AND subject=?", (notice.kind, subject)
                ).fetchone()
                if row is None:
                    continue
                fields = json.loads(row[0])
                up = fields["phase"] in (Phase.RAISED, Phase.FALLING)
                if up and not answered(fields["acknowledged_ms"], fields["facts"]):
                    fields["acknowledged_ms"] = now_ms
                    c.execute(
                        "UPDATE condition SET body=? WHERE kind=? AND subject=?",
                        (json.dumps(fields), notice.kind, subject),
                    )
                    c.execute(
                        "INSERT INTO history(at, kind, subject, change, reason) VALUES (?,?,?,?,?)",
                        (now_ms, notice.kind, subject, "acknowledged", f"notice {number} answered by {answer.words}"),
                    )
            return self.notice(number), first

    def _raised_later(self, notice: Notice) -> dict[str, int]:
        """Subjects of a notice that were raised anew since, each with the first notice that told of that."""
        found: dict[str, int] = {}
        for number, subjects in self.db.rows(
            "SELECT id, subjects FROM notice WHERE id>? AND kind=? AND change='raised' ORDER BY id",
            notice.id,
            notice.kind,
        ):
            for subject in set(json.loads(subjects)).intersection(notice.subjects):
                found.setdefault(subject, int(number))
        return found

    def still_true(self, notice: Notice) -> bool:
        """Whether any of what a notice told is still so."""
        later = self._raised_later(notice)
        return any(
            subject in notice.subjects
            and subject not in later
            and json.loads(body)["phase"] in (Phase.RAISED, Phase.FALLING)
            for subject, body in self.db.rows("SELECT subject, body FROM condition WHERE kind=?", notice.kind)
        )

    def reached(self, kind: str, subjects: Iterable[str]) -> frozenset[str]:
        """Channels that took, or are being given, a notice of this kind about one of these subjects since it was last
        told as over."""
        open_ones, found = set(subjects), set[str]()
        for number, told, change in self.db.rows(
            "SELECT id, subjects, change FROM notice WHERE kind=? ORDER BY id DESC LIMIT 200", kind
        ):
            mine = open_ones.intersection(json.loads(told))
            if change == "cleared":
                open_ones -= mine
            elif mine:
                ways = "SELECT channel FROM outbox WHERE notice=? AND state IN ('leased', 'delivered')"
                found.update(str(channel) for (channel,) in self.db.rows(ways, number))
            if not open_ones:
                break
        return frozenset(found)

    def shelve(self, kind: str, subject: str, until_ms: int | None, now_ms: int, by: str) -> None:
        """No notices about a condition until a moment; None ends that. The state goes on being kept."""
        with self.db.write() as c:
            row = c.execute("SELECT body FROM condition WHERE kind=? AND subject=?", (kind, subject)).fetchone()
            if row is None:
                raise UnknownSubject(f"no condition {kind!r} of {subject!r}", fix="see: warmtally notices")
            fields = json.loads(row[0])
            fields["shelved_until_ms"] = until_ms
            c.execute("UPDATE condition SET body=? WHERE kind=? AND subject=?", (json.dumps(fields), kind, subject))
            change = "shelved" if until_ms is not None else "unshelved"
            c.execute(
                "INSERT INTO history(at, kind, subject, change, reason) VALUES (?,?,?,?,?)",
                (now_ms, kind, subject, change, f"by {by}"),
            )


_NOTICE = (
    "SELECT id, key, n.at, kind, subjects, change, urgency, title, text, story, answered, answer, "
    "COALESCE(a.way, ''), COALESCE(a.channel, '') FROM notice n LEFT JOIN answer a ON a.notice=n.id"
)


NOTICE_ROW = "INTO notice(key, at, kind, subjects, change, urgency, title, text, story) VALUES (?,?,?,?,?,?,?,?,?)"


def values_of(n: Notice) -> tuple[object, ...]:
    """What ``NOTICE_ROW`` takes of a notice that is new."""
    return n.key, n.at_ms, n.kind, json.dumps(n.subjects), n.change, n.urgency, n.title, n.text, n.story


def read_notice(row: Sequence[object]) -> Notice:
    number, key, at, kind, subjects, change, urgency, title, text, story, answered, answer, way, channel = row
    return Notice(
        key=str(key),
        at_ms=int(at),  # type: ignore[call-overload]
        kind=str(kind),
        subjects=tuple(json.loads(str(subjects))),
        change=change,  # type: ignore[arg-type]
        urgency=urgency,  # type: ignore[arg-type]
        title=str(title),
        text=str(text),
        story=str(story),
        id=int(number),  # type: ignore[call-overload]
        answered_ms=answered,  # type: ignore[arg-type]
        answer=str(answer),
        answer_way=str(way),
        answer_channel=str(channel),
    )


def _read_condition(kind: str, subject: str, body: str) -> Condition:
    fields = json.loads(body)
    fields["phase"] = Phase(fields["phase"])
    return Condition(kind=kind, subject=subject, **fields)


def _condition_body(condition: Condition) -> str:
    fields = {f.name: getattr(condition, f.name) for f in dataclasses.fields(condition)}
    del fields["kind"], fields["subject"]
    fields["phase"] = condition.phase.value
    fields["facts"] = dict(condition.facts)
    return json.dumps(fields)
