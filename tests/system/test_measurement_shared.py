"""Processes side by side at one broker: each reading is in one store once, also where one of them is killed."""

from __future__ import annotations

import pytest

from tests.bench import shared


@pytest.mark.slow
@pytest.mark.parametrize("way", shared.WAYS)
@pytest.mark.parametrize(("processes", "kill"), [(2, False), (2, True)])
def test_each_reading_is_stored_once_over_all_stores(way: str, processes: int, kill: bool) -> None:
    found = shared.once(way, processes, 3000, kill=kill)
    assert (found["lost"], found["doubled"]) == (0, 0)
    if way == "topic":
        assert found["stores_of_a_probe"] == 1


def test_by_topic_every_probe_has_one_owner() -> None:
    for processes in (1, 2, 3, 4, 7):
        owners = [n for k in range(processes) for n in shared.owned("topic", k, processes)]
        assert sorted(owners) == list(range(shared.PROBES))
