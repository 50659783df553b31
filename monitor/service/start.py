"""One room's service: how it starts, how it goes on by itself, how it ends.

With a clock of its own (``now_ms``) it runs a rehearsal or a replay: then nothing runs by itself, and whoever started
it calls :meth:`RoomService.round` at the moments it chooses. Ingest never waits for a round, a round never waits for a
channel.
"""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Callable

from monitor.core.notices.evaluation import Outcome
from monitor.core.terms.formats import show_span
from monitor.core.terms.settings import Settings
from monitor.errors import MonitorError, StoreError, StoreVanished
from monitor.service.parts import start_parts
from monitor.service.round import Round
from monitor.service.stopping import Stops
from monitor.service.watchers import ClockWatch, JudgedClock, RightClock

log = logging.getLogger("warmtally")

LEAST_APART_S = 1.0
ASKED_S = 0.25
"""A stop is seen after so long; whoever asks for a round has it at once, but between two rounds lies a second, unless a
reading has come near a limit."""
REPLACED_S = 120.0
"""A store that was replaced by another one can be told for so long, through the old one, before all starts anew."""


def wall_ms() -> int:
    """The wall clock, UTC, ms since 1970."""
    return time.time_ns() // 1_000_000


class RoomService:
    """One room's service, started: every part is there from the first moment on, or it does not come to be."""

    def __init__(
        self,
        settings: Settings,
        *,
        now_ms: Callable[[], int] | None = None,
        clock: Callable[[int | None], JudgedClock] | None = None,
    ) -> None:
        """``now_ms``: a simulation's clock, right and never set unless ``clock`` watches it (see :func:`start_parts`).

        Raises MonitorError when a part cannot be started; what was started is stopped again.
        """
        self._began = time.monotonic()
        self._stopped = False
        self._stops = Stops()
        try:
            simulated = now_ms is not None
            if clock is None:
                clock = (
                    (lambda _: RightClock()) if simulated else (lambda newest: ClockWatch(wall_ms, newest_ms=newest))
                )
            self.parts = start_parts(settings, now_ms or wall_ms, self._stops, simulated=simulated, clock=clock)
            self._round = Round(self.parts)
        except BaseException:
            self._stops.stop()
            raise
        room = settings.room
        log.info(
            "watching room %s: %d probes, %d boxes, %d channels",
            room.name,
            len(room.probes),
            len(room.boxes),
            len(settings.channels),
        )
        for line in room.texts.left_out:
            log.warning("%s (until then the usual text is used)", line)

    def round(self) -> Outcome:
        """One round at this moment. Raises StoreError when its outcome could not be committed."""
        return self._round.once()

    def stop(self) -> None:
        """Stop every part and say so. May be called twice."""
        if self._stopped:
            return
        self._stopped = True
        self.parts.notifier.stopping()
        began = time.monotonic()
        log.info("stopping, after %s", show_span(began - self._began))
        late = self._stops.stop()
        log.info("stopped in %.1f s%s", time.monotonic() - began, f" without {', '.join(late)}" if late else "")

    def run(self, stop: threading.Event) -> None:
        """Rounds on a monotonic loop until told to stop. Raises when a part has died, so that the process ends
        and is started anew: starting is the way to recover that is exercised every day."""
        parts = self.parts
        said = watching = f"watching room {parts.settings.room.name}"
        parts.notifier.ready(watching)
        every_s = parts.settings.tick_s
        longest = parts.notifier.longest_round_s
        if longest is not None:
            every_s = min(every_s, 0.8 * longest)
        due = time.monotonic()
        replaced_s: float | None = None
        while not stop.is_set():
            fares = watching
            try:
                self.round()
            except StoreError as error:
                log.error("the round could not be finished: %s", error)  # noqa: TRY400
                fares = f"the round could not be finished: {error.what}"
            if fares != said:
                parts.notifier.status(fares)
                said = fares
            parts.ways_back.tend()
            replaced_s = (replaced_s or time.monotonic()) if parts.store.db.replaced() else None
            if replaced_s is not None and time.monotonic() - replaced_s > REPLACED_S:
                raise StoreVanished(
                    "another file stands where the store was", fix="the service is started anew with it"
                )
            if not parts.intake.alive():
                raise StoreError("the intake of readings has stopped", fix="the service is started anew by systemd")
            due = max(due + every_s, time.monotonic())
            self._wait(stop, due)

    def _wait(self, stop: threading.Event, due: float) -> None:
        """Until the next round is due, a reading came near a limit, or somebody who entered something waits for what
        follows from it."""
        least = time.monotonic() + LEAST_APART_S
        last, wanted = self.parts.last, False
        while not stop.is_set() and (left_s := due - time.monotonic()) > 0.0:
            wanted = wanted or last.asked.is_set()
            last.asked.clear()
            if wanted and (last.pressing or time.monotonic() >= least):
                break
            last.asked.wait(min(ASKED_S, left_s, max(least - time.monotonic(), 0.0) if wanted else left_s))
        last.pressing = False
        last.asked.clear()


def serve(settings: Settings) -> int:
    """Run the service until SIGTERM or SIGINT; the exit code."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        service = RoomService(settings)
    except MonitorError as error:
        log.error("%s", error)  # noqa: TRY400
        return error.exit_code
    try:
        service.run(stop)
    except MonitorError as error:
        log.error("%s", error)  # noqa: TRY400
        return error.exit_code
    finally:
        service.stop()
    return 0
