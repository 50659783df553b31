"""What a program may tell the API: the bodies of what is sent."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from monitor.core.notices.conditions import LONGEST_SHELF_MS
from monitor.core.terms.entries import MOST_EGGS, MOST_GRAMS, MOST_TEXT
from monitor.page.described import Long, Within
from monitor.telling.forms_eggs import ToldEntryJson

Count = Annotated[int, Within(0, MOST_EGGS)]
Name = Annotated[str, Long(1, 130)]
Text = Annotated[str, Long(1, MOST_TEXT)]
When = Annotated[str, Long(1, 40)]
Kind = Literal[
    "laid", "set", "moved", "split", "looked", "candled", "removed", "pipped", "hatched", "dead", "weighed", "watered",
    "shed", "fed", "note", "finished",
]  # fmt: skip
How = Literal["slug", "mould", "dried-out", "in-egg", "in-shell", "other"]


class WhatWasToldJson(TypedDict):
    """What may be told of eggs, and put right later. Times are told as on the command line, in the room's zone or with
    an offset: "07:30", "yesterday", "2026-05-01 19:30", "2026-05-01T19:30:00+02:00"."""

    box: NotRequired[Name]
    to: NotRequired[Name]
    eggs: NotRequired[Count]
    at: NotRequired[When]
    not_yet_at: NotRequired[When]
    fertile: NotRequired[Count]
    alive: NotRequired[Count]
    doubtful: NotRequired[Count]
    clear: NotRequired[Count]
    how: NotRequired[How]
    grams: NotRequired[Annotated[float, Within(0, MOST_GRAMS)]]
    note: NotRequired[Text]
    species: NotRequired[Name]
    slugs: NotRequired[Count]
    gone: NotRequired[Count]
    dam: NotRequired[Text]
    sire: NotRequired[Text]
    line: NotRequired[Text]
    developed: NotRequired[Annotated[str, Long(1, 20)]]
    by: NotRequired[Name]


class NewEntryJson(WhatWasToldJson):
    """An entry, with the words of ``warmtally record`` and ``clutch add``. ``all``: a look into every box in which eggs
    are waited for. ``key``: made by whoever tells it, as the header Idempotency-Key: told again with the same key it is
    entered once."""

    kind: Kind
    clutch: NotRequired[Name]
    not_set: NotRequired[bool]
    all: NotRequired[bool]
    key: NotRequired[Annotated[str, Long(1, 64)]]


class CorrectionToldJson(WhatWasToldJson):
    """What was wrong in an entry, as it should be; ``withdraw``: it did not happen at all."""

    withdraw: NotRequired[bool]
    key: NotRequired[Annotated[str, Long(1, 64)]]


class EnteredJson(TypedDict):
    """The entries that were made, or that were made before with the same key."""

    entries: list[ToldEntryJson]


class AnswerToldJson(TypedDict):
    """That somebody knows and sees to it. ``by``: who, as far as the room does not know it by their token."""

    by: NotRequired[Name]


class ShelfToldJson(TypedDict):
    """Say nothing of a condition for a while, a week at most; ``for_s`` 0: tell it again from now on."""

    kind: Name
    subject: Name
    for_s: Annotated[int, Within(0, LONGEST_SHELF_MS // 1000)]
    by: NotRequired[Name]


class ShelvedJson(TypedDict):
    """Until when nothing is said of a condition; null: it is told."""

    kind: str
    subject: str
    until: Annotated[str, "date-time"] | None
