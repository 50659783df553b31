"""Gateway gone: what passes the messages of several probes on has died, and the broker says so in its last will.

One cause, one notice: while it is known to be gone its probes are not told of as quiet each by itself (see
``silence``), they stand in this notice. That it is here again is no proof that they are: their own time stays.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from monitor.core.climate.box_temperature import probes_for
from monitor.core.notices.conditions import Rule, holds
from monitor.core.notices.fitting import fit_list
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import GatewayNow, Snapshot
from monitor.core.terms.formats import show_since, show_span, show_time
from monitor.core.terms.settings import Urgency

# A gateway that restarts, or finds its network again, is back within this time, and no news. Judgement: the broker
# itself waits for one and a half keep-alives before it tells of a line that died in silence (MQTT 3.1.1, 3.1.2.10).
GONE_S: Final = 120.0
# Of names, in characters.
MOST_NAMED: Final = 120


def _look(snapshot: Snapshot) -> Iterable[Look]:
    gone = {g.gateway.id for g in snapshot.gateways if g.gone}
    urgency: Urgency = "now" if gone and _nobody_watches(snapshot, gone) else "today"
    if snapshot.raised("room-quiet", snapshot.room.name) is not None:
        # The whole room is told again until it is answered; its gateways are not, beside it.
        urgency = "later"
    for gateway in snapshot.gateways:
        # Without a line to the broker no will is heard.
        state = gateway.gone if snapshot.service.link.state == "up" else None
        yield Look(
            gateway.gateway.id,
            [sample for at_ms in _moments(gateway, snapshot) for sample in holds(at_ms, state)],
            f"gateway {gateway.gateway.id}",
            _line(gateway, snapshot),
            Rule(on_delay_s=_delay_s(gateway), off_delay_s=GONE_S),
            facts={"since_ms": gateway.said.since_ms if gateway.said is not None and gateway.said.gone else None},
            urgency=urgency if gateway.gone else None,
            more=tuple(_more(gateway, snapshot)) if gateway.gone else (),
            name=gateway.gateway.id,
            value=_since(gateway, snapshot) if gateway.gone else "",
            worse=len(gateway.probes),
        )


def _moments(gateway: GatewayNow, snapshot: Snapshot) -> list[int]:
    """It is gone since that was said, and not since it was looked at."""
    last_ms = snapshot.judged_ms("gateway-gone", gateway.gateway.id)
    moments = [snapshot.now_ms]
    if gateway.gone and gateway.said is not None and gateway.said.since_ms < snapshot.now_ms:
        since_ms = gateway.said.since_ms
        moments = [since_ms, *moments] if last_ms is None or last_ms < since_ms else moments
    return moments


def _delay_s(gateway: GatewayNow) -> float:
    """What was retained may be old, from a gateway that does not say when it is back: its next readings decide."""
    if gateway.said is None or not gateway.said.kept:
        return GONE_S
    return max(GONE_S, 1.5 * min((p.probe.interval_s for p in gateway.probes), default=0.0))


def _nobody_watches(snapshot: Snapshot, gone: set[str]) -> bool:
    """Whether every probe that tells of eggs hangs on what is gone."""
    room = snapshot.room
    watching = []
    for box in snapshot.boxes:
        if box.occupied_by:
            own, around = probes_for(room, box.box)
            watching += list(own) or [p for _, p in around]
    return bool(watching) and all(p.gateway in gone for p in watching)


def _line(gateway: GatewayNow, snapshot: Snapshot) -> str:
    name, said = gateway.gateway.id, gateway.said
    if said is None:
        return f"gateway {name} has said nothing yet"
    if not gateway.gone:
        return f"gateway {name} is here" if not said.gone else f"gateway {name} is here: its probes are heard"
    return f"gateway {name} is gone {_since(gateway, snapshot)}"


def _since(gateway: GatewayNow, snapshot: Snapshot) -> str:
    since_ms = snapshot.now_ms if gateway.said is None else gateway.said.since_ms
    return f"since {show_since(since_ms, snapshot.zone, snapshot.now_ms)}"


def _more(gateway: GatewayNow, snapshot: Snapshot) -> Iterable[str]:
    boxes = sorted({p.probe.box for p in gateway.probes if p.probe.box is not None})
    eggs = [b.box.id for b in snapshot.boxes if b.occupied_by and b.box.id in boxes]
    if eggs:
        yield f"Boxes with eggs behind it: {fit_list(eggs, MOST_NAMED)}."
    named = [p.probe.id for p in gateway.probes]
    yield f"Not heard meanwhile: {fit_list(named, MOST_NAMED)}." if named else "No probe names it."
    heard = [p.last_ms for p in gateway.probes if p.last_ms is not None]
    if heard:
        yield (
            f"Last reading {show_time(max(heard), snapshot.zone, snapshot.now_ms)}, "
            f"{show_span(max(snapshot.now_ms - max(heard), 0) / 1000)} ago."
        )
    if gateway.said is not None and gateway.said.kept:
        yield "Its last will was there already when it was looked for."
    else:
        yield "The broker tells so by its last will."


KIND = Kind(
    name="gateway-gone",
    says="Gateway gone",
    urgency="today",
    raises="the broker tells by its last will that a gateway is gone, for two minutes; now, if all probes that tell of "
    "eggs hang on what is gone, else today",
    clears="for two minutes it has said that it is here again, or a fresh reading of one of its probes has come",
    why="one cause for the silence of all of its probes, known long before they are missed",
    first="Look at the gateway's power and network; start it again.",
    otherwise="Its probes are not heard, their boxes only estimated.",
    look=_look,
    dated=True,
    groups=True,
    cleared_says="Gateway here again",
)
