"""Gateways: what a last will says, and what is known of each gateway from it.

A will tells that a line died, not that a probe lives (MQTT 3.1.1, 3.1.2.5): it explains silence and never takes its
place. So nothing here touches a probe's own time-out.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Final

from monitor.core.readings.decode import LARGEST_PAYLOAD, resolve
from monitor.core.terms.settings import Gateway
from monitor.values import dataclass

FACT: Final = "gateway {}"
"""Name under which the store keeps what a gateway said last."""


@dataclass(frozen=True, slots=True)
class Said:
    """What a gateway, or the broker in its name, said last: gone or here, and since when.

    ``kept``: it was said before it could be heard (a retained message), so ``since_ms`` is when it was found so.
    """

    gone: bool
    since_ms: int
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Spoken:
    """One message on a gateway's topic, made out: the gateway's id, and what it says or why that is not known."""

    gateway: str
    said: Said | None
    reason: str = ""


def listen(
    gateways: Sequence[Gateway], topic: str, payload: bytes, received_ms: int, *, retained: bool = False
) -> list[Spoken]:
    """What a message says of each gateway that has its topic; empty when none has."""
    spoken = []
    for gateway in gateways:
        if gateway.topic != topic:
            continue
        word = _word(gateway, payload)
        if word in (gateway.gone, gateway.here):
            spoken.append(Spoken(gateway.id, Said(word == gateway.gone, received_ms, retained)))
        else:
            reason = (
                f"gateway {gateway.id} says neither {gateway.gone!r} nor {gateway.here!r}"
                if word is not None
                else f"nothing stands at {gateway.pointer!r} that gateway {gateway.id} could say"
            )
            spoken.append(Spoken(gateway.id, None, reason))
    return spoken


def _word(gateway: Gateway, payload: bytes) -> str | None:
    try:
        text = payload[:LARGEST_PAYLOAD].decode("utf-8-sig").strip(" \t\r\n\0")
    except UnicodeDecodeError:
        return ""
    if gateway.pointer is None:
        return text
    try:
        found = resolve(json.loads(text), gateway.pointer)
        return found if isinstance(found, str) else json.dumps(found)
    except (ValueError, LookupError, RecursionError):
        # Writing it out goes deeper than reading it does.
        return None


def follow(before: Said | None, new: Said, *, again: bool = False) -> Said:
    """What is known after a message. What is only repeated (retained, or sent ``again``) keeps its time.

    A living "gone" that follows another one is a new death: what was read in between spoke against the first.
    """
    if before is not None and before.gone == new.gone and (new.kept or again):
        return before
    return new


def written(said: Said) -> str:
    """As the store keeps it."""
    return json.dumps({"gone": said.gone, "since_ms": said.since_ms, "kept": said.kept})


def read(text: str | None) -> Said | None:
    """What the store kept; None for what it did not, or what cannot be read."""
    if text is None:
        return None
    try:
        fields = json.loads(text)
        return Said(bool(fields["gone"]), int(fields["since_ms"]), bool(fields["kept"]))
    except (ValueError, KeyError, TypeError):
        return None
