"""Learning from own clutches, on simulated houses whose truth is known."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from monitor.config.library import list_profiles, load_profile
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.curves import PublishedRates, RateCurve
from monitor.core.development.evidence import BoxEvidence, PipInterval
from monitor.core.development.history import History
from monitor.core.development.learning import (
    Learned,
    OwnBox,
    OwnClutch,
    learn,
    own_box,
    own_clutch,
    provisional_curve,
)
from monitor.core.development.pooling import between_clutches
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.profile_text import profile_text
from monitor.core.development.species import OWN_CLUTCHES, Profile, ProfileSpread
from monitor.core.development.survival import Survival
from monitor.core.terms.events import Lot, PipSeen, Stay
from monitor.core.terms.times import DAY_MS, HOUR_MS
from monitor.errors import EventRefused, SpeciesRefused

ON = "2026-06-01"
TABLE = load_profile("elaphe-carinata")
CURVE = TABLE.curve()


def pips(true_log: np.ndarray, look: float, last: float) -> tuple[tuple[PipInterval, ...], int]:
    """What looks every ``look`` of development see of eggs that pip at these log developments; and how many do not
    by the look at ``last``."""
    at = np.exp(true_log)
    rows = []
    edges = np.arange(0.3, last + 1e-9, look)
    for after, by in pairwise(edges):
        count = int(np.sum((at > after) & (at <= by)))
        if count:
            rows.append(PipInterval(float(after), float(by), count))
    return tuple(rows), int(np.sum(at > edges[-1]))


def clutch(
    rng: np.random.Generator,
    name: str,
    shift: float,
    *,
    boxes: int = 1,
    eggs: int = 8,
    look: float = 0.01,
    last: float = 2.0,
    temperatures_c: Sequence[float] = (28.0,),
    curve: RateCurve = CURVE,
    scale: float = 1.0,
    egg: float = 0.02,
    box: float = 0.02,
    some_fail: bool = False,
) -> OwnClutch:
    """A clutch with this shift of its typical egg; ``scale`` turns true development into the curve's. ``some_fail``:
    as many eggs as the program expects never pip."""
    found = []
    for i in range(boxes):
        t = temperatures_c[i % len(temperatures_c)]
        true = shift + egg * rng.standard_t(4, eggs) - box * rng.standard_t(4)
        if some_fail:
            true = np.where(rng.random(eggs) < rng.beta(Survival().alive, Survival().failed), true, 9.0)
        seen, rest = pips(true, look, last)
        evidence = BoxEvidence(
            f"{name}/{i}",
            sum(p.count for p in seen) + rest,
            0.0,
            tuple(PipInterval(p.after * scale, p.by * scale, p.count) for p in seen),
            last * scale,
        )
        middle = float(np.average([(p.after + p.by) / 2 for p in seen], weights=[p.count for p in seen])) * scale
        found.append(OwnBox(evidence, middle / float(curve.rate_per_day(t)), middle, t, 0.0))
    return OwnClutch(name, tuple(found))


def house(rng: np.random.Generator, n: int, **more: object) -> tuple[list[OwnClutch], float]:
    """``n`` clutches of a house, and the shift of its next one; spreads as in the forecast's starting values."""
    mean = rng.normal(0.0, 0.042 * math.sqrt(0.65))
    shifts = mean + rng.normal(0.0, 0.042 * math.sqrt(0.35), n + 1)
    return [clutch(rng, f"K{i}", float(s), **more) for i, s in enumerate(shifts[:-1])], float(shifts[-1])  # type: ignore[arg-type]


@pytest.mark.slow
@pytest.mark.parametrize(("n", "most"), [(1, 0.93), (3, 0.85), (8, 0.76)])
def test_the_next_clutch_is_forecast_better_the_more_clutches_there_were(n: int, most: float) -> None:
    rng = np.random.default_rng(n)
    before, after, inside, widths = [], [], [], []
    for _ in range(120):
        clutches, following = house(rng, n)
        learned = learn(TABLE, clutches, ON)
        before.append(abs(following))
        after.append(abs(following - learned.shift))
        inside.append(abs(following - learned.shift) < 1.2816 * learned.shared)
        widths.append(learned.shared)
    assert np.mean(after) < most * np.mean(before)
    # The claimed spread of the next clutch holds what it says, and is narrower than before.
    assert 0.70 < np.mean(inside) < 0.90
    assert np.mean(widths) < 0.042


def test_looks_are_intervals_and_not_moments() -> None:
    """With a look every other day (4 % of the time) the middle of the interval is off by up to half of it; the interval
    itself is not."""
    rng = np.random.default_rng(11)
    shifts = [
        learn(TABLE, [clutch(rng, "K", 0.03, look=0.04, eggs=12, boxes=4, box=0.0)], ON).used[0] for _ in range(60)
    ]
    assert np.mean([s.shift for s in shifts]) == pytest.approx(0.03, abs=0.004)
    # What the model adds for boxes is in the claim as well, so it is on the safe side here.
    assert np.std([s.shift for s in shifts]) < np.mean([s.sd for s in shifts])
    sharp = learn(TABLE, [clutch(rng, "K", 0.03, look=0.002, eggs=12, boxes=4)], ON).used[0]
    blunt = learn(TABLE, [clutch(rng, "K", 0.03, look=0.12, eggs=12, boxes=4)], ON).used[0]
    assert blunt.sd > sharp.sd


def test_eggs_that_have_not_pipped_yet_do_not_make_the_table_too_fast() -> None:
    rng = np.random.default_rng(12)
    kept, dropped = [], []
    for _ in range(80):
        # Nobody looks any more from development 1.0 on: about half of the eggs are still to come.
        found = clutch(rng, "K", 0.0, last=1.0, eggs=40, egg=0.02, box=0.0, some_fail=True)
        kept.append(learn(TABLE, [found], ON).used[0].shift)
        box = found.boxes[0]
        only = replace(box.evidence, eggs=box.evidence.pipped_count)
        dropped.append(learn(TABLE, [OwnClutch("K", (replace(box, evidence=only),))], ON).used[0].shift)
    assert np.mean(kept) == pytest.approx(0.0, abs=0.003)
    assert np.mean(dropped) < -0.01


def test_one_clutch_is_shrunk_by_what_clutches_differ() -> None:
    rng = np.random.default_rng(13)
    sharp = clutch(rng, "K", 0.06, boxes=8, eggs=20, look=0.002, egg=0.01, box=0.001)
    learned = learn(TABLE, [sharp], ON)
    one = learned.used[0]
    p, tau2 = 0.06**2 - 0.025**2, 0.025**2
    # Gelman et al., Bayesian Data Analysis, 2.5: the mean of a normal with normal prior, precision-weighted.
    assert learned.shift == pytest.approx(one.shift * p / (p + tau2 + one.sd**2), rel=1e-6)
    assert learned.between is None
    assert learned.error_after_days is None
    assert learned.shared < learned.shared_before


def test_eight_schools_have_nothing_between_them() -> None:
    """The example of Gelman et al., Bayesian Data Analysis, 5.5 (figures from memory): Q = 4.7 on 7."""
    effect = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
    error = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
    assert between_clutches(effect, np.square(error)) == 0.0
    assert between_clutches(10 * effect, np.square(error)) > 0.0


def test_clutches_that_differ_more_keep_the_spread_wider() -> None:
    rng = np.random.default_rng(14)
    alike = [clutch(rng, f"K{i}", 0.02, boxes=3, box=0.001) for i in range(6)]
    unlike = [clutch(rng, f"K{i}", s, boxes=3, box=0.001) for i, s in enumerate((-0.1, 0.1, -0.08, 0.09, -0.07, 0.1))]
    a, b = learn(TABLE, alike, ON), learn(TABLE, unlike, ON)
    assert a.between is not None
    assert b.between is not None
    assert a.shared < 0.03 < 0.06 < b.shared  # noqa: PLR0133
    assert b.between == pytest.approx(0.09, abs=0.03)


def test_the_forecasts_by_the_others_are_what_leaving_out_gives() -> None:
    rng = np.random.default_rng(15)
    clutches, _ = house(rng, 5)
    learned = learn(TABLE, clutches, ON)
    for i, said in enumerate(learned.used):
        others = learn(TABLE, clutches[:i] + clutches[i + 1 :], ON)
        assert said.after_days == pytest.approx(said.days * math.expm1(others.shift - said.shift))
        assert said.before_days == pytest.approx(said.days * math.expm1(-said.shift))


def test_a_wrong_lay_date_is_left_out_with_its_reason() -> None:
    rng = np.random.default_rng(16)
    good = [clutch(rng, f"K{i}", 0.01) for i in range(3)]
    wrong = clutch(rng, "X", 0.32, last=2.5)
    learned = learn(TABLE, [*good, wrong], ON)
    assert [name for name, _ in learned.left_out] == ["X"]
    assert "later than the table" in learned.left_out[0][1]
    assert "check when it was laid" in learned.left_out[0][1]
    assert learned.shift == learn(TABLE, good, ON).shift


@pytest.mark.parametrize("at", [0.05, 0.3, 0.49])
def test_a_clutch_whose_pip_is_told_too_early_for_any_egg_is_left_out_for_that(at: float) -> None:
    rng = np.random.default_rng(5)
    wrong = clutch(rng, "B", 0.0)
    (box,) = wrong.boxes
    wrong = replace(wrong, boxes=(replace(box, development=at),))
    learned = learn(TABLE, [clutch(rng, "A", 0.0), wrong], ON)
    assert [name for name, _ in learned.left_out] == ["B"]
    assert f"pipped at {100 * at:.0f} % of its development" in str(learned.left_out)


def test_a_clutch_at_which_nobody_looked_before_is_left_out() -> None:
    box = OwnBox(BoxEvidence("K/0", 6, 0.0, (PipInterval(0.0, 1.1, 6),)), 40.0, 0.9, 28.0, 0.0)
    with pytest.raises(EventRefused, match="too vague"):
        learn(TABLE, [OwnClutch("K", (box,))], ON)


def test_a_clutch_whose_temperature_was_mostly_filled_in_is_left_out() -> None:
    rng = np.random.default_rng(17)
    found = clutch(rng, "K", 0.0)
    blind = OwnClutch("K", tuple(replace(box, filled_share=0.7) for box in found.boxes))
    with pytest.raises(EventRefused, match="70 % of its time was not measured"):
        learn(TABLE, [blind], ON)


def test_a_species_that_rests_is_refused() -> None:
    resting = next(p for p in list_profiles().profiles if p.status == "rests")
    with pytest.raises(SpeciesRefused):
        learn(resting, [], ON)


# --- a base temperature and a thermal constant of one's own -----------------------------------------------------


def test_three_temperatures_give_a_base_temperature_and_a_thermal_constant() -> None:
    rng = np.random.default_rng(18)
    line = PublishedRates([20.0, 40.0], [700.0 / (20.0 - 14.0), 700.0 / (40.0 - 14.0)])
    clutches = [
        clutch(rng, f"K{i}", 0.0, boxes=3, temperatures_c=(26.0, 28.0, 30.0), curve=line, box=0.002, egg=0.01)
        for i in range(4)
    ]
    # The days are those of the line; what the table makes of them does not matter here.
    learned = learn(TABLE, clutches, ON)
    assert learned.line is not None
    assert learned.line.base_c == pytest.approx(14.0, abs=0.8)
    assert learned.line.constant_degree_days == pytest.approx(700.0, abs=60.0)


def test_two_temperatures_far_apart_are_a_base_and_one_is_none() -> None:
    """Eggs at 23 and at 28 C; the line's own error, by two points of 3 %: R / (R - 1)^2 x 5 C x their difference's."""
    rng = np.random.default_rng(19)
    line = PublishedRates([20.0, 40.0], [700.0 / (20.0 - 14.0), 700.0 / (40.0 - 14.0)])
    found = []
    for _ in range(40):
        both = clutch(rng, "K", 0.0, boxes=2, temperatures_c=(23.0, 28.0), curve=line)
        learned = learn(TABLE, [both], ON)
        assert learned.line is not None
        found.append(learned.line)
    assert np.mean([one.base_c for one in found]) == pytest.approx(14.0, abs=0.4)
    assert np.std([one.base_c for one in found]) == pytest.approx(np.mean([one.base_se_c for one in found]), rel=0.4)
    one = learn(TABLE, [clutch(rng, "K", 0.0, boxes=2, temperatures_c=(28.0, 28.2))], ON)
    assert one.line is None
    assert one.line_problem.startswith("a base temperature needs two temperatures 2 °C apart")


def test_two_temperatures_near_each_other_tell_less_than_other_reptiles_do() -> None:
    rng = np.random.default_rng(19)
    learned = learn(TABLE, [clutch(rng, "K", 0.0, boxes=2, temperatures_c=(28.0, 30.0))], ON)
    assert learned.line is None
    assert "reptiles differ by ± 3.6 °C" in learned.line_problem


@pytest.mark.parametrize(
    ("days", "reason"),
    [
        ((60.0, 59.5, 59.0), "where no egg of a reptile is alive"),
        ((60.0, 61.0, 62.0), "do not get shorter when it is warmer"),
        ((90.0, 60.0, 36.0), "less than 2 °C below the coldest"),
    ],
)
def test_a_nonsense_line_is_refused_with_its_reason(days: tuple[float, ...], reason: str) -> None:
    boxes = tuple(
        OwnBox(BoxEvidence(f"K/{t}", 6, 0.0, (PipInterval(0.99, 1.01, 6),)), d, 1.0, t, 0.0)
        for t, d in zip((27.0, 28.0, 29.0), days, strict=True)
    )
    learned = learn(TABLE, [OwnClutch("K", boxes)], ON)
    assert learned.line is None
    assert reason in learned.line_problem


# --- a species without a table ----------------------------------------------------------------------------------


def without_table() -> Profile:
    found = load_profile("python-regius")
    return replace(found, status="no-table", rows=(), grade="none", reason="nothing is known", spread=ProfileSpread())


def own(rng: np.random.Generator, name: str, t: float, base_c: float, constant: float) -> OwnClutch:
    """A clutch of a species whose true line is known, seen on the provisional curve."""
    curve = provisional_curve()
    days = constant / (t - base_c)
    scale = float(curve.rate_per_day(t)) * days
    return clutch(rng, name, 0.0, temperatures_c=(t,), curve=curve, scale=scale, box=0.0)


def test_one_own_clutch_makes_a_profile_that_holds_near_its_temperature() -> None:
    rng = np.random.default_rng(20)
    learned = learn(without_table(), [own(rng, "P", 31.0, 17.0, 800.0)], ON)
    curve = learned.profile.curve()
    assert learned.own_table
    assert 1.0 / float(curve.rate_per_day(31.0)) == pytest.approx(800.0 / 14.0, rel=0.02)
    assert 1.0 / float(curve.rate_per_day(30.0)) == pytest.approx(800.0 / 13.0, rel=0.03)
    assert float(curve.rate_sd_relative(28.0)) > 0.1
    assert "1.9 % within 1 C; 4.8 % within 2 C" in learned.profile.notes[-1]
    assert "4.8 % within 2 C; 7.5 % within 4 C; 10 % farther away" in learned.profile.notes[-1]
    assert learned.profile.grade == "poor"
    assert learned.profile.counts == "pip"


def test_three_temperatures_make_a_profile_of_ones_own_line() -> None:
    rng = np.random.default_rng(21)
    clutches = [own(rng, f"P{i}", t, 18.0, 750.0) for i, t in enumerate((28.0, 30.0, 32.0) * 3)]
    learned = learn(without_table(), clutches, ON)
    assert learned.line is not None
    assert learned.line.base_c == pytest.approx(18.0, abs=0.7)
    assert [row.temperature_c for row in learned.profile.rows] == [28.0, 30.0, 32.0]
    assert 1.0 / float(learned.profile.curve().rate_per_day(29.0)) == pytest.approx(750.0 / 11.0, rel=0.02)
    assert learned.error_after_days is not None
    assert learned.error_after_days < 1.0
    assert learned.error_before_days is None


# --- a figure without a source ----------------------------------------------------------------------------------


def corn_snake(clutches: int, truly_days: float = 66.0) -> Learned:
    base = load_profile("pantherophis-guttatus")
    assert base.grade == "no source"
    rng = np.random.default_rng(22)
    later = math.log(truly_days / base.rows[0].days)
    kept = [clutch(rng, f"C{i}", later, temperatures_c=(27.8,), curve=base.curve(), box=0.0) for i in range(clutches)]
    return learn(base, kept, ON)


def test_common_practice_gives_way_to_three_own_clutches() -> None:
    one, three = corn_snake(1), corn_snake(3)
    assert one.profile.grade == "no source"
    assert [row.paper for row in one.profile.rows] == ["common practice, no source"]
    assert three.profile.grade == "one figure"
    assert [row.paper for row in three.profile.rows] == [OWN_CLUTCHES]
    assert three.profile.rows[0].days == pytest.approx(66.0, rel=0.02)
    assert three.shared < one.shared < one.shared_before
    for learned in (one, three):
        text = profile_text(learned.profile)
        assert parse_profile(tomllib.loads(text), "pantherophis-guttatus.toml") == learned.profile


def test_two_temperatures_make_a_profile_of_ones_own_line() -> None:
    """Clutches kept at 23 and at 28 C: between them and a little beyond, the days of the true line."""
    rng = np.random.default_rng(23)
    clutches = [own(rng, f"P{i}", t, 12.0, 800.0) for i, t in enumerate((23.0, 28.0) * 3)]
    learned = learn(without_table(), clutches, ON)
    assert learned.line is not None
    assert learned.line.base_c == pytest.approx(12.0, abs=2.5 * learned.line.base_se_c)
    assert learned.line.base_se_c < 1.5
    assert [row.temperature_c for row in learned.profile.rows] == [23.0, 28.0]
    curve = learned.profile.curve()
    for t in (23.0, 25.5, 28.0):
        assert 1.0 / float(curve.rate_per_day(t)) == pytest.approx(800.0 / (t - 12.0), rel=0.03)
    assert parse_profile(tomllib.loads(profile_text(learned.profile)), f"{learned.profile.id}.toml") == learned.profile


# --- the file ---------------------------------------------------------------------------------------------------


def made() -> list[Learned]:
    rng = np.random.default_rng(22)
    several = load_profile("natrix-natrix")
    return [
        learn(TABLE, [clutch(rng, "K", 0.03)], ON),
        learn(several, [clutch(rng, 'K "2"', 0.03, curve=several.curve())], ON),
        learn(without_table(), [own(rng, "P", 31.0, 17.0, 800.0)], ON),
    ]


@pytest.mark.parametrize("which", range(3))
def test_what_is_written_is_read_back_the_same(which: int) -> None:
    learned = made()[which]
    text = profile_text(learned.profile, ["a heading"])
    assert text.startswith("# a heading\n")
    assert parse_profile(tomllib.loads(text), f"{learned.profile.id}.toml") == learned.profile


def test_a_shifted_table_says_where_it_comes_from() -> None:
    learned = made()[0]
    profile = learned.profile
    assert {row.paper for row in profile.rows} == {OWN_CLUTCHES}
    assert all(row.population == "from ji-2001" for row in profile.rows)
    for old, new in zip(TABLE.rows, profile.rows, strict=True):
        assert new.days == pytest.approx(old.days * learned.factor, abs=0.005)
    assert "Learned on 2026-06-01 from 1 own clutch (K), kept at 28.0 C" in profile.notes[-1]
    assert profile.paper("ji-2001") is not None
    assert profile.spread.shared == pytest.approx(learned.shared, abs=1e-4)


def test_every_shipped_table_can_be_shifted_and_written() -> None:
    rng = np.random.default_rng(23)
    for profile in list_profiles().profiles:
        if profile.status == "table":
            t = float(np.mean(profile.temperatures_c))
            learned = learn(profile, [clutch(rng, "K", 0.02, curve=profile.curve(), temperatures_c=(t,))], ON)
            text = profile_text(learned.profile)
            assert parse_profile(tomllib.loads(text), f"{profile.id}.toml") == learned.profile


# --- from lots --------------------------------------------------------------------------------------------------


def history(days: float, temperature_c: float, curve: RateCurve = CURVE) -> History:
    hours = round(24 * days)
    rate = float(curve.rate_per_day(temperature_c)) / 24
    edge = np.arange(hours + 1, dtype=np.int64) * HOUR_MS
    return History(
        edge_ms=edge,
        cumulative=np.arange(hours + 1) * np.float64(rate),
        degree_days=np.zeros(hours + 1),
        temperature_c=np.full(hours, temperature_c),
        weight_s=np.full(hours, 3600.0),
        filled_s=0.0,
        unknown_s=0.0,
        development_sd=0.0,
        how={},
        error=ProbesError(0.2),
        compared=True,
        now_ms=int(edge[-1]),
    )


def test_a_lot_is_read_from_its_looks() -> None:
    lot = Lot(
        "K/a", "K", "a", (Stay("a", 0, None),), 5,
        pips=(PipSeen(48 * DAY_MS, 49 * DAY_MS, 2), PipSeen(49 * DAY_MS, 50 * DAY_MS, 2)), looked_ms=51 * DAY_MS,
    )  # fmt: skip
    box = own_box(lot, history(52.0, 28.0), CURVE)
    assert box is not None
    rate = float(CURVE.rate_per_day(28.0))
    assert box.days == pytest.approx(49.0)
    assert box.development == pytest.approx(49.0 * rate)
    assert box.mean_c == 28.0
    assert [p.after / rate for p in box.evidence.pipped] == pytest.approx([48.0, 49.0])
    assert [p.by / rate for p in box.evidence.pipped] == pytest.approx([49.0, 50.0])
    assert [p.count for p in box.evidence.pipped] == [2, 2]
    assert box.evidence.none_by == pytest.approx(51 * rate)
    assert box.evidence.eggs == 5
    assert box.evidence.sigma_bias > 0.0


def test_a_clutch_without_a_pip_says_nothing() -> None:
    from monitor.core.terms.events import Clutch

    silent = Lot("K/a", "K", "a", (Stay("a", 0, None),), 5)
    box = own_box(silent, history(52.0, 28.0), CURVE)
    assert box is not None
    assert own_clutch(Clutch("K", TABLE.id, 0, False, 5, (silent,)), [box, None]) is None


def test_eggs_that_were_part_developed_when_laid_say_less_and_their_days_are_told_whole() -> None:
    rng = np.random.default_rng(24)
    plain = clutch(rng, "K", 0.02, boxes=3)
    # The same looks, a quarter of it before the laying: fewer days, the same development.
    part = OwnClutch("K", tuple(replace(b, days=0.75 * b.days, developed=0.25 * b.development) for b in plain.boxes))
    a, b = learn(TABLE, [plain], ON).used[0], learn(TABLE, [part], ON).used[0]
    assert b.shift == pytest.approx(a.shift)
    assert b.days == pytest.approx(a.days)
    assert b.sd > a.sd
    with pytest.raises(EventRefused, match="part-developed when laid"):
        learn(without_table(), [part], ON)


def test_what_a_next_clutch_shares_is_uncertain_by_the_clutches_the_mean_and_a_borrowed_base() -> None:
    """As variances; the base temperature of other species counts by 2 % where there is none of one's own."""
    rng = np.random.default_rng(25)
    at_one = [own(rng, f"P{i}", 30.0, 18.0, 750.0) for i in range(3)]
    at_three = [own(rng, f"P{i}", t, 18.0, 750.0) for i, t in enumerate((28.0, 30.0, 32.0) * 3)]
    for base, clutches, borrowed in (
        (TABLE, [clutch(rng, "K", 0.03)], 0.0),
        (without_table(), at_one[:1], 0.02),
        (without_table(), at_one, 0.02),
        (without_table(), at_three, 0.0),
    ):
        learned = learn(base, clutches, ON)
        parts = learned.between_taken, learned.shift_sd, borrowed
        assert learned.shared == pytest.approx(math.hypot(*parts), rel=1e-9)


@pytest.mark.parametrize("constant", [400.0, 600.0, 800.0, 1100.0])
def test_how_fast_a_species_is_does_not_matter_for_learning_without_a_table(constant: float) -> None:
    """Far from the pace of the curve on which the search starts, to either side."""
    rng = np.random.default_rng(26)
    learned = learn(without_table(), [own(rng, f"P{i}", 31.0, 17.0, constant) for i in range(3)], ON)
    assert learned.left_out == ()
    assert 1.0 / float(learned.profile.curve().rate_per_day(31.0)) == pytest.approx(constant / 14.0, rel=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_a_line_goes_by_the_boxes_that_are_known_well(seed: int) -> None:
    """Three boxes were looked at every few hours; a fourth that was late counts the less the rarer it was looked at."""
    rng = np.random.default_rng(seed)
    line = PublishedRates([20.0, 40.0], [700.0 / (20.0 - 14.0), 700.0 / (40.0 - 14.0)])
    known = clutch(
        rng, "K", 0.0, boxes=3, eggs=20, look=0.002, temperatures_c=(23.0, 26.5, 30.0), curve=line, box=0.001, egg=0.005
    )
    alone = learn(TABLE, [known], ON).line

    def moved_c(half: float) -> float:
        """By how much a box that pipped 5 % late moves the base when its looks lie so far apart."""
        seen = BoxEvidence("K/late", 6, 0.0, (PipInterval(1.05 - half, 1.05 + half, 6),), 1.3)
        late = OwnBox(seen, 1.05 * 700.0 / (31.0 - 14.0), 1.05, 31.0, 0.0)
        found = learn(TABLE, [OwnClutch("K", (*known.boxes, late))], ON).line
        assert alone is not None
        assert found is not None
        return abs(found.base_c - alone.base_c)

    moves = [moved_c(half) for half in (0.002, 0.04, 0.08, 0.12)]
    assert all(a > b for a, b in pairwise(moves))
    assert moves[-1] < 0.5 * moves[0]
