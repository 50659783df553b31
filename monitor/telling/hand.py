"""What needs a hand now, most urgent first: what stands above whatever is shown of the room."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Final, Literal

from monitor.core.notices.conditions import Condition
from monitor.core.notices.notice import Notice
from monitor.core.terms.formats import name_eggs, show_lately
from monitor.core.terms.settings import URGENCIES, Urgency
from monitor.telling.as_json import utc
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.telling.forms import HandJson

MOST_NAMED: Final = 6
"""So many are named of what is true of many; the others are counted."""
LOOKED_BACK: Final = 200
"""Among so many of the newest notices those are looked for that told of what is true."""


@dataclass(frozen=True)
class Needed:
    """All that is true of one kind, the earliest first. ``notice``: the newest that told of what nobody has answered
    yet; None where there is none. ``told``: the newest that told of any of it."""

    kind: str
    subjects: tuple[str, ...]
    urgency: Urgency
    since_ms: int | None
    state: Literal["open", "back", "answered"]
    notice: Notice | None
    told: Notice | None

    @property
    def first(self) -> str:
        """What to do first, as it was told; empty where nothing was told yet."""
        return self.told.text.partition("\n")[0] if self.told is not None else ""

    def what(self, zone: tzinfo, now_ms: int) -> str:
        """What is true of whom, and since when."""
        named = [name_eggs(subject) for subject in self.subjects[:MOST_NAMED]]
        more = f" and {len(self.subjects) - len(named)} more" if len(self.subjects) > len(named) else ""
        since = "" if self.since_ms is None else f", since {show_lately(self.since_ms, zone, now_ms)}"
        return f"{self.kind.replace('-', ' ')}: {', '.join(named)}{more}{since}"


def needed(conditions: Iterable[Condition], notices: Sequence[Notice]) -> list[Needed]:
    """What is true, by kind: what is unanswered before what somebody sees to, and the most urgent first. ``notices``:
    the newest first."""
    by_kind: dict[str, list[Condition]] = {}
    for c in sorted((c for c in conditions if c.up), key=lambda c: c.since_ms or 0):
        by_kind.setdefault(c.kind, []).append(c)
    found = [_needed(kind, true, notices) for kind, true in by_kind.items()]
    found.sort(key=lambda x: (x.state == "answered", URGENCIES.index(x.urgency)))
    return found


def _needed(kind: str, true: Sequence[Condition], notices: Sequence[Notice]) -> Needed:
    open_ones = [c.subject for c in true if not c.answered]
    told = _newest_of(kind, [c.subject for c in true], notices)
    back = all(c.back_ms is not None for c in true)
    return Needed(
        kind,
        tuple(c.subject for c in true),
        told.urgency if told is not None else "later",
        min((c.since_ms for c in true if c.since_ms is not None), default=None),
        "answered" if not open_ones else "back" if back else "open",
        _newest_of(kind, open_ones, notices),
        told,
    )


def _newest_of(kind: str, subjects: Iterable[str], notices: Sequence[Notice]) -> Notice | None:
    """The newest notice that told of it."""
    wanted = set(subjects)
    told = (n for n in notices if n.kind == kind and n.change in ("raised", "still") and wanted & set(n.subjects))
    return next(told, None)


def hand_json(x: Needed) -> HandJson:
    """What needs a hand, and with which number it is answered."""
    return {
        "urgency": x.urgency,
        "kind": x.kind,
        "subjects": list(x.subjects),
        "since": utc(x.since_ms),
        "state": x.state,
        "notice": x.notice.id if x.notice is not None else None,
        "title": x.told.title if x.told is not None else None,
        "first": x.first or None,
    }
