"""What gateways say of themselves, and brokers in their name: from a message to the store.

Kept there, and not in memory, because the message is acknowledged: a gateway that is gone says nothing any more, and
not every will is retained.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.adapters.store import Quarantined, Store
from monitor.core.readings.arrivals import Arrival
from monitor.core.readings.decode import KEPT_BYTES
from monitor.core.readings.gateways import FACT, Said, follow, listen, read, written
from monitor.core.terms.settings import Gateway


class Wills:
    """The topics of the gateways, and what comes on them."""

    def __init__(self, gateways: Sequence[Gateway]) -> None:
        self._gateways = tuple(gateways)
        self.topics = tuple(dict.fromkeys(g.topic for g in gateways))

    def keep(self, store: Store, arrivals: Iterable[Arrival]) -> None:
        """Write down what messages say, in their order; one that says nothing is kept as it came, with the reason.

        May be done again with the same messages: that changes nothing. Raises StoreError.
        """
        known: dict[str, Said | None] = {}
        unreadable: list[Quarantined] = []
        for arrival in arrivals:
            if arrival.retained and not arrival.payload:
                continue
            spoken = listen(
                self._gateways, arrival.topic, arrival.payload, arrival.received_ms, retained=arrival.retained
            )
            for each in spoken:
                if each.said is None:
                    unreadable.append(
                        Quarantined(arrival.received_ms, arrival.topic, arrival.payload[:KEPT_BYTES], each.reason)
                    )
                    continue
                before = known[each.gateway] if each.gateway in known else said_last(store, each.gateway)
                known[each.gateway] = follow(before, each.said, again=arrival.again)
        for gateway, said in known.items():
            if said is not None and said != said_last(store, gateway):
                store.db.set_fact(FACT.format(gateway), written(said))
        if unreadable:
            store.journal.ingest((), unreadable)


def said_last(store: Store, gateway: str) -> Said | None:
    """What the store knows of a gateway."""
    return read(store.db.fact(FACT.format(gateway)))
