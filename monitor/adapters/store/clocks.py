"""Clocks of probes that are wrong, on the disk: so that a reading's time comes out the same whoever reads it."""

from __future__ import annotations

from collections.abc import Iterable
from sqlite3 import Connection

from monitor.adapters.store.database import Database
from monitor.adapters.store.journal import ProbeNumbers
from monitor.core.readings.probe_clocks import MOST_CLOCKS, WrongClock
from monitor.core.terms.times import HOUR_MS


class ProbeClocks:
    """What was found about the clocks of probes."""

    def __init__(self, db: Database, numbers: ProbeNumbers) -> None:
        self.db = db
        self._numbers = numbers

    def version(self) -> tuple[int, ...]:
        """Another one whenever something was found, has ended or was taken back."""
        sql = "SELECT COUNT(*), COALESCE(MAX(id), 0), COUNT(to_at), TOTAL(id) FROM wrong_clock"
        return tuple(int(n) for n in self.db.rows(sql)[0])

    def all(self) -> dict[str, tuple[WrongClock, ...]]:
        """Of each probe, in the order of arrival."""
        found: dict[str, list[WrongClock]] = {}
        sql = "SELECT probe, from_at, behind, to_at, trusted, id FROM wrong_clock ORDER BY from_at, id"
        for probe, from_ms, behind, to_ms, trusted, number in self.db.rows(sql):
            clock = WrongClock(
                str(probe), int(from_ms), int(behind), None if to_ms is None else int(to_ms), bool(trusted), int(number)
            )
            found.setdefault(clock.probe, []).append(clock)
        return {probe: tuple(clocks) for probe, clocks in found.items()}

    def change(
        self,
        now_ms: int,
        *,
        found: Iterable[WrongClock] = (),
        ended: Iterable[WrongClock] = (),
        withdrawn: Iterable[WrongClock] = (),
    ) -> None:
        """All of it or nothing. Hours whose readings have another time by it are summed up anew."""
        with self.db.write() as c:
            for clock in ended:
                c.execute("UPDATE wrong_clock SET to_at=? WHERE id=?", (clock.to_ms, clock.id))
            for clock in withdrawn:
                c.execute("DELETE FROM wrong_clock WHERE id=?", (clock.id,))
                self._mark(c, clock, now_ms)
            for clock in found:
                ((known,),) = c.execute("SELECT COUNT(*) FROM wrong_clock WHERE probe=?", (clock.probe,)).fetchall()
                if known < MOST_CLOCKS:
                    c.execute(
                        "INSERT INTO wrong_clock(probe, from_at, to_at, behind, trusted) VALUES (?,?,?,?,?)",
                        (clock.probe, clock.from_ms, clock.to_ms, clock.behind_ms, int(clock.trusted)),
                    )
                    self._mark(c, clock, now_ms)

    def _mark(self, c: Connection, clock: WrongClock, now_ms: int) -> None:
        """The hours in which its readings lie as they came, and those in which they lie rightly."""
        number = self._numbers.given(clock.probe)
        until_ms = max(now_ms if clock.to_ms is None else clock.to_ms, clock.from_ms)
        for shift_ms in (0, clock.behind_ms):
            first, last = ((at - shift_ms) // HOUR_MS for at in (clock.from_ms, until_ms))
            c.executemany("INSERT OR IGNORE INTO dirty VALUES (?,?)", ((number, h) for h in range(first - 1, last + 2)))

    def drop_before(self, before_ms: int) -> int:
        """Forget those that ended before a moment, as their readings are forgotten; returns how many."""
        with self.db.write() as c:
            return c.execute("DELETE FROM wrong_clock WHERE to_at<?", (before_ms,)).rowcount
