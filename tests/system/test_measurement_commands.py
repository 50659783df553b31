"""What commands cost is measured of the commands as they are; how long they take decides nothing here."""

from __future__ import annotations

import math

import pytest

from tests.bench import commands


@pytest.mark.slow
def test_the_morning_round_is_three_commands_after_which_the_siblings_window_has_moved() -> None:
    found = commands.measure(days=6, runs=1, limit_s=math.inf, only="answer,probes")
    assert found.falls_short == []
    assert found.figures["morning_commands"] == 3
    assert int(found.figures["morning_keys"] or 0) < 100
    assert float(found.figures["probes_cpu_s"] or 0) > 0.0


def test_a_verb_that_takes_too_long_or_fails_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands, "small_room", lambda folder, *_: (folder / "data").mkdir())
    monkeypatch.setattr(commands, "_morning", lambda *_: {})
    monkeypatch.setattr(commands, "VERBS", ("boxes", "notices"))
    ran = {"boxes": commands.Ran(0, "", 0.7, 1.0), "notices": commands.Ran(3, "no", 0.1, 0.1)}
    monkeypatch.setattr(commands, "command", lambda line, _: ran[line])
    found = commands.measure(runs=1)
    assert found.falls_short == [
        "warmtally notices ended with 3: no",
        "boxes takes 0.70 s of the processor, more than 0.5",
    ]
