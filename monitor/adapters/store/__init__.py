"""The store: one SQLite file that holds everything, and the only place that knows SQL.

A :class:`Store` belongs to one thread; each thread and each command opens its own. Each part is made when it is first
asked for, and its module loaded: a command that enters a pip has nothing to do with readings and arrays.
"""

from __future__ import annotations

import importlib
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from monitor.adapters.store.database import Database, ServiceLock

if TYPE_CHECKING:
    from monitor.adapters.store.account import KeepersAccount, Once
    from monitor.adapters.store.answers import AnswerBook, secret_of
    from monitor.adapters.store.backlog import Backlog
    from monitor.adapters.store.batches import Batches
    from monitor.adapters.store.clocks import ProbeClocks
    from monitor.adapters.store.columns import Columns
    from monitor.adapters.store.corrections import Corrections
    from monitor.adapters.store.disbelief import Disbeliefs
    from monitor.adapters.store.folding import Folding
    from monitor.adapters.store.journal import InboxMark, Journal, ProbeNumbers
    from monitor.adapters.store.ledger import Ledger
    from monitor.adapters.store.outbox import Outbox, Outgoing, Waiting
    from monitor.adapters.store.parts import Parts
    from monitor.adapters.store.readings import Readings, columns_of
    from monitor.adapters.store.retention import Forgotten
    from monitor.adapters.store.shipping import ShippingBook
    from monitor.adapters.store.thinning import Thinning
    from monitor.adapters.store.unread import Quarantined, Unread, UnreadSource

_MODULES: Final = {
    "account": ("KeepersAccount", "Once"),
    "answers": ("AnswerBook", "secret_of"),
    "backlog": ("Backlog",),
    "columns": ("Columns",),
    "clocks": ("ProbeClocks",),
    "corrections": ("Corrections",),
    "disbelief": ("Disbeliefs",),
    "folding": ("Folding",),
    "journal": ("InboxMark", "Journal", "ProbeNumbers"),
    "ledger": ("Ledger",),
    "outbox": ("Outbox", "Outgoing", "Waiting"),
    "parts": ("Parts",),
    "readings": ("Readings", "columns_of"),
    "retention": ("Forgotten",),
    "shipping": ("ShippingBook",),
    "thinning": ("Thinning",),
    "unread": ("Quarantined", "Unread", "UnreadSource"),
}
_HOME: Final = {name: module for module, names in _MODULES.items() for name in names}


def __getattr__(name: str) -> Any:
    """What stands in a part's module, loaded when it is first asked for (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)


class Store:
    """All of the store for one thread, part by part, and the database below."""

    def __init__(self, data_dir: str | Path, *, create: bool = True) -> None:
        self.db = Database(data_dir, create=create)

    @cached_property
    def probes(self) -> ProbeNumbers:
        from monitor.adapters.store.journal import ProbeNumbers

        return ProbeNumbers(self.db)

    @cached_property
    def unread(self) -> Unread:
        from monitor.adapters.store.unread import Unread

        return Unread(self.db)

    @cached_property
    def batches(self) -> Batches:
        from monitor.adapters.store.batches import Batches

        return Batches(self.db)

    @cached_property
    def journal(self) -> Journal:
        from monitor.adapters.store.journal import Journal

        return Journal(self.db, self.probes, self.unread, self.batches)

    @cached_property
    def readings(self) -> Readings:
        from monitor.adapters.store.readings import Readings

        return Readings(self.db, self.probes, self.batches)

    @cached_property
    def folding(self) -> Folding:
        from monitor.adapters.store.folding import Folding

        return Folding(self.db, self.probes, self.readings, self.batches)

    @cached_property
    def account(self) -> KeepersAccount:
        from monitor.adapters.store.account import KeepersAccount

        return KeepersAccount(self.db)

    @cached_property
    def ledger(self) -> Ledger:
        from monitor.adapters.store.ledger import Ledger

        return Ledger(self.db)

    @cached_property
    def outbox(self) -> Outbox:
        from monitor.adapters.store.outbox import Outbox

        return Outbox(self.db)

    @cached_property
    def answers(self) -> AnswerBook:
        from monitor.adapters.store.answers import AnswerBook

        return AnswerBook(self.ledger, self.outbox)

    @cached_property
    def backlog(self) -> Backlog:
        from monitor.adapters.store.backlog import Backlog

        return Backlog(self.db)

    @cached_property
    def corrections(self) -> Corrections:
        from monitor.adapters.store.corrections import Corrections

        return Corrections(self.db)

    @cached_property
    def disbeliefs(self) -> Disbeliefs:
        from monitor.adapters.store.disbelief import Disbeliefs

        return Disbeliefs(self.db)

    @cached_property
    def clocks(self) -> ProbeClocks:
        from monitor.adapters.store.clocks import ProbeClocks

        return ProbeClocks(self.db, self.probes)

    @cached_property
    def parts(self) -> Parts:
        from monitor.adapters.store.parts import Parts

        return Parts(self.db)

    @cached_property
    def shipping(self) -> ShippingBook:
        from monitor.adapters.store.shipping import ShippingBook

        return ShippingBook(self.db, self.unread, self.readings, self.batches)

    @cached_property
    def thinning(self) -> Thinning:
        from monitor.adapters.store.thinning import Thinning

        return Thinning(self.db, self.probes, self.readings, self.batches, self.clocks)

    @property
    def watched(self) -> bool:
        """Whether a service runs on this store."""
        return ServiceLock.held(self.db.path.parent)

    def make_all(self) -> None:
        """Make every part now: for a process that lasts, below which the program's files may be changed."""
        for name, found in vars(Store).items():
            if isinstance(found, cached_property):
                getattr(self, name)
        importlib.import_module(f"{__name__}.retention")

    def forget(self, now_ms: int, keep_days: int) -> Forgotten:
        """Drop what is older than it is kept (:mod:`monitor.adapters.store.retention`)."""
        from monitor.adapters.store.retention import forget

        return forget(self, now_ms, keep_days)

    def seal(self) -> int:
        """Seal what was written since the last time (:mod:`monitor.adapters.store.seals`)."""
        from monitor.adapters.store.seals import seal

        return seal(self.db)

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
    "Once",
    "Outbox",
    "Outgoing",
    "Parts",
    "ProbeClocks",
    "ProbeNumbers",
    "Quarantined",
    "Readings",
    "ServiceLock",
    "ShippingBook",
    "Store",
    "Thinning",
    "Unread",
    "UnreadSource",
    "Waiting",
    "columns_of",
    "secret_of",
]
