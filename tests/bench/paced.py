"""The command with the paces that no room's file sets, so that a test need not wait for them.

``python -m tests.bench.paced '{"tick_s": 0.2, "watch": {"shipping_behind_s": 2}}' run --config room.toml``: values of
the settings themselves, and of their parts ``watch``, ``channels`` (of each) and ``shipping``.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from typing import Any
from unittest.mock import patch

from monitor.cli import service
from monitor.cli.main import main
from monitor.core.terms.settings import Settings


def paced(
    settings: Settings,
    *,
    watch: dict[str, Any] | None = None,
    channels: dict[str, Any] | None = None,
    shipping: dict[str, Any] | None = None,
    **own: Any,
) -> Settings:
    """The settings with these values instead of their own."""
    room = settings.room
    return replace(
        settings,
        room=replace(room, watch=replace(room.watch, **(watch or {}))),
        channels=tuple(replace(c, **(channels or {})) for c in settings.channels),
        shipping=settings.shipping and replace(settings.shipping, **(shipping or {})),
        **own,
    )


if __name__ == "__main__":
    pace = json.loads(sys.argv[1])
    read = service.read_settings

    def paced_read(args: argparse.Namespace) -> tuple[Settings, list[str]]:
        settings, advice = read(args)
        return paced(settings, **pace), advice

    # Not the reading of the file itself: its libraries are loaded in a child process alone.
    with patch.object(service, "read_settings", paced_read):
        sys.exit(main(sys.argv[2:]))
