"""A check failed: a kind of condition could not be looked at, for a mistake in the program or in what it reads."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.notices.conditions import KindName, Rule, Sample, Where
from monitor.core.notices.fitting import in_full, said
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot

CHECKS: Final[KindName] = "check-failed"
# Once may be an accident of one moment; what goes on for so long will not mend itself.
DELAY_S: Final = 300.0
# So much of why: it is a mistake of the program or of its store, and says where.
LONG: Final = 100
WHOLE: Final = "boxes, probes and eggs"
"""Nothing of the room can be looked at."""


def _look(snapshot: Snapshot) -> Iterable[Look]:
    failed = snapshot.service.checks_failed
    known = {subject for kind, subject in snapshot.conditions if kind == CHECKS}
    for name in sorted(known | failed.keys()):
        why = failed.get(name)
        sample = Sample(snapshot.now_ms, Where.BACK if why is None else Where.BEYOND)
        line = f"check {name} works" if why is None else f"check {name} cannot be made: {said(why, LONG)}"
        yield Look(
            name,
            (sample,),
            f"check {name}",
            line,
            Rule(on_delay_s=DELAY_S),
            urgency="now" if name == WHOLE else None,
            more=() if why is None else in_full(why, LONG),
            name=name,
        )


KIND = Kind(
    name=CHECKS,
    says="A check failed",
    urgency="today",
    raises="a kind of condition could not be looked at for five minutes",
    clears="it can be looked at again",
    why="what is not looked at cannot be told; the other kinds are looked at as always",
    first="Watch by hand what it names; a newer version may mend it.",
    otherwise="Conditions of this kind are neither told nor ended.",
    look=_look,
    groups=True,
    of_service=True,
    cleared_says="A check works again",
)
