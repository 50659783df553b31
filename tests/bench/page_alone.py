"""The page of one round as a process of its own: ``python -m tests.bench.page_alone FILE``, until its input ends.

``FILE`` holds the settings and the snapshot (pickled); nothing of a service is started.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path

from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import Settings
from monitor.page.room import LatestRound
from monitor.service.answering import WaysBack

if __name__ == "__main__":
    settings, snapshot = pickle.loads(Path(sys.argv[1]).read_bytes())
    assert isinstance(settings, Settings)
    assert isinstance(snapshot, Snapshot)
    latest = LatestRound()
    latest.see(snapshot)
    # Its clock stands, or what is shown would be old.
    ways = WaysBack(settings, lambda: snapshot.now_ms, latest, waits_s=0.0)
    ways.start()
    sys.stdin.read()
    ways.stop()
