"""The small room that many tests of pages look at and change nothing of; who enters something makes one's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("room")


@pytest.fixture(scope="module")
def shown(folder: Path) -> ShownRoom:
    return ShownRoom.small(folder)
