"""Turns: few requests are worked on at a time, and whoever asks for little waits for little."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import Counter, deque

from monitor.page.bounds import Bounds


class Turns:
    """The places among those that are worked on. Belongs to one event loop.

    One caller never has them all, and of those who wait the one comes first who has fewest: so a page that hangs, or a
    caller who asks for a hundred, holds up nobody else for long.
    """

    def __init__(self, bounds: Bounds) -> None:
        self._bounds = bounds
        self._free = bounds.turns
        self._full_since = 0.0
        self._at_work = Counter[str]()
        self._waiting: dict[str, deque[asyncio.Future[None]]] = {}
        self._number = 0
        self._last: dict[str, int] = {}
        """Which turn was the last of each who is at work or waits."""

    def full_s(self) -> float:
        """How long there has been no place, and none has come free."""
        return 0.0 if self._free else time.monotonic() - self._full_since

    async def take(self, caller: str) -> bool:
        """Wait for a place, which :meth:`give` gives back; False where there was none in time."""
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        queue = self._waiting.setdefault(caller, deque())
        if len(queue) >= self._bounds.waiting_of_one:
            return False
        queue.append(turn)
        self._next()
        try:
            async with asyncio.timeout(self._bounds.turn_s):
                await turn
        except BaseException as error:
            if turn.done() and not turn.cancelled():
                self.give(caller)
            self._leave(caller, turn)
            if isinstance(error, TimeoutError):
                return False
            raise
        return True

    def give(self, caller: str) -> None:
        """A place is free again."""
        self._at_work[caller] -= 1
        if not self._at_work[caller]:
            del self._at_work[caller]
        self._free += 1
        self._next()
        self._forget(caller)

    def _leave(self, caller: str, turn: asyncio.Future[None]) -> None:
        queue = self._waiting.get(caller, deque())
        with contextlib.suppress(ValueError):
            queue.remove(turn)
        if not queue:
            self._waiting.pop(caller, None)
        self._forget(caller)

    def _forget(self, caller: str) -> None:
        if caller not in self._at_work and caller not in self._waiting:
            self._last.pop(caller, None)

    def _next(self) -> None:
        while self._free:
            open_to = [c for c in self._waiting if self._at_work[c] < self._bounds.turns_of_one]
            if not open_to:
                return
            # Of those who have as many, whoever had no turn for longest.
            caller = min(open_to, key=lambda c: (self._at_work[c], self._last.get(c, 0)))
            queue = self._waiting[caller]
            turn = queue.popleft()
            if not queue:
                del self._waiting[caller]
            if turn.done():
                continue
            self._number += 1
            self._last[caller] = self._number
            self._free -= 1
            self._full_since = time.monotonic()
            self._at_work[caller] += 1
            turn.set_result(None)
