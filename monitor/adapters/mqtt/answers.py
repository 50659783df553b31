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
_WAIT: Final = "Nothing was answered: too many wrong messages came on this topic. Try again in a minute."


class AnswerTopic:
    """The topic on which notices are answered. ``secret`` is the room's, under which codes are signed."""

    def __init__(self, answers: Answers, secret: bytes, zone: tzinfo) -> None:
        self.topic = answers.topic
        self.reply_topic = f"{answers.topic}/reply"
        self._numbers = answers.bare_numbers
        self._secret = secret
        self._zone = zone
        self._guesses = Guesses(most=WRONG_A_MINUTE)
        self._told_to_wait = False

    def take(self, store: Store, arrival: Arrival) -> str | None:
        """Answer what a message answers; what is to be replied, in plain words. None: nothing.

        May be done again with the same message. Raises StoreError, and nothing for whatever stands in the message.
        """
        if arrival.retained:
            # Old news: whoever sent it meant another moment.
            _log.warning("a retained message on %s answers nothing; publish answers without retain", self.topic)
            return None
        now_ms = arrival.received_ms
        if self._guesses.enough(self.topic, now_ms):
            if self._told_to_wait:
                return None
            self._told_to_wait = True
            _log.warning("too many wrong messages on %s; none is looked at for a minute", self.topic)
            return _WAIT
        self._told_to_wait = False
        try:
            message = read_message(arrival.payload, numbers=self._numbers)
        except PayloadError as error:
            self._guesses.wrong(self.topic, now_ms)
            _log.warning("a message on %s answers nothing: %s", self.topic, error.what)
            return f"Nothing was answered: {error.what}."
        if message.number:
            found = store.answers.give_number(message.number, now_ms, message.by, again=arrival.again)
        else:
            found = store.answers.give(self._secret, message.code, now_ms, "message", message.by, again=arrival.again)
        if found.status == "unknown":
            self._guesses.wrong(self.topic, now_ms)
            _log.warning("a message on %s answers nothing: no notice has this code or number", self.topic)
        elif found.status == "given" and found.notice is not None:
            _log.info("notice %d answered by %s", found.notice.id, found.notice.answer)
        return reply(found, self._zone)
