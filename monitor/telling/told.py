"""What the keeper was told, and how it reached them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING

from monitor.core.notices.conditions import Condition
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import show_time
from monitor.telling.as_json import utc

if TYPE_CHECKING:
    from monitor.adapters.store import Outgoing
    from monitor.telling.forms import ChannelJson, ConditionJson, NoticeJson


def sent_by_notice(outgoing: Iterable[Outgoing]) -> dict[int, list[ChannelJson]]:
    """How each notice fares on each channel, by its number."""
    sent: dict[int, list[ChannelJson]] = {}
    for o in outgoing:
        sent.setdefault(o.notice, []).append(
            {
                "channel": o.channel,
                "state": o.state,
                "attempts": o.attempts,
                "delivered": utc(o.delivered_ms),
                "error": o.error or None,
            }
        )
    return sent


def notice_json(n: Notice, sent: Sequence[ChannelJson]) -> NoticeJson:
    """A notice, and how it fares on each channel."""
    return {
        "id": n.id,
        "key": n.key,
        "at": utc(n.at_ms),
        "kind": n.kind,
        "subjects": list(n.subjects),
        "change": n.change,
        "urgency": n.urgency,
        "title": n.title,
        "text": n.text,
        "story": n.whole,
        "answered": utc(n.answered_ms),
        "answered_by": n.answer or None,
        "answered_way": n.answer_way or None,
        "answered_channel": n.answer_channel or None,
        "channels": list(sent),
    }


def condition_json(c: Condition) -> ConditionJson:
    """Of one that is raised."""
    return {
        "kind": c.kind,
        "subject": c.subject,
        "state": "raised",
        "since": utc(c.since_ms),
        "back_since": utc(c.back_ms),
        "acknowledged": utc(c.acknowledged_ms),
        "facts": dict(c.facts),
    }


def answered_words(n: Notice, zone: tzinfo) -> str:
    """By whom and when a notice was answered; empty where it was not."""
    return "" if n.answered_ms is None else f"answered {show_time(n.answered_ms, zone)} by {n.answer}"


def waiting_words(sent: Sequence[ChannelJson]) -> str:
    """Where a notice is not delivered yet; empty where there is nothing to say."""
    waiting = [s["channel"] for s in sent if s["state"] in ("waiting", "leased")]
    return f"not delivered yet: {', '.join(waiting)}" if waiting else ""
