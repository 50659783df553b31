"""Forms of JSON: the keys of all that is told so, with their types, of notices here and of the rest in ``forms_*``.

Types alone: no command loads them. What makes the JSON is held to them by the type checker, and the API's description
is made from them.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from monitor.core.terms.settings import Urgency

Moment = Annotated[str, "date-time"]
"""A moment, ISO 8601 in UTC."""
Day = Annotated[str, "date"]
"""A day of the room's calendar, ISO 8601."""

# No class can have a key of that name.
FromJson = TypedDict("FromJson", {"from": Moment})


class SpanJson(FromJson):
    """From when to when."""

    to: Moment


class ChannelJson(TypedDict):
    """How a notice fares on one channel."""

    channel: str
    state: str
    attempts: int
    delivered: Moment | None
    error: str | None


class NoticeJson(TypedDict):
    """One message to the keeper. ``story``: the whole of what ``text`` has no room for."""

    id: int
    key: str
    at: Moment
    kind: str
    subjects: list[str]
    change: str
    urgency: Urgency
    title: str
    text: str
    story: str
    answered: Moment | None
    answered_by: str | None
    answered_way: str | None
    answered_channel: str | None
    channels: list[ChannelJson]


class ConditionJson(TypedDict):
    """Something that is true now. ``back_since``: it has been back since then, and is over when it stays so."""

    kind: str
    subject: str
    state: Literal["raised"]
    since: Moment | None
    back_since: Moment | None
    acknowledged: Moment | None
    facts: dict[str, str | float | int | None]


class NoticesJson(TypedDict):
    """What was told, newest first, and what is still true."""

    notices: list[NoticeJson]
    conditions: list[ConditionJson]


class HandJson(TypedDict):
    """What needs a hand: all that is true of one kind. ``notice``: the number by which to answer it; ``first``: what to
    do first, as that notice says it."""

    urgency: Urgency
    kind: str
    subjects: list[str]
    since: Moment | None
    state: Literal["open", "back", "answered"]
    notice: int | None
    title: str | None
    first: str | None


class TaskJson(TypedDict):
    """Something to be done by a day."""

    id: str
    what: str
    state: str
    begins: Day
    due: Day
    done_at: Moment | None
    more: str | None


class KindJson(TypedDict):
    """A kind of condition: what raises and clears it, why it is told, what to do first and what happens otherwise."""

    kind: str
    says: str
    urgency: Urgency
    raises: str
    clears: str
    why: str
    first: str
    otherwise: str
    groups: bool
    repeats: bool


class AgeJson(TypedDict):
    """When something was heard last, how long ago that is, and how often it is due."""

    probe: str
    box: str | None
    last_at: Moment | None
    age_s: float | None
    due_every_s: float


class StateJson(TypedDict):
    """What needs a hand now, and whether anybody watches. ``round_at``: when the service looked at the room last;
    ``watched``: whether it does so still."""

    room: str
    at: Moment
    watched: bool
    round_at: Moment | None
    round_age_s: float | None
    needs: list[HandJson]
    probes: list[AgeJson]
