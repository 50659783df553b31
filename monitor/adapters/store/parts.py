"""Derived sums per box, model and hour, and which hours must be computed again.

Everything here can be thrown away and computed anew from the readings; a test shows that the outcome is the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from itertools import chain
from typing import Final

import numpy as np

from monitor.adapters.store.database import Database
from monitor.adapters.store.seals import BLOCK, name_of_sums
from monitor.core.terms.arrays import Times, Values
from monitor.values import dataclass

_AT_ONCE: Final = 64


@dataclass(frozen=True)
class HourRows:
    """Arrays of equal length: hour (since 1970, rising), development, degree-days, integral of temperature (C s),
    covered seconds."""

    hour: Times
    development: Values
    degree_days: Values
    temperature_integral: Values
    covered_s: Values

    def between(self, from_hour: int, to_hour: int) -> HourRows:
        """Those with ``from_hour <= hour < to_hour``."""
        some = slice(*np.searchsorted(self.hour, (from_hour, to_hour)))
        return HourRows(
            self.hour[some],
            self.development[some],
            self.degree_days[some],
            self.temperature_integral[some],
            self.covered_s[some],
        )


@cache
def _insert(n: int) -> str:
    """Statement for so many rows: box, model and five numbers of each."""
    return f"INSERT INTO part VALUES {','.join(['(?,?,?,?,?,?,?)'] * n)}"  # noqa: S608 - nothing from outside


class Parts:
    """Partial sums and dirty hours."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def span(self, box: str, model: str) -> tuple[int, int] | None:
        rows = self.db.rows("SELECT from_hour, to_hour FROM span WHERE box=? AND model=?", box, model)
        return (int(rows[0][0]), int(rows[0][1])) if rows else None

    def load(self, box: str, model: str, from_hour: int, to_hour: int) -> HourRows:
        """Parts with ``from_hour <= hour < to_hour``."""
        rows = self.db.rows(
            "SELECT hour, development, degree_days, heat, covered_s FROM part "
            "WHERE box=? AND model=? AND hour>=? AND hour<? ORDER BY hour",
            box,
            model,
            from_hour,
            to_hour,
        )
        table = np.array(rows, np.float64).reshape(-1, 5)
        return HourRows(table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3], table[:, 4])

    def dirty(self, probes: Iterable[str]) -> set[int]:
        """Hours in which readings of these probes came since their parts were computed."""
        names = list(probes)
        if not names:
            return set()
        holes = ",".join("?" * len(names))
        return {
            int(h)
            for (h,) in self.db.rows(
                f"SELECT DISTINCT hour FROM dirty JOIN probe ON probe.id=dirty.probe WHERE name IN ({holes})",  # noqa: S608
                *names,
            )
        }

    def replace(self, box: str, model: str, hours: range, rows: HourRows, span: tuple[int, int]) -> None:
        """Put what was computed of some hours in their place; only inside a transaction of the caller (``db.write()``).

        ``rows``: of those hours alone.
        """
        c = self.db.connection
        blocks = range(hours.start // BLOCK, (hours.stop - 1) // BLOCK + 1)
        c.executemany("DELETE FROM seal WHERE part=? AND block=?", [(name_of_sums(box, model), k) for k in blocks])
        c.execute(
            "DELETE FROM part WHERE box=? AND model=? AND hour>=? AND hour<?", (box, model, hours.start, hours.stop)
        )
        columns = (rows.hour, rows.development, rows.degree_days, rows.temperature_integral, rows.covered_s)
        # Many in one statement: a rebuild writes hundreds of thousands.
        table = list(zip(*(column.tolist() for column in columns), strict=True))
        for k in range(0, len(table), _AT_ONCE):
            some = table[k : k + _AT_ONCE]
            c.execute(_insert(len(some)), tuple(chain.from_iterable((box, model, *row) for row in some)))
        c.execute(
            "INSERT INTO span VALUES (?,?,?,?) ON CONFLICT(box, model) DO UPDATE SET "
            "from_hour=MIN(from_hour, excluded.from_hour), to_hour=MAX(to_hour, excluded.to_hour)",
            (box, model, *span),
        )

    def clean(self, before_hour: int) -> None:
        """Dirty marks before an hour are dealt with; only inside the transaction that dealt with them."""
        self.db.connection.execute("DELETE FROM dirty WHERE hour < ?", (before_hour,))

    def keep_only(self, models: Mapping[str, Iterable[str]]) -> None:
        """Drop parts of models that no lot uses any more. ``models``: box -> models in use."""
        with self.db.write() as c:
            for box, model in c.execute("SELECT box, model FROM span").fetchall():
                if model not in set(models.get(box, ())):
                    c.execute("DELETE FROM part WHERE box=? AND model=?", (box, model))
                    c.execute("DELETE FROM seal WHERE part=?", (name_of_sums(box, model),))
                    c.execute("DELETE FROM span WHERE box=? AND model=?", (box, model))

    def forget_all(self) -> None:
        """Throw everything derived away; it is computed anew when asked for."""
        with self.db.write() as c:
            c.execute("DELETE FROM part")
            c.execute("DELETE FROM seal WHERE part GLOB 'part*'")
            c.execute("DELETE FROM span")
