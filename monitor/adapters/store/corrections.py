"""Corrections of probes on the disk: told once, never changed, taken back by a further row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from monitor.adapters.store.database import Database
from monitor.core.readings.corrections import Correction, StandingCorrections
from monitor.errors import EventRefused, UnknownSubject

_COLUMNS = "probe, from_at, to_at, offset_c, uncertainty_c, common_c, how, session, only_after, recorded"


class Corrections:
    """The account of what was found about probes."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def version(self, by_ms: int = 2**62) -> int:
        """Grows whenever something was told or taken back. ``by_ms``: as it was at that moment."""
        return int(self.db.rows("SELECT COUNT(*) FROM correction WHERE recorded<=?", by_ms)[0][0])

    def all(self, by_ms: int | None = None) -> list[Correction]:
        """Every correction ever told, those taken back included, in the order of telling.

        ``by_ms``: as it was at that moment; what was told later is not there, what was taken back later still stands.
        """
        until = 2**62 if by_ms is None else by_ms
        with self.db.read():
            sql = "SELECT withdraws FROM correction WHERE withdraws IS NOT NULL AND recorded<=?"
            gone = {int(i) for (i,) in self.db.rows(sql, until)}
            sql = f"SELECT id, {_COLUMNS} FROM correction WHERE withdraws IS NULL AND recorded<=? ORDER BY id"  # noqa: S608
            rows = self.db.rows(sql, until)
        return [_correction(row, int(row[0]) in gone) for row in rows]

    def standing(self, by_ms: int | None = None) -> StandingCorrections:
        """Those that stand, or that stood at a moment."""
        return StandingCorrections(self.all(by_ms))

    def tell(self, corrections: Sequence[Correction]) -> list[Correction]:
        """Add what one session found, all or nothing; returns them with their numbers."""
        told = []
        with self.db.write() as c:
            for correction in corrections:
                found = c.execute(
                    f"INSERT INTO correction({_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?)",  # noqa: S608
                    _values(correction),
                )
                told.append(replace(correction, id=int(found.lastrowid or 0)))
        return told

    def withdraw(self, number: int, now_ms: int) -> Correction:
        """Take one back. Raises UnknownSubject where there is none, EventRefused where it was done already."""
        with self.db.write() as c:
            sql = f"SELECT id, {_COLUMNS} FROM correction WHERE id=? AND withdraws IS NULL"  # noqa: S608 - only names
            row = c.execute(sql, (number,)).fetchone()
            if row is None:
                raise UnknownSubject(f"no correction {number}", fix="see: warmtally compare list")
            if c.execute("SELECT 1 FROM correction WHERE withdraws=?", (number,)).fetchone():
                raise EventRefused(f"correction {number} was taken back already", fix="see: warmtally compare list")
            correction = _correction(row, withdrawn=True)
            c.execute(
                f"INSERT INTO correction({_COLUMNS}, withdraws) VALUES (?,?,?,?,?,?,?,?,?,?,?)",  # noqa: S608
                (*_values(replace(correction, recorded_ms=now_ms)), number),
            )
        return correction


def _values(c: Correction) -> tuple[Any, ...]:
    return (
        c.probe, c.from_ms, c.to_ms, c.offset_c, c.uncertainty_c, c.common_c, c.how, c.session, int(c.only_after),
        c.recorded_ms,
    )  # fmt: skip


def _correction(row: Sequence[Any], withdrawn: bool) -> Correction:
    number, probe, from_ms, to_ms, offset, u, common, how, session, only_after, recorded = row
    return Correction(
        probe=str(probe),
        from_ms=int(from_ms),
        offset_c=float(offset),
        uncertainty_c=float(u),
        common_c=float(common),
        how=how,
        recorded_ms=int(recorded),
        session=str(session),
        to_ms=None if to_ms is None else int(to_ms),
        only_after=bool(only_after),
        id=int(number),
        withdrawn=withdrawn,
    )
