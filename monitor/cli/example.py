"""Examples of notices, made as real ones are: from invented rooms in which each kind of condition is true."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

from monitor.core.notices.by_calendar import daily, drill
from monitor.core.notices.conditions import Condition, Phase, Rule, Sample, Where
from monitor.core.notices.evaluation import evaluate
from monitor.core.notices.kinds import Kind, Look, all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import digest
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import Room
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from monitor.simulation.scenes import NOW, Names, Scene, raised_by

# Of so many subjects an example tells.
_MOST: Final = 2


def _scene(of: Room) -> Scene:
    """Two boxes with the keeper's name, zone, unit and texts."""
    return Scene(Names(room=of.name), of.display_unit, zone=of.zone, texts=of.texts)


@lru_cache(maxsize=4)
def _rooms(name: str, unit: str, zone: str) -> tuple[Snapshot, ...]:
    """Every such room, whatever its texts."""
    return tuple(Scene(Names(room=name), unit, zone=zone).all())  # type: ignore[arg-type]


def _wrong(kind: Kind, of: Room) -> tuple[Snapshot, list[Look]]:
    """The first of the rooms in which the kind is true, and of what."""
    scene = _scene(of)
    for bare in _rooms(of.name, of.display_unit, of.zone):
        snapshot = replace(bare, room=scene.room)
        for _, looks in raised_by(kind, [snapshot]):
            return snapshot, sorted(looks, key=lambda x: -x.worse)[:_MOST]
    raise AssertionError(f"{kind.name} is true in no scene")


def _notices(
    kind: Kind, snapshot: Snapshot, looks: list[Look], before: Iterable[Condition], samples: Sequence[Sample]
) -> list[Notice]:
    """What a kind tells when its looks come to these samples."""
    seen = [replace(x, samples=samples, rule=Rule()) for x in looks]
    snapshot = replace(snapshot, conditions={c.key: c for c in before})
    return list(evaluate(snapshot, [replace(kind, look=lambda _: seen)]).notices)


def _up(kind: Kind, look: Look, since_ms: int, told: int) -> Condition:
    """What was told of it until now."""
    name, facts = kind.name, look.facts
    return Condition(
        name, look.subject, Phase.RAISED, since_ms, since_ms, None, since_ms, told_ms=since_ms, told=told, facts=facts
    )


def examples(kind: Kind, of: Room) -> list[Notice]:
    """The notices of a kind as the keeper would get them: raised, still, cleared, as far as the kind has them."""
    since, beyond = NOW - 30 * MINUTE_MS, Sample(NOW, Where.BEYOND)
    snapshot, looks = _wrong(kind, of)
    made = _notices(kind, snapshot, looks, (), [replace(beyond, at_ms=since), beyond])
    if kind.urgency != "later":
        made += _notices(kind, snapshot, looks, [_up(kind, x, NOW - 13 * HOUR_MS, 2) for x in looks], [beyond])
    if kind.tell_cleared:
        up = [_up(kind, x, since, 1) for x in looks]
        calm = _scene(of).calm({c.key: c for c in up})
        now = {x.subject: x for x in kind.look(calm) if x.line}
        # Of what is looked at no more when it is well the last word stands.
        well = [now.get(x.subject, x) for x in looks]
        made += _notices(kind, calm, well, up, [Sample(NOW, Where.BACK)])
    return made


def examples_beside(of: Room) -> list[Notice]:
    """What is told beside the conditions: the daily line, the weekly drill, and several that could not be delivered."""
    kinds = {kind.name: kind for kind in all_kinds()}
    snapshot, looks = _wrong(kinds["window-open"], of)
    up = [_up(kinds["window-open"], x, NOW - 13 * HOUR_MS, 1) for x in looks]
    late = [n for name in ("too-warm", "window-near") for n in examples(kinds[name], of)[:1]]
    return [
        daily(replace(snapshot, conditions={c.key: c for c in up})),
        drill(snapshot),
        digest(late, "phone", NOW, snapshot.zone, of.texts),
    ]
