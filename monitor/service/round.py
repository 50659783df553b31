"""The round: what is known is gathered, judged and written down, and then the signs of life are given.

One round is: look at the clock, gather a snapshot, evaluate it, commit what changed together with its notices (T2),
carry out what the calendar ordered, wake the senders. The boxes and their limits, a tenth of a round, are looked at
first: where that is to be told it has a transaction of its own, and is on its way while the rest is gathered. The
watchdog and the outside heartbeat are fed only after a whole round, one in which the boxes could be looked at.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import time
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.adapters.crashpoints import crash_point
from monitor.adapters.delivery.senders import recipients
from monitor.config.zones import zone_of
from monitor.core.notices.by_calendar import daily, drill, nothing_to_tell
from monitor.core.notices.conditions import Condition
from monitor.core.notices.evaluation import Outcome, at_once, evaluate
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.kinds.checks import WHOLE
from monitor.core.notices.notice import Notice, Route
from monitor.core.notices.routing import LOG, audiences, routes
from monitor.core.notices.snapshot import ClockNow, Health, LinkNow, Service, Snapshot, StoreNow
from monitor.core.readings.probe_clocks import CLOCK_SWAYS_S
from monitor.errors import MonitorError, StoreError, StoreFull
from monitor.service.failing import FailingSince
from monitor.service.parts import ServiceParts
from monitor.service.upkeep import Upkeep, why
from monitor.service.watchers import free_mb

log = logging.getLogger("warmtally")

SLOW_ROUND_S: Final = 5.0
"""A round that takes longer than this is worth a line in the log."""
LET_GO_S: Final = 0.1
"""So long a round that has told of harm leaves the processor to the channels: threads that work at the same time take
turns of 5 ms, and a send has many."""


class Round:
    """The rounds of one room's service, and what one of them leaves to the next. Belongs to one thread."""

    def __init__(self, parts: ServiceParts) -> None:
        self._parts = parts
        self._started_ms = parts.now_ms()
        self._upkeep = Upkeep(parts.store, parts.derived, parts.settings)
        self._failed: dict[str, str] = {}
        self._failing = FailingSince()
        self._blind = False
        self._unseen = ""
        self._first = at_once()
        self._audiences = audiences(parts.settings.channels, parts.settings.room.stacks)
        self._error = ""
        self._step_s = 0.0
        if parts.clock.last.trusted:
            self._upkeep.hourly(self._started_ms)

    def once(self) -> Outcome:
        """One round at this moment. Raises StoreError when its outcome could not be committed.

        The service manager hears of a round that could not be written down, for its readings are safe at the broker and
        it is tried again; of one that could not look at the boxes it does not hear, and starts the service anew after a
        while: what was wrong may have been in memory.
        """
        began = time.monotonic()
        try:
            outcome = self._round()
        except StoreError as error:
            self._error = error.what
            if not self._blind:
                self._parts.notifier.round_done()
            raise
        self._error = ""
        took = time.monotonic() - began
        if took > SLOW_ROUND_S:
            log.warning("a round took %.1f s", took)
        return outcome

    def _round(self) -> Outcome:
        parts = self._parts
        self._look_at_clock()
        now = parts.now_ms()
        if parts.clock.stepped():
            self._look_at_clock()
            now = parts.now_ms()
        clock, away = parts.clock.last, parts.absence.look(now, self._started_ms, trusted=parts.clock.last.trusted)
        first = self._at_once(now, Service(self._started_ms, clock=ClockNow(clock.trusted, clock.why), away=away))
        # What is committed at once is not again with the rest.
        split = first is not None and bool(first.notices)
        made = self._told_at_once(first) if first is not None and split else []
        service = self._service(now, away)
        snapshot = self._gathered(now, first, service)
        if not self._blind:
            parts.last.see(snapshot)
        kinds = [k for k in all_kinds() if (k.of_service if self._blind else k not in self._first)]
        outcome = evaluate(snapshot, kinds, failed_before=first.failed if first is not None else {})
        if first is not None and not split:
            outcome = _joined(first, outcome)
        self._log_failed(outcome)
        told = self._commit(outcome)
        if first is not None and split:
            outcome = _joined(first, outcome)
        if not self._blind:
            told += self._carry_out(snapshot)
            parts.feed.follow(snapshot)
            parts.state.follow(snapshot, outcome.conditions, parts.store)
        made += told
        if made:
            parts.delivery.wake(_channels(made))
        parts.reserve.keep(1.1 * parts.settings.room.watch.disk_low_mb)
        if parts.clock.last.trusted:
            self._upkeep.hourly(now)
        self._upkeep.give_back(now)
        if not self._blind:
            if parts.heartbeat is not None and service.link.state == "up" and not service.store.error:
                parts.heartbeat.round_done()
            parts.notifier.round_done()
        return replace(outcome, notices=tuple(made))

    # -- what is known ------------------------------------------------------------------------------------

    def _look_at_clock(self) -> None:
        parts = self._parts
        look = parts.clock.look()
        if look.step_s:
            # What was heard before the step has a time of the old clock: everything is given its time again.
            self._started_ms = parts.now_ms()
            self._failing.clock_set(look.step_s)
            parts.delivery.clock_set(look.step_s)
            if parts.calendar is not None:
                parts.calendar.stop()
        if look.trusted and parts.calendar is not None and not parts.calendar.running:
            parts.calendar.start(parts.now_ms())
        self._step_s += look.step_s
        if abs(self._step_s) > CLOCK_SWAYS_S:
            # Until it could be written down it is tried again.
            with contextlib.suppress(StoreError):
                parts.derived.readings.clock_set(parts.now_ms(), self._step_s)
                self._step_s = 0.0

    def _service(self, now: int, away: tuple[int, int] | None) -> Service:
        """How the service itself fares; ``away``: its last absence."""
        parts, clock = self._parts, self._parts.clock.last
        link = parts.intake.link()
        shipping = parts.shipper.status() if parts.shipper is not None else None
        heartbeat = parts.heartbeat.status() if parts.heartbeat is not None else None
        backup, damage = parts.safekeeping.look() if parts.safekeeping is not None else (None, None)
        told = {f"channel {n}": Health(c.failing_since_ms, c.last_error) for n, c in parts.delivery.status().items()}
        if shipping is not None:
            told["shipping"] = Health(shipping.behind_since_ms, shipping.last_error)
        if heartbeat is not None:
            told["heartbeat"] = Health(heartbeat.failing_since_ms, heartbeat.last_error)
        if (answers := parts.ways_back.health()) is not None:
            told["answers"] = answers
        healths = self._failing.seen(told, now)
        return Service(
            started_ms=self._started_ms,
            link=LinkNow(link.state, link.since_ms, link.detail, link.last_live_ms, link.session_lost_ms),
            store=StoreNow(link.store_error or self._error or parts.store.db.lost(), self._free_mb()),
            clock=ClockNow(clock.trusted, clock.why),
            channels={n.removeprefix("channel "): h for n, h in healths.items() if n.startswith("channel ")},
            shipping=healths.get("shipping"),
            heartbeat=healths.get("heartbeat"),
            answers=healths.get("answers"),
            away=away,
            checks_failed=self._upkeep.damage(),
            backup=backup,
            damage=damage,
        )

    def _free_mb(self) -> float | None:
        """None where the folder itself is gone: then that is told."""
        try:
            return free_mb(self._parts.settings.data_dir)
        except StoreError:
            return None

    def _at_once(self, now: int, service: Service) -> Outcome | None:
        """What the boxes alone say, before all else is known; None where they cannot be looked at."""
        derived = self._parts.derived
        try:
            derived.follow(now)
            # What cannot be written down now is tried again in the next round; the boxes are looked at all the same.
            with contextlib.suppress(StoreError):
                derived.readings.look_at_clocks(now, trusted=service.clock.trusted)
            return evaluate(replace(derived.of_boxes(now, service), audiences=self._audiences), self._first)
        except Exception as error:  # noqa: BLE001 - whatever keeps the boxes from being looked at, it must be told
            self._cannot_look(error)
            return None

    def _told_at_once(self, first: Outcome) -> list[Notice]:
        """It is written down, and on its way."""
        made = self._commit(first)
        crash_point("after-limits-before-send")
        # Whoever is told comes first; the log, which writes too, has time until the end of the round.
        self._parts.delivery.wake(_channels(made) - {LOG}, LET_GO_S)
        return made

    def _gathered(self, now: int, first: Outcome | None, service: Service) -> Snapshot:
        """All that is known; or the service alone where the rest cannot be looked at (``_blind`` then says so).

        Then the service tells that, and goes on with taking in readings and with notices on their way.
        """
        room = self._parts.settings.room
        if first is not None:
            try:
                snapshot = self._parts.derived.whole(first.snapshot, service)
            except Exception as error:  # noqa: BLE001 - as before
                self._cannot_look(error)
            else:
                self._blind = False
                return snapshot
        service = replace(service, checks_failed={WHOLE: self._unseen})
        conditions = self._parts.store.ledger.conditions()
        return Snapshot(now, room, zone_of(room.zone), service, conditions=conditions, audiences=self._audiences)

    def _cannot_look(self, error: Exception) -> None:
        if not self._blind:
            ours = isinstance(error, MonitorError)
            log.error("the boxes cannot be looked at%s", f": {error}" if ours else "", exc_info=None if ours else error)
        self._blind, self._unseen = True, why(error)

    def _log_failed(self, outcome: Outcome) -> None:
        for name, text in outcome.failed.items():
            if self._failed.get(name) != text:
                log.error("the check %s cannot be made: %s", name, text)
        self._failed = dict(outcome.failed)

    # -- what is written down -----------------------------------------------------------------------------

    def _commit(self, outcome: Outcome) -> list[Notice]:
        """T2, when anything changed that must survive."""
        parts = self._parts
        parts.derived.judged |= {c.key: c for c in outcome.conditions}
        before = outcome.snapshot.conditions
        worth = tuple(c for c in outcome.conditions if c.differs(before.get(c.key, Condition(*c.key))))
        if not (worth or outcome.transitions or outcome.notices):
            return []
        notices = self._routed(outcome.notices, outcome.snapshot)
        commit, channels = parts.store.ledger.commit, recipients(parts.settings.channels)
        try:
            return commit(worth, outcome.transitions, notices, channels)
        except StoreFull:
            # Rubbish makes room first. Then the reserve is for this: that a full disk can be told.
            with contextlib.suppress(StoreFull):
                if parts.store.unread.give_up():
                    return commit(worth, outcome.transitions, notices, channels)
            if not parts.reserve.spend(urgent=any(n.urgency == "now" for n in notices)):
                raise
            return commit(worth, outcome.transitions, notices, channels)

    def _routed(self, notices: Iterable[Notice], snapshot: Snapshot) -> list[Notice]:
        """Notices with their ways to the channels: by urgency, kind and stack, quiet hours and escalation."""
        settings, ledger = self._parts.settings, self._parts.store.ledger
        routed = []
        for notice in notices:
            try:
                ways = routes(
                    notice,
                    settings.channels,
                    settings.room.watch,
                    snapshot.zone,
                    snapshot.stack_of,
                    lambda over: ledger.reached(over.kind, over.subjects),
                )
            except Exception:
                # Whatever is wrong with the ways of a notice: rather through all channels than through none.
                log.exception("the ways of %s cannot be told; it goes to every channel", notice.key)
                ways = (Route(LOG), *(Route(channel.id) for channel in settings.channels))
            routed.append(replace(notice, routes=ways))
        return routed

    def _carry_out(self, snapshot: Snapshot) -> list[Notice]:
        """What the calendar ordered since the last round."""
        made: list[Notice] = []
        while True:
            try:
                order = self._parts.orders.get_nowait()
            except queue.Empty:
                return made
            if order == "retention":
                self._upkeep.retention(snapshot.now_ms)
            elif order != "daily" or not nothing_to_tell(snapshot):
                ledger = self._parts.store.ledger
                notice = daily(snapshot, ledger.since_daily_line()) if order == "daily" else drill(snapshot)
                made += ledger.commit((), (), self._routed([notice], snapshot), {})


def _joined(first: Outcome, rest: Outcome) -> Outcome:
    """Both parts of one round."""
    return replace(
        rest,
        conditions=(*first.conditions, *rest.conditions),
        transitions=(*first.transitions, *rest.transitions),
        notices=(*first.notices, *rest.notices),
    )


def _channels(notices: Iterable[Notice]) -> set[str]:
    """Whom they go to."""
    return {route.channel for notice in notices for route in notice.routes or ()}
