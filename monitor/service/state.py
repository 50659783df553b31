"""The state of the room as it stands at the broker: made after a round, of what has changed or was said long ago."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final

from monitor.adapters.store import Store
from monitor.core.notices.conditions import Condition
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Snapshot
from monitor.core.rooms.overview import SAID_AGAIN_MS
from monitor.core.rooms.said import LARGEST_STATE
from monitor.core.terms.settings import Settings
from monitor.telling.hand import LOOKED_BACK, needed
from monitor.telling.room_state import box_state, codes_state, room_state

log = logging.getLogger("warmtally")

# Of these alone it is not said again.
_AGES: Final = frozenset({"as_of", "newest_reading_age_s", "newest_reading_at"})


class StateAtBroker:
    """What ``state`` of ``[broker]`` switches on. Belongs to the round's thread. Nothing here ends a round.

    ``stand`` takes all messages that are to stand at the broker, topic -> payload. Where it is switched off, or the
    topic is another one now, what stood there before is taken away by that too. ``secret``: of the room's codes, where
    there are any.
    """

    def __init__(self, settings: Settings, stand: Callable[[Mapping[str, bytes]], None], secret: bytes = b"") -> None:
        broker, answers = settings.broker, settings.answers
        self._settings = settings
        self._topic = broker.status_topic if broker.state else None
        self._secret = secret if answers is not None and answers.overview else b""
        self._stand = stand
        self._said: dict[str, tuple[Mapping[str, Any], int, bytes]] = {}
        self._trouble = ""

    def follow(self, snapshot: Snapshot, changed: Iterable[Condition], store: Store) -> None:
        """After a whole round; ``changed``: the conditions that are not as the snapshot has them any more. While the
        clock is not trusted, nothing new is said."""
        try:
            if self._topic is None:
                self._stand({})
            elif snapshot.service.clock.trusted:
                known = {**snapshot.conditions, **{c.key: c for c in changed}}
                true = [c for c in known.values() if c.up]
                self._stand(self._messages(self._topic, snapshot, true, store.ledger.notices(LOOKED_BACK)))
            self._trouble = ""
        except Exception as error:
            # Whatever is wrong with what is said of it, the watch goes on.
            if str(error) != self._trouble:
                log.exception("the state of the room cannot be said at the broker")
            self._trouble = str(error)

    def _messages(
        self, topic: str, snapshot: Snapshot, true: Sequence[Condition], notices: Sequence[Notice]
    ) -> dict[str, bytes]:
        needs = needed(true, notices)
        room = room_state(snapshot, needs, self._settings, by_code=bool(self._secret))
        told: dict[str, Mapping[str, Any]] = {f"{topic}/room": room}
        told |= {f"{topic}/box/{box.box.id}": box_state(box, snapshot, true) for box in snapshot.boxes}
        if self._secret:
            told[f"{topic}/codes"] = codes_state(needs, self._secret, snapshot.now_ms)
        self._said = {where: self._newest(where, what, snapshot.now_ms) for where, what in told.items()}
        for where, (_, _, payload) in self._said.items():
            assert len(payload) <= LARGEST_STATE, f"{len(payload)} bytes would be said on {where}"
        return {where: payload for where, (_, _, payload) in self._said.items()}

    def _newest(self, where: str, what: Mapping[str, Any], now_ms: int) -> tuple[Mapping[str, Any], int, bytes]:
        """What was said there before, unless it is not true any more, or was said long ago; the clock may be set."""
        lasting = {key: value for key, value in what.items() if key not in _AGES}
        before = self._said.get(where)
        if before is not None and before[0] == lasting and 0 <= now_ms - before[1] < SAID_AGAIN_MS:
            return before
        return lasting, now_ms, json.dumps(what, ensure_ascii=False, separators=(",", ":")).encode()
