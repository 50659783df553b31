"""The command, which writes down its rounds: ``python -m tests.bench.told_rounds FILE run --config room.toml``.

A line for each round: when it began, on the clock that all programs of this computer share, and how long it took (s).
Nothing else is loaded or done, so that its memory is that of the command.
"""

from __future__ import annotations

import sys
import time

from monitor.cli.main import main
from monitor.core.notices.evaluation import Outcome
from monitor.service.start import RoomService

if __name__ == "__main__":
    once = RoomService.round

    def told(self: RoomService) -> Outcome:
        began = time.monotonic()
        try:
            return once(self)
        finally:
            with open(sys.argv[1], "a", encoding="ascii") as lines:  # noqa: PTH123 - it stays loaded as it is
                lines.write(f"{began:.4f} {time.monotonic() - began:.4f}\n")

    RoomService.round = told  # type: ignore[method-assign]
    sys.exit(main(sys.argv[2:]))
