"""The wire of the tests: it carries everything, nothing while it is cut, and everything again once it is mended."""

from __future__ import annotations

import http.client
import random
from contextlib import closing

import pytest

from monitor.page.server import PageServer
from tests.page.served import LARGE, QUICK, Asked, served
from tests.wire import Wire, wired


def _line(wire: Wire) -> http.client.HTTPConnection:
    return http.client.HTTPConnection("127.0.0.1", wire.port, timeout=10)


def _ask(line: http.client.HTTPConnection, path: str) -> bytes:
    line.request("GET", path)
    return line.getresponse().read()


def test_a_wire_carries_only_while_it_is_whole() -> None:
    rnd = random.Random(5)
    with served(PageServer(("127.0.0.1", 0), Asked().app(), bounds=QUICK)) as place, wired(place.port) as wire:
        for _ in range(12):
            with closing(_line(wire)) as line:
                assert _ask(line, "/") == b"well"
                if rnd.random() < 0.5:
                    assert _ask(line, "/large") == LARGE
                    continue
                wire.cut()
                # Neither what is on it already nor what comes anew.
                with pytest.raises((OSError, http.client.HTTPException)):
                    _ask(line, "/")
            with closing(_line(wire)) as line, pytest.raises((OSError, http.client.HTTPException)):
                _ask(line, "/")
            wire.mend()
