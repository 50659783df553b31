"""What is said of the line to the broker in plain words: what is wrong, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from monitor.adapters.mqtt.line_states import LineEvent, LineState
from monitor.core.terms.settings import Broker
from monitor.values import dataclass

# Reason codes of MQTT 5 (section 2.4); paho gives those of MQTT 3.1.1 as the same numbers.
BAD_LOGIN: Final = frozenset({0x86, 0x87})
SESSION_TAKEN_OVER: Final = 0x8E


@dataclass(frozen=True, slots=True)
class LineWords:
    """Of one line: ``file`` is the configuration's name, ``wanted`` how many topics are asked for."""

    broker: Broker
    file: str
    wanted: int

    @property
    def address(self) -> str:
        return f"{self.broker.host}:{self.broker.port}"

    @property
    def who(self) -> str:
        user = self.broker.username
        return f"the login {user!r}" if user is not None else "a client without login"

    def detail(self, state: LineState) -> str:
        """Why the line is as it is shown; empty when nothing is wrong, or nothing is known yet."""
        event, reason = state.cause, state.reason
        why = f" ({reason.text})" if reason.text else ""
        if event in (LineEvent.PROMISED, LineEvent.DENIED):
            return self._refused_topics(state.refused_topics)
        if event in (LineEvent.REFUSED, LineEvent.BUSY):
            return self._refused(state)
        if event is LineEvent.LOST:
            return self._lost(state)
        return {
            None: "",
            LineEvent.REOPENED: "connecting again",
            LineEvent.SWITCHED: f"the broker at {self.address} does not speak MQTT 5; trying {state.protocol}",
            LineEvent.SILENT: f"the broker at {self.address} does not answer; trying {state.protocol}",
            LineEvent.SILENT_AGAIN: f"something at {self.address} takes the connection but does not answer as a "
            f"broker; check host, port and tls under [broker] in {self.file}",
            LineEvent.UNPROMISED: f"the broker at {self.address} does not say whether it will send the topics; "
            "connecting again",
            LineEvent.DIED: "the network thread ended; starting another",
            LineEvent.UNREACHED: f"nobody answers at {self.address}{why}; check that the broker runs, and host and "
            f"port under [broker] in {self.file}",
            LineEvent.UNTRUSTED: f"no trusted line to {self.address}{why}; check tls, ca_file and the port under "
            f"[broker] in {self.file}",
            LineEvent.FILLED: "readings come faster than they can be stored; they wait at the broker",
        }.get(event, "")

    def _refused(self, state: LineState) -> str:
        reason = state.reason
        if reason.code not in BAD_LOGIN:
            return f"the broker at {self.address} does not accept {self.who} ({reason.text})"
        if self.broker.username is None:
            how = f"it wants a login: give username and password_file under [broker] in {self.file}"
        else:
            how = f"correct username and password_file under [broker] in {self.file}, or the broker's own list"
        return f"the broker at {self.address} refuses {self.who} ({reason.text}); {how}"

    def _refused_topics(self, topics: Sequence[str]) -> str:
        if not topics:
            return ""
        return (
            f"the broker refuses {len(topics)} of {self.wanted} topics ({some(topics)}); let {self.who} read them "
            f"(the broker's access list), or correct the topics in {self.file}"
        )

    def _lost(self, state: LineState) -> str:
        if state.reason.code == SESSION_TAKEN_OVER or state.lost_often:
            # Not every broker says why it ends a connection; two that push each other out show by the rhythm.
            return (
                "the connection is lost again and again; if another program uses the client id "
                f"{self.broker.client_id!r} at this broker, give each its own client_id under [broker] in {self.file}"
            )
        by = "the broker ended the connection" if state.reason.by_broker else "the connection was lost"
        return f"{by} ({state.reason.text}); trying again"

    def cannot_say(self, topic: str, reason: str) -> str:
        """The broker does not take what the service publishes on a topic."""
        return (
            f"the broker does not take what {self.broker.client_id} says on {topic} ({reason}); let {self.who} write "
            f"there, or take status_topic, state or topic out of {self.file}"
        )


def some(topics: Sequence[str]) -> str:
    """The first of them, and how many more."""
    return ", ".join(topics[:3]) + (f" and {len(topics) - 3} more" if len(topics) > 3 else "")
