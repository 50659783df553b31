"""How the suite is run: how many examples are drawn, and what begins first."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# How fast the machine is decides nothing: neither an example nor the drawing of it has a time.
settings.register_profile("suite", deadline=None, max_examples=100, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("many", settings.get_profile("suite"), max_examples=5000)
settings.load_profile(os.environ.get("WARMTALLY_TEST_EXAMPLES", "suite"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What takes long begins first, so that no worker is left alone with it at the end."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
