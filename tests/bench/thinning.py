"""Old days that become rows of ten minutes: what it takes, what it gives back, and that nothing that is told changes.

Probes that report every so often are drawn for a year that is old, with jitter and the steps of a cheap converter. The
whole of it is thinned in steps as the service makes them; means and numbers of all hours, and the lowest and highest of
each probe, are held against what they were.
"""

from __future__ import annotations

import tempfile
import time
from typing import Final

import numpy as np

from monitor.adapters.store import Store
from monitor.adapters.store.folding import STEP_S
from monitor.adapters.store.soundness import examined
from monitor.core.terms.times import DAY_MS, HOUR_MS
from tests.bench import Figures, size

MOST_SHARE: Final = 0.12
AROUND: Final = 7
"""Hours that stay single for one moment, where readings up to two hours apart are joined."""
AGE_DAYS: Final = 1100
UNTIL_MS: Final = 1_700_000_000_000 // DAY_MS * DAY_MS


def measure(days: int = 365, probes: int = 16, moves: int = 40) -> Figures:
    """``days`` of ``probes`` that report every ten seconds, thinned from first to last; ``moves``: at so many moments
    eggs were set, moved or ended, whose hours stay single."""
    now_ms = UNTIL_MS + (AGE_DAYS + 2) * DAY_MS
    with tempfile.TemporaryDirectory() as folder, Store(folder) as store:
        empty = _used(store)
        names, ends = [f"probe{k:02d}" for k in range(probes)], {}
        for k, name in enumerate(names):
            drawn = size.drawn(k, days, UNTIL_MS)
            ends[name] = float(drawn.value.min()), float(drawn.value.max())
            store.folding.bulk(name, drawn)
        while store.folding.pack(now_ms):
            pass
        with store.db.write() as c:
            # As summed up: no room looks at these probes.
            c.execute("DELETE FROM dirty")
        hours = (UNTIL_MS - days * DAY_MS) // HOUR_MS - 1, UNTIL_MS // HOUR_MS + 1
        before, readings = _used(store) - empty, sum(store.readings.counts().values())
        told = {p: (store.readings.hour_means(p, *hours), store.readings.hour_counts(p, *hours)) for p in names}
        first = UNTIL_MS // HOUR_MS - 24 * days
        single = frozenset(first + 24 * days * k // max(moves, 1) + h for k in range(moves) for h in range(AROUND))
        longest_s, thinned, began, steps = 0.0, 0, time.process_time(), 0
        while True:
            step = time.process_time()
            found = store.thinning.thin(now_ms, AGE_DAYS, single=single)
            longest_s, thinned, steps = max(longest_s, time.process_time() - step), thinned + found.days, steps + 1
            if found.done:
                break
        took_s, after = time.process_time() - began, _used(store) - empty
        same = told == {p: (store.readings.hour_means(p, *hours), store.readings.hour_counts(p, *hours)) for p in names}
        kept = all(_ends(store, p) == ends[p] for p in names)
        store.db.checkpoint()
        damaged = len(examined(store.db.path))
    # The newest day of each probe stays single.
    share = after / before
    short = [f"thinned days take {100 * share:.1f} % of what they took"] if share > MOST_SHARE + 2.0 / days else []
    short += [] if same else ["the means or the numbers of hours are not what they were"]
    short += [] if kept else ["the lowest or the highest of a probe is not what it was"]
    short += [f"{damaged} chunks are not sound"] if damaged else []
    figures = {
        "readings": readings,
        "before_mb": round(before / 1e6, 2),
        "after_mb": round(after / 1e6, 2),
        "share_pct": round(100 * share, 2),
        "days_of_probes": thinned,
        "before_kb_a_day": round(before / 1e3 / (days * probes), 2),
        "after_kb_a_day": round(after / 1e3 / (days * probes), 2),
        "ms_a_day": round(1000 * took_s / max(thinned, 1), 2),
        "steps": steps,
        "longest_step_ms": round(1000 * longest_s, 1),
    }
    notes = [
        f"bytes: pages in use beside those of an empty store; times: of the processor, by steps of {STEP_S} s",
        "the file keeps its size: what is free is used again",
    ]
    return Figures(figures, short, notes)


def _used(store: Store) -> int:
    """Bytes of the pages in use."""
    (pages,), (free,), (page,) = (
        store.db.rows(f"PRAGMA {what}")[0] for what in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * page)


def _ends(store: Store, probe: str) -> tuple[float, float]:
    """The lowest and the highest, of rows and of single readings."""
    low, high = np.inf, -np.inf
    for c in store.readings.pieces(probe, 0, UNTIL_MS + DAY_MS):
        lows, highs = (c.value, c.value) if c.spread is None else (c.spread.lowest, c.spread.highest)
        low, high = min(low, float(lows.min(initial=np.inf))), max(high, float(highs.max(initial=-np.inf)))
    return low, high
