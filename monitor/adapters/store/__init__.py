"""The store: one SQLite file that holds everything, and the only place that knows SQL.

A :class:`Store` belongs to one thread; each thread and each command opens its own.
"""

from __future__ import annotations

from pathlib import Path

from monitor.adapters.store.answers import Answers, secret_of
from monitor.adapters.store.backlog import Backlog
from monitor.adapters.store.chunks import Columns
from monitor.adapters.store.corrections import Corrections
from monitor.adapters.store.database import Database, ServiceLock
from monitor.adapters.store.ledger import Ledger, Outgoing, Waiting
from monitor.adapters.store.parts import Parts
from monitor.adapters.store.readings import InboxMark, Quarantined, Readings, columns_of
from monitor.adapters.store.shipping import ShippingBook


class Store:
    """All of the store for one thread, part by part, and the database below."""

    def __init__(self, data_dir: str | Path, *, create: bool = True) -> None:
        self.db = Database(data_dir, create=create)
        self.readings = Readings(self.db)
        self.ledger = Ledger(self.db)
        self.answers = Answers(self.ledger)
        self.backlog = Backlog(self.db)
        self.corrections = Corrections(self.db)
        self.parts = Parts(self.db)
        self.shipping = ShippingBook(self.db)

    def close(self) -> None:
        self.db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


__all__ = [
    "Answers",
    "Backlog",
    "Columns",
    "Corrections",
    "Database",
    "InboxMark",
    "Ledger",
    "Outgoing",
    "Parts",
    "Quarantined",
    "Readings",
    "ServiceLock",
    "ShippingBook",
    "Store",
    "Waiting",
    "columns_of",
    "secret_of",
]
