"""The store: one SQLite file that holds everything, and the only place that knows SQL.

A :class:`Store` belongs to one thread; each thread and each command opens its own.
"""

from __future__ import annotations

from pathlib import Path

from monitor.adapters.store.account import KeepersAccount
from monitor.adapters.store.answers import AnswerBook, secret_of
from monitor.adapters.store.backlog import Backlog
from monitor.adapters.store.chunks import Columns
from monitor.adapters.store.clocks import ProbeClocks
from monitor.adapters.store.corrections import Corrections
from monitor.adapters.store.database import Database, ServiceLock
from monitor.adapters.store.disbelief import Disbeliefs
from monitor.adapters.store.folding import Folding
from monitor.adapters.store.journal import InboxMark, Journal, ProbeNumbers
from monitor.adapters.store.ledger import Ledger
from monitor.adapters.store.outbox import Outbox, Outgoing, Waiting
from monitor.adapters.store.parts import Parts
from monitor.adapters.store.readings import Readings, columns_of
from monitor.adapters.store.retention import Forgotten, forget
from monitor.adapters.store.shipping import ShippingBook
from monitor.adapters.store.unread import Quarantined, Unread, UnreadSource


class Store:
    """All of the store for one thread, part by part, and the database below."""

    def __init__(self, data_dir: str | Path, *, create: bool = True) -> None:
        self.db = Database(data_dir, create=create)
        self.probes = ProbeNumbers(self.db)
        self.unread = Unread(self.db)
        self.journal = Journal(self.db, self.probes, self.unread)
        self.readings = Readings(self.db, self.probes)
        self.folding = Folding(self.db, self.probes, self.readings)
        self.account = KeepersAccount(self.db)
        self.ledger = Ledger(self.db)
        self.outbox = Outbox(self.db)
        self.answers = AnswerBook(self.ledger, self.outbox)
        self.backlog = Backlog(self.db)
        self.corrections = Corrections(self.db)
        self.disbeliefs = Disbeliefs(self.db)
        self.clocks = ProbeClocks(self.db, self.probes)
        self.parts = Parts(self.db)
        self.shipping = ShippingBook(self.db, self.unread)

    def forget(self, now_ms: int, keep_days: int) -> Forgotten:
        """Drop what is older than it is kept (:mod:`monitor.adapters.store.retention`)."""
        return forget(self, now_ms, keep_days)

    def close(self) -> None:
        self.db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


__all__ = [
    "AnswerBook",
    "Backlog",
    "Columns",
    "Corrections",
    "Database",
    "Disbeliefs",
    "Folding",
    "Forgotten",
    "InboxMark",
    "Journal",
    "KeepersAccount",
    "Ledger",
    "Outbox",
    "Outgoing",
    "Parts",
    "ProbeClocks",
    "Quarantined",
    "Readings",
    "ServiceLock",
    "ShippingBook",
    "Store",
    "Unread",
    "UnreadSource",
    "Waiting",
    "columns_of",
    "secret_of",
]
