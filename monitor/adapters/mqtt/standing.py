"""What stands at the broker: retained messages of which only the newest counts, said when the line has time for it.

The round hands over all that is to stand there (:meth:`StandingMessages.stand`) and goes on; the writer says some of it
whenever no reading waits. So a broker that is away, slow or unwilling holds up neither. What stood there and is not to
stand there any more is taken away by an empty message [MQTT-3.3.1-6], also after a restart: the topics are written down
in a file beside the store before anything is said on them.

A broker may end the connection at each message that it refuses (seen with mosquitto 2.0.11). So until it took one of
those that stand side by side that one is alone under way, and after the first refusal nothing more is said until the
service is started anew.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from monitor.whole_file import write_whole

_log = logging.getLogger(__name__)

FILE: Final = "standing-topics.json"
"""Its name in the data folder."""
LEAST_APART_S: Final = 10.0
"""So long lies between two messages on one topic, whatever changes and however often the line is made anew."""
UNDER_WAY: Final = 20
LARGEST_FILE: Final = 1_000_000


class StandingMessages:
    """All of one service. Safe to use from several threads."""

    def __init__(self, folder: Path, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._path = folder / FILE
        self._monotonic = monotonic
        self._lock = threading.Lock()
        # Only the round's thread knows these two.
        self._written = _read(self._path)
        self._trouble = ""
        # An empty payload takes away what stands there; it is forgotten once the broker has it.
        self._wanted: dict[str, bytes] = dict.fromkeys(sorted(self._written), b"")
        self._has: dict[str, bytes] = {}
        self._under_way: dict[str, bytes] = {}
        self._said_s: dict[str, float] = {}
        self._taken: set[str] = set()
        self._refused = False

    def stand(self, messages: Mapping[str, bytes]) -> None:
        """From now on these stand there, topic -> payload, in this order of urgency, and nothing else of this service.

        Called by the round, with all of them each time; cheap where nothing changed.
        """
        with self._lock:
            leaving = [topic for topic in self._wanted if topic not in messages]
            self._wanted = {**messages, **dict.fromkeys(leaving, b"")}
            topics = set(self._wanted)
        if topics != self._written:
            self._write(topics)

    def _write(self, topics: set[str]) -> None:
        try:
            write_whole(self._path, json.dumps({"topics": sorted(topics)}).encode())
            self._written, self._trouble = topics, ""
        except OSError as error:
            trouble = f"the topics on which messages stand cannot be written to {self._path} ({error.strerror})"
            if trouble != self._trouble:
                _log.warning("%s; it is tried again", trouble)
            self._trouble = trouble

    def line_made(self) -> None:
        """A connection was made: it is not known what the broker still has."""
        with self._lock:
            self._has.clear()
            self._under_way.clear()
            self._taken.clear()

    def due(self) -> list[tuple[str, bytes]]:
        """What is to be said now; it counts as under way until :meth:`settled`."""
        now_s = self._monotonic()
        with self._lock:
            chosen: list[tuple[str, bytes]] = []
            for topic, payload in self._wanted.items() if not self._refused else ():
                under_way = len(self._under_way) + len(chosen)
                if under_way >= UNDER_WAY:
                    break
                if topic in self._under_way or self._has.get(topic) == payload:
                    continue
                if now_s - self._said_s.get(topic, -LEAST_APART_S) < LEAST_APART_S:
                    continue
                tried = _side(topic) not in self._taken
                if tried and under_way:
                    break
                chosen.append((topic, payload))
                if tried:
                    break
            self._under_way.update(chosen)
            self._said_s.update((topic, now_s) for topic, _ in chosen)
            return chosen

    def settled(self, topic: str, *, refused: bool) -> None:
        """The broker's answer to what was said on a topic, which may be one that is not of these."""
        with self._lock:
            if topic not in self._wanted:
                return
            payload = self._under_way.pop(topic, None)
            if refused and self._wanted[topic]:
                self._refused = True
            elif refused:
                # Topics of before, where this service may write no more: somebody else has to take that away.
                self._forget([t for t, p in self._wanted.items() if not p])
            elif payload is not None:
                self._taken.add(_side(topic))
                self._has[topic] = payload
                if not payload and not self._wanted[topic]:
                    self._forget([topic])

    def _forget(self, topics: Iterable[str]) -> None:
        for topic in topics:
            for known in (self._wanted, self._has, self._under_way, self._said_s):
                known.pop(topic, None)


def _side(topic: str) -> str:
    """What topics that stand side by side have in common, and a broker's rights with them."""
    return topic.rpartition("/")[0]


def _read(path: Path) -> set[str]:
    """The topics of before; none where nothing was written, or nothing that can be read."""
    try:
        with path.open("rb") as file:
            told = json.loads(file.read(LARGEST_FILE))["topics"]
        return {str(topic) for topic in told}
    except FileNotFoundError:
        return set()
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        _log.warning("%s cannot be read; what stood at the broker before may stand there still", path)
        return set()
