"""Certificates that cannot be used are a mistake that is named, whoever makes a line to a broker."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.mqtt.certificates import tls_context
from monitor.adapters.mqtt.ear import Ear
from monitor.adapters.mqtt.line import Line
from monitor.adapters.mqtt.rooms import RoomsLine
from monitor.core.terms.settings import Broker, RoomsAt
from monitor.errors import ConfigError


def now_ms() -> int:
    return time.time_ns() // 1_000_000


LINES: dict[str, Callable[[Broker], object]] = {
    "service": lambda broker: Line(broker, ("room/warm",), lambda _: True, now_ms=now_ms),
    "rooms": lambda broker: RoomsLine(RoomsAt("here", broker), now_ms),
    "ear": lambda broker: Ear(broker, "#", lambda *_, **__: None).listen(0.1),
}


@pytest.mark.parametrize("made", LINES.values(), ids=LINES)
@pytest.mark.parametrize("key", ["ca_file", "cert_file"])
def test_files_that_hold_no_certificate_are_a_mistake_of_the_configuration(
    tmp_path: Path, made: Callable[[Broker], object], key: str
) -> None:
    (tmp_path / "rubbish.pem").write_text("no certificate\n")
    for name in ("none.pem", "rubbish.pem"):
        more: dict[str, Any] = {key: str(tmp_path / name)}
        with pytest.raises(ConfigError, match="certificates for the broker cannot be used") as found:
            made(Broker(port=1, tls=True, **more))
        assert found.value.where
        assert "PEM files" in found.value.fix


def test_a_line_without_encryption_needs_none() -> None:
    assert tls_context(Broker(ca_file="none.pem"), "here") is None
