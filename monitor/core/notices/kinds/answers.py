"""The keeper's answers cannot arrive: the page behind the links in notices is not there."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.kinds.service import failing
from monitor.core.notices.snapshot import Snapshot


def _look(snapshot: Snapshot) -> Iterable[Look]:
    if snapshot.service.answers is not None:
        yield failing(
            snapshot,
            "answers",
            "the way back",
            snapshot.service.answers,
            snapshot.room.watch.stuck_after_s,
            well="notices can be answered by their links",
            ill="the links in notices lead nowhere",
        )


KIND = Kind(
    name="answers-blocked",
    says="Links lead nowhere",
    urgency="today",
    raises="the page could not be served for a quarter of an hour (unless set)",
    clears="the page is served again",
    why="a notice that cannot be answered is repeated, and the next person is called for nothing",
    first="See whether another program has the port of [page].",
    otherwise="Notices are answered at the computer alone: warmtally answer.",
    look=_look,
    dated=True,
    of_service=True,
    cleared_says="Links work again",
)
