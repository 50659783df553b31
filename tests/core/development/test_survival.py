"""Late or failed: the shares of living eggs, when they fail, and what was seen of them, against draws and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from monitor.core.development.evidence import BoxEvidence, PipInterval, Spread
from monitor.core.development.forecast import update
from monitor.core.development.survival import Survival, after_strain, fails_after, hot_hours
from monitor.errors import EventRefused, ModelOutOfRange

DONE = (PipInterval(0.95, 0.98, 4), PipInterval(0.98, 1.01, 6))


@pytest.mark.parametrize(("alive", "failed"), [(7.5, 2.2), (1.0, 1.0), (0.5, 3.0), (40.0, 2.0)])
def test_the_shares_are_a_beta_distribution_exactly_for_what_eggs_tell(alive: float, failed: float) -> None:
    q, log = Survival(alive, failed).shares()
    weight = np.exp(log)
    assert weight.sum() == pytest.approx(1.0)
    assert np.all(np.diff(q) > 0.0)
    for lived, died in ((0, 0), (1, 0), (0, 8), (12, 3), (20, 0), (0, 4)):
        wanted = math.exp(
            math.lgamma(alive + lived) + math.lgamma(failed + died) - math.lgamma(alive + failed + lived + died)
            - math.lgamma(alive) - math.lgamma(failed) + math.lgamma(alive + failed)
        )  # fmt: skip
        assert float(weight @ (q**lived * (1.0 - q) ** died)) == pytest.approx(wanted, rel=1e-6)


def test_where_every_egg_lives_there_is_one_share() -> None:
    q, log = Survival(1.0, 0.0).shares()
    assert (q.tolist(), log.tolist()) == ([1.0], [0.0])


def test_what_whole_groups_did_is_what_the_beta_distribution_says() -> None:
    """As fitted to published groups: all of 8 eggs fail 0.06 % of the time, all of 4 about 1 %."""
    q, log = Survival().shares()
    assert float(np.exp(log) @ (1.0 - q) ** 8) == pytest.approx(0.0006, abs=0.0001)
    assert float(np.exp(log) @ (1.0 - q) ** 4) == pytest.approx(0.010, abs=0.001)
    assert float(np.exp(log) @ q) == pytest.approx(7.5 / 9.7)


@pytest.mark.parametrize("log_alive", [-0.8, -0.05, 0.0, 0.03, 0.3])
def test_an_egg_that_fails_after_it_was_seen_alive_is_as_integrated(log_alive: float) -> None:
    v, scale = np.array([-0.06, 0.0, 0.05]), 0.02
    for at, found in zip(v, fails_after(log_alive, v, scale), strict=True):

        def later(x: float, at: float = float(at)) -> float:
            return (1.0 - math.exp(log_alive - at - scale * x)) * float(stats.t.pdf(x, 4))

        wanted, _ = integrate.quad(later, (log_alive - at) / scale, np.inf, limit=400)
        assert found == pytest.approx(wanted, rel=1e-3, abs=1e-7)
    assert fails_after(-math.inf, v, scale).tolist() == [1.0, 1.0, 1.0]


def test_strain_makes_a_box_likelier_to_have_failed_and_nothing_else_does() -> None:
    calm = after_strain(Survival(), 0.0, 0.0, 0.0)
    assert calm == pytest.approx(Survival().box_fails)
    hot, cold, unknown = (after_strain(Survival(), *x) for x in ((4.0, 0, 0), (0, 48.0, 0), (0, 0, 240.0)))
    assert calm < hot < unknown < cold < after_strain(Survival(), 40_000.0, 0.0, 0.0) <= 0.95


def test_two_degrees_above_all_the_time_ends_half_and_ten_degrees_end_it_in_hours() -> None:
    """Du & Ji 2008: 78 % of the eggs of *Elaphe taeniura* hatched up to 30 C, 41 % at 32 C."""

    def fails(above_c: float, hours: float) -> float:
        one = np.ones(1)
        return after_strain(Survival(), hot_hours(above_c * one, hours * one), 0.0, 0.0)

    assert 1.0 - fails(2.0, 55 * 24.0) == pytest.approx(0.41 / 0.785, abs=0.02)
    assert fails(10.0, 6.0) > 0.8
    assert fails(0.5, 24.0) == pytest.approx(Survival().box_fails, abs=1e-3)
    assert fails(-3.0, 500.0) == pytest.approx(Survival().box_fails)


def drawn(seen_alive: float, look: float, eggs: int, clutches: int = 400_000) -> float:
    """Of boxes whose eggs all lived at one development and lie still at a later one, how many hold one that pips."""
    rng = np.random.default_rng(5)
    s = Survival()
    m, q = rng.normal(0.0, 0.042, clutches), rng.beta(s.alive, s.failed, clutches)
    b = 0.02 * rng.standard_t(4, clutches)
    pips = np.exp((m - b)[:, None] + 0.02 * rng.standard_t(4, (clutches, eggs)))
    dies = np.where(rng.random((clutches, eggs)) < q[:, None], np.inf, rng.random((clutches, eggs)) * pips)
    whole = np.where(rng.random(clutches) < s.box_fails, rng.random(clutches) * np.exp(m - b), np.inf)
    dies = np.minimum(dies, whole[:, None])
    lives = dies > pips
    as_seen = (dies > seen_alive).all(axis=1) & (pips > seen_alive).all(axis=1)
    still = ((pips > look) | ~lives).all(axis=1)
    kept = as_seen & still
    assert kept.sum() > 2000
    return float(lives[kept].any(axis=1).mean())


@pytest.mark.slow
@pytest.mark.parametrize(("seen_alive", "look", "eggs"), [(0.5, 1.06, 3), (0.9, 1.06, 3), (0.97, 1.04, 6)])
def test_eggs_seen_alive_had_not_failed_by_then(seen_alive: float, look: float, eggs: int) -> None:
    box = BoxEvidence("b", eggs, 0.0, none_by=look, alive=((seen_alive, eggs),))
    assert update([box]).chance_only_late("b") == pytest.approx(drawn(seen_alive, look, eggs), abs=0.006)


def test_what_was_seen_alive_counts_from_then_and_what_is_doubtful_does_not() -> None:
    def chance(*alive: tuple[float, int], eggs: int = 8) -> float:
        above = BoxEvidence("a", 10, 0.008, DONE, dead=2)
        return update([above, BoxEvidence("b", eggs, 0.008, none_by=1.09, alive=alive)]).chance_only_late("b")

    nothing, long_ago, lately, some = chance(), chance((0.4, 8)), chance((1.08, 8)), chance((1.08, 1))
    assert nothing < long_ago < lately
    assert nothing < some < lately
    assert lately > 0.98
    assert chance((1.08, 4), (0.5, 4)) > some


def test_each_egg_has_a_chance_of_its_own_that_falls_with_the_wait_after_its_neighbours() -> None:
    """Eleven of twelve are out; the twelfth is not only late for ever."""
    pips = (PipInterval(0.96, 0.98, 5), PipInterval(0.98, 1.0, 6))
    chances = [
        update([BoxEvidence("b", 12, 0.008, pips, look)]).chance_only_late("b") for look in (1.0, 1.05, 1.1, 1.4)
    ]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > 0.3
    assert chances[-1] < 0.02
    two = update([BoxEvidence("b", 12, 0.008, (PipInterval(0.96, 1.0, 10),), 1.03)])
    assert 0.0 < two.chance_each_lives("b") < two.chance_only_late("b") < 1.0
    # The middle of any one living egg of the rest lies between the next and the last of all that may come.
    each = float(np.interp(0.5, (pip := two.each("b")).chance, np.exp(pip.log_development)))
    assert two.next("b", (0.5,))[0] <= each <= two.last("b", (0.5,))[0]


def test_more_eggs_that_lie_still_are_a_sign_and_a_sibling_that_did_badly_is_one() -> None:
    below = BoxEvidence("b", 3, 0.008, none_by=1.05)
    well = update([BoxEvidence("a", 12, 0.008, (PipInterval(0.96, 1.0, 12),)), below]).chance_only_late("b")
    badly = update([BoxEvidence("a", 4, 0.008, (PipInterval(0.96, 1.0, 4),), dead=8), below]).chance_only_late("b")
    assert badly < well - 0.1


def test_without_looks_is_what_is_known_without_the_silence() -> None:
    box = BoxEvidence("b", 8, 0.008, none_by=1.09, alive=((1.08, 8),))
    told = update([BoxEvidence("a", 10, 0.008, DONE), box])
    bare = told.without_looks("b").evidence("b")
    assert (bare.none_by, bare.alive, math.isinf(bare.log_looked)) == (0.0, (), True)


@pytest.mark.parametrize(
    "wrong", [{"alive": ((1.0, 5),)}, {"alive": ((1.0, 0),)}, {"alive": ((-1.0, 1),)}, {"dead": -1}]
)
def test_counts_that_cannot_be_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(EventRefused):
        BoxEvidence("b", 4, 0.01, **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("wrong", [(0.0, 1.0, 0.1), (1.0, -1.0, 0.1), (1.0, 1.0, 1.0)])
def test_a_survival_that_cannot_be_is_refused(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ModelOutOfRange):
        Survival(*wrong)
    assert Spread().survival == Survival()
