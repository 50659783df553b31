"""Since when a part of the service fails, on a clock that may be set meanwhile."""

from __future__ import annotations

from monitor.core.notices.snapshot import Health


class FailingSince:
    """What each part says of when it began to fail, carried over when the clock is set.

    A part notes the time by the clock as it was. Set forward by an hour, a channel that has failed for a second would
    be told as one that has failed for an hour; set back by a day, one that fails would not be told for a day.
    """

    def __init__(self) -> None:
        self._since: dict[str, int] = {}
        self._first = True

    def clock_set(self, step_s: float) -> None:
        """The clock was set by so much: what had begun by then keeps its age."""
        self._since = {name: since + round(step_s * 1000) for name, since in self._since.items()}

    def seen(self, told: dict[str, Health], now_ms: int) -> dict[str, Health]:
        """All parts in this round, by name, as they tell it; returns them with the time since when they fail.

        What already fails in the first round failed before the service was started, since the store says when. Later
        the moment it is first seen counts, a round late at most, and no clock can move it.
        """
        kept, healths = {}, {}
        for name, health in told.items():
            since_ms = health.failing_since_ms
            if since_ms is not None:
                since_ms = kept[name] = self._since.get(name, min(since_ms, now_ms) if self._first else now_ms)
            healths[name] = Health(since_ms, health.why)
        self._since, self._first = kept, False
        return healths
