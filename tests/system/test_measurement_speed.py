"""The measurement of speed: a short run of every part; nothing is lost, and each ratio is that of its two figures."""

from __future__ import annotations

import pytest

from tests.bench import speed


@pytest.mark.slow
def test_each_figure_has_its_peer_beside_it() -> None:
    found = speed.measure(
        messages=600, repeats=1, notices=2, probes=8, days=5, lots=8, interval_s=1800.0, settle_s=1.0
    ).figures
    values = {name: float(value or 0) for name, value in found.items()}
    for form in ("bare_number", "json"):
        assert values[f"ingest_{form}_doubled_or_lost"] == 0
        assert values[f"ingest_{form}_ratio"] > 0
    for part, unit in (("notice", "ms"), ("rebuild", "s"), ("start_to_subscribed", "s")):
        assert values[f"{part}_peer_{unit}"] > 0
        assert values[f"{part}_ratio"] > 0
    assert values["first_round_ratio"] == pytest.approx(values["first_round_ours_s"] / values["rounds_peer_s"])
    # A notice is brought about by the reading, and does not wait for the next look.
    assert values["notice_ours_ms"] < 1000 * 15.0


def test_what_misses_its_bound_is_named_and_nothing_else() -> None:
    good: dict[str, float | int] = {
        "ingest_bare_number_ratio": 0.9,
        "ingest_json_ratio": 0.85,
        "ingest_bare_number_doubled_or_lost": 0,
        "ingest_json_doubled_or_lost": 0,
        "notice_ratio": 2.9,
        "notice_99_ratio": 9.0,
        "rebuild_ratio": 2,
        "first_round_ratio": 3,
        "start_to_subscribed_ours_s": 1.9,
        "flood_ratio": 1.0,
    }
    assert speed._short(good) == []
    bad = good | {"ingest_json_ratio": 0.84, "notice_ratio": 3.1, "ingest_json_doubled_or_lost": 1}
    assert [text.split(" ")[0] for text in speed._short(bad)] == [
        "ingest_json_ratio",
        "ingest_json_doubled_or_lost",
        "notice_ratio",
    ]
