"""The kinds of conditions. One file a kind: what raises it, what clears it, and what the keeper is told.

A kind is added by adding a file here that defines ``KIND`` (or ``KINDS``) and a test beside the others; nothing
else has to be touched. Its :attr:`Kind.look` is called at every tick with the whole snapshot and yields a
:class:`Look` for every subject that exists - also for those where all is well, since a subject that is no
longer looked at is taken as gone and its condition cleared.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field
from functools import cache

from monitor.core.notices.conditions import KindName, Rule, Sample
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import Urgency
from monitor.values import dataclass

Facts = Mapping[str, str | float | int | None]
NO_DELAY = Rule()


@dataclass(frozen=True, slots=True)
class Look:
    """One subject at this moment: the samples since it was last judged, and the facts that a notice shows. From
    ``again_from_ms`` on they are judged once more, since some of them came late; only where nothing is raised.

    ``line`` says in one short sentence, without its full stop, what, where and how much, with its uncertainty and
    limit. Before it goes ``doubt``, a sentence or two, why it may not be so, or ``cause``, what the likely cause is;
    ``more`` has further short sentences, what matters most first. ``where`` is the subject in the keeper's words,
    ``name`` what a title calls it (None: ``where``; empty: the heading says it already). ``value`` and ``limit`` are
    what a title and a list say of it, ``now`` what they say when it is over, if that is another value; the worst of
    several has the highest ``worse``.

    ``samples`` empty: nothing new is known, the state stays. ``urgency``: how long the time left to harm is, where that
    is known better than from the kind alone. ``first``: what to do first, where the likely cause is known and asks for
    something else than the kind does; ``after``: what is left to do when it is over, if not what the kind says.
    """

    subject: str
    samples: Sequence[Sample]
    where: str
    line: str = ""
    rule: Rule = NO_DELAY
    facts: Facts = field(default_factory=dict)
    urgency: Urgency | None = None
    again_from_ms: int | None = None
    first: str = ""
    doubt: str = ""
    cause: str = ""
    more: tuple[str, ...] = ()
    name: str | None = None
    value: str = ""
    now: str = ""
    limit: str = ""
    worse: float = 0.0
    after: str = ""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of condition.

    ``says`` is the short heading of a notice; ``raises``, ``clears`` and ``why`` explain the kind; ``first`` is
    the first thing to do, one short action, ``otherwise`` what happens if nothing is done, and ``after`` what is left
    to do when it is over. ``urgency``: what is told as now or today is told again while nobody answers, whatever its
    kind; so a kind that leaves nothing to do today is for later. ``dated``: its lines say by themselves since when.
    ``groups``: when one subject is raised, others whose delay is running are raised with it, because they have one
    cause. ``shows``: facts of its looks, temperatures in C, that a keeper's own text may show by itself. ``keys``: the
    keys of the configuration that set its numbers, as "part.key". ``of_service``: it looks at the service alone, and so
    can be judged when nothing of the room can be looked at. ``reminded_by``: kinds that are told again in its place, as
    long as they are true of the same subject and unanswered. ``at_once``: harm is near, so it is judged, written down
    and told before all else of a round; it knows no more than that of a snapshot which is of boxes and probes alone.
    """

    name: str
    says: str
    urgency: Urgency
    raises: str
    clears: str
    why: str
    first: str
    otherwise: str
    look: Callable[[Snapshot], Iterable[Look]]
    groups: bool = False
    tell_cleared: bool = True
    cleared_says: str = ""
    after: str = "Nothing to do."
    dated: bool = False
    shows: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()
    of_service: bool = False
    reminded_by: tuple[KindName, ...] = ()
    at_once: bool = False


@cache
def all_kinds() -> tuple[Kind, ...]:
    """Every kind in this folder, in order of name."""
    found: list[Kind] = []
    for module in pkgutil.iter_modules(__path__):
        loaded = importlib.import_module(f"{__name__}.{module.name}")
        found.extend(getattr(loaded, "KINDS", None) or [loaded.KIND])
    names = [kind.name for kind in found]
    if len(set(names)) != len(names):
        raise ValueError(f"two kinds of conditions share a name: {sorted(names)}")
    return tuple(sorted(found, key=lambda kind: kind.name))
