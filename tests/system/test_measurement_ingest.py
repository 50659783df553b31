"""The measurement of readings coming in: a short run of all its programs, and that nothing is lost or doubled in it."""

from __future__ import annotations

import pytest

from tests.bench import ingest


@pytest.mark.slow
def test_all_programs_fetch_all_messages_of_both_forms() -> None:
    found = ingest.measure(messages=1200, repeats=1)
    for form in ("bare_number", "json"):
        assert found.figures[f"{form}_doubled_or_lost"] == 0
        for way in ingest.WAYS:
            assert float(found.figures[f"{form}_{way}_per_s"] or 0) > 0
        assert float(found.figures[f"{form}_cpu_ratio_to_bare"] or 0) > 0
    # How fast it is under a whole suite of tests says nothing; everything else that falls short does.
    assert [text for text in found.falls_short if "times the processor's time" not in text] == []
