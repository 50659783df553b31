"""A small broker inside this process, so that a rehearsal needs nothing beside it.

Built on amqtt, which speaks MQTT 3.1.1, keeps nothing over a disconnect and repeats nothing: good for a rehearsal,
no place for a room's real readings. It listens on this computer only and lets everybody in. A room does not need it,
so amqtt and the packages behind it are an extra of their own, "rehearse".
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib.util
import logging
import socket
import threading
from collections.abc import Mapping
from typing import Any, ClassVar, Final

from monitor.errors import BrokerUnreachable, NotInstalled

START_S: Final = 20.0
HOST: Final = "127.0.0.1"
_NOISY: Final = ("amqtt", "transitions", "passlib")


def need_broker() -> None:
    """Raises NotInstalled where the package is missing that the broker is built on."""
    if importlib.util.find_spec("amqtt") is None:
        raise NotInstalled(
            "a rehearsal brings a small broker of its own, and the package it is built on, amqtt, is not installed",
            fix="run deploy/try, which makes an environment with it and rehearses there; or add it to this one: "
            "pip install --require-hashes -r deploy/requirements-try.lock",
        )


class RehearsalBroker:
    """A broker on 127.0.0.1 in a thread of its own. ``port`` 0 chooses a free one.

    Raises NotInstalled without amqtt, and BrokerUnreachable when it cannot start (the port is taken).
    """

    plugins: ClassVar[Mapping[str, Mapping[str, Any]]] = {
        "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
    }

    def __init__(self, port: int = 0) -> None:
        self.port = port or _free_port()
        self._ready = threading.Event()
        self._error: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        need_broker()
        for name in _NOISY:
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
        self._thread = threading.Thread(target=self._run, name="warmtally-broker", daemon=True)
        self._thread.start()
        if not self._ready.wait(START_S) or self._error is not None:
            raise BrokerUnreachable(
                f"the rehearsal's own broker did not start ({self._error or 'no answer'})",
                where=f"{HOST}:{self.port}",
                fix="give another port, or none to have a free one chosen",
            ) from self._error

    def stop(self) -> None:
        """Close all connections and end the thread. Safe to repeat."""
        if self._loop is not None and self._stop is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread is not None:
            self._thread.join(START_S)
            self._thread = None

    def __enter__(self) -> RehearsalBroker:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 - told by start()
            self._error = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        from amqtt.broker import Broker
        from amqtt.contexts import BrokerConfig

        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        # amqtt ends some connections with exceptions that nobody waits for.
        self._loop.set_exception_handler(lambda _loop, _context: None)
        settings: dict[str, Any] = {
            "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{self.port}"}},
            "plugins": dict(self.plugins),
        }
        broker = Broker(BrokerConfig.from_dict(settings))
        await broker.start()
        self._ready.set()
        try:
            await self._stop.wait()
        finally:
            await broker.shutdown()


def _free_port() -> int:
    with socket.socket() as s:
        s.bind((HOST, 0))
        return int(s.getsockname()[1])
