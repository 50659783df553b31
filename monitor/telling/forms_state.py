"""Forms of what stands at the broker: the state of the room and of each box, as ``state_schema.json`` describes it."""

from __future__ import annotations

from typing import Literal, TypedDict

from monitor.core.terms.settings import DisplayUnit
from monitor.telling.forms import HandJson, Moment


class NeedState(HandJson):
    """What needs a hand, of one kind: the first of the subjects, and how many there are. ``told``: the number of the
    newest notice that told of it, answered or not, and by whom and when it was answered."""

    subjects_in_all: int
    told: int | None
    answered_by: str | None
    answered_at: Moment | None


class EggsState(TypedDict):
    """The eggs of one clutch in a box; moments to the hour."""

    lot: str
    species: str
    eggs: int
    waiting: int
    pipped: int
    development_pct: float | None
    first_pip: dict[str, Moment] | None
    wait_until: Moment | None
    shown: str


class BoxState(TypedDict):
    """A box."""

    v: Literal[1]
    as_of: Moment
    box: str
    stack: str
    height_cm: float
    temperature_c: float | None
    temperature_at: Moment | None
    uncertainty_c: float | None
    estimated: bool
    last_c: float | None
    last_at: Moment | None
    humidity_pct: float | None
    too_cool_c: float | None
    too_warm_c: float | None
    shown: str
    conditions: list[str]
    eggs: list[EggsState]


class RoomState(TypedDict):
    """The room: what needs a hand, most urgent first. ``answers``: what answers a notice at the room's answer topic."""

    v: Literal[1]
    as_of: Moment
    version: str
    room: str
    unit: DisplayUnit
    newest_reading_at: Moment | None
    newest_reading_age_s: float | None
    needs: list[NeedState]
    needs_in_all: int
    boxes: list[str]
    boxes_in_all: int
    zone: str
    page: str | None
    answers: Literal["code", "number"] | None


class CodesState(TypedDict):
    """The codes of what nobody has answered yet, by the number of the notice."""

    v: Literal[1]
    as_of: Moment
    codes: dict[str, str]
