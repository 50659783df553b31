"""Since when a part fails, while the clock is set forward and back: the age that is told is the true one."""

from __future__ import annotations

import random

import pytest

from monitor.core.notices.snapshot import Health
from monitor.service.failing import FailingSince

ROUND_S = 15.0


@pytest.mark.parametrize("seed", range(40))
def test_however_the_clock_is_set_the_age_is_right_within_a_round(seed: int) -> None:
    """Parts begin and cease to fail between the rounds; what they note is the time of the clock as it stands then."""
    dice = random.Random(seed)
    since, true_s, off_s = FailingSince(), 0.0, 0.0
    began: dict[str, float] = {}
    noted: dict[str, int] = {}
    names = ("channel phone", "shipping", "heartbeat")
    since.seen({}, 0)  # the first round is the store's word
    told = 0
    for _ in range(300):
        true_s += ROUND_S
        step_s = dice.choice([0.0] * 8 + [3600.0, -3600.0, 86400.0, -86400.0, 10.0, -1.7e9])
        for name in names:
            if dice.random() < 0.1:
                if name in began:
                    del began[name], noted[name]
                else:
                    began[name] = true_s - dice.uniform(0.0, ROUND_S)
                    # Before the clock is set or after it.
                    noted[name] = round((began[name] + off_s + dice.choice((0.0, step_s))) * 1000)
        off_s += step_s
        if step_s:
            since.clock_set(step_s)
        now_ms = round((true_s + off_s) * 1000)
        found = since.seen({name: Health(noted.get(name), "why") for name in names}, now_ms)
        for name in names:
            if name in began:
                since_ms = found[name].failing_since_ms
                assert since_ms is not None
                age_s = (now_ms - since_ms) / 1000
                assert -0.01 <= true_s - began[name] - age_s <= ROUND_S + 0.01, (name, step_s)
                told += 1
            else:
                assert found[name].failing_since_ms is None
    assert told > 100


def test_what_fails_at_the_start_has_failed_since_the_store_says() -> None:
    """A service that is started again and again still tells of what never answers; never from a time to come."""
    assert FailingSince().seen({"shipping": Health(1_000, "no")}, 901_000) == {"shipping": Health(1_000, "no")}
    assert FailingSince().seen({"shipping": Health(999_000, "no")}, 901_000) == {"shipping": Health(901_000, "no")}
