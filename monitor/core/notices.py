"""What the keeper is told: a notice, made from changes of conditions.

A notice says what, where, since when, the value with its uncertainty and the limit, what to do first and what
happens if nothing is done. Its key is stable, so that a message that had to be sent twice can be recognised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.core.settings import Urgency

NoticeChange = Literal["raised", "cleared", "drill", "daily"]


@dataclass(frozen=True, slots=True)
class Notice:
    """One message to the keeper about a change of one or several conditions of one kind.

    ``key`` is unique for ever; ``subjects`` are the boxes, lots, probes or parts of the service it is about.
    """

    key: str
    at_ms: int
    kind: str
    subjects: tuple[str, ...]
    change: NoticeChange
    urgency: Urgency
    title: str
    text: str
    id: int = 0
    answered_ms: int | None = None
    answer: str = ""
