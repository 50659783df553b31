"""``warmtally run``: what the service says of the room's file before it starts."""

from __future__ import annotations

import logging

import pytest

from monitor.cli.main import main
from monitor.core.terms.settings import Settings
from monitor.service import start
from tests.peers import PROJECT


def test_advice_about_the_file_stands_in_the_log_of_a_service_that_starts(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    served: list[Settings] = []

    def serve(settings: Settings) -> int:
        served.append(settings)
        return 0

    monkeypatch.setattr(start, "serve", serve)
    file = PROJECT / "tests" / "config" / "bad" / "advice_key_gone_uneven.toml"
    with caplog.at_level(logging.WARNING):
        assert main(["run", "--config", str(file)]) == 0
    assert len(served) == 1
    told = [r.getMessage() for r in caplog.records if r.name == "monitor.cli.service"]
    assert [m for m in told if "this key is no longer read" in m], told
