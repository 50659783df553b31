"""Answers that come as messages from the broker: from a message to the store, and what is replied.

An answer is acknowledged after it is in the store, like a reading. A broker that sends a message again answers nothing
again: a notice is answered once, and the same message is told the same.
"""

from __future__ import annotations

import logging
from datetime import tzinfo
from typing import Final

from monitor.adapters.store import Store
from monitor.core.notices.answers import read_message, reply
from monitor.core.notices.codes import Guesses
from monitor.core.readings.arrivals import Arrival
from monitor.core.terms.settings import Answers
from monitor.errors import PayloadError

_log = logging.getLogger(__name__)

WRONG_A_MINUTE: Final = 30
"""So many wrong messages are replied to. A right one is taken whatever came before it: MQTT names no sender, so that
one who guesses would else keep the keeper out. What guesses come to is told in :mod:`monitor.core.notices.codes`."""
_NO_MORE: Final = (
    "Nothing was answered: too many wrong messages came on this topic; none is replied to for a minute. A right code "
    "is still taken."
)


class AnswerTopic:
    """The topic on which notices are answered. ``secret`` is the room's, under which codes are signed."""

    def __init__(self, answers: Answers, secret: bytes, zone: tzinfo) -> None:
        self.topic = answers.topic
        self.reply_topic = f"{answers.topic}/reply"
        self._numbers = answers.bare_numbers
        self._secret = secret
        self._zone = zone
        self._guesses = Guesses(most=WRONG_A_MINUTE)
        self._told = False

    def take(self, store: Store, arrival: Arrival) -> str | None:
        """Answer what a message answers; what is to be replied, in plain words. None: nothing.

        May be done again with the same message. Raises StoreError, and nothing for whatever stands in the message.
        """
        if arrival.retained:
            # Old news: whoever sent it meant another moment.
            _log.warning("a retained message on %s answers nothing; publish answers without retain", self.topic)
            return None
        now_ms = arrival.received_ms
        try:
            message = read_message(arrival.payload, numbers=self._numbers)
        except PayloadError as error:
            return self._wrong(now_ms, f"Nothing was answered: {error.what}.", error.what)
        if message.number:
            found = store.answers.give_number(message.number, now_ms, message.by, again=arrival.again)
        else:
            found = store.answers.give(self._secret, message.code, now_ms, "message", message.by, again=arrival.again)
        if found.status == "unknown":
            return self._wrong(now_ms, reply(found, self._zone), "no notice has this code or number")
        if found.status == "given" and found.notice is not None:
            _log.info("notice %d answered by %s", found.notice.id, found.notice.answer)
        return reply(found, self._zone)

    def _wrong(self, now_ms: int, told: str, why: str) -> str | None:
        """What is replied to a wrong message: why it is none; of too many that, once, and then nothing."""
        if self._guesses.enough(self.topic, now_ms):
            if self._told:
                return None
            self._told = True
            _log.warning("too many wrong messages on %s; for a minute no more of them are named", self.topic)
            return _NO_MORE
        self._told = False
        self._guesses.wrong(self.topic, now_ms)
        _log.warning("a message on %s answers nothing: %s", self.topic, why)
        return told
