"""Conditions of the service itself: what would keep it from watching or from telling."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.core.notices.conditions import Rule, Sample, Where, holds
from monitor.core.notices.fitting import in_full, said
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import UNREAD_LEAST, Health, Snapshot
from monitor.core.terms.formats import show_messages, show_since, show_span
from monitor.core.terms.times import HOUR_MS

CLOCK: Final = "clock"
"""The clock of this machine, as a subject."""

# So much of what others say stands in a title.
SHORT: Final = 26


def _broker(snapshot: Snapshot) -> Iterable[Look]:
    link = snapshot.service.link
    state = {"refused": True, "up": False}.get(link.state)
    why = link.detail or "no reason given"
    look = Look("broker", holds(snapshot.now_ms, state), "the broker", "the broker lets us in", name="")
    if state:
        look = replace(look, line=f"the broker says no: {said(why)}", more=in_full(why), value=said(why, SHORT))
    yield look


def _store(snapshot: Snapshot) -> Iterable[Look]:
    error = snapshot.service.store.error
    look = Look("store", holds(snapshot.now_ms, bool(error)), "the store", "readings are written", name="")
    if error:
        look = replace(look, line=f"the store says: {said(error)}", more=in_full(error), value=said(error, SHORT))
    yield look


def _disk(snapshot: Snapshot) -> Iterable[Look]:
    free, least = snapshot.service.store.disk_free_mb, snapshot.room.watch.disk_low_mb
    samples: list[Sample] = []
    if free is not None:
        where = Where.BEYOND if free <= least else Where.BACK if free > 1.1 * least else Where.BETWEEN
        samples = [Sample(snapshot.now_ms, where, free)]
    value, limit = f"{free or 0:.0f} MB", f"{least:.0f} MB"
    line = f"{value} are free where the store lies, limit {limit}"
    yield Look("disk", samples, "the disk", line, name="", value=value, limit=limit)


def _clock(snapshot: Snapshot) -> Iterable[Look]:
    clock, behind_s = snapshot.service.clock, snapshot.behind_s
    untrusted: bool | None = not clock.trusted or behind_s is not None
    found = any(p.clock is not None and snapshot.now_ms - p.clock.from_ms < HOUR_MS for p in snapshot.probes)
    if not untrusted and found and snapshot.raised("clock-untrusted", CLOCK):
        # The clocks of the others are still being found to be wrong by the same.
        untrusted = None
    samples = holds(snapshot.now_ms, untrusted)
    look = Look(CLOCK, samples, "the clock", "the clock of this machine is trusted", Rule(on_delay_s=300.0), name="")
    if not clock.trusted:
        why = clock.detail or "it is not set"
        line = f"the clock of this machine cannot be trusted: {said(why)}"
        look = replace(look, line=line, more=in_full(why), value=said(why, SHORT))
    elif behind_s is not None:
        here, there = ("ahead", "behind") if behind_s > 0 else ("behind", "ahead")
        told = f"{show_span(abs(behind_s))} {'old' if behind_s > 0 else 'ahead'}"
        look = replace(
            look,
            line=f"all readings that arrive carry times that are {told}",
            more=(f"The clock of this machine is {here}, or that of whatever gives them their times is {there}.",),
            value=f"{show_span(abs(behind_s))} off",
        )
    yield look


def failing(
    snapshot: Snapshot, subject: str, where: str, health: Health, after_s: float, *, well: str, ill: str, name: str = ""
) -> Look:
    """A part of the service that may have failed, told by ``well`` or by ``ill``, since when, and why. Until it has
    failed for long enough nothing is known: it may be a passing trouble."""
    since_ms = health.failing_since_ms
    if since_ms is None:
        return Look(subject, holds(snapshot.now_ms, False), where, well, name=name)
    lasts_s = (snapshot.now_ms - since_ms) / 1000
    return Look(
        subject,
        holds(snapshot.now_ms, True if lasts_s >= after_s else None),
        where,
        f"{ill} since {show_since(since_ms, snapshot.zone, snapshot.now_ms)} ({show_span(lasts_s)})",
        more=(f"The reason: {said(health.why or 'no answer')}", *in_full(health.why)),
        name=name,
        value=f"for {show_span(lasts_s)}",
        worse=lasts_s,
    )


def _stuck(snapshot: Snapshot) -> Iterable[Look]:
    for channel, health in snapshot.service.channels.items():
        yield failing(
            snapshot,
            channel,
            f"channel {channel}",
            health,
            snapshot.room.watch.stuck_after_s,
            well=f"channel {channel} takes notices",
            ill=f"channel {channel} has taken nothing",
            name=channel,
        )


def _shipping(snapshot: Snapshot) -> Iterable[Look]:
    if snapshot.service.shipping is not None:
        yield failing(
            snapshot,
            "shipping",
            "shipping",
            snapshot.service.shipping,
            snapshot.room.watch.shipping_behind_s,
            well="the outside database has caught up",
            ill="the outside database has taken nothing",
        )


def _heartbeat(snapshot: Snapshot) -> Iterable[Look]:
    if snapshot.service.heartbeat is not None:
        yield failing(
            snapshot,
            "heartbeat",
            "the outside heartbeat",
            snapshot.service.heartbeat,
            snapshot.room.watch.stuck_after_s,
            well="the outside heartbeat is answered",
            ill="the outside heartbeat has not been answered",
        )


def _unread(snapshot: Snapshot) -> Iterable[Look]:
    for probe in snapshot.probes:
        # Readings that do come show that the form is right: then single bad messages are only kept.
        fresh = probe.usable_ms is not None and snapshot.now_ms - probe.usable_ms < probe.probe.quiet_after_s * 1000
        state: bool | None = False if fresh else (True if probe.unread >= UNREAD_LEAST else None)
        name = probe.probe.id
        look = Look(name, holds(snapshot.now_ms, state), f"probe {name}", f"probe {name}: a reading came")
        if not fresh:
            look = replace(
                look,
                line=f"probe {name}: {show_messages(probe.unread)} of the last 15 min could not be read",
                more=(f"The newest: {said(probe.unread_reason)}", *in_full(probe.unread_reason)),
                value=show_messages(probe.unread),
                worse=probe.unread,
            )
        yield look


KINDS = (
    Kind(
        name="broker-refused",
        says="The broker refuses",
        urgency="now",
        raises="the broker refuses the login or the subscription",
        clears="the broker accepts again",
        why="without the broker no reading arrives",
        first="Check the login in the configuration and at the broker.",
        otherwise="Nobody watches the eggs.",
        look=_broker,
        of_service=True,
        cleared_says="The broker accepts again",
    ),
    Kind(
        name="store-failing",
        says="Readings not written",
        urgency="now",
        raises="readings could not be written (disk full, file damaged)",
        clears="readings are written again",
        why="nothing is acknowledged that is not on the disk; readings wait at the broker meanwhile",
        first="Free some space on the disk, or mend the store.",
        otherwise="The broker's own queue fills and readings are lost there.",
        look=_store,
        of_service=True,
        cleared_says="Readings are written again",
    ),
    Kind(
        name="disk-low",
        says="Disk nearly full",
        urgency="today",
        raises="less free space than the limit (200 MB unless set)",
        clears="a tenth more than the limit is free",
        why="a full disk stops the record",
        first="Free some space where the store lies.",
        otherwise="Readings can no longer be written when the disk is full.",
        look=_disk,
        of_service=True,
        tell_cleared=False,
        keys=("watch.disk_low_mb",),
    ),
    Kind(
        name="clock-untrusted",
        says="Clock not trusted",
        urgency="today",
        raises="the machine's clock is not set, or all that arrives is old by it, for five minutes",
        clears="the clock is set again",
        why="development is a sum over time: a wrong clock moves every date",
        first="Look at the machine's time and its time service.",
        otherwise="Readings without a time of their own get a wrong one.",
        look=_clock,
        tell_cleared=False,
    ),
    Kind(
        name="notices-stuck",
        dated=True,
        says="Notices do not arrive",
        urgency="now",
        raises="a channel has taken no notice for a quarter of an hour though one waits",
        clears="the channel takes notices again",
        why="a notice that does not arrive is no notice",
        first="Try: warmtally drill. Look at the network and the address.",
        otherwise="You are told through the other channels alone.",
        look=_stuck,
        of_service=True,
        cleared_says="Notices arrive again",
    ),
    Kind(
        name="shipping-behind",
        dated=True,
        says="Outside database behind",
        urgency="later",
        raises="the outside database has taken nothing for half an hour though readings wait",
        clears="it has caught up",
        why="the local store stays the one that is read; only outside charts are late",
        first="Look at the database's address, login and disk.",
        otherwise="Nothing is lost: the rest is sent when it answers.",
        look=_shipping,
        of_service=True,
        tell_cleared=True,
        cleared_says="Outside database caught up",
    ),
    Kind(
        name="heartbeat-unanswered",
        dated=True,
        says="Heartbeat unanswered",
        urgency="today",
        raises="the outside heartbeat's address has not answered for a quarter of an hour",
        clears="it answers again",
        why="that address is who would notice if this service were gone",
        first="Look at the network, then at the address's own page.",
        otherwise="If this service stops, nobody outside notices.",
        look=_heartbeat,
        of_service=True,
        cleared_says="Heartbeat answered again",
    ),
    Kind(
        name="probe-unread",
        says="Probe unreadable",
        urgency="today",
        raises="three or more messages of a probe within a quarter hour could not be decoded and no good one came",
        clears="a reading of the probe arrives",
        why="a changed form of message looks like a dead probe, but is mended in the configuration",
        first="See what arrives: warmtally listen. Then correct the probe's keys.",
        otherwise="The box's temperature is only estimated.",
        look=_unread,
        cleared_says="Probe readable again",
    ),
)
