"""Whose turn it is at the socket: the writer's, or the network thread's while the writer is at the disk.

One thread that reads, stores and acknowledges needs no hand-over, which costs more than all that is done with a
message. But a commit may take a minute on a bad disk, and the broker wants to hear of its client meanwhile. So the
writer drives whenever it waits for messages, and a second thread connects, tries again after a loss, and drives where
the writer has not done so for a moment. Whoever calls the client has the wheel: paho is never called by two at once.
"""

from __future__ import annotations

import logging
import select
import struct
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Final, TypeAlias

from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import MessageType, MQTTErrorCode

_log = logging.getLogger(__name__)

# Short beside the shortest keep-alive (1 s), long beside a commit on a good disk.
GRACE_S: Final = 0.25
TURN_S: Final = 0.1
READ_BYTES: Final = 65_536
CONNECT_AGAIN_S: Final = (1.0, 30.0)
PUBACK: Final = int(MessageType.PUBACK)
_PUBACK: Final = struct.Struct("!BBH").pack


Plain: TypeAlias = Callable[[Client, str, bytes, int, bool, bool], None]


class BufferedClient(Client):
    """paho's client, with what it does for each message made shorter. Whatever is not plain goes paho's own way.

    It asks the system for what is there, and not for each byte of a packet's head. A message with QoS 1 that carries
    nothing but its topic and its payload is handed to ``plain`` as (client, topic, payload, packet identifier, sent
    again, retained): paho makes an object of 40 properties for it, and two more. Many acknowledgements are one text.
    """

    plain: Plain | None = None
    _here = b""
    _from = 0

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._from >= len(self._here):
            self._here, self._from = super()._sock_recv(READ_BYTES), 0
        found = self._here[self._from : self._from + bufsize]
        self._from += bufsize
        return found

    def read_more(self) -> bool:
        """Whether something is here that was not asked for yet."""
        return self._from < len(self._here)

    def reconnect(self) -> MQTTErrorCode:
        self._here = b""
        return super().reconnect()

    def _handle_publish(self) -> MQTTErrorCode:
        packet = self._in_packet["packet"]
        found = plain_publish(self._in_packet["command"], packet, five=self._protocol == MQTTv5)
        if found is None or self.plain is None:
            return super()._handle_publish()
        topic, mid, begins = found
        head = self._in_packet["command"]
        with self._in_callback_mutex:
            self.plain(self, topic, bytes(packet[begins:]), mid, head & 8 != 0, head & 1 != 0)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Of messages with QoS 1, in this order (MQTT 5, section 3.4; without a reason code: success)."""
        self._packet_queue(PUBACK, b"".join(_PUBACK(PUBACK, 2, mid) for mid in mids), 0, 1)


def plain_publish(head: int, packet: bytes | bytearray, *, five: bool) -> tuple[str, int, int] | None:
    """Topic, packet identifier and where the payload begins, of a packet behind its fixed head ``head``; None where
    it has another quality of service than 1, an empty topic or one that is no UTF-8, properties, or no right form."""
    if head & 6 != 2 or len(packet) < 4:
        return None
    behind = 2 + (packet[0] << 8 | packet[1])
    begins = behind + 2 + five
    if behind == 2 or len(packet) < begins or (five and packet[begins - 1]):
        return None
    try:
        topic = packet[2:behind].decode()
    except UnicodeDecodeError:
        return None
    return topic, packet[behind] << 8 | packet[behind + 1], begins


class Drive:
    """Drives one client, from :meth:`start` to :meth:`end`.

    ``failed`` is told why a connection could not be made. While ``room`` says False nothing is read, but for no longer
    than ``patience_s``: then it is read on, and who takes the messages has to say no. ``came`` and ``pause_s`` are the
    client's callbacks': they count messages, and set the pause to 0 where a greeting was accepted.
    """

    def __init__(
        self, client: BufferedClient, failed: Callable[[OSError], None], room: Callable[[], bool], patience_s: float
    ) -> None:
        self.came = 0
        self.pause_s = 0.0
        self._client = client
        self._failed = failed
        self._room = room
        self._patience_s = patience_s
        self._full_s: float | None = None
        self._wheel = threading.RLock()
        self._writer_s = time.monotonic() - GRACE_S
        self._made = threading.Event()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="warmtally-network", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def alive(self) -> bool:
        return self._thread.is_alive()

    def end(self) -> None:
        """Nothing is connected or driven any more by the network thread; does not wait for it."""
        self._ending.set()

    def join(self) -> None:
        """Wait for the network thread, which may be looking up the broker's name."""
        if self._thread.ident is not None:
            self._thread.join()

    @contextmanager
    def wheel(self) -> Iterator[None]:
        """For the writer, around each call of the client."""
        self._writer_s = time.monotonic()
        with self._wheel:
            yield
        self._writer_s = time.monotonic()

    def turn(self, wait_s: float, most: int) -> None:
        """The writer's turn: wait so long for the broker, and read ``most`` messages at most. Raises nothing."""
        self._writer_s = time.monotonic()
        # The network thread may be about to connect.
        if not self._wheel.acquire(timeout=max(wait_s, 0.0)):
            return
        try:
            connected = self._client.socket() is not None
            if connected:
                self._serve(wait_s, most)
        except Exception:  # noqa: BLE001
            self._give_up()
        finally:
            self._wheel.release()
            self._writer_s = time.monotonic()
        if not connected:
            self._made.wait(wait_s)

    def _serve(self, wait_s: float, most: int) -> None:
        """One turn, with the wheel in hand and a socket."""
        client = self._client
        own = client.socket()
        assert own is not None
        decrypted = client.read_more() or getattr(own, "pending", lambda: 0)() > 0
        room = self._may_read()
        readable, _, _ = select.select(
            [own] if room else [], [own] if client.want_write() else [], [], 0.0 if room and decrypted else wait_s
        )
        if room and (readable or decrypted):
            for _ in range(most):
                before = self.came
                # Without asking the system each time whether there is more.
                if client.loop_read() or self.came == before or not self._may_read():
                    break
        if client.want_write():
            client.loop_write()
        client.loop_misc()

    def _may_read(self) -> bool:
        if self._room():
            self._full_s = None
            return True
        now_s = time.monotonic()
        if self._full_s is None:
            self._full_s = now_s
        return now_s - self._full_s > self._patience_s

    # ------------------------------------------------------------ the network thread

    def _give_up(self) -> None:
        """As where paho's own thread ends: the client is replaced."""
        _log.exception("the line to the broker ended; it is made anew")
        self._ending.set()

    def _run(self) -> None:
        try:
            self._keep_up()
        except Exception:  # noqa: BLE001
            self._give_up()

    def _keep_up(self) -> None:
        first = True
        while not self._ending.is_set():
            if self._client.socket() is None:
                self._made.clear()
                if not first:
                    self.pause_s = min(max(2 * self.pause_s, CONNECT_AGAIN_S[0]), CONNECT_AGAIN_S[1])
                    if self._ending.wait(self.pause_s):
                        return
                first = False
                self._connect()
            elif time.monotonic() - self._writer_s < GRACE_S:
                self._ending.wait(GRACE_S)
            else:
                with self._wheel:
                    if self._client.socket() is not None:
                        self._serve(TURN_S, 1)

    def _connect(self) -> None:
        with self._wheel:
            if self._ending.is_set():
                return
            try:
                self._client.reconnect()
            except OSError as error:
                self._failed(error)
            else:
                self._made.set()
