"""The tables of a forecast, made all at once, are those of one number after the other."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from monitor.core.development import forecast as model
from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import Array, ClutchForecast, PipChance, update
from monitor.core.maths.student_t import below, between, beyond


def drawn(dice: random.Random) -> tuple[list[BoxEvidence], Spread]:
    """Boxes of one clutch of which this and that was seen."""
    boxes = []
    for name in "abc"[: dice.choice([1, 2, 3])]:
        eggs = dice.choice([1, 2, 6, 12, 40])
        pips: tuple[PipInterval, ...] = ()
        if dice.random() < 0.4:
            by = dice.uniform(0.9, 1.05)
            pips = (PipInterval(by - dice.choice([0.0, 0.001, 0.02, 0.5]), by, dice.randint(1, eggs)),)
        rest = eggs - sum(pip.count for pip in pips)
        alive = ((dice.uniform(0.3, 1.0), dice.randint(1, rest)),) if rest and dice.random() < 0.4 else ()
        looked = dice.choice([0.0, dice.uniform(0.8, 1.2)])
        more = {"dead": dice.choice([0, 2]), "box_fails": dice.choice([None, 0.0, 0.3])}
        boxes.append(BoxEvidence(name, eggs, dice.choice([0.0, 0.015, 0.1]), pips, looked, alive=alive, **more))  # type: ignore[arg-type]
    return boxes, Spread(sigma_m=dice.choice([0.01, 0.042, 0.08]), scale_box=dice.choice([0.0, 0.02, 0.03]))


def living(forecast: ClutchForecast, index: int, at: int, weight: Array) -> list[float]:
    """How many of the rest of a box live at one place, share after share and count after count."""
    likelihood = forecast._likelihoods[index]
    total = [0.0] * (1 + forecast.boxes[index].rest)
    for q, own in zip(forecast._shares.tolist(), weight.tolist(), strict=True):
        counts = [own]
        for n, lives, fails in likelihood.groups:
            one, other = max(q * lives[at], 1e-300), max((1.0 - q) * fails[at], 1e-300)
            share = one / (one + other)
            terms = [math.comb(n, j) * share**j * (other / (one + other)) ** (n - j) for j in range(n + 1)]
            joined = [0.0] * (len(counts) + n)
            for i, of_before in enumerate(counts):
                for j, term in enumerate(terms):
                    joined[i + j] += of_before * term
            counts = joined
        total = [a + b for a, b in zip(total, counts, strict=True)]
    return total


@pytest.mark.parametrize("seed", range(20))
def test_how_many_live_is_counted_alike_for_all_places_and_for_one(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    dice = random.Random(seed)
    # Of many eggs not all shares are counted at once.
    monkeypatch.setattr(model, "_MOST_AT_ONCE", dice.choice([1, 200, 1 << 16]))
    forecast = update(*drawn(dice))
    for index, likelihood in enumerate(forecast._likelihoods):
        at = np.array(sorted(dice.sample(range(len(forecast._grid.v)), 9)))
        weight = np.random.default_rng(seed).random((len(forecast._shares), len(at)))
        found = likelihood.living(weight, at)
        told = np.array([living(forecast, index, int(place), weight[:, k]) for k, place in enumerate(at)]).T
        np.testing.assert_allclose(found, told, rtol=1e-11, atol=1e-15)


def chance(pip: PipChance, k: int, y: float, place: int, scale: float) -> float:
    """That pip number k is out by y, given one place, by the sum over how many live and how many of them are out."""
    seen, v = pip.seen, float(pip.place.v[place])
    if k <= seen.pipped_count:
        (after, by, count), still_out = seen.log_pipped[0], k
        start, end = (after - v) / scale, (by - v) / scale
        out = float(between(start, min(max((y - v) / scale, start), end)) / between(start, end))
        return at_least(still_out, count, out)
    looked = (seen.log_looked - v) / scale
    out = 1.0 - float(beyond((y - v) / scale) / beyond(looked))
    if math.isinf(looked):
        out = float(below((y - v) / scale))
    counts: list[float] = pip.place.living[:, place].tolist()
    return sum(share * at_least(k - seen.pipped_count, n, min(max(out, 0.0), 1.0)) for n, share in enumerate(counts))


def at_least(k: int, n: int, out: float) -> float:
    return math.fsum(math.comb(n, i) * out**i * (1.0 - out) ** (n - i) for i in range(k, n + 1))


@pytest.mark.parametrize("seed", range(20))
def test_a_pip_is_tabulated_row_by_row_as_each_of_its_numbers_by_itself(seed: int) -> None:
    dice = random.Random(100 + seed)
    boxes, spread = drawn(dice)
    forecast = update(boxes, spread)
    for seen in boxes:
        for k in {1, min(seen.pipped_count + 1, seen.eggs), seen.eggs}:
            pip = forecast.pip(seen.box, k, dice.choice([0.0, 0.02]))
            y = pip.log_development
            assert (np.diff(y) > 0.0).all()
            assert pip.given_v.shape == (len(y), len(pip.place.v))
            np.testing.assert_array_equal(pip.chance, np.maximum.accumulate(pip.given_v @ pip.place.weight))
            for _ in range(25):
                row, place = dice.randrange(len(y)), dice.randrange(len(pip.place.v))
                told = chance(pip, k, float(y[row]), place, spread.scale_egg)
                assert pip.given_v[row, place] == pytest.approx(told, rel=1e-9, abs=1e-11)
