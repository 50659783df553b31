"""How the suite is run: how many examples are drawn, what begins first, and which tests stay on one worker."""

from __future__ import annotations

import os
import re
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests.peers import PROJECT

# What a command prints is as wide as the screen of whoever runs the suite only where a test says so.
os.environ.pop("COLUMNS", None)
# How fast the machine is decides nothing: neither an example nor the drawing of it has a time.
settings.register_profile("suite", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("many", settings.get_profile("suite"), max_examples=5000)
settings.load_profile(os.environ.get("WARMTALLY_TEST_EXAMPLES", "suite"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes long begins first, then what waits for other programs, so that no worker is left alone with one of
    them at the end."""

    def place(item: pytest.Item) -> tuple[bool, bool]:
        return item.get_closest_marker("slow") is None, not item.nodeid.startswith(("tests/system/", "tests/adapters/"))

    items.sort(key=place)


@cache
def _grouped(path: str) -> bool:
    """Whether a file, or something in it, is marked as a group."""
    return (
        re.search(r"^(?:@|pytestmark = )pytest\.mark\.xdist_group\(", (PROJECT / path).read_text("utf-8"), re.M)
        is not None
    )


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> Any:
    """The tests of a file with a group stay on one worker.

    A worker tells a group in the names of its tests, which pytest lets nobody change from 9.2 on.
    """
    if config.getoption("dist") != "loadgroup":
        return None
    from xdist.scheduler import LoadGroupScheduling  # type: ignore[import-untyped]

    made = LoadGroupScheduling(config, log)
    usual = made._split_scope

    def scope(nodeid: str) -> str:
        path = nodeid.partition("::")[0]
        return path if _grouped(path) else str(usual(nodeid))

    def pending(workload: dict[str, dict[str, bool]]) -> int:
        # What is done is forgotten: else all that a worker ever did would be counted anew after each of its tests.
        for name in [name for name, unit in workload.items() if all(unit.values())]:
            del workload[name]
        return sum(list(unit.values()).count(False) for unit in workload.values())

    made._split_scope = scope
    made._pending_of = pending
    return made
