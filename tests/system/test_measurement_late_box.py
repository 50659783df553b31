"""The measurement of the worried keeper: a short run, and that it finds what it is there to find."""

from __future__ import annotations

import numpy as np

from monitor.core.development.evidence import Spread
from monitor.core.development.siblings import BANDS
from tests.bench import late_box


def test_a_short_run_tells_the_story_and_keeps_its_promises() -> None:
    found = late_box.measure(clutches=150)
    assert not [x for x in found.falls_short if "eggs" in x], "of the story, which is not drawn"
    for keeper in late_box.KEEPERS:
        assert f"compared {keeper} 8 eggs" in found.figures
    assert found.figures["the_text_late_boxes"] == found.figures["7_days_late_boxes"]


def test_a_grim_verdict_on_living_eggs_falls_short() -> None:
    grim = late_box._kept(late_box.told("looks", 0.1, 8, 10), "alive", "compared", 8, 4, "here")
    assert any("seen alive" in x for x in grim)


def test_drawn_eggs_pip_or_die_and_late_boxes_are_among_them() -> None:
    rng = np.random.default_rng(1)
    drawn = [x for x in (late_box.draw(rng, Spread(), 0.1) for _ in range(400)) if x is not None]
    assert len(drawn) > 300
    alive = [x.alive(0.0) for x in drawn]
    assert all(a == x.eggs[1] for a, x in zip(alive, drawn, strict=True))
    assert 0.005 < np.mean([not x.lives for x in drawn]) < 0.1
    assert any(x.lives and x.pips[1][0] > x.done + 2 for x in drawn)
    assert BANDS[0][0] > BANDS[-1][0] == 0.0
